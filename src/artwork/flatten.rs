//! Curves to chords, never farther from the curve than the tolerance.
//!
//! A cubic's distance from a chord between two of its points is itself a cubic whose Bernstein
//! coefficients are `0, d1, d2, 0`, the distances of the two inner control points, so its maximum is
//! found exactly from one quadratic.
//!
//! The number of chords that a curve takes per unit of its parameter is about `sqrt(|B' x B''| / (8 e |B'|))` for the
//! tolerance `e` (sagitta of a short arc). Its integral says how many there are and where they end, all at once;
//! each chord is then held against a bound of the maximum, and the few that fail are halved. All lengths are in
//! tolerances on the way.

use crate::wide::Lanes;
use pulp::{Arch, Simd, WithSimd};

/// A point in any unit, as long as the tolerance has the same one.
pub type Pt = [f64; 2];

/// Largest distance of the cubic with inner coefficients `d1`, `d2` (and zero ends) from zero.
fn largest(d1: f64, d2: f64) -> f64 {
    let value = |t: f64| {
        let s = 1.0 - t;
        (3.0 * t * s * (s * d1 + t * d2)).abs()
    };
    // Derivative / 3: (3 d1 - 3 d2) t^2 + (2 d2 - 4 d1) t + d1.
    let (a, b, c) = (3.0 * (d1 - d2), 2.0 * d2 - 4.0 * d1, d1);
    let root = (b * b - 4.0 * a * c).max(0.0).sqrt();
    let q = -0.5 * (b + root.copysign(b));
    let mut worst = 0.0_f64;
    for t in [q / a, c / q] {
        if t > 0.0 && t < 1.0 {
            worst = worst.max(value(t));
        }
    }
    worst
}

/// Whether the cubic is nowhere farther than one from its chord: surely so if said, and said of all such that run
/// forwards along it.
fn fits(p: &[Pt; 4]) -> bool {
    let from = |q: Pt| [q[0] - p[0][0], q[1] - p[0][1]];
    let (chord, first, second) = (from(p[3]), from(p[1]), from(p[2]));
    let square = chord[0] * chord[0] + chord[1] * chord[1];
    // All distances are times the chord's length. One without length has any direction.
    let (d, length2) = if square > 0.0 {
        (chord, square)
    } else {
        ([1.0, 0.0], 1.0)
    };
    let along = |q: Pt| d[0] * q[0] + d[1] * q[1];
    let across = |q: Pt| d[0] * q[1] - d[1] * q[0];
    let (s1, s2, d1, d2) = (along(first), along(second), across(first), across(second));
    let past = (-s1.min(s2)).max(s1.max(s2) - square).max(0.0);
    let room2 = length2 - past * past;
    // A quick bound first, that of `spare`.
    let (even, odd) = (d1 + d2, d1 - d2);
    let bound2 = 0.140_625 * even * even + 0.070_312_5 * odd * odd;
    bound2 <= room2 || (room2 >= 0.0 && largest(d1, d2).powi(2) <= room2)
}

/// Appends the chords of a piece that is halved, `depth` times at most, until each half fits.
fn halve(p: &[Pt; 4], depth: u32, put: &mut impl FnMut(Pt)) {
    if depth == 0 || fits(p) {
        put(p[3]);
        return;
    }
    let middle = |a: Pt, b: Pt| [0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1])];
    let (a, b, c) = (middle(p[0], p[1]), middle(p[1], p[2]), middle(p[2], p[3]));
    let (d, e) = (middle(a, b), middle(b, c));
    let f = middle(d, e);
    halve(&[p[0], a, d, f], depth - 1, put);
    halve(&[f, e, c, p[3]], depth - 1, put);
}

/// A curve is halved no more often, which makes a million chords.
const DEEPEST: u32 = 20;
/// Most numbers that a vector holds.
const BLOCK: usize = 4;
/// 0 to 31.
const NUMBERS: [f64; 32] = {
    let mut numbers = [0.0; 32];
    let mut i = 0;
    while i < 32 {
        numbers[i] = i as f64;
        i += 1;
    }
    numbers
};
/// So many more chords than the integral says spare most of the halving.
const SPARE: f64 = 1.05;

/// Appends the chords' ends, without the first point of the cubic and with its last.
/// Non-finite input gives the end point alone.
pub fn cubic(p: [Pt; 4], tolerance: f64, out: &mut Vec<Pt>) {
    let size = |i: usize| p[i][0].abs() + p[i][1].abs();
    // A chord must not be asked to be closer than rounding allows.
    let aim = tolerance.max((size(0) + size(1) + (size(2) + size(3))) * 2e-15);
    let curve = Power::of(&p, aim);
    if curve.most <= 1.0 || !curve.most.is_finite() {
        out.push(p[3]);
        return;
    }
    if !Arch::new().dispatch(Evenly { curve: &curve, out }) {
        curve.halve(&[0.0, 1.0], &[-1.0], out);
    }
    if let Some(last) = out.last_mut() {
        *last = p[3];
    }
}

/// Appends chords that share the integral alike; `false` where it fails.
struct Evenly<'a> {
    curve: &'a Power,
    out: &'a mut Vec<Pt>,
}

impl WithSimd for Evenly<'_> {
    type Output = bool;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> bool {
        let Evenly { curve, out } = self;
        let most = curve.most;
        if most < 6f64.powi(4) {
            along::<S, 4, 9>(simd, curve, out)
        } else if most < 16f64.powi(4) {
            along::<S, 8, 17>(simd, curve, out)
        } else if most < 32f64.powi(4) {
            along::<S, 16, 33>(simd, curve, out)
        } else {
            along::<S, 32, 33>(simd, curve, out)
        }
    }
}

/// As [`Evenly`], with the density known at `PLACES` and one chord fewer than `ENDS` at a time.
#[inline(always)]
fn along<S: Simd, const PLACES: usize, const ENDS: usize>(
    simd: S,
    curve: &Power,
    out: &mut Vec<Pt>,
) -> bool {
    const { assert!(Lanes::<S>::COUNT <= BLOCK) };
    let all = |v| Lanes::all(simd, v);
    let width = 1.0 / (PLACES - 1) as f64;
    let (x, y) = (Axis::of(simd, curve, 0), Axis::of(simd, curve, 1));
    let density = density::<S, PLACES>(simd, curve, &x, &y, width);
    // The integral up to each place, in chords.
    let mut upto = [0.0; PLACES];
    for i in 1..PLACES {
        upto[i] = upto[i - 1] + (density[i - 1] + density[i]);
    }
    let total = upto[PLACES - 1];
    // Not so for what is no number either.
    let few = total < 1e6;
    if !few {
        return false;
    }
    // No chord ends in an interval after the last.
    upto[PLACES - 1] = f64::INFINITY;
    let chords = (total * SPARE).ceil().max(1.0);
    let each = total / chords;
    let count = chords as u32 as usize;
    let (zero, one) = (all(0.0), all(1.0));
    let lanes = Lanes::<S>::COUNT;
    let mut number = Lanes::load(simd, &NUMBERS[1..]);
    let mut reached = 0.0;
    let mut t = [0.0; ENDS];
    let (mut at, mut interval) = (0, 0.0);
    for done in (0..count).step_by(ENDS - 1) {
        let n = (count - done).min(ENDS - 1);
        for some in (0..n).step_by(lanes) {
            // The interval that each chord ends in.
            let goal = number * all(each);
            reached += lanes as f64;
            let (mut past, mut low) = (all(upto[at]), all(density[at]));
            let (mut more, mut from) = (all(density[at + 1] - density[at]), all(interval));
            while reached * each >= upto[at + 1] {
                at += 1;
                interval += 1.0;
                let here = goal.reaches(all(upto[at]));
                past = here.choose(all(upto[at]), past);
                low = here.choose(all(density[at]), low);
                more = here.choose(all(density[at + 1] - density[at]), more);
                from = here.choose(all(interval), from);
            }
            // The density is straight within an interval, so its integral is a parabola.
            let rest = goal - past;
            let root = (low * low + rest * more).max(zero).sqrt();
            let end = (from + rest / (low + root + all(1e-300))) * all(width);
            let last = number.reaches(all(chords));
            last.choose(one, end.min(one)).store(&mut t[1 + some..]);
            number = number + all(lanes as f64);
        }
        for some in (0..n).step_by(lanes) {
            let from = Lanes::load(simd, &t[some..]);
            let to = Lanes::load(simd, &t[1 + some..]);
            let m = (n - some).min(lanes);
            let spare = spare(&x, &y, from, to);
            if spare.least() >= 0.0 {
                let (mut xs, mut ys) = ([0.0; BLOCK], [0.0; BLOCK]);
                (x.place(to) * all(curve.aim) + all(curve.start[0])).store(&mut xs);
                (y.place(to) * all(curve.aim) + all(curve.start[1])).store(&mut ys);
                let room = out.len() + m;
                let ends: [Pt; BLOCK] = std::array::from_fn(|k| [xs[k], ys[k]]);
                out.extend_from_slice(&ends[..lanes]);
                out.truncate(room);
            } else {
                let mut spares = [0.0; BLOCK];
                spare.store(&mut spares);
                curve.halve(&t[some..=some + m], &spares, out);
            }
        }
        t[0] = t[ENDS - 1];
    }
    true
}

/// A cubic as a polynomial about its start, `((a t + b) t + c) t`, in units of the tolerance `aim`.
struct Power {
    start: Pt,
    aim: f64,
    a: Pt,
    b: Pt,
    c: Pt,
    /// Thrice `a` and twice `b`.
    a3: Pt,
    b2: Pt,
    /// `B' x B''`, a quadratic in `t`, highest power first.
    turn: [f64; 3],
    /// Fourth power of Wang's bound on the number of chords, from the second differences of the control points.
    most: f64,
}

impl Power {
    fn of(p: &[Pt; 4], aim: f64) -> Power {
        let unit = 1.0 / aim;
        let step = |i: usize| {
            let (from, to) = (p[i], p[i + 1]);
            [(to[0] - from[0]) * unit, (to[1] - from[1]) * unit]
        };
        let (u, v, w) = (step(0), step(1), step(2));
        let (first, second) = ([v[0] - u[0], v[1] - u[1]], [w[0] - v[0], w[1] - v[1]]);
        let a = [second[0] - first[0], second[1] - first[1]];
        let b = [3.0 * first[0], 3.0 * first[1]];
        let c = [3.0 * u[0], 3.0 * u[1]];
        let cross = |p: Pt, q: Pt| p[0] * q[1] - p[1] * q[0];
        let square = |p: Pt| p[0] * p[0] + p[1] * p[1];
        Power {
            start: p[0],
            aim,
            a,
            b,
            c,
            a3: [3.0 * a[0], 3.0 * a[1]],
            b2: [2.0 * b[0], 2.0 * b[1]],
            turn: [-6.0 * cross(a, b), 6.0 * cross(c, a), 2.0 * cross(c, b)],
            most: 0.5625 * square(first).max(square(second)),
        }
    }
    /// Appends the chords between the given ends, each halved until it fits unless its spare says that it does.
    #[inline(never)]
    fn halve(&self, ends: &[f64], spares: &[f64], out: &mut Vec<Pt>) {
        let (start, aim) = (self.start, self.aim);
        let mut put = |p: Pt| out.push([start[0] + aim * p[0], start[1] + aim * p[1]]);
        let at = |t: f64, by: f64| {
            let at = |d: usize| {
                let place = ((self.a[d] * t + self.b[d]) * t + self.c[d]) * t;
                place + by * ((self.a3[d] * t + self.b2[d]) * t + self.c[d])
            };
            [at(0), at(1)]
        };
        for (ends, &spare) in ends.windows(2).zip(spares) {
            let (from, to) = (ends[0], ends[1]);
            if spare >= 0.0 {
                put(at(to, 0.0));
            } else {
                let third = (to - from) / 3.0;
                let inner = (at(from, third), at(to, -third));
                let piece = [at(from, 0.0), inner.0, inner.1, at(to, 0.0)];
                halve(&piece, DEEPEST, &mut put);
            }
        }
    }
}

/// Five quarters of the bits of one, less what makes the largest error of the quarter power least.
const QUARTER_BITS: u64 = 0x4fea_f000_0000_0000;

/// One coordinate of a [`Power`] in every lane.
struct Axis<S: Simd> {
    a: Lanes<S>,
    b: Lanes<S>,
    c: Lanes<S>,
    a3: Lanes<S>,
    b2: Lanes<S>,
}

impl<S: Simd> Axis<S> {
    #[inline(always)]
    fn of(simd: S, curve: &Power, d: usize) -> Self {
        Axis {
            a: Lanes::all(simd, curve.a[d]),
            b: Lanes::all(simd, curve.b[d]),
            c: Lanes::all(simd, curve.c[d]),
            a3: Lanes::all(simd, curve.a3[d]),
            b2: Lanes::all(simd, curve.b2[d]),
        }
    }
    #[inline(always)]
    fn place(&self, t: Lanes<S>) -> Lanes<S> {
        ((self.a * t + self.b) * t + self.c) * t
    }
    #[inline(always)]
    fn slope(&self, t: Lanes<S>) -> Lanes<S> {
        (self.a3 * t + self.b2) * t + self.c
    }
    /// Of the piece of length `h` about the middle `m`: its chord by `h`, and half the second derivative in its middle.
    #[inline(always)]
    fn chord(&self, m: Lanes<S>, h: Lanes<S>) -> (Lanes<S>, Lanes<S>) {
        let s = self.a3 * m;
        (
            (s + self.b2) * m + self.c + self.a * (h * h * m.like(0.25)),
            s + self.b,
        )
    }
}

/// Half the chords per interval at places `width` apart: half the root of the turn over eight times the speed.
#[inline(always)]
fn density<S: Simd, const PLACES: usize>(
    simd: S,
    curve: &Power,
    x: &Axis<S>,
    y: &Axis<S>,
    width: f64,
) -> [f64; PLACES] {
    let all = |v| Lanes::all(simd, v);
    let scale = width * width / 32.0;
    let (u, v, w) = (
        all(curve.turn[0] * scale),
        all(curve.turn[1] * scale),
        all(curve.turn[2] * scale),
    );
    let (mut density, mut z) = ([0.0; PLACES], [0.0; PLACES]);
    for i in (0..PLACES).step_by(Lanes::<S>::COUNT) {
        let t = Lanes::load(simd, &NUMBERS[i..]) * all(width);
        let (turn, dx, dy) = ((u * t + v) * t + w, x.slope(t), y.slope(t));
        turn.abs().store(&mut density[i..]);
        // Where the speed vanishes, as at an end whose handle has no length, the turn is noise: at no more than a
        // tolerance per unit of the parameter there is nothing to divide.
        (turn * turn * (dx * dx + dy * dy + all(1.0))).store(&mut z[i..]);
    }
    // sqrt(turn / speed) = turn z^(-1/4). A quarter of a number's bits is a quarter of its logarithm, nearly; one step of
    // Newton's method does the rest.
    for (density, z) in density.iter_mut().zip(z) {
        let r = f64::from_bits(QUARTER_BITS - (z.to_bits() >> 2));
        let r2 = r * r;
        *density *= r * (1.25 - 0.25 * z * (r2 * r2));
    }
    density
}

/// At least zero where the piece between two ends lies within one of its chord.
#[inline(always)]
fn spare<S: Simd>(x: &Axis<S>, y: &Axis<S>, from: Lanes<S>, to: Lanes<S>) -> Lanes<S> {
    let all = |v| from.like(v);
    let (m, h) = ((from + to) * all(0.5), to - from);
    let ((cx, qx), (cy, qy)) = (x.chord(m, h), y.chord(m, h));
    // The inner control points are d1, d2 = h^2 (q -+ h a / 6) / 3 aside from the thirds of the chord, and the cubic
    // 3 t (1 - t) ((1 - t) d1 + t d2) is at most the root of 9/64 (d1 + d2)^2 + 9/128 (d1 - d2)^2 and at most
    // 3/8 |d1 + d2| + sqrt(3)/12 |d1 - d2|.
    let (bend, twist) = ((cx * qy - cy * qx).abs(), (cx * y.a - cy * x.a).abs() * h);
    let (even, odd) = (
        bend * bend + twist * twist * all(0.125),
        bend + twist * all(0.192_451),
    );
    let (h2, bound2) = (h * h, even.min(odd * odd));
    let aside2 = h2 * h2 * bound2 * all(0.0625);
    // They lie between the chord's ends where the steps to and from them run forwards.
    let (bend, twist) = ((cx * qx + cy * qy).abs(), (cx * x.a + cy * y.a).abs());
    let back = (bend + twist * h * all(0.5)) * h;
    // A chord without length, as of a loop, says nothing.
    let square = cx * cx + cy * cy - all(1e-30);
    (square - back).min(square - aside2)
}

/// A quadratic as the cubic it equals.
pub fn quad_as_cubic(p: [Pt; 3]) -> [Pt; 4] {
    let towards = |a: Pt, b: Pt| [0, 1].map(|d| a[d] + (b[d] - a[d]) * (2.0 / 3.0));
    [p[0], towards(p[0], p[1]), towards(p[2], p[1]), p[2]]
}

/// Appends a quadratic's chords as [`cubic`] does.
pub fn quad(p: [Pt; 3], tolerance: f64, out: &mut Vec<Pt>) {
    cubic(quad_as_cubic(p), tolerance, out);
}
