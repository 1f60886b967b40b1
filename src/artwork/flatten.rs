//! Curves to chords, never farther from the curve than the tolerance.
//!
//! A cubic's distance from a chord between two of its points is itself a cubic whose Bernstein
//! coefficients are `0, d1, d2, 0`, the distances of the two inner control points, so its maximum is
//! found exactly from one quadratic.

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

/// Appends chords' ends as [`cubic`] does, each chord as long as it may be, found by trial.
fn by_trial(p: &[Pt; 4], aim: f64, out: &mut Vec<Pt>) {
    let mut rest = *p;
    let mut guess = 1.0_f64;
    for _ in 0..1_000_000 {
        if deviation(&rest) <= aim {
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

/// Chords from which on the bend is measured at more places.
const MANY: f64 = 40.0;
/// Chords made at once.
const BATCH: usize = 32;
/// More chords than the bend asks for, since it is known at a few places only.
const SPARE: f64 = 1.02;
/// How often a chord is halved before chords are found by trial.
const HALVINGS: u32 = 4;

/// Appends the chords' ends, without the first point of the cubic and with its last.
/// Non-finite input gives the end point alone.
///
/// A short chord over a parameter step h deviates by h^2 |B' x B''| / (8 |B'|). So steps in proportion to the
/// inverse root of that quotient give chords of equal deviation. Each is then checked, and made anew by trial
/// where the rule did not hold: near cusps and bends between the places measured.
pub fn cubic(p: [Pt; 4], tolerance: f64, out: &mut Vec<Pt>) {
    // A chord must not be asked to be closer than rounding allows.
    let size = p.iter().flatten().fold(0.0_f64, |m, v| m.max(v.abs()));
    let aim = tolerance.max(size * 1e-14);
    if !p.iter().flatten().all(|v| v.is_finite()) || deviation(&p) <= aim {
        out.push(p[3]);
        return;
    }
    let curve = Power::of(&p);
    let coarse = Bends::<8>::of(&curve);
    let count = coarse.chords(aim);
    // Also false for what is no number.
    if !(1.0..=1e6).contains(&count) {
        by_trial(&p, aim, out);
    } else if count < MANY {
        coarse.draw(&curve, p[3], aim, out);
    } else {
        Bends::<32>::of(&curve).draw(&curve, p[3], aim, out);
    }
}

/// How much a curve bends at evenly spaced parameters.
struct Bends<const CELLS: usize> {
    /// Root of |B' x B''| / |B'| where each cell starts.
    start: [f64; CELLS],
    /// Its change over each cell.
    change: [f64; CELLS],
    /// Its integral up to each cell's end.
    sums: [f64; CELLS],
}

impl<const CELLS: usize> Bends<CELLS> {
    fn of(curve: &Power) -> Bends<CELLS> {
        let start: [f64; CELLS] = std::array::from_fn(|j| curve.bend(j as f64 / CELLS as f64));
        let end = curve.bend(1.0);
        let change = std::array::from_fn(|j| start.get(j + 1).copied().unwrap_or(end) - start[j]);
        let mut sum = 0.0;
        let sums = std::array::from_fn(|j| {
            sum += (start[j] + change[j] / 2.0) / CELLS as f64;
            sum
        });
        Bends {
            start,
            change,
            sums,
        }
    }

    fn chords(&self, aim: f64) -> f64 {
        (SPARE * self.sums[CELLS - 1] / (8.0 * aim).sqrt()).ceil()
    }

    /// Appends chords of equal deviation, as far as the bend is known, that end in `end`.
    fn draw(&self, curve: &Power, end: Pt, aim: f64, out: &mut Vec<Pt>) {
        let count = self.chords(aim).clamp(1.0, 2e6) as usize;
        let share = self.sums[CELLS - 1] / count as f64;
        out.reserve(count + 1);
        let mut last = Place {
            t: 0.0,
            at: curve.a,
            by: curve.b,
        };
        let (mut done, mut j) = (0, 0);
        while done < count {
            let n = BATCH.min(count - done);
            // How far into its cell each chord ends; the cell's bend, and how it changes.
            let (mut into, mut bend, mut slope, mut from) =
                ([0.0; BATCH], [1.0; BATCH], [0.0; BATCH], [0.0; BATCH]);
            for k in 0..n {
                let want = share * (done + k + 1) as f64;
                while j + 1 < CELLS && self.sums[j] < want {
                    j += 1;
                }
                into[k] = want - if j == 0 { 0.0 } else { self.sums[j - 1] };
                bend[k] = self.start[j];
                slope[k] = self.change[j] * CELLS as f64;
                from[k] = j as f64 / CELLS as f64;
            }
            let mut t = [0.0; BATCH];
            for k in 0..BATCH {
                // bend x + slope x^2 / 2 = into.
                let root = (bend[k] * bend[k] + 2.0 * slope[k] * into[k])
                    .max(0.0)
                    .sqrt();
                t[k] = from[k] + 2.0 * into[k] / (bend[k] + root).max(f64::MIN_POSITIVE);
            }
            let mut places = [last; BATCH];
            for k in 0..BATCH {
                places[k] = curve.place(t[k]);
            }
            for (k, place) in places[..n].iter().enumerate() {
                let here = if done + k + 1 == count {
                    Place {
                        at: end,
                        ..curve.place(1.0)
                    }
                } else {
                    *place
                };
                chord(curve, &last, &here, aim, HALVINGS, out);
                last = here;
            }
            done += n;
        }
    }
}

/// A point of a curve, with its parameter and the derivative there.
#[derive(Clone, Copy)]
struct Place {
    t: f64,
    at: Pt,
    by: Pt,
}

/// Appends the chord from one place of a curve to another, or more of them where it deviates too much.
fn chord(curve: &Power, from: &Place, to: &Place, aim: f64, halvings: u32, out: &mut Vec<Pt>) {
    let third = (to.t - from.t) / 3.0;
    let (u, v) = (from.by, to.by);
    let c = [to.at[0] - from.at[0], to.at[1] - from.at[1]];
    let length2 = c[0] * c[0] + c[1] * c[1];
    let side = (u[0] * c[1] - u[1] * c[0])
        .abs()
        .max((v[0] * c[1] - v[1] * c[0]).abs())
        * third;
    let (s, e) = (
        (u[0] * c[0] + u[1] * c[1]) * third,
        (v[0] * c[0] + v[1] * c[1]) * third,
    );
    // Both handles beside the chord, and its deviation at most 3/4 of theirs.
    let forwards = s >= 0.0 && e >= 0.0 && s <= length2 && e <= length2 && third > 0.0;
    if forwards && side * side * 9.0 <= aim * aim * length2 * 16.0 {
        out.push(to.at);
        return;
    }
    let piece = [
        from.at,
        [from.at[0] + third * u[0], from.at[1] + third * u[1]],
        [to.at[0] - third * v[0], to.at[1] - third * v[1]],
        to.at,
    ];
    if halvings == 0 || third <= 0.0 {
        by_trial(&piece, aim, out);
    } else if deviation(&piece) <= aim {
        out.push(to.at);
    } else {
        let middle = curve.place(f64::midpoint(from.t, to.t));
        chord(curve, from, &middle, aim, halvings - 1, out);
        chord(curve, &middle, to, aim, halvings - 1, out);
    }
}

/// A cubic as a + b t + c t^2 + d t^3.
struct Power {
    a: Pt,
    b: Pt,
    c: Pt,
    d: Pt,
}

impl Power {
    fn of(p: &[Pt; 4]) -> Power {
        let of = |k: usize| {
            let (p0, p1, p2, p3) = (p[0][k], p[1][k], p[2][k], p[3][k]);
            let (b, c) = (3.0 * (p1 - p0), 3.0 * (p2 - 2.0 * p1 + p0));
            [p0, b, c, p3 - p0 - b - c]
        };
        let (x, y) = (of(0), of(1));
        Power {
            a: [x[0], y[0]],
            b: [x[1], y[1]],
            c: [x[2], y[2]],
            d: [x[3], y[3]],
        }
    }

    #[inline]
    fn place(&self, t: f64) -> Place {
        let p = |k: usize| self.a[k] + t * (self.b[k] + t * (self.c[k] + t * self.d[k]));
        let d = |k: usize| self.b[k] + t * (2.0 * self.c[k] + t * 3.0 * self.d[k]);
        Place {
            t,
            at: [p(0), p(1)],
            by: [d(0), d(1)],
        }
    }

    /// Root of |B' x B''| / |B'|.
    #[inline]
    fn bend(&self, t: f64) -> f64 {
        let cross = |u: Pt, v: Pt| u[0] * v[1] - u[1] * v[0];
        // B' x B'' is a quadratic in t.
        let (q0, q1, q2) = (
            2.0 * cross(self.b, self.c),
            6.0 * cross(self.b, self.d),
            6.0 * cross(self.c, self.d),
        );
        let d = self.place(t).by;
        let speed = (d[0] * d[0] + d[1] * d[1]).sqrt();
        let bend = (q0 + t * (q1 + t * q2)).abs();
        (bend / speed.max(f64::MIN_POSITIVE)).sqrt()
    }
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
