//! Beam formulas against values worked out independently with scipy, and the window's words.

use foilwright::beam::window::{Window, knobs};
use foilwright::beam::*;
use foilwright::recipe::Recipe;

fn near(got: f64, want: f64) {
    assert!((got / want - 1.0).abs() < 1e-5, "{got} is not {want}");
}

#[test]
fn spot_and_rayleigh_range() {
    for (f, d, m2, spot, z) in [
        (100.0, 7.0, 1.5, 29.0299, 414.712),
        (163.0, 10.0, 1.3, 28.7067, 467.919),
        (100.0, 10.0, 1.0, 13.5473, 135.473),
    ] {
        let got = spot_diameter_um(1064.0, f, d, m2);
        near(got, spot);
        near(rayleigh_range_um(got, 1064.0, m2), z);
    }
}

#[test]
fn pulse_and_pitch() {
    let e = pulse_energy_uj(5.0, 20.0);
    near(e, 250.0);
    near(peak_power_rectangular_w(e, 100.0), 2500.0);
    near(peak_power_gaussian_w(e, 100.0), 2348.59);
    let d = spot_diameter_um(1064.0, 100.0, 7.0, 1.5);
    near(peak_fluence_j_cm2(e, d / 2.0), 75.5423);
    let p = pulse_pitch_um(100.0, 20.0);
    near(p, 5.0);
    near(overlap(p, d), 0.827764);
    near(d / p, 5.80597);
    near(effective_pulses(d / 2.0, p), 3.63835);
}

#[test]
fn d_squared_law_and_incubation() {
    near(peak_fluence_j_cm2(20.0, 15.0), 5.65884);
    for (e, d) in [
        (25.0, 10.0207),
        (40.0, 17.6612),
        (60.0, 22.2346),
        (100.0, 26.9118),
        (200.0, 32.1895),
    ] {
        near(crater_diameter_um(15.0, e, 20.0), d);
        near(ratio_for_diameter(15.0, d), e / 20.0);
    }
    assert_eq!(crater_diameter_um(15.0, 20.0, 20.0), 0.0);
    for (n, f) in [
        (2.0, 0.901250),
        (5.0, 0.785515),
        (10.0, 0.707946),
        (100.0, 0.501187),
    ] {
        near(incubation_factor(n, 0.85), f);
    }
}

#[test]
fn rows_of_craters() {
    for (d, narrow, cusp) in [
        (6.0, 3.31662, 1.34169),
        (10.0, 8.66025, 0.669873),
        (20.0, 19.3649, 0.317542),
    ] {
        match crater_row(d, 5.0) {
            Row::Slot {
                narrowest_um,
                cusp_um,
            } => {
                near(narrowest_um, narrow);
                near(cusp_um, cusp);
            }
            Row::Holes { .. } => panic!("{d} joins at a pitch of 5"),
        }
    }
    assert_eq!(crater_row(4.0, 5.0), Row::Holes { web_um: 1.0 });
}

#[test]
fn taper_model() {
    let t = taper(15.0, 2.0, 1.0, 20.0, 25.0).unwrap();
    near(t.entry_um, 30.0);
    near(t.exit_um, 18.3712);
    near(t.half_angle_deg, 13.0929);
    assert!(taper(15.0, 2.0, 1.0, 12.0, 25.0).is_none());
}

// Diffusivities in m2/s from memory; lengths for 100 ns.
#[test]
fn diffusion() {
    for (a, l) in [
        (3.9e-6, 1.249),
        (1.9e-5, 2.757),
        (2.3e-5, 3.033),
        (3.4e-5, 3.688),
        (1.16e-4, 6.812),
    ] {
        assert!((diffusion_length_um(a, 100.0) - l).abs() < 6e-4);
    }
    assert!((through_foil_time_us(3.9e-6, 25.0) - 40.06).abs() < 5e-3);
    assert!((through_foil_time_us(3.4e-5, 25.0) - 4.60).abs() < 5e-3);
}

// Stevens (1939): two arcs of length a cover a circle of length 1 with chance 2a - 1 for a > 1/2, never below.
// Three arcs checked by counting random throws.
#[test]
fn bridges_after_random_passes() {
    assert!((bridge_chance(0.7, 1.0, 2) - 0.6).abs() < 1e-12);
    assert_eq!(bridge_chance(0.4, 1.0, 2), 1.0);
    assert_eq!(bridge_chance(5.0, 5.0, 1), 0.0);
    let mut random = super::Random::new(11);
    let throws = 200_000;
    let mut open = 0;
    for _ in 0..throws {
        let mut x = [0.0, random.uniform(), random.uniform()];
        x.sort_by(f64::total_cmp);
        let widest = (x[1] - x[0]).max(x[2] - x[1]).max(1.0 - x[2]);
        open += u32::from(widest > 0.5);
    }
    let counted = f64::from(open) / f64::from(throws);
    assert!(
        (bridge_chance(0.5, 1.0, 3) - counted).abs() < 0.005,
        "{counted}"
    );
}

#[test]
fn near_threshold_is_said() {
    // 4 um from 28.7 um: 3.96 % above threshold; 10 um: 27.5 % (D-squared law by hand).
    let mut recipe = Recipe::default();
    recipe.kerf.width_um = 4.0;
    let w = Window::of(&recipe);
    near(
        w.energy_over_through,
        (16.0 / (2.0 * 14.35335f64.powi(2))).exp(),
    );
    assert!(
        w.warnings.iter().any(|l| l.contains("above threshold")),
        "{:?}",
        w.warnings
    );
    assert!(
        w.warnings
            .iter()
            .any(|l| l.contains("no wider than the pulse pitch")),
        "{:?}",
        w.warnings
    );
    assert_eq!(w.exit_width_um, None);
    assert_eq!(w.web_um, Some(1.0));
}

#[test]
fn a_fitted_beam_predicts_widths() {
    let mut recipe = Recipe::default();
    recipe.beam.spot_radius_um = Some(15.0);
    recipe.beam.threshold_energy_uj = Some(125.0);
    recipe.beam.through_energy_uj = Some(200.0);
    let w = Window::of(&recipe);
    near(w.exit_width_um.unwrap(), 15.0 * (2.0 * 1.25f64.ln()).sqrt());
    near(w.entry_width_um.unwrap(), 15.0 * (2.0 * 2f64.ln()).sqrt());
    let k = knobs(&recipe);
    // More power widens the cut, a higher rate thins it; the speed leaves the pulse alone.
    assert!(k[0].exit_width.unwrap() > 0.0 && k[2].exit_width.unwrap() < 0.0);
    assert_eq!(k[1].exit_width, Some(0.0));
    assert!(
        (k[1].pulse_pitch - 10.0).abs() < 1e-9 && (k[2].pulse_pitch + 100.0 / 11.0).abs() < 1e-9
    );
    recipe.laser.power_percent = 10.0;
    assert!(
        Window::of(&recipe)
            .warnings
            .iter()
            .any(|l| l.contains("below the energy that cuts through"))
    );
}
