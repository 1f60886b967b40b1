//! Lengths along polylines; whatever the unit of the points is, the answer has it too.

/// Distance of two points.
pub fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    (dx * dx + dy * dy).sqrt()
}

/// Length of the way through the points.
pub fn length(points: &[[f64; 2]]) -> f64 {
    points.windows(2).map(|w| distance(w[0], w[1])).sum()
}
