//! Best focus and its depth from line widths at several heights: width^2 is a parabola in height.

use super::{Estimate, FitError, Table};
use crate::kerf::stats::{least_squares, t_two_sided};
use serde::Serialize;

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FocusFit {
    pub readings: usize,
    pub best_height_mm: Estimate,
    /// Width of the line there.
    pub width_um: f64,
    /// Whether the line is narrowest in focus; near threshold it is widest there.
    pub narrowest_in_focus: bool,
    /// Distance to either side within which the width changes by less than a tenth.
    pub depth_mm: f64,
    pub residual_sd_um2: f64,
    pub degrees_of_freedom: usize,
    /// Height and square of the width, as fitted: constant, linear and quadratic term about the mean height.
    pub mean_height_mm: f64,
    pub terms: [f64; 3],
    pub warnings: Vec<String>,
    /// The fitted width with its 95 % band over the heights read: height in mm, lower, fitted and upper width in um.
    #[serde(skip)]
    pub curve: Vec<[f64; 4]>,
}

/// Reads a focus table: height and width.
///
/// # Errors
/// Missing columns, widths that are not positive, fewer than four heights.
pub fn read(table: &Table) -> Result<Vec<[f64; 2]>, FitError> {
    table.need(&["height_mm", "width_um"])?;
    let mut out = Vec::new();
    for row in table.rows() {
        let height = row
            .number("height_mm")?
            .ok_or_else(|| row.error("height_mm is blank"))?;
        if let Some(width) = row.positive("width_um")? {
            out.push([height, width]);
        }
    }
    let mut heights: Vec<f64> = out.iter().map(|r| r[0]).collect();
    heights.sort_by(f64::total_cmp);
    heights.dedup();
    if heights.len() < 4 {
        return Err(table.error(format!(
            "widths at only {} heights are filled in: the focus needs at least 4, better 7 or more on both sides of it",
            heights.len()
        )));
    }
    Ok(out)
}

/// Fits the parabola.
///
/// # Errors
/// Words, where the widths show no focus within the heights.
pub fn fit(readings: &[[f64; 2]]) -> Result<FocusFit, String> {
    let mean = readings.iter().map(|r| r[0]).sum::<f64>() / readings.len() as f64;
    let (rows, y): (Vec<_>, Vec<_>) = readings
        .iter()
        .map(|[h, w]| {
            let z = h - mean;
            (vec![1.0, z, z * z], w * w)
        })
        .unzip();
    let fit = least_squares(&rows, &y).map_err(|e| e.to_string())?;
    let [a, b, c] = [
        fit.coefficients[0],
        fit.coefficients[1],
        fit.coefficients[2],
    ];
    let t = t_two_sided(0.95, fit.degrees_of_freedom as f64);
    if c.abs() <= t * fit.se(2) {
        return Err("the widths do not bend with height beyond their scatter: no focus can be told; take heights further apart".into());
    }
    let z = -b / (2.0 * c);
    let cov = &fit.covariance;
    let (db, dc) = (-1.0 / (2.0 * c), b / (2.0 * c * c));
    let var = db * db * cov[1][1] + dc * dc * cov[2][2] + 2.0 * db * dc * cov[1][2];
    let at_best = a + b * z + c * z * z;
    let (lo, hi) = readings.iter().fold((f64::MAX, f64::MIN), |(lo, hi), r| {
        (lo.min(r[0]), hi.max(r[0]))
    });
    if !(lo..=hi).contains(&(mean + z)) {
        return Err(format!(
            "the widths point to a focus at {:.3} mm, outside the heights that were cut ({lo} to {hi} mm): take heights around it",
            mean + z
        ));
    }
    if at_best <= 0.0 {
        return Err("the widths do not fit a focus (a squared width below zero)".into());
    }
    let narrowest = c > 0.0;
    // (1.1^2 - 1) or (1 - 0.9^2) of the squared width.
    let change = if narrowest { 0.21 } else { 0.19 };
    let mut warnings = Vec::new();
    if !narrowest {
        warnings.push("the line is widest in focus: the pulses are near threshold out of focus, so the depth is that of cutting, not of the beam".into());
    }
    let curve = (0..=100)
        .map(|i| {
            let h = lo + (hi - lo) * f64::from(i) / 100.0;
            let z = h - mean;
            let (square, se) = fit.predict(&[1.0, z, z * z]);
            let width = |v: f64| v.max(0.0).sqrt();
            [
                h,
                width(square - t * se),
                width(square),
                width(square + t * se),
            ]
        })
        .collect();
    Ok(FocusFit {
        curve,
        readings: readings.len(),
        best_height_mm: Estimate {
            value: mean + z,
            standard_error: var.max(0.0).sqrt(),
            half_width_95: t * var.max(0.0).sqrt(),
        },
        width_um: at_best.sqrt(),
        narrowest_in_focus: narrowest,
        depth_mm: (change * at_best / c.abs()).sqrt(),
        residual_sd_um2: fit.residual_sd,
        degrees_of_freedom: fit.degrees_of_freedom,
        mean_height_mm: mean,
        terms: [a, b, c],
        warnings,
    })
}
