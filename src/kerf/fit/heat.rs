//! Heat fraction and loss to the slide from a burst of cuts around a temperature sensor.
//!
//! The rise at the middle of a star of cuts is eta f(t) + b g(t): f is the closed form of the burst for a loss
//! H = C / tau, g what the slide under it gives back, a second and slower slope. Both are linear but in tau, which
//! is searched.

use super::{Estimate, FitError, RecipeLine, Table};
use crate::heat::closed_form::{Star, star_burst};
use crate::kerf::stats::{least_squares, t_two_sided};
use serde::Serialize;

/// The burst and the foil, as the coupon's table states them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Burst {
    pub star: Star,
    /// Heat capacity of the foil per area, J/m2K.
    pub capacity_j_m2_k: f64,
    /// Conductivity times thickness, W/K.
    pub sheet_w_k: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HeatFit {
    pub readings: usize,
    /// Fraction of the beam's energy that stays as heat.
    pub absorbed_fraction: Estimate,
    pub loss_w_m2_k: Estimate,
    pub tau_s: f64,
    /// Share of the last reading that comes back from the slide.
    pub slide_share: f64,
    pub residual_sd_k: f64,
    pub degrees_of_freedom: usize,
    pub warnings: Vec<String>,
    /// Time, and the fitted rise.
    #[serde(skip)]
    pub curve: Vec<[f64; 2]>,
}

/// What the closed form may be off by however good the readings are, as shares of heat fraction and loss: it knows
/// nothing of the slots that the cuts leave nor of the sheet's edges (compared with the simulated coupon,
/// tests/calibration/heat.rs).
const MODEL_SHARE: [f64; 2] = [0.03, 0.07];
/// Losses searched, W/m2K.
const LOSS: [f64; 2] = [5.0, 2e5];
/// Times at which the model is worked out, between them it is straight.
const STEPS: usize = 600;
/// More readings than a fit has use for.
const MOST_READINGS: usize = 20_000;

/// Reads a heat table: time since the first cut began and the rise then, blank where not read. What the burst was
/// may stand in the first row only.
///
/// # Errors
/// Missing columns, fewer than eight readings, times that are not positive.
pub fn read(table: &Table) -> Result<(Burst, Vec<[f64; 2]>), FitError> {
    let burst = [
        "burst_j",
        "burst_s",
        "inner_mm",
        "outer_mm",
        "capacity_j_m2_k",
        "sheet_w_k",
    ];
    table.need(&["time_s", "rise_k"])?;
    table.need(&burst)?;
    let first = table
        .rows()
        .next()
        .ok_or_else(|| table.error("holds no readings"))?;
    let mut values = [0.0; 6];
    for (value, name) in values.iter_mut().zip(burst) {
        *value = first.required(name)?;
    }
    let mut readings = Vec::new();
    for row in table.rows() {
        if let Some(rise) = row.number("rise_k")? {
            readings.push([row.required("time_s")?, rise]);
        }
    }
    if readings.len() < 8 {
        return Err(table.error(format!(
            "rise_k is filled in {} times: heat fraction and loss need at least 8 readings, some before and some after the rise has halved",
            readings.len()
        )));
    }
    if readings.len() > MOST_READINGS {
        return Err(table.error(format!(
            "holds {} readings: keep at most {MOST_READINGS}, every few milliseconds are enough",
            readings.len()
        )));
    }
    let [
        joule,
        burst_s,
        inner_mm,
        outer_mm,
        capacity_j_m2_k,
        sheet_w_k,
    ] = values;
    if outer_mm <= inner_mm {
        return Err(first.error("outer_mm must be greater than inner_mm"));
    }
    let star = Star {
        joule,
        burst_s,
        inner_m: inner_mm * 1e-3,
        outer_m: outer_mm * 1e-3,
    };
    Ok((
        Burst {
            star,
            capacity_j_m2_k,
            sheet_w_k,
        },
        readings,
    ))
}

/// What the sensor shows for a heat fraction of 1, and what the slide gives back of it, at even times.
struct Terms {
    step_s: f64,
    values: Vec<[f64; 2]>,
}

impl Terms {
    fn new(burst: &Burst, tau_s: f64, last_s: f64) -> Terms {
        let alpha = burst.sheet_w_k / burst.capacity_j_m2_k;
        let step_s = last_s / STEPS as f64;
        let kept = libm::exp(-step_s / tau_s);
        // The slide warms with the sum of f; the foil follows it with tau.
        let (mut before, mut slide, mut back) = (0.0, 0.0, 0.0);
        let values = (0..=STEPS)
            .map(|i| {
                let t = i as f64 * step_s;
                let f = star_burst(&burst.star, burst.sheet_w_k, alpha, tau_s, t);
                let middle = slide + 0.25 * (before + f) * step_s;
                slide += 0.5 * (before + f) * step_s;
                back = middle + (back - middle) * kept;
                before = f;
                [f, back]
            })
            .collect();
        Terms { step_s, values }
    }
    fn at(&self, t: f64) -> [f64; 2] {
        let x = (t / self.step_s).clamp(0.0, STEPS as f64 - 1e-9);
        let (i, u) = (x as usize, x.fract());
        let (a, b) = (self.values[i], self.values[i + 1]);
        [0, 1].map(|k| a[k] + u * (b[k] - a[k]))
    }
}

/// Fits the readings.
///
/// # Errors
/// Words, where the readings hold no rise or do not tell the loss.
pub fn fit(burst: &Burst, readings: &[[f64; 2]]) -> Result<HeatFit, String> {
    let y: Vec<f64> = readings.iter().map(|r| r[1]).collect();
    let (from, to) = readings
        .iter()
        .fold((f64::MAX, 0f64), |(a, b), r| (a.min(r[0]), b.max(r[0])));
    let rows = |tau_s: f64| -> Vec<Vec<f64>> {
        let terms = Terms::new(burst, tau_s, to);
        readings.iter().map(|r| terms.at(r[0]).to_vec()).collect()
    };
    let misfit = |ln_tau: f64| {
        least_squares(&rows(ln_tau.exp()), &y).map_or(f64::INFINITY, |fit| fit.residual_sd)
    };
    let [most, least] = LOSS.map(|h| libm::log(burst.capacity_j_m2_k / h));
    let ln_tau = lowest(misfit, least, most);
    let tau_s = libm::exp(ln_tau);
    let plain = least_squares(&rows(tau_s), &y).map_err(|e| e.to_string())?;
    let (eta, back) = (plain.coefficients[0], plain.coefficients[1]);
    if eta <= 0.0 {
        return Err("the readings do not rise with the burst: is rise_k the rise over the time before it, and time_s counted from the first cut?".into());
    }
    // Uncertainty: least squares on the model made straight at the optimum, tau among its columns.
    let step = 0.02;
    let (above, below) = (rows((ln_tau + step).exp()), rows((ln_tau - step).exp()));
    let model = |r: &[f64]| eta * r[0] + back * r[1];
    let straight: Vec<Vec<f64>> = rows(tau_s)
        .into_iter()
        .zip(above.iter().zip(&below))
        .map(|(mut row, (a, b))| {
            row.push((model(a) - model(b)) / (2.0 * step));
            row
        })
        .collect();
    let full = least_squares(&straight, &y).map_err(|e| e.to_string())?;
    let t = t_two_sided(0.95, full.degrees_of_freedom as f64);
    let estimate = |value: f64, standard_error: f64, model_share: f64| Estimate {
        value,
        standard_error,
        half_width_95: (t * standard_error).hypot(model_share * value),
    };
    let loss = burst.capacity_j_m2_k / tau_s;
    let last = &straight[straight.len() - 1];
    let mut warnings = Vec::new();
    if ln_tau < least + 0.05 || ln_tau > most - 0.05 {
        warnings.push(
            "the loss lies at the end of what is searched: the readings do not tell it".into(),
        );
    }
    if to < burst.star.burst_s + tau_s {
        warnings.push(format!(
            "the last reading, at {to:.2} s, is less than a time constant ({tau_s:.2} s) after the burst: read for longer"
        ));
    }
    let loss_w_m2_k = estimate(loss, loss * full.se(2), MODEL_SHARE[1]);
    if loss_w_m2_k.half_width_95 > 0.5 * loss {
        warnings.push("the loss is poorly told: read more often, or nearer to the star".into());
    }
    let terms = Terms::new(burst, tau_s, to);
    let curve = (0..=200)
        .map(|i| {
            let t = from + (to - from) * f64::from(i) / 200.0;
            [t, model(&terms.at(t))]
        })
        .collect();
    Ok(HeatFit {
        readings: readings.len(),
        absorbed_fraction: estimate(eta, full.se(0), MODEL_SHARE[0]),
        loss_w_m2_k,
        tau_s,
        slide_share: (back * last[1] / model(last)).clamp(0.0, 1.0),
        residual_sd_k: full.residual_sd,
        degrees_of_freedom: full.degrees_of_freedom,
        warnings,
        curve,
    })
}

/// Where a function with one valley is lowest between two places: a coarse look, then golden section.
fn lowest(f: impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    const COARSE: usize = 40;
    let at = |i: usize| from + (to - from) * i as f64 / COARSE as f64;
    let best = (0..=COARSE)
        .min_by(|a, b| f(at(*a)).total_cmp(&f(at(*b))))
        .unwrap_or(0);
    let (mut a, mut b) = (at(best.saturating_sub(1)), at((best + 1).min(COARSE)));
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    let (mut c, mut d) = (b - golden * (b - a), a + golden * (b - a));
    let (mut fc, mut fd) = (f(c), f(d));
    for _ in 0..40 {
        if fc < fd {
            (b, d, fd) = (d, c, fc);
            c = b - golden * (b - a);
            fc = f(c);
        } else {
            (a, c, fc) = (c, d, fd);
            d = a + golden * (b - a);
            fd = f(d);
        }
    }
    (a + b) / 2.0
}

/// What goes into a recipe; the uncertainties are half-widths of 95 % intervals.
pub fn recipe_lines(fit: &HeatFit) -> Vec<RecipeLine> {
    let (eta, loss) = (fit.absorbed_fraction, fit.loss_w_m2_k);
    vec![
        RecipeLine::number("laser", "absorbed_fraction", eta.value),
        RecipeLine::number("laser", "absorbed_uncertainty", eta.half_width_95.min(1.0)),
        RecipeLine::number("heat", "loss_w_m2_k", loss.value),
        RecipeLine::number("heat", "loss_uncertainty_w_m2_k", loss.half_width_95),
    ]
}
