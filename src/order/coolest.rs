//! Of several orders, the one that leaves the foil coolest where the beam is.

use super::{Sequence, Visit};
use crate::finding::{Checked, Finding};
use crate::heat::{Detail, SimOptions, simulate};
use crate::kerf::CutPath;
use crate::motion::{Burn, Motion};
use crate::polyline::{distance, part_of};
use crate::recipe::{Recipe, Scheme};
use crate::sheet::Frame;
use crate::units::trim_number;

/// Less than this share is no gain.
const GAIN: f64 = 0.01;

/// A sequence as motion, timed as a plan is. `sheet_mm` is in the coordinates of the paths.
pub fn motion(paths: &[CutPath], visits: &[Visit], recipe: &Recipe, sheet_mm: [f64; 4]) -> Motion {
    let scan = &recipe.scan;
    let mut motion = Motion {
        sheet_mm,
        ..Motion::default()
    };
    let (mut t, mut at) = (0.0, None::<[f64; 2]>);
    for v in visits {
        if v.dwell_before_s > 0.0 {
            motion.dwells.push((t, v.dwell_before_s));
            t += v.dwell_before_s;
        }
        let points = part_of(&paths[v.path as usize].points, v.from_mm, v.to_mm);
        let (Some(&first), Some(&last)) = (points.first(), points.last()) else {
            continue;
        };
        if at != Some(first) {
            let jump_mm = at.map_or(0.0, |p| distance(p, first));
            t += jump_mm / scan.jump_speed_mm_s + scan.jump_settle_ms * 1e-3;
        }
        let burn = Burn {
            points,
            start_s: t,
            speed_mm_s: scan.cut_speed_mm_s,
            power_w: recipe.power_w(),
            path: v.path,
            pass: v.pass,
        };
        t = burn.end_s();
        at = Some(last);
        motion.burns.push(burn);
    }
    motion.end_s = t;
    motion
}

/// Highest memory of a sequence; what is above `stop_k` is not looked at further. In job coordinates: what a preview of
/// the job finds must not differ by how cells lie on a page turned over.
fn peak_k(s: &Sequence, recipe: &Recipe, sheet_mm: [f64; 4], stop_k: Option<f64>) -> f64 {
    let frame = Frame::new(sheet_mm, recipe);
    let mut paths = s.paths.clone();
    for p in paths.iter_mut().flat_map(|path| &mut path.points) {
        *p = frame.to_job(*p);
    }
    let options = SimOptions {
        detail: Detail::Fair,
        stop_above_k: stop_k,
        ..SimOptions::default()
    };
    let motion = motion(&paths, &s.visits, recipe, frame.box_to_job(sheet_mm));
    simulate(&motion, recipe, options).memory.peak_k
}

/// The cool order, planned for `limit_k`, unless one of `others` (each with its name) leaves the foil no warmer: then
/// that one, with a finding that says why nothing is gained.
pub(super) fn coolest(
    cooled: Sequence,
    limit_k: f64,
    others: Vec<(&'static str, Sequence)>,
    recipe: &Recipe,
    sheet_mm: [f64; 4],
) -> Checked<Sequence> {
    let in_place = recipe.passes.scheme == Scheme::InPlace && recipe.passes.count > 1;
    // The planner's sheet is coarse, and knows of no heat that a visit leaves to its own later passes: so all are
    // simulated. Most of the others are soon seen to be warmer.
    let cool_k = peak_k(&cooled, recipe, sheet_mm, None);
    let mut best: Option<(f64, &str, Sequence)> = None;
    for (name, other) in others {
        let k = peak_k(&other, recipe, sheet_mm, Some(cool_k / (1.0 - GAIN)));
        let no_gain = cool_k >= (1.0 - GAIN) * k;
        if no_gain && best.as_ref().is_none_or(|b| k < b.0) {
            best = Some((k, name, other));
        }
    }
    let Some((k, name, other)) = best else {
        return Checked::new(cooled, Vec::new());
    };
    let why = if other.visits.len() <= 1 {
        "there is one cut"
    } else if in_place && k > limit_k {
        "the passes of a path follow each other at once (passes.scheme) and warm each other"
    } else if k <= limit_k {
        "the foil stays below the limit in this order"
    } else {
        "cuts so close together warm each other in any order"
    };
    let mut finding = Finding::note(
        "cool-no-gain",
        format!(
            "cool order gains nothing over the order {name}, which is taken: {why}; at most {} K where the beam is, limit {} K",
            trim_number(k, 1),
            trim_number(limit_k, 1)
        ),
    );
    if in_place && k > limit_k {
        finding = finding.hint("passes.scheme = \"rounds\" lets a path cool between its passes");
    }
    Checked::new(other, vec![finding])
}
