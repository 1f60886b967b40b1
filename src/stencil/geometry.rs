//! Small vector helpers; everything in nanometres.

use crate::regions::{Point, Regions, Shape, nearest_on_segment};

pub type V = [f64; 2];

pub fn v(p: Point) -> V {
    [f64::from(p.x), f64::from(p.y)]
}
pub fn point(p: V) -> Point {
    Point::new(p[0].round() as i32, p[1].round() as i32)
}
pub fn sub(a: V, b: V) -> V {
    [a[0] - b[0], a[1] - b[1]]
}
pub fn dot(a: V, b: V) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}
pub fn cross(a: V, b: V) -> f64 {
    a[0] * b[1] - a[1] * b[0]
}
pub fn len(a: V) -> f64 {
    dot(a, a).sqrt()
}
pub fn mm(p: V) -> V {
    [p[0] / 1e6, p[1] / 1e6]
}
pub fn middle(a: V, b: V) -> V {
    [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]
}

/// Where along `a b` (0 to 1) the segment `c d` crosses it.
pub fn crossing(a: V, b: V, c: V, d: V) -> Option<f64> {
    let (r, s) = (sub(b, a), sub(d, c));
    let den = cross(r, s);
    if den == 0.0 {
        return None;
    }
    let (t, u) = (cross(sub(c, a), s) / den, cross(sub(c, a), r) / den);
    ((0.0..=1.0).contains(&t) && (0.0..=1.0).contains(&u)).then_some(t)
}

/// Distance between two segments.
pub fn apart_nm((a, b): (V, V), (c, d): (V, V)) -> f64 {
    if crossing(a, b, c, d).is_some() {
        return 0.0;
    }
    [(a, c, d), (b, c, d), (c, a, b), (d, a, b)]
        .iter()
        .map(|&(p, q, r)| nearest_on_segment(p, q, r).1)
        .fold(f64::INFINITY, f64::min)
}

/// The rectangle about the line `a b`, `width` wide, longer by `beyond` at both ends.
pub fn strip(a: V, b: V, width: f64, beyond: f64) -> Regions {
    let d = sub(b, a);
    let l = len(d).max(1e-9);
    let u = [d[0] / l, d[1] / l];
    let n = [-u[1] * width / 2.0, u[0] * width / 2.0];
    let (a, b) = (
        [a[0] - u[0] * beyond, a[1] - u[1] * beyond],
        [b[0] + u[0] * beyond, b[1] + u[1] * beyond],
    );
    let ring = [
        point([a[0] - n[0], a[1] - n[1]]),
        point([b[0] - n[0], b[1] - n[1]]),
        point([b[0] + n[0], b[1] + n[1]]),
        point([a[0] + n[0], a[1] + n[1]]),
    ];
    let mut out = Regions::new();
    out.push_ring(&ring);
    out.close_shape();
    out
}

/// A point inside a shape: the middle of the widest run at one of a few heights.
pub fn inner_point(shape: Shape<'_>) -> Point {
    let b = shape.bounds();
    let mut best = (0.0, v(shape.outer()[0]));
    for k in [8, 5, 11, 3, 13, 1, 15] {
        // A height off the grid, so that no vertex lies on it.
        let y = f64::from(b.min.y) + (b.height_nm() * k / 16) as f64 + 0.5;
        let mut xs: Vec<f64> = Vec::new();
        for ring in shape.rings() {
            for (i, &p) in ring.iter().enumerate() {
                let (p, q) = (v(p), v(ring[(i + 1) % ring.len()]));
                if (p[1] > y) != (q[1] > y) {
                    xs.push(p[0] + (q[0] - p[0]) * (y - p[1]) / (q[1] - p[1]));
                }
            }
        }
        xs.sort_by(f64::total_cmp);
        for run in xs.chunks_exact(2) {
            if run[1] - run[0] > best.0 {
                best = (run[1] - run[0], [(run[0] + run[1]) / 2.0, y - 0.5]);
            }
        }
        if best.0 > 0.3 * b.width_nm() as f64 {
            break;
        }
    }
    point(best.1)
}
