//! Curves to chords, never farther from the curve than the tolerance.
//!
//! A cubic's distance from a chord between two of its points is itself a cubic whose Bernstein
//! coefficients are `0, d1, d2, 0`, the distances of the two inner control points, so its maximum is
//! found exactly from one quadratic. Chords are made as long as that maximum allows, one after another.

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

/// Appends the chords' ends, without the first point of the cubic and with its last.
/// Non-finite input gives the end point alone.
pub fn cubic(p: [Pt; 4], tolerance: f64, out: &mut Vec<Pt>) {
    // A chord must not be asked to be closer than rounding allows.
    let size = p.iter().flatten().fold(0.0_f64, |m, v| m.max(v.abs()));
    let aim = tolerance.max(size * 1e-14);
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
