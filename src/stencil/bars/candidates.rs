//! The bars that an island can have by itself, and what each costs.

use super::Shore;
use super::surroundings::Surroundings;
use crate::artwork::TieSettings;
use crate::recipe::Recipe;
use crate::regions::nearest_on_segment;
use crate::regions::packed::{Marks, Packed};
use crate::stencil::anchoring::Anchoring;
use crate::stencil::foil::{CoreEdge, Foil, centroid};
use crate::stencil::geometry::{V, crossing, dot, len, middle, point, sub, v};
use crate::stencil::symmetry::{self, Mirror};
use crate::units::{NM_PER_MM, NM_PER_UM};
use rustc_hash::FxHashMap;
use std::cmp::Ordering;
use std::f64::consts::PI;

/// Edges round a place among which an island's own is looked for.
const NEAR_EDGES: usize = 64;
/// Edges, or places, of an island beyond which they are searched for in the tree only.
const LONG: usize = 1000;
/// Bars on a mirror line come first among equals.
const ON_MIRROR: f64 = 0.98;
/// What a bar costs where a web too narrow to hold is already: it parts no film.
const HAIR: f64 = 0.1;

#[derive(Debug, Clone, Copy)]
pub(super) struct Candidate {
    pub from: V,
    pub to: V,
    /// Length, made longer by what speaks against it.
    pub cost: f64,
    /// Direction from the island's centre of mass.
    pub angle: f64,
    /// The edge at its far end.
    pub edge: CoreEdge,
}

/// The edges of all cores, marked with their pieces.
pub(super) struct CoreEdges {
    pub tree: Packed<CoreEdge>,
    pub marks: Marks,
}

/// The bars that an island can have, the cheapest first.
pub(super) struct Choice {
    pub piece: usize,
    pub centre: V,
    pub settings: TieSettings,
    pub wanted_nm: f64,
    pub width_nm: f64,
    pub all: Vec<Candidate>,
    pub shortest_nm: Option<f64>,
    pub mirrors: Vec<Mirror>,
}

/// All bars that an island can have by itself.
#[allow(clippy::too_many_arguments)]
pub(super) fn candidates(
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
            let p = point(centre);
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
        let near_nm = width_nm / 2.0 + clearance;
        let m = middle(c.from, c.to);
        let hits = [c.from, c.to, m]
            .iter()
            .filter(|&&p| around.corners_near(p, near_nm) > 0)
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

pub(super) fn add(all: &mut Vec<Candidate>, from: V, to: V, out: V, edge: &CoreEdge, centre: V) {
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
        .in_box_of((a, b))
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
