//! Necks: every place where two edges face each other closer than a limit, with the exact distance.
//!
//! The width of a neck is the least distance of the two edges, which polygons take at a vertex of one of
//! them; pairs of facing edges that continue each other are one neck.

use super::geometry::{V, dot, len, middle, sub, v};
use crate::regions::{EdgeIndex, Regions, nearest_on_segment};
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

struct Pair {
    between: Between,
    edges: [usize; 2],
    at: V,
    width: f64,
}

struct EdgeData {
    a: V,
    b: V,
    out: V,
    before: usize,
    after: usize,
}

/// All necks of `openings` narrower than `web_nm` (foil) or `opening_nm`.
pub fn find(openings: &Regions, web_nm: f64, opening_nm: f64) -> Vec<Neck> {
    let index = EdgeIndex::new(openings);
    let mut edges: Vec<EdgeData> = Vec::with_capacity(openings.vertex_count());
    let mut starts = Vec::new();
    for ring in openings.rings() {
        let (start, n) = (edges.len(), ring.len());
        starts.push(start);
        for i in 0..n {
            let (a, b) = (v(ring[i]), v(ring[(i + 1) % n]));
            let d = sub(b, a);
            let l = len(d).max(1e-9);
            edges.push(EdgeData {
                a,
                b,
                out: [d[1] / l, -d[0] / l],
                before: start + (i + n - 1) % n,
                after: start + (i + 1) % n,
            });
        }
    }
    let reach = web_nm.max(opening_nm);
    let mut pairs = Vec::new();
    for (i, e) in edges.iter().enumerate() {
        let low = [e.a[0].min(e.b[0]) - reach, e.a[1].min(e.b[1]) - reach];
        let high = [e.a[0].max(e.b[0]) + reach, e.a[1].max(e.b[1]) + reach];
        for other in index.in_box(low, high) {
            let j = starts[other.ring as usize] + other.vertex as usize;
            if j <= i || j == e.after || j == e.before {
                continue;
            }
            pairs.extend(facing(&edges, i, j, web_nm, opening_nm));
        }
    }
    merge(&edges, pairs)
}

/// Outward direction at a point of an edge; at its ends, between the directions of both edges there.
fn outward(edges: &[EdgeData], i: usize, p: V) -> V {
    let e = &edges[i];
    let with = |k: usize| {
        let s = [e.out[0] + edges[k].out[0], e.out[1] + edges[k].out[1]];
        let l = len(s);
        if l < 1e-6 {
            e.out
        } else {
            [s[0] / l, s[1] / l]
        }
    };
    if len(sub(p, e.a)) < 1.0 {
        with(e.before)
    } else if len(sub(p, e.b)) < 1.0 {
        with(e.after)
    } else {
        e.out
    }
}

fn facing(edges: &[EdgeData], i: usize, j: usize, web: f64, opening: f64) -> Option<Pair> {
    let (e, f) = (&edges[i], &edges[j]);
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
        dot(d, outward(edges, i, p)) / width,
        -dot(d, outward(edges, j, q)) / width,
    );
    let between = if u > 0.5 && w > 0.5 {
        Between::Foil
    } else if u < -0.5 && w < -0.5 {
        Between::Opening
    } else {
        return None;
    };
    let limit = match between {
        Between::Foil => web,
        Between::Opening => opening,
    };
    (width < limit).then(|| Pair {
        between,
        edges: [i, j],
        at: middle(p, q),
        width,
    })
}

fn merge(edges: &[EdgeData], pairs: Vec<Pair>) -> Vec<Neck> {
    let mut parent: Vec<usize> = (0..pairs.len()).collect();
    fn root(parent: &mut [usize], mut i: usize) -> usize {
        while parent[i] != i {
            parent[i] = parent[parent[i]];
            i = parent[i];
        }
        i
    }
    let mut seen: FxHashMap<(Side, usize), usize> = FxHashMap::default();
    for (n, pair) in pairs.iter().enumerate() {
        for &edge in &pair.edges {
            for near in [edge, edges[edge].before, edges[edge].after] {
                if let Some(&other) = seen.get(&(pair.between as Side, near)) {
                    let (a, b) = (root(&mut parent, n), root(&mut parent, other));
                    parent[a.max(b)] = a.min(b);
                }
            }
        }
        for &edge in &pair.edges {
            seen.entry((pair.between as Side, edge)).or_insert(n);
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

type Side = u8;
