//! Where bars have to keep away if they can.

use crate::artwork::{ElementIndex, Layer};
use crate::regions::{EdgeIndex, nearest_on_segment};
use crate::stencil::geometry::{V, crossing, dot, len, middle, point, sub, v};
use rstar::RTree;

/// Places where bars have to keep away if they can.
pub struct Surroundings<'a> {
    layer: &'a Layer,
    pub(super) elements: ElementIndex<'a>,
    /// Vertices at which the drawn outline turns sharply.
    corners: RTree<V>,
    keep_clear: Option<EdgeIndex>,
}

impl<'a> Surroundings<'a> {
    pub fn new(layer: &'a Layer) -> Self {
        let mut corners = Vec::new();
        for ring in layer.openings.rings() {
            let n = ring.len();
            for i in 0..n {
                let (a, b, c) = (v(ring[(i + n - 1) % n]), v(ring[i]), v(ring[(i + 1) % n]));
                let (d, e) = (sub(b, a), sub(c, b));
                // More than 30 degrees.
                if dot(d, e) < 0.866 * len(d) * len(e) {
                    corners.push(b);
                }
            }
        }
        Surroundings {
            layer,
            elements: ElementIndex::new(layer),
            corners: RTree::bulk_load(corners),
            keep_clear: (!layer.keep_clear.is_empty()).then(|| EdgeIndex::new(&layer.keep_clear)),
        }
    }
    /// Corners of the outline within `reach_nm` of a point.
    pub fn corners_near(&self, p: V, reach_nm: f64) -> usize {
        self.corners
            .locate_within_distance(p, reach_nm * reach_nm)
            .count()
    }
    pub fn forbidden(&self, a: V, b: V, half_nm: f64) -> bool {
        let Some(index) = &self.keep_clear else {
            return false;
        };
        self.layer.keep_clear.contains(point(middle(a, b)))
            || index
                .in_box(
                    [a[0].min(b[0]) - half_nm, a[1].min(b[1]) - half_nm],
                    [a[0].max(b[0]) + half_nm, a[1].max(b[1]) + half_nm],
                )
                .any(|e| {
                    let near = |p, a, b| nearest_on_segment(p, a, b).1 < half_nm;
                    crossing(a, b, e.a, e.b).is_some()
                        || near(e.a, a, b)
                        || near(e.b, a, b)
                        || near(a, e.a, e.b)
                        || near(b, e.a, e.b)
                })
    }
}
