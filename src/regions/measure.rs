//! Area, length, containment and nearest points.

use super::packed::{Ends, Packed};
use super::{Point, Regions};

/// Signed area of a ring, square nanometres; positive for outer rings.
pub fn ring_area_nm2(ring: &[Point]) -> f64 {
    // Products of two i32 fit an i64.
    let twice: i128 = edges(ring)
        .map(|(a, b)| {
            i128::from(i64::from(a.x) * i64::from(b.y))
                - i128::from(i64::from(b.x) * i64::from(a.y))
        })
        .sum();
    twice as f64 / 2.0
}

/// Length of a ring, nanometres.
pub fn ring_perimeter_nm(ring: &[Point]) -> f64 {
    edges(ring).map(|(a, b)| distance_nm(a, b)).sum()
}

/// Distance of two points, nanometres.
pub fn distance_nm(a: Point, b: Point) -> f64 {
    let (dx, dy) = (
        f64::from(b.x) - f64::from(a.x),
        f64::from(b.y) - f64::from(a.y),
    );
    (dx * dx + dy * dy).sqrt()
}

/// The edges of a closed ring.
pub(crate) fn edges(ring: &[Point]) -> impl Iterator<Item = (Point, Point)> + '_ {
    let n = ring.len();
    (0..n).map(move |i| (ring[i], ring[if i + 1 == n { 0 } else { i + 1 }]))
}

/// Whether the ring encloses the point, by the even-odd rule.
pub fn ring_contains(ring: &[Point], p: Point) -> bool {
    edges(ring).fold(false, |inside, (a, b)| inside ^ is_left_of(p, a, b))
}

/// Whether a level ray from the point to greater x crosses the edge.
fn is_left_of(p: Point, a: Point, b: Point) -> bool {
    (a.y > p.y) != (b.y > p.y) && {
        let cross = (i64::from(b.x) - i64::from(a.x)) as i128
            * (i64::from(p.y) - i64::from(a.y)) as i128
            - (i64::from(p.x) - i64::from(a.x)) as i128 * (i64::from(b.y) - i64::from(a.y)) as i128;
        (cross > 0) == (b.y > a.y)
    }
}

/// Whether a disc of the radius about `centre` lies on the inner side of every edge's line of a positive
/// ring; it is then inside the ring.
pub fn holds_disc(ring: &[Point], centre: [f64; 2], radius_nm: f64) -> bool {
    let r2 = radius_nm * radius_nm;
    edges(ring).all(|(a, b)| {
        let (ax, ay) = (f64::from(a.x), f64::from(a.y));
        let (dx, dy) = (f64::from(b.x) - ax, f64::from(b.y) - ay);
        let (cx, cy) = (centre[0] - ax, centre[1] - ay);
        let twice = dx * cy - dy * cx;
        twice >= 0.0 && twice * twice >= r2 * (dx * dx + dy * dy)
    })
}

/// The nearest point of segment `a b` to `p` and its distance; all nanometres.
pub fn nearest_on_segment(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> ([f64; 2], f64) {
    let d = [b[0] - a[0], b[1] - a[1]];
    let len2 = d[0] * d[0] + d[1] * d[1];
    let t = if len2 > 0.0 {
        (((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / len2).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let q = [a[0] + t * d[0], a[1] + t * d[1]];
    (q, ((p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2)).sqrt())
}

/// One edge of a region, for nearest-edge searches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    pub a: [f64; 2],
    pub b: [f64; 2],
    /// Index of the ring in storage order, and of the edge's first vertex in the ring.
    pub ring: u32,
    pub vertex: u32,
}

impl Ends for Edge {
    fn ends(&self) -> ([f64; 2], [f64; 2]) {
        (self.a, self.b)
    }
}

/// All edges of a region in a tree; coordinates in nanometres.
#[derive(Debug)]
pub struct EdgeIndex(Packed<Edge>);

impl EdgeIndex {
    pub fn new(regions: &Regions) -> EdgeIndex {
        let mut all = Vec::with_capacity(regions.vertex_count());
        for (ring, points) in regions.rings().enumerate() {
            for (vertex, (a, b)) in edges(points).enumerate() {
                all.push(Edge {
                    a: [f64::from(a.x), f64::from(a.y)],
                    b: [f64::from(b.x), f64::from(b.y)],
                    ring: ring as u32,
                    vertex: vertex as u32,
                });
            }
        }
        EdgeIndex(Packed::new(all))
    }
    /// The nearest edge, its nearest point and the distance in nanometres.
    pub fn nearest(&self, p: [f64; 2]) -> Option<(&Edge, [f64; 2], f64)> {
        let edge = self.0.nearest(p)?;
        let (q, d) = nearest_on_segment(p, edge.a, edge.b);
        Some((edge, q, d))
    }
    /// Edges whose distance from `p` is at most `radius_nm`.
    pub fn within(&self, p: [f64; 2], radius_nm: f64) -> impl Iterator<Item = &Edge> {
        self.0.within(p, radius_nm)
    }
    /// Whether the point lies inside the region; even-odd along a level ray.
    pub fn encloses(&self, p: [f64; 2]) -> bool {
        self.in_box(p, [f64::MAX, p[1]])
            .filter(|e| {
                (e.a[1] > p[1]) != (e.b[1] > p[1])
                    && p[0] < e.a[0] + (p[1] - e.a[1]) / (e.b[1] - e.a[1]) * (e.b[0] - e.a[0])
            })
            .count()
            % 2
            == 1
    }
    /// The numbers of the shapes that enclose the point, of which each edge knows its own; by the even-odd rule.
    pub fn around(&self, p: Point, shape: impl Fn(&Edge) -> usize) -> Vec<usize> {
        let at = [f64::from(p.x), f64::from(p.y)];
        let grid = |v: [f64; 2]| Point::new(v[0] as i32, v[1] as i32);
        let mut crossed: Vec<usize> = self
            .in_box(at, [f64::MAX, at[1]])
            .filter(|e| is_left_of(p, grid(e.a), grid(e.b)))
            .map(shape)
            .collect();
        crossed.sort_unstable();
        let odd = crossed.chunk_by(|a, b| a == b).filter(|c| c.len() % 2 == 1);
        odd.map(|c| c[0]).collect()
    }
    /// Edges whose box touches the given box.
    pub fn in_box(&self, min: [f64; 2], max: [f64; 2]) -> impl Iterator<Item = &Edge> {
        self.0.in_box(min, max)
    }
}
