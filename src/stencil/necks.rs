//! Necks: every place where two edges face each other closer than a limit, with the exact distance.
//!
//! The width of a neck is the least distance of the two edges, which polygons take at a vertex of one of
//! them; pairs of facing edges that continue each other are one neck. Across a neck nothing else of the
//! outline comes nearer: a disc with its ends as diameter is empty. So no chord of a round hole or of a
//! rounded corner is taken for one.

use super::geometry::{V, dot, len, middle, sub, v};
use crate::regions::{
    Bounds, Point, Regions, Shape, clusters, holds_disc, is_convex, nearest_on_segment,
};
use rayon::prelude::*;
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};
use rustc_hash::FxHashMap;

/// How much of the disc across a neck must be empty.
const EMPTY: f64 = 0.95;
/// Least cosine between the line across and the outward directions at its ends.
const FACING: f64 = 0.5;
/// The same for sides of a long neck, in whose middle the line across is drawn.
const ALONGSIDE: f64 = 0.9;
/// Edges searched by one thread at a time; results do not depend on it.
const CHUNK_EDGES: usize = 4096;

/// What lies between the edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
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

struct Pair {
    between: Between,
    edges: [u32; 2],
    at: V,
    width: f64,
}

/// An edge with its outward direction and those of its neighbours. Ids number all edges of the region.
struct Edge {
    a: V,
    b: V,
    out: V,
    out_before: V,
    out_after: V,
    id: u32,
    before: u32,
    after: u32,
    /// The shape, where it is so wide that it has no neck of its own.
    wide: Option<u32>,
}

type Tree = RTree<GeomWithData<Rectangle<V>, u32>>;

/// All necks of `openings` narrower than `web_nm` (foil) or `opening_nm`.
pub fn find(openings: &Regions, web_nm: f64, opening_nm: f64) -> Vec<Neck> {
    let edges = doubtful(openings, web_nm, opening_nm);
    let boxes = edges.iter().enumerate();
    let tree: Tree = RTree::bulk_load(
        boxes
            .map(|(i, e)| GeomWithData::new(Rectangle::from_corners(e.a, e.b), i as u32))
            .collect(),
    );
    let reach = web_nm.max(opening_nm);
    let search = |(n, chunk): (usize, &[Edge])| {
        let mut pairs = Vec::new();
        for (k, e) in chunk.iter().enumerate() {
            let i = n * CHUNK_EDGES + k;
            let low = [e.a[0].min(e.b[0]) - reach, e.a[1].min(e.b[1]) - reach];
            let high = [e.a[0].max(e.b[0]) + reach, e.a[1].max(e.b[1]) + reach];
            for other in tree.locate_in_envelope_intersecting(&AABB::from_corners(low, high)) {
                let j = other.data as usize;
                let f = &edges[j];
                if j <= i
                    || f.id == e.after
                    || f.id == e.before
                    || (e.wide.is_some() && e.wide == f.wide)
                {
                    continue;
                }
                if let Some(pair) = facing(e, f, web_nm, opening_nm)
                    && is_neck(&edges, &tree, i, j, &pair)
                {
                    pairs.push(pair.0);
                }
            }
        }
        pairs
    };
    let found: Vec<Vec<Pair>> = edges
        .par_chunks(CHUNK_EDGES)
        .enumerate()
        .map(search)
        .collect();
    merge(&edges, found.into_iter().flatten().collect())
}

/// The edges that may lie at a neck: all of shapes that may have one of their own, and of the others those
/// near another shape.
fn doubtful(openings: &Regions, web_nm: f64, opening_nm: f64) -> Vec<Edge> {
    let shapes: Vec<usize> = (0..openings.len()).collect();
    let known: Vec<(Bounds, bool)> = shapes
        .par_iter()
        .with_min_len(512)
        .map(|&i| {
            let shape = openings.shape(i);
            (shape.bounds(), is_wide(shape, opening_nm))
        })
        .collect();
    let half_web = (web_nm / 2.0).ceil() as i32 + 1;
    let grown: Vec<Bounds> = known.iter().map(|k| k.0.grown(half_web)).collect();
    let mut lone = vec![false; openings.len()];
    for group in clusters(&grown) {
        if let [one] = group[..] {
            lone[one] = true;
        }
    }
    let corners = |b: &Bounds| (v(b.min), v(b.max));
    let crowd = shapes.iter().filter(|&&i| !lone[i]);
    let crowd: Tree = RTree::bulk_load(
        crowd
            .map(|&i| {
                let (low, high) = corners(&grown[i]);
                GeomWithData::new(Rectangle::from_corners(low, high), i as u32)
            })
            .collect(),
    );
    let mut first = vec![0u32; openings.len()];
    let mut count = 0;
    for (i, shape) in openings.shapes().enumerate() {
        first[i] = count;
        count += shape.rings().map(<[Point]>::len).sum::<usize>() as u32;
    }
    let per_shape: Vec<Vec<Edge>> = shapes
        .par_iter()
        .with_min_len(512)
        .map(|&i| {
            let (bounds, wide) = known[i];
            if wide && lone[i] {
                return Vec::new();
            }
            let near: Vec<(V, V)> = if wide {
                let (low, high) = corners(&bounds.grown(half_web));
                crowd
                    .locate_in_envelope_intersecting(&AABB::from_corners(low, high))
                    .filter(|g| g.data as usize != i)
                    .map(|g| corners(&grown[g.data as usize].grown(half_web)))
                    .collect()
            } else {
                Vec::new()
            };
            let mut edges = edges_of(openings.shape(i), first[i], wide.then_some(i as u32));
            if wide {
                edges.retain(|e| {
                    near.iter().any(|(low, high)| {
                        (0..2)
                            .all(|k| e.a[k].max(e.b[k]) >= low[k] && e.a[k].min(e.b[k]) <= high[k])
                    })
                });
            }
            edges
        })
        .collect();
    per_shape.into_iter().flatten().collect()
}

/// Whether the shape is convex and surely nowhere narrower than `limit_nm`: a disc about its middle that
/// wide fits inside, and every pair of parallel lines that hold a convex shape between them holds the disc.
fn is_wide(shape: Shape<'_>, limit_nm: f64) -> bool {
    let ring = shape.outer();
    if shape.holes().len() > 0 || !is_convex(ring) {
        return false;
    }
    let sum = ring.iter().fold([0.0; 2], |s, p| {
        [s[0] + f64::from(p.x), s[1] + f64::from(p.y)]
    });
    let n = ring.len() as f64;
    // The middle of the box serves well where vertices are spread unevenly.
    [[sum[0] / n, sum[1] / n], shape.bounds().middle()]
        .iter()
        .any(|&centre| holds_disc(ring, centre, limit_nm / 2.0))
}

fn edges_of(shape: Shape<'_>, first: u32, wide: Option<u32>) -> Vec<Edge> {
    let mut edges = Vec::new();
    let mut start = first;
    for ring in shape.rings() {
        let n = ring.len();
        let out = |i: usize| {
            let d = sub(v(ring[(i + 1) % n]), v(ring[i % n]));
            let l = len(d).max(1e-9);
            [d[1] / l, -d[0] / l]
        };
        for i in 0..n {
            let (before, after) = ((i + n - 1) % n, (i + 1) % n);
            edges.push(Edge {
                a: v(ring[i]),
                b: v(ring[after]),
                out: out(i),
                out_before: out(before),
                out_after: out(after),
                id: start + i as u32,
                before: start + before as u32,
                after: start + after as u32,
                wide,
            });
        }
        start += n as u32;
    }
    edges
}

/// Outward direction at a point of an edge; at its ends, between the directions of both edges there.
fn outward(e: &Edge, p: V) -> V {
    let with = |other: V| {
        let s = [e.out[0] + other[0], e.out[1] + other[1]];
        let l = len(s);
        if l < 1e-6 {
            e.out
        } else {
            [s[0] / l, s[1] / l]
        }
    };
    if len(sub(p, e.a)) < 1.0 {
        with(e.out_before)
    } else if len(sub(p, e.b)) < 1.0 {
        with(e.out_after)
    } else {
        e.out
    }
}

/// Two edges that face each other, and the ends of the shortest line between them.
fn facing(e: &Edge, f: &Edge, web: f64, opening: f64) -> Option<(Pair, V, V)> {
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
    let (width, p, q) = best;
    if width < 1.0 || width >= web.max(opening) {
        return None;
    }
    let d = sub(q, p);
    let (u, w) = (
        dot(d, outward(e, p)) / width,
        -dot(d, outward(f, q)) / width,
    );
    let between = if u > FACING && w > FACING {
        Between::Foil
    } else if u < -FACING && w < -FACING {
        Between::Opening
    } else {
        return None;
    };
    let limit = match between {
        Between::Foil => web,
        Between::Opening => opening,
    };
    (width < limit).then(|| {
        let pair = Pair {
            between,
            edges: [e.id, f.id],
            at: middle(p, q),
            width,
        };
        (pair, p, q)
    })
}

/// Whether nothing else comes into the disc across the neck: at its shortest line, or, where the edges run
/// alongside each other, in the middle of the part where they do.
fn is_neck(edges: &[Edge], tree: &Tree, i: usize, j: usize, pair: &(Pair, V, V)) -> bool {
    let (_, p, q) = *pair;
    if is_empty(edges, tree, [i, j], p, q) {
        return true;
    }
    let (e, f) = (&edges[i], &edges[j]);
    let d = sub(e.b, e.a);
    let l2 = dot(d, d).max(1e-9);
    let along = |p: V| (dot(sub(p, e.a), d) / l2).clamp(0.0, 1.0);
    let t = f64::midpoint(along(f.a), along(f.b));
    let p = [e.a[0] + t * d[0], e.a[1] + t * d[1]];
    let (q, width) = nearest_on_segment(p, f.a, f.b);
    let d = sub(q, p);
    dot(d, e.out).abs() > ALONGSIDE * width
        && dot(d, f.out).abs() > ALONGSIDE * width
        && is_empty(edges, tree, [i, j], p, q)
}

fn is_empty(edges: &[Edge], tree: &Tree, own: [usize; 2], p: V, q: V) -> bool {
    let centre = middle(p, q);
    let radius = EMPTY * len(sub(q, p)) / 2.0;
    let low = [centre[0] - radius, centre[1] - radius];
    let high = [centre[0] + radius, centre[1] + radius];
    tree.locate_in_envelope_intersecting(&AABB::from_corners(low, high))
        .map(|g| g.data as usize)
        .filter(|k| !own.contains(k))
        .all(|k| nearest_on_segment(centre, edges[k].a, edges[k].b).1 >= radius)
}

fn merge(edges: &[Edge], pairs: Vec<Pair>) -> Vec<Neck> {
    let mut parent: Vec<usize> = (0..pairs.len()).collect();
    fn root(parent: &mut [usize], mut i: usize) -> usize {
        while parent[i] != i {
            parent[i] = parent[parent[i]];
            i = parent[i];
        }
        i
    }
    let at = |id: u32| &edges[edges.partition_point(|e| e.id < id)];
    let mut seen: FxHashMap<(Between, u32), usize> = FxHashMap::default();
    for (n, pair) in pairs.iter().enumerate() {
        for &edge in &pair.edges {
            for near in [edge, at(edge).before, at(edge).after] {
                if let Some(&other) = seen.get(&(pair.between, near)) {
                    let (a, b) = (root(&mut parent, n), root(&mut parent, other));
                    parent[a.max(b)] = a.min(b);
                }
            }
        }
        for &edge in &pair.edges {
            seen.entry((pair.between, edge)).or_insert(n);
        }
    }
    let mut narrowest: std::collections::BTreeMap<usize, usize> = std::collections::BTreeMap::new();
    for n in 0..pairs.len() {
        let r = root(&mut parent, n);
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
