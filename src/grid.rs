//! Segments in a grid of square cells: which of them come near a place?

use crate::polyline::distance;

/// A straight piece of a cut or of a drawn edge, micrometres, page coordinates.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Segment {
    pub a: [f64; 2],
    pub b: [f64; 2],
    /// Burn or ring it belongs to.
    pub owner: u32,
    /// Its number there.
    pub index: u32,
    /// Length along the owner at which it starts.
    pub at_um: f64,
}

impl Segment {
    pub fn nearest(&self, p: [f64; 2]) -> ([f64; 2], f64) {
        let d = [self.b[0] - self.a[0], self.b[1] - self.a[1]];
        let len2 = d[0] * d[0] + d[1] * d[1];
        let t = if len2 > 0.0 {
            (((p[0] - self.a[0]) * d[0] + (p[1] - self.a[1]) * d[1]) / len2).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let q = [self.a[0] + t * d[0], self.a[1] + t * d[1]];
        (q, distance(p, q))
    }
    pub fn length(&self) -> f64 {
        distance(self.a, self.b)
    }
    /// Unit normal on the left of the way from `a` to `b` (x to y): into the opening, for drawn edges.
    pub fn left(&self) -> [f64; 2] {
        let l = self.length().max(1e-12);
        [-(self.b[1] - self.a[1]) / l, (self.b[0] - self.a[0]) / l]
    }
    /// The part of it on the far side of the line through `p` with unit normal `n`, moved `by` along it.
    pub fn beyond(&self, p: [f64; 2], n: [f64; 2], by: f64) -> Option<Segment> {
        let depth = |q: [f64; 2]| n[0] * (q[0] - p[0]) + n[1] * (q[1] - p[1]) - by;
        let (a, b) = (depth(self.a), depth(self.b));
        let mut part = *self;
        match (a >= 0.0, b >= 0.0) {
            (true, true) => {}
            (false, false) => return None,
            (true, false) => part.b = self.at(a / (a - b)),
            (false, true) => part.a = self.at(a / (a - b)),
        }
        Some(part)
    }
    pub fn at(&self, t: f64) -> [f64; 2] {
        [
            self.a[0] + t * (self.b[0] - self.a[0]),
            self.a[1] + t * (self.b[1] - self.a[1]),
        ]
    }
    /// The stretch of the line `p + t d` within `radius` of this segment. The set of points within a
    /// distance of a segment is convex, so the stretch is one interval.
    pub fn interval(&self, p: [f64; 2], d: [f64; 2], radius: f64) -> Option<(f64, f64)> {
        let mut out: Option<(f64, f64)> = None;
        let mut add = |lo: f64, hi: f64| {
            out = Some(out.map_or((lo, hi), |(a, b)| (a.min(lo), b.max(hi))));
        };
        let dd = d[0] * d[0] + d[1] * d[1];
        for c in [self.a, self.b] {
            let w = [p[0] - c[0], p[1] - c[1]];
            let half = (w[0] * d[0] + w[1] * d[1]) / dd;
            let rest = (w[0] * w[0] + w[1] * w[1] - radius * radius) / dd;
            let disc = half * half - rest;
            if disc >= 0.0 {
                let root = disc.sqrt();
                add(-half - root, -half + root);
            }
        }
        let l = self.length();
        if l > 0.0 {
            let u = [(self.b[0] - self.a[0]) / l, (self.b[1] - self.a[1]) / l];
            let w = [p[0] - self.a[0], p[1] - self.a[1]];
            let along = (w[0] * u[0] + w[1] * u[1], d[0] * u[0] + d[1] * u[1]);
            let across = (w[1] * u[0] - w[0] * u[1], d[1] * u[0] - d[0] * u[1]);
            let first = clip(along, 0.0, l);
            let second = clip(across, -radius, radius);
            if let (Some(f), Some(s)) = (first, second) {
                let (lo, hi) = (f.0.max(s.0), f.1.min(s.1));
                if lo < hi {
                    add(lo, hi);
                }
            }
        }
        out
    }
}

/// The `t` for which `lo <= x.0 + t x.1 <= hi`.
fn clip(x: (f64, f64), lo: f64, hi: f64) -> Option<(f64, f64)> {
    if x.1.abs() < 1e-12 {
        return (lo..=hi)
            .contains(&x.0)
            .then_some((f64::NEG_INFINITY, f64::INFINITY));
    }
    let (a, b) = ((lo - x.0) / x.1, (hi - x.0) / x.1);
    Some((a.min(b), a.max(b)))
}

/// The grid. Pieces of segments outside the box are not found.
#[derive(Debug)]
pub(crate) struct Grid {
    pub segments: Vec<Segment>,
    min: [f64; 2],
    cell: f64,
    nx: usize,
    ny: usize,
    starts: Vec<u32>,
    items: Vec<u32>,
}

impl Grid {
    /// `box_um`: x min, y min, x max, y max.
    pub fn new(segments: Vec<Segment>, box_um: [f64; 4], cell_um: f64) -> Grid {
        let (w, h) = (box_um[2] - box_um[0], box_um[3] - box_um[1]);
        // At most four million cells, and long segments in not many more of them than twenty million.
        let long: f64 = segments.iter().map(Segment::length).sum();
        let cell = cell_um
            .max(long / 2e7)
            .max((w * h / 4e6).sqrt())
            .max(w.max(h) / 1e5);
        let nx = (w / cell).ceil().max(1.0) as usize;
        let ny = (h / cell).ceil().max(1.0) as usize;
        let mut grid = Grid {
            segments,
            min: [box_um[0], box_um[1]],
            cell,
            nx,
            ny,
            starts: vec![0; nx * ny + 1],
            items: Vec::new(),
        };
        let mut counts = vec![0u32; nx * ny + 1];
        for s in &grid.segments {
            grid.cells_of(s, |c| counts[c + 1] += 1);
        }
        for i in 1..counts.len() {
            counts[i] += counts[i - 1];
        }
        let mut items = vec![0u32; counts[nx * ny] as usize];
        let mut next = counts.clone();
        for (i, s) in grid.segments.iter().enumerate() {
            grid.cells_of(s, |c| {
                items[next[c] as usize] = i as u32;
                next[c] += 1;
            });
        }
        grid.starts = counts;
        grid.items = items;
        grid
    }

    /// A grid over all of the segments.
    pub fn over(segments: Vec<Segment>, cell_um: f64) -> Grid {
        let mut bounds = [
            f64::INFINITY,
            f64::INFINITY,
            f64::NEG_INFINITY,
            f64::NEG_INFINITY,
        ];
        for [x, y] in segments.iter().flat_map(|s| [s.a, s.b]) {
            bounds = [
                bounds[0].min(x),
                bounds[1].min(y),
                bounds[2].max(x),
                bounds[3].max(y),
            ];
        }
        if segments.is_empty() {
            bounds = [0.0; 4];
        }
        Grid::new(segments, bounds, cell_um)
    }

    fn column(&self, x: f64) -> f64 {
        ((x - self.min[0]) / self.cell).floor()
    }
    fn row(&self, y: f64) -> f64 {
        ((y - self.min[1]) / self.cell).floor()
    }

    /// Visits the cells a segment touches, row by row.
    fn cells_of(&self, s: &Segment, mut visit: impl FnMut(usize)) {
        let (lo, hi) = if s.a[1] <= s.b[1] {
            (s.a, s.b)
        } else {
            (s.b, s.a)
        };
        let (r0, r1) = (
            self.row(lo[1]).max(0.0),
            self.row(hi[1]).min(self.ny as f64 - 1.0),
        );
        let mut r = r0;
        while r <= r1 {
            let (y0, y1) = (
                self.min[1] + r * self.cell,
                self.min[1] + (r + 1.0) * self.cell,
            );
            let x_at = |y: f64| {
                if hi[1] > lo[1] {
                    lo[0] + (hi[0] - lo[0]) * ((y - lo[1]) / (hi[1] - lo[1])).clamp(0.0, 1.0)
                } else {
                    lo[0]
                }
            };
            let (xa, xb) = if hi[1] > lo[1] {
                (x_at(y0), x_at(y1))
            } else {
                (lo[0], hi[0])
            };
            let c0 = self.column(xa.min(xb) - 1e-6).max(0.0);
            let c1 = self.column(xa.max(xb) + 1e-6).min(self.nx as f64 - 1.0);
            let mut c = c0;
            while c <= c1 {
                visit(r as usize * self.nx + c as usize);
                c += 1.0;
            }
            r += 1.0;
        }
    }

    /// Visits every segment that may come into the box; some more than once.
    pub fn near(&self, min: [f64; 2], max: [f64; 2], mut visit: impl FnMut(&Segment)) {
        self.look(min, max, |s| {
            visit(s);
            true
        });
    }

    /// Visits what may come within `radius` of a place, the near before the far. `visit` says how far away more is
    /// still wanted; nothing, once that is 0.
    pub fn near_while(&self, p: [f64; 2], radius: f64, mut visit: impl FnMut(&Segment) -> f64) {
        let mut wanted = radius;
        let mut reach = 0.0;
        loop {
            let whole = self.look(p.map(|v| v - reach), p.map(|v| v + reach), |s| {
                wanted = visit(s);
                wanted > 0.0
            });
            if !whole || reach >= wanted.min(radius) {
                return;
            }
            reach = (2.0 * reach).max(self.cell / 2.0).min(radius);
        }
    }

    /// Visits what may come into the box for as long as `visit` wants more; whether it did to the end.
    fn look(&self, min: [f64; 2], max: [f64; 2], mut visit: impl FnMut(&Segment) -> bool) -> bool {
        let c0 = self.column(min[0]).max(0.0);
        let c1 = self.column(max[0]).min(self.nx as f64 - 1.0);
        let r0 = self.row(min[1]).max(0.0);
        let r1 = self.row(max[1]).min(self.ny as f64 - 1.0);
        if c0 > c1 || r0 > r1 {
            return true;
        }
        for r in r0 as usize..=r1 as usize {
            for c in c0 as usize..=c1 as usize {
                let cell = r * self.nx + c;
                for &i in &self.items[self.starts[cell] as usize..self.starts[cell + 1] as usize] {
                    if !visit(&self.segments[i as usize]) {
                        return false;
                    }
                }
            }
        }
        true
    }

    /// Whether any segment comes within `radius` of a place.
    pub fn any_within(&self, p: [f64; 2], radius: f64) -> bool {
        let far = |s: &Segment| s.nearest(p).1 > radius;
        !self.look(p.map(|v| v - radius), p.map(|v| v + radius), far)
    }

    /// The segment nearest to `p` within `radius`, the nearest point on it and the distance.
    pub fn nearest(&self, p: [f64; 2], radius: f64) -> Option<(Segment, [f64; 2], f64)> {
        let mut best: Option<(Segment, [f64; 2], f64)> = None;
        self.near(
            [p[0] - radius, p[1] - radius],
            [p[0] + radius, p[1] + radius],
            |s| {
                let (q, d) = s.nearest(p);
                if d <= radius
                    && best.as_ref().is_none_or(|b| {
                        d < b.2 || (d == b.2 && (s.owner, s.index) < (b.0.owner, b.0.index))
                    })
                {
                    best = Some((*s, q, d));
                }
            },
        );
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_near_is_seen_first_and_the_far_not_at_all() {
        // 4,000 lines 1 um apart.
        let line = |i: u32| Segment {
            a: [0.0, f64::from(i)],
            b: [4000.0, f64::from(i)],
            owner: i,
            index: 0,
            at_um: 0.0,
        };
        let grid = Grid::over((0..4000).map(line).collect(), 10.0);
        let p = [2000.0, 2000.3];
        let (mut seen, mut nearest) = (0, 1000.0f64);
        grid.near_while(p, 1000.0, |s| {
            seen += 1;
            nearest = nearest.min(s.nearest(p).1);
            nearest
        });
        assert!((nearest - 0.3).abs() < 1e-9, "{nearest}");
        assert!(seen < 100, "{seen} of some 40,000");
        // Nothing more once enough was seen; everything within reach where all of it is wanted.
        let mut seen = 0;
        grid.near_while(p, 1000.0, |_| {
            seen += 1;
            0.0
        });
        assert_eq!(seen, 1);
        let mut owners = vec![false; 4000];
        grid.near_while(p, 500.0, |s| {
            owners[s.owner as usize] = true;
            500.0
        });
        assert!(owners[1501..=2500].iter().all(|o| *o));
    }
}
