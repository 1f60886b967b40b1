//! `foilwright proof`: reads a written job back and compares it with the drawing.

use super::{Common, DrawingFlags, Exit, Overrides};
use crate::artwork::{self, Artwork, Layer, ReadOptions};
use crate::finding::{Finding, Severity};
use crate::heat::{Detail, HeatResult, SimOptions, simulate, sweeps_away};
use crate::order::OrderMode;
use crate::output::OutputSet;
use crate::pictures::proof::{Close, ProofPicture, proof_png};
use crate::proof::{self, Dialect, ReadError, ReadJob, Verdict};
use crate::recipe::{Recipe, SheetSize};
use crate::sheet::Sheet;
use crate::stencil::IslandMode;
use crate::units::{show_length_um, show_time_s, trim_number};
use crate::{Options, prepare};
use anyhow::{Context, bail};
use clap::Args;
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub struct ProofArgs {
    /// Job to prove: .nc, .cut.svg, .dxf, .plan.json or a folder of batches
    #[arg(value_name = "JOB")]
    job: PathBuf,
    /// Drawing it was made from
    #[arg(long, value_name = "ARTWORK.svg")]
    artwork: PathBuf,
    /// Layer it was made from (needed when the drawing has several)
    #[arg(long, value_name = "NAME")]
    layer: Option<String>,
    #[command(flatten)]
    drawing: DrawingFlags,
    /// Write no picture
    #[arg(long)]
    no_pictures: bool,
    /// Leave out the estimate of the heat
    #[arg(long)]
    no_heat: bool,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    overrides: Overrides,
}

/// Largest distance of the drawing's outlines from its curves, as a share of the edge error that is accepted.
const FINE: f64 = 0.05;

pub fn run(args: ProofArgs) -> anyhow::Result<Exit> {
    let recipe = args.drawing.recipe(&args.common, &args.overrides)?;
    let as_cut = args.drawing.read_options(&recipe);
    // Finer than it was cut from, so that the edge error holds what flattening added.
    let fine = ReadOptions {
        tolerance_um: as_cut
            .tolerance_um
            .min(FINE * recipe.rules.max_edge_error_um),
        ..as_cut.clone()
    };
    let drawing = artwork::read(&args.artwork, &fine)?.value;
    let dialect = Dialect::from_recipe(&recipe);
    let job = match read_job(&args.job, &dialect) {
        Ok(job) => job,
        Err(why) => return unreadable(&args, why),
    };
    let wanted = args
        .layer
        .as_deref()
        .or(job.stated.get("layer").map(String::as_str));
    let part = match (&args.layer, wanted) {
        (_, Some(name)) if drawing.layers.iter().all(|l| l.name != *name) => {
            stencil_of_pair(&args, &recipe, &drawing, name)?
        }
        _ => None,
    };
    let layer = match &part {
        Some(layer) => layer,
        None => choose(
            &drawing,
            args.layer.as_deref().or(stated_layer(&drawing, &job)),
        )?,
    };
    let sheet_mm = if SheetSize::parse(&recipe.sheet.size) == Some(SheetSize::Page) {
        Sheet::of(&drawing, &recipe).value.box_mm
    } else {
        // Around what is drawn, as it was cut.
        let drawing = artwork::read(&args.artwork, &as_cut)?.value;
        Sheet::of(&drawing, &recipe).value.box_mm
    };
    let (verdict, heat) = rayon::join(
        || proof::prove(&job, layer, sheet_mm, &recipe),
        || (!args.no_heat).then(|| heat_of(&job, &recipe)).flatten(),
    );

    let report = report(&args, &layer.name, &verdict, heat.as_ref())?;
    let picture = (!args.no_pictures).then(|| {
        proof_png(&picture(
            &args.job, layer, &job, sheet_mm, &recipe, &verdict,
        ))
    });
    let written = save(&args, &report, picture)?;
    if args.common.json {
        say!("{report}");
    } else if !args.common.quiet {
        say_on!("{}", summary(&args.job, layer, &verdict, heat.as_ref()));
        for path in written {
            say!("wrote {}", path.display());
        }
    }
    Ok(u8::from(!verdict.passed))
}

/// A job that could be opened and makes no sense, such as one cut short, is faulty; anything else could not be run.
fn unreadable(args: &ProofArgs, why: anyhow::Error) -> anyhow::Result<Exit> {
    let Some(ReadError::NotAJob { line, .. }) = why.downcast_ref() else {
        return Err(why);
    };
    let mut faults = proof::Faults::default();
    faults.push(
        Finding::blocking("unreadable", why.root_cause().to_string())
            .hint("the file is cut short or changed: write the job anew"),
        *line,
    );
    let verdict = Verdict {
        passed: false,
        findings: faults.listed().to_vec(),
        counts: faults.counts().clone(),
        as_cut: proof::AsCut::default(),
    };
    let name = args.layer.as_deref().unwrap_or_default();
    let report = report(args, name, &verdict, None)?;
    save(args, &report, None)?;
    if args.common.json {
        say!("{report}");
    } else if !args.common.quiet {
        say!("{}: proof FAILED", args.job.display());
        say_on!("{}", faults_words(&verdict));
    }
    Ok(1)
}

/// Writes the report, and the picture if there is one.
fn save(args: &ProofArgs, report: &str, picture: Option<Vec<u8>>) -> anyhow::Result<Vec<PathBuf>> {
    let mut files = OutputSet::new(&args.common.out_beside(&args.job));
    let stem = stem(&args.job);
    files.add(format!("{stem}.proof.json"), format!("{report}\n"));
    if let Some(picture) = picture {
        files.add(format!("{stem}.proof.png"), picture);
    }
    Ok(files.write(&[])?)
}

/// Reads a job file, or a folder of batches.
pub(super) fn read_job(path: &Path, dialect: &Dialect) -> anyhow::Result<ReadJob> {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let named = || format!("cannot read {}", path.display());
    if path.is_dir() {
        let mut files = Vec::new();
        for entry in std::fs::read_dir(path).with_context(named)? {
            let entry = entry.with_context(named)?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if name.ends_with(".svg") || name == "settings.txt" {
                files.push((name, std::fs::read(entry.path()).with_context(named)?));
            }
        }
        files.sort();
        return proof::read_batches(&files, dialect).with_context(named);
    }
    let bytes = std::fs::read(path).with_context(named)?;
    proof::read(&name, &bytes, dialect).with_context(named)
}

/// One stencil of a complementary pair, such as `absorber-a`: what that stencil is to show of its layer.
fn stencil_of_pair(
    args: &ProofArgs,
    recipe: &Recipe,
    drawing: &Artwork,
    name: &str,
) -> anyhow::Result<Option<Layer>> {
    let Some((base, _)) = name.rsplit_once('-') else {
        return Ok(None);
    };
    if drawing.layers.iter().all(|l| l.name != base) {
        return Ok(None);
    }
    let options = Options {
        recipe: recipe.clone(),
        read: args.drawing.read_options(recipe),
        layers: vec![base.to_owned()],
        islands: IslandMode::Split,
        order: OrderMode::Artwork,
        force: false,
        rules_only: true,
    };
    let run = prepare(&args.artwork, &options)?;
    let stencil = run.jobs.into_iter().find(|j| j.stencil.name == name);
    Ok(stencil.map(|j| j.layer))
}

/// The layer the job says it was made from, if the drawing has it.
fn stated_layer<'a>(drawing: &'a Artwork, job: &ReadJob) -> Option<&'a str> {
    let stated = job.stated.get("layer")?;
    drawing
        .layers
        .iter()
        .map(|l| l.name.as_str())
        .find(|n| n == stated)
}

fn choose<'a>(drawing: &'a Artwork, name: Option<&str>) -> anyhow::Result<&'a Layer> {
    let names = || {
        drawing
            .layers
            .iter()
            .map(|l| l.name.as_str())
            .collect::<Vec<_>>()
            .join(", ")
    };
    match (name, drawing.layers.as_slice()) {
        (_, []) => bail!("the drawing has no layer to cut"),
        (Some(name), layers) => layers
            .iter()
            .find(|l| l.name == name)
            .with_context(|| format!("the drawing has no layer `{name}`; it has {}", names())),
        (None, [only]) => Ok(only),
        (None, _) => bail!(
            "the drawing has several layers; give --layer with one of {}",
            names()
        ),
    }
}

/// File name without the parts that say its kind.
fn stem(job: &Path) -> String {
    let name = job.file_name().unwrap_or_default().to_string_lossy();
    for end in [".plan.json", ".cut.svg", ".batches"] {
        if let Some(stem) = name.strip_suffix(end) {
            return stem.to_owned();
        }
    }
    name.rsplit_once('.')
        .map_or(name.as_ref(), |(stem, _)| stem)
        .to_owned()
}

/// The heat of the job as read, coarsely; nothing where the job cuts nothing.
fn heat_of(job: &ReadJob, recipe: &Recipe) -> Option<HeatResult> {
    let mut motion = job.motion.clone();
    motion
        .burns
        .retain(|b| b.length_mm() > 0.0 && b.speed_mm_s > 0.0 && b.power_w > 0.0);
    let s = motion.sheet_mm;
    if motion.burns.is_empty() || s[0] >= s[2] || s[1] >= s[3] {
        return None;
    }
    // A job full of faults may lead anywhere; the estimate is for what lies on the sheet.
    let on_sheet = |p: &[f64; 2]| {
        (s[0] - 1.0..=s[2] + 1.0).contains(&p[0]) && (s[1] - 1.0..=s[3] + 1.0).contains(&p[1])
    };
    if !motion.burns.iter().flat_map(|b| &b.points).all(on_sheet)
        || sweeps_away(&motion, recipe).is_some()
    {
        return None;
    }
    let options = SimOptions {
        detail: Detail::Quick,
        ..SimOptions::default()
    };
    Some(simulate(&motion, recipe, options))
}

fn report(
    args: &ProofArgs,
    layer: &str,
    verdict: &Verdict,
    heat: Option<&HeatResult>,
) -> serde_json::Result<String> {
    let name = |p: &Path| {
        p.file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned()
    };
    serde_json::to_string_pretty(&serde_json::json!({
        "schema": "foilwright.proof/1",
        "job": name(&args.job),
        "artwork": name(&args.artwork),
        "layer": layer,
        "passed": verdict.passed,
        "findings": verdict.findings,
        "counts": verdict.counts,
        "as_cut": verdict.as_cut,
        "heat": heat,
    }))
}

fn facts(verdict: &Verdict) -> Vec<String> {
    let a = &verdict.as_cut;
    let n = |v| trim_number(v, 2);
    let mut out = vec![
        format!(
            "openings: {} drawn, {} cut",
            a.openings_drawn, a.openings_cut
        ),
        format!("pieces that fall out: {}", a.slugs),
        format!(
            "edge error: at most {} um, {} um RMS",
            n(a.edge_error_max_um),
            n(a.edge_error_rms_um)
        ),
        format!("corners left round: {}", a.rounded_corners),
    ];
    out.push(match a.narrowest_bar_um {
        Some(w) => format!("tie bars: {}, the narrowest {} um", a.bars.len(), n(w)),
        None => "tie bars: none".to_owned(),
    });
    if let (Some(error_um), Some(narrowest)) = (
        a.outline_error_max_um,
        a.tabs.iter().map(|t| t.width_um).min_by(f64::total_cmp),
    ) {
        out.push(format!(
            "sheet cut out: edge error at most {} um, {} tabs, the narrowest {} um",
            n(error_um),
            a.tabs.len(),
            n(narrowest)
        ));
    }
    out.push(match (a.narrowest_web_um, a.narrowest_web_mm) {
        (Some(w), Some([x, y])) => format!("narrowest web: {} um at ({x:.3}, {y:.3}) mm", n(w)),
        _ => format!("webs: all wider than {}", show_length_um(a.web_searched_um)),
    });
    out.push(format!(
        "time: {} (beam on {}, pauses {})",
        show_time_s(a.job_s),
        show_time_s(a.beam_on_s),
        show_time_s(a.dwell_s)
    ));
    out
}

fn summary(job: &Path, layer: &Layer, verdict: &Verdict, heat: Option<&HeatResult>) -> String {
    let word = if verdict.passed { "passed" } else { "FAILED" };
    let mut out = format!("{}: layer {}: proof {word}\n", job.display(), layer.name);
    for fact in facts(verdict) {
        out.push_str(&format!("  {fact}\n"));
    }
    if let Some(heat) = heat {
        out.push_str("  heat of the job as read, coarsely:\n");
        for line in heat.lines() {
            out.push_str(&format!("    {line}\n"));
        }
    }
    out + &faults_words(verdict)
}

fn faults_words(verdict: &Verdict) -> String {
    let mut out = String::new();
    for f in &verdict.findings {
        let place = f.finding.place();
        let place = if place.is_empty() {
            place
        } else {
            format!(" ({place})")
        };
        out.push_str(&format!(
            "{}: {} [{}]{place}\n",
            f.finding.severity.word(),
            f.words(),
            f.finding.code
        ));
        if !f.finding.hint.is_empty() {
            out.push_str(&format!("  hint: {}\n", f.finding.hint));
        }
    }
    for (code, n) in &verdict.counts {
        let listed = verdict
            .findings
            .iter()
            .filter(|f| f.finding.code == *code)
            .count();
        if *n > listed {
            out.push_str(&format!("{} more of {code}\n", n - listed));
        }
    }
    out
}

fn picture(
    path: &Path,
    layer: &Layer,
    job: &ReadJob,
    sheet_mm: [f64; 4],
    recipe: &Recipe,
    verdict: &Verdict,
) -> ProofPicture {
    let kerf_mm = recipe.kerf.width_um / 1e3;
    let faults: Vec<(usize, Option<[f64; 2]>, String)> = verdict
        .findings
        .iter()
        .filter(|f| f.finding.severity >= Severity::Warning)
        .take(30)
        .enumerate()
        .map(|(i, f)| (i + 1, f.finding.at_mm, f.words()))
        .collect();
    let mut closes: Vec<Close> = faults
        .iter()
        .filter_map(|(n, at, _)| {
            at.map(|at| Close {
                at,
                span_mm: (kerf_mm * 12.0).max(0.02),
                title: format!("fault {n}"),
            })
        })
        .take(4)
        .collect();
    if let Some(bar) = verdict.as_cut.bars.first() {
        closes.push(Close {
            at: [
                (bar.from_mm[0] + bar.to_mm[0]) / 2.0,
                (bar.from_mm[1] + bar.to_mm[1]) / 2.0,
            ],
            span_mm: 4.0 * bar.width_um / 1e3,
            title: format!("a tie bar, {} um", trim_number(bar.width_um, 1)),
        });
    }
    if let Some(tab) = verdict.as_cut.tabs.first() {
        closes.push(Close {
            at: tab.from_mm,
            span_mm: 3.0 * tab.width_um / 1e3,
            title: format!("a holding tab, {} um", trim_number(tab.width_um, 1)),
        });
    }
    if let (Some(at), Some(w)) = (
        verdict.as_cut.narrowest_web_mm,
        verdict.as_cut.narrowest_web_um,
    ) {
        closes.push(Close {
            at,
            span_mm: (4.0 * w / 1e3).max(0.05),
            title: format!("narrowest web, {} um", trim_number(w, 1)),
        });
    }
    if let Some(p) = layer.openings.points().first() {
        closes.push(Close {
            at: [f64::from(p.x) / 1e6, f64::from(p.y) / 1e6],
            span_mm: (kerf_mm * 12.0).max(0.02),
            title: "an edge".to_owned(),
        });
    }
    ProofPicture {
        title: format!(
            "Proof {}: {}",
            if verdict.passed { "passed" } else { "failed" },
            path.file_name().unwrap_or_default().to_string_lossy()
        ),
        subtitle: format!(
            "layer {}, sheet {} x {} mm as drawn (y down); side cut: {}",
            layer.name,
            trim_number(sheet_mm[2] - sheet_mm[0], 3),
            trim_number(sheet_mm[3] - sheet_mm[1], 3),
            recipe.sheet.laser_side.word()
        ),
        sheet_mm,
        kerf_mm,
        drawn: layer
            .openings
            .rings()
            .map(|r| {
                r.iter()
                    .map(|p| [f64::from(p.x) / 1e6, f64::from(p.y) / 1e6])
                    .collect()
            })
            .collect(),
        ways: proof::ways_mm(job, sheet_mm, recipe),
        faults,
        closes,
        facts: facts(verdict),
    }
}
