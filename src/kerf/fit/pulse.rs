//! Spot radius and threshold energy from single craters: D^2 = 2 w0^2 ln(E / Eth).
//!
//! With the number of pulses N varied, Eth(N) = Eth(1) N^(S-1) adds a term in ln N.

use super::{Estimate, FitError, RecipeLine, Table};
use crate::kerf::stats::{Fit, StatsError, least_squares, t_two_sided};
use serde::Serialize;

/// One crater.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crater {
    pub line: u64,
    pub energy_uj: f64,
    pub pulses: f64,
    pub diameter_um: f64,
}

/// A value with an interval that need not be symmetric.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Interval {
    pub value: f64,
    pub low_95: f64,
    pub high_95: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PulseFit {
    pub craters: usize,
    /// Rows whose pulse left no mark.
    pub unmarked: usize,
    pub spot_radius_um: Interval,
    /// For one pulse.
    pub threshold_energy_uj: Interval,
    pub threshold_fluence_j_cm2: f64,
    /// Where the number of pulses varied: S of N^(S-1); 1 is none.
    pub incubation: Option<Estimate>,
    pub residual_sd_um: f64,
    pub degrees_of_freedom: usize,
    pub warnings: Vec<String>,
    /// The fitted line for one pulse with its 95 % band: log10 of the energy in uJ, lower and upper D^2 in um2.
    #[serde(skip)]
    pub band: Vec<[f64; 3]>,
}

/// Points of a plotted band.
const BAND_POINTS: u32 = 40;

/// Reads a pulse table. A diameter of 0 says that the pulse left no mark; a blank one was not measured.
///
/// # Errors
/// Missing columns, energies or counts that are not positive, fewer than three energies with craters.
pub fn read(table: &Table) -> Result<(Vec<Crater>, usize), FitError> {
    table.need(&["energy_uj", "diameter_um"])?;
    let (mut craters, mut unmarked) = (Vec::new(), 0);
    for row in table.rows() {
        let energy_uj = row.required("energy_uj")?;
        let pulses = row.positive("pulses")?.unwrap_or(1.0);
        match row.number("diameter_um")? {
            None => {}
            Some(0.0) => unmarked += 1,
            Some(d) if d < 0.0 => {
                return Err(row.error(format!(
                    "diameter_um is {d}: a diameter cannot be negative (0: no mark; blank: not measured)"
                )));
            }
            Some(diameter_um) => craters.push(Crater {
                line: row.line,
                energy_uj,
                pulses,
                diameter_um,
            }),
        }
    }
    let mut energies: Vec<f64> = craters.iter().map(|c| c.energy_uj).collect();
    energies.sort_by(f64::total_cmp);
    energies.dedup();
    if craters.is_empty() {
        return Err(table.error("no diameter_um is filled in with a crater"));
    }
    if energies.len() < 3 {
        return Err(table.error(format!(
            "craters at only {} pulse energies: spot and threshold need at least 3, better 6 or more",
            energies.len()
        )));
    }
    Ok((craters, unmarked))
}

/// Fits the craters; readings weigh by 1/D, for an error of D is 2 D times as large in D^2.
///
/// # Errors
/// Words, where the craters do not grow with energy or do not determine the fit.
pub fn fit(craters: &[Crater], unmarked: usize) -> Result<PulseFit, String> {
    let vary = craters.iter().any(|c| c.pulses != craters[0].pulses);
    let row = |c: &Crater| -> Vec<f64> {
        let mut r = vec![1.0, libm::log(c.energy_uj)];
        if vary {
            r.push(libm::log(c.pulses));
        }
        r
    };
    let mut weights = vec![1.0; craters.len()];
    let mut fit: Option<Fit> = None;
    for _ in 0..3 {
        let rows: Vec<Vec<f64>> = craters
            .iter()
            .zip(&weights)
            .map(|(c, w)| row(c).iter().map(|v| v * w).collect())
            .collect();
        let y: Vec<f64> = craters
            .iter()
            .zip(&weights)
            .map(|(c, w)| c.diameter_um.powi(2) * w)
            .collect();
        let f = least_squares(&rows, &y).map_err(|e| match e {
            StatsError::Alike => {
                "energy and number of pulses were changed together: vary one at a time".to_owned()
            }
            other => other.to_string(),
        })?;
        for (w, c) in weights.iter_mut().zip(craters) {
            // Half of 1/D makes the residuals those of D itself.
            let expected = f.predict(&row(c)).0.max(0.25 * c.diameter_um.powi(2));
            *w = 0.5 / expected.sqrt();
        }
        fit = Some(f);
    }
    let fit = fit.ok_or("no fit")?;
    let (a, b) = (fit.coefficients[0], fit.coefficients[1]);
    let t = t_two_sided(0.95, fit.degrees_of_freedom as f64);
    let half = t * fit.se(1);
    if b - half <= 0.0 {
        return Err(
            "the craters do not grow with pulse energy beyond their scatter: spot and threshold cannot be told; measure more craters over a wider range of energies".into(),
        );
    }
    let radius = |slope: f64| (slope / 2.0).sqrt();
    // ln Eth = -a / b, error by propagation with the covariance of a and b.
    let ln = -a / b;
    let c = &fit.covariance;
    let var = (c[0][0] + ln * ln * c[1][1] + 2.0 * ln * c[0][1]) / (b * b);
    let ln_half = t * var.max(0.0).sqrt();
    let incubation = vary.then(|| {
        let g = fit.coefficients[2];
        let ratio = g / b;
        let var = (c[2][2] + ratio * ratio * c[1][1] - 2.0 * ratio * c[1][2]) / (b * b);
        Estimate {
            value: 1.0 - ratio,
            standard_error: var.max(0.0).sqrt(),
            half_width_95: t * var.max(0.0).sqrt(),
        }
    });
    let mut warnings = Vec::new();
    if !vary && craters[0].pulses != 1.0 {
        warnings.push(format!(
            "all craters took {} pulses: the threshold is that of {} pulses",
            craters[0].pulses, craters[0].pulses
        ));
    }
    let (lo, hi) = craters.iter().fold((f64::MAX, 0f64), |(lo, hi), c| {
        (lo.min(c.energy_uj), hi.max(c.energy_uj))
    });
    let threshold = libm::exp(ln);
    if lo / threshold > 3.0 {
        warnings.push(format!(
            "the lowest energy that left a crater ({lo:.2} uJ) is far above the threshold ({threshold:.2} uJ), which is then an extrapolation"
        ));
    }
    if hi / lo < 2.0 {
        warnings.push(
            "the pulse energies span less than a factor of two: the spot is poorly told".into(),
        );
    }
    let (from, to) = (ln.min(libm::log(lo)), libm::log(hi));
    let band = (0..=BAND_POINTS)
        .map(|i| {
            let x = from + (to - from) * f64::from(i) / f64::from(BAND_POINTS);
            let mut row = vec![1.0, x];
            if vary {
                row.push(0.0);
            }
            let (square, se) = fit.predict(&row);
            [
                x / std::f64::consts::LN_10,
                square - t * se,
                square + t * se,
            ]
        })
        .collect();
    Ok(PulseFit {
        band,
        craters: craters.len(),
        unmarked,
        spot_radius_um: Interval {
            value: radius(b),
            low_95: radius(b - half),
            high_95: radius(b + half),
        },
        threshold_energy_uj: Interval {
            value: threshold,
            low_95: libm::exp(ln - ln_half),
            high_95: libm::exp(ln + ln_half),
        },
        threshold_fluence_j_cm2: crate::beam::peak_fluence_j_cm2(threshold, radius(b)),
        incubation,
        residual_sd_um: fit.residual_sd,
        degrees_of_freedom: fit.degrees_of_freedom,
        warnings,
    })
}

/// What goes into a recipe.
pub fn recipe_lines(fit: &PulseFit) -> Vec<RecipeLine> {
    vec![
        RecipeLine::number("beam", "spot_radius_um", fit.spot_radius_um.value),
        RecipeLine::number("beam", "threshold_energy_uj", fit.threshold_energy_uj.value),
    ]
}
