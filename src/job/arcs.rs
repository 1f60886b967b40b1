//! Arcs in place of many short moves: G2 and G3 pieces that stay within a tolerance of the polyline.

use std::f64::consts::PI;

/// One move from where the last one ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Piece {
    Line {
        to: [f64; 2],
    },
    Arc {
        to: [f64; 2],
        centre: [f64; 2],
        clockwise: bool,
    },
}

impl Piece {
    pub fn to(&self) -> [f64; 2] {
        match self {
            Piece::Line { to } | Piece::Arc { to, .. } => *to,
        }
    }
}

/// Fewer points than this are left as lines.
const MIN_POINTS: usize = 5;
/// An arc of more than this would be ill defined by its ends.
const MAX_TURN: f64 = 0.9 * PI;
/// Flatter arcs are lines to any controller.
const MAX_RADIUS_MM: f64 = 500.0;

/// Replaces runs of points that lie on a circle by arcs. Every point of the polyline lies within `tol_mm`
/// of the arc that replaces it, and what lies between two of them within twice that: the points stand on
/// the curve that was drawn, the chords between them up to the flattening tolerance inside it.
pub fn fit(points: &[[f64; 2]], tol_mm: f64) -> Vec<Piece> {
    fit_written(points, tol_mm, |p| p)
}

/// As [`fit`], for pieces whose ends and centre offsets are written with few decimals: `written` is what
/// becomes of a length pair. An arc counts only if what is written of it stays within the tolerance and
/// keeps the radius rule of the standard: radii at start and end within 0.002 mm (NIST IR 6556, 3.5.3.2).
pub fn fit_written(
    points: &[[f64; 2]],
    tol_mm: f64,
    written: impl Fn([f64; 2]) -> [f64; 2],
) -> Vec<Piece> {
    let mut out = Vec::new();
    let mut i = 0;
    while i + 1 < points.len() {
        let (end, arc) = longest(points, i, tol_mm);
        match arc {
            Some((centre, clockwise)) if keeps(&points[i..=end], centre, tol_mm, &written) => {
                out.push(Piece::Arc {
                    to: points[end],
                    centre,
                    clockwise,
                });
            }
            // What cannot be written as one arc is left as it was drawn.
            _ => out.extend((i + 1..=end).map(|k| Piece::Line { to: points[k] })),
        }
        i = end;
    }
    out
}

/// Radii that differ by more than this make a controller refuse an arc.
const RADIUS_RULE_MM: f64 = 0.002;

fn keeps(
    points: &[[f64; 2]],
    centre: [f64; 2],
    tol_mm: f64,
    written: &impl Fn([f64; 2]) -> [f64; 2],
) -> bool {
    let (start, end) = (written(points[0]), written(points[points.len() - 1]));
    let offset = written([centre[0] - start[0], centre[1] - start[1]]);
    let c = [start[0] + offset[0], start[1] + offset[1]];
    let from_c = |p: [f64; 2]| ((p[0] - c[0]).powi(2) + (p[1] - c[1]).powi(2)).sqrt();
    let (r0, r1) = (from_c(start), from_c(end));
    if offset == [0.0, 0.0] || start == end || (r0 - r1).abs() > RADIUS_RULE_MM {
        return false;
    }
    // A controller may keep either radius, or go from one to the other.
    let near = |p: [f64; 2], tol: f64| (r0.min(r1) - tol..=r0.max(r1) + tol).contains(&from_c(p));
    (r0 - r1).abs() <= tol_mm
        && points.iter().all(|p| near(*p, tol_mm))
        && points.windows(2).all(|w| near(middle(w), 2.0 * tol_mm))
}

/// Halfway between two points.
fn middle(w: &[[f64; 2]]) -> [f64; 2] {
    [(w[0][0] + w[1][0]) / 2.0, (w[0][1] + w[1][1]) / 2.0]
}

type Found = (usize, Option<([f64; 2], bool)>);

/// The furthest point an arc from point `i` reaches: doubled until it no longer fits, then halved.
fn longest(points: &[[f64; 2]], i: usize, tol_mm: f64) -> Found {
    let last = points.len() - 1;
    let mut best: Found = (i + 1, None);
    let mut span = MIN_POINTS - 1;
    if i + span > last {
        return best;
    }
    let mut too_far = last + 1;
    while i + span <= last {
        match circle(&points[i..=i + span], tol_mm) {
            Some(arc) => best = (i + span, Some(arc)),
            None => {
                too_far = i + span;
                break;
            }
        }
        span *= 2;
    }
    if best.1.is_none() {
        return best;
    }
    while too_far - best.0 > 1 {
        let middle = best.0 + (too_far - best.0) / 2;
        match circle(&points[i..=middle], tol_mm) {
            Some(arc) => best = (middle, Some(arc)),
            None => too_far = middle,
        }
    }
    best
}

/// The circle through the ends and the middle point, if all the points and the chords between them follow
/// it within the tolerance, always turning the same way.
fn circle(points: &[[f64; 2]], tol_mm: f64) -> Option<([f64; 2], bool)> {
    let (a, m, b) = (
        points[0],
        points[points.len() / 2],
        points[points.len() - 1],
    );
    let (ux, uy) = (m[0] - a[0], m[1] - a[1]);
    let (vx, vy) = (b[0] - a[0], b[1] - a[1]);
    let cross = ux * vy - uy * vx;
    if cross == 0.0 {
        return None;
    }
    let (u2, v2) = (ux * ux + uy * uy, vx * vx + vy * vy);
    let c = [
        a[0] + (vy * u2 - uy * v2) / (2.0 * cross),
        a[1] + (ux * v2 - vx * u2) / (2.0 * cross),
    ];
    let distance = |p: [f64; 2]| ((p[0] - c[0]).powi(2) + (p[1] - c[1]).powi(2)).sqrt();
    let r = distance(a);
    if !r.is_finite() || r > MAX_RADIUS_MM || r < 2.0 * tol_mm {
        return None;
    }
    let clockwise = cross < 0.0;
    let mut turned = 0.0;
    for w in points.windows(2) {
        let apart = |p: [f64; 2]| (distance(p) - r).abs();
        // Half the tolerance is left for the written decimals.
        if apart(w[1]) > 0.5 * tol_mm || apart(middle(w)) > 1.5 * tol_mm {
            return None;
        }
        let p = [w[0][0] - c[0], w[0][1] - c[1]];
        let q = [w[1][0] - c[0], w[1][1] - c[1]];
        let angle = libm::atan2(p[0] * q[1] - p[1] * q[0], p[0] * q[0] + p[1] * q[1]);
        if (angle < 0.0) != clockwise || angle == 0.0 {
            return None;
        }
        turned += angle.abs();
    }
    (turned <= MAX_TURN).then_some((c, clockwise))
}
