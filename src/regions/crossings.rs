//! How often edges cross, before a boolean is asked to find out: its time and memory grow with the crossings,
//! and n edges can cross n2 / 2 times.

use super::Point;
use crate::random::Random;

/// Most crossings of the edges in one boolean on what a drawing holds. A mesh of 200 x 200 stroked lines stays below.
pub const MOST_CROSSINGS: f64 = 2e5;
/// Pairs looked at, at most.
const MOST_PAIRS: f64 = 1e6;
/// Pairs looked at per crossing that the limit lets through, so that the estimate is within a quarter or so.
const PAIRS_FOR_LIMIT: f64 = 20.0;
/// Crossings that must be seen before their number is believed.
const LEAST_SEEN: u32 = 8;

/// Whether the edges of the rings cross more than `most` times: estimated on pairs drawn with a fixed seed.
/// Few edges cannot, and are not looked at. Edges that touch within or overlap count; neighbours do not.
pub(super) fn cross_more_than<'a>(rings: impl Iterator<Item = &'a [Point]>, most: f64) -> bool {
    let rings: Vec<&[Point]> = rings.collect();
    let n = rings.iter().map(|r| r.len()).sum::<usize>() as f64;
    let pairs = n * (n - 1.0) / 2.0;
    if pairs <= most {
        return false;
    }
    let edges: Vec<[Point; 2]> = rings
        .iter()
        .flat_map(|r| (0..r.len()).map(|i| [r[i], r[(i + 1) % r.len()]]))
        .collect();
    let looks = (PAIRS_FOR_LIMIT * pairs / most).clamp(1e4, MOST_PAIRS);
    let mut random = Random(1);
    let mut any = || &edges[random.below(edges.len())];
    let seen = (0..looks as u32).filter(|_| cross(any(), any())).count() as u32;
    seen >= LEAST_SEEN && f64::from(seen) / looks * pairs > most
}

/// Whether two edges without a common end cross, touch or overlap.
fn cross(e: &[Point; 2], f: &[Point; 2]) -> bool {
    let apart = |a: [i32; 2], b: [i32; 2]| {
        a[0].min(a[1]) > b[0].max(b[1]) || b[0].min(b[1]) > a[0].max(a[1])
    };
    if apart([e[0].x, e[1].x], [f[0].x, f[1].x])
        || apart([e[0].y, e[1].y], [f[0].y, f[1].y])
        || e.iter().any(|p| f.contains(p))
    {
        return false;
    }
    let side = |[a, b]: &[Point; 2], p: Point| {
        let d = |v: i32, from: i32| f64::from(v) - f64::from(from);
        d(b.x, a.x) * d(p.y, a.y) - d(b.y, a.y) * d(p.x, a.x)
    };
    side(e, f[0]) * side(e, f[1]) <= 0.0 && side(f, e[0]) * side(f, e[1]) <= 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `n` by `n` stroked lines: four crossings where two of them cross.
    fn mesh(n: i32) -> Vec<Vec<Point>> {
        let strip = |x: [i32; 2], y: [i32; 2]| {
            [(0, 0), (1, 0), (1, 1), (0, 1)]
                .map(|(i, j)| Point::new(x[i], y[j]))
                .to_vec()
        };
        let long = [-50, 100 * n];
        (0..n)
            .flat_map(|i| {
                let across = [100 * i, 100 * i + 40];
                [strip(across, long), strip(long, across)]
            })
            .collect()
    }

    #[test]
    fn a_mesh_is_told_from_one_that_crosses_too_often() {
        let crosses = |n: i32, most: f64| {
            let mesh = mesh(n);
            cross_more_than(mesh.iter().map(Vec::as_slice), most)
        };
        // 4 n2 = 40,000 crossings.
        assert!(crosses(100, 30_000.0));
        assert!(!crosses(100, 54_000.0));
        assert!(!crosses(200, MOST_CROSSINGS));
        assert!(crosses(300, MOST_CROSSINGS));
    }

    #[test]
    fn rings_that_only_touch_their_neighbours_do_not_cross() {
        let rings: Vec<Vec<Point>> = (0..20_000)
            .map(|i| {
                let (x, y) = (1000 * (i % 200), 1000 * (i / 200));
                [(0, 0), (800, 0), (900, 500), (400, 900), (-50, 400)]
                    .map(|(u, v)| Point::new(x + u, y + v))
                    .to_vec()
            })
            .collect();
        assert!(!cross_more_than(rings.iter().map(Vec::as_slice), 1000.0));
    }
}
