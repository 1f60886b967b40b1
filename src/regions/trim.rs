//! The curve beside a ring where edges vanish between folds.
//!
//! An edge whose offset runs backwards between those of its two neighbours lies beyond the point where
//! these meet, so it bounds nothing and is left out; the neighbours meet there. On a convex ring this is
//! the intersection of the moved half planes, edge by edge. Elsewhere the gate still has to prove the curve.

use super::Point;
use super::offset::{Arcs, Curve, SHARPEST, SHORTEST_NM, nearest, normal};

/// How far past a vanished edge its neighbours may meet, nanometres: it was no longer than rounding.
const OVERSHOOT_NM: f64 = 1.0;

/// What is left of one edge.
#[derive(Debug, Clone, Copy)]
struct Side {
    /// A point of the moved edge's line: the foot of the edge's first vertex.
    foot: [f64; 2],
    normal: [f64; 2],
    length: f64,
    /// The vertex at the edge's start, where the ring bends the other way and an arc is drawn.
    arc_at: Option<Point>,
    before: u32,
    after: u32,
}

/// Working memory, kept from ring to ring.
#[derive(Debug, Default)]
pub(super) struct Trimmer {
    sides: Vec<Side>,
    /// Edges to look at.
    queue: Vec<u32>,
}

impl Trimmer {
    /// As the mitered curve, without the edges that vanish between two folds. `None` where that does not
    /// explain the ring.
    pub(super) fn curve(
        &mut self,
        ring: &[Point],
        offset: f64,
        arcs: &Arcs,
        out: &mut Vec<Point>,
    ) -> Option<Curve> {
        self.load(ring, offset)?;
        let convex = self.sides.iter().all(|s| s.arc_at.is_none());
        let mut left = self.sides.len();
        let mut gone = vec![false; left];
        self.queue.clear();
        self.queue.extend((0..left as u32).rev());
        while let Some(i) = self.queue.pop() {
            if gone[i as usize] {
                continue;
            }
            let side = self.sides[i as usize];
            if self.length_left(i)? >= SHORTEST_NM {
                continue;
            }
            if side.arc_at.is_some() || self.sides[side.after as usize].arc_at.is_some() {
                return None;
            }
            let (a, b) = (side.before, side.after);
            if self.turn(a, b) * offset >= 0.0 {
                // The neighbours turn by half a circle or more: nothing lies between them and this edge.
                return convex.then_some(Curve::Gone);
            }
            let meet = self.meeting(a, b)?;
            // Inside is against the outward normal, and outside where rings grow.
            let beyond = (meet[0] - side.foot[0]) * side.normal[0]
                + (meet[1] - side.foot[1]) * side.normal[1];
            if left <= 3 || beyond * -offset.signum() > OVERSHOOT_NM {
                return None;
            }
            gone[i as usize] = true;
            left -= 1;
            self.sides[a as usize].after = b;
            self.sides[b as usize].before = a;
            self.queue.extend([a, b]);
        }
        let mut i = (0..gone.len()).find(|&i| !gone[i])? as u32;
        for _ in 0..left {
            let side = self.sides[i as usize];
            if let Some(vertex) = side.arc_at {
                let before = self.sides[side.before as usize].normal;
                arcs.draw(vertex, before, side.normal, offset, out);
            } else {
                let start = self.meeting(side.before, i)?;
                out.push(Point::new(nearest(start[0]), nearest(start[1])));
            }
            i = side.after;
        }
        Some(if convex { Curve::Folds } else { Curve::Arcs })
    }

    fn load(&mut self, ring: &[Point], offset: f64) -> Option<()> {
        let n = ring.len();
        self.sides.clear();
        for i in 0..n {
            let (a, b) = (ring[i], ring[(i + 1) % n]);
            let (normal, length) = normal(a, b);
            if length == 0.0 {
                return None;
            }
            self.sides.push(Side {
                foot: [
                    f64::from(a.x) + offset * normal[0],
                    f64::from(a.y) + offset * normal[1],
                ],
                normal,
                length,
                arc_at: None,
                before: ((i + n - 1) % n) as u32,
                after: ((i + 1) % n) as u32,
            });
        }
        for (i, &vertex) in ring.iter().enumerate() {
            let (m, k) = (self.sides[(i + n - 1) % n].normal, self.sides[i].normal);
            if (m[0] * k[1] - m[1] * k[0]) * offset > 0.0 {
                self.sides[i].arc_at = Some(vertex);
            }
        }
        (n >= 3).then_some(())
    }

    /// Length of a moved edge between its neighbours; negative where it runs backwards.
    fn length_left(&self, i: u32) -> Option<f64> {
        let side = self.sides[i as usize];
        let along = |p: [f64; 2]| {
            (p[1] - side.foot[1]) * side.normal[0] - (p[0] - side.foot[0]) * side.normal[1]
        };
        let start = match side.arc_at {
            Some(_) => 0.0,
            None => along(self.meeting(side.before, i)?),
        };
        let end = match self.sides[side.after as usize].arc_at {
            Some(_) => side.length,
            None => along(self.meeting(i, side.after)?),
        };
        Some(end - start)
    }

    /// Sine of the turn from one edge to another.
    fn turn(&self, a: u32, b: u32) -> f64 {
        let (a, b) = (self.sides[a as usize].normal, self.sides[b as usize].normal);
        a[0] * b[1] - a[1] * b[0]
    }

    /// Where two moved edges that follow each other at a fold meet; `None` where it is too sharp.
    fn meeting(&self, a: u32, b: u32) -> Option<[f64; 2]> {
        let sine = self.turn(a, b);
        let (a, b) = (&self.sides[a as usize], &self.sides[b as usize]);
        let cosine = a.normal[0] * b.normal[0] + a.normal[1] * b.normal[1];
        if cosine < SHARPEST {
            return None;
        }
        if sine.abs() < 1e-9 {
            // One line as far as can be told.
            return Some(b.foot);
        }
        // The direction of an edge is its normal turned back.
        let gap = [b.foot[0] - a.foot[0], b.foot[1] - a.foot[1]];
        let t = (gap[0] * b.normal[0] + gap[1] * b.normal[1]) / sine;
        Some([a.foot[0] - a.normal[1] * t, a.foot[1] + a.normal[0] * t])
    }
}
