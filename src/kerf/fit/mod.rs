//! Fits: from filled-in readings to kerf, threshold, focus and settings, each with its uncertainty.

pub mod focus;
pub mod kerf;
pub mod matrix;
pub mod pulse;
pub mod recipe_lines;
mod table;

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
        } else {
            Err(table.error(format!(
                "the columns ({}) are those of no coupon: a kerf table has `feature`, `drawn_um`, `measured_um`; a pulse table `energy_uj`, `diameter_um`; a matrix table `cut_through`; a focus table `height_mm`, `width_um`",
                table.columns().join(", ")
            )))
        }
    }
}
