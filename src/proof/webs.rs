//! Metal left on purpose that does not reach from edge to edge across an opening.
//!
//! A bar along a web too narrow to hold, or over a place where foil meets in a point, leaves metal at drawn
//! edges that do not face each other. What tells it from a cut that is missing: behind the edge the drawn
//! foil is narrower than it takes to hold, and with the metal left, up to a cut in front of it, it is as
//! wide as a bar. A bar across the tip of an opening leaves the tip too, where no beam gets in.

use super::bars::Bar;
use super::edges::{Stretch, place};
use super::grid::{Grid, Segment, hypot};

/// What a web made wider must keep to, micrometres.
#[derive(Debug, Clone, Copy)]
pub(super) struct Widths {
    pub radius_um: f64,
    /// Foil narrower than this does not hold.
    pub min_web_um: f64,
    pub max_bar_um: f64,
}

/// Metal from `p` straight on to the next cut, micrometres; `None` when there is none near.
fn metal_along(p: [f64; 2], u: [f64; 2], most_um: f64, cut: &Grid, radius_um: f64) -> Option<f64> {
    let far = most_um + radius_um;
    let end = [p[0] + u[0] * far, p[1] + u[1] * far];
    let cross = |a: [f64; 2], b: [f64; 2]| a[0] * b[1] - a[1] * b[0];
    let mut first: Option<f64> = None;
    cut.near(
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
            if (0.0..=far).contains(&t) && (0.0..=1.0).contains(&k) {
                first = Some(first.map_or(t, |f: f64| f.min(t)));
            }
        },
    );
    Some((first? - radius_um).max(0.0))
}

/// The bar across the tip of an opening whose rest beyond the bar no beam gets into: the stretch goes round
/// the tip, its two sides face each other, and from the tip straight in there is a cut.
pub(super) fn across_tip(
    stretch: &Stretch,
    ring: &[Segment],
    cut: &Grid,
    w: Widths,
) -> Option<Bar> {
    let length = stretch.length_um();
    if !stretch.narrow || length > 4.0 * w.max_bar_um {
        return None;
    }
    let ring_um = ring.last().map_or(0.0, |s| s.at_um + s.length());
    // The tip: the sharpest turn towards the opening.
    let mut tip: Option<(f64, f64, [f64; 2], [f64; 2])> = None;
    for (i, s) in ring.iter().enumerate() {
        let (n, m) = (ring[(i + ring.len() - 1) % ring.len()].left(), s.left());
        for at in [s.at_um, s.at_um + ring_um] {
            let turn = n[0] * m[0] + n[1] * m[1];
            if at > stretch.from_um && at < stretch.to_um && tip.is_none_or(|t| turn < t.0) {
                let sum = [n[0] + m[0], n[1] + m[1]];
                tip = Some((turn, at, s.a, sum));
            }
        }
    }
    let (turn, at, p, sum) = tip?;
    let l = sum[0].hypot(sum[1]);
    // Walls of a tip face each other: the angle between them is under a right angle.
    if turn > 0.0 || l < 1e-9 {
        return None;
    }
    let inward = [sum[0] / l, sum[1] / l];
    let width_um = metal_along(p, inward, 1.5 * w.max_bar_um, cut, w.radius_um)?;
    if width_um < w.min_web_um - 0.5 {
        return None;
    }
    Some(Bar {
        from_mm: place(ring, (stretch.from_um + at) / 2.0).0.map(|v| v / 1e3),
        to_mm: place(ring, (stretch.to_um + at) / 2.0).0.map(|v| v / 1e3),
        width_um,
    })
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
        let u = [sum[0] / l, sum[1] / l];
        let metal = |p, u| metal_along(p, u, w.max_bar_um, cut, w.radius_um);
        let (Some(here), Some(there)) = (metal(*p, u), metal(q, [-u[0], -u[1]])) else {
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
                let apart = (s.at_um + hypot(s.a, q) - at_um).abs();
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
