//! Single-line cuts: the centre lines of parts no wider than the kerf.

use crate::polyline::distance;
use crate::regions::Shape;
use crate::regions::medial::{MedialAxis, MedialError, Node, medial_axis};
use std::collections::BTreeMap;

/// A centre line of a part that the beam fills in one stroke. Nanometres.
#[derive(Debug, Clone)]
pub(super) struct CentreLine {
    pub points: Vec<[f64; 2]>,
    /// Narrowest and widest drawn width along it.
    pub min_width: f64,
    pub max_width: f64,
    pub closed: bool,
}

/// Distances below this count as zero, nanometres (a few steps of the grid).
const TOUCH_NM: f64 = 4.0;
/// Tips are cut where they are at least this fraction of the kerf wide (a little over half, so that the cut
/// stays under twice the drawn width).
const TIP_WIDTH: f64 = 0.51;
/// Tips shorter than this many half kerfs (corners blunter than about 7 degrees) are left to corner rounding.
const TIP_LENGTH: f64 = 8.0;
/// An end that widens faster than this (half width over length) is a tip and not a slit.
const TIP_SLOPE: f64 = 0.04;
/// A side branch is dropped when the disc at its junction explains it: reach <= this x its radius.
const BRANCH_REACH: f64 = 1.5;

/// The centre lines of all parts of the shape whose half width is at most `radius`. Free ends are pulled in
/// so that a beam of that radius ends where the drawing does; tips of corners are left to corner rounding.
///
/// # Errors
/// As [`medial_axis`].
pub(super) fn narrow_parts(shape: Shape<'_>, radius: f64) -> Result<Vec<CentreLine>, MedialError> {
    let axis = narrow_axis(&medial_axis(shape)?, radius + TOUCH_NM);
    let mut graph = Graph::new(axis);
    graph.prune(radius);
    Ok(graph
        .chains()
        .into_iter()
        .filter_map(|chain| graph.line(&chain, radius))
        .collect())
}

/// The part of the axis with radius at most `limit`; edges that pass the limit are cut there.
fn narrow_axis(axis: &MedialAxis, limit: f64) -> MedialAxis {
    let mut out = MedialAxis {
        nodes: axis.nodes.clone(),
        edges: Vec::new(),
    };
    for &[a, b] in &axis.edges {
        let (na, nb) = (axis.nodes[a], axis.nodes[b]);
        match (na.radius <= limit, nb.radius <= limit) {
            (true, true) => out.edges.push([a, b]),
            (false, false) => {}
            (a_in, _) => {
                let t = (limit - na.radius) / (nb.radius - na.radius);
                let at = std::array::from_fn(|i| na.at[i] + t * (nb.at[i] - na.at[i]));
                out.nodes.push(Node { at, radius: limit });
                let cut = out.nodes.len() - 1;
                out.edges.push([if a_in { a } else { b }, cut]);
            }
        }
    }
    out
}

struct Graph {
    nodes: Vec<Node>,
    near: BTreeMap<usize, Vec<usize>>,
}

impl Graph {
    fn new(axis: MedialAxis) -> Graph {
        let mut near: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for [a, b] in axis.edges {
            near.entry(a).or_default().push(b);
            near.entry(b).or_default().push(a);
        }
        Graph {
            nodes: axis.nodes,
            near,
        }
    }
    fn degree(&self, n: usize) -> usize {
        self.near.get(&n).map_or(0, Vec::len)
    }
    /// From a leaf to the next junction or end, both included.
    fn branch(&self, leaf: usize) -> Vec<usize> {
        let mut chain = vec![leaf];
        let mut previous = usize::MAX;
        loop {
            let here = chain[chain.len() - 1];
            if chain.len() > 1 && self.degree(here) != 2 {
                return chain;
            }
            let Some(&next) = self
                .near
                .get(&here)
                .and_then(|n| n.iter().find(|x| **x != previous))
            else {
                return chain;
            };
            if chain.len() > self.nodes.len() {
                return chain;
            }
            previous = here;
            chain.push(next);
        }
    }
    fn remove(&mut self, chain: &[usize]) {
        for w in chain.windows(2) {
            for (a, b) in [(w[0], w[1]), (w[1], w[0])] {
                if let Some(n) = self.near.get_mut(&a) {
                    if let Some(i) = n.iter().position(|x| *x == b) {
                        n.remove(i);
                    }
                    if n.is_empty() {
                        self.near.remove(&a);
                    }
                }
            }
        }
    }
    /// Whether the branch runs from a narrow end into the full width of the beam like a wedge.
    fn tapers(&self, chain: &[usize], radius: f64) -> bool {
        let end = self.nodes[chain[0]].radius;
        let limit = TIP_WIDTH * radius;
        if end >= limit || self.nodes[chain[chain.len() - 1]].radius < limit {
            return false;
        }
        let narrow: f64 = chain
            .windows(2)
            .take_while(|w| self.nodes[w[0]].radius < limit)
            .map(|w| distance(self.nodes[w[0]].at, self.nodes[w[1]].at))
            .sum();
        limit - end > TIP_SLOPE * narrow
    }
    /// Drops a branch into a corner. Of a long thin tip the part at least half the kerf wide stays, so that
    /// it is cut no more than twice as wide as drawn; shorter ones are left to the rounding of corners.
    fn trim_tip(&mut self, chain: &[usize], radius: f64) {
        let wide = |n: &usize| self.nodes[*n].radius >= TIP_WIDTH * radius;
        let keep = chain.iter().position(wide).unwrap_or(chain.len());
        let length: f64 = chain[keep.min(chain.len() - 1)..]
            .windows(2)
            .map(|w| distance(self.nodes[w[0]].at, self.nodes[w[1]].at))
            .sum();
        // One tip edge may run from nothing to the full width: split it where it is wide enough.
        let (from, to) = match keep {
            0 => return,
            k if k >= chain.len() => return self.remove(chain),
            k => (chain[k - 1], chain[k]),
        };
        let (a, b) = (self.nodes[from], self.nodes[to]);
        let t = ((TIP_WIDTH * radius - a.radius) / (b.radius - a.radius)).clamp(0.0, 1.0);
        let split = Node {
            at: std::array::from_fn(|i| a.at[i] + t * (b.at[i] - a.at[i])),
            radius: TIP_WIDTH * radius,
        };
        if length + distance(split.at, b.at) <= TIP_LENGTH * radius {
            return self.remove(chain);
        }
        self.remove(&chain[..=keep]);
        self.nodes.push(split);
        let new = self.nodes.len() - 1;
        self.near.entry(new).or_default().push(to);
        self.near.entry(to).or_default().push(new);
    }
    fn leaves(&self) -> Vec<usize> {
        self.near
            .iter()
            .filter(|(_, n)| n.len() == 1)
            .map(|(i, _)| *i)
            .collect()
    }
    /// Drops branches that run into corners, then stubs that the disc at their junction explains.
    fn prune(&mut self, radius: f64) {
        // All branches first: taking one away must not turn its junction into a way through.
        let corners: Vec<Vec<usize>> = self
            .leaves()
            .into_iter()
            .filter(|leaf| self.nodes[*leaf].radius <= TOUCH_NM)
            .map(|leaf| self.branch(leaf))
            .collect();
        for chain in corners {
            self.trim_tip(&chain, radius);
        }
        // Then ends that are blunt yet taper, such as a tip with its point cut off.
        for leaf in self.leaves() {
            let chain = self.branch(leaf);
            if self.tapers(&chain, radius) {
                self.trim_tip(&chain, radius);
            }
        }
        loop {
            let stub = self.leaves().into_iter().find_map(|leaf| {
                let chain = self.branch(leaf);
                let junction = chain[chain.len() - 1];
                let (l, j) = (self.nodes[leaf], self.nodes[junction]);
                let explained = distance(l.at, j.at) + l.radius <= BRANCH_REACH * j.radius;
                (self.degree(junction) >= 3 && explained).then_some(chain)
            });
            match stub {
                Some(chain) => self.remove(&chain),
                None => return,
            }
        }
    }
    /// Chains between nodes whose degree is not two, and the rings that are left.
    fn chains(&self) -> Vec<Vec<usize>> {
        let mut left = self.near.clone();
        let mut out = Vec::new();
        let starts: Vec<usize> = left
            .iter()
            .filter(|(_, n)| n.len() != 2)
            .map(|(i, _)| *i)
            .chain(left.keys().copied())
            .collect();
        for start in starts {
            while let Some(&first) = left.get(&start).and_then(|n| n.first()) {
                let mut chain = vec![start];
                let mut next = first;
                loop {
                    let here = chain[chain.len() - 1];
                    for (a, b) in [(here, next), (next, here)] {
                        if let Some(n) = left.get_mut(&a)
                            && let Some(i) = n.iter().position(|x| *x == b)
                        {
                            n.remove(i);
                        }
                    }
                    chain.push(next);
                    if self.degree(next) != 2 {
                        break;
                    }
                    match left.get(&next).and_then(|n| n.first()) {
                        Some(&n) => next = n,
                        None => break,
                    }
                }
                out.push(chain);
            }
        }
        out
    }
    /// The chain as a line with its free ends pulled in; `None` where nothing is left of it.
    fn line(&self, chain: &[usize], radius: f64) -> Option<CentreLine> {
        let closed = chain.len() > 3 && chain.first() == chain.last();
        let widths = chain.iter().map(|n| 2.0 * self.nodes[*n].radius);
        let (min_width, max_width) =
            widths.fold((f64::MAX, 0.0f64), |(lo, hi), w| (lo.min(w), hi.max(w)));
        let mut points: Vec<[f64; 2]> = chain.iter().map(|n| self.nodes[*n].at).collect();
        if closed {
            points.pop();
        } else {
            let pull = |n: usize| {
                let free = self.degree(n) == 1 && self.nodes[n].radius < radius;
                if free {
                    radius - self.nodes[n].radius
                } else {
                    0.0
                }
            };
            let (head, tail) = (pull(chain[0]), pull(chain[chain.len() - 1]));
            let length: f64 = points.windows(2).map(|w| distance(w[0], w[1])).sum();
            if head + tail < length {
                shorten(&mut points, tail);
                points.reverse();
                shorten(&mut points, head);
                points.reverse();
            } else {
                // Shorter than the beam is wide: a touch of the beam in the middle.
                shorten(&mut points, length * 0.5);
                let p = points[points.len() - 1];
                points = vec![[p[0] - 500.0, p[1]], [p[0] + 500.0, p[1]]];
            }
        }
        Some(CentreLine {
            points,
            min_width,
            max_width,
            closed,
        })
    }
}

/// Takes `by` off the end of a polyline.
fn shorten(points: &mut Vec<[f64; 2]>, mut by: f64) {
    while points.len() >= 2 && by > 0.0 {
        let (a, b) = (points[points.len() - 2], points[points.len() - 1]);
        let len = distance(a, b);
        if len > by {
            let t = (len - by) / len;
            let n = points.len();
            points[n - 1] = [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
            return;
        }
        by -= len;
        points.pop();
    }
}
