//! Run-in, overlap and run-out: a closed cut is entered and left inside the slug, so that the pit of the
//! beam switching on is burnt into what comes out and not into the edge.

use super::{Contour, CutKind, CutPath};
use crate::polyline::distance;
use crate::recipe::Recipe;
use crate::regions::{Point, ring_contains};
use crate::units::{NM_PER_MM, NM_PER_UM};

/// Angles between the run-in and the inward normal, tried in this order.
const ANGLES_DEG: [f64; 7] = [60.0, 45.0, 30.0, 75.0, 0.0, -30.0, -60.0];

/// Lays the beam's whole way for a contour that starts at vertex `start`, run backwards if `reversed`.
///
/// Open lines start at their first or last point (`start` is ignored). Closed ones get a run-in of
/// `recipe.run_in_um()` from inside the slug where there is room, shorter where there is less, and the
/// same overlap past the start, then a run-out of a kerf back into the slug. `holes` are the paths around
/// foil that stands inside: run-in and run-out keep clear of them.
pub fn lay(
    contour: &Contour,
    start: u32,
    reversed: bool,
    holes: &[&[Point]],
    recipe: &Recipe,
) -> CutPath {
    let mm = |p: [f64; 2]| [p[0] / NM_PER_MM, p[1] / NM_PER_MM];
    let mut ring: Vec<[f64; 2]> = contour
        .points
        .iter()
        .map(|p| [f64::from(p.x), f64::from(p.y)])
        .collect();
    let mut path = CutPath {
        kind: contour.kind,
        closed: contour.closed,
        points: Vec::new(),
        opening: contour.opening,
        parent: contour.parent,
        run_in_mm: 0.0,
    };
    if !contour.closed {
        if reversed {
            ring.reverse();
        }
        path.points = ring.into_iter().map(mm).collect();
        return path;
    }
    let n = ring.len();
    ring.rotate_left(start as usize % n.max(1));
    if reversed {
        ring[1..].reverse();
    }
    let reach = recipe.run_in_um() * NM_PER_UM;
    let kerf = recipe.kerf.width_um * NM_PER_UM;
    let inward = if reversed { -1.0 } else { 1.0 };
    let clear = contour.kind == CutKind::Opening;
    let mut points = Vec::with_capacity(n + 8);
    // Run-in: the longest of a few straight ways that stay inside.
    if clear {
        let tangent = direction(ring[n - 1], ring[0], ring[1 % n]);
        if let Some(from) = [1.0, 0.5, 0.25].iter().find_map(|f| {
            inside_way(
                &ring,
                holes,
                ring[0],
                [-tangent[0], -tangent[1]],
                -inward,
                reach * f,
            )
        }) {
            points.push(from);
            path.run_in_mm = distance(from, ring[0]) / NM_PER_MM;
        }
    }
    points.extend_from_slice(&ring);
    points.push(ring[0]);
    // Overlap: once more along the start, at most once around.
    let mut left = reach;
    let mut last = ring[0];
    let mut heading = [0.0; 2];
    for i in 1..=n {
        let (a, b) = (ring[(i - 1) % n], ring[i % n]);
        let len = distance(a, b);
        heading = [(b[0] - a[0]) / len.max(1.0), (b[1] - a[1]) / len.max(1.0)];
        if len >= left {
            last = [a[0] + heading[0] * left, a[1] + heading[1] * left];
            points.push(last);
            break;
        }
        left -= len;
        last = b;
        points.push(b);
    }
    if clear && let Some(to) = inside_way(&ring, holes, last, heading, inward, kerf) {
        points.push(to);
    }
    path.points = points.into_iter().map(mm).collect();
    path.points.dedup();
    path
}

/// Direction of travel at `at`, between the edges before and after.
fn direction(before: [f64; 2], at: [f64; 2], after: [f64; 2]) -> [f64; 2] {
    let unit = |a: [f64; 2], b: [f64; 2]| {
        let l = distance(a, b).max(1e-9);
        [(b[0] - a[0]) / l, (b[1] - a[1]) / l]
    };
    let (u, v) = (unit(before, at), unit(at, after));
    let sum = [u[0] + v[0], u[1] + v[1]];
    let l = libm::hypot(sum[0], sum[1]);
    if l < 1e-6 {
        v
    } else {
        [sum[0] / l, sum[1] / l]
    }
}

/// The far end of a straight way of `length` from `at` that stays inside the ring. `along` is the direction
/// to lean towards, `side` the side of it that is inside (+1: turn counter-clockwise in x, y).
fn inside_way(
    ring: &[[f64; 2]],
    holes: &[&[Point]],
    at: [f64; 2],
    along: [f64; 2],
    side: f64,
    length: f64,
) -> Option<[f64; 2]> {
    if length <= 0.0 {
        return None;
    }
    let normal = [-along[1] * side, along[0] * side];
    ANGLES_DEG.iter().find_map(|deg| {
        let (s, c) = libm::sincos(deg.to_radians());
        let to = [
            at[0] + length * (c * normal[0] + s * along[0]),
            at[1] + length * (c * normal[1] + s * along[1]),
        ];
        (stays_inside(ring, at, to) && keeps_clear(holes, at, to)).then_some(to)
    })
}

/// Whether the open segment from `at` (on the ring) to `to` lies inside the ring.
fn stays_inside(ring: &[[f64; 2]], at: [f64; 2], to: [f64; 2]) -> bool {
    // Start a little off the ring, so that the edges at `at` do not count.
    let d = distance(at, to);
    let skip = (20.0 / d).min(0.5);
    let from = [
        at[0] + skip * (to[0] - at[0]),
        at[1] + skip * (to[1] - at[1]),
    ];
    let (lo, hi) = (
        [from[0].min(to[0]), from[1].min(to[1])],
        [from[0].max(to[0]), from[1].max(to[1])],
    );
    // On which sides of the segment's box a point lies: edges with both ends on one side do not come near.
    let sides = |p: [f64; 2]| {
        u8::from(p[0] < lo[0])
            | u8::from(p[0] > hi[0]) << 1
            | u8::from(p[1] < lo[1]) << 2
            | u8::from(p[1] > hi[1]) << 3
    };
    let side = |a: [f64; 2], b: [f64; 2], p: [f64; 2]| {
        (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])
    };
    let Some(&(mut a)) = ring.first() else {
        return false;
    };
    let mut inside = false;
    let mut sides_a = sides(a);
    for &b in ring[1..].iter().chain(&ring[..1]) {
        let sides_b = sides(b);
        if (a[1] > to[1]) != (b[1] > to[1]) {
            let t = (to[1] - a[1]) / (b[1] - a[1]);
            if to[0] < a[0] + t * (b[0] - a[0]) {
                inside = !inside;
            }
        }
        if sides_a & sides_b == 0
            && side(from, to, a) * side(from, to, b) <= 0.0
            && side(a, b, from) * side(a, b, to) <= 0.0
        {
            return false;
        }
        (a, sides_a) = (b, sides_b);
    }
    inside
}

/// Whether the segment neither crosses nor enters any of the holes.
fn keeps_clear(holes: &[&[Point]], at: [f64; 2], to: [f64; 2]) -> bool {
    let side = |a: [f64; 2], b: [f64; 2], p: [f64; 2]| {
        (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])
    };
    holes.iter().all(|hole| {
        let corner = |i: usize| {
            let p = hole[i % hole.len()];
            [f64::from(p.x), f64::from(p.y)]
        };
        !ring_contains(hole, Point::new(to[0] as i32, to[1] as i32))
            && (0..hole.len()).all(|i| {
                let (a, b) = (corner(i), corner(i + 1));
                side(at, to, a) * side(at, to, b) > 0.0 || side(a, b, at) * side(a, b, to) > 0.0
            })
    })
}
