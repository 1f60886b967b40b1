//! How far apart the cuts are: what decides how fine the foil must be looked at.

use crate::polyline::distance;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// Squares in which the distance is estimated.
const SQUARE_MM: f64 = 1.0;

/// Cells are made larger or smaller than asked for by up to this share, to fit between the cuts.
const FITTED: f64 = 0.1;
/// Slope below which a line counts as level or upright.
const SLOPE: f64 = 0.02;

/// Size of a cell along x and y, about `cell_mm`, with a whole number over `sheet_mm` (x min, y min,
/// x max, y max). Where cuts are level or upright and repeat at a pitch, a whole number of cells fits the pitch: metal
/// as wide as a few cells has then the same number of them everywhere.
pub fn fitting_mm<'a>(
    sheet_mm: [f64; 4],
    cell_mm: f64,
    lines: impl Iterator<Item = &'a [[f64; 2]]>,
) -> [f64; 2] {
    // Length of cut by place, in steps of a hundredth of a cell.
    let mut weights: [BTreeMap<i64, f64>; 2] = Default::default();
    let step_mm = 0.01 * cell_mm;
    for w in lines.flat_map(|points| points.windows(2)) {
        let way = [w[1][0] - w[0][0], w[1][1] - w[0][1]].map(f64::abs);
        for axis in 0..2 {
            if way[axis] <= SLOPE * way[1 - axis] {
                let place = (w[0][axis] + w[1][axis]) / 2.0 - sheet_mm[axis];
                *weights[axis]
                    .entry((place / step_mm).round() as i64)
                    .or_default() += way[1 - axis];
            }
        }
    }
    [0, 1].map(|axis| {
        let span = (sheet_mm[axis + 2] - sheet_mm[axis]).max(1e-3);
        let asked = (span / cell_mm).round().max(2.0);
        let least = (asked / (1.0 + FITTED)).ceil();
        let most = (asked / (1.0 - FITTED)).floor();
        // How far the places agree within a cell: 1 if all lie at the same part of one.
        let agree = |count: f64| {
            let turn = TAU * step_mm * count / span;
            let (mut x, mut y) = (0.0, 0.0);
            for (place, weight) in &weights[axis] {
                let angle = turn * *place as f64;
                x += weight * libm::cos(angle);
                y += weight * libm::sin(angle);
            }
            x * x + y * y
        };
        let (mut best, mut count) = ((agree(asked), asked), least);
        while count <= most {
            let here = agree(count);
            // Of those much alike the first, and no other than asked for without need.
            if here > 1.05 * best.0 {
                best = (here, count);
            }
            count += 1.0;
        }
        span / best.1
    })
}

/// Distance between cuts side by side where they are dense, mm: area over length of cut, of the densest
/// squares that hold a fifth of all cuts. The same wherever the cuts lie, and turned over.
pub fn spacing_mm<'a>(lines: impl Iterator<Item = &'a [[f64; 2]]> + Clone) -> f64 {
    let (mut lo, mut hi) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for p in lines.clone().flatten() {
        for i in 0..2 {
            lo[i] = lo[i].min(p[i]);
            hi[i] = hi[i].max(p[i]);
        }
    }
    let middle = [0, 1].map(|i| (lo[i] + hi[i]) / 2.0);
    let mut squares: BTreeMap<(i64, i64), f64> = BTreeMap::new();
    for w in lines.flat_map(|points| points.windows(2)) {
        let length = distance(w[0], w[1]);
        let count = (length / SQUARE_MM * 4.0).ceil().clamp(1.0, 1e6);
        for n in 0..count as usize {
            let f = (n as f64 + 0.5) / count;
            let square = |i: usize| {
                let place = w[0][i] + f * (w[1][i] - w[0][i]) - middle[i];
                (place / SQUARE_MM).round() as i64
            };
            *squares.entry((square(0), square(1))).or_default() += length / count;
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
