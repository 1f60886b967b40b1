//! How far apart the cuts are: what decides how fine the foil must be looked at.

use crate::polyline::distance;
use std::collections::BTreeMap;

/// Squares in which the distance is estimated.
const SQUARE_MM: f64 = 1.0;

/// Distance between cuts side by side where they are dense, mm: area over length of cut, of the densest
/// squares that hold a fifth of all cuts.
pub fn spacing_mm<'a>(lines: impl Iterator<Item = &'a [[f64; 2]]>) -> f64 {
    let mut squares: BTreeMap<(i64, i64), f64> = BTreeMap::new();
    for w in lines.flat_map(|points| points.windows(2)) {
        let length = distance(w[0], w[1]);
        let count = (length / SQUARE_MM * 4.0).ceil().clamp(1.0, 1e6);
        for n in 0..count as usize {
            let f = (n as f64 + 0.5) / count;
            let cell = |i: usize| ((w[0][i] + f * (w[1][i] - w[0][i])) / SQUARE_MM).floor() as i64;
            *squares.entry((cell(0), cell(1))).or_default() += length / count;
        }
    }
    let mut lengths: Vec<f64> = squares.into_values().collect();
    lengths.sort_unstable_by(|a, b| b.total_cmp(a));
    let goal = 0.2 * lengths.iter().sum::<f64>();
    let mut sum = 0.0;
    for length in lengths {
        sum += length;
        if sum >= goal && length > 0.0 {
            return SQUARE_MM * SQUARE_MM / length;
        }
    }
    SQUARE_MM
}
