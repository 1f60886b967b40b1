//! Which piece of foil is to hang on which.

use super::bars::Shore;
use super::foil::{CoreEdge, Foil};
use super::geometry::V;
use crate::regions::nearest_on_segment;
use crate::sets::Sets;
use rstar::RTree;
use rustc_hash::FxHashMap;
use std::cmp::Ordering;

/// Which piece hangs on which: a spanning tree of the narrowest gaps, rooted at the frame.
pub struct Anchoring {
    /// First and last visit of a walk round the tree: a piece's descendants lie between.
    enter: Vec<usize>,
    leave: Vec<usize>,
}

impl Anchoring {
    /// Gaps seen from the shores are taken narrowest first; clusters that these leave apart from the frame are
    /// joined over their narrowest gap to anything else, in rounds.
    pub fn new(
        foil: &Foil,
        frame: usize,
        tree: &RTree<CoreEdge>,
        shores: &[Vec<Shore<'_>>],
    ) -> Self {
        let n = foil.cores.len();
        let mut links: Vec<Vec<usize>> = vec![Vec::new(); n];
        let mut clusters = Sets::new(n);
        let mut gaps: Vec<(f64, usize, usize)> = Vec::new();
        for (piece, shore) in shores.iter().enumerate() {
            let mut own: FxHashMap<usize, f64> = FxHashMap::default();
            for s in shore {
                let e = s.across;
                let d = nearest_on_segment(s.sample.at, e.a, e.b).1;
                let best = own.entry(e.piece).or_insert(d);
                *best = best.min(d);
            }
            gaps.extend(own.into_iter().map(|(other, d)| (d, piece, other)));
        }
        loop {
            gaps.sort_by(|a, b| a.partial_cmp(b).unwrap_or(Ordering::Equal));
            for (_, a, b) in gaps.drain(..) {
                if clusters.join(a, b) {
                    links[a].push(b);
                    links[b].push(a);
                }
            }
            let held = clusters.root(frame);
            for (piece, shore) in shores.iter().enumerate() {
                let own = clusters.root(piece);
                if own == held {
                    continue;
                }
                gaps.extend(shore.iter().filter_map(|s| {
                    let e = tree
                        .nearest_neighbor_iter(&s.sample.at)
                        .find(|e| clusters.root(e.piece) != own)?;
                    let d = nearest_on_segment(s.sample.at, e.a, e.b).1;
                    Some((d, piece, e.piece))
                }));
            }
            if gaps.is_empty() {
                break;
            }
        }
        let (mut enter, mut leave) = (vec![0; n], vec![0; n]);
        let mut clock = 0;
        let mut stack = vec![(frame, usize::MAX, false)];
        while let Some((i, from, done)) = stack.pop() {
            clock += 1;
            if done {
                leave[i] = clock;
                continue;
            }
            enter[i] = clock;
            stack.push((i, from, true));
            for &k in links[i].iter().filter(|&&k| k != from) {
                stack.push((k, i, false));
            }
        }
        Anchoring { enter, leave }
    }
    pub fn hangs_on(&self, other: usize, piece: usize) -> bool {
        self.enter[piece] <= self.enter[other] && self.leave[other] <= self.leave[piece]
    }
    /// The nearest foil that does not itself hang on `piece`.
    pub fn nearest_outside(
        &self,
        tree: &RTree<CoreEdge>,
        p: V,
        piece: usize,
    ) -> Option<(V, CoreEdge)> {
        let e = tree
            .nearest_neighbor_iter(&p)
            .find(|e| !self.hangs_on(e.piece, piece))?;
        Some((nearest_on_segment(p, e.a, e.b).0, *e))
    }
}
