//! `foilwright cut`: drawing to cut file, one stencil per layer.

use super::shown::{Shown, show};
use super::{Exit, StencilFlags, compare, trade, words};
use crate::finding::{Finding, Severity};
use crate::job;
use crate::order::OrderMode;
use crate::output::OutputSet;
use crate::proof::{self, Dialect, Fault, ReadJob};
use crate::recipe::Recipe;
use crate::report::Report;
use crate::stopwatch::Stopwatch;
use crate::{LayerJob, Run, prepare};
use anyhow::{Context, bail};
use clap::{Args, ValueEnum};
use rayon::prelude::*;
use std::path::{Component, Path, PathBuf};

#[derive(Debug, Args)]
pub struct CutArgs {
    #[command(flatten)]
    pub(super) stencil: StencilFlags,
    /// Formats to write, separated by commas
    #[arg(long = "as", value_name = "FORMATS", value_delimiter = ',', default_value = "rs274,svg,plan", value_parser = format_name)]
    pub(super) formats: Vec<String>,
    /// Order of cutting: as drawn, least travel, or where the foil is cool
    #[arg(long, value_enum, default_value = "cool")]
    order: OrderFlag,
    /// Write no job: show in a table and a plot what several limits of cool order cost in time and leave in heat
    #[arg(long, conflicts_with_all = ["only", "compare_kerf", "force"])]
    trade: bool,
    /// Draw no pictures, and leave out the estimate of the heat
    #[arg(long)]
    pub(super) no_pictures: bool,
    /// Write the job in spite of findings that block (the exit code stays 1)
    #[arg(long)]
    force: bool,
    /// Clearing job: cut only these paths of the plan written before again, such as 12,17 (once, or --passes times)
    #[arg(
        long,
        value_name = "PATHS",
        value_delimiter = ',',
        conflicts_with = "force"
    )]
    pub(super) only: Vec<u32>,
    /// The plan that --only names paths of (default: the one in the folder for results)
    #[arg(long, value_name = "FILE.plan.json", requires = "only")]
    pub(super) plan: Option<PathBuf>,
    /// Print to the terminal's error stream how long each stage took
    #[arg(long)]
    timings: bool,
}

/// The format that is a folder of numbered drawings.
const BATCHES: &str = "batches";

#[derive(Debug, Clone, Copy, ValueEnum)]
enum OrderFlag {
    Artwork,
    Travel,
    Cool,
}

fn format_name(text: &str) -> Result<String, String> {
    let known = || job::WRITERS.iter().map(|(n, _)| *n).chain([BATCHES]);
    if known().any(|n| n == text) {
        return Ok(text.to_owned());
    }
    Err(format!(
        "no such format; known: {}",
        known().collect::<Vec<_>>().join(", ")
    ))
}

pub fn run(args: CutArgs) -> anyhow::Result<Exit> {
    if !args.only.is_empty() {
        return super::clear::run(&args);
    }
    let mut options = args.stencil.options()?;
    options.order = match args.order {
        OrderFlag::Artwork => OrderMode::Artwork,
        OrderFlag::Travel => OrderMode::Travel,
        OrderFlag::Cool => OrderMode::Cool,
    };
    options.force = args.force;
    if args.trade {
        if !matches!(args.order, OrderFlag::Cool) {
            bail!("--trade compares limits of cool order: leave --order out, or give --order cool");
        }
        return trade::run(&args.stencil, &options);
    }
    if !args.stencil.compare_kerf.is_empty() {
        return compare::run(&args.stencil, &options);
    }
    let working = Working::new(&args);
    working.on("rules, kerf and order");
    let mut run = prepare(&args.stencil.artwork, &options)?;
    working.on("files, proof and heat");
    let out = args.stencil.common.out_beside(&args.stencil.artwork);
    let mut written = Vec::new();
    if !run.report.blocked() || args.force {
        let files = make_files(&mut run, &args, &options.recipe)?;
        // The proof may have found what blocks: then nothing is left behind.
        if !run.report.blocked() || args.force {
            written = write_all(&mut run, files, &out)?;
            run.times.lap("save the files");
        }
    }
    drop(working);
    let blocked = run.report.blocked();
    if args.stencil.common.json {
        say_on!("{}", String::from_utf8_lossy(&run.report.to_json()));
    } else if !args.stencil.common.quiet {
        words::summary(&run.report, &mut super::Told)?;
        if blocked && !args.force {
            say!(
                "nothing written: findings that block; mend them, or use --force to write all the same"
            );
        } else {
            if args.no_pictures {
                say!(
                    "heat not estimated (--no-pictures): `foilwright preview` of the job tells it"
                );
            }
            say!("wrote {} files to {}", written.len(), out.display());
        }
    }
    if args.timings {
        eprint!("{}", run.times.words());
    }
    if args.stencil.common.quiet || args.stencil.common.json {
        for f in run
            .report
            .all_findings()
            .filter(|f| f.severity == Severity::Blocking)
        {
            super::say::warn(format_args!("blocking: {} ({})", f.message, f.place()));
        }
    }
    Ok(Exit::from(blocked))
}

/// Shows on a terminal that work goes on, and at what.
struct Working(indicatif::ProgressBar);

impl Working {
    fn new(args: &CutArgs) -> Working {
        let quiet = args.stencil.common.quiet || args.stencil.common.json;
        let bar = if quiet {
            indicatif::ProgressBar::hidden()
        } else {
            indicatif::ProgressBar::new_spinner()
        };
        bar.enable_steady_tick(std::time::Duration::from_millis(200));
        Working(bar)
    }
    fn on(&self, stage: &'static str) {
        self.0.set_message(stage);
    }
}

impl Drop for Working {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}

/// Names and contents.
type Files = Vec<(String, Vec<u8>)>;

/// All files of the run, each job file read back and proved before it may be written.
fn make_files(run: &mut Run, args: &CutArgs, recipe: &Recipe) -> anyhow::Result<Files> {
    // Of each stencil: its files, and the faults that their proof found.
    let mut made: Vec<(Files, Vec<Finding>)> = Vec::new();
    for job in &run.jobs {
        let Some(plan) = &job.plan else {
            made.push(Default::default());
            continue;
        };
        let base = base_name(&run.stem, &job.stencil.name);
        let mut times = run.times.clone();
        let mut judge = Judge {
            run,
            job,
            recipe,
            first: None,
            faults: Vec::new(),
        };
        let mut prove = |name: &str, read: ReadJob| judge.judge(name, read);
        let files = job_files(
            plan,
            &base,
            &args.formats,
            recipe,
            &mut times,
            (!args.force).then_some(&mut prove as &mut Reader<'_>),
        )?;
        made.push((files, judge.faults));
        run.times = times;
    }
    // A job that its proof refuses is not left: nobody will see its pictures.
    let refused = made.iter().any(|(_, faults)| !faults.is_empty());
    if !args.no_pictures && !refused {
        let shown: Vec<Option<Shown>> = (run.jobs.par_iter())
            .map(|job| Some(show(run, job, job.plan.as_ref()?, recipe)))
            .collect();
        let layers = run.report.layers.iter_mut();
        for ((shown, layer), made) in shown.into_iter().zip(layers).zip(&mut made) {
            if let Some(shown) = shown {
                made.0.extend(shown.pictures);
                layer.findings.extend(shown.findings);
                layer.heat = shown.heat;
            }
        }
        run.times.lap("heat and pictures");
    }
    let mut all = Vec::new();
    for (layer, (files, faults)) in run.report.layers.iter_mut().zip(made) {
        layer.findings.extend(faults);
        all.extend(files);
    }
    Ok(all)
}

/// Formats that the proof reads back.
const CAN_BE_READ: [&str; 4] = ["rs274", "svg", "plan", "dxf"];

/// Takes the name of a file and the job that was read back from it.
pub(super) type Reader<'a> = dyn FnMut(&str, ReadJob) + 'a;

/// The job files of a plan, names and contents. Each is read back and shown to `judge`, if there is one, with its name.
pub(super) fn job_files(
    plan: &job::Plan,
    base: &str,
    formats: &[String],
    recipe: &Recipe,
    times: &mut Stopwatch,
    mut judge: Option<&mut Reader<'_>>,
) -> anyhow::Result<Files> {
    let dialect = Dialect::from_recipe(recipe);
    let mut files = Vec::new();
    for format in formats {
        if format == BATCHES {
            let batches = job::batches::batches(plan, recipe);
            if let Some(judge) = &mut judge {
                let read = proof::read_batches(&batches, &dialect)
                    .with_context(|| format!("batches of layer `{}`", plan.layer))?;
                judge(BATCHES, read);
            }
            let named = |(name, bytes)| (format!("{base}.batches/{name}"), bytes);
            files.extend(batches.into_iter().map(named));
            times.lap("batches and their proof");
            continue;
        }
        let writer = job::writer(format).context("format without a writer")?;
        let name = format!("{base}.{}", writer.extension());
        let bytes = writer
            .write(plan, recipe)
            .with_context(|| format!("layer `{}` as {format}", plan.layer))?;
        times.lap(&format!("write {format}"));
        if CAN_BE_READ.contains(&format.as_str())
            && let Some(judge) = &mut judge
        {
            let read = proof::read(&name, &bytes, &dialect)
                .with_context(|| format!("reading {name} back"))?;
            judge(&name, read);
            times.lap(&format!("prove {format}"));
        }
        files.push((name, bytes));
    }
    Ok(files)
}

/// Ways no further apart than this, in micrometres, need not be proved twice; written decimals stay below.
const SAME_WAYS_UM: f64 = 0.15;

/// Proves the files of one stencil. Formats carry the same ways at different decimals: the first is proved
/// with that much less room for error, and whatever lies as near to it is proved, or refused, with it.
struct Judge<'a> {
    run: &'a Run,
    job: &'a LayerJob,
    recipe: &'a Recipe,
    first: Option<ReadJob>,
    faults: Vec<Finding>,
}

impl Judge<'_> {
    fn judge(&mut self, name: &str, read: ReadJob) {
        let sheet_mm = self.run.sheet.box_mm;
        // The drawing is known to within the tolerance of its flattening.
        let mut limits = self.recipe.clone();
        limits.rules.max_edge_error_um -= self.recipe.tolerance_um();
        let slack_um = SAME_WAYS_UM.min(limits.rules.max_edge_error_um / 3.0);
        let known = self.first.as_ref().and_then(|p| proof::apart_um(p, &read));
        if known.is_some_and(|apart| apart <= slack_um) {
            let faults = proof::prove_statements(&read, sheet_mm, self.recipe);
            self.take(name, faults.listed());
            return;
        }
        let mut tight = limits.clone();
        tight.rules.max_edge_error_um -= slack_um;
        let mut verdict = proof::prove(&read, &self.job.layer, sheet_mm, &tight);
        let tight_passed = verdict.passed;
        if !verdict.passed {
            verdict = proof::prove(&read, &self.job.layer, sheet_mm, &limits);
        }
        // One that has no room left for the others' decimals speaks for itself alone.
        if verdict.passed == tight_passed {
            self.first = Some(read);
        }
        self.take(name, &verdict.findings);
    }

    /// What blocks, as findings that name the file.
    fn take(&mut self, name: &str, faults: &[Fault]) {
        let blocking = faults
            .iter()
            .filter(|f| f.finding.severity == Severity::Blocking);
        self.faults.extend(blocking.map(|f| Finding {
            message: format!("proof of {name}: {}", f.finding.message),
            layer: Some(self.job.stencil.name.clone()),
            ..f.finding.clone()
        }));
    }
}

fn write_all(run: &mut Run, files: Files, out: &Path) -> anyhow::Result<Vec<PathBuf>> {
    let report_name = format!("{}.report.json", run.stem);
    let stale = stale_files(out, &report_name);
    let mut set = OutputSet::new(out);
    run.report.files = files.iter().map(|(n, _)| n.clone()).collect();
    run.report.files.push(report_name.clone());
    for (name, bytes) in files {
        set.add(name, bytes);
    }
    set.add(&report_name, run.report.to_json());
    Ok(set.write(&stale)?)
}

/// `STEM-LAYER`, or `STEM` where the drawing has no layers.
pub(super) fn base_name(stem: &str, layer: &str) -> String {
    if layer == stem {
        stem.to_owned()
    } else {
        format!("{stem}-{layer}")
    }
}

/// Files that the last run of the same drawing left, as its report lists them, and those of clearing jobs
/// of its plans.
fn stale_files(out: &Path, report_name: &str) -> Vec<PathBuf> {
    let mut names = listed_files(out, report_name);
    let clearing: Vec<String> = names
        .iter()
        .filter_map(|n| n.strip_suffix(".plan.json"))
        .flat_map(|base| listed_files(out, &format!("{base}.clear.report.json")))
        .collect();
    names.extend(clearing);
    names.iter().map(|n| out.join(n)).collect()
}

/// The files that a report in this folder lists.
pub(super) fn listed_files(out: &Path, report_name: &str) -> Vec<String> {
    let Ok(text) = std::fs::read(out.join(report_name)) else {
        return Vec::new();
    };
    let Ok(report) = serde_json::from_slice::<Report>(&text) else {
        return Vec::new();
    };
    let inside = |n: &String| {
        Path::new(n).components().count() <= 2
            && Path::new(n)
                .components()
                .all(|c| matches!(c, Component::Normal(_)))
    };
    // Only names inside the folder: a report is no licence to remove files elsewhere.
    report.files.into_iter().filter(inside).collect()
}
