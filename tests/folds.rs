//! Insets of convex rings: where their vertices lie, and what is no convex ring.

use foilwright::regions::{FillRule, Point, Regions, inset, is_simple, normalise};
use std::f64::consts::PI;

const RADIUS_NM: f64 = 2_500.0;

fn at(x: f64, y: f64) -> Point {
    Point::new(x.round() as i32, y.round() as i32)
}

/// Vertices on a circle, unevenly spaced, that go round it `times`.
fn polygon(n: usize, radius: f64, times: f64) -> Vec<Point> {
    (0..n)
        .map(|k| {
            // Weyl's sequence: multiples of the golden ratio modulo one are spread evenly.
            let uneven = 0.6 * (k as f64 * 0.618_033_988_749_895).fract();
            let a = (k as f64 + uneven) / n as f64 * 2.0 * PI * times;
            at(radius * a.cos(), radius * a.sin())
        })
        .collect()
}

fn raw(ring: &[Point]) -> Regions {
    let mut out = Regions::new();
    out.push_ring(ring);
    out.close_shape();
    out
}

/// Where the edges that meet at `b` meet when moved inwards: two lines, by Cramer's rule.
fn meeting([a, b, c]: [Point; 3]) -> [f64; 2] {
    let line = |p: Point, q: Point| {
        let (dx, dy) = (f64::from(q.x - p.x), f64::from(q.y - p.y));
        let length = dx.hypot(dy);
        let inwards = [-dy / length, dx / length];
        (inwards, RADIUS_NM)
    };
    let ((m, s), (k, t)) = (line(a, b), line(b, c));
    let by = m[0] * k[1] - m[1] * k[0];
    [
        f64::from(b.x) + (s * k[1] - t * m[1]) / by,
        f64::from(b.y) + (m[0] * t - k[0] * s) / by,
    ]
}

/// Every count of vertices that fills vectors in another way, rings worked on in parts, edges shorter and longer than
/// 2^26 nm. A rounded vertex lies within half a diagonal of the grid: 0.708 nm.
#[test]
fn vertices_of_convex_insets_lie_where_the_moved_edges_meet() {
    let few = (3..=70).map(|n| (n, 20_000.0 * n as f64));
    let long = (3..=12).map(|n| (n, 5e8));
    let many = [1_023, 1_024, 1_025, 5_000].map(|n| (n, 20_000.0 * n as f64));
    for (n, radius) in few.chain(long).chain(many) {
        let drawn = raw(&polygon(n, radius, 1.0));
        let got = inset(&drawn, RADIUS_NM, 10.0);
        assert_eq!((got.len(), got.vertex_count()), (1, n), "{n} of {radius}");
        let ring = drawn.points();
        for (i, p) in got.points().iter().enumerate() {
            let [x, y] = meeting([ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]]);
            let off = (f64::from(p.x) - x).hypot(f64::from(p.y) - y);
            assert!(off <= 0.708, "{n} of {radius}, vertex {i}: {off} nm off");
        }
    }
}

/// Such a ring turns to the left at every corner, and no edge of its inset is turned round.
#[test]
fn rings_that_go_round_twice_are_not_taken_for_convex() {
    for n in (9..=65).step_by(2) {
        let drawn = raw(&polygon(n, 20_000.0 * n as f64, 2.0));
        let got = inset(&drawn, RADIUS_NM, 10.0);
        assert!(!got.is_empty() && got.rings().all(is_simple), "{n}");
    }
}

#[test]
fn vertices_along_straight_edges_change_nothing() {
    for parts in 1..=20 {
        let side = 100_000.0;
        let mut ring = Vec::new();
        for (x, y, dx, dy) in [
            (0.0, 0.0, 1.0, 0.0),
            (1.0, 0.0, 0.0, 1.0),
            (1.0, 1.0, -1.0, 0.0),
            (0.0, 1.0, 0.0, -1.0),
        ] {
            for k in 0..parts {
                let t = f64::from(k) / f64::from(parts);
                ring.push(at(side * (x + t * dx), side * (y + t * dy)));
            }
        }
        let got = inset(&raw(&ring), RADIUS_NM, 10.0);
        let want = side - 2.0 * RADIUS_NM;
        assert_eq!((got.len(), got.area_nm2()), (1, want * want), "{parts}");
    }
}

/// Shapes of every kind beside each other: each comes out as it does alone.
#[test]
fn a_shape_comes_out_as_it_does_alone() {
    let mut rings = Vec::new();
    for k in 0..4_000 {
        let c = (f64::from(k % 64) * 1e5, f64::from(k / 64) * 1e5);
        let n = 3 + k as usize % 40;
        // Some with a dent, some with a hole, some too small.
        let size = if k % 7 == 0 { 4_000.0 } else { 40_000.0 };
        let mut ring = polygon(n, size, 1.0);
        if k % 5 == 0 {
            ring[n / 2] = at(
                f64::from(ring[n / 2].x) / 3.0,
                f64::from(ring[n / 2].y) / 3.0,
            );
        }
        if k % 3 == 0 && size > 1e4 {
            rings.push(moved(&polygon(8, 5_000.0, 1.0), c));
        }
        rings.push(moved(&ring, c));
    }
    let drawn = normalise(&rings, FillRule::EvenOdd);
    let got = inset(&drawn, RADIUS_NM, 10.0);
    let mut alone = Regions::new();
    for shape in drawn.shapes() {
        alone.extend(&inset(&shape.to_regions(), RADIUS_NM, 10.0));
    }
    assert_eq!(got, alone);
    let two = rayon::ThreadPoolBuilder::new().num_threads(2).build();
    let two = two.expect("two threads");
    assert_eq!(two.install(|| inset(&drawn, RADIUS_NM, 10.0)), alone);
}

fn moved(ring: &[Point], by: (f64, f64)) -> Vec<Point> {
    let add = |p: &Point| at(f64::from(p.x) + by.0, f64::from(p.y) + by.1);
    ring.iter().map(add).collect()
}
