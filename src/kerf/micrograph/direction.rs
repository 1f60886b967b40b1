//! The slot's direction and a first guess of its edges.

use super::{Grey, PictureError};

/// Pixels looked at while the direction is searched, about.
const SAMPLES: usize = 400_000;

/// A straight slot: pixel (x, y) lies at `u = x nx + y ny - offset` across and `t = -x ny + y nx` along.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    pub normal: [f64; 2],
    /// First guess of the edges across, in the same `u`.
    pub edges: [f64; 2],
}

impl Line {
    pub fn across(&self, x: f64, y: f64) -> f64 {
        x * self.normal[0] + y * self.normal[1]
    }
    pub fn along(&self, x: f64, y: f64) -> f64 {
        -x * self.normal[1] + y * self.normal[0]
    }
    /// Pixel position of a place across and along.
    pub fn pixel(&self, u: f64, t: f64) -> [f64; 2] {
        [
            u * self.normal[0] - t * self.normal[1],
            u * self.normal[1] + t * self.normal[0],
        ]
    }
}

/// Mean of the picture over lines `u = const`, one bin per `step` pixels.
pub struct Profile {
    pub start: f64,
    pub step: f64,
    pub means: Vec<f64>,
}

/// The mean profile across; only bins that many pixels fall into, from the longest run of such bins. A
/// bin without pixels of its own holds no number.
pub fn profile(
    picture: &Grey,
    normal: [f64; 2],
    step: f64,
    stride: usize,
    keep: &dyn Fn(f64) -> bool,
) -> Profile {
    let corners = [
        [0.0, 0.0],
        [picture.width as f64, 0.0],
        [0.0, picture.height as f64],
        [picture.width as f64, picture.height as f64],
    ];
    let us = corners.map(|c| c[0] * normal[0] + c[1] * normal[1]);
    let (lo, hi) = us
        .iter()
        .fold((f64::MAX, f64::MIN), |(a, b), u| (a.min(*u), b.max(*u)));
    let bins = ((hi - lo) / step).ceil() as usize + 1;
    let (mut sums, mut counts) = (vec![0.0; bins], vec![0.0; bins]);
    let line = Line {
        normal,
        edges: [0.0; 2],
    };
    for y in (0..picture.height).step_by(stride) {
        for x in 0..picture.width {
            if !keep(line.along(x as f64, y as f64)) {
                continue;
            }
            // Split between the two nearest bins, so that the profile is smooth in the angle.
            let f = (line.across(x as f64, y as f64) - lo) / step;
            let i = f.floor() as usize;
            let w = f - f.floor();
            let v = picture.at(x, y);
            sums[i] += (1.0 - w) * v;
            counts[i] += 1.0 - w;
            if i + 1 < bins {
                sums[i + 1] += w * v;
                counts[i + 1] += w;
            }
        }
    }
    let most = counts.iter().copied().fold(0.0, f64::max);
    let full = |i: usize| counts[i] >= 0.4 * most && counts[i] > 0.0;
    // Bins finer than a pixel stay empty in turn where the slot runs along the rows.
    let gap = |i: usize| i > 0 && i + 1 < bins && full(i - 1) && full(i + 1);
    let (mut best, mut from) = (0..0, 0);
    for i in 0..=bins {
        if i == bins || !(full(i) || gap(i)) {
            if i - from > best.len() {
                best = from..i;
            }
            from = i + 1;
        }
    }
    Profile {
        start: lo + step * best.start as f64,
        step,
        means: best.map(|i| sums[i] / counts[i]).collect(),
    }
}

/// Finds the slot.
///
/// # Errors
/// Words, where there is none.
pub fn find(picture: &Grey) -> Result<Line, PictureError> {
    let stride = (picture.width * picture.height / SAMPLES).max(1);
    let first = gradient_angle(picture);
    let energy = |angle: f64| -> f64 {
        let p = profile(picture, [angle.cos(), angle.sin()], 1.0, stride, &|_| true);
        let n = p.means.len();
        if n < 8 {
            return 0.0;
        }
        // Steps over two pixels: noise of the single bin counts less. The ramp's own step is taken off.
        let steps: Vec<f64> = p.means.windows(3).map(|w| w[2] - w[0]).collect();
        let mean = steps.iter().sum::<f64>() / steps.len() as f64;
        steps.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / n as f64
    };
    let mut best = (energy(first), first);
    let mut reach = 8f64.to_radians();
    while reach > 0.02f64.to_radians() {
        let centre = best.1;
        for i in -4i32..=4 {
            let angle = centre + reach * f64::from(i) / 4.0;
            let e = energy(angle);
            if e > best.0 {
                best = (e, angle);
            }
        }
        reach /= 3.0;
    }
    let normal = [best.1.cos(), best.1.sin()];
    let p = profile(picture, normal, 1.0, stride, &|_| true);
    let edges = best_box(&p.means)
        .ok_or_else(|| PictureError::NoSlot("brightness does not change across it".to_owned()))?;
    Ok(Line {
        normal,
        edges: edges.map(|i| p.start + (i as f64 - 0.5) * p.step),
    })
}

/// Angle of the strongest gradients (structure tensor), the picture smoothed by boxes first.
fn gradient_angle(picture: &Grey) -> f64 {
    // Means over blocks tame noise and size at once.
    let block = ((picture.width.min(picture.height)) / 120).clamp(2, 16);
    let (w, h) = (picture.width / block, picture.height / block);
    let mut small = vec![0.0; w * h];
    for y in 0..h * block {
        for x in 0..w * block {
            small[y / block * w + x / block] += picture.at(x, y);
        }
    }
    let at = |x: usize, y: usize| small[y * w + x];
    let mut gradients = Vec::with_capacity(w * h);
    for y in 1..h.saturating_sub(1) {
        for x in 1..w.saturating_sub(1) {
            let row = |y: usize| at(x + 1, y) - at(x - 1, y);
            let column = |x: usize| at(x, y + 1) - at(x, y - 1);
            gradients.push([
                row(y - 1) + 2.0 * row(y) + row(y + 1),
                column(x - 1) + 2.0 * column(x) + column(x + 1),
            ]);
        }
    }
    let n = gradients.len().max(1) as f64;
    let mean: [f64; 2] = std::array::from_fn(|k| gradients.iter().map(|g| g[k]).sum::<f64>() / n);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for g in gradients {
        let (gx, gy) = (g[0] - mean[0], g[1] - mean[1]);
        xx += gx * gx;
        xy += gx * gy;
        yy += gy * gy;
    }
    0.5 * libm::atan2(2.0 * xy, xx - yy)
}

/// The interval whose step explains most of the profile beside a straight ramp: first bin in, first bin
/// out. `None` for a flat profile.
fn best_box(means: &[f64]) -> Option<[usize; 2]> {
    let n = means.len();
    if n < 12 {
        return None;
    }
    let nf = n as f64;
    let mid = (nf - 1.0) / 2.0;
    let mean = means.iter().sum::<f64>() / nf;
    let uu: f64 = (0..n).map(|i| (i as f64 - mid).powi(2)).sum();
    let slope: f64 = means
        .iter()
        .enumerate()
        .map(|(i, v)| (i as f64 - mid) * v)
        .sum::<f64>()
        / uu;
    let mut sums = vec![0.0; n + 1];
    let mut us = vec![0.0; n + 1];
    for (i, v) in means.iter().enumerate() {
        let u = i as f64 - mid;
        sums[i + 1] = sums[i] + v - mean - slope * u;
        us[i + 1] = us[i] + u;
    }
    let mut best = (0.0, None);
    // Both edges need some foil beside them.
    let side = 3;
    for a in side..n - side {
        for b in a + 1..n - side {
            let inside = (b - a) as f64;
            let free = inside - inside * inside / nf - (us[b] - us[a]).powi(2) / uu;
            if free < 0.5 {
                continue;
            }
            let explained = (sums[b] - sums[a]).powi(2) / free;
            if explained > best.0 {
                best = (explained, Some([a, b]));
            }
        }
    }
    best.1
}
