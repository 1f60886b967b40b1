//! Fits: from filled-in readings to kerf, threshold, focus, settings and heat, each with its uncertainty.

pub mod focus;
pub mod heat;
pub mod kerf;
pub mod matrix;
pub mod pulse;
pub mod recipe_lines;
mod table;
pub mod tint;

use crate::kerf::stats::{Fit, StatsError, least_squares};
pub use recipe_lines::RecipeLine;
use serde::Serialize;
pub use table::Table;
use thiserror::Error;

#[derive(Debug, Error, Clone, PartialEq)]
pub enum FitError {
    #[error("{file}: {message}")]
    File { file: String, message: String },
    #[error("{file}, line {line}: {message}")]
    Line {
        file: String,
        line: u64,
        message: String,
    },
}

impl FitError {
    fn file(file: &str, message: impl Into<String>) -> FitError {
        FitError::File {
            file: file.to_owned(),
            message: message.into(),
        }
    }
    fn line(file: &str, line: u64, message: impl Into<String>) -> FitError {
        FitError::Line {
            file: file.to_owned(),
            line,
            message: message.into(),
        }
    }
}

/// A value with the half-width of its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    pub value: f64,
    pub standard_error: f64,
    pub half_width_95: f64,
}

/// What a table of readings is about, told by its columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Kerf,
    Pulse,
    Matrix,
    Focus,
    Heat,
    Tint,
}

impl Kind {
    /// # Errors
    /// Columns that belong to none of the coupons.
    pub fn of(table: &Table) -> Result<Kind, FitError> {
        let has = |c: &str| table.has(c);
        if has("feature") {
            Ok(Kind::Kerf)
        } else if has("diameter_um") {
            Ok(Kind::Pulse)
        } else if has("cut_through") {
            Ok(Kind::Matrix)
        } else if has("height_mm") {
            Ok(Kind::Focus)
        } else if has("rise_k") {
            Ok(Kind::Heat)
        } else if has("tinted") {
            Ok(Kind::Tint)
        } else {
            Err(table.error(format!(
                "the columns ({}) are those of no coupon: a kerf table has `feature`, `drawn_um`, `measured_um`; a pulse table `energy_uj`, `diameter_um`; a matrix table `cut_through`; a focus table `height_mm`, `width_um`; a heat table `time_s`, `rise_k`; a ladder's table `web_um`, `delay_s`, `tinted`",
                table.columns().join(", ")
            )))
        }
    }
}

/// Least squares of the squares of `widths` on `rows`, weighted so that the residuals are those of the widths
/// themselves: an error of a width D is 2 D times as large in D^2. Predictions are squares.
pub(super) fn fit_squares(rows: &[Vec<f64>], widths: &[f64]) -> Result<Fit, StatsError> {
    let mut weights = vec![1.0; widths.len()];
    let mut rounds = 3;
    loop {
        let weighted: Vec<Vec<f64>> = rows
            .iter()
            .zip(&weights)
            .map(|(r, w)| r.iter().map(|v| v * w).collect())
            .collect();
        let y: Vec<f64> = widths
            .iter()
            .zip(&weights)
            .map(|(d, w)| d * d * w)
            .collect();
        let fit = least_squares(&weighted, &y)?;
        for ((w, row), d) in weights.iter_mut().zip(rows).zip(widths) {
            // A fit that comes out near or below zero must not give one reading all the weight.
            let expected = fit.predict(row).0.max(0.25 * d * d);
            *w = 0.5 / expected.sqrt();
        }
        if rounds == 0 {
            return Ok(fit);
        }
        rounds -= 1;
    }
}
