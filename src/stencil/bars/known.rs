//! Bars that are there already, so that none is counted twice.

use crate::stencil::geometry::{V, len, middle, sub};
use rstar::RTree;
use rstar::primitives::GeomWithData;

/// The bars that were kept, by their middles.
#[derive(Default)]
pub struct Known(RTree<GeomWithData<V, ([V; 2], usize)>>);

/// Bars whose ends lie no further apart are one and the same, nanometres.
const SAME_BAR_NM: f64 = 1000.0;

impl Known {
    pub fn add(&mut self, from: V, to: V, index: usize) {
        let at = GeomWithData::new(middle(from, to), ([from, to], index));
        self.0.insert(at);
    }
    /// The bar between the same two places, if there is one.
    pub fn find(&self, from: V, to: V) -> Option<usize> {
        let near = |a: V, b: V| len(sub(a, b)) <= SAME_BAR_NM;
        let same = |[a, b]: [V; 2]| near(a, from) && near(b, to) || near(a, to) && near(b, from);
        self.0
            .locate_within_distance(middle(from, to), SAME_BAR_NM * SAME_BAR_NM)
            .find(|bar| same(bar.data.0))
            .map(|bar| bar.data.1)
    }
}
