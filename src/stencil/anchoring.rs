//! Which piece of foil is to hang on which.

use super::bars::Shore;
use super::foil::{CoreEdge, Foil};
use super::geometry::V;
use crate::regions::nearest_on_segment;
use crate::regions::packed::{Marks, Packed};
use crate::sets::Sets;
use rustc_hash::FxHashMap;
use std::cmp::Ordering;

/// Which piece hangs on which: a spanning tree of the narrowest gaps, rooted at the frame.
pub struct Anchoring {
    /// First and last visit of a walk round the tree: a piece's descendants lie between.
    enter: Vec<u32>,
    leave: Vec<u32>,
    /// First visits, in the tree of the cores' edges.
    marks: Marks,
}

impl Anchoring {
    /// Gaps seen from the shores are taken narrowest first; clusters that these leave apart from the frame are
    /// joined over their narrowest gap to anything else, in rounds.
    pub fn new(
        foil: &Foil,
        frame: usize,
        tree: &Packed<CoreEdge>,
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
            let roots: Vec<u32> = (0..n).map(|i| clusters.root(i) as u32).collect();
            let marks = tree.marks(|e| roots[e.piece]);
            for (piece, shore) in shores.iter().enumerate() {
                let own = roots[piece];
                if own as usize == held {
                    continue;
                }
                gaps.extend(shore.iter().filter_map(|s| {
                    let e = tree.nearest_beyond(s.sample.at, &marks, [own; 2])?;
                    let d = nearest_on_segment(s.sample.at, e.a, e.b).1;
                    Some((d, piece, e.piece))
                }));
            }
            if gaps.is_empty() {
                break;
            }
        }
        let (mut enter, mut leave) = (vec![0; n], vec![0; n]);
        let mut clock = 0u32;
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
        let marks = tree.marks(|e| enter[e.piece]);
        Anchoring {
            enter,
            leave,
            marks,
        }
    }
    pub fn hangs_on(&self, other: usize, piece: usize) -> bool {
        self.enter[piece] <= self.enter[other] && self.leave[other] <= self.leave[piece]
    }
    /// The nearest foil that does not itself hang on `piece`.
    pub fn nearest_outside(
        &self,
        tree: &Packed<CoreEdge>,
        p: V,
        piece: usize,
    ) -> Option<(V, CoreEdge)> {
        let hidden = [self.enter[piece], self.leave[piece]];
        let e = tree.nearest_beyond(p, &self.marks, hidden)?;
        Some((nearest_on_segment(p, e.a, e.b).0, *e))
    }
}
