//! The settings coupon: a grid over two settings, a third as panels.

use super::schedule::START_K;
use super::{Coupon, CouponError, Group, JobPart, within_bounds};
use crate::recipe::Recipe;
use crate::units::trim_number;
use std::fmt::Write;

const CELL_MM: f64 = 2.4;
const PANEL_GAP_MM: f64 = 2.2;

/// A setting that the grid varies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Knob {
    Power,
    Speed,
    Rate,
    Passes,
}

impl Knob {
    pub const ALL: [(&'static str, Knob); 4] = [
        ("power", Knob::Power),
        ("speed", Knob::Speed),
        ("rate", Knob::Rate),
        ("passes", Knob::Passes),
    ];
    fn set(self, recipe: &mut Recipe, value: f64) {
        match self {
            Knob::Power => recipe.laser.power_percent = value,
            Knob::Speed => recipe.scan.cut_speed_mm_s = value,
            Knob::Rate => recipe.laser.pulse_rate_khz = value,
            Knob::Passes => recipe.passes.count = value as u32,
        }
    }
    fn unit(self) -> &'static str {
        match self {
            Knob::Power => "percent",
            Knob::Speed => "mm/s",
            Knob::Rate => "kHz",
            Knob::Passes => "passes",
        }
    }
}

/// One setting and its values.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    pub knob: Knob,
    pub values: Vec<f64>,
}

impl Axis {
    /// `steps` values from `a` to `b` in even ratios (passes: whole numbers, evenly spaced).
    pub fn between(knob: Knob, a: f64, b: f64, steps: usize) -> Axis {
        let mut values: Vec<f64> = (0..steps)
            .map(|i| {
                let t = i as f64 / (steps.max(2) - 1) as f64;
                if knob == Knob::Passes {
                    (a + (b - a) * t).round()
                } else {
                    let v = a * libm::pow(b / a, t);
                    let scale = libm::pow(10.0, 2.0 - libm::floor(libm::log10(v)));
                    (v * scale).round() / scale
                }
            })
            .collect();
        values.dedup();
        Axis { knob, values }
    }
}

/// Draws the grid: columns of `x`, rows of `y`, a grid for each value of `panels`. One job per pulse
/// rate, for job files cannot set it.
///
/// # Errors
/// The same setting twice, values out of bounds, more cells than can be read by hand.
pub fn matrix_coupon(
    recipe: &Recipe,
    x: &Axis,
    y: &Axis,
    panels: Option<&Axis>,
) -> Result<Coupon, CouponError> {
    let axes: Vec<&Axis> = [x, y].into_iter().chain(panels).collect();
    for (i, a) in axes.iter().enumerate() {
        if axes[..i].iter().any(|b| b.knob == a.knob) {
            return Err(CouponError::Refused(format!(
                "matrix coupon: the same setting ({}) is varied twice",
                a.knob.unit()
            )));
        }
        if a.values.is_empty() || a.values.iter().any(|v| !(*v > 0.0 && v.is_finite())) {
            return Err(CouponError::Refused(
                "matrix coupon: every setting needs values above zero".into(),
            ));
        }
    }
    let once = [0.0];
    let panel_values: &[f64] = panels.map_or(&once, |p| &p.values);
    let (nx, ny, np) = (x.values.len(), y.values.len(), panel_values.len());
    if nx * ny * np > 400 {
        return Err(CouponError::Refused(format!(
            "matrix coupon: {} cells are more than anyone reads; 400 at most",
            nx * ny * np
        )));
    }
    let panel_mm = CELL_MM * nx as f64 + PANEL_GAP_MM;
    let size = [0.8 + panel_mm * np as f64, 3.2 + CELL_MM * ny as f64 + 0.8];
    let mut c = Coupon::new(
        "coupon-matrix",
        size,
        "cell,power_percent,cut_speed_mm_s,pulse_rate_khz,passes,pulse_energy_uj,cut_through,width_top_um,width_bottom_um,bridges,warp",
    );
    // Settings of all cells, in the order of the table.
    let mut cells = Vec::new();
    for (p, pv) in panel_values.iter().enumerate() {
        for (j, yv) in y.values.iter().enumerate() {
            for (i, xv) in x.values.iter().enumerate() {
                let mut r = recipe.clone();
                if let Some(panel) = panels {
                    panel.knob.set(&mut r, *pv);
                }
                y.knob.set(&mut r, *yv);
                x.knob.set(&mut r, *xv);
                let name = if np > 1 {
                    format!("p{}r{}c{}", p + 1, j + 1, i + 1)
                } else {
                    format!("r{}c{}", j + 1, i + 1)
                };
                within_bounds(&r, &format!("matrix coupon, cell {name}"))?;
                let _ = writeln!(
                    c.table,
                    "{name},{},{},{},{},{},,,,,",
                    r.laser.power_percent,
                    r.scan.cut_speed_mm_s,
                    r.laser.pulse_rate_khz,
                    r.passes.count,
                    crate::beam::pulse_energy_uj(r.power_w(), r.laser.pulse_rate_khz)
                );
                let at = [
                    0.8 + PANEL_GAP_MM + p as f64 * panel_mm + i as f64 * CELL_MM,
                    3.2 + j as f64 * CELL_MM,
                ];
                cells.push((name, r, at));
            }
        }
    }
    let mut rates: Vec<f64> = cells.iter().map(|c| c.1.laser.pulse_rate_khz).collect();
    rates.sort_by(f64::total_cmp);
    rates.dedup();
    let several = rates.len() > 1;
    for rate in &rates {
        c.jobs.push(JobPart {
            suffix: if several {
                format!("-{}khz", trim_number(*rate, 3))
            } else {
                String::new()
            },
            pulse_rate_khz: *rate,
            focus_offset_mm: recipe.laser.focus_offset_mm,
            before: if several {
                format!("set the pulse rate to {} kHz", trim_number(*rate, 3))
            } else {
                String::new()
            },
        });
    }
    // Labels go with the first job, at the recipe's own settings.
    c.groups.push(Group::of(recipe));
    c.corner_mark(0);
    for p in 0..np {
        let left = 0.8 + PANEL_GAP_MM + p as f64 * panel_mm;
        if np > 1 {
            c.number(
                &format!("panel-{}", p + 1),
                p + 1,
                [left - 0.4, 1.2],
                0.8,
                None,
                0,
            );
        }
        for i in 0..nx {
            let x = left + (i as f64 + 0.4) * CELL_MM;
            c.number(
                &format!("p{p}-column-{}", i + 1),
                i + 1,
                [x, 2.4],
                0.7,
                None,
                0,
            );
        }
        for j in 0..ny {
            let y = 3.2 + (j as f64 + 0.4) * CELL_MM;
            c.number(
                &format!("p{p}-row-{}", j + 1),
                j + 1,
                [left - 0.9, y],
                0.7,
                None,
                0,
            );
        }
    }
    for (name, r, at) in &cells {
        let group = c.groups.len();
        c.groups.push(Group {
            power_percent: r.laser.power_percent,
            cut_speed_mm_s: r.scan.cut_speed_mm_s,
            passes: r.passes.count,
            job: rates
                .iter()
                .position(|v| *v == r.laser.pulse_rate_khz)
                .unwrap_or(0),
            ..Group::of(recipe)
        });
        draw_cell(&mut c, name, *at, group);
    }
    c.notes.push(format!(
        "columns: {} {}; rows: {} {}{}",
        list(&x.values),
        x.knob.unit(),
        list(&y.values),
        y.knob.unit(),
        panels.map_or(String::new(), |p| format!(
            "; panels: {} {}",
            list(&p.values),
            p.knob.unit()
        ))
    ));
    let left_k = c.schedule(recipe);
    c.notes.push(format!(
        "cells are cut where the foil is coolest, with pauses: at most {} K are left from earlier cells when one starts{}; warp: 0 flat, 1 slight, 2 lifts, 3 out of focus",
        trim_number(left_k, 1),
        if left_k > START_K {
            " (the foil loses heat too slowly for less)"
        } else {
            ""
        }
    ));
    Ok(c)
}

fn list(values: &[f64]) -> String {
    values
        .iter()
        .map(|v| trim_number(*v, 3))
        .collect::<Vec<_>>()
        .join(", ")
}

/// Four lines, a square and a pair of openings with a bar between.
fn draw_cell(c: &mut Coupon, name: &str, [x, y]: [f64; 2], group: usize) {
    for i in 0..4 {
        let lx = x + 0.2 * f64::from(i);
        c.line(format!("{name}-line-{i}"), [lx, y], [lx, y + 1.7], group);
    }
    c.rect(format!("{name}-square"), [x + 0.9, y, 0.6, 0.6], group);
    c.rect(
        format!("{name}-bar-a"),
        [x + 0.9, y + 0.9, 0.25, 0.8],
        group,
    );
    c.rect(
        format!("{name}-bar-b"),
        [x + 1.25, y + 0.9, 0.25, 0.8],
        group,
    );
}
