//! Bites: long cuts made in parts, so that no visit heats one place for long.

use crate::kerf::CutPath;

/// Turn at a vertex that counts as a corner.
const CORNER_DEG: f64 = 20.0;

/// Splits a path into parts of at most `bite_mm`, each overlapping the next by `overlap_mm`:
/// (from, to) along the path. Joins keep as far from corners as a shift of a quarter bite allows.
pub fn bites(path: &CutPath, bite_mm: f64, overlap_mm: f64) -> Vec<[f64; 2]> {
    let length = path.length_mm();
    // Bites shorter than twice the overlap would be mostly overlap.
    let reach = (bite_mm - overlap_mm).max(bite_mm / 2.0);
    if length <= bite_mm || !length.is_finite() {
        return vec![[0.0, length]];
    }
    let corners = corners(path, length);
    let mut out = Vec::new();
    let mut from = 0.0;
    while length - from > bite_mm {
        let left = length - from;
        let even = left / (left / reach).ceil();
        let clear_enough = (2.0 * overlap_mm).min(even / 4.0);
        let join = from + best_step(&corners, from, even, reach, clear_enough);
        out.push([from, (join + overlap_mm).min(length)]);
        from = join;
    }
    out.push([from, length]);
    out
}

/// The step from `from` nearest to `even` whose end and overlap stay `clear_mm` off corners, else the clearest.
fn best_step(corners: &[f64], from: f64, even: f64, most: f64, clear_mm: f64) -> f64 {
    let mut best = (f64::NEG_INFINITY, even);
    for k in 0..=10 {
        for side in [1.0, -1.0] {
            let step = even * (1.0 + side * 0.025 * f64::from(k));
            if step > most {
                continue;
            }
            let clear = clearance(corners, from + step).min(clear_mm);
            if clear > best.0 {
                best = (clear, step);
            }
        }
    }
    best.1
}

fn clearance(corners: &[f64], at: f64) -> f64 {
    let i = corners.partition_point(|c| *c < at);
    let after = corners.get(i).map_or(f64::MAX, |c| c - at);
    let before = if i > 0 { at - corners[i - 1] } else { f64::MAX };
    before.min(after)
}

/// Lengths along the path at which it turns sharply; its ends count too.
fn corners(path: &CutPath, length: f64) -> Vec<f64> {
    let limit = libm::cos(CORNER_DEG.to_radians());
    let mut out = vec![0.0];
    let mut at = 0.0;
    for w in path.points.windows(3) {
        let (u, v) = (
            [w[1][0] - w[0][0], w[1][1] - w[0][1]],
            [w[2][0] - w[1][0], w[2][1] - w[1][1]],
        );
        let (lu, lv) = (libm::hypot(u[0], u[1]), libm::hypot(v[0], v[1]));
        at += lu;
        if u[0] * v[0] + u[1] * v[1] < limit * lu * lv {
            out.push(at);
        }
    }
    out.push(length);
    out
}
