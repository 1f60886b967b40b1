//! Bars: metal left across an opening on purpose, found again from the cuts.

use super::edges::Stretch;
use super::grid::{Grid, Segment, hypot};
use super::webs::first_crossing;
use rstar::RTree;
use rstar::primitives::GeomWithData;
use serde::Serialize;

/// A tie bar of the as-cut foil.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bar {
    /// Ends of its centre line on the drawn edges, page millimetres.
    pub from_mm: [f64; 2],
    pub to_mm: [f64; 2],
    /// Narrowest width of metal left.
    pub width_um: f64,
}

/// Nearer to its ends than this a way may touch drawn edges.
const TOUCH_UM: f64 = 0.2;

/// Pairs stretches of the drawn edge that were not cut and face each other across metal that was left;
/// bars that run together share the stretch at that end. Answers the bars of those not yet `used`, and
/// notes there which stretches they account for. A bar runs over one opening; `buried` are the rings round foil that
/// bars run over.
pub(super) fn find(
    stretches: &[Stretch],
    (drawn, buried): (&Grid, &[bool]),
    cut: &Grid,
    radius_um: f64,
    max_width_um: f64,
    max_span_um: f64,
    used: &mut [bool],
) -> Vec<Bar> {
    let tree = RTree::bulk_load(
        stretches
            .iter()
            .enumerate()
            .map(|(i, s)| GeomWithData::new(s.middle, i))
            .collect(),
    );
    let mut bars = Vec::new();
    for i in 0..stretches.len() {
        if used[i] {
            continue;
        }
        let s = &stretches[i];
        let mut candidates: Vec<usize> = tree
            .nearest_neighbor_iter(&s.middle)
            .take(64)
            .map(|g| g.data)
            .take_while(|&j| hypot(stretches[j].middle, s.middle) <= max_span_um)
            .filter(|&j| j != i && facing(s, &stretches[j]))
            .collect();
        candidates.sort_by(|&a, &b| {
            let d = |j: usize| hypot(stretches[j].middle, s.middle);
            (used[a], d(a))
                .partial_cmp(&(used[b], d(b)))
                .unwrap_or(std::cmp::Ordering::Equal)
                .then(a.cmp(&b))
        });
        for j in candidates.into_iter().take(8) {
            let other = &stretches[j];
            // Where another bar ends too, this one ends at one side of the stretch.
            let ends: &[[f64; 2]] = if used[j] {
                &other.quarters
            } else {
                &[other.middle]
            };
            let found = ends.iter().find_map(|&end| {
                if !open_between(s.middle, end, drawn, buried) {
                    return None;
                }
                let width_um = width(s.middle, end, cut, radius_um, max_width_um)?;
                Some((end, width_um))
            });
            if let Some((end, width_um)) = found {
                used[i] = true;
                used[j] = true;
                bars.push(Bar {
                    from_mm: s.middle.map(|v| v / 1e3),
                    to_mm: end.map(|v| v / 1e3),
                    width_um,
                });
                break;
            }
        }
    }
    bars
}

fn facing(a: &Stretch, b: &Stretch) -> bool {
    let d = [b.middle[0] - a.middle[0], b.middle[1] - a.middle[1]];
    let l = hypot(a.middle, b.middle);
    let along = |s: &Stretch, sign: f64| {
        [s.inward, s.across]
            .iter()
            .any(|n| sign * (n[0] * d[0] + n[1] * d[1]) > 0.3 * l)
    };
    l > 0.0 && along(a, 1.0) && along(b, -1.0)
}

/// Whether the straight way between two places of drawn edges leads over one opening, foil that bars bury left out: a
/// bar does not end beyond foil.
fn open_between(from: [f64; 2], to: [f64; 2], drawn: &Grid, buried: &[bool]) -> bool {
    let length = hypot(from, to);
    let u = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
    let off = [from[0] + u[0] * TOUCH_UM, from[1] + u[1] * TOUCH_UM];
    let counts = |s: &Segment| !buried[s.owner as usize];
    first_crossing(off, u, length - 2.0 * TOUCH_UM, drawn, counts).is_none()
}

/// The narrowest width of metal along the line between two places, as long as there is metal all along it
/// and a cut on both sides no further apart than `max_width_um`.
pub(super) fn width(
    from: [f64; 2],
    to: [f64; 2],
    cut: &Grid,
    radius_um: f64,
    max_width_um: f64,
) -> Option<f64> {
    let length = hypot(from, to);
    let d = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
    let n = ((length / 4.0).ceil() as usize).clamp(3, 512);
    let reach = max_width_um + 2.0 * radius_um;
    let mut narrowest = f64::INFINITY;
    for k in 0..n {
        let t = length * (k as f64 + 0.5) / n as f64;
        let p = [from[0] + d[0] * t, from[1] + d[1] * t];
        let (mut left, mut right) = (f64::INFINITY, f64::INFINITY);
        cut.near(
            [p[0] - reach, p[1] - reach],
            [p[0] + reach, p[1] + reach],
            |s| {
                let (q, dist) = s.nearest(p);
                let side = d[0] * (q[1] - p[1]) - d[1] * (q[0] - p[0]);
                if side > 0.0 {
                    left = left.min(dist);
                } else {
                    right = right.min(dist);
                }
            },
        );
        if left.min(right) < radius_um {
            return None;
        }
        let here = left + right - 2.0 * radius_um;
        narrowest = narrowest.min(here);
    }
    (narrowest <= max_width_um).then_some(narrowest)
}
