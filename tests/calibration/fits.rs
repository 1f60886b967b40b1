//! Fits against worked sets and simulated campaigns; tables that must be refused.

use super::Random;
use foilwright::kerf::fit::kerf::{self, KerfFit, TypeB};
use foilwright::kerf::fit::recipe_lines::{into_recipe, to_toml};
use foilwright::kerf::fit::{Kind, RecipeLine, Table, focus, heat, matrix, pulse, tint};
use std::fmt::Write;

fn near(got: f64, want: f64, tolerance: f64) {
    assert!(
        (got - want).abs() <= tolerance,
        "{got} is not {want} within {tolerance}"
    );
}
fn table(text: &str) -> Table {
    Table::parse(text.as_bytes(), "readings.csv").unwrap()
}
fn fit_text(text: &str) -> KerfFit {
    kerf::fit(&kerf::read(&table(text)).unwrap(), TypeB::default()).unwrap()
}
const DRAWN: [f64; 4] = [50.0, 100.0, 200.0, 400.0];

/// The worked set; expected values from its closed forms (k = mean of sigma (y - d), s = sum d (y - d) /
/// sum d^2), worked out by hand for this design.
fn worked(rows: &[(&str, [f64; 4])], applied: f64) -> String {
    let mut text = "feature,axis,drawn_um,measured_um,applied_kerf_um,side\n".to_owned();
    for (feature, measured) in rows {
        let sign = if *feature == "opening" { 1.0 } else { -1.0 };
        for (d, m) in DRAWN.iter().zip(measured) {
            let _ = writeln!(
                text,
                "{feature},x,{d},{},{applied},exit",
                m - sign * applied
            );
        }
    }
    text
}
const OPENINGS: (&str, [f64; 4]) = ("opening", [58.4, 108.1, 208.5, 408.9]);
const BARS: (&str, [f64; 4]) = ("bar", [41.8, 92.1, 192.3, 392.7]);

#[test]
fn worked_set() {
    let f = fit_text(&worked(&[OPENINGS, BARS], 0.0));
    near(f.pooled.kerf_um, 8.125, 1e-12);
    near(f.pooled.scale_error_ppm.unwrap(), 1952.941, 5e-4);
    near(f.pooled.residual_sd_um, 0.137876, 5e-7);
    near(f.pooled.standard_error_um, 0.0487465, 5e-8);
    near(f.pooled.half_width_95_um, 0.119278, 5e-7);
    near(f.pooled.scale_half_width_95_ppm.unwrap(), 517.503, 5e-4);
    assert_eq!(f.pooled.degrees_of_freedom, 6);
    near(f.kerf_only.kerf_um, 8.125, 1e-12);
    near(f.kerf_only.residual_sd_um, 0.497853, 5e-7);
    near(f.kerf_only.standard_error_um, 0.176017, 5e-7);
    near(f.kerf_only.half_width_95_um, 0.416215, 5e-7);
    near(f.openings_alone_um.unwrap(), 8.475, 1e-12);
    near(f.bars_alone_um.unwrap(), 7.775, 1e-12);
    assert!(
        f.outliers.is_empty() && f.warnings.is_empty(),
        "{:?}",
        f.warnings
    );
}

#[test]
fn applied_kerf_is_added_back() {
    let f = fit_text(&worked(&[OPENINGS, BARS], 8.0));
    near(f.pooled.kerf_um, 8.125, 1e-9);
    near(f.pooled.standard_error_um, 0.0487465, 5e-8);
}

#[test]
fn one_kind_alone_warns() {
    for set in [OPENINGS, BARS] {
        let f = fit_text(&worked(&[set], 0.0));
        assert!(
            f.warnings.iter().any(|w| w.contains("were measured")),
            "{:?}",
            f.warnings
        );
    }
}

/// A campaign: all sizes, both features and axes, three repeats.
fn campaign(random: &mut Random, kerf: f64, scale: f64, noise: f64, gross: f64) -> String {
    let mut text = "feature,axis,drawn_um,measured_um,applied_kerf_um,side\n".to_owned();
    for feature in ["opening", "bar"] {
        for axis in ["x", "y"] {
            for d in DRAWN {
                for _ in 0..3 {
                    let sign = if feature == "opening" { 1.0 } else { -1.0 };
                    let mut m = d * (1.0 + scale) + sign * kerf + noise * random.normal();
                    if random.uniform() < gross {
                        m += if random.uniform() < 0.5 { -1.0 } else { 1.0 }
                            * (3.0 + 7.0 * random.uniform());
                    }
                    let _ = writeln!(text, "{feature},{axis},{d},{m},0,exit");
                }
            }
        }
    }
    text
}

#[test]
fn simulated_campaigns() {
    let mut random = Random::new(2024);
    let runs = 2000;
    let (mut covered, mut covered_kept, mut sum) = (0, 0, 0.0);
    for _ in 0..runs {
        let truth = 4.0 + 8.0 * random.uniform();
        let f = fit_text(&campaign(&mut random, truth, 0.005, 0.3, 0.0));
        covered += u32::from((f.pooled.kerf_um - truth).abs() <= f.pooled.half_width_95_um);
        let k = &f.without_outliers;
        covered_kept += u32::from((k.kerf_um - truth).abs() <= k.half_width_95_um);
        sum += k.kerf_um - truth;
    }
    let share = |n: u32| f64::from(n) / f64::from(runs);
    println!(
        "coverage {} pooled, {} outliers removed, bias {}",
        share(covered),
        share(covered_kept),
        sum / f64::from(runs)
    );
    assert!(
        (0.93..=0.97).contains(&share(covered)),
        "{}",
        share(covered)
    );
    assert!(
        (0.93..=0.97).contains(&share(covered_kept)),
        "{}",
        share(covered_kept)
    );
    assert!((sum / f64::from(runs)).abs() < 0.02);
}

#[test]
fn gross_outliers() {
    let mut random = Random::new(77);
    let runs = 1000;
    let (mut sum, mut squares, mut found) = (0.0, 0.0, 0);
    for _ in 0..runs {
        let f = fit_text(&campaign(&mut random, 8.0, 0.005, 0.3, 0.05));
        let e = f.combined_kerf_um - 8.0;
        sum += e;
        squares += e * e;
        found += f.outliers.len();
    }
    let n = f64::from(runs);
    println!(
        "with gross errors: bias {}, rms {}, {} removed per run",
        sum / n,
        (squares / n).sqrt(),
        found as f64 / n
    );
    assert!((sum / n).abs() < 0.02 && (squares / n).sqrt() < 0.1);
    // 48 readings, one in twenty wrong.
    assert!((1.8..3.0).contains(&(found as f64 / n)));
}

#[test]
fn axes_that_differ_are_told() {
    let mut random = Random::new(5);
    let text: String = campaign(&mut random, 8.0, 0.0, 0.1, 0.0)
        .lines()
        .map(|l| {
            let mut cells: Vec<String> = l.split(',').map(str::to_owned).collect();
            if cells[1] == "y" {
                let sign = if cells[0] == "opening" { 1.0 } else { -1.0 };
                cells[3] = (cells[3].parse::<f64>().unwrap() - sign * 1.5).to_string();
            }
            cells.join(",") + "\n"
        })
        .collect();
    let f = fit_text(&text);
    assert!(f.axes_differ);
    near(f.x_minus_y.unwrap().value, 1.5, 0.1);
    let same = fit_text(&campaign(&mut random, 8.0, 0.0, 0.1, 0.0));
    assert!(same.x_minus_y.unwrap().value.abs() < 0.1);
}

#[test]
fn taper_from_both_sides() {
    let exit = worked(&[OPENINGS, BARS], 0.0);
    let mut random = Random::new(9);
    let entry = campaign(&mut random, 10.125, 0.002, 0.1, 0.0).replace("exit", "entry");
    let mut f = fit_text(&exit);
    kerf::add_taper(&mut f, &fit_text(&entry)).unwrap();
    near(f.taper_um.unwrap().value, 2.0, 0.1);
    let again = f.clone();
    assert!(kerf::add_taper(&mut f, &again).is_err());
}

#[test]
fn pulses_by_d_squared() {
    // Exact craters of w0 15 um, Eth 20 uJ, S 0.85; then with noise, the intervals must hold.
    let mut random = Random::new(31);
    let mut held = [0; 3];
    let runs = 400;
    for run in 0..=runs {
        let noise = if run == 0 { 0.0 } else { 0.2 };
        let mut text = "energy_uj,pulses,diameter_um\n".to_owned();
        for n in [1.0f64, 2.0, 5.0, 10.0] {
            for e in [25.0, 40.0, 60.0, 100.0, 200.0] {
                let threshold = 20.0 * n.powf(-0.15);
                let d = 15.0 * (2.0 * f64::ln(e / threshold)).sqrt() + noise * random.normal();
                let _ = writeln!(text, "{e},{n},{d}");
            }
        }
        let (craters, none) = pulse::read(&table(&text)).unwrap();
        let f = pulse::fit(&craters, none).unwrap();
        let s = f.incubation.unwrap();
        if run == 0 {
            near(f.spot_radius_um.value, 15.0, 1e-9);
            near(f.threshold_energy_uj.value, 20.0, 1e-9);
            near(s.value, 0.85, 1e-9);
            near(f.threshold_fluence_j_cm2, 5.65884, 5e-6);
        } else {
            let (w, t) = (f.spot_radius_um, f.threshold_energy_uj);
            held[0] += u32::from((w.low_95..=w.high_95).contains(&15.0));
            held[1] += u32::from((t.low_95..=t.high_95).contains(&20.0));
            held[2] += u32::from((s.value - 0.85).abs() <= s.half_width_95);
        }
    }
    for h in held {
        let share = f64::from(h) / f64::from(runs);
        assert!((0.92..=0.98).contains(&share), "{held:?} of {runs}");
    }
}

#[test]
fn focus_by_parabola() {
    let mut text = "height_mm,width_um\n".to_owned();
    for i in 0..9 {
        let z = 80.0 + 0.1 * f64::from(i);
        let _ = writeln!(
            text,
            "{z},{}",
            12.0 * (1.0 + ((z - 80.43) / 0.5f64).powi(2)).sqrt()
        );
    }
    let f = focus::fit(&focus::read(&table(&text)).unwrap()).unwrap();
    near(f.best_height_mm.value, 80.43, 1e-9);
    near(f.width_um, 12.0, 1e-9);
    near(f.depth_mm, 0.5 * 0.21f64.sqrt(), 1e-9);
    let flat = "height_mm,width_um\n1,10.1\n2,9.9\n3,10.1\n4,9.9\n5,10.0\n";
    assert!(
        focus::fit(&focus::read(&table(flat)).unwrap())
            .unwrap_err()
            .contains("no focus")
    );
    assert!(
        focus::read(&table("height_mm,width_um\n1,10\n2,9\n3,\n4,\n"))
            .unwrap_err()
            .to_string()
            .contains("at least 4")
    );
}

#[test]
fn matrix_recommends_clean_cells() {
    let mut text = "cell,power_percent,cut_speed_mm_s,pulse_rate_khz,passes,cut_through,width_top_um,width_bottom_um,bridges,warp\n".to_owned();
    // k^2 = 60 + 100 ln(E/Eref) - 10 ln(v/100); below E = 1 it does not cut.
    for power in [10.0, 20.0, 25.0, 30.0, 40.0] {
        for speed in [50.0, 100.0, 200.0] {
            let k2: f64 = 60.0 + 100.0 * f64::ln(power / 20.0) - 10.0 * f64::ln(speed / 100.0);
            let name = format!("p{power}v{speed}");
            let _ = if power < 20.0 {
                writeln!(text, "{name},{power},{speed},20,1,no,,,,0")
            } else {
                let bridged = u32::from(power == 20.0 && speed == 200.0);
                writeln!(
                    text,
                    "{name},{power},{speed},20,1,yes,,{},{bridged},0",
                    k2.sqrt()
                )
            };
        }
    }
    let f = matrix::fit(matrix::read(&table(&text)).unwrap());
    assert_eq!(f.cut_through, 12);
    near(f.terms[1].um2.value, 100.0, 1e-8);
    near(f.terms[2].um2.value, -10.0, 1e-8);
    // The narrowest is bridged; the next is at 100 mm/s.
    assert_eq!(f.narrowest.as_deref(), Some("p20v100"));
    assert_eq!(f.least_heat.as_deref(), Some("p25v200"));
    let lines = to_toml(&matrix::recipe_lines(&f));
    assert!(lines.contains("[scan]\ncut_speed_mm_s = "), "{lines}");
}

/// Exit widths by width^2 = 2 w^2 ln(E / Ethrough): the least energy that cuts through comes back, and with it in
/// the recipe the window predicts the width of the cell.
#[test]
fn matrix_tells_the_energy_that_cuts_through() {
    let mut text = "cell,power_percent,cut_speed_mm_s,pulse_rate_khz,passes,pulse_energy_uj,cut_through,width_top_um,width_bottom_um,bridges,warp\n".to_owned();
    let (radius, through) = (14.0, 120.0);
    for (i, power) in [15.0, 20.0, 25.0, 30.0, 40.0].into_iter().enumerate() {
        let energy: f64 = 20.0 * power / 100.0 / 20.0 * 1e3;
        let width = (2.0 * radius * radius * f64::ln(energy / through)).sqrt();
        let jitter = [0.02, -0.03, 0.01, 0.02, -0.02][i];
        let _ = writeln!(
            text,
            "c{i},{power},100,20,1,{energy},yes,,{},0,0",
            width + jitter
        );
    }
    let f = matrix::fit(matrix::read(&table(&text)).unwrap());
    let t = f.through.unwrap();
    assert!((t.energy_uj.value / through - 1.0).abs() < 0.01, "{t:?}");
    assert!(t.energy_uj.low_95 < through && through < t.energy_uj.high_95);
    assert!((t.exit_radius_um / radius - 1.0).abs() < 0.01);
    let mut lines = matrix::recipe_lines(&f);
    lines.push(RecipeLine::number("beam", "spot_radius_um", radius));
    let recipe = foilwright::recipe::Recipe::parse(
        &into_recipe("# mine\n", "r.toml", &lines).unwrap(),
        "r.toml",
    )
    .unwrap();
    let window = foilwright::beam::window::Window::of(&recipe);
    let exit = window.exit_width_um.unwrap();
    assert!((exit - recipe.kerf.width_um).abs() < 0.15, "{exit}");
}

#[test]
fn recipe_keeps_its_comments() {
    let old = "# my recipe\n[kerf]\n# measured in spring\nwidth_um = 7.5 # narrow side\nuncertainty_um = 1.0\n\n[scan]\ncut_speed_mm_s = 100.0\n";
    let lines = [
        RecipeLine::number("kerf", "width_um", 8.125),
        RecipeLine::number("beam", "spot_radius_um", 15.25),
    ];
    let new = into_recipe(old, "r.toml", &lines).unwrap();
    assert!(new.starts_with("# my recipe\n[kerf]\n# measured in spring\nwidth_um = 8.125 # narrow side\nuncertainty_um = 1.0\n\n[scan]"), "{new}");
    let r = foilwright::recipe::Recipe::parse(&new, "r.toml").unwrap();
    assert_eq!(
        (r.kerf.width_um, r.beam.spot_radius_um),
        (8.125, Some(15.25))
    );
    let bad = [RecipeLine::number("kerf", "width_um", 5000.0)];
    assert!(
        into_recipe(old, "r.toml", &bad)
            .unwrap_err()
            .to_string()
            .contains("out of bounds")
    );
}

#[test]
fn bad_tables_are_refused_with_their_line() {
    let head = "feature,axis,drawn_um,measured_um,side\n";
    for (text, say) in [
        (String::new(), "is empty"),
        ("a,b\n1,2\n".into(), "those of no coupon"),
        (
            "feature,drawn_mm,measured_um\nopening,0.05,58\n".into(),
            "there is `drawn_mm`",
        ),
        ("feature;drawn_um;measured_um\n".into(), "separated by `;`"),
        (
            format!("{head}opening,x,50,58,exit\nopening,x,100\n"),
            "line 3: has 3 cells",
        ),
        (
            format!("{head}opening,x,50,58um,exit\n"),
            "plain number without unit",
        ),
        (
            format!("{head}opening,x,50,-58,exit\n"),
            "greater than zero",
        ),
        (format!("{head}opening,x,50,nan,exit\n"), "plain number"),
        (format!("{head}opening,x,50,0.058,exit\n"), "another unit"),
        (format!("{head}slot,x,50,58,exit\n"), "write `opening`"),
        (format!("{head}opening,z,50,58,exit\n"), "axis is `z`"),
        (
            format!("{head}opening,x,50,58,exit\nbar,x,50,42,exit\n"),
            "only 2 readings",
        ),
        (
            format!("{head}opening,x,50,,exit\nbar,x,50,,exit\n"),
            "no measured_um is filled in",
        ),
        (head.to_owned(), "has no rows"),
        (
            format!("{head}opening,x,50,58,exit\nbar,x,50,42,entry\n"),
            "line 3: side is `entry` but `exit` on line 2",
        ),
        (format!("{head}opening,x,,58,exit\n"), "drawn_um is blank"),
        (
            "feature,drawn_um,measured_um,power_percent\nopening,50,58,20\nbar,50,42,25\n".into(),
            "a kerf belongs to one setting",
        ),
        (
            "energy_uj,diameter_um\n10,5\n20,8\n".into(),
            "at only 2 pulse energies",
        ),
        (
            "energy_uj,diameter_um\n10,-5\n20,8\n".into(),
            "cannot be negative",
        ),
        (
            "power_percent,cut_through\n1,yes\n".into(),
            "`cut_speed_mm_s` is missing",
        ),
    ] {
        let said = Table::parse(text.as_bytes(), "readings.csv")
            .and_then(|t| match Kind::of(&t)? {
                Kind::Kerf => kerf::read(&t).map(|_| ()),
                Kind::Pulse => pulse::read(&t).map(|_| ()),
                Kind::Matrix => matrix::read(&t).map(|_| ()),
                Kind::Focus => focus::read(&t).map(|_| ()),
                Kind::Heat => heat::read(&t).map(|_| ()),
                Kind::Tint => tint::read(&t).map(|_| ()),
            })
            .unwrap_err()
            .to_string();
        assert!(
            said.contains(say) && said.starts_with("readings.csv"),
            "{text:?}: {said}"
        );
    }
    assert!(
        Table::parse(&[0xff, 0xfe, 0, 1], "x")
            .unwrap_err()
            .to_string()
            .contains("not text")
    );
}
