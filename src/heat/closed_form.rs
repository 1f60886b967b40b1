//! Closed forms of heat in a thin sheet that loses heat in proportion to its rise.
//!
//! Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, ch. 10; Rosenthal, Trans. ASME 68, 1946
//! (from memory). Metres, seconds, joules, watts; rises in kelvin.

use super::Foil;
use std::f64::consts::PI;

/// Modified Bessel function K0 from its integral of exp(-x cosh t), by the trapezium rule, which converges
/// exponentially here. `x` > 0.
pub fn bessel_k0(x: f64) -> f64 {
    let step = 1.0 / 32.0;
    let mut sum = 0.5 * libm::exp(-x);
    for n in 1..2000 {
        let term = libm::exp(-x * libm::cosh(f64::from(n) * step));
        sum += term;
        if term < 1e-18 * sum {
            break;
        }
    }
    sum * step
}

/// Rise `t` after `joule` was released at a distance `r`.
pub fn point(foil: &Foil, joule: f64, r: f64, t: f64) -> f64 {
    joule / (4.0 * PI * foil.sheet_w_k * t)
        * libm::exp(-r * r / (4.0 * foil.alpha_m2_s * t) - t / foil.tau_s())
}

/// Rise `t` after a Gaussian spot of 1/e2 radius `w` released `joule`, at a distance `r`.
pub fn spot(foil: &Foil, joule: f64, w: f64, r: f64, t: f64) -> f64 {
    let s = w * w / 2.0 + 4.0 * foil.alpha_m2_s * t;
    joule / (foil.capacity_j_m2_k * PI * s) * libm::exp(-r * r / s - t / foil.tau_s())
}

/// Rise around a source of `watt` that has moved at `speed` along x for long, `xi` ahead of and `y` beside it.
pub fn moving(foil: &Foil, watt: f64, speed: f64, xi: f64, y: f64) -> f64 {
    let half = speed / (2.0 * foil.alpha_m2_s);
    let m = (half * half + foil.loss_w_m2_k / foil.sheet_w_k).sqrt();
    watt / (2.0 * PI * foil.sheet_w_k) * libm::exp(-half * xi) * bessel_k0(libm::hypot(xi, y) * m)
}

/// Rise at the beam, caused by its own visit alone, at the end of `points` cut at `speed`: the spot's closed
/// form summed over the way. No slots: a web or a slug gets hotter.
pub fn self_heating(foil: &Foil, watt: f64, w: f64, points: &[[f64; 2]], speed: f64) -> f64 {
    let Some(&end) = points.last() else {
        return 0.0;
    };
    // Fine steps near the beam, until heat has spread past the spot; coarser ones further back.
    let finest = 0.25 * w.min(w * w * speed / (8.0 * foil.alpha_m2_s));
    let (mut back, mut sum) = (0.0f64, 0.0f64);
    for s in points.windows(2).rev() {
        let d = libm::hypot(s[1][0] - s[0][0], s[1][1] - s[0][1]);
        let mut at = 0.0;
        while at < d {
            let step = finest.max(0.1 * (back + at)).min(d - at);
            let f = (at + step / 2.0) / d;
            let p = [
                s[1][0] + f * (s[0][0] - s[1][0]),
                s[1][1] + f * (s[0][1] - s[1][1]),
            ];
            let r = libm::hypot(p[0] - end[0], p[1] - end[1]);
            let t = (back + at + step / 2.0) / speed;
            sum += spot(foil, watt * step / speed, w, r, t);
            at += step;
        }
        back += d;
    }
    sum
}

/// Cuts that point away from a middle, made one after the other. SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Star {
    /// Energy of the beam in all of them.
    pub joule: f64,
    /// From the beginning of the first to the end of the last.
    pub burst_s: f64,
    /// Distances from the middle at which they begin and end.
    pub inner_m: f64,
    pub outer_m: f64,
}

/// Rise in the middle of a star, `t` after it was begun, if all energy stays as heat: the point source summed
/// over time and radius, both taken as evenly filled. The cuts lie along the flow of heat and hardly hinder it.
pub fn star_burst(star: &Star, sheet_w_k: f64, alpha_m2_s: f64, tau_s: f64, t: f64) -> f64 {
    const STEPS: usize = 80;
    let (from, to) = ((t - star.burst_s).max(0.0), t);
    if to <= from {
        return 0.0;
    }
    let step = (to - from) / STEPS as f64;
    let mut sum = 0.0;
    for n in 0..STEPS {
        let age = from + (n as f64 + 0.5) * step;
        let s = (4.0 * alpha_m2_s * age).sqrt();
        let ring =
            0.5 * PI.sqrt() * s * (libm::erf(star.outer_m / s) - libm::erf(star.inner_m / s));
        sum += ring / (4.0 * PI * sheet_w_k * age) * libm::exp(-age / tau_s) * step;
    }
    sum * star.joule / (star.burst_s * (star.outer_m - star.inner_m))
}

/// A straight web of foil between two long slots, its ends open to the sheet. Metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Web {
    pub width_m: f64,
    pub length_m: f64,
    /// Conduction along the web against whole foil: slits across it are in the way.
    pub along: f64,
}

impl Web {
    /// Share of a line's heat along the web, 1/m, at `x` from the web's middle, `t` after the line at `from` released it.
    /// Times [`Web::across`], J over capacity per area, and exp(-t/tau) for the loss, it is the rise.
    ///
    /// The ends hold the sheet's temperature: images while heat has not spread over the web, sines after that (Carslaw
    /// & Jaeger 1959, ch. 3, 10 and 14, from memory). The sheet beyond an end resists like a longer web: a channel
    /// that opens into a plane is (w / 2 pi)(1 + ln(2 pi r / w)) longer for what flows as far as r (conformal map
    /// z = (w / 2 pi)(1 + u + exp u) of the channel's fringe, Maxwell 1873, from memory), and heat has flown as far
    /// as r = 2 exp(-gamma / 2) sqrt(alpha t), where the line source's logarithm vanishes (eq. 10.4(6), from memory).
    pub fn along(&self, alpha_m2_s: f64, from: f64, x: f64, t: f64) -> f64 {
        let w = self.width_m;
        let reach = 1.498_6 * (alpha_m2_s * t).sqrt();
        let beyond = (w / (2.0 * PI) * (1.0 + libm::log(2.0 * PI * reach / w))).max(0.0);
        let s = self.along * alpha_m2_s * t;
        let length = self.length_m + 2.0 * beyond;
        let (a, b) = (from + length / 2.0, x + length / 2.0);
        if s < 0.05 * length * length {
            let spread = |d: f64| libm::exp(-d * d / (4.0 * s)) / (4.0 * PI * s).sqrt();
            [-1.0, 0.0, 1.0]
                .map(|m| 2.0 * m * length)
                .map(|shift| spread(a - b + shift) - spread(a + b + shift))
                .iter()
                .sum()
        } else {
            let mode = |n: f64| {
                let k = n * PI / length;
                libm::sin(k * a) * libm::sin(k * b) * libm::exp(-k * k * s)
            };
            (1..12).map(f64::from).map(mode).sum::<f64>() * 2.0 / length
        }
    }
    /// Share of a line's heat across the web, 1/m, at `y` from the web's middle, `t` after a line of length `line_m` in
    /// the middle released it. The slots are mirrors: images, later cosines (source as above).
    pub fn across(&self, alpha_m2_s: f64, line_m: f64, y: f64, t: f64) -> f64 {
        let (w, s) = (self.width_m, alpha_m2_s * t);
        if s < 0.05 * w * w {
            let (root, half) = ((4.0 * s).sqrt(), line_m / 2.0);
            [-1.0, 0.0, 1.0]
                .map(|m| y + m * w)
                .map(|d| libm::erf((d + half) / root) - libm::erf((d - half) / root))
                .iter()
                .sum::<f64>()
                / (2.0 * line_m)
        } else {
            // The line is its own mirror about the middle: even cosines only.
            let mode = |n: f64| {
                let k = 2.0 * PI * n / w;
                libm::sin(k * line_m / 2.0) / (k * line_m / 2.0)
                    * libm::cos(k * y)
                    * libm::exp(-k * k * s)
            };
            (1.0 + 2.0 * (1..8).map(f64::from).map(mode).sum::<f64>()) / w
        }
    }
}

/// Highest rise at a distance `y` from a long cut in a sheet without slots, for 1 W moving at `speed`; the loss
/// is too slow to matter. The moving source, searched along its wake.
pub fn moving_peak(sheet_w_k: f64, alpha_m2_s: f64, speed: f64, y: f64) -> f64 {
    let half = speed / (2.0 * alpha_m2_s);
    // The peak lies abreast for slow cuts, half y2 / alpha behind for fast ones.
    let furthest = 2.0 * y + y * y * half * 2.0;
    (0..=60)
        .map(|n| -furthest * f64::from(n) / 60.0)
        .map(|xi| libm::exp(-half * xi) * bessel_k0(half * libm::hypot(xi, y)))
        .fold(0.0, f64::max)
        / (2.0 * PI * sheet_w_k)
}
