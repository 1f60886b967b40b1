//! Digits of separate strokes: no stroke meets another, so no digit holds an island.

/// Which of the seven strokes (top, upper right, lower right, bottom, lower left, upper left, middle).
const STROKES: [[bool; 7]; 10] = {
    const T: bool = true;
    const F: bool = false;
    [
        [T, T, T, T, T, T, F],
        [F, T, T, F, F, F, F],
        [T, T, F, T, T, F, T],
        [T, T, T, T, F, F, T],
        [F, T, T, F, F, T, T],
        [T, F, T, T, F, T, T],
        [T, F, T, T, T, T, T],
        [T, T, T, F, F, F, F],
        [T, T, T, T, T, T, T],
        [T, T, T, T, F, T, T],
    ]
};

/// The strokes of a number, its middle at `at`, y down.
pub fn strokes(value: usize, at: [f64; 2], height: f64) -> Vec<[[f64; 2]; 2]> {
    let text = value.to_string();
    let (w, gap, pitch) = (0.5 * height, 0.13 * height, 0.85 * height);
    let left = at[0] - ((text.len() - 1) as f64 * pitch + w) / 2.0;
    let top = at[1] - height / 2.0;
    let mut out = Vec::new();
    for (i, digit) in text.bytes().enumerate() {
        let x = left + i as f64 * pitch;
        let flat = |y: f64| [[x + gap, y], [x + w - gap, y]];
        let upright = |x: f64, y: f64| [[x, y + gap], [x, y + height / 2.0 - gap]];
        let middle = top + height / 2.0;
        let all = [
            flat(top),
            upright(x + w, top),
            upright(x + w, middle),
            flat(top + height),
            upright(x, middle),
            upright(x, top),
            flat(middle),
        ];
        let on = STROKES[usize::from(digit - b'0')];
        out.extend(
            all.into_iter()
                .zip(on)
                .filter(|(_, on)| *on)
                .map(|(s, _)| s),
        );
    }
    out
}
