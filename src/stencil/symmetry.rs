//! Mirror symmetry of an island and of the gaps round it, about the level and the upright line through its centre of
//! mass: symmetric drawings are to get symmetric bars.

use super::geometry::{V, len, middle, sub, v};
use crate::regions::{Shape, nearest_on_segment};

/// How well an outline meets its mirror image, nanometres: curves are flattened within 100 nm, cores within as much.
const MEETS_NM: f64 = 500.0;
/// How well mirrored gaps agree.
pub const GAP_NM: f64 = 2000.0;
/// Vertices and gaps looked at.
const LOOKS: usize = 24;

/// A mirror line: `x = at` (axis 0) or `y = at` (axis 1).
#[derive(Debug, Clone, Copy)]
pub struct Mirror {
    axis: usize,
    at: f64,
}

impl Mirror {
    pub fn of(&self, p: V) -> V {
        let mut q = p;
        q[self.axis] = 2.0 * self.at - p[self.axis];
        q
    }
    /// Where the mirror line crosses the outline.
    pub fn crossings(&self, shape: Shape<'_>) -> Vec<V> {
        let mut out = Vec::new();
        for (a, b) in edges(shape) {
            let (p, q) = (a[self.axis] - self.at, b[self.axis] - self.at);
            if (p > 0.0) != (q > 0.0) {
                let t = p / (p - q);
                out.push([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]);
            }
        }
        out
    }
}

fn edges(shape: Shape<'_>) -> impl Iterator<Item = (V, V)> {
    shape
        .rings()
        .flat_map(|ring| (0..ring.len()).map(move |i| (v(ring[i]), v(ring[(i + 1) % ring.len()]))))
}

/// The mirrors of an island; `gap` gives the distance from a place on its edge to the foil across.
pub fn mirrors(
    shape: Shape<'_>,
    centre: V,
    shore: &[V],
    gap: impl Fn(V) -> Option<f64>,
) -> Vec<Mirror> {
    let all: Vec<(V, V)> = edges(shape).collect();
    let on_edge = |p: V| {
        all.iter()
            .any(|&(a, b)| nearest_on_segment(p, a, b).1 <= MEETS_NM)
    };
    let some = |n: usize| n.div_ceil(LOOKS).max(1);
    (0..2)
        .map(|axis| Mirror {
            axis,
            at: centre[axis],
        })
        .filter(|m| {
            all.iter()
                .step_by(some(all.len()))
                .all(|&(a, _)| on_edge(m.of(a)))
                && shore
                    .iter()
                    .step_by(some(shore.len()))
                    .all(|&p| match (gap(p), gap(m.of(p))) {
                        (Some(d), Some(e)) => (d - e).abs() <= GAP_NM,
                        (d, e) => d.is_none() == e.is_none(),
                    })
        })
        .collect()
}

/// How many of the mirrors do not map the bars, given by their ends, on each other.
pub fn broken(mirrors: &[Mirror], bars: &[(V, V)], within_nm: f64) -> usize {
    let same = |p: V, q: V| len(sub(p, q)) <= within_nm;
    mirrors
        .iter()
        .filter(|m| {
            !bars.iter().all(|&(a, b)| {
                let image = m.of(middle(a, b));
                bars.iter().any(|&(c, d)| same(image, middle(c, d)))
            })
        })
        .count()
}
