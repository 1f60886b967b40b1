//! Necks: every place where two edges face each other closer than a limit, with the exact distance.
//!
//! Two edges face each other where the line between their nearest points leaves both along their normals (at a
//! vertex: between the normals of its edges): there the largest disc between them touches both, so that the middle
//! is a point of the medial axis and the distance its width. Of places that continue each other along both edges the
//! narrowest is the neck. Tips, where edges run together into a corner, are no necks: they are told apart by how fast
//! the width grows away from the end that closes them.

use super::DUST_NM;
use crate::regions::{
    Bounds, EdgeIndex, Regions, Shape, clusters, holds_disc, is_convex, nearest_on_segment,
};
use crate::sets::Sets;
use crate::stencil::geometry::{V, cross, dot, len, middle, sub, v};
use crate::units::NM_PER_UM;
use rayon::prelude::*;
use rustc_hash::FxHashMap;

/// What lies between the edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Between {
    Foil,
    Opening,
}

#[derive(Debug, Clone, Copy)]
pub struct Neck {
    pub between: Between,
    pub at: V,
    pub width_nm: f64,
}

impl Neck {
    pub fn width_um(&self) -> f64 {
        self.width_nm / NM_PER_UM
    }
}

/// A place where two openings, or two parts of one, touch.
#[derive(Debug, Clone, Copy)]
pub struct Touch {
    pub at: V,
}

#[derive(Debug, Default)]
pub struct Found {
    pub necks: Vec<Neck>,
    pub touches: Vec<Touch>,
}

struct Pair {
    between: Between,
    edges: [usize; 2],
    at: V,
    width: f64,
}

enum Facing {
    Pair(Pair),
    Touch(V),
}

struct EdgeData {
    a: V,
    b: V,
    dir: V,
    out: V,
    before: usize,
    after: usize,
    ring: usize,
    /// Largest sine of the angle to the edge's normal under which a line can leave it, at its ends too.
    lean: f64,
    /// Distance of `a` from the ring's first vertex along the ring, and twice the area swept from there about it.
    start: f64,
    swept: f64,
}

/// Distances below this are a touch: the grid rounds each end by half a nanometre.
const TOUCH_NM: f64 = 1.5;
/// Edges that all processors look round at once.
const BLOCK: usize = 16_384;
/// How far from a normal a line may leave an edge and still count (sine of the angle): edges of flattened curves
/// turn by about this much from one to the next.
const OFF_NORMAL: f64 = 0.05;
/// Half the width grows faster than this away from the end of a tip; slits grow more slowly.
const TIP_SLOPE: f64 = 0.04;

/// All necks of `openings` narrower than `web_nm` (foil) or `opening_nm`, and all touches.
pub fn find(openings: &Regions, web_nm: f64, opening_nm: f64) -> Found {
    let openings = &suspects(openings, web_nm, opening_nm);
    let index = EdgeIndex::new(openings);
    let (edges, starts, rings) = edge_data(openings);
    let reach = web_nm.max(opening_nm).max(2.0 * TOUCH_NM);
    let of_edge = |i: usize| {
        let e = &edges[i];
        let mut found: Vec<Facing> = Vec::new();
        let mut across: Vec<(f64, usize, [V; 2])> = Vec::new();
        let low = [e.a[0].min(e.b[0]) - reach, e.a[1].min(e.b[1]) - reach];
        let high = [e.a[0].max(e.b[0]) + reach, e.a[1].max(e.b[1]) + reach];
        for other in index.in_box(low, high) {
            let j = starts[other.ring as usize] + other.vertex as usize;
            if j <= i || j == e.after || j == e.before {
                continue;
            }
            if askew(e, &edges[j]) {
                continue;
            }
            let (width, p, q) = nearest(e, &edges[j]);
            if width < DUST_NM && is_dust(&edges, &rings, [i, j], p, q) {
                continue;
            }
            if width < TOUCH_NM {
                found.push(Facing::Touch(middle(p, q)));
            } else if width < reach {
                across.push((width, j, [p, q]));
            }
        }
        // From near to far: what lies behind an edge that faces this one is not across a web.
        across.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut pairs: Vec<Pair> = Vec::new();
        for (width, j, ends) in across {
            if !pairs.iter().any(|p| crosses(ends, &edges[p.edges[1]])) {
                let limits = [web_nm, opening_nm];
                pairs.extend(facing(&edges, &rings, [i, j], width, ends, limits));
            }
        }
        found.extend(pairs.into_iter().map(Facing::Pair));
        found
    };
    let mut pairs = Vec::new();
    let mut touches: Vec<Touch> = Vec::new();
    // So many at once that little waits to be put in order.
    let blocks = (0..edges.len()).step_by(BLOCK).flat_map(|first| {
        let all: Vec<Vec<Facing>> = (first..edges.len().min(first + BLOCK))
            .into_par_iter()
            .with_min_len(256)
            .map(of_edge)
            .collect();
        all.into_iter().flatten()
    });
    for found in blocks {
        match found {
            Facing::Pair(pair) => pairs.push(pair),
            Facing::Touch(at) => {
                // Several edges meet at one place, next to each other in this order.
                let new = |t: &Touch| len(sub(t.at, at)) > 1e3;
                if touches.iter().rev().take(16).all(new) {
                    touches.push(Touch { at });
                }
            }
        }
    }
    Found {
        necks: merge(&edges, pairs),
        touches,
    }
}

/// Shapes that may have necks. Left out are those that stand alone and are so compact that no two of their edges
/// face each other within the limit.
fn suspects(openings: &Regions, web_nm: f64, opening_nm: f64) -> Regions {
    let boxes: Vec<Bounds> = openings
        .shapes()
        .map(|s| s.bounds().grown((web_nm / 2.0).ceil() as i32 + 1))
        .collect();
    let mut apart = vec![false; boxes.len()];
    for group in clusters(&boxes).iter() {
        if let [one] = *group {
            apart[one as usize] = true;
        }
    }
    let compact: Vec<bool> = (0..openings.len())
        .into_par_iter()
        .with_min_len(256)
        .map(|i| apart[i] && is_compact(openings.shape(i), opening_nm))
        .collect();
    let mut next = compact.iter();
    openings.filter(|_| !next.next().copied().unwrap_or(false))
}

/// Whether a shape is convex and too wide in every direction for a neck.
///
/// Where two edges of a convex shape face each other over `w`, its lines bound the shape to a width of at most
/// `w + 2 tan(asin(OFF_NORMAL)) D` in that direction, `D` its largest extent. A shape that holds a disc is at least as
/// wide as the disc.
fn is_compact(shape: Shape<'_>, opening_nm: f64) -> bool {
    if shape.holes().len() > 0 {
        return false;
    }
    let ring = shape.outer();
    let centre = shape.bounds().middle();
    let extent = 2.0
        * ring
            .iter()
            .map(|&p| len(sub(v(p), centre)))
            .fold(0.0, f64::max);
    let wide = opening_nm + 2.01 * OFF_NORMAL * extent;
    holds_disc(ring, centre, wide / 2.0) && is_convex(ring)
}

/// First edge of a ring, its length, and twice its area.
struct RingData {
    first: usize,
    length: f64,
    swept: f64,
}

fn edge_data(openings: &Regions) -> (Vec<EdgeData>, Vec<usize>, Vec<RingData>) {
    let mut edges: Vec<EdgeData> = Vec::with_capacity(openings.vertex_count());
    let (mut starts, mut rings) = (Vec::new(), Vec::new());
    for (index, ring) in openings.rings().enumerate() {
        let (start, n) = (edges.len(), ring.len());
        starts.push(start);
        let (mut walked, mut swept) = (0.0, 0.0);
        for i in 0..n {
            let (a, b) = (v(ring[i]), v(ring[(i + 1) % n]));
            let d = sub(b, a);
            let l = len(d);
            let dir = if l > 0.0 {
                [d[0] / l, d[1] / l]
            } else {
                [0.0; 2]
            };
            edges.push(EdgeData {
                a,
                b,
                dir,
                out: [dir[1], -dir[0]],
                before: start + (i + n - 1) % n,
                after: start + (i + 1) % n,
                ring: index,
                lean: 0.0,
                start: walked,
                swept,
            });
            walked += l;
            swept += cross(sub(a, v(ring[0])), sub(b, v(ring[0])));
        }
        for i in start..edges.len() {
            let turn = |other: usize| len(sub(edges[i].dir, edges[other].dir));
            let lean = turn(edges[i].before).max(turn(edges[i].after)) + OFF_NORMAL;
            edges[i].lean = lean;
        }
        rings.push(RingData {
            first: start,
            length: walked,
            swept,
        });
    }
    (edges, starts, rings)
}

/// Whether the outline between `p` and `q`, one way round or the other, encloses only dust: a spike or a hair that
/// rounding left.
fn is_dust(edges: &[EdgeData], rings: &[RingData], [i, j]: [usize; 2], p: V, q: V) -> bool {
    let (e, f) = (&edges[i], &edges[j]);
    if e.ring != f.ring {
        return false;
    }
    // `i` comes before `j` in the ring.
    let ring = &rings[e.ring];
    let origin = edges[ring.first].a;
    let swept = |a: V, b: V| cross(sub(a, origin), sub(b, origin));
    let ahead = f.swept + swept(f.a, q) - (e.swept + swept(e.a, p)) + swept(q, p);
    let long = f.start + len(sub(q, f.a)) - (e.start + len(sub(p, e.a)));
    ahead.abs() < DUST_NM * long || (ring.swept - ahead).abs() < DUST_NM * (ring.length - long)
}

/// Whether the edges neither touch nor face each other because every line between them runs along one of them.
fn askew(e: &EdgeData, f: &EdgeData) -> bool {
    // No longer than this is the shortest line; what it takes off at most is rounding's.
    let width = len(sub(e.a, f.a)) * 1.001 + 1.0;
    let between = |along: &EdgeData| {
        let (p, q) = (dot(e.a, along.dir), dot(e.b, along.dir));
        let (r, s) = (dot(f.a, along.dir), dot(f.b, along.dir));
        (r.min(s) - p.max(q)).max(p.min(q) - r.max(s))
    };
    let misses = |along: &EdgeData| between(along) > (along.lean * width).max(2.0 * TOUCH_NM);
    misses(e) || misses(f)
}

/// Distance of two edges and the points that are so near.
fn nearest(e: &EdgeData, f: &EdgeData) -> (f64, V, V) {
    let mut best = (f64::INFINITY, e.a, f.a);
    for p in [e.a, e.b] {
        let (q, d) = nearest_on_segment(p, f.a, f.b);
        if d < best.0 {
            best = (d, p, q);
        }
    }
    for q in [f.a, f.b] {
        let (p, d) = nearest_on_segment(q, e.a, e.b);
        if d < best.0 {
            best = (d, p, q);
        }
    }
    best
}

/// Whether the line from `p` to `q` goes through an edge or past an end of it as near as edges touch; `p` and `q`
/// themselves lie away from it.
fn crosses([p, q]: [V; 2], f: &EdgeData) -> bool {
    let d = sub(q, p);
    let near = TOUCH_NM * len(d);
    let (a, b) = (cross(d, sub(f.a, p)), cross(d, sub(f.b, p)));
    let (c, e) = (cross(f.dir, sub(p, f.a)), cross(f.dir, sub(q, f.a)));
    a.min(b) <= near && a.max(b) >= -near && c * e < 0.0 && c.abs().min(e.abs()) > TOUCH_NM
}

/// Which side of the edge the unit vector `d` leaves from its point `p`: positive outside, negative inside, zero
/// where it leaves along no normal.
fn leaves(edges: &[EdgeData], i: usize, p: V, d: V) -> f64 {
    let e = &edges[i];
    let (before, after) = if dot(d, e.dir).abs() <= OFF_NORMAL {
        // Square to the edge itself: the whole of it faces that way, its ends too.
        (e, e)
    } else if len(sub(p, e.a)) < 1.0 {
        (&edges[e.before], e)
    } else if len(sub(p, e.b)) < 1.0 {
        (e, &edges[e.after])
    } else {
        (e, e)
    };
    if dot(d, before.dir) < -OFF_NORMAL || dot(d, after.dir) > OFF_NORMAL {
        return 0.0;
    }
    dot(d, before.out) + dot(d, after.out)
}

fn facing(
    edges: &[EdgeData],
    rings: &[RingData],
    pair: [usize; 2],
    width: f64,
    [p, q]: [V; 2],
    [web, opening]: [f64; 2],
) -> Option<Pair> {
    let [i, j] = pair;
    let d = sub(q, p);
    let d = [d[0] / width, d[1] / width];
    let (u, w) = (leaves(edges, i, p, d), leaves(edges, j, q, [-d[0], -d[1]]));
    let between = if u > 0.0 && w > 0.0 {
        Between::Foil
    } else if u < 0.0 && w < 0.0 {
        Between::Opening
    } else {
        return None;
    };
    let limit = match between {
        Between::Foil => web,
        Between::Opening => opening,
    };
    (width < limit && !in_tip(edges, rings, pair, width, p, q, d)).then(|| Pair {
        between,
        edges: pair,
        at: middle(p, q),
        width,
    })
}

/// Whether the edges run together into a tip that the outline closes behind `p` and `q`.
fn in_tip(
    edges: &[EdgeData],
    rings: &[RingData],
    [i, j]: [usize; 2],
    width: f64,
    p: V,
    q: V,
    d: V,
) -> bool {
    let (e, f) = (&edges[i], &edges[j]);
    if e.ring != f.ring {
        return false;
    }
    let along = |e: &EdgeData, p: V| e.start + len(sub(p, e.a));
    let forward = (along(f, q) - along(e, p)).rem_euclid(rings[e.ring].length);
    let back = rings[e.ring].length - forward;
    // From the tip outwards both edges are walked away from it: one with its direction, one against it.
    let sign = if forward <= back { 1.0 } else { -1.0 };
    let slope = sign * (dot(d, f.dir) + dot(d, e.dir)) / 2.0;
    // A wedge with half angle h closes over w / sin h.
    slope > TIP_SLOPE && forward.min(back) * slope < 1.6 * width
}

fn merge(edges: &[EdgeData], pairs: Vec<Pair>) -> Vec<Neck> {
    let mut places = Sets::new(pairs.len());
    let key = |side: Between, i: usize, j: usize| (side as u8, i.min(j), i.max(j));
    let mut seen: FxHashMap<(u8, usize, usize), usize> = FxHashMap::default();
    for (n, pair) in pairs.iter().enumerate() {
        let [i, j] = pair.edges;
        seen.insert(key(pair.between, i, j), n);
    }
    for (n, pair) in pairs.iter().enumerate() {
        // Pairs that continue each other along both edges are one place.
        let near = |i: usize| [edges[i].before, i, edges[i].after];
        for i in near(pair.edges[0]) {
            for j in near(pair.edges[1]) {
                if let Some(&other) = seen.get(&key(pair.between, i, j)) {
                    places.join(n, other);
                }
            }
        }
    }
    let mut narrowest: std::collections::BTreeMap<usize, usize> = std::collections::BTreeMap::new();
    for n in 0..pairs.len() {
        let r = places.root(n);
        let best = narrowest.entry(r).or_insert(n);
        if pairs[n].width < pairs[*best].width {
            *best = n;
        }
    }
    narrowest
        .into_values()
        .map(|n| Neck {
            between: pairs[n].between,
            at: pairs[n].at,
            width_nm: pairs[n].width,
        })
        .collect()
}
