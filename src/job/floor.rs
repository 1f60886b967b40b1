//! The time that no order of a plan's cuts goes below.

use super::{Plan, Step};
use crate::polyline::{distance, length};
use crate::regions::nearest_on_segment;
use crate::sets::Sets;
use rustc_hash::FxHashSet;
use serde::{Deserialize, Serialize};
use std::cmp::Ordering;
use std::collections::BinaryHeap;

/// Pairs of sides looked at for true distances of paths; past that, distances of their boxes are used.
const MOST_SIDES: usize = 2_000_000;
/// Pairs of paths looked at, for each path; past that, the rest of the tree counts its least length.
const MOST_PAIRS: usize = 16;
const LEAST_PAIRS: usize = 500_000;

/// A lower bound on the job's time, in its parts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Floor {
    /// Every path once in every pass, without the overlaps of bites.
    pub beam_on_s: f64,
    /// Jumps that any order needs: their settling, and the shortest way that joins all paths.
    pub jump_s: f64,
    pub job_s: f64,
}

/// The least time in which the paths of `plan` can be cut as they are laid, whatever their order and their division
/// into bites; pauses are none.
///
/// Why nothing is faster. Beam on: each path is cut from end to end in each of its passes. Settling: each pass of a
/// path begins with a jump, save where a path starts exactly at an end. Way: the jumps that reach each path for
/// the first time, one for each path, come from a place reached before, so that they join all paths and the beam's
/// rest at (0, 0) into one tree; no tree is shorter than the shortest one, with the distance of two paths where
/// they come nearest. Jumps back to paths known already count as no way.
///
/// The shortest tree (Kruskal 1956, Proc. AMS 7:48) is searched from short edges to long ones. Where the work is
/// capped, an edge counts the distance of two boxes, or the length up to which all edges were seen: both are
/// never too long.
pub fn floor(plan: &Plan) -> Floor {
    // Path, pass and the part of it that is cut, each once, in ascending order.
    let mut cuts: Vec<((u32, u32), [f64; 2])> = (plan.steps.iter())
        .filter_map(|step| match step {
            Step::Cut {
                path,
                pass,
                from_mm,
                to_mm,
                ..
            } => Some(((*path, *pass), [*from_mm, *to_mm])),
            _ => None,
        })
        .collect();
    cuts.sort_by_key(|c| c.0);
    cuts.dedup_by(|next, kept| {
        let same = next.0 == kept.0;
        if same {
            kept.1 = [kept.1[0].min(next.1[0]), kept.1[1].max(next.1[1])];
        }
        same
    });
    let bits = |p: &[f64; 2]| p.map(f64::to_bits);
    let ends: FxHashSet<[u64; 2]> = (plan.paths.iter())
        .filter_map(|p| p.points.last().map(bits))
        .collect();
    let met = |path: u32| {
        let start = plan.paths[path as usize].points.first();
        start.is_none_or(|p| ends.contains(&bits(p)))
    };
    let beam_on_s = (cuts.iter())
        .map(|((path, _), [from, to])| {
            let whole = length(&plan.paths[*path as usize].points);
            (to.min(whole) - from.max(0.0)).max(0.0) / plan.speed_mm_s(*path)
        })
        .sum();
    let jumps = cuts.iter().filter(|((path, _), _)| !met(*path)).count();
    let rest = [[0.0, 0.0]];
    let mut cut: Vec<u32> = cuts.iter().map(|c| c.0.0).collect();
    cut.dedup();
    let mut nodes: Vec<&[[f64; 2]]> = vec![&rest];
    nodes.extend(
        (cut.iter())
            .map(|p| plan.paths[*p as usize].points.as_slice())
            .filter(|points| !points.is_empty()),
    );
    let s = &plan.settings;
    let jump_s = shortest_tree(&nodes) / s.jump_speed_mm_s + jumps as f64 * s.jump_settle_ms * 1e-3;
    Floor {
        beam_on_s,
        jump_s,
        job_s: beam_on_s + jump_s,
    }
}

/// An edge of the tree: its length, its nodes, and whether the length is the true one. The greatest is the shortest.
struct Link(f64, u32, u32, bool);

impl PartialEq for Link {
    fn eq(&self, other: &Link) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Link {}
impl Ord for Link {
    fn cmp(&self, other: &Link) -> Ordering {
        (other.0.total_cmp(&self.0)).then_with(|| (other.1, other.2).cmp(&(self.1, self.2)))
    }
}
impl PartialOrd for Link {
    fn partial_cmp(&self, other: &Link) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

/// Length of the shortest tree that joins polylines (none empty), or less.
fn shortest_tree(nodes: &[&[[f64; 2]]]) -> f64 {
    let boxes: Vec<Frame> = nodes.iter().map(|n| Frame::of(n.iter().copied())).collect();
    let all = Frame::of(boxes.iter().flat_map(|b| [b.min, b.max]));
    let span = distance(all.min, all.max);
    let mut parts = Parts::new(nodes.len());
    // Edges as long as the boxes are apart, and those with the true length.
    let (mut links, mut exact) = (Vec::new(), BinaryHeap::new());
    let (mut sum, mut sides) = (0.0, 0);
    let mut pairs_left = LEAST_PAIRS.max(MOST_PAIRS * nodes.len());
    // Neighbours are about this near to each other; far fewer edges are seen in vain than from their distance on.
    let (mut seen, mut reach) = (-1.0, span / (nodes.len() as f64).sqrt() / 4.0);
    let mut every: Vec<u32> = (0..nodes.len() as u32).collect();
    while parts.count > 1 && span > 0.0 {
        // A link between two parts touches one that is not the largest.
        let largest = parts.largest();
        let mut smaller = every.clone();
        smaller.retain(|i| parts.root(*i) != largest);
        let saw_all = near_pairs(&mut smaller, &mut every, &boxes, reach, &mut |i, j| {
            if pairs_left == 0 {
                return false;
            }
            let (own, other) = (parts.root(i), parts.root(j));
            // Seen from both ends unless the other one is in the largest part.
            if other != own && (other == largest || j > i) {
                let d = boxes[i as usize].gap(&boxes[j as usize]);
                if d > seen && d <= reach {
                    links.push(Link(d, i, j, false));
                }
                pairs_left -= 1;
            }
            true
        });
        if !saw_all {
            // Not all edges up to this length were seen: they do not count.
            return sum + (parts.count - 1) as f64 * f64::max(seen, 0.0);
        }
        // The shortest are last.
        links.sort_unstable();
        while parts.count > 1 {
            let first = match (links.last(), exact.peek()) {
                (Some(link), Some(known)) => link.max(known),
                (Some(link), None) | (None, Some(link)) => link,
                (None, None) => break,
            };
            if first.0 > reach {
                break;
            }
            let next = if first.3 { exact.pop() } else { links.pop() };
            let Some(Link(d, i, j, is_exact)) = next else {
                break;
            };
            if parts.root(i) == parts.root(j) {
                continue;
            }
            let (a, b) = (nodes[i as usize], nodes[j as usize]);
            let work = a.len() * b.len();
            if !is_exact && sides + work <= MOST_SIDES {
                sides += work;
                exact.push(Link(between(a, b).max(d), i, j, true));
                continue;
            }
            parts.join(i, j);
            sum += d;
        }
        (seen, reach) = (reach, 2.0 * reach);
    }
    sum
}

/// A box along the axes.
#[derive(Debug, Clone, Copy)]
struct Frame {
    min: [f64; 2],
    max: [f64; 2],
}

impl Frame {
    /// The box of the points; one that is near nothing when there are none.
    fn of(points: impl Iterator<Item = [f64; 2]>) -> Frame {
        let none = Frame {
            min: [f64::INFINITY; 2],
            max: [f64::NEG_INFINITY; 2],
        };
        points.fold(none, |b, p| Frame {
            min: [b.min[0].min(p[0]), b.min[1].min(p[1])],
            max: [b.max[0].max(p[0]), b.max[1].max(p[1])],
        })
    }
    /// How far two boxes are apart in x and in y.
    fn gaps(&self, other: &Frame) -> [f64; 2] {
        [0, 1].map(|k| {
            (other.min[k] - self.max[k])
                .max(self.min[k] - other.max[k])
                .max(0.0)
        })
    }
    fn gap(&self, other: &Frame) -> f64 {
        distance([0.0, 0.0], self.gaps(other))
    }
    fn is_near(&self, other: &Frame, reach: f64) -> bool {
        self.gaps(other).iter().all(|gap| *gap <= reach)
    }
}

/// Fewer pairs than this are all looked at.
const FEW_PAIRS: usize = 300;

/// Shows `visit` all pairs of one of `p` and one of `q`, other than one and itself, whose boxes come within `reach` of
/// each other in x and in y, until it says no; whether it never did. The lists are put in another order.
///
/// Whichever list is longer is halved along its longer side, and what is far from all of the other list is left out.
fn near_pairs(
    p: &mut [u32],
    q: &mut [u32],
    boxes: &[Frame],
    reach: f64,
    visit: &mut impl FnMut(u32, u32) -> bool,
) -> bool {
    let around = |list: &[u32]| {
        let corners = |i: &u32| [boxes[*i as usize].min, boxes[*i as usize].max];
        Frame::of(list.iter().flat_map(corners))
    };
    let near = |list: &mut [u32], other: &Frame| {
        let mut kept = 0;
        for k in 0..list.len() {
            if boxes[list[k] as usize].is_near(other, reach) {
                list.swap(kept, k);
                kept += 1;
            }
        }
        kept
    };
    let about_q = around(q);
    let kept = near(p, &about_q);
    let p = &mut p[..kept];
    let about_p = around(p);
    let kept = near(q, &about_p);
    let q = &mut q[..kept];
    if p.len() * q.len() <= FEW_PAIRS {
        return p.iter().all(|&i| {
            q.iter().all(|&j| {
                i == j || !boxes[i as usize].is_near(&boxes[j as usize], reach) || visit(i, j)
            })
        });
    }
    let halve = |list: &mut [u32], about: &Frame| {
        let k = usize::from(about.max[1] - about.min[1] > about.max[0] - about.min[0]);
        let middle = |i: &u32| boxes[*i as usize].min[k] + boxes[*i as usize].max[k];
        let half = list.len() / 2;
        list.select_nth_unstable_by(half, |a, b| middle(a).total_cmp(&middle(b)));
        half
    };
    if p.len() >= q.len() {
        let half = halve(p, &about_p);
        let (low, high) = p.split_at_mut(half);
        near_pairs(low, q, boxes, reach, visit) && near_pairs(high, q, boxes, reach, visit)
    } else {
        let half = halve(q, &around(q));
        let (low, high) = q.split_at_mut(half);
        near_pairs(p, low, boxes, reach, visit) && near_pairs(p, high, boxes, reach, visit)
    }
}

/// Distance of two polylines where they come nearest; 0 where they cross.
fn between(a: &[[f64; 2]], b: &[[f64; 2]]) -> f64 {
    // Sides whose boxes are further apart than the least so far need no closer look; the slack is for rounding.
    let near = |gaps: [f64; 2], least: f64| {
        gaps[0] * gaps[0] + gaps[1] * gaps[1] <= least * least * (1.0 + 1e-9)
    };
    let boxed = |s: [[f64; 2]; 2]| Frame::of(s.into_iter());
    let around_b = Frame::of(b.iter().copied());
    let mut least = f64::INFINITY;
    for u in sides(a) {
        let box_u = boxed(u);
        if !near(box_u.gaps(&around_b), least) {
            continue;
        }
        for v in sides(b) {
            if !near(box_u.gaps(&boxed(v)), least) {
                continue;
            }
            if cross(u, v) {
                return 0.0;
            }
            for (p, s) in [(u[0], v), (u[1], v), (v[0], u), (v[1], u)] {
                least = least.min(nearest_on_segment(p, s[0], s[1]).1);
            }
        }
    }
    least
}

/// The sides of a polyline; a single point is a side without length.
fn sides(points: &[[f64; 2]]) -> impl Iterator<Item = [[f64; 2]; 2]> + '_ {
    let alone = (points.len() == 1).then(|| [points[0]; 2]);
    points.windows(2).map(|w| [w[0], w[1]]).chain(alone)
}

fn cross(u: [[f64; 2]; 2], v: [[f64; 2]; 2]) -> bool {
    let side = |s: [[f64; 2]; 2], p: [f64; 2]| {
        (s[1][0] - s[0][0]) * (p[1] - s[0][1]) - (s[1][1] - s[0][1]) * (p[0] - s[0][0])
    };
    side(u, v[0]) * side(u, v[1]) < 0.0 && side(v, u[0]) * side(v, u[1]) < 0.0
}

/// Disjoint sets of nodes and how many each holds.
struct Parts {
    sets: Sets,
    size: Vec<u32>,
    count: usize,
}

impl Parts {
    fn new(n: usize) -> Parts {
        Parts {
            sets: Sets::new(n),
            size: vec![1; n],
            count: n,
        }
    }
    fn root(&mut self, i: u32) -> u32 {
        self.sets.root(i as usize) as u32
    }
    fn join(&mut self, i: u32, j: u32) {
        let (a, b) = (self.root(i) as usize, self.root(j) as usize);
        if a == b {
            return;
        }
        let (keep, gone) = if self.size[a] < self.size[b] {
            (b, a)
        } else {
            (a, b)
        };
        self.sets.put_under(gone, keep);
        self.size[keep] += self.size[gone];
        self.count -= 1;
    }
    fn largest(&mut self) -> u32 {
        let roots =
            (0..self.size.len() as u32).filter(|i| self.sets.root(*i as usize) == *i as usize);
        roots.max_by_key(|i| self.size[*i as usize]).unwrap_or(0)
    }
}
