//! Clearing jobs: some paths of an earlier plan once more, for foil that is still clamped.

use super::place::timing;
use super::plan::{Plan, Step, count_cuts};
use thiserror::Error;

#[derive(Debug, Error, PartialEq)]
pub enum ClearError {
    #[error("the plan has no path {path}; its paths are 0 to {last}")]
    NoSuchPath { path: u32, last: usize },
    #[error("the plan never cuts path {path}")]
    NeverCut { path: u32 },
    #[error(
        "no path to cut again: name them by the numbers of the earlier plan, such as --only 12,17"
    )]
    Nothing,
}

/// The plan that cuts the paths `only` of `plan` again, in its order, `passes` times. Paths keep their
/// numbers. Pauses are left out: a few cuts on cold foil need none.
///
/// # Errors
/// A path that the plan does not have, or never cuts.
pub fn clear(plan: &Plan, only: &[u32], passes: u32) -> Result<Plan, ClearError> {
    let mut chosen = only.to_vec();
    chosen.sort_unstable();
    chosen.dedup();
    if chosen.is_empty() || plan.paths.is_empty() {
        return Err(ClearError::Nothing);
    }
    let last = plan.paths.len() - 1;
    if let Some(&path) = chosen.iter().find(|p| **p as usize > last) {
        return Err(ClearError::NoSuchPath { path, last });
    }
    // The first pass of each part of a path is its whole shape.
    let parts: Vec<(u32, f64, f64)> = plan
        .steps
        .iter()
        .filter_map(|s| match s {
            Step::Cut {
                path,
                pass: 1,
                from_mm,
                to_mm,
                ..
            } if chosen.contains(path) => Some((*path, *from_mm, *to_mm)),
            _ => None,
        })
        .collect();
    if let Some(&path) = chosen.iter().find(|c| !parts.iter().any(|p| p.0 == **c)) {
        return Err(ClearError::NeverCut { path });
    }
    let mut again = Plan {
        steps: Vec::new(),
        clearing: chosen,
        tie_bars: None,
        ..plan.clone()
    };
    again.settings.passes = passes;
    "clearing".clone_into(&mut again.settings.order);
    let mut at = None;
    for pass in 1..=passes {
        for &(path, from_mm, to_mm) in &parts {
            let points = plan.cut_points(path, from_mm, to_mm);
            let (Some(&first), Some(&end)) = (points.first(), points.last()) else {
                continue;
            };
            if at != Some(first) {
                again.steps.push(Step::Jump { to: first });
            }
            again.steps.push(Step::Cut {
                path,
                pass,
                from_mm,
                to_mm,
                count: None,
            });
            at = Some(end);
        }
    }
    count_cuts(&mut again.steps);
    again.timing = timing(&again);
    Ok(again)
}

/// Paths that run within `within_mm` of a place, with their distance from it, the nearest first. Job
/// millimetres. For naming the paths of what is seen under the microscope.
pub fn paths_near(plan: &Plan, at_mm: [f64; 2], within_mm: f64) -> Vec<(u32, f64)> {
    let mut out: Vec<(u32, f64)> = plan
        .near_paths(at_mm)
        .map(|near| (near.path, near.distance_mm))
        .filter(|(_, d)| *d <= within_mm)
        .collect();
    out.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
    out
}
