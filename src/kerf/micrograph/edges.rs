//! Edges along the slot, and bridges over it.

use super::direction::{Line, profile};
use super::{Bridge, Grey, PictureError, Slot};
use crate::kerf::stats::least_squares;
use serde::Serialize;

/// Length of a station along the slot, pixels.
const STATION_PX: f64 = 12.0;

/// The edges at one place along the slot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Station {
    /// Edge points, pixels.
    pub edges_px: [[f64; 2]; 2],
    pub width_px: f64,
}

/// A box blurred by a Gaussian on a ramp: `level + slope u + rise (Phi((u-a)/s) - Phi((u-b)/s))`.
#[derive(Debug, Clone, Copy)]
struct BlurredBox {
    a: f64,
    b: f64,
    blur: f64,
    rise: f64,
    level: f64,
    slope: f64,
}

fn phi(z: f64) -> f64 {
    0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}
fn density(z: f64) -> f64 {
    libm::exp(-0.5 * z * z) / (2.0 * std::f64::consts::PI).sqrt()
}

impl BlurredBox {
    /// The box alone, 0 to 1.
    fn shape(&self, u: f64) -> f64 {
        phi((u - self.a) / self.blur) - phi((u - self.b) / self.blur)
    }
    fn value(&self, u: f64) -> f64 {
        self.level + self.slope * u + self.rise * self.shape(u)
    }
    fn width(&self) -> f64 {
        self.b - self.a
    }
    /// Derivatives by a, b, blur, rise, level, slope.
    fn derivatives(&self, u: f64) -> [f64; 6] {
        let (za, zb) = ((u - self.a) / self.blur, (u - self.b) / self.blur);
        let f = self.rise / self.blur;
        [
            -f * density(za),
            f * density(zb),
            -f * (za * density(za) - zb * density(zb)),
            self.shape(u),
            1.0,
            u,
        ]
    }
    /// Gauss-Newton with bounded steps over the parameters in `free`; `None` where it fails.
    fn fit(mut self, points: &[[f64; 2]], free: &[usize], rounds: usize) -> Option<BlurredBox> {
        for _ in 0..rounds {
            let (rows, y): (Vec<Vec<f64>>, Vec<f64>) = points
                .iter()
                .map(|p| {
                    let d = self.derivatives(p[0]);
                    (
                        free.iter().map(|&k| d[k]).collect(),
                        p[1] - self.value(p[0]),
                    )
                })
                .unzip();
            let step = least_squares(&rows, &y).ok()?.coefficients;
            let mut moved = 0f64;
            for (&k, s) in free.iter().zip(step) {
                let most = (0.25 * self.width()).clamp(0.3, 2.0);
                match k {
                    0 | 1 => {
                        let s = s.clamp(-most, most);
                        moved = moved.max(s.abs());
                        if k == 0 { self.a += s } else { self.b += s }
                    }
                    2 => {
                        let s = s.clamp(-0.4, 0.4);
                        moved = moved.max(s.abs());
                        self.blur = (self.blur + s).clamp(0.25, 12.0);
                    }
                    3 => self.rise += s,
                    4 => self.level += s,
                    _ => self.slope += s,
                }
            }
            if self.b - self.a < 0.3 {
                return None;
            }
            if moved < 1e-4 {
                break;
            }
        }
        Some(self)
    }
}

fn no_slot(words: impl Into<String>) -> PictureError {
    PictureError::NoSlot(words.into())
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    match values.len() {
        0 => 0.0,
        n if n % 2 == 1 => values[n / 2],
        n => 0.5 * (values[n / 2 - 1] + values[n / 2]),
    }
}

/// Measures the slot that lies along `line`.
pub fn measure(picture: &Grey, line: &Line) -> Result<Slot, PictureError> {
    let mut model = whole(picture, line, line.edges, &|_| true)?;
    let mut spans = bridged(picture, line, &model);
    if !spans.is_empty() {
        // Again without the bridges, which pale the mean profile.
        let keep = |t: f64| !spans.iter().any(|s| (s[0] - 6.0..=s[1] + 6.0).contains(&t));
        model = whole(picture, line, [model.a, model.b], &keep)?;
        spans = bridged(picture, line, &model);
    }
    let (stations, tried) = stations(picture, line, &model, &spans);
    if stations.len() < 2 || 2 * stations.len() < tried {
        return Err(no_slot(
            "nowhere along it do two edges face each other for long enough",
        ));
    }
    let mut widths: Vec<f64> = stations.iter().map(|s| s.1.width_px).collect();
    let width_median_px = median(&mut widths);
    let mut off: Vec<f64> = widths.iter().map(|w| (w - width_median_px).abs()).collect();
    if 1.4826 * median(&mut off) > 0.2 * width_median_px + 0.5 {
        return Err(no_slot("the edges that were found are not parallel"));
    }
    let roughness_px = [0, 1].map(|k| roughness(&stations, k, line));
    let mut warnings = Vec::new();
    if width_median_px < 2.0 * model.blur {
        warnings.push(format!(
            "the slot is narrower than its blur ({:.1} px of blur): width and contrast can hardly be told apart; use a stronger objective or focus better",
            model.blur
        ));
    }
    if let Some(clipped) = clipped(picture) {
        warnings.push(clipped);
    }
    let bridges = spans
        .iter()
        .map(|s| {
            let [x_px, y_px] = line.pixel(0.5 * (model.a + model.b), 0.5 * (s[0] + s[1]));
            Bridge {
                x_px,
                y_px,
                length_px: s[2],
            }
        })
        .collect();
    let mut direction = libm::atan2(line.normal[0], -line.normal[1]).to_degrees();
    if direction <= -90.0 {
        direction += 180.0;
    } else if direction > 90.0 {
        direction -= 180.0;
    }
    Ok(Slot {
        width_min_px: widths[0],
        width_median_px,
        width_max_px: widths[widths.len() - 1],
        roughness_px,
        blur_px: model.blur,
        contrast: model.rise,
        direction_deg: direction,
        bridges,
        stations: stations.into_iter().map(|s| s.1).collect(),
        warnings,
    })
}

/// A picture whose brightest or darkest values are cut off moves the edges.
fn clipped(picture: &Grey) -> Option<String> {
    let n = picture.values.len() as f64;
    let share =
        |f: &dyn Fn(f32) -> bool| picture.values.iter().filter(|v| f(**v)).count() as f64 / n;
    (share(&|v| v >= 1.0) > 0.02 || share(&|v| v <= 0.0) > 0.02).then(|| {
        "more than 2 % of the pixels are fully white or fully black: over- or underexposed edges shift, lower the light or the exposure".to_owned()
    })
}

/// The model over the whole slot.
fn whole(
    picture: &Grey,
    line: &Line,
    edges: [f64; 2],
    keep: &dyn Fn(f64) -> bool,
) -> Result<BlurredBox, PictureError> {
    let p = profile(picture, line.normal, 0.5, 1, keep);
    let points: Vec<[f64; 2]> = p
        .means
        .iter()
        .enumerate()
        .map(|(i, v)| [p.start + i as f64 * p.step, *v])
        .filter(|p| p[1].is_finite())
        .collect();
    let [first, last] = match points.as_slice() {
        [f, .., l] => [f[0], l[0]],
        _ => return Err(no_slot("it is too small across the slot")),
    };
    let start = BlurredBox {
        a: edges[0],
        b: edges[1].max(edges[0] + 1.0),
        blur: 1.0,
        rise: 0.0,
        level: 0.0,
        slope: 0.0,
    };
    // Near the slot only: far off, other things may be in the picture.
    let margin = (2.0 * start.width()).max(25.0);
    let near: Vec<[f64; 2]> = points
        .iter()
        .copied()
        .filter(|p| p[0] > start.a - margin && p[0] < start.b + margin)
        .collect();
    let all = [0, 1, 2, 3, 4, 5];
    let model = [0.8, 1.6, 3.0]
        .iter()
        .filter_map(|&blur| {
            let m = BlurredBox { blur, ..start }
                .fit(&near, &[3, 4, 5], 1)?
                .fit(&near, &all, 60)?;
            let rest: f64 = near.iter().map(|p| (p[1] - m.value(p[0])).powi(2)).sum();
            rest.is_finite().then_some((rest, m))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0));
    let Some((rest, m)) = model else {
        return Err(no_slot("no two edges that face each other were found"));
    };
    // What a ramp alone leaves.
    let (rows, y): (Vec<Vec<f64>>, Vec<f64>) = near.iter().map(|p| (vec![1.0, p[0]], p[1])).unzip();
    let plain = least_squares(&rows, &y).map_or(0.0, |f| f.residual_sum_of_squares);
    if plain <= 0.0 || rest > 0.35 * plain {
        return Err(no_slot(
            "no pair of edges stands out of the noise and texture",
        ));
    }
    if m.a < first + 2.0 || m.b > last - 2.0 {
        return Err(no_slot(
            "only one edge lies in the picture: take it with foil on both sides of the slot",
        ));
    }
    if m.width() > 0.9 * (last - first) || m.rise.abs() < 0.01 {
        return Err(no_slot("the contrast between slot and foil is too low"));
    }
    Ok(m)
}

/// Pixels within `margin` of the slot: along, across, value.
fn near_slot(picture: &Grey, line: &Line, model: &BlurredBox, margin: f64) -> Vec<[f64; 3]> {
    let mut out = Vec::new();
    for y in 0..picture.height {
        for x in 0..picture.width {
            let (xf, yf) = (x as f64, y as f64);
            let u = line.across(xf, yf);
            if u > model.a - margin && u < model.b + margin {
                out.push([line.along(xf, yf), u, picture.at(x, y)]);
            }
        }
    }
    out.sort_by(|p, q| p[0].total_cmp(&q[0]));
    out
}

/// Bridges: from, to and length along the slot. The slot's own shape is the filter across, its blur the one
/// along; the length is the area of the dip, which blur does not change.
fn bridged(picture: &Grey, line: &Line, model: &BlurredBox) -> Vec<[f64; 3]> {
    let margin = (3.0 * model.blur).max(6.0);
    let pixels = near_slot(picture, line, model, margin);
    let (Some(first), Some(last)) = (pixels.first(), pixels.last()) else {
        return Vec::new();
    };
    let (t0, n) = (first[0], (last[0] - first[0]).ceil() as usize + 2);
    // Per pixel of length: least squares of brightness on the slot's shape and a level.
    let mut sums = vec![[0.0f64; 5]; n];
    for [t, u, v] in &pixels {
        let s = model.shape(*u);
        let v = v - model.slope * u;
        // Split between two cells, so that rows of pixels do not beat with the cells.
        let (i, w) = ((t - t0) as usize, (t - t0).fract());
        for (k, w) in [(i, 1.0 - w), (i + 1, w)] {
            for (sum, add) in sums[k].iter_mut().zip([1.0, s, s * s, v, s * v]) {
                *sum += w * add;
            }
        }
    }
    let pixels_across = (model.width() + 2.0 * margin) * 0.85;
    let rise = |s: &[f64; 5]| {
        let [n, s1, s2, v, sv] = *s;
        let free = n * s2 - s1 * s1;
        (n >= pixels_across && free > 1e-9).then(|| (n * sv - s1 * v) / free)
    };
    let raw: Vec<Option<f64>> = sums.iter().map(rise).collect();
    let mut known: Vec<f64> = raw.iter().flatten().copied().collect();
    let typical = median(&mut known);
    if typical == 0.0 {
        return Vec::new();
    }
    let open: Vec<f64> = raw.iter().map(|r| r.map_or(1.0, |v| v / typical)).collect();
    let blur = model.blur.clamp(0.8, 4.0);
    let reach = (3.0 * blur).ceil() as usize;
    let kernel: Vec<f64> = (0..=2 * reach)
        .map(|i| density((i as f64 - reach as f64) / blur))
        .collect();
    let smooth: Vec<f64> = (0..n)
        .map(|i| {
            let (mut sum, mut weight) = (0.0, 0.0);
            for (k, w) in kernel.iter().enumerate() {
                if let Some(v) = (i + k).checked_sub(reach).and_then(|j| open.get(j)) {
                    sum += w * v;
                    weight += w;
                }
            }
            1.0 - sum / weight
        })
        .collect();
    let mut sizes: Vec<f64> = smooth.iter().map(|d| d.abs()).collect();
    let noise = 1.4826 * median(&mut sizes);
    let limit = (5.5 * noise).max(0.28);
    let mut out = Vec::new();
    let mut i = 0;
    while i < n {
        if smooth[i] <= limit {
            i += 1;
            continue;
        }
        let from = i;
        while i < n && smooth[i] > 0.5 * limit {
            i += 1;
        }
        let (lo, hi) = (from.saturating_sub(reach), (i + reach).min(n));
        let length: f64 = open[lo..hi].iter().map(|v| 1.0 - v).sum();
        if length > 1.2 {
            out.push([t0 + from as f64, t0 + i as f64, length]);
        }
    }
    out
}

/// The edges at stations along the slot, clear of bridges: place along, and edges; and how many stations
/// were tried.
fn stations(
    picture: &Grey,
    line: &Line,
    model: &BlurredBox,
    spans: &[[f64; 3]],
) -> (Vec<(f64, Station)>, usize) {
    let margin = (4.0 * model.blur).max(8.0);
    let pixels = near_slot(picture, line, model, margin);
    let (Some(first), Some(last)) = (pixels.first(), pixels.last()) else {
        return (Vec::new(), 0);
    };
    let wide = model.width() > 4.0 * model.blur + 2.0;
    let count = ((last[0] - first[0]) / STATION_PX).floor() as usize;
    let clear = 2.5 * model.blur + 1.0;
    let full = (model.width() + 2.0 * margin) * STATION_PX * 0.9;
    let mut out = Vec::new();
    let (mut i, mut tried) = (0, 0);
    for k in 0..count {
        let from = first[0] + k as f64 * STATION_PX;
        let to = from + STATION_PX;
        let start = i;
        while i < pixels.len() && pixels[i][0] < to {
            i += 1;
        }
        let here: Vec<[f64; 2]> = pixels[start..i].iter().map(|p| [p[1], p[2]]).collect();
        if (here.len() as f64) < full
            || spans
                .iter()
                .any(|s| s[0] - clear < to && s[1] + clear > from)
        {
            continue;
        }
        tried += 1;
        // In a narrow slot width and contrast cannot both be told from one station.
        let free: &[usize] = if wide {
            &[0, 1, 3, 4, 5]
        } else {
            &[0, 1, 4, 5]
        };
        let Some(m) = model.fit(&here, free, 20) else {
            continue;
        };
        let contrast = m.rise / model.rise;
        if m.a < model.a - margin || m.b > model.b + margin || !(0.5..=2.0).contains(&contrast) {
            continue;
        }
        let t = 0.5 * (from + to);
        out.push((
            t,
            Station {
                edges_px: [line.pixel(m.a, t), line.pixel(m.b, t)],
                width_px: m.width(),
            },
        ));
    }
    (out, tried)
}

/// Standard deviation of one edge from its straight line.
fn roughness(stations: &[(f64, Station)], edge: usize, line: &Line) -> f64 {
    let (rows, y): (Vec<Vec<f64>>, Vec<f64>) = stations
        .iter()
        .map(|(t, s)| {
            let [x, y] = s.edges_px[edge];
            (vec![1.0, *t], line.across(x, y))
        })
        .unzip();
    least_squares(&rows, &y).map_or(0.0, |f| f.residual_sd)
}
