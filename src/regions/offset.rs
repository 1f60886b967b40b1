//! Inset and outset by a round beam: the raw offset curve, then one boolean pass.

use super::measure::edges;
use super::{FillRule, Point, Regions, normalise};
use std::f64::consts::PI;

/// The points whose disc of radius `radius_nm` lies inside the region: the centre line of a beam that
/// cuts up to the region's boundary. Arcs deviate from the circle by at most `tolerance_nm`.
///
/// Shapes may split or vanish; the result keeps the order of the shapes they came from.
pub fn inset(regions: &Regions, radius_nm: f64, tolerance_nm: f64) -> Regions {
    per_shape(regions, -radius_nm, tolerance_nm)
}

/// The region grown by a disc of radius `radius_nm` (shapes that meet are joined).
pub fn outset(regions: &Regions, radius_nm: f64, tolerance_nm: f64) -> Regions {
    let mut rings = Vec::new();
    for ring in regions.rings() {
        rings.push(raw_offset(ring, radius_nm, tolerance_nm));
    }
    normalise(&rings, FillRule::Positive)
}

fn per_shape(regions: &Regions, offset_nm: f64, tolerance_nm: f64) -> Regions {
    let mut out = Regions::new();
    for shape in regions.shapes() {
        let rings: Vec<Vec<Point>> = shape
            .rings()
            .map(|ring| raw_offset(ring, offset_nm, tolerance_nm))
            .collect();
        out.extend(&normalise(&rings, FillRule::Positive));
    }
    out
}

/// The curve that runs beside `ring` at `offset_nm` (positive: to the outside of an outer ring).
/// Where the curve turns away from the ring an arc joins the edges; where it folds, the join passes
/// through the vertex, so that what folds over winds negatively and vanishes in a `Positive` union.
fn raw_offset(ring: &[Point], offset_nm: f64, tolerance_nm: f64) -> Vec<Point> {
    let r = offset_nm.abs();
    let step = arc_step(r, tolerance_nm);
    let clean: Vec<Point> = {
        let mut v: Vec<Point> = Vec::with_capacity(ring.len());
        for &p in ring {
            if v.last() != Some(&p) {
                v.push(p);
            }
        }
        while v.len() > 1 && v.first() == v.last() {
            v.pop();
        }
        v
    };
    let n = clean.len();
    let mut out = Vec::with_capacity(n * 2);
    if n < 3 {
        return out;
    }
    // Outward normal of an outer ring (positive area in x, y): the edge direction turned clockwise.
    let normals: Vec<[f64; 2]> = edges(&clean)
        .map(|(a, b)| {
            let (dx, dy) = (
                f64::from(b.x) - f64::from(a.x),
                f64::from(b.y) - f64::from(a.y),
            );
            let len = (dx * dx + dy * dy).sqrt();
            [dy / len, -dx / len]
        })
        .collect();
    let snap = |x: f64, y: f64| Point::new(x.round() as i32, y.round() as i32);
    for i in 0..n {
        let (n0, n1) = (normals[(i + n - 1) % n], normals[i]);
        let (x, y) = (f64::from(clean[i].x), f64::from(clean[i].y));
        let cross = n0[0] * n1[1] - n0[1] * n1[0];
        let dot = n0[0] * n1[0] + n0[1] * n1[1];
        let turn = libm::atan2(cross, dot);
        if turn * offset_nm > 0.0 {
            // The offset side opens up here: an arc about the vertex.
            let count = (turn.abs() / step).ceil().max(1.0) as usize;
            let start = libm::atan2(n0[1], n0[0]);
            for k in 0..=count {
                let a = start + turn * k as f64 / count as f64;
                out.push(snap(
                    x + offset_nm * libm::cos(a),
                    y + offset_nm * libm::sin(a),
                ));
            }
        } else if dot > 0.999_999 {
            let m = offset_nm / (1.0 + dot);
            out.push(snap(x + m * (n0[0] + n1[0]), y + m * (n0[1] + n1[1])));
        } else {
            out.push(snap(x + offset_nm * n0[0], y + offset_nm * n0[1]));
            out.push(clean[i]);
            out.push(snap(x + offset_nm * n1[0], y + offset_nm * n1[1]));
        }
    }
    out
}

/// Angle between the points of an arc of radius `r` whose chords stay within `tolerance` of it
/// (sagitta r (1 - cos(a/2))).
fn arc_step(r: f64, tolerance: f64) -> f64 {
    let t = tolerance.clamp(1.0, r.max(1.0));
    (2.0 * libm::acos((1.0 - t / r.max(1.0)).clamp(-1.0, 1.0))).clamp(1e-3, PI / 4.0)
}
