//! Tie bars: where an island is held, by how many bars, and why there.
//!
//! A bar runs from core to core (see [`super::foil`]), so that metal of at least the minimum web is
//! under both of its ends; a bar at least that wide therefore holds by construction.

use super::TieBar;
use super::anchoring::Anchoring;
use super::foil::{CoreEdge, Foil, Sample, centroid, core_edges, samples};
use super::geometry::{V, apart_nm, crossing, dot, len, middle, sub, v};
use super::symmetry::{self, Mirror};
use crate::artwork::{ElementIndex, Layer, TieSettings};
use crate::recipe::Recipe;
use crate::regions::packed::{Marks, Packed};
use crate::regions::{Bounds, EdgeIndex, Point, Regions, nearest_on_segment};
use crate::units::{NM_PER_MM, NM_PER_UM, show_length_um};
use rayon::prelude::*;
use rstar::primitives::Line;
use rstar::{AABB, RTree};
use rustc_hash::FxHashMap;
use std::cmp::Ordering;
use std::f64::consts::PI;

/// A bar that was chosen; coordinates in nanometres.
#[derive(Debug, Clone)]
pub struct Placed {
    pub piece: usize,
    /// Another piece that it helps to hold: one that this one does not hang on.
    pub also: Option<usize>,
    /// On the cores at both ends.
    pub from: V,
    pub to: V,
    pub width_nm: f64,
    /// Less than was asked for.
    pub narrowed: bool,
    pub reason: String,
}

/// Places round an island that bars are looked for at: so many, and fewer where there are more islands than this.
const PLACES: usize = 48;
const MANY: usize = 1500;
const FEWEST_PLACES: usize = 12;
/// Edges round a place among which an island's own is looked for.
const NEAR_EDGES: usize = 64;
/// Edges, or places, of an island beyond which they are searched for in the tree only.
const LONG: usize = 1000;
/// Rings of an island beyond which holes that hold no other foil get no places.
const MANY_RINGS: usize = 100;
/// Islands for which bars are looked for before any is chosen: enough for all processors.
const AT_ONCE: usize = 256;
/// Candidates of each eighth of the way round that pairs are made of.
const PER_EIGHTH: usize = 16;
/// Angle without a bar from which on an island can swing out.
const OPEN_SIDE: f64 = PI * 4.0 / 3.0;
/// What a set of bars costs more, in bars, for each mirror line of the island that it breaks.
const UNEVEN: f64 = 2.0;
/// Bars on a mirror line come first among equals.
const ON_MIRROR: f64 = 0.98;
/// What a bar costs where a web too narrow to hold is already: it parts no film.
const HAIR: f64 = 0.1;

#[derive(Debug, Clone, Copy)]
struct Candidate {
    from: V,
    to: V,
    /// Length, made longer by what speaks against it.
    cost: f64,
    /// Direction from the island's centre of mass.
    angle: f64,
    /// The edge at its far end.
    edge: CoreEdge,
}

/// Places where bars have to keep away if they can.
pub struct Surroundings<'a> {
    layer: &'a Layer,
    elements: ElementIndex<'a>,
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
        self.layer
            .keep_clear
            .contains(super::geometry::point(middle(a, b)))
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

/// Answer of [`place`]: bars, and islands for which there are none.
#[derive(Debug, Default)]
pub struct Placement {
    pub bars: Vec<Placed>,
    /// Island and the span of the shortest bar that would reach (nanometres), if any would.
    pub untied: Vec<(usize, Option<f64>)>,
    /// Centre lines of the bars, for keeping the next island's bars out of them.
    taken: RTree<Line<V>>,
    /// Which of the bars end on a piece other than the one they were chosen for.
    lands: FxHashMap<usize, Vec<usize>>,
}

/// A place on the edge of a piece, and the nearest edge of another one.
pub struct Shore<'t> {
    pub sample: Sample,
    pub across: &'t CoreEdge,
}

/// Chooses bars for every loose piece of `foil`; `before` are those that are there already.
pub fn place(
    foil: &Foil,
    around: &Surroundings<'_>,
    before: &[TieBar],
    recipe: &Recipe,
) -> Placement {
    let Some(frame) = foil.frame else {
        return Placement::default();
    };
    let tree = core_edges(&foil.cores);
    let edges = CoreEdges {
        marks: tree.marks(|e| e.piece as u32),
        tree,
    };
    let tree = &edges.tree;
    let places = (PLACES * MANY / foil.loose().max(1)).clamp(FEWEST_PLACES, PLACES);
    let shores: Vec<Vec<Shore<'_>>> = (0..foil.cores.len())
        .into_par_iter()
        .map(|i| {
            if i == frame {
                return Vec::new();
            }
            let inhabited = |ring: &[Point]| {
                Bounds::of(ring)
                    .is_some_and(|b| tree.in_box(v(b.min), v(b.max)).any(|e| e.piece != i))
            };
            let many = foil.cores.shape(i).rings().len() > MANY_RINGS;
            samples(&foil.cores, i, places, |ring| !many || inhabited(ring))
                .into_iter()
                .filter_map(|sample| {
                    let across = tree.nearest_beyond(sample.at, &edges.marks, [i as u32; 2])?;
                    Some(Shore { sample, across })
                })
                .collect()
        })
        .collect();
    let order = Anchoring::new(foil, frame, tree, &shores);
    // The two pieces at each hair.
    let mut hairs: FxHashMap<usize, Vec<V>> = FxHashMap::default();
    for &hair in &foil.hairs {
        let mut at: Vec<usize> = Vec::new();
        for e in tree.from_nearest(v(hair)) {
            if !at.contains(&e.piece) {
                at.push(e.piece);
                hairs.entry(e.piece).or_default().push(v(hair));
            }
            if at.len() == 2 {
                break;
            }
        }
    }
    let mut out = Placement::default();
    for bar in before {
        out.taken.insert(Line::new(v(bar.from), v(bar.to)));
    }
    let loose: Vec<usize> = (0..foil.cores.len())
        .filter(|&i| foil.is_loose(i))
        .collect();
    for some in loose.chunks(AT_ONCE) {
        let found: Vec<Choice> = some
            .par_iter()
            .map(|&piece| candidates(piece, foil, &edges, &shores, &hairs, &order, around, recipe))
            .collect();
        for choice in found {
            one_island(choice, foil, tree, &order, recipe, &mut out);
        }
    }
    out
}

/// The edges of all cores, marked with their pieces.
struct CoreEdges {
    tree: Packed<CoreEdge>,
    marks: Marks,
}

/// The bars that an island can have, the cheapest first.
struct Choice {
    piece: usize,
    centre: V,
    settings: TieSettings,
    wanted_nm: f64,
    width_nm: f64,
    all: Vec<Candidate>,
    shortest_nm: Option<f64>,
    mirrors: Vec<Mirror>,
}

/// All bars that an island can have by itself.
#[allow(clippy::too_many_arguments)]
fn candidates(
    piece: usize,
    foil: &Foil,
    edges: &CoreEdges,
    shores: &[Vec<Shore<'_>>],
    hairs: &FxHashMap<usize, Vec<V>>,
    order: &Anchoring,
    around: &Surroundings<'_>,
    recipe: &Recipe,
) -> Choice {
    let tree = &edges.tree;
    let centre = centroid(&foil.cores, piece);
    // Of the element that surrounds it; where several do so together, of the one at its centre.
    let element = around
        .elements
        .element_around(foil.cores.shape(piece).bounds())
        .or_else(|| {
            let p = super::geometry::point(centre);
            around.elements.element_at(p.x, p.y)
        });
    let settings = element.map(|e| e.ties).unwrap_or_default();
    let min_width_nm = recipe.min_web_um() * NM_PER_UM + 200.0;
    let wanted_nm =
        (settings.width_um.unwrap_or(recipe.tie_bars.width_um) * NM_PER_UM).max(min_width_nm);
    let web_nm = recipe.min_web_um() * NM_PER_UM;
    // A bar wider than an eighth of the way round a small island would bury it.
    let round_nm = foil.cores.shape(piece).perimeter_nm() + PI * web_nm;
    let width_nm = wanted_nm.min((round_nm / 8.0).max(min_width_nm));
    let span_nm = settings.span_mm.unwrap_or(recipe.tie_bars.max_span_mm) * NM_PER_MM + web_nm;

    let mut all: Vec<Candidate> = Vec::new();
    for shore in &shores[piece] {
        let s = &shore.sample;
        let nearest = if order.hangs_on(shore.across.piece, piece) {
            order.nearest_outside(tree, s.at, piece)
        } else {
            let e = *shore.across;
            Some((nearest_on_segment(s.at, e.a, e.b).0, e))
        };
        let Some((q, edge)) = nearest else {
            continue;
        };
        add(&mut all, s.at, q, s.out, &edge, centre);
        // Two steps of walking to and fro find the narrowest gap nearby.
        let mut p = s.at;
        let mut end = (q, edge);
        for _ in 0..2 {
            let next = nearest_own(edges, &shores[piece], foil, piece, end.0, p);
            if len(sub(next, p)) <= 1.0 {
                break;
            }
            p = next;
            match order.nearest_outside(tree, p, piece) {
                Some(found) => end = found,
                None => break,
            }
        }
        if len(sub(p, s.at)) > 1.0 {
            let d = sub(end.0, p);
            let l = len(d).max(1.0);
            add(&mut all, p, end.0, [d[0] / l, d[1] / l], &end.1, centre);
        }
    }
    let shore_at: Vec<V> = shores[piece].iter().map(|s| s.sample.at).collect();
    let mirrors = symmetry::mirrors(foil.cores.shape(piece), centre, &shore_at, |p| {
        let (q, _) = order.nearest_outside(tree, p, piece)?;
        Some(len(sub(q, p)))
    });
    for m in &mirrors {
        let images: Vec<Candidate> = all
            .iter()
            .filter_map(|c| {
                // The foil there need not be the mirror image: it has to be where the bar lands.
                let (from, at) = (m.of(c.from), m.of(c.to));
                let edge = *tree.nearest(at)?;
                let (to, off) = nearest_on_segment(at, edge.a, edge.b);
                if off > symmetry::GAP_NM || order.hangs_on(edge.piece, piece) {
                    return None;
                }
                let r = sub(middle(from, to), centre);
                Some(Candidate {
                    from,
                    to,
                    edge,
                    angle: libm::atan2(r[1], r[0]),
                    cost: c.cost,
                })
            })
            .collect();
        all.extend(images);
        for p in m.crossings(foil.cores.shape(piece)) {
            if let Some((q, edge)) = order.nearest_outside(tree, p, piece) {
                let d = sub(q, p);
                let l = len(d).max(1.0);
                let before = all.len();
                add(&mut all, p, q, [d[0] / l, d[1] / l], &edge, centre);
                all[before..].iter_mut().for_each(|c| c.cost *= ON_MIRROR);
            }
        }
    }
    // A web too narrow to hold becomes a bar without parting any film.
    for &hair in hairs.get(&piece).into_iter().flatten() {
        let p = nearest_own_edge(foil, piece, hair);
        if let Some((q, edge)) = order.nearest_outside(tree, hair, piece) {
            let d = sub(q, p);
            let l = len(d).max(1.0);
            let before = all.len();
            add(&mut all, p, q, [d[0] / l, d[1] / l], &edge, centre);
            all[before..].iter_mut().for_each(|c| c.cost *= HAIR);
        }
    }
    all = all
        .into_iter()
        .filter_map(|c| between_cores(c, piece, tree, order, centre))
        .collect();
    let clearance = recipe
        .tie_bars
        .clearance_um
        .map_or(width_nm, |c| c * NM_PER_UM);
    for c in &mut all {
        let near = (width_nm / 2.0 + clearance).powi(2);
        let m = middle(c.from, c.to);
        let hits = [c.from, c.to, m]
            .iter()
            .filter(|&&p| {
                around
                    .corners
                    .locate_within_distance(p, near)
                    .next()
                    .is_some()
            })
            .count();
        c.cost *= 1.0 + 0.2 * hits as f64;
    }
    let shortest = all.iter().map(|c| len(sub(c.to, c.from))).reduce(f64::min);
    all.retain(|c| {
        len(sub(c.to, c.from)) <= span_nm && !around.forbidden(c.from, c.to, width_nm / 2.0)
    });
    // A bar is to touch the two pieces that it joins, and no third one on its way.
    let passes = |c: &Candidate| {
        let half = (width_nm + web_nm) / 2.0;
        !touches_third(tree, c.from, c.to, half, [piece, c.edge.piece])
    };
    if all.iter().any(passes) {
        all.retain(passes);
    }
    all.sort_by(|a, b| {
        (a.cost, a.angle, a.from[0], a.from[1])
            .partial_cmp(&(b.cost, b.angle, b.from[0], b.from[1]))
            .unwrap_or(Ordering::Equal)
    });
    Choice {
        piece,
        centre,
        settings,
        wanted_nm,
        width_nm,
        all,
        shortest_nm: shortest,
        mirrors,
    }
}

/// Chooses among an island's bars beside those that are there already.
fn one_island(
    choice: Choice,
    foil: &Foil,
    tree: &Packed<CoreEdge>,
    order: &Anchoring,
    recipe: &Recipe,
    out: &mut Placement,
) {
    let Choice {
        piece,
        centre,
        settings,
        wanted_nm,
        width_nm,
        mut all,
        shortest_nm,
        mirrors,
    } = choice;
    let web_nm = recipe.min_web_um() * NM_PER_UM;
    // Islands side by side would else both bridge the gap between them at the same place.
    let room = width_nm + web_nm;
    let free = |c: &Candidate| {
        let lo = std::array::from_fn(|d| c.from[d].min(c.to[d]) - room);
        let hi = std::array::from_fn(|d| c.from[d].max(c.to[d]) + room);
        out.taken
            .locate_in_envelope_intersecting(&AABB::from_corners(lo, hi))
            .all(|l| apart_nm((c.from, c.to), (l.from, l.to)) >= room)
    };
    if all.iter().any(free) {
        all.retain(free);
    }
    if all.is_empty() {
        out.untied.push((piece, shortest_nm.map(|s| s - web_nm)));
        return;
    }
    let least = (settings.count.unwrap_or(recipe.tie_bars.min_per_island) as usize).max(1);
    // A count that was asked for is kept to.
    let most = match settings.count {
        Some(_) => least,
        None => (recipe.tie_bars.max_per_island as usize).max(least),
    };
    // Bars by which pieces that do not hang on this one already hold to it.
    let held: Vec<Candidate> = out
        .lands
        .get(&piece)
        .into_iter()
        .flatten()
        .filter(|&&k| out.bars[k].also == Some(piece))
        .filter_map(|&k| {
            let mut one = Vec::new();
            let b = &out.bars[k];
            let edge = tree.nearest(b.from)?;
            add(&mut one, b.to, b.from, [0.0; 2], edge, centre);
            one.pop()
        })
        .collect();
    let chosen = choose(&all, &held, least, most, room, &mirrors);
    for (n, c) in chosen.iter().enumerate() {
        let gap_um = (len(sub(c.to, c.from)) - web_nm).max(0.0) / NM_PER_UM;
        out.taken.insert(Line::new(c.from, c.to));
        out.lands
            .entry(c.edge.piece)
            .or_default()
            .push(out.bars.len());
        out.bars.push(Placed {
            piece,
            also: (foil.is_loose(c.edge.piece) && !order.hangs_on(piece, c.edge.piece))
                .then_some(c.edge.piece),
            from: c.from,
            to: c.to,
            width_nm,
            narrowed: width_nm < wanted_nm - 1.0,
            reason: format!(
                "bar {} of {}: crosses a gap of {}, {} deg round the island's centre of mass",
                n + 1,
                chosen.len(),
                show_length_um(gap_um),
                (-c.angle).to_degrees().rem_euclid(360.0).round()
            ),
        });
    }
}

fn add(all: &mut Vec<Candidate>, from: V, to: V, out: V, edge: &CoreEdge, centre: V) {
    let d = sub(to, from);
    let l = len(d);
    if l < 1.0 {
        return;
    }
    let leaves = dot(d, out) / l;
    let e = sub(edge.b, edge.a);
    let arrives = (d[0] * e[1] - d[1] * e[0]).abs() / (l * len(e)).max(1.0);
    let r = sub(middle(from, to), centre);
    all.push(Candidate {
        from,
        to,
        cost: l / leaves.max(0.2) / arrives.max(0.5),
        angle: libm::atan2(r[1], r[0]),
        edge: *edge,
    });
}

/// The point of the island's own edge nearest to `q`: of a long edge that is not among the nearest of all, one of
/// its samples.
fn nearest_own(
    edges: &CoreEdges,
    shore: &[Shore<'_>],
    foil: &Foil,
    piece: usize,
    q: V,
    fallback: V,
) -> V {
    let mut best = (f64::INFINITY, fallback);
    let count = foil.cores.shape(piece).vertex_count();
    if count > 4 * shore.len() && shore.len() <= LONG {
        let near = edges.tree.from_nearest(q).take(NEAR_EDGES);
        if let Some(e) = near.into_iter().find(|e| e.piece == piece) {
            return nearest_on_segment(q, e.a, e.b).0;
        }
        for s in shore {
            let d = len(sub(s.sample.at, q));
            if d < best.0 {
                best = (d, s.sample.at);
            }
        }
        return best.1;
    }
    if count > LONG {
        let own = edges.tree.nearest_marked(q, &edges.marks, piece as u32);
        return own.map_or(fallback, |e| nearest_on_segment(q, e.a, e.b).0);
    }
    nearest_own_edge(foil, piece, q)
}

/// The point of the island's own edge nearest to `q`.
fn nearest_own_edge(foil: &Foil, piece: usize, q: V) -> V {
    let mut best = (f64::INFINITY, q);
    for ring in foil.cores.shape(piece).rings() {
        for (i, &a) in ring.iter().enumerate() {
            let (p, d) = nearest_on_segment(q, v(a), v(ring[(i + 1) % ring.len()]));
            if d < best.0 {
                best = (d, p);
            }
        }
    }
    best.1
}

/// The candidate as far as it leads over openings: from where it leaves its own piece for the last time to the
/// first other piece. Over a piece that hangs on its own it costs much more.
fn between_cores(
    c: Candidate,
    piece: usize,
    tree: &Packed<CoreEdge>,
    order: &Anchoring,
    centre: V,
) -> Option<Candidate> {
    let l = len(sub(c.to, c.from)).max(1.0);
    let d = sub(c.to, c.from);
    // The ends lie on core edges: look between them only.
    let margin = (20.0 / l).min(0.4);
    let at = |t: f64| [c.from[0] + d[0] * t, c.from[1] + d[1] * t];
    let (a, b) = (at(margin), at(1.0 - margin));
    let mut met: Vec<(f64, &CoreEdge)> = tree
        .in_box(
            [a[0].min(b[0]), a[1].min(b[1])],
            [a[0].max(b[0]), a[1].max(b[1])],
        )
        .filter_map(|e| Some((crossing(a, b, e.a, e.b)?, e)))
        .collect();
    if met.is_empty() {
        return Some(c);
    }
    met.sort_by(|p, q| {
        (p.0, p.1.piece)
            .partial_cmp(&(q.0, q.1.piece))
            .unwrap_or(Ordering::Equal)
    });
    let between = |t: f64| [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t];
    let leaves = met.iter().rposition(|(_, e)| e.piece == piece);
    let (from, out) = leaves.map_or((c.from, [d[0] / l, d[1] / l]), |k| {
        (between(met[k].0), along_normal(met[k].1, d))
    });
    let landing = met.get(leaves.map_or(0, |k| k + 1));
    let mut one = Vec::new();
    let edge = landing.map_or(c.edge, |m| *m.1);
    if order.hangs_on(edge.piece, piece) {
        return Some(Candidate {
            cost: 20.0 * c.cost,
            ..c
        });
    }
    add(
        &mut one,
        from,
        landing.map_or(c.to, |m| between(m.0)),
        out,
        &edge,
        centre,
    );
    one.pop()
}

/// The normal of an edge on the side that `d` points to.
fn along_normal(e: &CoreEdge, d: V) -> V {
    let n = [e.b[1] - e.a[1], e.a[0] - e.b[0]];
    let l = len(n).max(1.0) * if dot(n, d) < 0.0 { -1.0 } else { 1.0 };
    [n[0] / l, n[1] / l]
}

/// Whether a core other than the two joined comes within `half_nm` of the centre line.
fn touches_third(tree: &Packed<CoreEdge>, a: V, b: V, half_nm: f64, joined: [usize; 2]) -> bool {
    let d = sub(b, a);
    let l = len(d).max(1.0);
    let (along, across) = ([d[0] / l, d[1] / l], [-d[1] / l, d[0] / l]);
    let frame = |p: V| {
        let r = sub(p, a);
        [dot(r, along), dot(r, across)]
    };
    let reach = [(across[0] * half_nm).abs(), (across[1] * half_nm).abs()];
    let lo = [a[0].min(b[0]) - reach[0], a[1].min(b[1]) - reach[1]];
    let hi = [a[0].max(b[0]) + reach[0], a[1].max(b[1]) + reach[1]];
    tree.in_box(lo, hi)
        .filter(|e| !joined.contains(&e.piece))
        .any(|e| {
            // The edge against the bar's box, in the bar's own axes.
            let (p, q) = (frame(e.a), frame(e.b));
            let (mut t0, mut t1) = (0.0f64, 1.0f64);
            for (from, to, least, most) in [(p[0], q[0], 0.0, l), (p[1], q[1], -half_nm, half_nm)] {
                let by = to - from;
                if by.abs() < 1e-9 {
                    if from < least || from > most {
                        return false;
                    }
                    continue;
                }
                let (u, w) = ((least - from) / by, (most - from) / by);
                t0 = t0.max(u.min(w));
                t1 = t1.min(u.max(w));
            }
            t0 <= t1
        })
}

/// Smallest angle between two directions, 0 to pi.
fn apart(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(2.0 * PI);
    d.min(2.0 * PI - d)
}

/// Bars with the least cost that are spread round the centre of mass, with those that are `held` already; `room`
/// keeps them from merging.
fn choose(
    all: &[Candidate],
    held: &[Candidate],
    least: usize,
    most: usize,
    room: f64,
    mirrors: &[Mirror],
) -> Vec<Candidate> {
    let uneven = |bars: &[(V, V)]| UNEVEN * symmetry::broken(mirrors, bars, room / 8.0) as f64;
    // The cheapest of each eighth of the way round, so that a long narrow gap on one side does not hide the others;
    // of nearly the same bars one.
    let mut taken: [Vec<V>; 8] = Default::default();
    let few: Vec<Candidate> = all
        .iter()
        .filter(|c| {
            let eighth = ((c.angle / (PI / 4.0)).round() as i64).rem_euclid(8) as usize;
            let (own, at) = (&mut taken[eighth], middle(c.from, c.to));
            let new = own.len() < PER_EIGHTH && own.iter().all(|&p| len(sub(p, at)) >= room / 16.0);
            if new {
                own.push(at);
            }
            new
        })
        .copied()
        .collect();
    let unit = few[0].cost.max(1.0);
    // Metal, gap, metal: bars leave an opening between them that can be cut.
    let clear = |a: &Candidate, b: &Candidate| apart_nm((a.from, a.to), (b.from, b.to)) >= room;
    if least == 1 {
        return vec![few[0]];
    }
    let mut best: Option<(f64, Candidate, Candidate)> = None;
    for i in 0..few.len() {
        // One of its own beside one that is held, or two of its own.
        let others = if held.is_empty() { &few[i + 1..] } else { held };
        let a = &few[i];
        for b in others {
            if !clear(a, b) {
                continue;
            }
            let spread = 1.0 - apart(a.angle, b.angle) / PI;
            // Level bars first where nothing else decides, so that equal drawings get equal bars.
            let tilt = libm::sin(a.angle).abs() + libm::sin(b.angle).abs();
            let mut cost = (a.cost + b.cost) / unit + 6.0 * spread * spread + 0.02 * tilt;
            // A pair that leaves one side open takes a third bar.
            if 2.0 * PI - apart(a.angle, b.angle) > OPEN_SIDE {
                cost += 1.0;
            }
            if best.is_none_or(|(c, _, _)| {
                cost < c - 1e-9 && cost + uneven(&[(a.from, a.to), (b.from, b.to)]) < c - 1e-9
            }) {
                let cost = cost + uneven(&[(a.from, a.to), (b.from, b.to)]);
                best = Some((cost, *a, *b));
            }
        }
    }
    let Some((_, a, b)) = best else {
        return vec![few[0]];
    };
    let mut chosen = held.to_vec();
    chosen.push(a);
    if held.is_empty() {
        chosen.push(b);
    }
    while chosen.len() < most {
        let wide = widest_gap(&chosen);
        // Held on all sides once no half-turn is without a bar (a pair needs two thirds of one).
        if chosen.len() >= least && wide <= OPEN_SIDE {
            break;
        }
        let limit = if chosen.len() < least {
            f64::INFINITY
        } else {
            4.0 * unit
        };
        let next = all
            .iter()
            .filter(|c| c.cost <= limit && chosen.iter().all(|k| clear(k, c)))
            .map(|c| {
                let nearest = chosen
                    .iter()
                    .map(|k| apart(k.angle, c.angle))
                    .fold(PI, f64::min);
                let mut bars: Vec<(V, V)> = chosen.iter().map(|k| (k.from, k.to)).collect();
                bars.push((c.from, c.to));
                (c.cost / unit - 4.0 * nearest + uneven(&bars), c)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, next)) = next else { break };
        let before = chosen.len();
        chosen.push(*next);
        // Its mirror image with it, where it is not its own.
        for m in mirrors {
            let image = m.of(middle(next.from, next.to));
            let partner = all.iter().find(|c| {
                len(sub(middle(c.from, c.to), image)) <= room / 8.0
                    && chosen.iter().all(|k| clear(k, c))
            });
            if let Some(partner) = partner.filter(|_| chosen.len() < most) {
                chosen.push(*partner);
            }
        }
        if before >= least && widest_gap(&chosen) > wide - 0.2 {
            chosen.truncate(before);
            break;
        }
    }
    chosen.split_off(held.len())
}

/// The largest angle without a bar.
fn widest_gap(chosen: &[Candidate]) -> f64 {
    let mut angles: Vec<f64> = chosen.iter().map(|c| c.angle).collect();
    angles.sort_by(f64::total_cmp);
    let n = angles.len();
    (0..n)
        .map(|i| {
            if i + 1 < n {
                angles[i + 1] - angles[i]
            } else {
                angles[0] + 2.0 * PI - angles[i]
            }
        })
        .fold(0.0, f64::max)
}

/// The part of a bar's centre line that crosses the opening, between the drawn edges.
pub fn clip_to_opening(edges: &EdgeIndex, drawn: &Regions, from: V, to: V) -> (V, V) {
    let d = sub(to, from);
    let at = |t: f64| [from[0] + d[0] * t, from[1] + d[1] * t];
    let (mut first, mut last) = (f64::INFINITY, f64::NEG_INFINITY);
    for e in edges.in_box(
        [from[0].min(to[0]), from[1].min(to[1])],
        [from[0].max(to[0]), from[1].max(to[1])],
    ) {
        if let Some(t) = crossing(from, to, e.a, e.b) {
            first = first.min(t);
            last = last.max(t);
        }
    }
    if drawn.is_empty() || first >= last {
        return (from, to);
    }
    (at(first), at(last))
}
