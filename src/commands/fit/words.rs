//! Fits in words.

use crate::kerf::fit::focus::FocusFit;
use crate::kerf::fit::heat::HeatFit;
use crate::kerf::fit::kerf::{KerfFit, TwoParameter};
use crate::kerf::fit::matrix::MatrixFit;
use crate::kerf::fit::pulse::PulseFit;
use crate::kerf::fit::tint::{Ladder, Loss, TintFit};
use std::fmt::Write;

fn warn(out: &mut String, warnings: &[String]) {
    for w in warnings {
        let _ = writeln!(out, "warning: {w}");
    }
}

pub fn kerf(fit: &KerfFit) -> String {
    let mut out = String::new();
    let _ = writeln!(
        out,
        "kerf (full width{}): {:.3} um, 95 % within +-{:.3} um\n  standard uncertainty {:.3} um from scatter ({:.3}), reading step {} um and edge judgement +-{} um, combined as in the GUM{}",
        if fit.side.is_empty() {
            String::new()
        } else {
            format!(", {} side", fit.side)
        },
        fit.combined_kerf_um,
        fit.expanded_uncertainty_95_um,
        fit.combined_standard_uncertainty_um,
        fit.without_outliers.standard_error_um,
        fit.type_b.resolution_um,
        fit.type_b.edge_um,
        fit.effective_degrees_of_freedom
            .map_or(String::new(), |v| format!(
                "; effective degrees of freedom {v:.0}"
            ))
    );
    let _ = writeln!(
        out,
        "\n  {:22}{:>6}{:>11}{:>11}{:>11}{:>14}{:>10}{:>5}",
        "from scatter alone", "rows", "kerf um", "std err", "+-95 %", "scale ppm", "SD um", "dof"
    );
    let mut row = |name: &str, f: &TwoParameter| {
        let scale = f
            .scale_error_ppm
            .zip(f.scale_half_width_95_ppm)
            .map_or("-".to_owned(), |(s, h)| format!("{s:+.0} +-{h:.0}"));
        let _ = writeln!(
            out,
            "  {name:22}{:>6}{:>11.3}{:>11.4}{:>11.4}{scale:>14}{:>10.3}{:>5}",
            f.readings,
            f.kerf_um,
            f.standard_error_um,
            f.half_width_95_um,
            f.residual_sd_um,
            f.degrees_of_freedom
        );
    };
    row("all rows", &fit.pooled);
    row("without outliers", &fit.without_outliers);
    if let Some(x) = &fit.x {
        row("measured along x", x);
    }
    if let Some(y) = &fit.y {
        row("measured along y", y);
    }
    row("scale taken as true", &fit.kerf_only);
    if let Some(d) = fit.x_minus_y {
        let _ = writeln!(
            out,
            "\nx minus y: {:+.3} +-{:.3} um: {}",
            d.value,
            d.half_width_95,
            if fit.axes_differ {
                "they differ"
            } else {
                "no difference beyond scatter"
            }
        );
    }
    if let (Some(o), Some(b)) = (fit.openings_alone_um, fit.bars_alone_um) {
        let _ = writeln!(
            out,
            "openings alone would say {o:.3} um, bars alone {b:.3} um; the gap is scale error"
        );
    }
    if let Some(t) = fit.taper_um {
        let _ = writeln!(
            out,
            "taper (entry minus exit): {:.3} +-{:.3} um",
            t.value, t.half_width_95
        );
    }
    let _ = writeln!(
        out,
        "outliers by {}: {}",
        fit.outlier_test,
        if fit.outliers.is_empty() {
            "none".to_owned()
        } else {
            fit.outliers
                .iter()
                .map(|o| {
                    format!(
                        "line {} ({} drawn, {} measured)",
                        o.line, o.drawn_um, o.measured_um
                    )
                })
                .collect::<Vec<_>>()
                .join("; ")
        }
    );
    if fit.blank > 0 {
        let _ = writeln!(out, "{} rows are blank", fit.blank);
    }
    warn(&mut out, &fit.warnings);
    out
}

pub fn pulse(fit: &PulseFit) -> String {
    let mut out = String::new();
    let (w, e) = (fit.spot_radius_um, fit.threshold_energy_uj);
    let _ = writeln!(
        out,
        "{} craters, {} pulses without a mark; D-squared method",
        fit.craters, fit.unmarked
    );
    let _ = writeln!(
        out,
        "spot radius (1/e2): {:.3} um, 95 % {:.3} to {:.3} um",
        w.value, w.low_95, w.high_95
    );
    let _ = writeln!(
        out,
        "threshold energy: {:.3} uJ, 95 % {:.3} to {:.3} uJ; that is {:.3} J/cm2",
        e.value, e.low_95, e.high_95, fit.threshold_fluence_j_cm2
    );
    if let Some(s) = fit.incubation {
        let _ = writeln!(
            out,
            "incubation S: {:.3} +-{:.3} (1: none)",
            s.value, s.half_width_95
        );
    }
    let _ = writeln!(
        out,
        "scatter of the diameters {:.3} um, {} degrees of freedom",
        fit.residual_sd_um, fit.degrees_of_freedom
    );
    warn(&mut out, &fit.warnings);
    out
}

pub fn focus(fit: &FocusFit) -> String {
    let mut out = String::new();
    let h = fit.best_height_mm;
    let _ = writeln!(
        out,
        "best lens height: {:.4} +-{:.4} mm (95 %), line {:.2} um wide there, {} of all",
        h.value,
        h.half_width_95,
        fit.width_um,
        if fit.narrowest_in_focus {
            "narrowest"
        } else {
            "widest"
        }
    );
    let _ = writeln!(
        out,
        "depth of focus: +-{:.3} mm keeps the width within a tenth\nset the lens there and focus_offset_mm to 0",
        fit.depth_mm
    );
    warn(&mut out, &fit.warnings);
    out
}

pub fn heat(fit: &HeatFit) -> String {
    let mut out = String::new();
    let (eta, loss) = (fit.absorbed_fraction, fit.loss_w_m2_k);
    let _ = writeln!(
        out,
        "heat fraction: {:.4} +-{:.4} (95 %) of the beam's energy stays in the foil",
        eta.value, eta.half_width_95
    );
    let _ = writeln!(
        out,
        "loss to the slide: {:.0} +-{:.0} W/m2K (95 %), time constant {:.3} s",
        loss.value, loss.half_width_95, fit.tau_s
    );
    let _ = writeln!(
        out,
        "{} readings, scatter {:.2} K; {:.0} % of the last one came back from the slide",
        fit.readings,
        fit.residual_sd_k,
        100.0 * fit.slide_share
    );
    let _ = writeln!(
        out,
        "conductivity, heat capacity and thickness are the recipe's: foil thicker by 5 % than stated raises both by 5 %"
    );
    warn(&mut out, &fit.warnings);
    out
}

/// A loss with its bounds, as far as there are any.
pub fn bounds(loss: &Loss) -> String {
    match (loss.low_95, loss.high_95) {
        (Some(low), Some(high)) => format!("{:.0} ({low:.0} to {high:.0})", loss.value),
        (Some(low), None) => format!("at least {low:.0}"),
        (None, Some(high)) => format!("at most {high:.0}"),
        (None, None) => "not told".to_owned(),
    }
}

pub fn tint(fit: &TintFit, ladder: &Ladder) -> String {
    let mut out = String::new();
    let e = fit.absorbed_fraction;
    let _ = writeln!(
        out,
        "heat fraction: {:.4} ({:.4} to {:.4}, 95 %) of the beam's energy stays in the foil",
        e.value, e.low_95, e.high_95
    );
    let _ = writeln!(
        out,
        "loss to the slide: {} W/m2K (95 %){}",
        bounds(&fit.loss_w_m2_k),
        match fit.loss_w_m2_k {
            Loss {
                low_95: Some(_),
                high_95: Some(_),
                ..
            } => format!(", time constant {:.3} s", fit.tau_s),
            _ => String::new(),
        }
    );
    let _ = writeln!(
        out,
        "{} rungs read, {} tinted; the threshold differs by {:.0} % from rung to rung",
        fit.readings,
        fit.tinted,
        100.0 * fit.spread
    );
    let _ = writeln!(
        out,
        "the mark is taken to come at {} +-{} C, which alone makes the heat fraction uncertain by {:.0} %; the loss does not depend on it",
        ladder.mark_c,
        ladder.mark_uncertainty_c,
        100.0 * fit.from_mark_95
    );
    let _ = writeln!(
        out,
        "the intervals hold the heat model's own error, taken as a factor of {:.2} of the heat fraction and {:.2} of the loss",
        libm::exp(fit.from_model_95[0]),
        libm::exp(fit.from_model_95[1])
    );
    let _ = writeln!(
        out,
        "heat capacity and thickness are the recipe's: foil thicker by 5 % than stated raises both by 5 %"
    );
    warn(&mut out, &fit.warnings);
    out
}

pub fn matrix(fit: &MatrixFit) -> String {
    let mut out = String::new();
    let _ = writeln!(
        out,
        "{} of {} cells cut through",
        fit.cut_through,
        fit.cells.len()
    );
    let through: Vec<&str> = fit
        .cells
        .iter()
        .filter(|c| c.cut_through)
        .map(|c| c.cell.as_str())
        .collect();
    let _ = writeln!(out, "  through: {}", through.join(", "));
    if !fit.terms.is_empty() {
        let _ = writeln!(
            out,
            "kerf model, kerf^2 in um2 (energy in {}), within the cells that cut through only:",
            if fit.cells.iter().all(|c| c.pulse_energy_uj.is_some()) {
                "uJ"
            } else {
                "percent per kHz"
            }
        );
        for t in &fit.terms {
            let _ = writeln!(
                out,
                "  {:18}{:>12.3} +-{:.3} (95 %)",
                t.of, t.um2.value, t.um2.half_width_95
            );
        }
        for m in &fit.modelled {
            let _ = writeln!(
                out,
                "  {:18}{:>8.2} +-{:.2} um",
                m.cell, m.width_um, m.half_width_95_um
            );
        }
    }
    if let Some(t) = &fit.through {
        let e = &t.energy_uj;
        let _ = writeln!(
            out,
            "least pulse energy that cuts through at {} mm/s, {} passes: {:.2} uJ ({:.2} to {:.2}, 95 %); the exit width grows as for a spot of {:.2} um radius",
            t.cut_speed_mm_s, t.passes, e.value, e.low_95, e.high_95, t.exit_radius_um
        );
    }
    for (name, cell) in [
        ("narrowest clean cut", &fit.narrowest),
        ("least heat per length", &fit.least_heat),
        ("compromise", &fit.compromise),
    ] {
        if let Some(c) = cell
            .as_ref()
            .and_then(|n| fit.cells.iter().find(|c| c.cell == *n))
        {
            let _ = writeln!(
                out,
                "{name}: cell {}, {} % at {} kHz, {} mm/s, {} passes{}",
                c.cell,
                c.power_percent,
                c.pulse_rate_khz,
                c.cut_speed_mm_s,
                c.passes,
                fit.modelled
                    .iter()
                    .find(|m| m.cell == c.cell)
                    .and_then(|m| m.energy_sensitivity)
                    .map_or(String::new(), |s| format!(
                        "; 1 % of pulse energy moves its width by {s:.1} %"
                    ))
            );
        }
    }
    warn(&mut out, &fit.warnings);
    out
}
