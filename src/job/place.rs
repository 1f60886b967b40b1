//! From a sequence on the page to a plan in job coordinates: mirrored or not, centred, inside the field.

use super::plan::{Path, Plan, SCHEMA, Settings, Step, Timing, count_cuts};
use crate::order::{OrderMode, Sequence, Visit};
use crate::polyline::{distance, length};
use crate::recipe::{Origin, Recipe};
use crate::sheet::Frame;
use rayon::prelude::*;
use thiserror::Error;

/// Why a sequence cannot become a job. `--force` does not override these.
#[derive(Debug, Error)]
pub enum PlaceError {
    #[error(
        "layer `{layer}`: the cut reaches ({x_mm:.3}, {y_mm:.3}) mm in job coordinates, outside the scanner's field of {field_mm} mm; make the sheet smaller, or put job 0, 0 at its centre ([scan] origin = \"centre\"): at a corner, nothing outside the sheet can be cut"
    )]
    OutsideField {
        layer: String,
        x_mm: f64,
        y_mm: f64,
        field_mm: f64,
    },
    #[error(
        "layer `{layer}`: a coordinate came out as no finite number; this is a fault of the program, please report it"
    )]
    NotFinite { layer: String },
}

/// What the plan is for.
#[derive(Debug, Clone)]
pub struct Label<'a> {
    pub artwork: &'a str,
    pub layer: &'a str,
    pub order: OrderMode,
    pub forced: bool,
}

/// Builds the plan: beam on during cuts only, a jump before each of them.
///
/// # Errors
/// A coordinate that is not finite or lies outside the field.
pub fn place(
    sequence: &Sequence,
    sheet_mm: [f64; 4],
    recipe: &Recipe,
    label: &Label<'_>,
) -> Result<Plan, PlaceError> {
    let frame = Frame::new(sheet_mm, recipe);
    let paths: Vec<Path> = sequence
        .paths
        .par_iter()
        .with_min_len(256)
        .map(|p| Path {
            kind: p.kind,
            closed: p.closed,
            opening: p.opening,
            parent: p.parent,
            run_in_mm: p.run_in_mm,
            power_percent: None,
            cut_speed_mm_s: None,
            points: p.points.iter().map(|q| frame.to_job(*q)).collect(),
        })
        .collect();
    check_field(&paths, recipe, label.layer)?;
    let mut plan = Plan {
        schema: SCHEMA.to_owned(),
        artwork: label.artwork.to_owned(),
        layer: label.layer.to_owned(),
        sheet_mm: frame.box_to_job(sheet_mm),
        settings: settings(recipe, label.order),
        paths,
        steps: Vec::with_capacity(sequence.visits.len() * 2),
        timing: Timing::default(),
        forced: label.forced,
        clearing: Vec::new(),
        tie_bars: None,
    };
    sequence_steps(&mut plan, &sequence.visits);
    Ok(plan)
}

/// The same paths cut in another order.
pub fn resequence(plan: &Plan, visits: &[Visit]) -> Plan {
    let mut plan = plan.clone();
    plan.steps.clear();
    sequence_steps(&mut plan, visits);
    plan
}

fn sequence_steps(plan: &mut Plan, visits: &[Visit]) {
    let mut at: Option<[f64; 2]> = None;
    for visit in visits {
        if visit.dwell_before_s > 0.0 {
            plan.steps.push(Step::Dwell {
                seconds: visit.dwell_before_s,
                reason: visit.dwell_reason.clone(),
            });
        }
        let ends = plan.cut_points(visit.path, visit.from_mm, visit.to_mm);
        let (Some(&first), Some(&last)) = (ends.first(), ends.last()) else {
            continue;
        };
        if at != Some(first) {
            plan.steps.push(Step::Jump { to: first });
        }
        plan.steps.push(Step::Cut {
            path: visit.path,
            pass: visit.pass,
            from_mm: visit.from_mm,
            to_mm: visit.to_mm,
            count: None,
        });
        at = Some(last);
    }
    count_cuts(&mut plan.steps);
    plan.timing = timing(plan);
}

fn check_field(paths: &[Path], recipe: &Recipe, layer: &str) -> Result<(), PlaceError> {
    let field_mm = recipe.scan.field_mm;
    let (lo, hi) = match recipe.scan.origin {
        Origin::Centre => (-field_mm / 2.0, field_mm / 2.0),
        Origin::Corner => (0.0, field_mm),
    };
    for p in paths.iter().flat_map(|p| &p.points) {
        let commanded = [p[0] / recipe.scan.scale_x, p[1] / recipe.scan.scale_y];
        if !commanded.iter().all(|v| v.is_finite()) {
            return Err(PlaceError::NotFinite {
                layer: layer.to_owned(),
            });
        }
        if commanded.iter().any(|v| *v < lo || *v > hi) {
            return Err(PlaceError::OutsideField {
                layer: layer.to_owned(),
                x_mm: p[0],
                y_mm: p[1],
                field_mm,
            });
        }
    }
    Ok(())
}

/// The settings a plan carries, from the recipe.
pub fn settings(recipe: &Recipe, order: OrderMode) -> Settings {
    Settings {
        recipe: recipe.name.clone(),
        material: recipe.foil.material.clone(),
        thickness_um: recipe.foil.thickness_um,
        kerf_um: recipe.kerf.width_um,
        passes: recipe.passes.count,
        scheme: recipe.passes.scheme.word().to_owned(),
        order: order.word().to_owned(),
        power_percent: recipe.laser.power_percent,
        rated_power_w: recipe.laser.rated_power_w,
        pulse_rate_khz: recipe.laser.pulse_rate_khz,
        pulse_width_ns: recipe.laser.pulse_width_ns,
        focus_offset_mm: recipe.laser.focus_offset_mm,
        cut_speed_mm_s: recipe.scan.cut_speed_mm_s,
        jump_speed_mm_s: recipe.scan.jump_speed_mm_s,
        jump_settle_ms: recipe.scan.jump_settle_ms,
        field_mm: recipe.scan.field_mm,
        scale_x: recipe.scan.scale_x,
        scale_y: recipe.scan.scale_y,
        origin: recipe.scan.origin.word().to_owned(),
        laser_side: recipe.sheet.laser_side.word().to_owned(),
    }
}

/// Adds up what the steps take. The jump from the scanner's rest to the first cut counts from (0, 0).
pub fn timing(plan: &Plan) -> Timing {
    let s = &plan.settings;
    let mut t = Timing::default();
    let mut at = [0.0, 0.0];
    for step in &plan.steps {
        match step {
            Step::Jump { to } => {
                let d = distance(at, *to);
                t.jumps += 1;
                t.jump_length_mm += d;
                t.jump_s += d / s.jump_speed_mm_s + s.jump_settle_ms * 1e-3;
                at = *to;
            }
            Step::Cut {
                path,
                from_mm,
                to_mm,
                ..
            } => {
                let points = plan.cut_points(*path, *from_mm, *to_mm);
                let length = length(&points);
                t.cut_length_mm += length;
                t.beam_on_s += length / plan.speed_mm_s(*path);
                at = points.last().copied().unwrap_or(at);
            }
            Step::Dwell { seconds, .. } => t.dwell_s += seconds,
        }
    }
    t.job_s = t.beam_on_s + t.jump_s + t.dwell_s;
    t
}
