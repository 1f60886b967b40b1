//! Paint over white: dark opens, light closes, in document order.

use crate::regions::{
    Bounds, FillRule, Point, Regions, difference, normalise, ring_area_nm2, union,
};

/// What one fill or stroke covers.
#[derive(Debug, Clone)]
pub(super) struct Paint {
    pub dark: bool,
    /// Rings whose winding is nowhere negative, so that a non-zero fill of many is their union.
    pub rings: Vec<Vec<Point>>,
    pub bounds: Bounds,
}

/// Rings as drawn, made positive: single simple rings only turned round, the rest normalised.
pub(super) fn clean(mut rings: Vec<Vec<Point>>, rule: FillRule) -> Vec<Vec<Point>> {
    for ring in &mut rings {
        ring.dedup();
        while ring.len() > 1 && ring.first() == ring.last() {
            ring.pop();
        }
    }
    rings.retain(|r| r.len() > 2);
    if let [ring] = rings.as_mut_slice()
        && is_simple(ring)
    {
        if ring_area_nm2(ring) < 0.0 {
            ring.reverse();
        }
        return rings;
    }
    if rings.is_empty() {
        return rings;
    }
    normalise(&rings, rule)
        .rings()
        .map(<[Point]>::to_vec)
        .collect()
}

fn cross(o: Point, a: Point, b: Point) -> i128 {
    let d = |p: Point| {
        (
            i64::from(p.x) - i64::from(o.x),
            i64::from(p.y) - i64::from(o.y),
        )
    };
    let ((ax, ay), (bx, by)) = (d(a), d(b));
    i128::from(ax) * i128::from(by) - i128::from(ay) * i128::from(bx)
}

/// Whether a ring surely neither crosses nor touches itself. Long rings that are not convex answer no,
/// which only costs time.
fn is_simple(ring: &[Point]) -> bool {
    const LONGEST: usize = 64;
    let n = ring.len();
    let at = |i: usize| ring[i % n];
    let (mut left, mut right, mut x_turns) = (false, false, 0);
    for i in 0..n {
        let (a, b, c) = (at(i), at(i + 1), at(i + 2));
        let turn = cross(a, b, c);
        let back = {
            let f = |p: Point, q: Point| {
                (
                    i64::from(q.x) - i64::from(p.x),
                    i64::from(q.y) - i64::from(p.y),
                )
            };
            let ((ux, uy), (vx, vy)) = (f(a, b), f(b, c));
            i128::from(ux) * i128::from(vx) + i128::from(uy) * i128::from(vy) < 0
        };
        if turn == 0 && back {
            return false;
        }
        left |= turn > 0;
        right |= turn < 0;
        x_turns += i32::from((b.x > a.x) != (c.x > b.x));
    }
    // One sense of turning and one run to the right: convex.
    if left != right && x_turns <= 2 {
        return true;
    }
    if n > LONGEST {
        return false;
    }
    for i in 0..n {
        let (a, b) = (at(i), at(i + 1));
        let (x0, x1) = (a.x.min(b.x), a.x.max(b.x));
        let (y0, y1) = (a.y.min(b.y), a.y.max(b.y));
        for j in i + 2..n {
            if i == 0 && j == n - 1 {
                continue;
            }
            let (c, d) = (at(j), at(j + 1));
            if c.x.max(d.x) < x0 || c.x.min(d.x) > x1 || c.y.max(d.y) < y0 || c.y.min(d.y) > y1 {
                continue;
            }
            let apart = |p, q, r, s| {
                let (u, v) = (cross(p, q, r), cross(p, q, s));
                (u > 0 && v > 0) || (u < 0 && v < 0)
            };
            if !apart(a, b, c, d) && !apart(c, d, a, b) {
                return false;
            }
        }
    }
    true
}

/// What stays dark of a layer's paint, and for each paint whether it changed anything where that is told
/// cheaply: light paint whose box meets no dark paint before it is `false`.
pub(super) fn composite(paints: &[Paint]) -> Regions {
    let mut open = Regions::new();
    let mut i = 0;
    while i < paints.len() {
        let dark = paints[i].dark;
        let end = paints[i..]
            .iter()
            .position(|p| p.dark != dark)
            .map_or(paints.len(), |n| i + n);
        let run = &paints[i..end];
        i = end;
        if !dark && open.is_empty() {
            continue;
        }
        let rings: Vec<Vec<Point>> = run.iter().flat_map(|p| p.rings.iter().cloned()).collect();
        let painted = normalise(&rings, FillRule::NonZero);
        open = if dark {
            union(&open, &painted)
        } else {
            difference(&open, &painted)
        };
    }
    open
}
