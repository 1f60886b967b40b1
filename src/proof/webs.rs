//! Metal left on purpose that does not reach from edge to edge across an opening.
//!
//! A bar along a web too narrow to hold, or over a place where foil meets in a point, leaves metal at drawn
//! edges that do not face each other. What tells it from a cut that is missing: behind the edge the drawn
//! foil is narrower than it takes to hold, and with the metal left, up to a cut in front of it, it is as
//! wide as a bar. A bar over a throat of an opening leaves the throat too, where no beam gets in.

use super::bars::Bar;
use super::edges::{Stretch, place};
use crate::grid::{Grid, Segment};
use crate::polyline::distance;

/// What a web made wider must keep to, micrometres.
#[derive(Debug, Clone, Copy)]
pub(super) struct Widths {
    pub radius_um: f64,
    /// Foil narrower than this does not hold.
    pub min_web_um: f64,
    pub max_bar_um: f64,
}

/// Foil nearer than this touches.
const TOUCH_UM: f64 = 1.0;

/// Metal from `p` straight on to the next cut, micrometres; `None` when there is none near.
fn metal_along(p: [f64; 2], u: [f64; 2], most_um: f64, cut: &Grid, radius_um: f64) -> Option<f64> {
    let (t, _) = first_crossing(p, u, most_um + radius_um, cut, |_| true)?;
    Some((t - radius_um).max(0.0))
}

/// How far from `p` in direction `u` the first segment is met, and which, of those that count.
pub(super) fn first_crossing(
    p: [f64; 2],
    u: [f64; 2],
    far: f64,
    grid: &Grid,
    counts: impl Fn(&Segment) -> bool,
) -> Option<(f64, Segment)> {
    let end = [p[0] + u[0] * far, p[1] + u[1] * far];
    let cross = |a: [f64; 2], b: [f64; 2]| a[0] * b[1] - a[1] * b[0];
    let mut first: Option<(f64, Segment)> = None;
    grid.near(
        [p[0].min(end[0]), p[1].min(end[1])],
        [p[0].max(end[0]), p[1].max(end[1])],
        |s| {
            let d = [s.b[0] - s.a[0], s.b[1] - s.a[1]];
            let r = [s.a[0] - p[0], s.a[1] - p[1]];
            let turn = cross(u, d);
            if turn.abs() < 1e-12 {
                return;
            }
            let (t, k) = (cross(r, d) / turn, cross(r, u) / turn);
            let hit = (0.0..=far).contains(&t) && (0.0..=1.0).contains(&k);
            if hit && counts(s) && first.is_none_or(|f| t < f.0) {
                first = Some((t, *s));
            }
        },
    );
    first
}

/// Whether a bar runs over all of the foil inside a ring: from its middle there is metal up to cuts on opposite sides
/// that are no further apart than a bar is wide.
pub(super) fn is_buried(ring: &[Segment], cut: &Grid, w: Widths) -> bool {
    let n = ring.len().max(1) as f64;
    let middle = [0, 1].map(|d| ring.iter().map(|s| s.a[d]).sum::<f64>() / n);
    (0..12).any(|k| {
        let (s, c) = libm::sincos(f64::from(k) * std::f64::consts::PI / 12.0);
        let metal = |u| metal_along(middle, u, w.max_bar_um, cut, w.radius_um);
        matches!((metal([c, s]), metal([-c, -s])), (Some(a), Some(b)) if a + b <= w.max_bar_um)
    })
}

/// The bar over the throat of an opening: a place where the beam does not get in, such as a tip or a pinch,
/// with metal left along the throat up to a cut.
pub(super) fn across_throat(
    stretch: &Stretch,
    ring: &[Segment],
    drawn: &Grid,
    cut: &Grid,
    w: Widths,
) -> Option<Bar> {
    let (p, normal) = stretch.narrow?;
    if stretch.length_um() > 4.0 * w.max_bar_um {
        return None;
    }
    let (q, other) = wall_ahead(p, normal, 4.0 * w.radius_um, drawn)?;
    let middle = [(p[0] + q[0]) / 2.0, (p[1] + q[1]) / 2.0];
    // Along the throat: halfway between the directions of its walls.
    let across = [normal[0] - other[0], normal[1] - other[1]];
    let l = across[0].hypot(across[1]);
    if l < 1e-9 {
        return None;
    }
    let along = [-across[1] / l, across[0] / l];
    // A rest of an opening beside a bar may be left to it as well.
    let most = 1.5 * w.max_bar_um;
    let n = (stretch.length_um() / w.radius_um.max(1.0)).ceil().max(2.0);
    let far = |k: f64| {
        let at = place(ring, stretch.from_um + stretch.length_um() * k / n).0;
        distance(at, p).min(distance(at, q)) > most
    };
    if (0..=n as u32).any(|k| far(f64::from(k))) {
        return None;
    }
    let ways = [along, [-along[0], -along[1]]].map(|u| {
        let cut_at = metal_along(middle, u, most, cut, w.radius_um);
        let wall_at = wall_ahead(middle, u, most, drawn).map(|(q, _)| distance(middle, q));
        (cut_at, wall_at)
    });
    let is_cut =
        |(c, w): &(Option<f64>, Option<f64>)| c.is_some_and(|c| w.is_none_or(|wall| c <= wall));
    if !ways.iter().any(is_cut) {
        return None;
    }
    let mut width_um = 0.0;
    for (cut_at, wall_at) in ways {
        width_um += match (cut_at, wall_at) {
            (Some(c), Some(w)) => c.min(w),
            (Some(d), None) | (None, Some(d)) => d,
            (None, None) => return None,
        };
    }
    (w.min_web_um - 0.5..=most)
        .contains(&width_um)
        .then_some(Bar {
            from_mm: p.map(|v| v / 1e3),
            to_mm: q.map(|v| v / 1e3),
            width_um,
        })
}

/// Where a straight way from `p` first meets a drawn edge, and the normal into the opening there.
fn wall_ahead(
    p: [f64; 2],
    u: [f64; 2],
    most_um: f64,
    drawn: &Grid,
) -> Option<([f64; 2], [f64; 2])> {
    let from = [p[0] + u[0] * 0.01, p[1] + u[1] * 0.01];
    let (t, s) = first_crossing(from, u, most_um, drawn, |_| true)?;
    Some(([from[0] + u[0] * t, from[1] + u[1] * t], s.left()))
}

/// The bar that the stretch is one side of; `None` where the foil behind it holds without. Metal that
/// goes on for more than a bar's width past the narrow foil is no bar.
pub(super) fn widened(
    stretch: &Stretch,
    ring: &[Segment],
    drawn: &Grid,
    cut: &Grid,
    w: Widths,
) -> Option<Bar> {
    let length = stretch.length_um();
    let ring_um = ring.last().map_or(0.0, |s| s.at_um + s.length());
    let n = ((length / 2.0).ceil() as usize).clamp(2, 512);
    let mut places: Vec<(f64, [f64; 2], Vec<[f64; 2]>)> = (0..=n)
        .map(|k| {
            let at = stretch.from_um + length * k as f64 / n as f64;
            let (p, normal) = place(ring, at);
            (at, p, vec![normal])
        })
        .collect();
    // Corners too: there the foil may meet in a point.
    for (i, s) in ring.iter().enumerate() {
        let before = &ring[(i + ring.len() - 1) % ring.len()];
        for at in [s.at_um, s.at_um + ring_um] {
            if at >= stretch.from_um && at <= stretch.to_um {
                places.push((at, s.a, vec![before.left(), s.left()]));
            }
        }
    }
    places.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut narrowest: Option<f64> = None;
    let mut reached = stretch.from_um;
    for (at, p, normals) in &places {
        let Some((q, gap)) = behind(*p, normals, ring[0].owner, *at, ring_um, drawn, w) else {
            continue;
        };
        let sum = normals
            .iter()
            .fold([0.0, 0.0], |s, n| [s[0] + n[0], s[1] + n[1]]);
        let l = sum[0].hypot(sum[1]).max(1e-9);
        let mut u = [sum[0] / l, sum[1] / l];
        if gap < TOUCH_UM && is_tip(normals) {
            // Two tips of foil that meet: the opening lies on both sides of their common axis.
            u = [-u[1], u[0]];
        }
        let metal = |p, u| metal_along(p, u, w.max_bar_um, cut, w.radius_um);
        let Some(here) = metal(*p, u) else { continue };
        // Straight on, or into the opening on the other side, whichever meets a cut first.
        let ways = [[-u[0], -u[1]], into_opening(q, drawn, u)];
        let there = ways.iter().filter_map(|n| metal(q, *n));
        let Some(there) = there.min_by(f64::total_cmp) else {
            continue;
        };
        let whole = here + gap + there;
        if whole < w.min_web_um - 0.5 || whole > w.max_bar_um {
            continue;
        }
        if at - reached > w.max_bar_um {
            return None;
        }
        reached = *at;
        narrowest = Some(narrowest.map_or(whole, |n: f64| n.min(whole)));
    }
    if stretch.to_um - reached > w.max_bar_um {
        return None;
    }
    Some(Bar {
        from_mm: place(ring, stretch.from_um).0.map(|v| v / 1e3),
        to_mm: place(ring, stretch.to_um).0.map(|v| v / 1e3),
        width_um: narrowest?,
    })
}

/// Whether the edges with these normals meet in a tip of foil: the opening runs round more than half of the place.
fn is_tip(normals: &[[f64; 2]]) -> bool {
    matches!(normals, [n, m] if n[0] * m[1] - n[1] * m[0] < 0.0)
}

/// Unit direction into the opening at a place of a drawn edge, the one among the edges that meet there which
/// leads most away from `u`; halfway between two edges at a corner.
fn into_opening(q: [f64; 2], drawn: &Grid, u: [f64; 2]) -> [f64; 2] {
    const SAME_UM: f64 = 0.02;
    let mut by_ring: Vec<(u32, [f64; 2])> = Vec::new();
    // The grid may show a segment more than once.
    let mut seen: Vec<(u32, u32)> = Vec::new();
    drawn.near(
        [q[0] - SAME_UM, q[1] - SAME_UM],
        [q[0] + SAME_UM, q[1] + SAME_UM],
        |s| {
            let id = (s.owner, s.index);
            if s.nearest(q).1 > SAME_UM || s.length() < 0.1 || seen.contains(&id) {
                return;
            }
            seen.push(id);
            let n = s.left();
            match by_ring.iter_mut().find(|b| b.0 == s.owner) {
                Some((_, sum)) => *sum = [sum[0] + n[0], sum[1] + n[1]],
                None => by_ring.push((s.owner, n)),
            }
        },
    );
    by_ring
        .into_iter()
        .filter_map(|(_, n)| {
            let l = n[0].hypot(n[1]);
            (l > 1e-9).then(|| [n[0] / l, n[1] / l])
        })
        .min_by(|a, b| {
            let along = |n: &[f64; 2]| n[0] * u[0] + n[1] * u[1];
            along(a).total_cmp(&along(b))
        })
        .unwrap_or([-u[0], -u[1]])
}

/// The nearest drawn edge behind a place of a ring, with foil between that is too narrow to hold.
fn behind(
    p: [f64; 2],
    normals: &[[f64; 2]],
    owner: u32,
    at_um: f64,
    ring_um: f64,
    drawn: &Grid,
    w: Widths,
) -> Option<([f64; 2], f64)> {
    let reach = w.min_web_um;
    let mut best: Option<([f64; 2], f64)> = None;
    drawn.near(
        [p[0] - reach, p[1] - reach],
        [p[0] + reach, p[1] + reach],
        |s| {
            let (q, d) = s.nearest(p);
            if d >= reach || best.is_some_and(|b| d >= b.1) {
                return;
            }
            if s.owner == owner {
                // The two sides of a point are no web.
                let apart = (s.at_um + distance(s.a, q) - at_um).abs();
                if apart.min(ring_um - apart) < (3.0 * d).max(1.0) {
                    return;
                }
            }
            let u = [q[0] - p[0], q[1] - p[1]];
            // At a corner anything that is in front of neither side lies behind.
            let most = if normals.len() > 1 { 0.1 } else { -0.5 };
            if d > 0.01 && normals.iter().any(|n| u[0] * n[0] + u[1] * n[1] > most * d) {
                return;
            }
            best = Some((q, d));
        },
    );
    best
}
