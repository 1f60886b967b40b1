//! Coupons through the commands: drawn, cut, read, fitted, and the recipe used.

use crate::support::as_cut::beam_moves;
use assert_cmd::Command;
use predicates::str::contains;
use std::fs;
use std::path::Path;

fn foilwright(folder: &Path, args: &[&str]) -> assert_cmd::assert::Assert {
    Command::cargo_bin("foilwright")
        .unwrap()
        .current_dir(folder)
        .args(args)
        .assert()
}

/// Width along one axis of everything a beam of that kerf leaves open, on a line through `at`: the
/// swept discs of the job's moves, found by brute force along the line.
fn open_width(
    moves: &[crate::support::as_cut::Move],
    at: [f64; 2],
    axis: usize,
    outer: f64,
    kerf_mm: f64,
) -> f64 {
    // Outermost places within `outer` that the beam's edge reaches.
    let (mut lo, mut hi) = (f64::MAX, f64::MIN);
    let across = 1 - axis;
    for m in moves {
        let (a, b) = (m.from, m.to);
        let near = |p: [f64; 2]| (p[axis] - at[axis]).abs() <= outer;
        if !(near(a) && near(b)) {
            continue;
        }
        let (p, q) = (a[across].min(b[across]), a[across].max(b[across]));
        if p <= at[across] && at[across] <= q && (a[axis] - b[axis]).abs() < 1e-9 {
            lo = lo.min(a[axis] - kerf_mm / 2.0);
            hi = hi.max(a[axis] + kerf_mm / 2.0);
        }
    }
    hi - lo
}

/// Coupon drawn, cut by a simulator with a kerf the program is not told, read with the scale error of a
/// microscope, fitted into the recipe, and a square then cut with it within 0.2 um.
#[test]
fn round_trip() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    let (kerf_mm, scale) = (9.37e-3, 1.003);
    foilwright(dir, &["coupon", "kerf", "--out", "."]).success();
    let nc = fs::read_to_string(dir.join("coupon-kerf.nc")).unwrap();
    assert!(nc.contains("(kerf_um: 0)"));
    let moves = beam_moves(&nc);
    let svg = fs::read_to_string(dir.join("coupon-kerf.svg")).unwrap();
    // Boxes of the drawn outlines, from the drawing itself.
    let boxes = |id: &str| -> [f64; 4] {
        let from = svg
            .find(&format!("id=\"{id}\" d=\"M"))
            .unwrap_or_else(|| panic!("{id}"));
        let d = svg[from..].split('"').nth(3).unwrap();
        let v: Vec<[f64; 2]> = d
            .trim_end_matches('Z')
            .split(['M', 'L'])
            .filter(|s| !s.is_empty())
            .map(|s| {
                let (x, y) = s.split_once(' ').unwrap();
                [x.parse().unwrap(), y.parse().unwrap()]
            })
            .collect();
        let f = |k: usize, g: fn(f64, f64) -> f64| v.iter().map(|p| p[k]).reduce(g).unwrap();
        [
            f(0, f64::min),
            f(1, f64::min),
            f(0, f64::max),
            f(1, f64::max),
        ]
    };
    let job = |p: [f64; 2]| [p[0] - 10.0, 10.0 - p[1]];
    let table = fs::read_to_string(dir.join("coupon-kerf.csv")).unwrap();
    let mut filled = String::new();
    let mut rows = 0;
    for (i, line) in table.lines().enumerate() {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if i > 0 && cells[0] != "circle" {
            let axis = usize::from(cells[2] == "y");
            let drawn: f64 = cells[3].parse::<f64>().unwrap() * 1e-3;
            let width = if cells[1] == "opening" {
                let b = boxes(&cells[0]);
                let at = job([(b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0]);
                open_width(&moves, at, axis, drawn / 2.0 + 0.02, kerf_mm)
            } else {
                // The bar is what the two openings leave between them.
                let ends = ["a", "b"].map(|s| boxes(&format!("{}-{s}", cells[0])));
                let at = |b: [f64; 4]| job([(b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0]);
                let (p, q) = (at(ends[0]), at(ends[1]));
                let flank = ends[0][2 + axis] - ends[0][axis];
                let open = [p, q].map(|c| open_width(&moves, c, axis, flank / 2.0 + 0.02, kerf_mm));
                (p[axis] - q[axis]).abs() - open[0] / 2.0 - open[1] / 2.0
            };
            cells[4] = format!("{}", width * 1e3 * scale);
            cells[6] = "exit".into();
            rows += 1;
        }
        filled += &(cells.join(",") + "\n");
    }
    assert!(rows >= 32, "{rows}");
    fs::write(dir.join("readings.csv"), filled).unwrap();
    let recipe = foilwright(dir, &["recipe", "show"])
        .success()
        .get_output()
        .stdout
        .clone();
    fs::write(dir.join("mine.toml"), &recipe).unwrap();
    let out = foilwright(
        dir,
        &["fit", "readings.csv", "--json", "--into", "mine.toml"],
    )
    .success()
    .get_output()
    .stdout
    .clone();
    let json: serde_json::Value = serde_json::from_slice(&out).unwrap();
    let got = json["kerf_um"].as_f64().unwrap();
    // A microscope that shows everything 0.3 % larger shows the kerf so, too.
    assert!((got - 9.37 * scale).abs() < 0.02, "{got}");
    assert!((json["scale_error_ppm"].as_f64().unwrap() - 3000.0).abs() < 50.0);
    assert!(dir.join("foilwright-out/readings.fit.png").exists());
    let text = fs::read_to_string(dir.join("mine.toml")).unwrap();
    assert_eq!(
        text.matches('#').count(),
        String::from_utf8_lossy(&recipe).matches('#').count()
    );
    fs::write(
        dir.join("square.svg"),
        r##"<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm" viewBox="0 0 10 10"><g id="hot"><rect id="r" x="4" y="4" width="2" height="2"/></g></svg>"##,
    )
    .unwrap();
    foilwright(
        dir,
        &["cut", "square.svg", "--recipe", "mine.toml", "--out", "cut"],
    )
    .success();
    let moves = beam_moves(&fs::read_to_string(dir.join("cut/square-hot.nc")).unwrap());
    for axis in [0, 1] {
        let mut at = [0.0, 0.0];
        at[1 - axis] = 0.3;
        let width = open_width(&moves, at, axis, 1.1, kerf_mm);
        assert!((width - 2.0).abs() < 0.2e-3, "{width}");
    }
}

#[test]
fn the_kerf_coupon_is_one_piece_of_foil() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    for size in ["20x20mm", "30x15mm"] {
        foilwright(dir, &["coupon", "kerf", "--size", size, "--out", "."]).success();
        let out = foilwright(dir, &["check", "coupon-kerf.svg", "--json"])
            .get_output()
            .stdout
            .clone();
        let json: serde_json::Value = serde_json::from_slice(&out).unwrap();
        assert_eq!(json["layers"][0]["islands_found"], 0, "{size}");
    }
    foilwright(dir, &["coupon", "kerf", "--size", "8x8mm"])
        .code(2)
        .stderr(contains("needs at least"));
}

#[test]
fn matrix_cells_carry_their_settings() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    foilwright(
        dir,
        &[
            "coupon",
            "matrix",
            "--columns",
            "power=10..40",
            "--rows",
            "rate=20..80",
            "--steps",
            "3",
            "--out",
            ".",
        ],
    )
    .success()
    .stdout(contains(
        "before coupon-matrix-80khz: set the pulse rate to 80 kHz",
    ));
    for rate in ["20", "40", "80"] {
        let nc = fs::read_to_string(dir.join(format!("coupon-matrix-{rate}khz.nc"))).unwrap();
        beam_moves(&nc);
        for s in ["S100\n", "S200\n", "S400\n"] {
            assert!(nc.contains(s), "{rate} {s}");
        }
        assert!(nc.contains(&format!("pulse_rate_khz: {rate} ")));
    }
    let table = fs::read_to_string(dir.join("coupon-matrix.csv")).unwrap();
    assert_eq!(table.lines().count(), 10);
    foilwright(dir, &["coupon", "matrix", "--columns", "power=10..120"])
        .code(2)
        .stderr(contains("out of bounds"));
    foilwright(dir, &["coupon", "matrix", "--columns", "speed=50..100"])
        .code(2)
        .stderr(contains("varied twice"));
    fs::write(dir.join("r.toml"), "[beam]\nmax_pulse_energy_uj = 300.0\n").unwrap();
    foilwright(dir, &["coupon", "matrix", "--recipe", "r.toml"])
        .code(2)
        .stderr(contains("more than the source's 300 uJ"));
}

/// Heat left by earlier cells when a cell starts, summed here from every cut by the line-source-in-a-sheet
/// closed form with loss (Carslaw & Jaeger 1959, ch. 10, from memory): it stays near the limit that the
/// coupon's words state, and cells without pauses would be hotter.
#[test]
fn cells_of_the_matrix_start_cool() {
    use foilwright::kerf::coupon::{Axis, Knob, matrix_coupon};
    let recipe = foilwright::recipe::Recipe::load("steel-25um").unwrap();
    let x = Axis::between(Knob::Power, 20.0, 80.0, 4);
    let y = Axis::between(Knob::Speed, 40.0, 200.0, 4);
    let coupon = matrix_coupon(&recipe, &x, &y, None).unwrap();
    let foil = foilwright::heat::Foil::new(&recipe);
    let warmest = |coupon: &foilwright::kerf::coupon::Coupon| {
        let (plan, _) = &coupon.plans(&recipe).unwrap()[0];
        let motion = plan.motion();
        let group = |path: u32| coupon.marks[path as usize].group;
        let mut worst = 0.0f64;
        let mut seen = std::collections::BTreeSet::new();
        for burn in &motion.burns {
            if !seen.insert(group(burn.path)) {
                continue;
            }
            let here = burn.points[0];
            let mut rise = 0.0;
            for b in motion.burns.iter().filter(|b| b.start_s < burn.start_s) {
                let seconds = b.end_s() - b.start_s;
                for w in b.points.windows(2) {
                    let t = burn.start_s - (b.start_s + b.end_s()) / 2.0;
                    let r2 = ((w[0][0] + w[1][0]) / 2.0 - here[0]).powi(2)
                        + ((w[0][1] + w[1][1]) / 2.0 - here[1]).powi(2);
                    let length = (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]);
                    let joule = b.power_w * recipe.laser.absorbed_fraction * seconds * length
                        / b.points
                            .windows(2)
                            .map(|w| (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]))
                            .sum::<f64>();
                    rise += joule / (4.0 * std::f64::consts::PI * foil.sheet_w_k * t)
                        * (-r2 * 1e-6 / (4.0 * foil.alpha_m2_s * t) - t / foil.tau_s()).exp();
                }
            }
            worst = worst.max(rise);
        }
        worst
    };
    let scheduled = warmest(&coupon);
    let mut hasty = coupon.clone();
    for g in &mut hasty.groups {
        g.pause_before_s = 0.0;
    }
    let without = warmest(&hasty);
    assert!(scheduled < 7.5, "{scheduled} K, without pauses {without} K");
    assert!(without > scheduled, "{scheduled} K, without {without} K");
}

#[test]
fn passes_are_cut_as_often_as_the_cell_says() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    foilwright(
        dir,
        &[
            "coupon",
            "matrix",
            "--columns",
            "passes=1..3",
            "--rows",
            "speed=50..200",
            "--steps",
            "3",
            "--panels",
            "power=20..40",
            "--out",
            ".",
        ],
    )
    .success();
    let nc = fs::read_to_string(dir.join("coupon-matrix.nc")).unwrap();
    // Seven marks in each of 18 cells; a third of them once, twice, three times.
    let count = |pass: u32| nc.matches(&format!(" pass {pass}")).count();
    assert_eq!((count(2), count(3)), (7 * 12, 7 * 6));
    assert!(nc.contains("F3000\n") && nc.contains("F12000\n"));
}

#[test]
fn pulse_and_focus_coupons() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    foilwright(dir, &["coupon", "pulse", "--out", "."])
        .success()
        .stdout(contains("craters 86.1 um apart at 1722 mm/s"));
    let nc = fs::read_to_string(dir.join("coupon-pulse.nc")).unwrap();
    assert!(nc.contains("S50\n") && nc.contains("S800\n"));
    fs::write(dir.join("fast.toml"), "[laser]\npulse_rate_khz = 60.0\n").unwrap();
    foilwright(dir, &["coupon", "pulse", "--recipe", "fast.toml"])
        .code(2)
        .stderr(contains("lower the pulse rate"));
    foilwright(dir, &["coupon", "focus", "--heights", "5", "--out", "."]).success();
    for i in 1..=5 {
        beam_moves(&fs::read_to_string(dir.join(format!("coupon-focus-0{i}.nc"))).unwrap());
    }
    let table = fs::read_to_string(dir.join("coupon-focus.csv")).unwrap();
    assert_eq!(
        table,
        "row,height_mm,width_um\n1,-0.6,\n2,-0.3,\n3,0,\n4,0.3,\n5,0.6,\n"
    );
}

#[test]
fn nothing_is_written_after_bad_readings() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    fs::write(dir.join("r.toml"), "[kerf]\nwidth_um = 8.0\n").unwrap();
    fs::write(
        dir.join("bad.csv"),
        "feature,drawn_um,measured_um\nopening,50,-58\n",
    )
    .unwrap();
    fs::write(dir.join("photo.png"), "not a picture").unwrap();
    foilwright(dir, &["fit", "bad.csv", "--into", "r.toml"])
        .code(2)
        .stderr(contains("line 2"));
    foilwright(
        dir,
        &["fit", "--picture", "photo.png", "--scale", "0.4um/px"],
    )
    .code(2)
    .stderr(contains("is no picture"));
    foilwright(dir, &["fit", "--picture", "photo.png", "--scale", "0.4"])
        .code(2)
        .stderr(contains("0.42um/px"));
    foilwright(dir, &["fit", "none.csv"])
        .code(2)
        .stderr(contains("cannot read none.csv"));
    assert!(!dir.join("foilwright-out").exists());
    assert_eq!(
        fs::read_to_string(dir.join("r.toml")).unwrap(),
        "[kerf]\nwidth_um = 8.0\n"
    );
}

#[test]
fn window_says_what_it_cannot_predict() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path();
    foilwright(dir, &["window"])
        .success()
        .stdout(contains("not predicted: calibrate"));
    foilwright(
        dir,
        &["window", "--vary", "power_percent=10..40", "--out", "w"],
    )
    .success();
    assert!(dir.join("w/window-power_percent.png").exists());
    for bad in [
        "power_percent",
        "power_percent=40..10",
        "nothing=1..2",
        "power_percent=10..400",
        "material=1..2",
    ] {
        foilwright(dir, &["window", "--vary", bad]).code(2);
    }
}
