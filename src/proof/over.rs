//! Metal gone that should stay: cuts beyond drawn edges, and cuts that lie in foil.

use super::edges::{self, RingResult};
use super::verdict::Proof;
use super::ways::Bands;
use crate::artwork::Layer;
use crate::finding::Finding;
use crate::grid::Segment;
use crate::polyline::distance;
use rayon::prelude::*;

/// Cosine of the angle between the normals of two edges from which they face each other.
const FACING: f64 = -0.2;

impl Proof<'_> {
    /// Metal gone that should stay.
    pub(super) fn over(&mut self, results: &[RingResult], layer: &Layer) {
        let l = self.limits;
        let mut widened = 0;
        let mut widened_at = None;
        for s in results.iter().flat_map(|r| &r.over) {
            let Some((cut, c, d)) = self.cut.nearest(s.at, l.radius_um) else {
                continue;
            };
            let stays = !self.leaves_opening(&cut, c);
            if (stays && self.in_neck(c, s.at)) || self.is_dot(c) {
                widened += 1;
                widened_at.get_or_insert(s.at);
                continue;
            }
            let error = l.radius_um - d;
            let side = s.inward[0] * (c[0] - s.at[0]) + s.inward[1] * (c[1] - s.at[1]);
            // A centre beyond the edge: the whole kerf is on the wrong side.
            let error = if side < 0.0 { l.radius_um + d } else { error };
            self.as_cut.edge_error_max_um = self.as_cut.edge_error_max_um.max(error);
            let line = self.job.line(cut.owner as usize, cut.index as usize);
            self.fault(
                layer,
                s.at,
                Finding::blocking(
                    "edge-over",
                    format!(
                        "metal is cut away up to {error:.2} um beyond the drawn edge, over a length of {:.1} um",
                        s.length_um()
                    ),
                )
                .measured(error, l.limit_um),
                line,
            );
        }
        if let Some(at) = widened_at {
            self.fault(
                layer,
                at,
                Finding::warning(
                    "line-widened",
                    match widened {
                        1 => "a stretch of opening is narrower than the kerf and comes out wider than drawn".to_owned(),
                        n => format!("{n} stretches of opening are narrower than the kerf and come out wider than drawn"),
                    },
                ),
                None,
            );
        }
    }

    /// Whether the way of the beam crosses a drawn edge within half a kerf of `c`. The way through a part narrower
    /// than the kerf stays between its edges.
    fn leaves_opening(&self, cut: &Segment, c: [f64; 2]) -> bool {
        let r = self.limits.radius_um;
        let length = cut.length();
        if length <= 0.0 {
            return false;
        }
        let along = distance(cut.a, c) / length;
        let (from, to) = (
            cut.at((along - r / length).max(0.0)),
            cut.at((along + r / length).min(1.0)),
        );
        let side = |a: [f64; 2], b: [f64; 2], p: [f64; 2]| {
            (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])
        };
        let mut crosses = false;
        self.drawn.near(
            [from[0].min(to[0]), from[1].min(to[1])],
            [from[0].max(to[0]), from[1].max(to[1])],
            |s| {
                let (p, q) = (side(s.a, s.b, from), side(s.a, s.b, to));
                let (u, v) = (side(from, to, s.a), side(from, to, s.b));
                // Rounding of a written place may touch an edge; to leave is to be beyond it.
                let beyond = p.min(q) < -0.1 * s.length();
                crosses |= beyond && p * q < 0.0 && u * v < 0.0;
            },
        );
        crosses
    }

    /// Whether the whole opening that `c` lies in is hardly larger than the beam: one touch has to do.
    fn is_dot(&self, c: [f64; 2]) -> bool {
        let Some((edge, _, _)) = self.drawn.nearest(c, self.limits.radius_um) else {
            return false;
        };
        let most = 1.25 * 2.0 * self.limits.radius_um + self.limits.limit_um;
        let (mut lo, mut hi) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for s in &self.rings[edge.owner as usize] {
            for d in 0..2 {
                lo[d] = lo[d].min(s.a[d]);
                hi[d] = hi[d].max(s.a[d]);
            }
        }
        (0..2).all(|d| hi[d] - lo[d] <= most && c[d] >= lo[d] - 0.5 && c[d] <= hi[d] + 0.5)
    }

    /// Whether the opening is too narrow for the beam at `c`: edges within reach on opposed sides, with the
    /// beam in the middle between them.
    fn in_neck(&self, c: [f64; 2], edge: [f64; 2]) -> bool {
        let r = self.limits.radius_um;
        let slack = 2.0 * self.limits.limit_um + 0.25;
        let own = [edge[0] - c[0], edge[1] - c[1]];
        let mut nearest = f64::INFINITY;
        let mut touched: Vec<([f64; 2], f64, [f64; 2])> = Vec::new();
        self.drawn
            .near([c[0] - r, c[1] - r], [c[0] + r, c[1] + r], |s| {
                let (q, d) = s.nearest(c);
                if d <= r + slack {
                    // The beam must be on the open side of every edge near it.
                    let n = s.left();
                    let inside = n[0] * (c[0] - q[0]) + n[1] * (c[1] - q[1]) >= -1e-3;
                    if inside {
                        touched.push(([q[0] - c[0], q[1] - c[1]], d, n));
                        nearest = nearest.min(d);
                    }
                }
            });
        let far = own[0].hypot(own[1]);
        if far > nearest + slack + r {
            return false;
        }
        // The edge lies across the neck, and not at its end: there the beam can stop where it should.
        let across = |u: &[f64; 2], a: f64| (own[0] * u[0] + own[1] * u[1]).abs() >= 0.3 * far * a;
        touched.iter().enumerate().any(|(i, (u, a, n))| {
            touched.iter().skip(i + 1).any(|(v, b, m)| {
                u[0] * v[0] + u[1] * v[1] < -0.2 * a * b
                    // Places of one curve that bends past the beam lie on opposed sides of it and face one way.
                    && n[0] * m[0] + n[1] * m[1] < FACING
                    && a.min(*b) <= nearest + slack
                    && (a - b).abs() <= slack
                    && (across(u, *a) || across(v, *b))
            })
        })
    }

    /// Cuts that lie wholly in metal, away from every drawn edge, or outside the sheet.
    pub(super) fn stray(&mut self) {
        let s = self.sheet_um;
        let l = self.limits;
        let bands = Bands::new(&self.drawn.segments, s);
        let in_metal = |p: [f64; 2]| {
            let beyond = match self.drawn.nearest(p, l.radius_um + l.limit_um) {
                Some(near) => near.2 > l.limit_um && !edges::faces(p, near),
                None => true,
            };
            beyond && !bands.inside(&self.drawn.segments, p)
        };
        // Every point has to be looked at: a detour may begin anywhere.
        let gone: Vec<Option<[f64; 2]>> = (self.cut.segments.par_iter())
            .with_min_len(1024)
            .map(|seg| {
                let start = (seg.index == 0 && in_metal(seg.a)).then_some(seg.a);
                start.or_else(|| in_metal(seg.b).then_some(seg.b))
            })
            .collect();
        let mut last = None;
        for (k, gone) in gone.into_iter().enumerate() {
            let seg = self.cut.segments[k];
            let out = seg.a[0].min(seg.b[0]) < s[0]
                || seg.a[1].min(seg.b[1]) < s[1]
                || seg.a[0].max(seg.b[0]) > s[2]
                || seg.a[1].max(seg.b[1]) > s[3];
            if self.outline.as_ref().is_some_and(|o| o.is_cut_by(&seg, l)) {
                continue;
            }
            let line = self.job.line(seg.owner as usize, seg.index as usize);
            if out {
                self.faults.push(
                    Finding::blocking("outside-sheet", "a cut outside the sheet")
                        .at(seg.b[0] / 1e3, seg.b[1] / 1e3)
                        .hint("a job that cuts the sheet out needs a recipe with [sheet] cut_out = true"),
                    line,
                );
                continue;
            }
            // Once per burn is enough to say.
            let Some(at) = gone.filter(|_| last != Some(seg.owner)) else {
                continue;
            };
            last = Some(seg.owner);
            self.faults.push(
                Finding::blocking("cut-in-metal", "a cut in foil that is to stay whole")
                    .at(at[0] / 1e3, at[1] / 1e3),
                line,
            );
        }
    }
}
