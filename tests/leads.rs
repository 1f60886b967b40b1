//! Leads about as wide as the kerf: one line along the middle, or one outline, but never a row of scraps.

use foilwright::artwork::{ReadOptions, read_str};
use foilwright::finding::Finding;
use foilwright::kerf::{Contour, compensate};
use foilwright::recipe::Recipe;

fn recipe(kerf_um: f64) -> Recipe {
    let mut recipe = Recipe::load("steel-25um").unwrap();
    recipe.kerf.width_um = kerf_um;
    recipe
}

/// The cuts of a drawing, millimetres, 10 mm square.
fn cuts(body: &str, recipe: &Recipe) -> (Vec<Contour>, Vec<Finding>) {
    let svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm" viewBox="0 0 10 10">{body}</svg>"#
    );
    let options = ReadOptions {
        tolerance_um: recipe.tolerance_um(),
        ..ReadOptions::default()
    };
    let drawn = read_str(&svg, "leads.svg", &options).unwrap().value;
    let mut findings = Vec::new();
    let contours = compensate(&drawn.layers[0].openings, recipe).take(&mut findings);
    (contours, findings)
}

/// Length of a parametric curve by a fine sum of chords.
fn length(curve: impl Fn(f64) -> [f64; 2]) -> f64 {
    let n = 100_000;
    let at = |i: usize| curve(i as f64 / f64::from(n));
    (0..n as usize)
        .map(|i| {
            let (a, b) = (at(i), at(i + 1));
            (b[0] - a[0]).hypot(b[1] - a[1])
        })
        .sum()
}

fn bezier(p: [[f64; 2]; 4]) -> impl Fn(f64) -> [f64; 2] {
    move |t| {
        let s = 1.0 - t;
        [0, 1].map(|d| {
            s * s * s * p[0][d]
                + 3.0 * s * s * t * p[1][d]
                + 3.0 * s * t * t * p[2][d]
                + t * t * t * p[3][d]
        })
    }
}

/// Paths to stroke, and how long they are.
fn leads() -> Vec<(&'static str, f64)> {
    let turn = std::f64::consts::TAU;
    vec![
        ("M1,2 L7,2", 6.0),
        ("M1,2 L7.2,4.7", 6.2f64.hypot(2.7)),
        (
            "M1,2 C3,0.5 5,3.2 9,1.8",
            length(bezier([[1.0, 2.0], [3.0, 0.5], [5.0, 3.2], [9.0, 1.8]])),
        ),
        (
            "M2,5 C9,1 9,9 2,4.2",
            length(bezier([[2.0, 5.0], [9.0, 1.0], [9.0, 9.0], [2.0, 4.2]])),
        ),
        ("M3,5 A2,2 0 1 1 5,7", 0.75 * turn * 2.0),
        (
            "M4,5 a1.3,1.3 0 1 1 2.6,0 a1.3,1.3 0 1 1 -2.6,0 z",
            turn * 1.3,
        ),
        // Bends of 90, 135 and 45 degrees.
        (
            "M1,1 h3 v2 l-1.5,-1.5 v4 l2,2",
            3.0 + 2.0 + 1.5 * 2f64.sqrt() + 4.0 + 8f64.sqrt(),
        ),
    ]
}

#[test]
fn a_lead_as_wide_as_the_kerf_is_one_line_and_a_wider_one_an_outline() {
    for kerf_um in [4.0, 8.0, 8.37, 20.0] {
        let recipe = recipe(kerf_um);
        for (path, long_mm) in leads() {
            for k in -6..=16 {
                let width_um = kerf_um + 0.05 * f64::from(k);
                let body = format!(
                    r#"<path d="{path}" fill="none" stroke="black" stroke-width="{}"/>"#,
                    width_um * 1e-3
                );
                let (contours, findings) = cuts(&body, &recipe);
                let cut_mm: f64 = contours.iter().map(|c| c.length_nm() * 1e-6).sum();
                let times = cut_mm / long_mm;
                // Where a lead crosses itself at a small angle, a slug comes out whatever its width.
                let crosses = path.contains("9,9");
                let within = if crosses { 0.05 } else { 0.02 };
                let about = |n: f64| (times / n - 1.0).abs() < within;
                let told = format!(
                    "{path}, {width_um:.2} um with a kerf of {kerf_um} um: {times:.3} times its length in {} cuts",
                    contours.len()
                );
                // Bends and crossings are wider than their legs: a slug there may reach a little into them.
                let bent = (path.contains('h') || crosses) && (6..=10).contains(&k);
                assert!(
                    about(1.0) || about(2.0) || (bent && (1.0..2.0).contains(&times)),
                    "{told}"
                );
                // A fifth of a micrometre is what flattening may do to the width; more than half is a slug.
                assert!(k > 4 || about(1.0), "{told}");
                assert!(k < 14 || about(2.0), "{told}");
                // At most a cut and a finding for each leg and each bend.
                assert!(
                    contours.len() <= 11 && findings.len() <= 12,
                    "{told}, {findings:?}"
                );
            }
        }
    }
}

/// A lead into a pad: the pad's outline, and a line up to it.
#[test]
fn a_lead_as_wide_as_the_kerf_meets_its_pad() {
    let recipe = recipe(8.0);
    for k in -6..=6 {
        let width_um = 8.0 + 0.05 * f64::from(k);
        let body = format!(
            r#"<path d="M2,2 C4,0.5 5,3.2 8,2" fill="none" stroke="black" stroke-width="{}"/><rect x="1" y="1.5" width="1.02" height="1"/>"#,
            width_um * 1e-3
        );
        let lead = length(bezier([[2.0, 2.0], [4.0, 0.5], [5.0, 3.2], [8.0, 2.0]]));
        let pad = 2.0 * (1.02 + 1.0 - 0.016);
        let (contours, findings) = cuts(&body, &recipe);
        let cut_mm: f64 = contours.iter().map(|c| c.length_nm() * 1e-6).sum();
        let told = format!(
            "{width_um:.2} um: {cut_mm:.3} mm in {} cuts",
            contours.len()
        );
        assert!((cut_mm / (lead + pad) - 1.0).abs() < 0.02, "{told}");
        assert!(
            contours.len() <= 3 && findings.len() <= 4,
            "{told}, {findings:?}"
        );
        // The line begins where the outline passes, no further than a kerf from it.
        let ring = contours.iter().find(|c| c.closed).unwrap();
        let line = contours.iter().find(|c| !c.closed).unwrap();
        let gap_nm = [line.points[0], line.points[line.points.len() - 1]]
            .iter()
            .flat_map(|e| {
                ring.points
                    .iter()
                    .map(|p| f64::from(p.x - e.x).hypot(f64::from(p.y - e.y)))
            })
            .fold(f64::MAX, f64::min);
        assert!(gap_nm < 8_000.0, "{told}: {gap_nm} nm apart");
    }
}

/// Slots of two widths at every degree: the note tells the width that was drawn.
#[test]
fn the_width_of_a_turned_slot_is_told_as_drawn() {
    let recipe = recipe(8.0);
    for width_um in [4.5, 6.0, 7.3] {
        for degrees in 0..180 {
            let body = format!(
                r#"<rect x="4.6" y="{}" width="0.8" height="{}" transform="rotate({degrees} 5 5)"/>"#,
                5.0 - 0.5e-3 * width_um,
                1e-3 * width_um
            );
            let (contours, findings) = cuts(&body, &recipe);
            assert_eq!(contours.len(), 1, "{degrees} degrees");
            let told: Vec<f64> = (findings.iter())
                .filter(|f| f.code == "single-line")
                .filter_map(|f| f.measured_um)
                .collect();
            assert_eq!(told.len(), 1, "{degrees} degrees: {findings:?}");
            assert!(
                (told[0] - width_um).abs() < 0.1,
                "{width_um} um at {degrees} degrees is told as {} um",
                told[0]
            );
            let cut_um = contours[0].length_nm() * 1e-3;
            assert!(
                (cut_um - 792.0).abs() < 0.6,
                "{degrees} degrees: {cut_um} um"
            );
        }
    }
}

/// A straight lead through the middle of the drawing at an angle, as SVG, and the direction it runs in.
fn through_middle(degrees: f64, width_um: f64) -> (String, [f64; 2]) {
    let (s, c) = degrees.to_radians().sin_cos();
    let path = format!(
        r#"<path d="M{},{} L{},{}" stroke="black" stroke-width="{}"/>"#,
        5.0 - c,
        5.0 - s,
        5.0 + c,
        5.0 + s,
        width_um * 1e-3
    );
    (path, [c, s])
}

/// Largest distance of a line's points from the straight way through the middle, and its length, micrometres.
fn off_and_long(line: &Contour, [c, s]: [f64; 2]) -> (f64, f64) {
    let off = |p: &foilwright::regions::Point| {
        let (x, y) = (f64::from(p.x) * 1e-3 - 5e3, f64::from(p.y) * 1e-3 - 5e3);
        (c * y - s * x).abs()
    };
    let most = line.points.iter().map(off).fold(0.0, f64::max);
    (most, line.length_nm() * 1e-3)
}

/// Two or three leads no wider than the kerf through one place: each is one straight line, and told with its width.
#[test]
fn leads_that_cross_are_cut_straight_through() {
    for (kerf_um, widths_um) in [
        (8.0, [4.0, 4.0]),
        (8.0, [5.5, 5.5]),
        (8.0, [8.0, 8.0]),
        (8.0, [7.5, 7.0]),
        (8.0, [6.0, 8.0]),
        (20.0, [13.0, 20.0]),
    ] {
        let recipe = recipe(kerf_um);
        for turn in [0.0, 31.0] {
            for angles in [
                vec![15.0],
                vec![40.0],
                vec![75.0],
                vec![90.0],
                vec![60.0, 120.0],
            ] {
                // So thin and so flat a crossing keeps a stray line of 10 um.
                if widths_um[0] <= kerf_um / 2.0 && angles[0] < 20.0 {
                    continue;
                }
                let mut leads = vec![through_middle(turn, widths_um[0])];
                leads.extend(
                    angles
                        .iter()
                        .map(|a| through_middle(turn + a, widths_um[1])),
                );
                let body: String = leads.iter().map(|l| l.0.as_str()).collect();
                let (contours, findings) = cuts(&body, &recipe);
                let told = format!("kerf {kerf_um}, {widths_um:?} um at {turn} and {angles:?}");
                assert_eq!(contours.len(), leads.len(), "{told}: {contours:?}");
                for (_, way) in &leads {
                    let straight = contours.iter().any(|line| {
                        let (off, long) = off_and_long(line, *way);
                        !line.closed && off < 0.1 && (long - 2000.0 + kerf_um).abs() < 0.6
                    });
                    assert!(straight, "{told}: {contours:?}");
                }
                let lines = findings
                    .iter()
                    .filter(|f| f.code == "single-line" || f.code == "line-much-wider");
                let drawn: Vec<f64> = lines.filter_map(|f| f.measured_um).collect();
                assert_eq!(drawn.len(), leads.len(), "{told}: {drawn:?}");
                for drawn_um in drawn {
                    let near = |w: &f64| (w - drawn_um).abs() < 0.1;
                    assert!(widths_um.iter().any(near), "{told}: told as {drawn_um} um");
                }
            }
        }
    }
}

/// A lead that ends at another: that one goes through, and this one ends on it.
#[test]
fn a_lead_ends_on_the_lead_it_meets() {
    let recipe = recipe(8.0);
    for width_um in [3.0, 6.0, 8.0] {
        for degrees in [30.0f64, 50.0, 90.0, 120.0] {
            let (s, c) = degrees.to_radians().sin_cos();
            let (bar, way) = through_middle(0.0, width_um);
            let stem = format!(
                r#"<path d="M5,5 L{},{}" stroke="black" stroke-width="{}"/>"#,
                5.0 + c,
                5.0 + s,
                width_um * 1e-3
            );
            let (contours, _) = cuts(&format!("{bar}{stem}"), &recipe);
            let told = format!("{width_um} um at {degrees} degrees: {contours:?}");
            assert_eq!(contours.len(), 2, "{told}");
            let through = |l: &&Contour| off_and_long(l, way).0 < 0.1;
            let bar = contours.iter().find(through).expect(&told);
            assert!((off_and_long(bar, way).1 - 1992.0).abs() < 0.6, "{told}");
            let stem = contours.iter().find(|l| !through(l)).expect(&told);
            assert!(off_and_long(stem, [c, s]).0 < 0.1, "{told}");
            let ends = [stem.points[0], stem.points[stem.points.len() - 1]];
            let gap_um = ends.map(|p| (f64::from(p.y) * 1e-3 - 5e3).abs());
            assert!(gap_um[0].min(gap_um[1]) < 0.1, "{told}");
        }
    }
}

/// A lead as wide as the kerf that bends: one line with the corner it was drawn with, and no slug.
#[test]
fn a_bent_lead_keeps_its_corners() {
    let recipe = recipe(8.0);
    for width_um in [4.0, 6.0, 8.0] {
        let body = format!(
            r#"<path d="M2,2 h2 v2 l-1.5,-1" fill="none" stroke="black" stroke-width="{}"/>"#,
            width_um * 1e-3
        );
        let (contours, _) = cuts(&body, &recipe);
        assert_eq!(contours.len(), 1, "{width_um}: {contours:?}");
        for corner in [[4.0, 2.0], [4.0, 4.0]] {
            let gap_um = (contours[0].points.iter())
                .map(|p| {
                    let (x, y) = (f64::from(p.x) * 1e-6, f64::from(p.y) * 1e-6);
                    (x - corner[0]).hypot(y - corner[1]) * 1e3
                })
                .fold(f64::MAX, f64::min);
            assert!(gap_um < 0.1, "{width_um}: {gap_um} um from {corner:?}");
        }
    }
}
