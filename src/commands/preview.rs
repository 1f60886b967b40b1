//! `foilwright preview`: what a written job will do, drawn from the file alone.

use super::{Common, Exit, Overrides};
use crate::finding::{Finding, Severity};
use crate::heat::{Detail, HeatResult, SimOptions, simulate, sweeps_away};
use crate::kerf::{CutKind, CutPath};
use crate::motion::Motion;
use crate::order::cool::even_limit_k;
use crate::output::OutputSet;
use crate::pictures::heat::{HeatPicture, film_png, heat_png};
use crate::pictures::order::{OrderPicture, order_png};
use crate::proof::{Dialect, Fault, ReadJob};
use crate::recipe::Recipe;
use crate::units::{plural, show_time_s, trim_number};
use anyhow::{Context, anyhow, bail};
use clap::Args;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

const FILM_FRAMES: usize = 96;
const FILM_BYTES: usize = 10_000_000;

#[derive(Debug, Args)]
pub struct PreviewArgs {
    /// Job to preview: .nc, .plan.json or another file that `cut` writes
    #[arg(value_name = "JOB")]
    job: PathBuf,
    /// Also write a film of the temperature (animated PNG, at most 10 MB)
    #[arg(long)]
    film: bool,
    /// A coarse answer within a second or two
    #[arg(long)]
    quick: bool,
    /// Size of a cell of the heat model, such as 100um
    #[arg(long, value_name = "LENGTH", value_parser = super::length_um)]
    cell: Option<f64>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    overrides: Overrides,
}

pub fn run(args: PreviewArgs) -> anyhow::Result<Exit> {
    let recipe = args.common.load_recipe(&args.overrides)?;
    let name = args
        .job
        .file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    let job = super::proof::read_job(&args.job, &Dialect::from_recipe(&recipe))?;
    let mut findings = doubts(&name, &job, &recipe);
    let motion = complete(job.motion, &recipe).with_context(|| args.job.display().to_string())?;
    let limit_k = recipe
        .heat
        .limit_k
        .unwrap_or_else(|| limit_of(&motion, &recipe));

    let result = with_progress(&args, &motion, &recipe);
    let mut files = OutputSet::new(&args.common.out_beside(&args.job));
    let stem = stem(&name);
    files.add(
        format!("{stem}.order.png"),
        order_png(&motion, &order_picture(&name, &motion)),
    );
    files.add(
        format!("{stem}.heat.png"),
        heat_picture(&name, &motion, &recipe, &result, limit_k),
    );
    if args.film {
        let film = film_png(&result, &motion, Some(limit_k), FILM_BYTES)
            .map_err(|e| anyhow!("cannot make the film: {e}"))?;
        files.add(format!("{stem}.film.png"), film);
    }
    findings.extend(result.findings());
    let faulty = crate::finding::worst(&findings) == Some(Severity::Blocking);
    let written = files.write(&[])?;
    if args.common.json {
        let report = serde_json::json!({
            "schema": "foilwright.preview/1",
            "job": name,
            "limit_k": limit_k,
            "heat": result,
            "findings": findings,
        });
        say!("{}", serde_json::to_string_pretty(&report)?);
    } else if !args.common.quiet {
        say!(
            "{}: {} cuts in {}",
            args.job.display(),
            motion.burns.len(),
            show_time_s(motion.end_s)
        );
        for line in result.lines() {
            say!("  {line}");
        }
        for f in &findings {
            say!("{}: {} [{}]", f.severity.word(), f.message, f.code);
            if !f.hint.is_empty() {
                say!("  hint: {}", f.hint);
            }
        }
        for path in written {
            say!("wrote {}", path.display());
        }
    }
    Ok(Exit::from(faulty))
}

/// Why the job may not do what is shown: its faults, what its format does not carry, another foil than the recipe's.
fn doubts(name: &str, job: &ReadJob, recipe: &Recipe) -> Vec<Finding> {
    let with_line = |fault: &Fault| Finding {
        message: fault.words(),
        ..fault.finding.clone()
    };
    let mut out: Vec<Finding> = job.faults.listed().iter().map(with_line).collect();
    if [".svg", ".dxf"].iter().any(|end| name.ends_with(end)) {
        out.push(
            Finding::note(
                "pauses-unknown",
                "this format carries no pauses and no speed: those of the recipe are taken, and no pauses",
            )
            .hint("preview the .nc or the .plan.json of the same job"),
        );
    }
    let own = format!(
        "{} {} um",
        recipe.foil.material,
        trim_number(recipe.foil.thickness_um, 4)
    );
    if let Some(stated) = job.stated.get("material").filter(|stated| **stated != own) {
        out.push(
            Finding::warning(
                "foil-differs",
                format!("the job was made for {stated}; its heat is reckoned for {own}"),
            )
            .hint("give the --recipe that the job was made with"),
        );
    }
    out
}

/// Fills in what the file does not say: the sheet, and speed and power where the format has none.
fn complete(mut motion: Motion, recipe: &Recipe) -> anyhow::Result<Motion> {
    motion
        .burns
        .retain(|b| b.length_mm() > 0.0 && b.speed_mm_s.is_finite());
    if motion.burns.is_empty() {
        bail!(
            "the job holds no cut, so there is nothing to preview: nothing moves at a feed with the beam on ([rs274] beam_on) and a power word above 0"
        );
    }
    for b in &mut motion.burns {
        if b.power_w.is_nan() || b.power_w <= 0.0 {
            b.power_w = recipe.power_w();
        }
    }
    let points = motion.burns.iter().flat_map(|b| &b.points);
    let bounds = points.fold([f64::MAX, f64::MAX, f64::MIN, f64::MIN], |b, p| {
        [
            b[0].min(p[0]),
            b[1].min(p[1]),
            b[2].max(p[0]),
            b[3].max(p[1]),
        ]
    });
    if bounds.iter().any(|v| v.is_nan() || v.abs() > 1e4) {
        bail!("the job reaches beyond 10 m");
    }
    let s = motion.sheet_mm;
    if s[2] <= s[0] || s[3] <= s[1] {
        let m = recipe.sheet.margin_mm;
        motion.sheet_mm = [bounds[0] - m, bounds[1] - m, bounds[2] + m, bounds[3] + m];
    } else {
        motion.sheet_mm = [
            s[0].min(bounds[0]),
            s[1].min(bounds[1]),
            s[2].max(bounds[2]),
            s[3].max(bounds[3]),
        ];
    }
    if let Some(times) = sweeps_away(&motion, recipe) {
        bail!(
            "the cuts of one pass sweep the whole sheet {times:.0} times over: no foil would be left whose heat could be told; check the job's units and scale and the recipe's kerf"
        );
    }
    Ok(motion)
}

/// The limit that cool order would hold this job to.
pub(super) fn limit_of(motion: &Motion, recipe: &Recipe) -> f64 {
    let paths: Vec<CutPath> = motion
        .burns
        .iter()
        .filter(|b| b.pass <= 1)
        .map(|b| CutPath {
            kind: CutKind::Line,
            closed: false,
            points: b.points.clone(),
            opening: None,
            parent: None,
            run_in_mm: 0.0,
        })
        .collect();
    let mut recipe = recipe.clone();
    recipe.passes.count = motion
        .burns
        .iter()
        .map(|b| b.pass)
        .max()
        .unwrap_or(1)
        .max(1);
    recipe.scan.cut_speed_mm_s = motion.burns[0].speed_mm_s;
    even_limit_k(&paths, &recipe, motion.sheet_mm)
}

fn with_progress(args: &PreviewArgs, motion: &Motion, recipe: &Recipe) -> HeatResult {
    let bar = if args.common.quiet || args.common.json {
        indicatif::ProgressBar::hidden()
    } else {
        indicatif::ProgressBar::new(1000)
    };
    bar.set_message("heat");
    let mut tell = |f: f64| bar.set_position((1000.0 * f) as u64);
    let result = simulate(
        motion,
        recipe,
        SimOptions {
            cell_um: args.cell,
            detail: if args.quick {
                Detail::Quick
            } else {
                Detail::Thorough
            },
            slide: true,
            frames: if args.film { FILM_FRAMES } else { 0 },
            progress: Some(&mut tell),
            ..SimOptions::default()
        },
    );
    bar.finish_and_clear();
    result
}

fn order_picture(name: &str, motion: &Motion) -> OrderPicture {
    let passes = motion.burns.iter().map(|b| b.pass).max().unwrap_or(1);
    let paths: BTreeSet<u32> = motion.burns.iter().map(|b| b.path).collect();
    let on: f64 = motion.burns.iter().map(|b| b.end_s() - b.start_s).sum();
    let dwell: f64 = motion.dwells.iter().map(|d| d.1).sum();
    OrderPicture {
        title: format!("Order: {name}"),
        subtitle: "as the file will be cut; job coordinates, y up".to_owned(),
        facts: vec![
            format!(
                "{} path{}, {} cut{}, {passes} pass{}",
                paths.len(),
                plural(paths.len()),
                motion.burns.len(),
                plural(motion.burns.len()),
                if passes == 1 { "" } else { "es" }
            ),
            format!(
                "job {}, beam on {}",
                show_time_s(motion.end_s),
                show_time_s(on)
            ),
            format!("pauses {}", show_time_s(dwell)),
        ],
        ..OrderPicture::default()
    }
}

/// The heat of a job as a picture with its parameters; `cut` draws the same.
pub(super) fn heat_picture(
    name: &str,
    motion: &Motion,
    recipe: &Recipe,
    result: &HeatResult,
    limit_k: f64,
) -> Vec<u8> {
    let picture = HeatPicture {
        title: format!("Heat: {name}"),
        subtitle: format!(
            "{}, {} x {} mm, y up, {}",
            recipe.foil.material,
            trim_number(motion.sheet_mm[2] - motion.sheet_mm[0], 3),
            trim_number(motion.sheet_mm[3] - motion.sheet_mm[1], 3),
            show_time_s(motion.end_s)
        ),
        limit_k: Some(limit_k),
        facts: parameters(motion, recipe, result),
    };
    heat_png(result, motion, &picture)
}

fn parameters(motion: &Motion, recipe: &Recipe, result: &HeatResult) -> Vec<String> {
    let passes = motion.burns.iter().map(|b| b.pass).max().unwrap_or(1);
    let first = motion.burns.first();
    vec![
        format!(
            "{} W at {} mm/s, {passes} pass{}",
            trim_number(first.map_or(0.0, |b| b.power_w), 2),
            trim_number(first.map_or(0.0, |b| b.speed_mm_s), 1),
            if passes == 1 { "" } else { "es" }
        ),
        format!(
            "{} um {}; {} of the power stays as heat (+- {})",
            trim_number(recipe.foil.thickness_um, 1),
            recipe.foil.material,
            trim_number(recipe.laser.absorbed_fraction, 2),
            trim_number(recipe.laser.absorbed_uncertainty, 2)
        ),
        format!(
            "loss to the slide {} W/m2K (+- {}), slide {} mm",
            trim_number(recipe.heat.loss_w_m2_k, 0),
            trim_number(recipe.heat.loss_uncertainty_w_m2_k, 0),
            trim_number(recipe.heat.slide_mm, 1)
        ),
        format!("cells of {} um", trim_number(result.dx_um, 0)),
    ]
}

/// File name without the parts that say its kind.
fn stem(name: &str) -> String {
    for end in [".plan.json", ".cut.svg"] {
        if let Some(stem) = Path::new(name).to_str().and_then(|n| n.strip_suffix(end)) {
            return stem.to_owned();
        }
    }
    name.rsplit_once('.')
        .map_or(name, |(stem, _)| stem)
        .to_owned()
}
