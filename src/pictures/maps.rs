//! Colour maps: perceptually uniform and readable by colour-blind eyes.

use super::canvas::Rgb;

/// Samples of viridis at equal steps (matplotlib's published map, CC0).
const VIRIDIS: [Rgb; 11] = [
    [68, 1, 84],
    [72, 36, 117],
    [65, 68, 135],
    [53, 95, 141],
    [42, 120, 142],
    [33, 145, 140],
    [34, 168, 132],
    [68, 191, 112],
    [122, 209, 81],
    [189, 223, 38],
    [253, 231, 37],
];

/// Samples of cividis at equal steps (Nunez, Anderton & Renslow, PLoS ONE 13(7), 2018).
const CIVIDIS: [Rgb; 10] = [
    [0, 34, 78],
    [18, 53, 112],
    [59, 73, 108],
    [87, 93, 109],
    [112, 113, 115],
    [138, 134, 120],
    [165, 156, 116],
    [195, 179, 105],
    [225, 204, 85],
    [254, 232, 56],
];

fn sample(table: &[Rgb], t: f64) -> Rgb {
    let t = if t.is_finite() {
        t.clamp(0.0, 1.0)
    } else {
        0.0
    };
    let x = t * (table.len() - 1) as f64;
    let i = (x as usize).min(table.len() - 2);
    let f = x - i as f64;
    std::array::from_fn(|c| {
        (f64::from(table[i][c]) * (1.0 - f) + f64::from(table[i + 1][c]) * f).round() as u8
    })
}

/// Order of cutting: 0 first, 1 last.
pub fn viridis(t: f64) -> Rgb {
    sample(&VIRIDIS, t)
}

/// Temperature: 0 cool, 1 hot.
pub fn cividis(t: f64) -> Rgb {
    sample(&CIVIDIS, t)
}
