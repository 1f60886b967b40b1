//! Exact choices along a fixed order, by layered dynamic programming.
//! Source of the idea: Karapetyan & Gutin 2012, Eur. J. Oper. Res. 219:234 (cluster optimisation).

use super::length;

/// A way to visit one stop: where the beam comes in and where it leaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Way {
    pub enter: [f64; 2],
    pub leave: [f64; 2],
}

/// For each layer the index of its way on the shortest chain from the first layer to the last;
/// ties go to the lowest index. Layers are not empty. `ways` is flat, `ends` closes each layer.
/// Work: the sum over neighbouring layers of the product of their sizes.
pub fn shortest_chain(ways: &[Way], ends: &[usize]) -> Vec<u32> {
    let mut from = vec![0u32; ways.len()];
    let mut cost: Vec<f64> = Vec::new();
    let mut next: Vec<f64> = Vec::new();
    let (mut before, mut start) = (0..0, 0);
    for end in ends {
        next.clear();
        for k in start..*end {
            let (mut best, mut chosen) = (f64::INFINITY, 0u32);
            for (j, p) in ways[before.clone()].iter().enumerate() {
                let c = cost[j] + length(p.leave, ways[k].enter);
                if c < best {
                    (best, chosen) = (c, j as u32);
                }
            }
            from[k] = chosen;
            next.push(if before.is_empty() { 0.0 } else { best });
        }
        std::mem::swap(&mut cost, &mut next);
        before = start..*end;
        start = *end;
    }
    let mut out = vec![0u32; ends.len()];
    let mut at = (0..cost.len())
        .min_by(|a, b| cost[*a].total_cmp(&cost[*b]))
        .unwrap_or(0) as u32;
    for layer in (0..ends.len()).rev() {
        out[layer] = at;
        let first = if layer == 0 { 0 } else { ends[layer - 1] };
        at = from[first + at as usize];
    }
    out
}
