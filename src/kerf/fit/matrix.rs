//! The settings matrix: which cells cut through, how the kerf goes with the settings, and which to use.
//!
//! Kerf model: k^2 = a + b ln E + c ln v + d ln n with pulse energy E = P/f, speed v and passes n, over the
//! cells that cut through and for the settings that were varied. It is never asked outside their range.

use super::pulse::Interval;
use super::{Estimate, FitError, RecipeLine, Table};
use crate::kerf::stats::{Fit, StatsError, least_squares, t_two_sided};
use serde::Serialize;

/// One cell as read.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Cell {
    pub line: u64,
    pub cell: String,
    pub power_percent: f64,
    pub cut_speed_mm_s: f64,
    pub pulse_rate_khz: f64,
    pub passes: f64,
    /// Energy of a pulse at these settings, where the table states it.
    pub pulse_energy_uj: Option<f64>,
    pub cut_through: bool,
    pub width_top_um: Option<f64>,
    pub width_bottom_um: Option<f64>,
    pub bridges: Option<f64>,
    pub warp: Option<f64>,
}

impl Cell {
    /// Width on the narrow side.
    fn width_um(&self) -> Option<f64> {
        self.width_bottom_um.or(self.width_top_um)
    }
    /// Pulse energy where it is stated, else power over pulse rate: the same but for the rated power.
    fn energy(&self) -> f64 {
        self.pulse_energy_uj
            .unwrap_or(self.power_percent / self.pulse_rate_khz)
    }
    /// Power times passes over speed: energy per length but for the rated power.
    fn dose(&self) -> f64 {
        self.power_percent * self.passes / self.cut_speed_mm_s
    }
    fn clean(&self) -> bool {
        self.cut_through && self.bridges.unwrap_or(0.0) == 0.0 && self.warp.unwrap_or(0.0) <= 1.0
    }
}

/// One term of the kerf model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Term {
    pub of: &'static str,
    pub um2: Estimate,
}

/// Kerf of one cell as the model has it, with the band of a single new reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Modelled {
    pub cell: String,
    pub width_um: f64,
    pub half_width_95_um: f64,
}

/// Where the model's exit width comes to nothing: the least pulse energy that still cuts through.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Through {
    pub energy_uj: Interval,
    /// Spot radius that the growth of the exit width with energy stands for: width^2 = 2 w^2 ln(E / E through).
    pub exit_radius_um: f64,
    /// It holds at this speed and number of passes.
    pub cut_speed_mm_s: f64,
    pub passes: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MatrixFit {
    pub cells: Vec<Cell>,
    pub cut_through: usize,
    pub terms: Vec<Term>,
    pub residual_sd_um2: Option<f64>,
    pub degrees_of_freedom: Option<usize>,
    pub modelled: Vec<Modelled>,
    /// Where pulse energy was varied, stated in uJ, and widths were read at the exit.
    pub through: Option<Through>,
    /// Line and name of the recommended cells.
    pub narrowest: Option<String>,
    pub least_heat: Option<String>,
    pub compromise: Option<String>,
    pub warnings: Vec<String>,
}

/// Reads a matrix table; cells with a blank `cut_through` were not looked at.
///
/// # Errors
/// Missing columns, settings or widths that are not positive, words that are neither yes nor no.
pub fn read(table: &Table) -> Result<Vec<Cell>, FitError> {
    table.need(&[
        "power_percent",
        "cut_speed_mm_s",
        "pulse_rate_khz",
        "passes",
        "cut_through",
    ])?;
    let mut out = Vec::new();
    for row in table.rows() {
        let cut_through = match row.word("cut_through").as_str() {
            "" => continue,
            "yes" | "y" | "1" | "true" => true,
            "no" | "n" | "0" | "false" | "partly" => false,
            other => {
                return Err(row.error(format!(
                    "cut_through is `{other}`: write yes, no or partly, or leave it blank"
                )));
            }
        };
        let count = |column: &str, most: f64| match row.number(column)? {
            Some(v) if v < 0.0 || v > most => {
                Err(row.error(format!("{column} is {v}: it goes from 0 to {most}")))
            }
            other => Ok(other),
        };
        let name = row.word("cell");
        out.push(Cell {
            line: row.line,
            cell: if name.is_empty() {
                format!("line {}", row.line)
            } else {
                name
            },
            power_percent: row.required("power_percent")?,
            cut_speed_mm_s: row.required("cut_speed_mm_s")?,
            pulse_rate_khz: row.required("pulse_rate_khz")?,
            passes: row.required("passes")?,
            pulse_energy_uj: row.positive("pulse_energy_uj")?,
            cut_through,
            width_top_um: row.positive("width_top_um")?,
            width_bottom_um: row.positive("width_bottom_um")?,
            bridges: count("bridges", 1e6)?,
            warp: count("warp", 3.0)?,
        });
    }
    if out.is_empty() {
        return Err(
            table.error("no cut_through is filled in: write yes, no or partly for each cell")
        );
    }
    Ok(out)
}

const ENERGY: &str = "ln(pulse energy)";

type Setting = (&'static str, fn(&Cell) -> f64);

/// Fits the model and recommends cells.
pub fn fit(mut cells: Vec<Cell>) -> MatrixFit {
    let mut warnings = Vec::new();
    if cells.iter().any(|c| c.pulse_energy_uj.is_none()) {
        // One unit for all: energies of a part of the cells are no use.
        for c in &mut cells {
            c.pulse_energy_uj = None;
        }
    }
    let used: Vec<(&Cell, f64)> = cells
        .iter()
        .filter(|c| c.cut_through)
        .filter_map(|c| c.width_um().map(|w| (c, w)))
        .collect();
    if used.iter().any(|(c, _)| c.width_bottom_um.is_none()) {
        warnings.push(
            "some cells have a width at the top only; it is taken for the narrow side".into(),
        );
    }
    let all: [Setting; 3] = [
        (ENERGY, Cell::energy),
        ("ln(speed)", |c| c.cut_speed_mm_s),
        ("ln(passes)", |c| c.passes),
    ];
    let settings: Vec<Setting> = all
        .into_iter()
        .filter(|(_, f)| {
            used.first()
                .is_some_and(|(first, _)| used.iter().any(|(c, _)| f(c) != f(first)))
        })
        .collect();
    let row = |c: &Cell| -> Vec<f64> {
        std::iter::once(1.0)
            .chain(settings.iter().map(|(_, f)| libm::log(f(c))))
            .collect()
    };
    let rows: Vec<Vec<f64>> = used.iter().map(|(c, _)| row(c)).collect();
    let y: Vec<f64> = used.iter().map(|(_, w)| w * w).collect();
    let model = if settings.is_empty() {
        Err(StatsError::Alike)
    } else {
        least_squares(&rows, &y)
    };
    let (mut terms, mut modelled) = (Vec::new(), Vec::new());
    match &model {
        Ok(m) => {
            let names = std::iter::once("constant").chain(settings.iter().map(|s| s.0));
            terms.extend(names.enumerate().map(|(i, of)| Term {
                of,
                um2: Estimate {
                    value: m.coefficients[i],
                    standard_error: m.se(i),
                    half_width_95: m.half_width(i, 0.95),
                },
            }));
            let t = t_two_sided(0.95, m.degrees_of_freedom as f64);
            for (c, _) in &used {
                let (square, se) = m.predict(&row(c));
                if square > 0.0 {
                    let width = square.sqrt();
                    modelled.push(Modelled {
                        cell: c.cell.clone(),
                        width_um: width,
                        half_width_95_um: t * libm::hypot(se, m.residual_sd) / (2.0 * width),
                    });
                }
            }
        }
        Err(e) => warnings.push(format!(
            "no kerf model: {} cells cut through with a width ({e})",
            used.len()
        )),
    }
    let clean: Vec<&Cell> = cells
        .iter()
        .filter(|c| c.clean() && c.width_um().is_some())
        .collect();
    if clean.is_empty() {
        warnings.push("no cell cut through clean (no bridges, warp 0 or 1) with its width filled in: nothing to recommend".into());
    }
    let width = |c: &Cell| c.width_um().unwrap_or(f64::MAX);
    let best = |f: &dyn Fn(&Cell) -> f64| {
        clean
            .iter()
            .min_by(|a, b| f(a).total_cmp(&f(b)))
            .map(|c| c.cell.clone())
    };
    let least = |f: &dyn Fn(&Cell) -> f64| clean.iter().map(|c| f(c)).fold(f64::MAX, f64::min);
    let (w0, d0) = (least(&width), least(&Cell::dose));
    // Both counted in multiples of the best cell's.
    let compromise = best(&|c| width(c) / w0 + c.dose() / d0);
    let at = compromise
        .as_ref()
        .and_then(|name| cells.iter().find(|c| c.cell == *name));
    let at_exit = used
        .iter()
        .all(|(c, _)| c.width_bottom_um.is_some() && c.pulse_energy_uj.is_some());
    let through = match (&model, at) {
        (Ok(m), Some(cell)) if at_exit => through(m, &settings, &row(cell), cell),
        _ => None,
    };
    MatrixFit {
        through,
        cut_through: cells.iter().filter(|c| c.cut_through).count(),
        narrowest: best(&width),
        least_heat: best(&Cell::dose),
        compromise,
        residual_sd_um2: model.as_ref().ok().map(|m| m.residual_sd),
        degrees_of_freedom: model.as_ref().ok().map(|m| m.degrees_of_freedom),
        terms,
        modelled,
        warnings,
        cells,
    }
}

/// Solves the model for width zero at the speed and passes of `cell`; error by propagation with the covariance.
fn through(m: &Fit, settings: &[Setting], row: &[f64], cell: &Cell) -> Option<Through> {
    let energy = 1 + settings.iter().position(|s| s.0 == ENERGY)?;
    let t = t_two_sided(0.95, m.degrees_of_freedom as f64);
    let b = m.coefficients[energy];
    if b - t * m.se(energy) <= 0.0 {
        return None;
    }
    let rest: f64 = (0..row.len())
        .filter(|i| *i != energy)
        .map(|i| m.coefficients[i] * row[i])
        .sum();
    let ln = -rest / b;
    let slope: Vec<f64> = (0..row.len())
        .map(|i| if i == energy { -ln / b } else { -row[i] / b })
        .collect();
    let var: f64 = (0..row.len())
        .flat_map(|i| (0..row.len()).map(move |j| (i, j)))
        .map(|(i, j)| slope[i] * slope[j] * m.covariance[i][j])
        .sum();
    let half = t * var.max(0.0).sqrt();
    Some(Through {
        energy_uj: Interval {
            value: libm::exp(ln),
            low_95: libm::exp(ln - half),
            high_95: libm::exp(ln + half),
        },
        exit_radius_um: (b / 2.0).sqrt(),
        cut_speed_mm_s: cell.cut_speed_mm_s,
        passes: cell.passes,
    })
}

/// The compromise cell as a recipe: settings and the kerf seen there.
pub fn recipe_lines(fit: &MatrixFit) -> Vec<RecipeLine> {
    let Some(c) = fit
        .compromise
        .as_ref()
        .and_then(|name| fit.cells.iter().find(|c| c.cell == *name))
    else {
        return Vec::new();
    };
    let passes = c.passes.round().max(1.0) as u32;
    let mut lines = vec![
        RecipeLine::number("laser", "power_percent", c.power_percent),
        RecipeLine::number("laser", "pulse_rate_khz", c.pulse_rate_khz),
        RecipeLine::number("scan", "cut_speed_mm_s", c.cut_speed_mm_s),
        RecipeLine::whole("passes", "count", passes),
    ];
    if let Some(width) = c.width_um() {
        lines.push(RecipeLine::number("kerf", "width_um", width));
        if let Some(m) = fit.modelled.iter().find(|m| m.cell == c.cell) {
            lines.push(RecipeLine::number(
                "kerf",
                "uncertainty_um",
                m.half_width_95_um / 2.0,
            ));
        }
    }
    if let Some(t) = &fit.through {
        lines.push(RecipeLine::number(
            "beam",
            "through_energy_uj",
            t.energy_uj.value,
        ));
    }
    lines.extend([
        RecipeLine::number("kerf", "measured_power_percent", c.power_percent),
        RecipeLine::number("kerf", "measured_pulse_rate_khz", c.pulse_rate_khz),
        RecipeLine::number("kerf", "measured_speed_mm_s", c.cut_speed_mm_s),
        RecipeLine::whole("kerf", "measured_passes", passes),
    ]);
    lines
}
