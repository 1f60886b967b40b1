//! The best order of a handful of contours, by dynamic programming over subsets
//! (Held & Karp 1962, J. SIAM 10:196; Bellman 1962, J. ACM 9:61), with precedence and free starts.

use super::tour::layers::Way;
use super::tour::length;

/// Most work done: subsets times pairs of ways.
const MOST_WORK: u64 = 40_000_000;

/// The best chain as (contour, index of its way), or `None` when there are too many contours or ways.
///
/// `ends` closes each contour's ways; a contour comes after all that name it in `parents`.
pub fn best_chain(
    ways: &[Way],
    ends: &[usize],
    parents: &[Option<u32>],
) -> Option<Vec<(u32, u32)>> {
    let n = ends.len();
    let w = ways.len();
    if n == 0 || n > 12 || ((w * w) as u64) << n > MOST_WORK {
        return None;
    }
    let owner: Vec<usize> = (0..n)
        .flat_map(|c| {
            let first = if c == 0 { 0 } else { ends[c - 1] };
            std::iter::repeat_n(c, ends[c] - first)
        })
        .collect();
    let mut needs = vec![0usize; n];
    for (c, p) in parents.iter().enumerate() {
        if let Some(p) = p {
            needs[*p as usize] |= 1 << c;
        }
    }
    let all = (1usize << n) - 1;
    let mut cost = vec![f64::INFINITY; (all + 1) * w];
    let mut from = vec![u32::MAX; (all + 1) * w];
    for k in 0..w {
        if needs[owner[k]] == 0 {
            cost[(1 << owner[k]) * w + k] = 0.0;
        }
    }
    for set in 1..=all {
        for k in 0..w {
            let here = cost[set * w + k];
            if here.is_infinite() {
                continue;
            }
            for (j, way) in ways.iter().enumerate() {
                let c = owner[j];
                if set >> c & 1 == 1 || needs[c] & !set != 0 {
                    continue;
                }
                let then = (set | 1 << c) * w + j;
                let sum = here + length(ways[k].leave, way.enter);
                if sum < cost[then] {
                    cost[then] = sum;
                    from[then] = k as u32;
                }
            }
        }
    }
    let mut k = (0..w).min_by(|a, b| cost[all * w + a].total_cmp(&cost[all * w + b]))?;
    let mut set = all;
    let mut out = Vec::with_capacity(n);
    loop {
        let c = owner[k];
        let first = if c == 0 { 0 } else { ends[c - 1] };
        out.push((c as u32, (k - first) as u32));
        let before = from[set * w + k];
        if before == u32::MAX {
            break;
        }
        set &= !(1 << c);
        k = before as usize;
    }
    out.reverse();
    (out.len() == n).then_some(out)
}
