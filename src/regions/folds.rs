//! The curve beside a ring that folds at every corner, in vectors.
//!
//! With edges `u` and `v` of lengths `a` and `b` that meet at a corner, the miter lies at the corner plus
//! `offset (b u' + a v') / (a b + u v)`, where `'` turns to the right and `u v` is the inner product: a square root
//! for each edge and a division for each corner.

use super::offset::{SHARPEST, SHORTEST_NM, WHOLE, whole};
use super::simple::turns_once;
use super::{Point, Regions};
use crate::wide::{Lanes, Row, RowMut};
use pulp::{Arch, Simd, WithSimd};
use std::ops::Range;

/// Corners looked at before anything else is done: most rings that need an arc somewhere need one soon.
const FIRST_CORNERS: usize = 12;
/// Rings of more vertices are looked at first, because one bend makes all other work vain.
const LONG_RING: usize = 1024;
/// Numbers kept behind those of a ring.
const BEHIND: usize = 16;
/// 2^26: outer products of edges up to this length, nanometres, are exact in 53 bits.
const EXACT_NM: f64 = 67_108_864.0;

/// What the curve beside a ring is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Beside {
    /// Not made of folds alone, or an edge vanishes or turns round.
    Other,
    /// Made of folds; every edge keeps its direction.
    Folds,
    /// As well, and proven to turn to the left at each corner and once in all.
    Convex,
}

/// Some numbers for each vertex or edge of a ring, and the first of them again behind the last, so that vectors need
/// neither know where the ring ends nor do the rest one by one.
#[derive(Debug, Default)]
pub(super) struct Folder {
    /// Vertices, the last one first; then edges, from the one that ends at vertex 0 on.
    x: Vec<f64>,
    y: Vec<f64>,
    dx: Vec<f64>,
    dy: Vec<f64>,
    length: Vec<f64>,
    /// What the miter at vertex 0 and so on takes of the edges before and after it.
    trim: Vec<f64>,
    /// The miters, [`WHOLE`] added.
    mx: Vec<f64>,
    my: Vec<f64>,
}

impl Folder {
    /// Adds the curve beside `ring` to `out` unless it is another.
    pub(super) fn curve(&mut self, ring: &[Point], offset: f64, out: &mut Vec<Point>) -> Beside {
        struct Run<'a>(&'a mut Folder, &'a [Point], f64, &'a mut Vec<Point>);
        impl WithSimd for Run<'_> {
            type Output = Beside;
            #[inline(always)]
            fn with_simd<S: Simd>(self, simd: S) -> Beside {
                let Run(folder, ring, offset, out) = self;
                let made = folder.beside(simd, ring, offset);
                if made != Beside::Other {
                    folder.write(ring.len(), out);
                }
                made
            }
        }
        Arch::new().dispatch(Run(self, ring, offset, out))
    }

    /// Adds the curves beside the first shapes of a range, as long as these are single rings with a convex curve
    /// made of folds, to `out` as shapes. How many they are, and whether the next is a single ring beside which there is
    /// no curve made of folds.
    pub(super) fn convex_shapes(
        &mut self,
        regions: &Regions,
        range: Range<usize>,
        offset: f64,
        out: &mut Regions,
    ) -> (usize, bool) {
        struct Run<'a>(
            &'a mut Folder,
            &'a Regions,
            Range<usize>,
            f64,
            &'a mut Regions,
        );
        impl WithSimd for Run<'_> {
            type Output = (usize, bool);
            #[inline(always)]
            fn with_simd<S: Simd>(self, simd: S) -> (usize, bool) {
                let Run(folder, regions, range, offset, out) = self;
                let count = range.len();
                for (done, i) in range.enumerate() {
                    let shape = regions.shape(i);
                    let ring = shape.outer();
                    if shape.holes().len() > 0 {
                        return (done, false);
                    }
                    let made = folder.beside(simd, ring, offset);
                    if made != Beside::Convex {
                        return (done, made == Beside::Other);
                    }
                    folder.write(ring.len(), &mut out.points);
                    out.close_ring_and_shape();
                }
                (count, false)
            }
        }
        Arch::new().dispatch(Run(self, regions, range, offset, out))
    }

    #[inline(always)]
    fn write(&self, n: usize, out: &mut Vec<Point>) {
        let miters = self.mx[..n].iter().zip(&self.my[..n]);
        out.extend(miters.map(|(&x, &y)| Point::new(whole(x), whole(y))));
    }

    /// Makes the miters; what they are worth.
    #[inline(always)]
    fn beside<S: Simd>(&mut self, simd: S, ring: &[Point], offset: f64) -> Beside {
        let n = ring.len();
        let sense = if offset <= 0.0 { 1 } else { -1 };
        if n < 3 || n > LONG_RING && !turns_once(ring, sense) {
            return Beside::Other;
        }
        // Whole vectors: behind the last numbers come the first again.
        let vectors = n.div_ceil(Lanes::<S>::COUNT);
        let m = vectors * Lanes::<S>::COUNT;
        self.load(ring, m);
        let turn = Lanes::all(simd, sense as f64);
        let few = vectors.min(FIRST_CORNERS.div_ceil(Lanes::<S>::COUNT));
        if turns(simd, &self.x, &self.y, few, turn).least() < 0.0 {
            return Beside::Other;
        }

        let (x, y) = (&self.x, &self.y);
        let [x0, x1] = Row::pair(simd, x, vectors);
        let [y0, y1] = Row::pair(simd, y, vectors);
        let mut dx = RowMut::new(&mut self.dx, vectors);
        let mut dy = RowMut::new(&mut self.dy, vectors);
        let mut length = RowMut::new(&mut self.length, vectors);
        let mut shortest = Lanes::all(simd, f64::INFINITY);
        let mut longest = Lanes::all(simd, 0.0);
        for j in 0..vectors {
            let (u, v) = (x1.at(j) - x0.at(j), y1.at(j) - y0.at(j));
            let a = (u * u + v * v).sqrt();
            dx.put(j, u);
            dy.put(j, v);
            length.put(j, a);
            shortest = shortest.min(a);
            longest = longest.max(a);
        }
        for numbers in [&mut self.dx, &mut self.dy, &mut self.length] {
            numbers[m] = numbers[m - n];
        }

        let [ux, vx] = Row::pair(simd, &self.dx, vectors);
        let [uy, vy] = Row::pair(simd, &self.dy, vectors);
        let [a, b] = Row::pair(simd, &self.length, vectors);
        let mut trim = RowMut::new(&mut self.trim, vectors);
        let mut mx = RowMut::new(&mut self.mx, vectors);
        let mut my = RowMut::new(&mut self.my, vectors);
        let (by, sharpest) = (Lanes::all(simd, offset), Lanes::all(simd, SHARPEST));
        let rounding = Lanes::all(simd, WHOLE);
        let mut folds = Lanes::all(simd, f64::INFINITY);
        let (mut low, mut high) = (folds, Lanes::all(simd, f64::NEG_INFINITY));
        for j in 0..vectors {
            let (ux, uy, a) = (ux.at(j), uy.at(j), a.at(j));
            let (vx, vy, b) = (vx.at(j), vy.at(j), b.at(j));
            let cross = ux * vy - uy * vx;
            let dot = ux * vx + uy * vy;
            let ab = a * b;
            folds = folds.min(cross * turn).min(dot - sharpest * ab);
            let share = by / (ab + dot);
            trim.put(j, (cross * share).abs());
            mx.put(j, (x1.at(j) + share * (b * uy + a * vy)) + rounding);
            let y = (y1.at(j) - share * (b * ux + a * vx)) + rounding;
            my.put(j, y);
            low = low.min(y);
            high = high.max(y);
        }
        self.trim[m] = self.trim[m - n];
        for numbers in [&mut self.mx, &mut self.my] {
            (numbers[m], numbers[m + 1]) = (numbers[m - n], numbers[m + 1 - n]);
        }

        let [before, after] = Row::pair(simd, &self.trim, vectors);
        let length = Row::new(simd, &self.length[1..], vectors);
        let mut left = Lanes::all(simd, f64::INFINITY);
        for j in 0..vectors {
            left = left.min(length.at(j) - before.at(j) - after.at(j));
        }
        let strict = turns(simd, &self.mx, &self.my, vectors, Lanes::all(simd, 1.0));
        let all = |v| Lanes::all(simd, v);
        // Where a number is none, a corner is too sharp: that one comes last, since the least may pass over the other.
        let kept = (left.min(shortest) - all(SHORTEST_NM)).min(folds);
        if kept
            .min(strict - all(1.0))
            .min(all(EXACT_NM) - longest)
            .least()
            >= 0.0
            && self.climbs(simd, n, vectors) == 2.0 * (high.greatest() - low.least())
        {
            return Beside::Convex;
        }
        if shortest.least() >= SHORTEST_NM && kept.least() >= 0.0 {
            Beside::Folds
        } else {
            Beside::Other
        }
    }

    /// All that the curve goes up and down: twice its height where it has one highest and one lowest place, so that a
    /// curve that turns to the left at each corner turns once in all.
    #[inline(always)]
    fn climbs<S: Simd>(&self, simd: S, n: usize, vectors: usize) -> f64 {
        let [from, to] = Row::pair(simd, &self.my, vectors);
        let mut sum = Lanes::all(simd, 0.0);
        for j in 0..vectors {
            sum = sum + (to.at(j) - from.at(j)).abs();
        }
        let again = n..vectors * Lanes::<S>::COUNT;
        sum.exact_sum()
            - again
                .map(|i| (self.my[i + 1] - self.my[i]).abs())
                .sum::<f64>()
    }

    #[inline(always)]
    fn load(&mut self, ring: &[Point], m: usize) {
        let n = ring.len();
        if self.x.len() < m + BEHIND {
            let size = (m + BEHIND).next_power_of_two();
            for numbers in [
                &mut self.x,
                &mut self.y,
                &mut self.dx,
                &mut self.dy,
                &mut self.length,
                &mut self.trim,
                &mut self.mx,
                &mut self.my,
            ] {
                numbers.resize(size, 0.0);
            }
        }
        let (x, y) = (&mut self.x[..m + 2], &mut self.y[..m + 2]);
        x[0] = f64::from(ring[n - 1].x);
        y[0] = f64::from(ring[n - 1].y);
        for ((x, y), p) in x[1..].iter_mut().zip(&mut y[1..]).zip(ring) {
            (*x, *y) = (f64::from(p.x), f64::from(p.y));
        }
        for i in n + 1..m + 2 {
            (x[i], y[i]) = (x[i - n], y[i - n]);
        }
    }
}

/// Outer products of the edges that meet at the points 1, 2 and so on of a line, to the left if `turn` is 1.
#[inline(always)]
fn turns<S: Simd>(simd: S, x: &[f64], y: &[f64], vectors: usize, turn: Lanes<S>) -> Lanes<S> {
    let ([x0, x1], x2) = (
        Row::pair(simd, x, vectors),
        Row::new(simd, &x[2..], vectors),
    );
    let ([y0, y1], y2) = (
        Row::pair(simd, y, vectors),
        Row::new(simd, &y[2..], vectors),
    );
    let mut least = Lanes::all(simd, f64::INFINITY);
    for j in 0..vectors {
        let (ux, uy) = (x1.at(j) - x0.at(j), y1.at(j) - y0.at(j));
        let (vx, vy) = (x2.at(j) - x1.at(j), y2.at(j) - y1.at(j));
        least = least.min((ux * vy - uy * vx) * turn);
    }
    least
}
