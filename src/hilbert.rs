//! Hilbert order: neighbours in the plane become neighbours in memory. And a stride that takes followers far apart.

/// Place of a cell on the Hilbert curve over a square of 2^16 x 2^16 cells.
/// Source: Hilbert 1891, Math. Ann. 38:459; the bitwise form is common knowledge.
fn place(mut x: u32, mut y: u32) -> u32 {
    let mut d = 0u32;
    let mut s = 1u32 << 15;
    while s > 0 {
        let (rx, ry) = (u32::from(x & s > 0), u32::from(y & s > 0));
        d = d.wrapping_add(s.wrapping_mul(s).wrapping_mul((3 * rx) ^ ry));
        if ry == 0 {
            if rx == 1 {
                x ^= 0xFFFF;
                y ^= 0xFFFF;
            }
            std::mem::swap(&mut x, &mut y);
        }
        s >>= 1;
    }
    d
}

/// The indices of `points` along the Hilbert curve over their box; ties by index.
pub fn order(points: &[[f64; 2]]) -> Vec<u32> {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for p in points {
        for k in 0..2 {
            low[k] = low[k].min(p[k]);
            high[k] = high[k].max(p[k]);
        }
    }
    let side = (high[0] - low[0]).max(high[1] - low[1]);
    let scale = if side > 0.0 { 65535.0 / side } else { 0.0 };
    let mut keyed: Vec<(u32, u32)> = points
        .iter()
        .enumerate()
        .map(|(i, p)| {
            let cell = |k: usize| ((p[k] - low[k]) * scale) as u32;
            (place(cell(0), cell(1)), i as u32)
        })
        .collect();
    keyed.sort_unstable();
    keyed.into_iter().map(|(_, i)| i).collect()
}

/// About 0.382 n and coprime with n: multiples of it, modulo n, are all numbers below n.
pub fn golden_stride(n: usize) -> usize {
    fn gcd(a: usize, b: usize) -> usize {
        if b == 0 { a } else { gcd(b, a % b) }
    }
    let want = (n as f64 * 0.381_966).round() as usize;
    (0..n)
        .flat_map(|d| [want + d, want.saturating_sub(d)])
        .find(|s| *s >= 1 && gcd(*s, n) == 1)
        .unwrap_or(1)
}
