//! Openings as a graph of bands: the medial axis of the open region, its junctions, and the places along each
//! band where a seam could go.

use super::fewest::Arm;
use crate::artwork::TieLine;
use crate::regions::medial::{MedialError, medial_axis_and_sides};
use crate::regions::packed::Packed;
use crate::regions::{Shape, nearest_on_segment};
use crate::stencil::bars::Surroundings;
use crate::stencil::foil::CoreEdge;
use crate::stencil::geometry::{V, cross, crossing, dot, len, middle, sub, v};

/// Places looked at along one arm.
const PLACES: usize = 96;

/// Crossings nearer than this are one, nanometres.
const SAME_NM: f64 = 100.0;

/// A place for a seam: a line from foil to foil across an opening.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub from: V,
    pub to: V,
    pub cost: f64,
    /// How far along the arm.
    along: f64,
}

/// A seam chosen.
#[derive(Debug, Clone)]
pub(super) struct Seam {
    pub from: V,
    pub to: V,
    pub hand: Option<String>,
}

#[derive(Debug, Clone)]
struct ArmPlaces {
    ends: [usize; 2],
    places: Vec<Place>,
    one: Option<usize>,
    two: Option<[usize; 2]>,
    hand: Option<Seam>,
}

/// One connected open region as a graph.
#[derive(Debug)]
pub(super) struct Bands {
    pub junctions: usize,
    arms: Vec<ArmPlaces>,
}

/// What seams have to keep to; nanometres.
#[derive(Debug, Clone, Copy)]
pub(super) struct Room {
    pub overlap: f64,
    /// Least distance between the middles of two seams, so that what lies between them holds in the other stencils.
    pub apart: f64,
    /// Least distance between any points of two seams: their overlap and the minimum web.
    pub nearest: f64,
    pub clearance: f64,
}

struct Axis {
    at: Vec<V>,
    radius: Vec<f64>,
    edges: Vec<[usize; 2]>,
    /// Edges of the shape on both sides; `None` where a hand line parts the axis.
    sides: Vec<Option<[usize; 2]>>,
    hand: Vec<Option<Seam>>,
}

impl Bands {
    /// The graph of `shape`; `core_of_ring` names the piece of foil at each ring.
    pub fn new(
        shape: Shape<'_>,
        core_of_ring: &[usize],
        cores: &Packed<CoreEdge>,
        lines: &[&TieLine],
        around: &Surroundings<'_>,
        room: Room,
    ) -> Result<Bands, MedialError> {
        let mut borders: Vec<(V, V, usize)> = Vec::new();
        for (ring, points) in shape.rings().enumerate() {
            for (i, &a) in points.iter().enumerate() {
                let b = points[(i + 1) % points.len()];
                if a != b {
                    borders.push((v(a), v(b), core_of_ring[ring]));
                }
            }
        }
        let (axis, sides) = medial_axis_and_sides(shape)?;
        let mut axis = Axis {
            at: axis.nodes.iter().map(|n| n.at).collect(),
            radius: axis.nodes.iter().map(|n| n.radius).collect(),
            edges: axis.edges,
            sides: sides.into_iter().map(Some).collect(),
            hand: Vec::new(),
        };
        axis.hand.resize(axis.edges.len(), None);
        let mut kept = axis.prune(&vec![true; axis.edges.len()]);
        for line in lines {
            axis.part(line, &mut kept, cores);
        }
        let kept = axis.prune(&kept);
        let b = shape.bounds();
        let centre = middle(v(b.min), v(b.max));
        Ok(axis.arms(&kept, &borders, centre, around, room))
    }

    /// For [`super::fewest::fewest`].
    pub fn arms(&self) -> Vec<Arm> {
        let dearest = self
            .arms
            .iter()
            .flat_map(|a| &a.places)
            .map(|p| p.cost)
            .fold(1.0, f64::max);
        self.arms
            .iter()
            .map(|a| Arm {
                ends: a.ends,
                one: a.one.map(|i| a.places[i].cost / dearest / 2.0),
                two: a
                    .two
                    .map(|[i, j]| (a.places[i].cost + a.places[j].cost) / dearest / 2.0),
                parted: a.hand.is_some(),
            })
            .collect()
    }

    /// The seams where an answer wants them, and those placed by hand.
    pub fn seams(&self, wanted: &[u8]) -> Vec<Seam> {
        let mut out = Vec::new();
        for (arm, n) in self.arms.iter().zip(wanted) {
            out.extend(arm.hand.clone());
            let chosen: Vec<usize> = match n {
                1 => arm.one.into_iter().collect(),
                2 => arm.two.into_iter().flatten().collect(),
                _ => Vec::new(),
            };
            out.extend(chosen.into_iter().map(|i| Seam {
                from: arm.places[i].from,
                to: arm.places[i].to,
                hand: None,
            }));
        }
        out
    }
}

impl Axis {
    /// Takes off everything that leads nowhere, except where a hand line parts it.
    fn prune(&self, allowed: &[bool]) -> Vec<bool> {
        let mut kept = allowed.to_vec();
        let mut near: Vec<Vec<usize>> = vec![Vec::new(); self.at.len()];
        for (i, &[a, b]) in self.edges.iter().enumerate().filter(|(i, _)| kept[*i]) {
            near[a].push(i);
            near[b].push(i);
        }
        let mut degree: Vec<usize> = near.iter().map(Vec::len).collect();
        let mut leaves: Vec<usize> = (0..degree.len()).filter(|&n| degree[n] == 1).collect();
        while let Some(leaf) = leaves.pop() {
            let Some(&edge) = near[leaf].iter().find(|&&e| kept[e]) else {
                continue;
            };
            if self.hand[edge].is_some() {
                continue;
            }
            kept[edge] = false;
            for n in self.edges[edge] {
                degree[n] -= 1;
                if n != leaf && degree[n] == 1 {
                    leaves.push(n);
                }
            }
        }
        kept
    }

    /// Parts the axis where a hand line crosses it: at every band of a cycle, else at the widest crossing.
    fn part(&mut self, line: &TieLine, kept: &mut Vec<bool>, cores: &Packed<CoreEdge>) {
        let (a, b) = (v(line.from), v(line.to));
        let mut hits: Vec<(usize, f64)> = Vec::new();
        for (i, &[p, q]) in self.edges.iter().enumerate() {
            if self.hand[i].is_none()
                && let Some(t) = crossing(self.at[p], self.at[q], a, b)
            {
                hits.push((i, t));
            }
        }
        if hits.iter().any(|h| kept[h.0]) {
            hits.retain(|h| kept[h.0]);
        } else {
            let wide = |h: &(usize, f64)| {
                let [p, q] = self.edges[h.0];
                self.radius[p].max(self.radius[q])
            };
            hits.sort_by(|x, y| wide(y).total_cmp(&wide(x)));
            hits.truncate(1);
        }
        let mut parted: Vec<V> = Vec::new();
        for (i, t) in hits {
            let [p, q] = self.edges[i];
            let (from, to) = (self.at[p], self.at[q]);
            let m = [
                from[0] + t * (to[0] - from[0]),
                from[1] + t * (to[1] - from[1]),
            ];
            // Through a node of the axis the line crosses both edges that meet there, at one place.
            if parted.iter().any(|&other| len(sub(m, other)) < SAME_NM) {
                continue;
            }
            parted.push(m);
            let radius = self.radius[p].max(self.radius[q]);
            let Some((from, to)) = to_cores(m, sub(b, a), 4.0 * radius + len(sub(b, a)), cores)
            else {
                continue;
            };
            let u = self.at.len();
            self.at.extend([m, m]);
            self.radius.extend([radius, radius]);
            self.edges[i] = [p, u];
            self.edges.extend([[u, u + 1], [u + 1, q]]);
            let side = self.sides[i];
            self.sides.extend([None, side]);
            let seam = Seam {
                from,
                to,
                hand: Some(line.id.clone()),
            };
            self.hand.extend([Some(seam), None]);
            kept.extend([true, kept[i]]);
        }
    }

    fn arms(
        &self,
        kept: &[bool],
        borders: &[(V, V, usize)],
        centre: V,
        around: &Surroundings<'_>,
        room: Room,
    ) -> Bands {
        let mut near: Vec<Vec<usize>> = vec![Vec::new(); self.at.len()];
        for (i, &[a, b]) in self.edges.iter().enumerate().filter(|(i, _)| kept[*i]) {
            near[a].push(i);
            near[b].push(i);
        }
        let mut junction = vec![usize::MAX; self.at.len()];
        let mut junctions = 0;
        for n in 0..self.at.len() {
            let at_hand = near[n].iter().any(|&e| self.hand[e].is_some());
            if near[n].len() > 2 || near[n].len() == 1 || at_hand {
                junction[n] = junctions;
                junctions += 1;
            }
        }
        let mut used = vec![false; self.edges.len()];
        let mut arms = Vec::new();
        let mut starts: Vec<usize> = (0..self.at.len())
            .filter(|&n| junction[n] != usize::MAX)
            .collect();
        // Loops without a junction begin anywhere.
        starts.extend((0..self.at.len()).filter(|&n| junction[n] == usize::MAX));
        for start in starts {
            for k in 0..near[start].len() {
                if used[near[start][k]] {
                    continue;
                }
                if junction[start] == usize::MAX {
                    junction[start] = junctions;
                    junctions += 1;
                }
                let (mut here, mut edge) = (start, near[start][k]);
                let mut chain = vec![];
                loop {
                    used[edge] = true;
                    let [a, b] = self.edges[edge];
                    let next = if a == here { b } else { a };
                    chain.push((edge, here, next));
                    here = next;
                    if junction[here] != usize::MAX {
                        break;
                    }
                    match near[here].iter().find(|&&e| !used[e]) {
                        Some(&e) => edge = e,
                        None => break,
                    }
                }
                if junction[here] == usize::MAX {
                    continue;
                }
                let hand = self.hand[chain[0].0].clone();
                let ends = [junction[start], junction[here]];
                let mut arm = ArmPlaces {
                    ends,
                    places: Vec::new(),
                    one: None,
                    two: None,
                    hand,
                };
                if arm.hand.is_none() {
                    let loops = ends[0] == ends[1] && near[start].len() == 2;
                    let total = self.places(&chain, loops, borders, centre, around, room, &mut arm);
                    choose(&mut arm, loops.then_some(total), total, room);
                }
                arms.push(arm);
            }
        }
        Bands { junctions, arms }
    }

    /// Fills in the places along a chain; gives its length.
    #[allow(clippy::too_many_arguments)]
    fn places(
        &self,
        chain: &[(usize, usize, usize)],
        loops: bool,
        borders: &[(V, V, usize)],
        centre: V,
        around: &Surroundings<'_>,
        room: Room,
        arm: &mut ArmPlaces,
    ) -> f64 {
        let total: f64 = chain
            .iter()
            .map(|&(_, a, b)| len(sub(self.at[b], self.at[a])))
            .sum();
        let step = (total / PLACES as f64).max(1.0);
        let (mut walked, mut next) = (0.0, if loops { 0.0 } else { step / 2.0 });
        for &(edge, a, b) in chain {
            let (p, q) = (self.at[a], self.at[b]);
            let l = len(sub(q, p));
            while next < walked + l || (arm.places.is_empty() && next <= walked + l) {
                let t = if l > 0.0 { (next - walked) / l } else { 0.0 };
                let m = [p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])];
                if let Some([one, other]) = self.sides[edge]
                    && borders[one].2 != borders[other].2
                {
                    let at = |(a, b, _): (V, V, usize)| nearest_on_segment(m, a, b).0;
                    let place = (at(borders[one]), at(borders[other]));
                    // Within the disc of a junction a seam would cut its corners.
                    let mut slack = f64::INFINITY;
                    if !loops {
                        let r = |n: usize| self.radius[n] + room.overlap / 2.0 + room.clearance;
                        let (first, last) = (chain[0].1, chain[chain.len() - 1].2);
                        slack = (len(sub(m, self.at[first])) / r(first))
                            .min(len(sub(m, self.at[last])) / r(last));
                    }
                    if let Some(cost) = cost(place, m, centre, slack, around, room) {
                        arm.places.push(Place {
                            from: place.0,
                            to: place.1,
                            cost,
                            along: next,
                        });
                    }
                }
                next += step;
            }
            walked += l;
        }
        total
    }
}

/// What a seam costs: its length, made longer by what speaks against it. `None` where it must not be.
fn cost(
    (a, b): (V, V),
    m: V,
    centre: V,
    slack: f64,
    around: &Surroundings<'_>,
    room: Room,
) -> Option<f64> {
    let l = len(sub(b, a));
    if l < 1.0 || around.forbidden(a, b, room.overlap / 2.0) {
        return None;
    }
    let (u, w) = (sub(a, m), sub(b, m));
    let straight = -dot(u, w) / (len(u) * len(w)).max(1.0);
    if straight < 0.2 {
        return None;
    }
    let corners = around.corners_near(a, room.overlap / 2.0 + room.clearance)
        + around.corners_near(b, room.overlap / 2.0 + room.clearance);
    let mut cost = l / straight * (1.0 + 0.5 * corners as f64);
    if slack < 1.0 {
        cost *= 3.0 - 2.0 * slack;
    }
    // Level seams first where nothing else decides, so that equal drawings get equal seams.
    let r = sub(m, centre);
    Some(cost * (1.0 + 0.01 * r[1].abs() / len(r).max(1.0)))
}

/// The cheapest place and the cheapest pair far enough apart; pairs well apart are preferred.
fn choose(arm: &mut ArmPlaces, around: Option<f64>, total: f64, room: Room) {
    let places = &arm.places;
    arm.one = (0..places.len()).min_by(|&i, &j| places[i].cost.total_cmp(&places[j].cost));
    let Some(cheapest) = arm.one.map(|i| places[i].cost) else {
        return;
    };
    let most = around.map_or(total, |t| t / 2.0).max(1.0);
    let mut best = f64::INFINITY;
    for i in 0..places.len() {
        for j in i + 1..places.len() {
            let (p, q) = (&places[i], &places[j]);
            let mut apart = q.along - p.along;
            if let Some(t) = around {
                apart = apart.min(t - apart);
            }
            let lacking = 1.0 - apart / most;
            let sum = p.cost + q.cost + cheapest * lacking * lacking;
            if sum < best - 1e-9
                && apart >= room.apart
                && len(sub(middle(p.from, p.to), middle(q.from, q.to))) >= room.apart
                && gap(p, q) >= room.nearest
            {
                best = sum;
                arm.two = Some([i, j]);
            }
        }
    }
}

/// Distance of two seams that do not cross where they come nearest.
fn gap(p: &Place, q: &Place) -> f64 {
    let from = |x: V, s: &Place| nearest_on_segment(x, s.from, s.to).1;
    from(p.from, q)
        .min(from(p.to, q))
        .min(from(q.from, p))
        .min(from(q.to, p))
}

/// The line through `m` along `d` up to the foil on both sides.
fn to_cores(m: V, d: V, reach: f64, cores: &Packed<CoreEdge>) -> Option<(V, V)> {
    let l = len(d);
    let u = [d[0] / l * reach, d[1] / l * reach];
    let hit = |u: V| -> Option<V> {
        let end = [m[0] + u[0], m[1] + u[1]];
        let t = cores
            .in_box_of((m, end))
            .filter(|e| cross(u, sub(e.b, e.a)) != 0.0)
            .filter_map(|e| crossing(m, end, e.a, e.b))
            .reduce(f64::min)?;
        Some([m[0] + t * u[0], m[1] + t * u[1]])
    };
    Some((hit([-u[0], -u[1]])?, hit(u)?))
}
