//! `foilwright cut`: drawing to cut file, one stencil per layer.

use super::{ArtworkFlags, Common, Exit, Overrides, words};
use crate::finding::Severity;
use crate::job;
use crate::order::OrderMode;
use crate::output::OutputSet;
use crate::pictures::order::{Mark, OrderPicture, order_png};
use crate::recipe::Recipe;
use crate::report::Report;
use crate::units::{NM_PER_MM, show_time_s, trim_number};
use crate::{LayerJob, Run, prepare};
use anyhow::Context;
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};

#[derive(Debug, Args)]
pub struct CutArgs {
    /// The drawing, one group per layer
    #[arg(value_name = "ARTWORK.svg")]
    artwork: PathBuf,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    overrides: Overrides,
    #[command(flatten)]
    drawing: ArtworkFlags,
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

#[derive(Debug, Clone, Copy, ValueEnum)]
enum OrderFlag {
    Artwork,
    Travel,
    Cool,
}

fn format_name(text: &str) -> Result<String, String> {
    let known = || job::WRITERS.iter().map(|(n, _)| *n);
    if known().any(|n| n == text) {
        return Ok(text.to_owned());
    }
    Err(format!(
        "no such format; known: {}",
        known().collect::<Vec<_>>().join(", ")
    ))
}

pub fn run(args: CutArgs) -> anyhow::Result<Exit> {
    let recipe = args
        .drawing
        .apply(args.common.load_recipe(&args.overrides)?)?;
    let mut options = args.drawing.options(recipe);
    options.order = match args.order {
        OrderFlag::Artwork => OrderMode::Artwork,
        OrderFlag::Travel => OrderMode::Travel,
        OrderFlag::Cool => OrderMode::Cool,
    };
    options.force = args.force;
    let mut run = prepare(&args.artwork, &options)?;
    let blocked = run.report.blocked();
    let out = args.common.out_beside(&args.artwork);
    let written = if blocked && !args.force {
        Vec::new()
    } else {
        write_all(&mut run, &args, &options.recipe, &out)?
    };
    if args.common.json {
        print!("{}", String::from_utf8_lossy(&run.report.to_json()));
    } else if !args.common.quiet {
        words::summary(&run.report, &mut std::io::stdout())?;
        if blocked && !args.force {
            println!(
                "nothing written: findings that block; mend them, or use --force to write all the same"
            );
        } else {
            println!("wrote {} files to {}", written.len(), out.display());
        }
    }
    if args.common.quiet || args.common.json {
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

fn write_all(
    run: &mut Run,
    args: &CutArgs,
    recipe: &Recipe,
    out: &Path,
) -> anyhow::Result<Vec<PathBuf>> {
    let mut files = OutputSet::new(out);
    let mut names = Vec::new();
    for job in &run.jobs {
        let Some(plan) = &job.plan else { continue };
        let base = base_name(&run.stem, &job.stencil.name);
        for format in &args.formats {
            let writer = job::writer(format).context("format without a writer")?;
            let name = format!("{base}.{}", writer.extension());
            let bytes = writer
                .write(plan, recipe)
                .with_context(|| format!("layer `{}` as {format}", job.stencil.name))?;
            files.add(&name, bytes);
            names.push(name);
        }
        if !args.no_pictures {
            let name = format!("{base}.order.png");
            files.add(&name, order_picture(run, job, recipe));
            names.push(name);
        }
    }
    let report_name = format!("{}.report.json", run.stem);
    let stale = stale_files(out, &report_name);
    names.push(report_name.clone());
    run.report.files = names;
    files.add(&report_name, run.report.to_json());
    Ok(files.write(&stale)?)
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
        // Only plain names: a report is no licence to remove files elsewhere.
        .filter(|n| Path::new(n).components().count() == 1 && !n.starts_with('.'))
        .map(|n| out.join(n))
        .collect()
}

fn order_picture(run: &Run, job: &LayerJob, recipe: &Recipe) -> Vec<u8> {
    let Some(plan) = &job.plan else {
        return Vec::new();
    };
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
    order_png(&plan.motion(), &picture)
}
