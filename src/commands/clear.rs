//! `foilwright cut --only`: a clearing job from an earlier plan, for foil that is still clamped.

use super::cut::{CutArgs, Reader, job_files, listed_files};
use super::{Exit, words};
use crate::finding::{Finding, Severity};
use crate::job::{self, Plan};
use crate::output::OutputSet;
use crate::pictures::order::{OrderPicture, order_png};
use crate::proof::{self, Dialect, ReadJob};
use crate::recipe::Recipe;
use crate::report::{self, LayerReport, Report};
use crate::units::{plural, show_time_s, trim_number};
use anyhow::{Context, bail};
use std::path::{Path, PathBuf};

pub fn run(args: &CutArgs) -> anyhow::Result<Exit> {
    let flags = &args.stencil;
    if flags.overrides.kerf.is_some() {
        bail!("--kerf has no meaning with --only: the paths are those of the earlier plan");
    }
    // `--passes` says how often to cut again, not how often the earlier job did.
    let recipe = flags.common.load_recipe(&super::Overrides::default())?;
    let out = flags.common.out_beside(&flags.artwork);
    let file = match &args.plan {
        Some(file) => file.clone(),
        None => earlier_plan(args, &out)?,
    };
    let earlier = read_plan(&file)?;
    if let [name] = flags.layer.as_slice()
        && *name != earlier.layer
    {
        bail!(
            "{} is the plan of layer `{}`, not of `{name}`",
            file.display(),
            earlier.layer
        );
    }
    same_place(&earlier, &recipe)?;
    let passes = flags.overrides.passes.unwrap_or(1);
    let plan = job::clear::clear(&earlier, &args.only, passes)
        .with_context(|| file.display().to_string())?;

    let name = file.file_name().unwrap_or_default().to_string_lossy();
    let base = format!("{}.clear", name.trim_end_matches(".plan.json"));
    let bytes = std::fs::read(&file).with_context(|| format!("cannot read {}", file.display()))?;
    let whole = proof::read(&name, &bytes, &Dialect::from_recipe(&recipe))
        .with_context(|| format!("cannot read {}", file.display()))?;
    let wanted = proof::again(&whole, &plan.clearing, passes);
    let mut findings = vec![widens(&plan)];
    let times = &mut crate::stopwatch::Stopwatch::default();
    let mut compare = |name: &str, read| findings.extend(differences(name, &read, &wanted));
    let judge = Some(&mut compare as &mut Reader<'_>);
    let mut files = job_files(&plan, &base, &args.formats, &recipe, times, judge)?;
    if !args.no_pictures {
        files.push((format!("{base}.order.png"), picture(&plan)));
    }
    let mut report = report(&plan, &recipe, findings);
    let blocked = report.blocked();
    let mut written = Vec::new();
    if !blocked {
        let report_name = format!("{base}.report.json");
        report.files = files.iter().map(|f| f.0.clone()).collect();
        report.files.push(report_name.clone());
        let stale: Vec<PathBuf> = listed_files(&out, &report_name)
            .iter()
            .map(|n| out.join(n))
            .collect();
        let mut set = OutputSet::new(&out);
        for (name, bytes) in files {
            set.add(name, bytes);
        }
        set.add(&report_name, report.to_json());
        written = set.write(&stale)?;
    }
    if flags.common.json {
        say_on!("{}", String::from_utf8_lossy(&report.to_json()));
    } else if !flags.common.quiet {
        words::clearing(&report, &plan, &mut super::Told)?;
        if blocked {
            say!("nothing written: the job does not cut what the earlier plan says");
        } else {
            say!("wrote {} files to {}", written.len(), out.display());
        }
    }
    Ok(Exit::from(blocked))
}

/// The plan that the last run on this drawing left.
fn earlier_plan(args: &CutArgs, out: &Path) -> anyhow::Result<PathBuf> {
    let drawing = &args.stencil.artwork;
    let stem = drawing.file_stem().unwrap_or_default().to_string_lossy();
    let mut plans = Vec::new();
    for name in listed_files(out, &format!("{stem}.report.json")) {
        if name.ends_with(".plan.json") {
            let file = out.join(&name);
            plans.push((read_plan(&file)?.layer, file));
        }
    }
    if plans.is_empty() {
        bail!(
            "no earlier plan of {} in {}: cut it once with the format `plan` among --as, or name one with --plan",
            drawing.display(),
            out.display()
        );
    }
    let layers = |plans: &[(String, PathBuf)]| {
        let names: Vec<&str> = plans.iter().map(|p| p.0.as_str()).collect();
        names.join(", ")
    };
    match args.stencil.layer.as_slice() {
        [name] => match plans.iter().find(|p| p.0 == *name) {
            Some(plan) => Ok(plan.1.clone()),
            None => bail!(
                "no earlier plan of layer `{name}`; there are {}",
                layers(&plans)
            ),
        },
        [] if plans.len() == 1 => Ok(plans.remove(0).1),
        _ => bail!(
            "path numbers belong to one layer; give one --layer of {}",
            layers(&plans)
        ),
    }
}

fn read_plan(file: &Path) -> anyhow::Result<Plan> {
    let named = || format!("cannot read the plan {}", file.display());
    let text = std::fs::read_to_string(file).with_context(named)?;
    let plan: Plan = serde_json::from_str(&text).with_context(named)?;
    if plan.schema != job::plan::SCHEMA {
        bail!(
            "{}: its schema is `{}`, not `{}`",
            file.display(),
            plan.schema,
            job::plan::SCHEMA
        );
    }
    if !plan.clearing.is_empty() {
        bail!(
            "{} is the plan of a clearing job; name paths of the whole job's plan",
            file.display()
        );
    }
    Ok(plan)
}

/// The foil lies where the earlier job put it, so whatever places the job must be as it was.
fn same_place(plan: &Plan, recipe: &Recipe) -> anyhow::Result<()> {
    let (s, scan) = (&plan.settings, &recipe.scan);
    let side = recipe.sheet.laser_side.word();
    let pairs = [
        ("[scan] origin", s.origin.clone(), scan.origin.word().into()),
        ("[sheet] laser_side", s.laser_side.clone(), side.into()),
        (
            "[scan] scale_x",
            s.scale_x.to_string(),
            scan.scale_x.to_string(),
        ),
        (
            "[scan] scale_y",
            s.scale_y.to_string(),
            scan.scale_y.to_string(),
        ),
        (
            "[scan] field_mm",
            s.field_mm.to_string(),
            scan.field_mm.to_string(),
        ),
    ];
    for (key, then, now) in pairs {
        if then != now {
            bail!(
                "{key} was {then} in the earlier plan and is {now} in the recipe: the cuts would miss; \
                 give the recipe that the earlier job was made with"
            );
        }
    }
    Ok(())
}

fn widens(plan: &Plan) -> Finding {
    let numbers: Vec<String> = plan.clearing.iter().map(u32::to_string).collect();
    Finding::warning(
        "recut-widens",
        format!(
            "path{} {}: what was cut before is cut again and comes out wider than drawn",
            plural(numbers.len()),
            numbers.join(", ")
        ),
    )
    .hint("only for foil that was not moved since; measure an opening that was cut twice")
    .layer(&plan.layer)
}

/// What a clearing job read back does other than the earlier plan says.
fn differences(name: &str, read: &ReadJob, wanted: &ReadJob) -> Vec<Finding> {
    let mut out: Vec<Finding> = read
        .faults
        .listed()
        .iter()
        .map(|f| f.finding.clone())
        .filter(|f| f.severity == Severity::Blocking)
        .collect();
    if proof::apart_um(wanted, read).is_none() {
        out.push(Finding::blocking(
            "clearing-differs",
            format!("{name} does not follow the paths of the earlier plan"),
        ));
    }
    out
}

fn picture(plan: &Plan) -> Vec<u8> {
    let t = &plan.timing;
    let numbers: Vec<String> = plan.clearing.iter().map(u32::to_string).collect();
    let picture = OrderPicture {
        title: format!("Clearing {} - layer {}", plan.artwork, plan.layer),
        subtitle: format!(
            "seen from the laser, which cuts the {} side; light areas were cut before, coloured paths are cut again",
            plan.settings.laser_side,
        ),
        openings: plan
            .paths
            .iter()
            .filter(|p| p.closed)
            .map(|p| p.points.clone())
            .collect(),
        facts: vec![
            format!(
                "path {} of 0 to {}",
                numbers.join(", "),
                plan.paths.len() - 1
            ),
            format!("cut {} mm", trim_number(t.cut_length_mm, 1)),
            format!("job {}", show_time_s(t.job_s)),
            "cut again: wider than drawn".to_owned(),
        ],
        ..OrderPicture::default()
    };
    order_png(&plan.motion(), &picture)
}

fn report(plan: &Plan, recipe: &Recipe, findings: Vec<Finding>) -> Report {
    let (b, t) = (plan.sheet_mm, &plan.timing);
    Report {
        schema: report::SCHEMA.to_owned(),
        artwork: plan.artwork.clone(),
        size_mm: [b[2] - b[0], b[3] - b[1]],
        recipe: plan.settings.recipe.clone(),
        kerf_um: plan.settings.kerf_um,
        passes: plan.settings.passes,
        laser_side: plan.settings.laser_side.clone(),
        scanner_step_um: recipe.position_step_um(),
        tolerance_um: recipe.tolerance_um(),
        fonts: Vec::new(),
        findings: Vec::new(),
        layers: vec![LayerReport {
            name: plan.layer.clone(),
            paths: plan.clearing.len(),
            cut_length_mm: t.cut_length_mm,
            jump_length_mm: t.jump_length_mm,
            beam_on_s: t.beam_on_s,
            jump_s: t.jump_s,
            dwell_s: t.dwell_s,
            job_s: t.job_s,
            findings,
            ..LayerReport::default()
        }],
        files: Vec::new(),
    }
}
