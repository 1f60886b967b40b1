//! Beam: pulse, spot and what they do to the foil, as closed forms; and the process window of a recipe.
//!
//! Formulas of Gaussian beams and of the D-squared method are textbook ones (from memory; the method after
//! Liu, Opt. Lett. 7, 196, 1982). They hold for a Gaussian spot and a sharp threshold; melt expulsion of
//! nanosecond pulses does not follow them closely, so thresholds are fit parameters, not material constants.

pub mod window;

use std::f64::consts::PI;

/// Energy of one pulse, microjoules: mean power over repetition rate.
pub fn pulse_energy_uj(power_w: f64, pulse_rate_khz: f64) -> f64 {
    power_w / pulse_rate_khz * 1e3
}

/// Peak power of a pulse that is rectangular in time, watts.
pub fn peak_power_rectangular_w(energy_uj: f64, pulse_width_ns: f64) -> f64 {
    energy_uj / pulse_width_ns * 1e3
}

/// Peak power of a pulse that is Gaussian in time, watts: 2 sqrt(ln 2 / pi) E / FWHM.
pub fn peak_power_gaussian_w(energy_uj: f64, fwhm_ns: f64) -> f64 {
    2.0 * (libm::log(2.0) / PI).sqrt() * peak_power_rectangular_w(energy_uj, fwhm_ns)
}

/// Diameter (1/e2) of the focused spot, micrometres: 4 M2 lambda f / (pi D).
pub fn spot_diameter_um(
    wavelength_nm: f64,
    focal_length_mm: f64,
    beam_diameter_mm: f64,
    beam_quality_m2: f64,
) -> f64 {
    4.0 * beam_quality_m2 * wavelength_nm * 1e-3 * focal_length_mm / (PI * beam_diameter_mm)
}

/// Rayleigh range, micrometres: pi w0^2 / (M2 lambda).
pub fn rayleigh_range_um(spot_diameter_um: f64, wavelength_nm: f64, beam_quality_m2: f64) -> f64 {
    PI * (spot_diameter_um / 2.0).powi(2) / (beam_quality_m2 * wavelength_nm * 1e-3)
}

/// Radius (1/e2) at a distance from the focus: w0 sqrt(1 + (z/zR)^2); all lengths in one unit.
pub fn radius_out_of_focus(w0: f64, z: f64, z_r: f64) -> f64 {
    w0 * libm::hypot(1.0, z / z_r)
}

/// Fluence at the centre of a Gaussian spot, J/cm2: 2 E / (pi w0^2).
pub fn peak_fluence_j_cm2(energy_uj: f64, spot_radius_um: f64) -> f64 {
    // 1 uJ/um2 = 100 J/cm2.
    200.0 * energy_uj / (PI * spot_radius_um.powi(2))
}

/// Distance between pulses, micrometres: speed over repetition rate.
pub fn pulse_pitch_um(speed_mm_s: f64, pulse_rate_khz: f64) -> f64 {
    speed_mm_s / pulse_rate_khz
}

/// Overlap of neighbouring spots: 1 - pitch / diameter; negative where they do not touch.
pub fn overlap(pitch_um: f64, spot_diameter_um: f64) -> f64 {
    1.0 - pitch_um / spot_diameter_um
}

/// Fluence summed over all pulses of a line on its axis, in units of one pulse's peak: (w0/p) sqrt(pi/2).
pub fn effective_pulses(spot_radius_um: f64, pitch_um: f64) -> f64 {
    spot_radius_um / pitch_um * (PI / 2.0).sqrt()
}

/// Diameter of the crater: D^2 = 2 w0^2 ln(E/Eth); zero at and below the threshold.
pub fn crater_diameter_um(spot_radius_um: f64, energy_uj: f64, threshold_uj: f64) -> f64 {
    let ln = libm::log(energy_uj / threshold_uj);
    spot_radius_um * (2.0 * ln.max(0.0)).sqrt()
}

/// E/Eth that would make a crater of that diameter: exp(D^2 / (2 w0^2)).
pub fn ratio_for_diameter(spot_radius_um: f64, diameter_um: f64) -> f64 {
    libm::exp(diameter_um.powi(2) / (2.0 * spot_radius_um.powi(2)))
}

/// Relative change of the crater's diameter per relative change of the pulse energy: 1 / (2 ln(E/Eth)).
pub fn width_sensitivity(energy_ratio: f64) -> f64 {
    0.5 / libm::log(energy_ratio)
}

/// Factor on the threshold after N pulses on one spot: N^(S-1) (Jee, Becker & Walser, JOSA B 5, 648, 1988).
pub fn incubation_factor(pulses: f64, s: f64) -> f64 {
    libm::pow(pulses, s - 1.0)
}

/// Thermal diffusion length during a time, micrometres: sqrt(4 alpha t). Others leave out the 4.
pub fn diffusion_length_um(diffusivity_m2_s: f64, time_ns: f64) -> f64 {
    (4.0 * diffusivity_m2_s * time_ns * 1e-9).sqrt() * 1e6
}

/// Time for heat to cross the foil, microseconds: t^2 / (4 alpha).
pub fn through_foil_time_us(diffusivity_m2_s: f64, thickness_um: f64) -> f64 {
    (thickness_um * 1e-6).powi(2) / (4.0 * diffusivity_m2_s) * 1e6
}

/// What a row of round craters leaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Row {
    /// The craters join: narrowest width of the slot, and how far each cusp stands in.
    Slot { narrowest_um: f64, cusp_um: f64 },
    /// They do not join: webs this wide stay between them.
    Holes { web_um: f64 },
}

/// A row of craters of one diameter at a pitch: two circles meet at sqrt(D^2 - p^2).
pub fn crater_row(diameter_um: f64, pitch_um: f64) -> Row {
    if pitch_um < diameter_um {
        let narrowest_um = (diameter_um.powi(2) - pitch_um.powi(2)).sqrt();
        Row::Slot {
            narrowest_um,
            cusp_um: (diameter_um - narrowest_um) / 2.0,
        }
    } else {
        Row::Holes {
            web_um: pitch_um - diameter_um,
        }
    }
}

/// Widths of a cut through the foil and the slope of its walls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taper {
    pub entry_um: f64,
    pub exit_um: f64,
    pub half_angle_deg: f64,
}

/// Cut by N pulses whose craters deepen with the logarithm of fluence (`delta_um` per pulse and e-fold);
/// `None` where they do not reach through.
pub fn taper(
    spot_radius_um: f64,
    ln_energy_ratio: f64,
    delta_um: f64,
    pulses: f64,
    thickness_um: f64,
) -> Option<Taper> {
    let left = ln_energy_ratio - thickness_um / (pulses * delta_um);
    if ln_energy_ratio.is_nan() || left.is_nan() || left < 0.0 {
        return None;
    }
    let width = |ln: f64| spot_radius_um * (2.0 * ln).sqrt();
    let (entry_um, exit_um) = (width(ln_energy_ratio), width(left));
    Some(Taper {
        entry_um,
        exit_um,
        half_angle_deg: libm::atan((entry_um - exit_um) / (2.0 * thickness_um)).to_degrees(),
    })
}

/// Chance that one pulse period of a line stays bridged after `passes` passes whose pulses fall at random
/// places: n arcs of the craters' length on a circle of one pitch (Stevens, Ann. Eugenics 9, 315, 1939).
pub fn bridge_chance(diameter_um: f64, pitch_um: f64, passes: u32) -> f64 {
    let a = diameter_um / pitch_um;
    if a >= 1.0 {
        return 0.0;
    }
    if a <= 0.0 {
        return 1.0;
    }
    // Terms alternate and grow; beyond this many passes the chance is nil or the sum meaningless.
    let n = passes.clamp(1, 40);
    let (mut covered, mut choose) = (0.0, 1.0);
    for k in 0..=n {
        let free = 1.0 - f64::from(k) * a;
        if free <= 0.0 {
            break;
        }
        let term = choose * free.powi(n as i32 - 1);
        covered += if k % 2 == 0 { term } else { -term };
        choose *= f64::from(n - k) / f64::from(k + 1);
    }
    (1.0 - covered).clamp(0.0, 1.0)
}
