//! The process window: the numbers behind a recipe, what they warn of, and what each knob moves.

use super::{
    Row, bridge_chance, crater_diameter_um, crater_row, diffusion_length_um, effective_pulses,
    overlap, peak_fluence_j_cm2, peak_power_gaussian_w, peak_power_rectangular_w, pulse_energy_uj,
    pulse_pitch_um, radius_out_of_focus, ratio_for_diameter, rayleigh_range_um, spot_diameter_um,
    through_foil_time_us, width_sensitivity,
};
use crate::recipe::Recipe;
use serde::Serialize;

/// Numbers of one recipe. `None` is not predicted: a coupon has to be cut first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Window {
    pub power_w: f64,
    pub pulse_energy_uj: f64,
    pub peak_power_rectangular_w: f64,
    pub peak_power_gaussian_w: f64,
    /// 1/e2 diameter at the focus: fitted, or from the lens.
    pub focus_diameter_um: f64,
    pub focus_is_fitted: bool,
    pub rayleigh_range_um: f64,
    /// 1/e2 diameter on the foil, out of focus as the recipe says.
    pub spot_diameter_um: f64,
    pub peak_fluence_j_cm2: f64,
    pub pulse_pitch_um: f64,
    pub overlap: f64,
    pub pulses_per_spot: f64,
    pub effective_pulses: f64,
    pub pulse_period_us: f64,
    pub diffusion_length_um: f64,
    pub through_foil_time_us: f64,
    /// Mean power over speed, times passes.
    pub energy_per_length_mj_mm: f64,
    pub kerf_um: f64,
    /// Pulse energy over the energy that just cuts through, from the recipe or implied by the kerf.
    pub energy_over_through: f64,
    pub energy_over_through_is_fitted: bool,
    /// Percent of width per percent of pulse energy.
    pub width_sensitivity: f64,
    pub exit_width_um: Option<f64>,
    pub entry_width_um: Option<f64>,
    /// Entry minus exit: predicted, else as the recipe measured it.
    pub taper_um: f64,
    pub taper_is_predicted: bool,
    pub taper_half_angle_deg: f64,
    /// Narrowest width of the slot that craters of the kerf's size leave; `None` where they do not join.
    pub narrowest_um: Option<f64>,
    pub scallop_um: Option<f64>,
    /// Webs left by one pass where the craters do not join.
    pub web_um: Option<f64>,
    /// Chance that a pulse period stays bridged after all passes, pulses at random places.
    pub bridge_chance_random: f64,
    /// Web left after all passes if each started exactly its share of the pitch further on; below zero is none.
    pub web_ideal_stagger_um: f64,
    pub warnings: Vec<String>,
}

impl Window {
    pub fn of(recipe: &Recipe) -> Window {
        let (l, b, k) = (&recipe.laser, &recipe.beam, &recipe.kerf);
        let power_w = recipe.power_w();
        let energy = pulse_energy_uj(power_w, l.pulse_rate_khz);
        let focus = b.spot_radius_um.map_or_else(
            || {
                spot_diameter_um(
                    l.wavelength_nm,
                    l.focal_length_mm,
                    l.beam_diameter_mm,
                    l.beam_quality_m2,
                )
            },
            |r| 2.0 * r,
        );
        let z_r = rayleigh_range_um(focus, l.wavelength_nm, l.beam_quality_m2);
        let radius = radius_out_of_focus(focus / 2.0, l.focus_offset_mm * 1e3, z_r);
        let pitch = pulse_pitch_um(recipe.scan.cut_speed_mm_s, l.pulse_rate_khz);
        let alpha = recipe.material().diffusivity_m2_s();
        let fitted = |threshold: Option<f64>| {
            let (_, threshold) = (b.spot_radius_um?, threshold?);
            Some(threshold)
        };
        // Out of focus the same fluence needs more energy.
        let area = (2.0 * radius / focus).powi(2);
        let through = fitted(b.through_energy_uj).map(|e| e * area);
        let surface = fitted(b.threshold_energy_uj).map(|e| e * area);
        let exit_width_um = through.map(|e| crater_diameter_um(radius, energy, e));
        let entry_width_um = surface.map(|e| crater_diameter_um(radius, energy, e));
        let energy_over_through =
            through.map_or_else(|| ratio_for_diameter(radius, k.width_um), |e| energy / e);
        let width = exit_width_um.unwrap_or(k.width_um);
        let (taper_um, taper_is_predicted) = match (entry_width_um, exit_width_um) {
            (Some(i), Some(o)) => (i - o, true),
            _ => (k.taper_um, false),
        };
        let (narrowest_um, scallop_um, web_um) = match crater_row(width, pitch) {
            Row::Slot {
                narrowest_um,
                cusp_um,
            } => (Some(narrowest_um), Some(cusp_um), None),
            Row::Holes { web_um } => (None, None, Some(web_um)),
        };
        let mut window = Window {
            power_w,
            pulse_energy_uj: energy,
            peak_power_rectangular_w: peak_power_rectangular_w(energy, l.pulse_width_ns),
            peak_power_gaussian_w: peak_power_gaussian_w(energy, l.pulse_width_ns),
            focus_diameter_um: focus,
            focus_is_fitted: b.spot_radius_um.is_some(),
            rayleigh_range_um: z_r,
            spot_diameter_um: 2.0 * radius,
            peak_fluence_j_cm2: peak_fluence_j_cm2(energy, radius),
            pulse_pitch_um: pitch,
            overlap: overlap(pitch, 2.0 * radius),
            pulses_per_spot: 2.0 * radius / pitch,
            effective_pulses: effective_pulses(radius, pitch),
            pulse_period_us: 1e3 / l.pulse_rate_khz,
            diffusion_length_um: diffusion_length_um(alpha, l.pulse_width_ns),
            through_foil_time_us: through_foil_time_us(alpha, recipe.foil.thickness_um),
            energy_per_length_mj_mm: power_w / recipe.scan.cut_speed_mm_s
                * 1e3
                * f64::from(recipe.passes.count),
            kerf_um: k.width_um,
            energy_over_through,
            energy_over_through_is_fitted: through.is_some(),
            width_sensitivity: width_sensitivity(energy_over_through),
            exit_width_um,
            entry_width_um,
            taper_um,
            taper_is_predicted,
            taper_half_angle_deg: libm::atan(taper_um / (2.0 * recipe.foil.thickness_um))
                .to_degrees(),
            narrowest_um,
            scallop_um,
            web_um,
            bridge_chance_random: bridge_chance(width, pitch, recipe.passes.count),
            web_ideal_stagger_um: pitch / f64::from(recipe.passes.count) - width,
            warnings: Vec::new(),
        };
        window.warnings = warnings(&window, recipe);
        window
    }
}

fn warnings(w: &Window, recipe: &Recipe) -> Vec<String> {
    let mut out = Vec::new();
    let width = w.exit_width_um.unwrap_or(w.kerf_um);
    if w.exit_width_um == Some(0.0) {
        out.push(format!(
            "a pulse of {:.1} uJ is at or below the energy that cuts through ({:.3} of it): raise the power or lower the pulse rate",
            w.pulse_energy_uj, w.energy_over_through
        ));
    } else if w.energy_over_through < 1.3 {
        out.push(format!(
            "a cut of {width:.1} um from a spot of {:.1} um means that the pulse is only {:.1} % above threshold: 1 % of pulse energy moves the width by {:.1} %; trust measured widths, keep the power steady",
            w.spot_diameter_um,
            (w.energy_over_through - 1.0) * 100.0,
            w.width_sensitivity
        ));
    }
    if w.exit_width_um != Some(0.0) && width <= w.pulse_pitch_um {
        out.push(format!(
            "the cut ({width:.1} um) is no wider than the pulse pitch ({:.1} um): separate holes with webs between them are likely; go slower, raise the rate or add passes",
            w.pulse_pitch_um
        ));
    } else if w.pulse_pitch_um > 0.5 * width && width > 0.0 {
        out.push(format!(
            "the pulse pitch ({:.1} um) is more than half of the cut ({width:.1} um): the edge is scalloped by {:.2} um on each side",
            w.pulse_pitch_um,
            w.scallop_um.unwrap_or(0.0)
        ));
    }
    if recipe.laser.focus_offset_mm.abs() * 1e3 > w.rayleigh_range_um {
        out.push(format!(
            "the foil is {:.2} mm out of focus, beyond the Rayleigh range of {:.2} mm",
            recipe.laser.focus_offset_mm.abs(),
            w.rayleigh_range_um * 1e-3
        ));
    }
    if w.through_foil_time_us > 0.5 * w.pulse_period_us {
        out.push(format!(
            "heat needs {:.1} us to cross the foil and pulses come every {:.1} us: the foil warms up from pulse to pulse",
            w.through_foil_time_us, w.pulse_period_us
        ));
    }
    if recipe.passes.count >= 8 {
        out.push(
            "many passes over thick foil warp it (common practice, no source): cool order, more magnets, fewer passes"
                .to_owned(),
        );
    }
    match recipe.beam.max_pulse_energy_uj {
        Some(max) if w.pulse_energy_uj > max => out.push(format!(
            "a pulse of {:.1} uJ exceeds what the source can give ({max:.1} uJ): raise the pulse rate",
            w.pulse_energy_uj
        )),
        _ => {}
    }
    match recipe.beam.min_pulse_rate_khz {
        Some(min) if recipe.laser.pulse_rate_khz < min => out.push(format!(
            "{} kHz is below the source's lowest rate at full pulse energy ({min} kHz)",
            recipe.laser.pulse_rate_khz
        )),
        _ => {}
    }
    for line in recipe.kerf_mismatch() {
        out.push(format!(
            "the kerf was measured at other settings: {line}; cut a kerf coupon"
        ));
    }
    out
}

/// One knob and what ten percent more of it does, in percent; `None` is not predicted.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Knob {
    pub key: &'static str,
    pub pulse_energy: f64,
    pub peak_fluence: f64,
    pub pulse_pitch: f64,
    pub effective_pulses: f64,
    pub energy_per_length: f64,
    pub exit_width: Option<f64>,
}

/// What ten percent more (one more, for passes) of each knob moves. At fixed mean power pulse energy is
/// P/f and pitch is v/f, so rate and speed are different knobs.
pub fn knobs(recipe: &Recipe) -> Vec<Knob> {
    let base = Window::of(recipe);
    let mut out = Vec::new();
    let mut knob = |key, turn: &dyn Fn(&mut Recipe)| {
        let mut turned = recipe.clone();
        turn(&mut turned);
        let now = Window::of(&turned);
        let percent = |a: f64, b: f64| (b / a - 1.0) * 100.0;
        out.push(Knob {
            key,
            pulse_energy: percent(base.pulse_energy_uj, now.pulse_energy_uj),
            peak_fluence: percent(base.peak_fluence_j_cm2, now.peak_fluence_j_cm2),
            pulse_pitch: percent(base.pulse_pitch_um, now.pulse_pitch_um),
            effective_pulses: percent(base.effective_pulses, now.effective_pulses),
            energy_per_length: percent(base.energy_per_length_mj_mm, now.energy_per_length_mj_mm),
            exit_width: base
                .exit_width_um
                .zip(now.exit_width_um)
                .filter(|(a, _)| *a > 0.0)
                .map(|(a, b)| percent(a, b)),
        });
    };
    knob("power +10 %", &|r| r.laser.power_percent *= 1.1);
    knob("speed +10 %", &|r| r.scan.cut_speed_mm_s *= 1.1);
    knob("pulse rate +10 %", &|r| r.laser.pulse_rate_khz *= 1.1);
    knob("focal length +10 %", &|r| {
        r.laser.focal_length_mm *= 1.1;
        // A fitted spot and its thresholds scale with the lens; the threshold fluence stays.
        r.beam.spot_radius_um = r.beam.spot_radius_um.map(|w| w * 1.1);
        for e in [
            &mut r.beam.threshold_energy_uj,
            &mut r.beam.through_energy_uj,
        ] {
            *e = e.map(|e| e * 1.21);
        }
    });
    knob("one more pass", &|r| r.passes.count += 1);
    out
}
