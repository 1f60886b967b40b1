//! The shares of the openings: what each stencil gets, overlapping at the seams, so that together they are the
//! drawing to the last grid step.

use super::bands::Seam;
use crate::regions::{EdgeIndex, Point, Regions, union_all};
use crate::stencil::geometry::{V, crossing, len, point, sub, v};
use std::collections::BTreeMap;

/// How far the end of a lap may move along an outline to find a grid point on it, nanometres.
const SLIDE_NM: f64 = 300.0;

/// Points that laps need on the outline of the drawing: grid points on or next to its edges.
#[derive(Debug, Default)]
pub(super) struct Knots {
    /// By ring and first vertex of the edge.
    at: BTreeMap<(u32, u32), Vec<Point>>,
}

impl Knots {
    /// The overlap of two shares at a seam: a strip `overlap_nm` wide whose sides cross the outline at knots.
    pub fn lap(
        &mut self,
        seam: &Seam,
        overlap_nm: f64,
        drawn: &Regions,
        edges: &EdgeIndex,
    ) -> Regions {
        let d = sub(seam.to, seam.from);
        let l = len(d).max(1e-9);
        let slide = SLIDE_NM.min(overlap_nm / 32.0);
        // Wider by what a knot may slide, so that the overlap is nowhere less than asked for.
        let half = overlap_nm / 2.0 + slide;
        let n = [-d[1] / l * half, d[0] / l * half];
        let corner = |p: V, k: f64| v(point([p[0] + k * n[0], p[1] + k * n[1]]));
        let corners = [
            corner(seam.from, -1.0),
            corner(seam.to, -1.0),
            corner(seam.to, 1.0),
            corner(seam.from, 1.0),
        ];
        let mut ring = Vec::new();
        for (k, &a) in corners.iter().enumerate() {
            let b = corners[(k + 1) % 4];
            ring.push(point(a));
            let mut hits: Vec<(f64, Point)> = edges
                .in_box(
                    [a[0].min(b[0]), a[1].min(b[1])],
                    [a[0].max(b[0]), a[1].max(b[1])],
                )
                .filter_map(|e| {
                    let t = crossing(a, b, e.a, e.b)?;
                    let c = [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
                    let (knot, inserted) = on_edge(point(e.a), point(e.b), c, slide);
                    if inserted {
                        self.at.entry((e.ring, e.vertex)).or_default().push(knot);
                    }
                    Some((t, knot))
                })
                .collect();
            hits.sort_by(|x, y| x.0.total_cmp(&y.0));
            ring.extend(hits.into_iter().map(|h| h.1));
        }
        debug_assert!(!drawn.is_empty());
        ring.dedup();
        let mut lap = Regions::new();
        lap.push_ring(&ring);
        lap.close_shape();
        union_all([&lap])
    }

    /// The drawing with the knots in its outline, and the area by which they change it, square nanometres.
    pub fn into_outline(self, drawn: &Regions) -> (Regions, f64) {
        let mut out = Regions::new();
        let mut off_nm2 = 0.0;
        let mut ring_index = 0u32;
        for shape in drawn.shapes() {
            for ring in shape.rings() {
                let mut points = Vec::with_capacity(ring.len() + 8);
                for (i, &a) in ring.iter().enumerate() {
                    points.push(a);
                    let Some(knots) = self.at.get(&(ring_index, i as u32)) else {
                        continue;
                    };
                    let b = ring[(i + 1) % ring.len()];
                    let mut knots = knots.clone();
                    knots.sort_by_key(|&k| distance2(a, k));
                    knots.dedup();
                    let mut last = a;
                    for &k in knots.iter().chain([&b]) {
                        off_nm2 += twice_area(last, k, a).unsigned_abs() as f64 / 2.0;
                        last = k;
                    }
                    points.extend(knots);
                }
                out.push_ring(&points);
                ring_index += 1;
            }
            out.close_shape();
        }
        (out, off_nm2)
    }
}

fn distance2(a: Point, b: Point) -> i64 {
    let (x, y) = (
        i64::from(a.x) - i64::from(b.x),
        i64::from(a.y) - i64::from(b.y),
    );
    x * x + y * y
}

fn twice_area(a: Point, b: Point, c: Point) -> i64 {
    let (x, y) = (
        i64::from(b.x) - i64::from(a.x),
        i64::from(b.y) - i64::from(a.y),
    );
    let (z, w) = (
        i64::from(c.x) - i64::from(a.x),
        i64::from(c.y) - i64::from(a.y),
    );
    x * w - y * z
}

/// The grid point within `slide` of `c` that lies best on the edge `a b`, and whether it is new on it.
fn on_edge(a: Point, b: Point, c: V, slide: f64) -> (Point, bool) {
    for end in [a, b] {
        if len(sub(v(end), c)) <= slide {
            return (end, false);
        }
    }
    let d = sub(v(b), v(a));
    let steep = d[1].abs() > d[0].abs();
    let (long, across) = if steep { (1, 0) } else { (0, 1) };
    let (a0, a1) = (v(a)[long] as i64, v(a)[across] as i64);
    let (d0, d1) = (d[long] as i64, d[across] as i64);
    let middle = c[long].round() as i64;
    let reach = (slide * d[long].abs() / len(d)) as i64;
    let mut best = (i64::MAX, 0, 0);
    for k in 0..=2 * reach {
        // Nearest first: 0, 1, -1, 2, -2 ...
        let u = middle + if k % 2 == 0 { -k / 2 } else { k / 2 + 1 };
        let along = u - a0;
        let w = a1 + (along as f64 * d1 as f64 / d0 as f64).round() as i64;
        let off = (d0 * (w - a1) - d1 * along).abs();
        if off < best.0 {
            best = (off, u, w);
            if off == 0 {
                break;
            }
        }
    }
    let (u, w) = (best.1 as i32, best.2 as i32);
    let p = if steep {
        Point::new(w, u)
    } else {
        Point::new(u, w)
    };
    (p, true)
}
