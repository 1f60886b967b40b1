//! Curves to chords, never farther from the curve than the tolerance.
//!
//! A cubic's distance from a chord between two of its points is itself a cubic whose Bernstein
//! coefficients are `0, d1, d2, 0`, the distances of the two inner control points, so its maximum is
//! found exactly from one quadratic.
//!
//! The number of chords that a curve takes per unit of its parameter is about `sqrt(|B' x B''| / (8 e |B'|))` for the
//! tolerance `e` (sagitta of a short arc). Its integral says how many there are and where they end, all at once;
//! each chord is then held against a bound of the maximum, and the few that fail are halved.

use crate::wide::widest;

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

/// Upper bound (exact for pieces that run forwards along their chord) of the distance between the
/// cubic and its chord.
fn deviation(p: &[Pt; 4]) -> f64 {
    let (dx, dy) = (p[3][0] - p[0][0], p[3][1] - p[0][1]);
    let length = (dx * dx + dy * dy).sqrt();
    let (ux, uy) = if length > 0.0 {
        (dx / length, dy / length)
    } else {
        (1.0, 0.0)
    };
    let along = |q: Pt| (q[0] - p[0][0]) * ux + (q[1] - p[0][1]) * uy;
    let across = |q: Pt| (q[1] - p[0][1]) * ux - (q[0] - p[0][0]) * uy;
    let (s1, s2) = (along(p[1]), along(p[2]));
    let past = (-s1).max(-s2).max(s1 - length).max(s2 - length).max(0.0);
    let aside = largest(across(p[1]), across(p[2]));
    if past > 0.0 { aside.hypot(past) } else { aside }
}

fn mix(a: Pt, b: Pt, t: f64) -> Pt {
    [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t]
}

/// The part of the cubic before `t` and the part after.
fn split(p: &[Pt; 4], t: f64) -> ([Pt; 4], [Pt; 4]) {
    let (a, b, c) = (mix(p[0], p[1], t), mix(p[1], p[2], t), mix(p[2], p[3], t));
    let (d, e) = (mix(a, b, t), mix(b, c, t));
    let f = mix(d, e, t);
    ([p[0], a, d, f], [f, e, c, p[3]])
}

/// Most intervals of the integral.
const INTERVALS: usize = 31;
/// Loops run over whole blocks of so many numbers, which any vector's width divides.
const BLOCK: usize = 8;
/// Chords per interval of the integral, roughly.
const PER_INTERVAL: f64 = 2.0;
/// So many more chords than the integral says spare most of the halving.
const SPARE: f64 = 1.05;

/// Appends the chords' ends, without the first point of the cubic and with its last.
/// Non-finite input gives the end point alone.
pub fn cubic(p: [Pt; 4], tolerance: f64, out: &mut Vec<Pt>) {
    // A chord must not be asked to be closer than rounding allows.
    let size = p.iter().flatten().fold(0.0_f64, |m, v| m.max(v.abs()));
    let aim = tolerance.max(size * 1e-14);
    let curve = Power::of(&p);
    // Wang's bound on the number of chords, from the second derivative.
    let most = (0.75 / aim * curve.bend).sqrt();
    if most <= 1.0 {
        out.push(p[3]);
    } else if !(most < 1e6 && evenly(&curve, aim, most, (size * 1e-12).powi(2), out)) {
        one_by_one(p, aim, out);
    } else if let Some(last) = out.last_mut() {
        *last = p[3];
    }
}

widest! {
    /// Chords that share the integral alike; `false` where it fails. `most` as in [`cubic`], `still` as in
    /// [`Power::density`].
    fn evenly(curve: &'a Power, aim: f64, most: f64, still: f64, out: &'a mut Vec<Pt>) -> bool {
        // One less than whole blocks, for the density at both ends.
        let blocks = ((most / PER_INTERVAL) as usize / BLOCK + 1).min((INTERVALS + 1) / BLOCK);
        let intervals = blocks * BLOCK - 1;
        let width = 1.0 / intervals as f64;
        let mut density = [0.0; INTERVALS + 1];
        for block in 0..blocks {
            for k in 0..BLOCK {
                let i = block * BLOCK + k;
                density[i] = curve.density(i as f64 * width, still);
            }
        }
        // The integral up to each place, in chords.
        let scale = 0.5 * width / (8.0 * aim).sqrt();
        let mut upto = [0.0; INTERVALS + 1];
        for i in 0..intervals {
            upto[i + 1] = upto[i] + scale * (density[i] + density[i + 1]);
        }
        let total = upto[intervals];
        // Not so for what is no number either.
        let few = total < 1e6;
        if !few {
            return false;
        }
        let count = ((total * SPARE).ceil() as usize).max(1);
        let integral = Integral {
            density: &density[..=intervals],
            upto: &upto[..=intervals],
            width,
            per_chord: 1.0 / scale,
        };
        // Less memory is sooner wiped.
        if count <= Chords::<FEW>::ROOM {
            Chords::<FEW>::along(curve, &integral, count, aim, out);
        } else {
            Chords::<MANY>::along(curve, &integral, count, aim, out);
        }
        true
    }
}

/// The density of chords at places `width` apart, and its integral up to each.
struct Integral<'a> {
    density: &'a [f64],
    upto: &'a [f64],
    width: f64,
    /// Unit of the density by that of its integral, for an interval.
    per_chord: f64,
}

/// A cubic as a polynomial about its start: `start + ((a t + b) t + c) t`.
struct Power {
    start: Pt,
    a: Pt,
    b: Pt,
    c: Pt,
    /// `B' x B''`, a quadratic in `t`, highest power first.
    turn: [f64; 3],
    /// Largest second difference of the control points.
    bend: f64,
}

impl Power {
    fn of(p: &[Pt; 4]) -> Power {
        let step = |i: usize| [p[i + 1][0] - p[i][0], p[i + 1][1] - p[i][1]];
        let (u, v, w) = (step(0), step(1), step(2));
        let (first, second) = ([v[0] - u[0], v[1] - u[1]], [w[0] - v[0], w[1] - v[1]]);
        let a = [second[0] - first[0], second[1] - first[1]];
        let b = [3.0 * first[0], 3.0 * first[1]];
        let c = [3.0 * u[0], 3.0 * u[1]];
        let cross = |p: Pt, q: Pt| p[0] * q[1] - p[1] * q[0];
        let square = |p: Pt| p[0] * p[0] + p[1] * p[1];
        Power {
            start: p[0],
            a,
            b,
            c,
            turn: [-6.0 * cross(a, b), 6.0 * cross(c, a), 2.0 * cross(c, b)],
            bend: square(first).max(square(second)).sqrt(),
        }
    }
    #[inline(always)]
    fn slope(&self, t: f64) -> Pt {
        [0, 1].map(|d| (3.0 * self.a[d] * t + 2.0 * self.b[d]) * t + self.c[d])
    }
    /// Chords per unit of `t` for a tolerance of an eighth: the root of the turn over the speed, to a few thousandths.
    /// `still` is a squared speed that counts as none.
    #[inline(always)]
    fn density(&self, t: f64, still: f64) -> f64 {
        let turn = (self.turn[0] * t + self.turn[1]) * t + self.turn[2];
        let [x, y] = self.slope(t);
        let z = turn * turn * (x * x + y * y + still);
        // sqrt(turn / speed) = turn z^(-1/4). A quarter of a number's bits is a quarter of its logarithm, nearly; one
        // step of Newton's method does the rest.
        let r = f64::from_bits(QUARTER_BITS - (z.to_bits() >> 2));
        let (r2, turn) = (r * r, turn.abs());
        turn * r * (1.25 - 0.25 * z * (r2 * r2))
    }
}

/// Five quarters of the bits of one, less what makes the largest error of the quarter power least.
const QUARTER_BITS: u64 = 0x4fea_f000_0000_0000;

/// Room for a few chords and for many, with a block to spare.
const FEW: usize = 16 + BLOCK;
const MANY: usize = 64 + BLOCK;

/// Some chords: parameter, place from the curve's start and derivative at each end, so laid out that they are
/// worked on several at a time.
struct Chords<const N: usize> {
    t: [f64; N],
    x: [f64; N],
    y: [f64; N],
    dx: [f64; N],
    dy: [f64; N],
}

impl<const N: usize> Chords<N> {
    const ROOM: usize = N - BLOCK;

    /// Appends the ends of `count` chords with equal shares of the integral.
    #[inline(always)]
    fn along(curve: &Power, integral: &Integral<'_>, count: usize, aim: f64, out: &mut Vec<Pt>) {
        let none = [0.0; N];
        let mut chords = Chords {
            t: none,
            x: none,
            y: none,
            dx: none,
            dy: none,
        };
        (chords.dx[0], chords.dy[0]) = (curve.c[0], curve.c[1]);
        let each = integral.upto[integral.upto.len() - 1] / count as f64;
        let (mut done, mut interval) = (0, 0);
        while done < count {
            let n = (count - done).min(Self::ROOM);
            chords.place(n, done, each, integral, &mut interval);
            done += n;
            if done == count {
                chords.t[n] = 1.0;
            }
            chords.end(n, curve);
            chords.append(n, curve, aim, out);
            chords.go_on(n);
        }
    }

    /// The parameters of `n` ends after `done` others; `interval` is where the next one lies.
    #[inline(always)]
    fn place(
        &mut self,
        n: usize,
        done: usize,
        each: f64,
        integral: &Integral<'_>,
        interval: &mut usize,
    ) {
        let Integral {
            density,
            upto,
            width,
            per_chord,
        } = *integral;
        let last = density.len() - 2;
        let mut i = 1;
        while i <= n {
            // All that lie in one interval.
            let at = *interval;
            let until = if at < last {
                upto[at + 1]
            } else {
                f64::INFINITY
            };
            let (low, more) = (density[at], density[at + 1] - density[at]);
            while i <= n {
                let goal = (done + i) as f64 * each;
                if goal > until {
                    *interval += 1;
                    break;
                }
                self.t[i] = at as f64;
                self.x[i] = (goal - upto[at]) * per_chord;
                self.y[i] = low;
                self.dx[i] = more;
                i += 1;
            }
        }
        for block in 0..n.div_ceil(BLOCK) {
            for k in 0..BLOCK {
                let i = block * BLOCK + k + 1;
                // The density is straight within an interval, so its integral is a parabola.
                let (rest, low) = (self.x[i], self.y[i]);
                let square = low * low + rest * self.dx[i];
                let root = if square > 0.0 { square } else { 0.0 }.sqrt();
                let t = (self.t[i] + rest / (low + root + 1e-300)) * width;
                self.t[i] = if t < 1.0 { t } else { 1.0 };
            }
        }
    }

    #[inline(always)]
    fn end(&mut self, n: usize, curve: &Power) {
        let (a, b, c) = (curve.a, curve.b, curve.c);
        for block in 0..n.div_ceil(BLOCK) {
            for k in 0..BLOCK {
                let i = block * BLOCK + k + 1;
                let t = self.t[i];
                self.x[i] = ((a[0] * t + b[0]) * t + c[0]) * t;
                self.y[i] = ((a[1] * t + b[1]) * t + c[1]) * t;
                [self.dx[i], self.dy[i]] = curve.slope(t);
            }
        }
    }
    #[inline(always)]
    fn append(&self, n: usize, curve: &Power, aim: f64, out: &mut Vec<Pt>) {
        // The sign bit is set where a chord may be too far from the curve.
        let mut far = [0u64; N];
        for block in 0..n.div_ceil(BLOCK) {
            for k in 0..BLOCK {
                let i = block * BLOCK + k;
                let (x, y) = (self.x[i + 1] - self.x[i], self.y[i + 1] - self.y[i]);
                let third = (self.t[i + 1] - self.t[i]) * (1.0 / 3.0);
                // Distances of the inner control points from the chord, and how far along it they lie, times its length.
                let first = (x * self.dy[i] - y * self.dx[i]) * third;
                let second = (y * self.dx[i + 1] - x * self.dy[i + 1]) * third;
                let along = (x * self.dx[i] + y * self.dy[i]) * third;
                let back = (x * self.dx[i + 1] + y * self.dy[i + 1]) * third;
                let square = x * x + y * y;
                // 3 t (1 - t) ((1 - t) d1 + t d2) is at most 3/8 |d1 + d2| + sqrt(3)/12 |d1 - d2|.
                let bound = 0.375 * (first + second).abs() + 0.144_338 * (first - second).abs();
                let near = aim * aim * square - bound * bound;
                far[i] = near.to_bits()
                    | along.to_bits()
                    | back.to_bits()
                    | (square - along).to_bits()
                    | (square - back).to_bits()
                    // A chord without length, as of a loop, says nothing.
                    | (square - f64::MIN_POSITIVE).to_bits();
            }
        }
        let place = |i: usize| [curve.start[0] + self.x[i], curve.start[1] + self.y[i]];
        if far[..n].iter().fold(0, |a, b| a | b) >> 63 == 0 {
            out.extend((1..=n).map(place));
            return;
        }
        for (i, far) in far[..n].iter().enumerate() {
            let end = place(i + 1);
            if far >> 63 == 1 {
                let third = (self.t[i + 1] - self.t[i]) / 3.0;
                let inner = |k: usize, by: f64| {
                    let p = place(k);
                    [p[0] + by * self.dx[k], p[1] + by * self.dy[k]]
                };
                halve(
                    &[place(i), inner(i, third), inner(i + 1, -third), end],
                    aim,
                    6,
                    out,
                );
            } else {
                out.push(end);
            }
        }
    }
    /// The last end is the next start.
    #[inline(always)]
    fn go_on(&mut self, n: usize) {
        for list in [
            &mut self.t,
            &mut self.x,
            &mut self.y,
            &mut self.dx,
            &mut self.dy,
        ] {
            list[0] = list[n];
        }
    }
}

fn halve(p: &[Pt; 4], aim: f64, depth: u32, out: &mut Vec<Pt>) {
    if deviation(p) <= aim {
        out.push(p[3]);
    } else if depth == 0 {
        one_by_one(*p, aim, out);
    } else {
        let (head, tail) = split(p, 0.5);
        halve(&head, aim, depth - 1, out);
        halve(&tail, aim, depth - 1, out);
    }
}

/// Chords one after another, each as long as the tolerance allows: for curves that the integral fails on.
fn one_by_one(p: [Pt; 4], aim: f64, out: &mut Vec<Pt>) {
    let mut rest = p;
    let mut guess = 1.0_f64;
    let finite = p.iter().flatten().all(|v| v.is_finite());
    for _ in 0..1_000_000 {
        if !finite || deviation(&rest) <= aim {
            break;
        }
        let mut t = guess.clamp(1e-9, 0.999);
        let mut best: Option<([Pt; 4], [Pt; 4], f64)> = None;
        for _ in 0..40 {
            let (head, tail) = split(&rest, t);
            let d = deviation(&head);
            if d <= aim {
                let good_enough = d >= 0.9 * aim || t >= 0.999;
                let first = best.is_none();
                best = Some((head, tail, t));
                if good_enough || !first {
                    break;
                }
                t = (t * (0.97 * aim / d.max(aim * 1e-4)).sqrt()).min(0.999);
            } else if best.is_some() || t < 1e-9 {
                break;
            } else {
                t *= (0.95 * aim / d).sqrt().clamp(0.05, 0.95);
            }
        }
        // Below 1e-9 of the parameter the piece is shorter than rounding: take it as it is.
        let (head, tail, t) = best.unwrap_or_else(|| {
            let (h, r) = split(&rest, t.max(1e-9));
            (h, r, t.max(1e-9))
        });
        out.push(head[3]);
        rest = tail;
        // The next chord is about as long: in the rest's own parameter it takes a larger part.
        guess = (t / (1.0 - t)).min(0.999);
    }
    out.push(p[3]);
}

/// A quadratic as the cubic it equals.
pub fn quad_as_cubic(p: [Pt; 3]) -> [Pt; 4] {
    [
        p[0],
        mix(p[0], p[1], 2.0 / 3.0),
        mix(p[2], p[1], 2.0 / 3.0),
        p[2],
    ]
}

/// Appends a quadratic's chords as [`cubic`] does.
pub fn quad(p: [Pt; 3], tolerance: f64, out: &mut Vec<Pt>) {
    cubic(quad_as_cubic(p), tolerance, out);
}
