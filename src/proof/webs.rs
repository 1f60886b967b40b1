//! Webs made wider: foil that is drawn too narrow to hold, with metal left beside it on purpose.
//!
//! A bar along such a web, or over a place where foil meets in a point, leaves metal at drawn edges that do
//! not face each other across an opening. What tells it from a cut that is missing: behind the edge the
//! drawn foil is narrower than it takes to hold, and with the metal left it is as wide as a bar.

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
    let left = |p: [f64; 2]| {
        cut.nearest(p, w.radius_um + w.max_bar_um)
            .map_or(f64::INFINITY, |c| (c.2 - w.radius_um).max(0.0))
    };
    let mut narrowest: Option<f64> = None;
    let mut reached = stretch.from_um;
    for (at, p, normals) in &places {
        let Some((q, gap)) = behind(*p, normals, ring[0].owner, *at, ring_um, drawn, w) else {
            continue;
        };
        let whole = gap + left(*p) + left(q);
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
