//! Single-line cuts: the centre lines of parts no wider than the kerf.

use super::junctions::{self, End, Strand};
use crate::polyline::{distance, thinned};
use crate::regions::medial::{MedialAxis, MedialError, Node};
use crate::regions::narrow::narrow_axis;
use crate::regions::{EdgeIndex, Regions, Shape};
use rstar::primitives::Line;
use rstar::{PointDistance, RTree};
use std::cell::LazyCell;
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

/// What the narrow parts of a shape become.
#[derive(Debug, Clone, Default)]
pub(super) struct Narrow {
    pub lines: Vec<CentreLine>,
    /// Parts so thin that they are left out.
    pub slivers: Vec<CentreLine>,
}

/// Distances below this count as zero, nanometres (a few steps of the grid).
const TOUCH_NM: f64 = 4.0;
/// Points of a centre line that lie this near to the way without them are left out, nanometres.
pub(super) const THIN_NM: f64 = 20.0;
/// Tips are cut where they are at least this fraction of the kerf wide (a little over half, so that the cut
/// stays under twice the drawn width).
const TIP_WIDTH: f64 = 0.51;
/// Tips shorter than this many half kerfs (corners blunter than about 7 degrees) are left to corner rounding.
const TIP_LENGTH: f64 = 8.0;
/// A part that widens faster than this (half width over length) is a wedge and not a slit.
const TIP_SLOPE: f64 = 0.04;
/// A wedge may have parallel walls for this many half kerfs, as where its point is cut off.
const TIP_FLAT: f64 = 2.0;
/// A side branch is dropped when the disc at its junction explains it: reach <= this x its radius.
const BRANCH_REACH: f64 = 1.5;
/// Lines with a free end are at least this many half kerfs long, or left to corner rounding.
const SHORTEST: f64 = 2.0;
/// So many half kerfs from a free end, the wall there is no nearer than the sides.
const WALL: f64 = 1.5;
/// Slivers shorter than this many half kerfs are not worth a word.
const SLIVER_LENGTH: f64 = 4.0;

/// Widths that decide what is a line, nanometres.
pub(super) struct Widths {
    pub kerf: f64,
    /// Parts up to this wide are lines; not below the kerf.
    pub most: f64,
    /// Parts below this are left out.
    pub sliver: f64,
}

/// The lines without bits shorter than two kerfs that lie along longer ones: what joining left of a free end.
fn without_bits(lines: Vec<CentreLine>, radius: f64) -> Vec<CentreLine> {
    let most = 4.0 * radius;
    let lengths: Vec<f64> = (lines.iter())
        .map(|l| crate::polyline::length(&l.points))
        .collect();
    let is_bit = |i: usize| !lines[i].closed && lengths[i] < most;
    if lines.len() < 2 || !(0..lines.len()).any(is_bit) {
        return lines;
    }
    let long = (0..lines.len()).filter(|&i| !is_bit(i));
    let sides = long.flat_map(|i| lines[i].points.windows(2).map(|w| Line::new(w[0], w[1])));
    let sides = RTree::bulk_load(sides.collect());
    let along = |p: &[f64; 2]| {
        let near = sides.nearest_neighbor(p);
        near.is_some_and(|s| s.distance_2(p) <= TOUCH_NM * TOUCH_NM)
    };
    let kept: Vec<bool> = (0..lines.len())
        .map(|i| !(is_bit(i) && lines[i].points.iter().all(along)))
        .collect();
    lines
        .into_iter()
        .zip(kept)
        .filter_map(|(l, kept)| kept.then_some(l))
        .collect()
}

/// The centre lines of all parts of the shape that are no wider than `widths.most`, but not of those inside
/// `reached`, which the beam goes round; `near` tells where to look. Free ends are pulled in so that a beam as wide
/// as the kerf ends where the drawing does; tips of corners are left to corner rounding.
///
/// # Errors
/// As [`narrow_axis`].
pub(super) fn narrow_parts(
    shape: Shape<'_>,
    near: &Regions,
    reached: &Regions,
    widths: &Widths,
) -> Result<Narrow, MedialError> {
    let (radius, sliver) = (widths.kerf / 2.0, widths.sliver / 2.0);
    let limit = widths.most / 2.0 + TOUCH_NM;
    let mut axis = narrow_axis(shape, near, limit)?;
    // Narrow, but with a slug all the same: part of one that is wider elsewhere.
    let slugs = EdgeIndex::new(reached);
    let cut: Vec<bool> = (axis.nodes.iter())
        .map(|n| n.radius > radius + TOUCH_NM && slugs.encloses(n.at))
        .collect();
    axis.edges.retain(|[a, b]| !(cut[*a] && cut[*b]));
    let thin = Graph::new(between(&axis, 0.0, sliver));
    // Nowhere wide enough for a tip to be the tip of anything: all of it counts.
    let alone = axis.nodes.iter().all(|n| n.radius < limit);
    let slivers = thin.chains();
    let slivers = slivers
        .iter()
        .filter(|chain| alone || !thin.runs_out(chain))
        .map(|chain| thin.whole(chain, radius))
        .filter(|line| crate::polyline::length(&line.points) > SLIVER_LENGTH * radius)
        .collect();
    let mut graph = Graph::new(between(&axis, sliver, limit));
    let all = graph.clone();
    graph.prune(radius, sliver);
    if graph.near.is_empty() && alone {
        graph = all;
    }
    let walls = LazyCell::new(|| EdgeIndex::new(&shape.to_regions()));
    let chains = graph.chains();
    let mut strands: Vec<Strand> = chains.iter().map(|c| graph.strand(c, radius)).collect();
    // Ends that lie where the drawing ends have nothing to be joined to.
    let meet = strands.len() > 1 || strands.iter().any(|s| s.closed || s.bends());
    if meet {
        strands = junctions::join(strands, &walls, &slugs, radius);
    }
    let lines: Vec<CentreLine> = strands
        .into_iter()
        .filter_map(|strand| {
            // Ends of corners that no rule above took away.
            let free = strand.ends.contains(&End::Free);
            let joined = strand.ends.contains(&End::Joined);
            // Between the end of a slug and the place where the part is as narrow as the kerf.
            let wide = strand.nodes.iter().all(|n| n.radius > radius + TOUCH_NM);
            let mut line = strand.line(radius)?;
            let short = crate::polyline::length(&line.points) < SHORTEST * radius;
            if !line.closed && line.max_width > widths.kerf {
                // Where the part is wider than the kerf, the wall at its end is further away than the beam reaches.
                let most = widths.most - widths.kerf;
                for end in [1, 0] {
                    if matches!(strand.ends[end], End::Free | End::Open) {
                        prolong(&mut line.points, &walls, radius, most);
                    }
                    line.points.reverse();
                }
            }
            (alone || joined || !(short && (free || wide))).then_some(line)
        })
        .collect();
    let lines = without_bits(lines, radius);
    Ok(Narrow { lines, slivers })
}

/// The part of the axis with radius from `least` to `most`; edges that pass a limit are cut there.
fn between(axis: &MedialAxis, least: f64, most: f64) -> MedialAxis {
    let mut out = MedialAxis {
        nodes: axis.nodes.clone(),
        edges: Vec::new(),
    };
    for &[a, b] in &axis.edges {
        let (na, nb) = (axis.nodes[a], axis.nodes[b]);
        let (low, high) = (na.radius.min(nb.radius), na.radius.max(nb.radius));
        if high < least || low > most || (high <= least && least > 0.0) {
            continue;
        }
        let mut end = |k: usize, n: Node, other: Node| {
            let limit = if n.radius > most {
                most
            } else if n.radius < least {
                least
            } else {
                return k;
            };
            let t = (limit - n.radius) / (other.radius - n.radius);
            let at = std::array::from_fn(|i| n.at[i] + t * (other.at[i] - n.at[i]));
            out.nodes.push(Node { at, radius: limit });
            out.nodes.len() - 1
        };
        let ends = [end(a, na, nb), end(b, nb, na)];
        out.edges.push(ends);
    }
    out
}

#[derive(Clone)]
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
    /// Whether a chain runs from its widest to nothing: the tip of a corner.
    fn runs_out(&self, chain: &[usize]) -> bool {
        let radius = |n: &usize| self.nodes[*n].radius;
        let most = chain.iter().map(radius).fold(0.0, f64::max);
        let ends = [chain[0], chain[chain.len() - 1]].map(|n| radius(&n));
        ends[0].min(ends[1]) < 0.25 * most && ends[0].max(ends[1]) > 0.75 * most
    }
    fn is_free(&self, n: usize, radius: f64) -> bool {
        self.degree(n) == 1 && self.nodes[n].radius < radius
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
    /// Whether the branch runs like a wedge from a narrow end into a wider part.
    fn tapers(&self, chain: &[usize], radius: f64, sliver: f64) -> bool {
        let r = |n: usize| self.nodes[n].radius;
        let (end, limit) = (r(chain[0]), TIP_WIDTH * radius);
        let pieces = || {
            chain
                .windows(2)
                .map(|w| (w, distance(self.nodes[w[0]].at, self.nodes[w[1]].at)))
        };
        if end < limit {
            let narrow: f64 = pieces()
                .take_while(|(w, _)| r(w[0]) < limit)
                .map(|(_, l)| l)
                .sum();
            return chain.iter().any(|n| r(*n) >= limit)
                && (end <= sliver + TOUCH_NM || limit - end > TIP_SLOPE * narrow);
        }
        let flat: f64 = pieces()
            .filter(|(w, l)| (r(w[1]) - r(w[0])).abs() <= TIP_SLOPE * l)
            .map(|(_, l)| l)
            .sum();
        r(chain[chain.len() - 1]) >= radius && flat < TIP_FLAT * radius
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
    /// Drops the tips of wedges, then stubs that the disc at their other end explains.
    fn prune(&mut self, radius: f64, sliver: f64) {
        // All branches first: taking one away must not turn its junction into a way through.
        let tips: Vec<Vec<usize>> = self
            .leaves()
            .into_iter()
            .map(|leaf| self.branch(leaf))
            .filter(|chain| self.tapers(chain, radius, sliver))
            .collect();
        for chain in tips {
            self.trim_tip(&chain, radius);
        }
        loop {
            let stub = self.leaves().into_iter().find_map(|leaf| {
                let chain = self.branch(leaf);
                let other = chain[chain.len() - 1];
                let (l, o) = (self.nodes[leaf], self.nodes[other]);
                let explained = distance(l.at, o.at) + l.radius <= BRANCH_REACH * o.radius;
                let held = self.degree(other) >= 3 || (o.radius >= radius && l.radius < radius);
                (held && explained).then_some(chain)
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
    /// The chain as it is. The discs at its ends touch the wall there, or those of a junction, and tell less than the
    /// width; they count only where there are no others.
    fn whole(&self, chain: &[usize], radius: f64) -> CentreLine {
        let mut at = 0.0;
        let mut along = vec![0.0];
        for w in chain.windows(2) {
            at += distance(self.nodes[w[0]].at, self.nodes[w[1]].at);
            along.push(at);
        }
        let end = |n: usize| {
            if self.degree(n) != 2 {
                WALL * radius
            } else {
                0.0
            }
        };
        let (first, last) = (end(chain[0]), at - end(chain[chain.len() - 1]));
        let width = |n: &usize| 2.0 * self.nodes[*n].radius;
        let max_width = chain.iter().map(width).fold(0.0, f64::max);
        let min_width = (chain.iter().zip(&along))
            .filter(|(_, at)| (first..=last).contains(*at))
            .map(|(n, _)| width(n))
            .reduce(f64::min)
            .unwrap_or(max_width);
        CentreLine {
            points: chain.iter().map(|n| self.nodes[*n].at).collect(),
            min_width,
            max_width,
            closed: chain.len() > 3 && chain.first() == chain.last(),
        }
    }
    fn strand(&self, chain: &[usize], radius: f64) -> Strand {
        let end = |n: usize| match self.degree(n) {
            1 if self.is_free(n, radius) => End::Free,
            // A ring has none.
            1 | 2 => End::Open,
            _ => End::Junction,
        };
        let whole = self.whole(chain, radius);
        Strand {
            nodes: chain.iter().map(|n| self.nodes[*n]).collect(),
            ends: [chain[0], chain[chain.len() - 1]].map(end),
            closed: whole.closed,
            narrowest: Some(whole.min_width / 2.0),
        }
    }
}

impl Strand {
    /// The strand as a line with its free ends pulled in; `None` where nothing is left of it.
    fn line(&self, radius: f64) -> Option<CentreLine> {
        let mut points: Vec<[f64; 2]> = self.nodes.iter().map(|n| n.at).collect();
        let width = |n: &Node| 2.0 * n.radius;
        let max_width = self.nodes.iter().map(width).fold(0.0, f64::max);
        let least = self.nodes.iter().map(width).fold(f64::MAX, f64::min);
        let closed = self.closed;
        if closed {
            points = thinned(&points, THIN_NM);
            points.pop();
        } else {
            let pull = |end: End, n: &Node| {
                if end == End::Free {
                    radius - n.radius
                } else {
                    0.0
                }
            };
            let (first, last) = (self.nodes.first()?, self.nodes.last()?);
            let (head, tail) = (pull(self.ends[0], first), pull(self.ends[1], last));
            let length = crate::polyline::length(&points);
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
            points = thinned(&points, THIN_NM);
        }
        Some(CentreLine {
            points,
            min_width: self.narrowest.map_or(least, |r| 2.0 * r),
            max_width,
            closed,
        })
    }
}

/// Carries the last point on, by at most `most`, until a disc of `radius` about it touches a wall.
fn prolong(points: &mut [[f64; 2]], walls: &EdgeIndex, radius: f64, most: f64) {
    let [.., a, b] = points else { return };
    let length = distance(*a, *b);
    if length <= 0.0 {
        return;
    }
    let on = |t: f64| [0, 1].map(|d| b[d] + t * (b[d] - a[d]) / length);
    let free = |t: f64| walls.nearest(on(t)).is_some_and(|(_, _, d)| d > radius);
    if !free(0.0) {
        return;
    }
    let (mut lo, mut hi) = (0.0, most);
    while hi - lo > 1.0 {
        let mid = (lo + hi) / 2.0;
        *(if free(mid) { &mut lo } else { &mut hi }) = mid;
    }
    *b = on(lo);
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
