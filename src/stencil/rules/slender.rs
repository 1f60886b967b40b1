//! Long thin parts of the foil: tongues, held at one end, and bars, held at both.
//!
//! They are read off the medial axis of the foil: a connected stretch of the axis along which the foil is nowhere
//! wider than a quarter of the stretch's length.

use crate::polyline::thinned;
use crate::regions::medial::{MedialError, medial_axis_and_sides};
use crate::regions::{FillRule, Point, Regions, Shape, difference, nearest_on_segment, normalise};
use crate::sets::Sets;
use crate::stencil::TieBar;
use crate::stencil::geometry::{V, len, middle, sub, v};
use crate::units::NM_PER_UM;
use rstar::primitives::GeomWithData;
use rstar::{AABB, RTree};

/// Length over width from which a part bends like a beam (common practice, no source).
const SLENDER: f64 = 4.0;
/// Widths at which the axis is looked at differ by at least this factor.
const WIDTH_STEP: f64 = 1.01;
/// Edges up to which the axis is that of every detail, and the detail that is left out beyond: well below any web that
/// is not reported as too narrow.
const DETAILED: usize = 20_000;
const DETAIL_NM: f64 = 1000.0;
/// Edges beyond which more is left out, and how much at most.
const CROWDED: usize = 60_000;
const COARSEST_NM: f64 = 4000.0;
/// A spoke of the axis into a corner: shorter than this many radii, and closing.
const SPOKE: f64 = 1.6;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Held {
    AtOneEnd,
    AtBothEnds,
}

/// A long thin part; nanometres.
#[derive(Debug, Clone)]
pub struct Slender {
    pub held: Held,
    /// Its tip, or its middle.
    pub at: V,
    pub length_nm: f64,
    pub width_nm: f64,
}

/// All tongues of at least `tongue_nm` and bars of at least `bar_nm` in the foil left by `openings`.
///
/// # Errors
/// As [`medial_axis_and_sides`].
pub fn find(
    sheet: &Regions,
    openings: &Regions,
    ties: &[TieBar],
    tongue_nm: f64,
    bar_nm: f64,
) -> Result<Vec<Slender>, MedialError> {
    // Only openings as long as that can leave such a part: a part is parted from the rest along its whole length.
    let least = tongue_nm.min(bar_nm) / 2.0;
    let large = openings.filter(|s| {
        let b = s.bounds();
        (b.width_nm() as f64).hypot(b.height_nm() as f64) >= least
    });
    let mut out = Vec::new();
    if large.is_empty() {
        return Ok(out);
    }
    let edge = sheet.bounds();
    let ties = RTree::bulk_load(
        ties.iter()
            .map(|t| GeomWithData::new(middle(v(t.from), v(t.to)), t.width_um * NM_PER_UM / 2.0))
            .collect(),
    );
    let mut foil = difference(sheet, &large);
    let mut detail_nm = DETAIL_NM;
    let mut most = DETAILED;
    while foil.vertex_count() > most && detail_nm <= COARSEST_NM {
        foil = coarser(&foil, detail_nm);
        detail_nm *= 2.0;
        most = CROWDED;
    }
    for shape in foil.shapes() {
        let frame = edge.is_some_and(|e| shape.bounds() == e);
        let axis = Axis::new(shape, frame, &ties)?;
        out.extend(
            axis.parts(tongue_nm.min(bar_nm))
                .into_iter()
                .filter(|part| match part.held {
                    Held::AtOneEnd => part.length_nm >= tongue_nm,
                    Held::AtBothEnds => part.length_nm >= bar_nm,
                }),
        );
    }
    Ok(out)
}

/// The foil without detail that no long part depends on: the axis costs some 50 us an edge where foil is crowded.
fn coarser(foil: &Regions, detail_nm: f64) -> Regions {
    let thin = |ring: &[Point]| -> Vec<Point> {
        let closed: Vec<V> = ring.iter().chain(ring.first()).map(|&p| v(p)).collect();
        let mut kept = thinned(&closed, detail_nm);
        kept.pop();
        let back = |p: &V| Point::new(p[0] as i32, p[1] as i32);
        kept.iter().map(back).collect()
    };
    let rings: Vec<Vec<Point>> = foil.rings().map(thin).filter(|r| r.len() > 2).collect();
    normalise(&rings, FillRule::NonZero)
}

struct Axis {
    at: Vec<V>,
    radius: Vec<f64>,
    near: Vec<Vec<(usize, f64)>>,
}

impl Axis {
    /// The axis of a piece of foil without its spokes. Along the sheet's own edge, which is clamped, foil counts as
    /// wide; so do tie bars, which have a rule of their own.
    fn new(
        shape: Shape<'_>,
        frame: bool,
        ties: &RTree<GeomWithData<V, f64>>,
    ) -> Result<Axis, MedialError> {
        let (axis, sides) = medial_axis_and_sides(shape)?;
        let rim = if frame { shape.outer().len() } else { 0 };
        let mut out = Axis {
            at: axis.nodes.iter().map(|n| n.at).collect(),
            radius: axis.nodes.iter().map(|n| n.radius).collect(),
            near: vec![Vec::new(); axis.nodes.len()],
        };
        for (&[a, b], side) in axis.edges.iter().zip(&sides) {
            let l = len(sub(out.at[a], out.at[b]));
            out.near[a].push((b, l));
            out.near[b].push((a, l));
            let (p, q) = (out.at[a], out.at[b]);
            let reach = out.radius[a].max(out.radius[b]);
            let corners = AABB::from_corners(
                [p[0].min(q[0]) - reach, p[1].min(q[1]) - reach],
                [p[0].max(q[0]) + reach, p[1].max(q[1]) + reach],
            );
            let tied = ties
                .locate_in_envelope(&corners)
                .any(|t| nearest_on_segment(*t.geom(), p, q).1 < t.data);
            if tied || side.iter().any(|&s| s < rim) {
                out.radius[a] = f64::INFINITY;
                out.radius[b] = f64::INFINITY;
            }
        }
        out.take_off_spokes();
        Ok(out)
    }

    fn take_off_spokes(&mut self) {
        let mut spokes = Vec::new();
        for leaf in (0..self.at.len()).filter(|&n| self.near[n].len() == 1) {
            let (mut here, mut before, mut walked) = (leaf, usize::MAX, 0.0);
            while before == usize::MAX || self.near[here].len() == 2 {
                let Some(&(next, l)) = self.near[here].iter().find(|n| n.0 != before) else {
                    break;
                };
                walked += l;
                (before, here) = (here, next);
                if walked > SPOKE * self.radius[here] {
                    break;
                }
            }
            if self.near[here].len() > 2
                && walked <= SPOKE * self.radius[here]
                && self.radius[leaf] < 0.5 * self.radius[here]
            {
                spokes.push((here, before));
            }
        }
        for (here, before) in spokes {
            self.near[here].retain(|n| n.0 != before);
            self.near[before].retain(|n| n.0 != here);
        }
    }

    /// Slender parts that may be as long as `least_nm`, the most slender of what lies within each other.
    fn parts(&self, least_nm: f64) -> Vec<Slender> {
        let mut order: Vec<usize> = (0..self.at.len())
            .filter(|&n| !self.near[n].is_empty() && self.radius[n].is_finite())
            .collect();
        order.sort_by(|&a, &b| self.radius[a].total_cmp(&self.radius[b]).then(a.cmp(&b)));
        // From the widest down, so that the largest of each group is looked at.
        let mut levels: Vec<f64> = Vec::new();
        for w in order.iter().rev().map(|&n| self.radius[n]) {
            if levels.last().is_none_or(|&l| w * WIDTH_STEP < l) {
                levels.push(w);
            }
        }
        let mut found: Vec<(f64, Slender, Vec<usize>)> = Vec::new();
        let mut stretches = Stretches::new(self);
        let mut next = 0;
        // Stretches only grow with the width, and one that does not is less slender than it was.
        for &radius in levels.iter().rev() {
            let most = radius * (1.0 + 1e-9);
            let from = next;
            while next < order.len() && self.radius[order[next]] <= most {
                stretches.add(order[next]);
                next += 1;
            }
            let mut grown: Vec<usize> = order[from..next]
                .iter()
                .map(|&n| stretches.sets.root(n))
                .collect();
            grown.sort_unstable();
            grown.dedup();
            for root in grown {
                let longest = stretches.length[root] + most;
                if !(1..=2).contains(&stretches.held[root])
                    || longest < least_nm.max(SLENDER * 2.0 * radius)
                {
                    continue;
                }
                let mut nodes = stretches.nodes[root].clone();
                nodes.sort_unstable();
                let within = |n: usize| self.radius[n] <= most;
                if let Some(part) = self.part(&nodes, &within)
                    && part.length_nm >= SLENDER * 2.0 * radius
                {
                    let score = part.length_nm - SLENDER * 2.0 * radius;
                    let width_nm = 2.0 * radius;
                    found.push((score, Slender { width_nm, ..part }, nodes));
                }
            }
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.2[0].cmp(&b.2[0])));
        let mut taken = vec![false; self.at.len()];
        let mut out = Vec::new();
        for (_, part, nodes) in found {
            if nodes.iter().all(|&n| !taken[n]) {
                nodes.iter().for_each(|&n| taken[n] = true);
                out.push(part);
            }
        }
        out
    }

    /// A connected stretch, its nodes in ascending order, as a part, if it is held at one end or two. Its width is
    /// not filled in.
    fn part(&self, nodes: &[usize], within: &impl Fn(usize) -> bool) -> Option<Slender> {
        let held: Vec<usize> = nodes
            .iter()
            .copied()
            .filter(|&n| self.near[n].iter().any(|&(m, _)| !within(m)))
            .collect();
        let (root, other) = match held[..] {
            [root] => (root, None),
            [a, b] => (a, Some(b)),
            _ => return None,
        };
        // Distances along the axis, which has few cycles: nearest first.
        let mut reached: rustc_hash::FxHashMap<usize, (f64, usize)> =
            rustc_hash::FxHashMap::default();
        reached.insert(root, (0.0, usize::MAX));
        let mut queue = std::collections::VecDeque::from([root]);
        while let Some(n) = queue.pop_front() {
            let so_far = reached[&n].0;
            for &(m, l) in self.near[n].iter().filter(|m| within(m.0)) {
                if reached.get(&m).is_none_or(|r| so_far + l < r.0 - 1e-6) {
                    reached.insert(m, (so_far + l, n));
                    queue.push_back(m);
                }
            }
        }
        match other {
            None => {
                // Past its last node a tongue goes on by the disc there.
                let reach = |n: usize| reached[&n].0 + self.radius[n];
                let tip = nodes
                    .iter()
                    .copied()
                    .filter(|n| reached.contains_key(n))
                    .max_by(|&a, &b| reach(a).total_cmp(&reach(b)).then(b.cmp(&a)))?;
                Some(Slender {
                    held: Held::AtOneEnd,
                    at: self.at[tip],
                    length_nm: reach(tip),
                    width_nm: 0.0,
                })
            }
            Some(end) => {
                let length_nm = reached.get(&end)?.0;
                let mut here = end;
                while reached[&here].0 > length_nm / 2.0 {
                    let back = reached[&here].1;
                    if reached[&back].0 <= length_nm / 2.0 {
                        let (near, far) = (reached[&back].0, reached[&here].0);
                        let t = (length_nm / 2.0 - near) / (far - near).max(1e-9);
                        let (p, q) = (self.at[back], self.at[here]);
                        return Some(Slender {
                            held: Held::AtBothEnds,
                            at: [p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])],
                            length_nm,
                            width_nm: 0.0,
                        });
                    }
                    here = back;
                }
                None
            }
        }
    }
}

/// Connected stretches of the axis as nodes are added to it.
struct Stretches<'a> {
    axis: &'a Axis,
    sets: Sets,
    added: Vec<bool>,
    /// Neighbours of a node that are not added.
    outside: Vec<usize>,
    /// By root: all nodes, those with neighbours outside, and the length of the axis between them.
    nodes: Vec<Vec<usize>>,
    held: Vec<usize>,
    length: Vec<f64>,
}

impl<'a> Stretches<'a> {
    fn new(axis: &'a Axis) -> Stretches<'a> {
        let n = axis.at.len();
        Stretches {
            axis,
            sets: Sets::new(n),
            added: vec![false; n],
            outside: vec![0; n],
            nodes: vec![Vec::new(); n],
            held: vec![0; n],
            length: vec![0.0; n],
        }
    }

    fn add(&mut self, n: usize) {
        self.added[n] = true;
        self.nodes[n].push(n);
        let near = &self.axis.near[n];
        self.outside[n] = near.iter().filter(|m| !self.added[m.0]).count();
        self.held[n] = usize::from(self.outside[n] > 0);
        for &(m, l) in near.iter().filter(|m| m.0 != n) {
            if !self.added[m] {
                continue;
            }
            self.outside[m] -= 1;
            let (own, other) = (self.sets.root(n), self.sets.root(m));
            if self.outside[m] == 0 {
                self.held[other] -= 1;
            }
            let (keep, gone) = if self.nodes[own].len() < self.nodes[other].len() {
                (other, own)
            } else {
                (own, other)
            };
            self.length[keep] += l;
            if keep != gone {
                self.sets.put_under(gone, keep);
                self.held[keep] += self.held[gone];
                self.length[keep] += self.length[gone];
                let nodes = std::mem::take(&mut self.nodes[gone]);
                self.nodes[keep].extend(nodes);
            }
        }
    }
}
