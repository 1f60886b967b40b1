//! `foilwright cut`: drawing to cut file, one stencil per layer.

use super::{Exit, StencilFlags, compare, preview, words};
use crate::finding::{Finding, Severity};
use crate::heat::{SimOptions, simulate};
use crate::job;
use crate::motion::Motion;
use crate::order::OrderMode;
use crate::output::OutputSet;
use crate::pictures::order::{Mark, OrderPicture, order_png};
use crate::proof::{self, Dialect, ReadJob};
use crate::recipe::Recipe;
use crate::report::Report;
use crate::units::{NM_PER_MM, show_time_s, trim_number};
use crate::{LayerJob, Run, prepare};
use anyhow::Context;
use clap::{Args, ValueEnum};
use std::path::{Component, Path, PathBuf};

#[derive(Debug, Args)]
pub struct CutArgs {
    #[command(flatten)]
    stencil: StencilFlags,
    /// Formats to write, separated by commas
    #[arg(long = "as", value_name = "FORMATS", value_delimiter = ',', default_value = "rs274,svg,plan", value_parser = format_name)]
    formats: Vec<String>,
    /// Order of cutting: as drawn, least travel, or where the foil is cool
    #[arg(long, value_enum, default_value = "cool")]
    order: OrderFlag,
    /// Draw no pictures
    #[arg(long)]
    no_pictures: bool,
    /// Write the job in spite of findings that block (the exit code stays 1)
    #[arg(long)]
    force: bool,
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
    let mut options = args.stencil.options()?;
    options.order = match args.order {
        OrderFlag::Artwork => OrderMode::Artwork,
        OrderFlag::Travel => OrderMode::Travel,
        OrderFlag::Cool => OrderMode::Cool,
    };
    options.force = args.force;
    if !args.stencil.compare_kerf.is_empty() {
        return compare::run(&args.stencil, &options);
    }
    let mut run = prepare(&args.stencil.artwork, &options)?;
    let out = args.stencil.common.out_beside(&args.stencil.artwork);
    let mut written = Vec::new();
    if !run.report.blocked() || args.force {
        let files = make_files(&mut run, &args, &options.recipe)?;
        // The proof may have found what blocks: then nothing is left behind.
        if !run.report.blocked() || args.force {
            written = write_all(&mut run, files, &out)?;
        }
    }
    let blocked = run.report.blocked();
    if args.stencil.common.json {
        print!("{}", String::from_utf8_lossy(&run.report.to_json()));
    } else if !args.stencil.common.quiet {
        words::summary(&run.report, &mut std::io::stdout())?;
        if blocked && !args.force {
            println!(
                "nothing written: findings that block; mend them, or use --force to write all the same"
            );
        } else {
            println!("wrote {} files to {}", written.len(), out.display());
        }
    }
    if args.stencil.common.quiet || args.stencil.common.json {
        for f in run
            .report
            .all_findings()
            .filter(|f| f.severity == Severity::Blocking)
        {
            eprintln!("blocking: {} ({})", f.message, f.place());
        }
    }
    Ok(Exit::from(blocked))
}

/// All files of the run, each job file read back and proved before it may be written.
fn make_files(
    run: &mut Run,
    args: &CutArgs,
    recipe: &Recipe,
) -> anyhow::Result<Vec<(String, Vec<u8>)>> {
    let mut files = Vec::new();
    for i in 0..run.jobs.len() {
        let job = &run.jobs[i];
        let Some(plan) = &job.plan else { continue };
        let base = base_name(&run.stem, &job.stencil.name);
        let mut faults = Vec::new();
        for format in &args.formats {
            if format == BATCHES {
                let batches = job::batches::batches(plan, recipe);
                if !args.force {
                    let read = proof::read_batches(&batches, &Dialect::from_recipe(recipe))
                        .with_context(|| format!("batches of layer `{}`", job.stencil.name))?;
                    faults.extend(proved(&read, "batches", run, job, recipe));
                }
                let named = |(name, bytes)| (format!("{base}.batches/{name}"), bytes);
                files.extend(batches.into_iter().map(named));
                continue;
            }
            let writer = job::writer(format).context("format without a writer")?;
            let name = format!("{base}.{}", writer.extension());
            let bytes = writer
                .write(plan, recipe)
                .with_context(|| format!("layer `{}` as {format}", job.stencil.name))?;
            if !args.force && CAN_BE_READ.contains(&format.as_str()) {
                let read = proof::read(&name, &bytes, &Dialect::from_recipe(recipe))
                    .with_context(|| format!("reading {name} back"))?;
                faults.extend(proved(&read, &name, run, job, recipe));
            }
            files.push((name, bytes));
        }
        if !args.no_pictures {
            let motion = plan.motion();
            files.push((
                format!("{base}.order.png"),
                order_picture(run, job, plan, &motion, recipe),
            ));
            if !motion.burns.is_empty() {
                let options = SimOptions {
                    quick: true,
                    ..SimOptions::default()
                };
                let result = simulate(&motion, recipe, options);
                let limit_k = recipe
                    .heat
                    .limit_k
                    .unwrap_or_else(|| preview::limit_of(&motion, recipe));
                files.push((
                    format!("{base}.heat.png"),
                    preview::heat_picture(&base, &motion, recipe, &result, limit_k),
                ));
                run.report.layers[i].heat = serde_json::to_value(result.lines()).ok();
            }
        }
        run.report.layers[i].findings.extend(faults);
    }
    Ok(files)
}

/// Formats that the proof reads back.
const CAN_BE_READ: [&str; 4] = ["rs274", "svg", "plan", "dxf"];

/// What blocks in a job read back, as findings that name the file.
fn proved(read: &ReadJob, name: &str, run: &Run, job: &LayerJob, recipe: &Recipe) -> Vec<Finding> {
    proof::prove(read, &job.layer, run.sheet.box_mm, recipe)
        .findings
        .into_iter()
        .filter(|f| f.finding.severity == Severity::Blocking)
        .map(|f| Finding {
            message: format!("proof of {name}: {}", f.finding.message),
            layer: Some(job.stencil.name.clone()),
            ..f.finding
        })
        .collect()
}

fn write_all(
    run: &mut Run,
    files: Vec<(String, Vec<u8>)>,
    out: &Path,
) -> anyhow::Result<Vec<PathBuf>> {
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
fn base_name(stem: &str, layer: &str) -> String {
    if layer == stem {
        stem.to_owned()
    } else {
        format!("{stem}-{layer}")
    }
}

/// Files that the last run of the same drawing left, as its report lists them.
fn stale_files(out: &Path, report_name: &str) -> Vec<PathBuf> {
    let Ok(text) = std::fs::read(out.join(report_name)) else {
        return Vec::new();
    };
    let Ok(report) = serde_json::from_slice::<Report>(&text) else {
        return Vec::new();
    };
    report
        .files
        .iter()
        // Only names inside the folder: a report is no licence to remove files elsewhere.
        .filter(|n| {
            Path::new(n).components().count() <= 2
                && Path::new(n)
                    .components()
                    .all(|c| matches!(c, Component::Normal(_)))
        })
        .map(|n| out.join(n))
        .collect()
}

fn order_picture(
    run: &Run,
    job: &LayerJob,
    plan: &job::Plan,
    motion: &Motion,
    recipe: &Recipe,
) -> Vec<u8> {
    let frame = job::Frame::new(run.sheet.box_mm, recipe);
    let to_job = |p: crate::regions::Point| {
        frame.to_job([f64::from(p.x) / NM_PER_MM, f64::from(p.y) / NM_PER_MM])
    };
    let t = &plan.timing;
    let s = &plan.settings;
    let picture = OrderPicture {
        title: format!("{} - layer {}", run.report.artwork, job.stencil.name),
        subtitle: format!(
            "seen from the laser, which cuts the {} side; sheet {} x {} mm; kerf {} um; {} pass{} in {}; order {}",
            s.laser_side,
            trim_number(run.sheet.size_mm()[0], 2),
            trim_number(run.sheet.size_mm()[1], 2),
            trim_number(s.kerf_um, 2),
            s.passes,
            if s.passes == 1 { "" } else { "es" },
            s.scheme,
            s.order
        ),
        openings: job
            .stencil
            .openings
            .rings()
            .map(|r| r.iter().map(|p| to_job(*p)).collect())
            .collect(),
        bars: job
            .stencil
            .tie_bars
            .iter()
            .map(|b| (to_job(b.from), to_job(b.to), b.width_um * 1e-3))
            .collect(),
        seams: job
            .stencil
            .seams
            .iter()
            .map(|s| (to_job(s.from), to_job(s.to), s.overlap_um * 1e-3))
            .collect(),
        elsewhere: job
            .stencil
            .elsewhere
            .rings()
            .map(|r| r.iter().map(|p| to_job(*p)).collect())
            .collect(),
        marks: words::numbered(&job.findings)
            .filter_map(|(number, f)| {
                f.at_mm.map(|at| Mark {
                    number,
                    at: frame.to_job(at),
                    text: f.message.clone(),
                })
            })
            .collect(),
        facts: vec![
            format!(
                "{} openings, {} islands",
                job.stencil.openings.len(),
                job.stencil.islands.len()
            ),
            format!(
                "cut {} mm, jumps {} mm",
                trim_number(t.cut_length_mm, 1),
                trim_number(t.jump_length_mm, 1)
            ),
            format!("job {}", show_time_s(t.job_s)),
            format!("beam on {}", show_time_s(t.beam_on_s)),
            format!(
                "jumps {}, pauses {}",
                show_time_s(t.jump_s),
                show_time_s(t.dwell_s)
            ),
        ],
    };
    order_png(motion, &picture)
}
