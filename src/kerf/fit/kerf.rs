//! The kerf from widths of openings and bars.
//!
//! Model: measured + sigma applied = (1 + s) drawn + sigma k, with sigma +1 for openings, which the kerf
//! widens, and -1 for bars, which it thins. An error s of the microscope's scale goes with the drawn size
//! and the kerf k does not, so a fit over several sizes of both tells them apart. What it cannot tell from
//! kerf is an edge seen wider or narrower than it is; that enters as a type B uncertainty.

use super::{Estimate, FitError, RecipeLine, Table};
use crate::kerf::stats::{
    Combined, Contribution, StatsError, combine, least_squares, outliers, t_two_sided,
};
use serde::Serialize;

/// Chance of calling a reading an outlier when none is.
const OUTLIER_ALPHA: f64 = 0.01;

/// Columns that carry the settings a coupon was cut at, and the recipe key each belongs to.
const SETTINGS: [(&str, &str); 6] = [
    ("power_percent", "measured_power_percent"),
    ("pulse_rate_khz", "measured_pulse_rate_khz"),
    ("cut_speed_mm_s", "measured_speed_mm_s"),
    ("passes", "measured_passes"),
    ("scheme", "measured_scheme"),
    ("focus_offset_mm", "measured_focus_offset_mm"),
];

/// One feature as drawn and as measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Line in the table.
    pub line: u64,
    pub opening: bool,
    /// `x`, `y` or empty.
    pub axis: String,
    pub drawn_um: f64,
    pub measured_um: f64,
    /// Kerf that the job already took off.
    pub applied_kerf_um: f64,
}

impl Reading {
    fn sign(&self) -> f64 {
        if self.opening { 1.0 } else { -1.0 }
    }
    /// Width as it would be had the beam followed the drawn edge.
    fn uncompensated_um(&self) -> f64 {
        self.measured_um + self.sign() * self.applied_kerf_um
    }
    /// The kerf this reading alone tells, were the scale true.
    pub fn kerf_um(&self) -> f64 {
        self.sign() * (self.uncompensated_um() - self.drawn_um)
    }
}

/// All readings of one table.
#[derive(Debug, Clone, PartialEq)]
pub struct Readings {
    pub readings: Vec<Reading>,
    pub blank: usize,
    /// `entry`, `exit`, `through` or empty.
    pub side: String,
    pub settings: Vec<(&'static str, String)>,
    pub warnings: Vec<String>,
}

/// What is known besides the scatter of the readings, each a half-width of equal chance, micrometres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TypeB {
    /// One step of the microscope's reading.
    pub resolution_um: f64,
    /// How far off the seen width of an edge pair may be, both edges together.
    pub edge_um: f64,
}

impl Default for TypeB {
    fn default() -> TypeB {
        TypeB {
            resolution_um: 0.1,
            edge_um: 0.2,
        }
    }
}

/// Kerf and scale error of one set of readings.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TwoParameter {
    pub readings: usize,
    pub kerf_um: f64,
    pub standard_error_um: f64,
    pub half_width_95_um: f64,
    /// `None` where the readings cannot tell it.
    pub scale_error_ppm: Option<f64>,
    pub scale_half_width_95_ppm: Option<f64>,
    pub residual_sd_um: f64,
    pub degrees_of_freedom: usize,
}

/// A reading that does not belong.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outlier {
    pub line: u64,
    pub drawn_um: f64,
    pub measured_um: f64,
}

/// Everything the readings tell.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KerfFit {
    /// The pooled fit over all rows: type A only.
    #[serde(flatten)]
    pub pooled: TwoParameter,
    pub side: String,
    pub blank: usize,
    pub kerf_only: TwoParameter,
    pub outlier_test: &'static str,
    pub outliers: Vec<Outlier>,
    pub without_outliers: TwoParameter,
    pub x: Option<TwoParameter>,
    pub y: Option<TwoParameter>,
    /// Kerf in x minus kerf in y.
    pub x_minus_y: Option<Estimate>,
    pub axes_differ: bool,
    /// Mean over openings or bars alone: what a scale error does to each.
    pub openings_alone_um: Option<f64>,
    pub bars_alone_um: Option<f64>,
    pub type_b: TypeB,
    /// Kerf without outliers, with type A and type B together.
    pub combined_kerf_um: f64,
    pub combined_standard_uncertainty_um: f64,
    pub effective_degrees_of_freedom: Option<f64>,
    pub expanded_uncertainty_95_um: f64,
    /// Entry minus exit, where both sides were read.
    pub taper_um: Option<Estimate>,
    pub warnings: Vec<String>,
}

/// Reads a kerf table.
///
/// # Errors
/// Missing columns, words that are neither feature nor side nor axis, widths that are not positive or in
/// another unit, mixed sides or settings, nothing filled in.
pub fn read(table: &Table) -> Result<Readings, FitError> {
    table.need(&["feature", "drawn_um", "measured_um"])?;
    let mut out = Readings {
        readings: Vec::new(),
        blank: 0,
        side: String::new(),
        settings: Vec::new(),
        warnings: Vec::new(),
    };
    let mut seen: Vec<(&'static str, String, u64)> = Vec::new();
    let mut side: Option<(String, u64)> = None;
    for row in table.rows() {
        let opening = match row.word("feature").as_str() {
            "opening" => true,
            "bar" => false,
            other => {
                return Err(row.error(format!(
                    "feature is `{other}`: write `opening` for a slot, `bar` for foil left standing"
                )));
            }
        };
        let axis = row.word("axis");
        if !["", "x", "y"].contains(&axis.as_str()) {
            return Err(row.error(format!(
                "axis is `{axis}`: write `x`, `y` or nothing, the direction the width was measured in"
            )));
        }
        let drawn_um = row.required("drawn_um")?;
        let Some(measured_um) = row.positive("measured_um")? else {
            out.blank += 1;
            continue;
        };
        let applied_kerf_um = row.number("applied_kerf_um")?.unwrap_or(0.0);
        if applied_kerf_um < 0.0 {
            return Err(row.error(format!(
                "applied_kerf_um is {applied_kerf_um}: it cannot be negative"
            )));
        }
        let ratio = measured_um / drawn_um;
        if !(0.02..=50.0).contains(&ratio) {
            return Err(row.error(format!(
                "measured_um is {measured_um} where {drawn_um} was drawn: is it in another unit? Both columns are in micrometres"
            )));
        }
        let word = row.word("side");
        if !["", "entry", "exit", "through"].contains(&word.as_str()) {
            return Err(row.error(format!(
                "side is `{word}`: write `entry`, `exit` or `through`, as seen in the microscope"
            )));
        }
        match &side {
            None => side = Some((word, row.line)),
            Some((first, line)) if *first != word => {
                return Err(row.error(format!(
                    "side is `{word}` but `{first}` on line {line}: the two sides differ by the taper, so fit them apart (one table each, the second with --other-side)"
                )));
            }
            Some(_) => {}
        }
        for (column, _) in SETTINGS {
            let value = row.word(column);
            if value.is_empty() {
                continue;
            }
            match seen.iter().find(|s| s.0 == column) {
                None => seen.push((column, value, row.line)),
                Some((_, first, line)) if *first != value => {
                    return Err(row.error(format!(
                        "{column} is {value} but {first} on line {line}: a kerf belongs to one setting, so fit them apart"
                    )));
                }
                Some(_) => {}
            }
        }
        out.readings.push(Reading {
            line: row.line,
            opening,
            axis,
            drawn_um,
            measured_um,
            applied_kerf_um,
        });
    }
    out.side = side.map(|s| s.0).unwrap_or_default();
    out.settings = seen.into_iter().map(|(c, v, _)| (c, v)).collect();
    if out.readings.is_empty() {
        return Err(table.error(if table.is_empty() {
            "has no rows below the header"
        } else {
            "no measured_um is filled in: measure the features and write their widths in micrometres"
        }));
    }
    if out.readings.len() < 3 {
        return Err(table.error(format!(
            "only {} readings are filled in: kerf, scale and their scatter need at least 3, better 12 or more",
            out.readings.len()
        )));
    }
    if out.side.is_empty() {
        out.warnings.push(
            "the side seen in the microscope is blank: entry and exit differ by the taper".into(),
        );
    } else if out.side == "entry" {
        out.warnings.push(
            "these are widths at the entry; the recipe's kerf is the narrow side, normally the exit"
                .into(),
        );
    }
    Ok(out)
}

fn columns(readings: &[Reading]) -> (Vec<Vec<f64>>, Vec<f64>) {
    readings
        .iter()
        .map(|r| {
            (
                vec![r.sign(), r.drawn_um],
                r.uncompensated_um() - r.drawn_um,
            )
        })
        .unzip()
}

fn kerf_only(readings: &[Reading]) -> Result<TwoParameter, StatsError> {
    let (rows, y): (Vec<_>, Vec<_>) = readings.iter().map(|r| (vec![1.0], r.kerf_um())).unzip();
    let fit = least_squares(&rows, &y)?;
    Ok(TwoParameter {
        readings: y.len(),
        kerf_um: fit.coefficients[0],
        standard_error_um: fit.se(0),
        half_width_95_um: fit.half_width(0, 0.95),
        scale_error_ppm: None,
        scale_half_width_95_ppm: None,
        residual_sd_um: fit.residual_sd,
        degrees_of_freedom: fit.degrees_of_freedom,
    })
}

/// Kerf and scale; kerf alone where all readings are of one kind and size.
fn two_parameter(readings: &[Reading]) -> Result<TwoParameter, StatsError> {
    let (rows, y) = columns(readings);
    let fit = match least_squares(&rows, &y) {
        Err(StatsError::Alike) => return kerf_only(readings),
        other => other?,
    };
    Ok(TwoParameter {
        readings: y.len(),
        kerf_um: fit.coefficients[0],
        standard_error_um: fit.se(0),
        half_width_95_um: fit.half_width(0, 0.95),
        scale_error_ppm: Some(fit.coefficients[1] * 1e6),
        scale_half_width_95_ppm: Some(fit.half_width(1, 0.95) * 1e6),
        residual_sd_um: fit.residual_sd,
        degrees_of_freedom: fit.degrees_of_freedom,
    })
}

/// Fits the readings.
///
/// # Errors
/// Readings that do not determine a kerf.
pub fn fit(data: &Readings, type_b: TypeB) -> Result<KerfFit, StatsError> {
    let all = &data.readings;
    let pooled = two_parameter(all)?;
    let mut warnings = data.warnings.clone();
    let (rows, y) = columns(all);
    let bad = outliers(&rows, &y, OUTLIER_ALPHA).unwrap_or_default();
    let kept: Vec<Reading> = all
        .iter()
        .enumerate()
        .filter(|(i, _)| !bad.contains(i))
        .map(|(_, r)| r.clone())
        .collect();
    let without_outliers = two_parameter(&kept)?;
    let on =
        |axis: &str| -> Vec<Reading> { kept.iter().filter(|r| r.axis == axis).cloned().collect() };
    let axis = |axis: &str| two_parameter(&on(axis)).ok();
    let (x, y) = (axis("x"), axis("y"));
    let x_minus_y = x.as_ref().zip(y.as_ref()).map(|(x, y)| {
        let (nx, ny) = (x.degrees_of_freedom as f64, y.degrees_of_freedom as f64);
        let both = combine(&[
            Contribution {
                u: x.standard_error_um,
                degrees_of_freedom: nx,
            },
            Contribution {
                u: y.standard_error_um,
                degrees_of_freedom: ny,
            },
        ]);
        Estimate {
            value: x.kerf_um - y.kerf_um,
            standard_error: both.u,
            half_width_95: both.expanded_95,
        }
    });
    let axes_differ = x_minus_y.is_some_and(|d| d.value.abs() > d.half_width_95);
    if axes_differ && let Some(d) = x_minus_y {
        warnings.push(format!(
            "kerf in x and y differ by {:.2} um: astigmatic or oval spot, or the scanner's axes are scaled apart; the recipe takes their mean",
            d.value.abs()
        ));
    }
    let alone = |opening: bool| {
        let kerfs: Vec<f64> = kept
            .iter()
            .filter(|r| r.opening == opening)
            .map(Reading::kerf_um)
            .collect();
        (!kerfs.is_empty()).then(|| kerfs.iter().sum::<f64>() / kerfs.len() as f64)
    };
    let (openings_alone_um, bars_alone_um) = (alone(true), alone(false));
    if openings_alone_um.is_none() || bars_alone_um.is_none() {
        warnings.push(format!(
            "only {} were measured: kerf and an error of the microscope's scale are told apart by extrapolation to size zero, or not at all; measure {} too",
            if bars_alone_um.is_none() { "openings" } else { "bars" },
            if bars_alone_um.is_none() { "bars" } else { "openings" }
        ));
    }
    if without_outliers.scale_error_ppm.is_none() {
        warnings.push(
            "all readings are of one kind and size: a scale error of the microscope counts as kerf"
                .into(),
        );
    }
    if without_outliers.kerf_um <= 0.0 {
        warnings.push(
            "the kerf comes out at or below zero: are `opening` and `bar` swapped, or was a kerf applied and not entered in applied_kerf_um?"
                .into(),
        );
    }
    let combined = combine_kerf(&without_outliers, type_b);
    Ok(KerfFit {
        kerf_only: kerf_only(all)?,
        pooled,
        side: data.side.clone(),
        blank: data.blank,
        outlier_test: "generalized extreme Studentized deviate (Rosner 1983), 1 %",
        outliers: bad
            .iter()
            .map(|&i| Outlier {
                line: all[i].line,
                drawn_um: all[i].drawn_um,
                measured_um: all[i].measured_um,
            })
            .collect(),
        x,
        y,
        x_minus_y,
        axes_differ,
        openings_alone_um,
        bars_alone_um,
        type_b,
        combined_kerf_um: without_outliers.kerf_um,
        combined_standard_uncertainty_um: combined.u,
        effective_degrees_of_freedom: combined
            .effective_dof
            .is_finite()
            .then_some(combined.effective_dof),
        expanded_uncertainty_95_um: combined.expanded_95,
        without_outliers,
        taper_um: None,
        warnings,
    })
}

fn combine_kerf(fit: &TwoParameter, b: TypeB) -> Combined {
    combine(&[
        Contribution {
            u: fit.standard_error_um,
            degrees_of_freedom: fit.degrees_of_freedom as f64,
        },
        Contribution::rectangular(b.resolution_um / 2.0),
        Contribution::rectangular(b.edge_um),
    ])
}

/// Adds the taper, from a fit of the other side of the same coupon.
///
/// # Errors
/// Words, where the two are not one entry and one exit.
pub fn add_taper(fit: &mut KerfFit, other: &KerfFit) -> Result<(), String> {
    let sign = match (fit.side.as_str(), other.side.as_str()) {
        ("entry", "exit" | "through") => 1.0,
        ("exit" | "through", "entry") => -1.0,
        (a, b) => {
            return Err(format!(
                "the taper needs one table read at the entry and one at the exit; these are `{a}` and `{b}`"
            ));
        }
    };
    let (a, b) = (&fit.without_outliers, &other.without_outliers);
    let u = libm::hypot(a.standard_error_um, b.standard_error_um);
    let dof = (a.degrees_of_freedom.min(b.degrees_of_freedom)) as f64;
    fit.taper_um = Some(Estimate {
        value: sign * (a.kerf_um - b.kerf_um),
        standard_error: u,
        half_width_95: u * t_two_sided(0.95, dof),
    });
    Ok(())
}

/// What goes into a recipe.
pub fn recipe_lines(fit: &KerfFit, data: &Readings) -> Vec<RecipeLine> {
    let mut lines = vec![
        RecipeLine::number("kerf", "width_um", fit.combined_kerf_um),
        RecipeLine::number(
            "kerf",
            "uncertainty_um",
            fit.combined_standard_uncertainty_um,
        ),
    ];
    if let Some(t) = fit.taper_um {
        lines.push(RecipeLine::number("kerf", "taper_um", t.value));
    }
    for (column, value) in &data.settings {
        let Some((_, key)) = SETTINGS.iter().find(|s| s.0 == *column) else {
            continue;
        };
        match (*column, value.parse::<f64>()) {
            ("scheme", _) => lines.push(RecipeLine::word("kerf", key, value)),
            ("passes", Ok(v)) if v >= 1.0 && v.fract() == 0.0 => {
                lines.push(RecipeLine::whole("kerf", key, v as u32));
            }
            (_, Ok(v)) if v.is_finite() => lines.push(RecipeLine::number("kerf", key, v)),
            _ => {}
        }
    }
    lines
}
