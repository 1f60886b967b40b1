//! Kerf compensation: closed forms, splitting, single lines, run-in, the rule that nothing is lost.

use foilwright::kerf::{CutKind, compensate, lay};
use foilwright::recipe::Recipe;
use foilwright::regions::{FillRule, Point, Regions, normalise, ring_area_nm2, ring_perimeter_nm};
use proptest::prelude::*;
use std::f64::consts::PI;

fn recipe(kerf_um: f64) -> Recipe {
    let mut r = Recipe::load("steel-25um").unwrap();
    r.kerf.width_um = kerf_um;
    r
}

fn region(rings: &[&[[f64; 2]]]) -> Regions {
    let rings: Vec<Vec<Point>> = rings
        .iter()
        .map(|r| {
            r.iter()
                .map(|p| Point::new((p[0] * 1e3) as i32, (p[1] * 1e3) as i32))
                .collect()
        })
        .collect();
    normalise(&rings, FillRule::EvenOdd)
}

/// Corners in micrometres.
fn rectangle(x: f64, y: f64, w: f64, h: f64) -> [[f64; 2]; 4] {
    [[x, y], [x + w, y], [x + w, y + h], [x, y + h]]
}

fn circle(cx: f64, cy: f64, r: f64, n: usize) -> Vec<[f64; 2]> {
    (0..n)
        .map(|i| {
            let a = 2.0 * PI * i as f64 / n as f64;
            [cx + r * a.cos(), cy + r * a.sin()]
        })
        .collect()
}

#[test]
fn a_square_opening_keeps_its_shape_less_the_kerf() {
    let cuts = compensate(
        &region(&[&rectangle(0.0, 0.0, 1000.0, 1000.0)]),
        &recipe(8.0),
    )
    .value;
    assert_eq!(cuts.len(), 1);
    // Side 1000 um less 4 um on each side.
    assert!((ring_area_nm2(&cuts[0].points) / 1e6 - 992.0 * 992.0).abs() < 1.0);
    assert!((ring_perimeter_nm(&cuts[0].points) / 1e3 - 4.0 * 992.0).abs() < 0.01);
}

#[test]
fn a_circle_loses_half_the_kerf_of_its_radius() {
    let n = 2000;
    let cuts = compensate(&region(&[&circle(0.0, 0.0, 500.0, n)]), &recipe(8.0)).value;
    let polygon = |r: f64| 0.5 * n as f64 * r * r * (2.0 * PI / n as f64).sin();
    // The inset of a regular polygon is the polygon with the apothem less 4 um.
    let apothem = 500.0 * (PI / n as f64).cos();
    let expected = polygon((apothem - 4.0) / (PI / n as f64).cos());
    let got = ring_area_nm2(&cuts[0].points) / 1e6;
    // Beside 1e-6 only what the 1 nm grid can do: half a grid step along the whole path.
    let grid = 0.5e-3 * ring_perimeter_nm(&cuts[0].points) / 1e3;
    assert!(
        (got - expected).abs() < 1e-6 * expected + grid,
        "{got} against {expected}"
    );
}

#[test]
fn a_dumbbell_splits_and_its_neck_becomes_one_line() {
    // Two squares of 400 um joined by a neck 5 um wide and 300 um long; kerf 8 um.
    let dumbbell = region(&[&[
        [0.0, 0.0],
        [400.0, 0.0],
        [400.0, 197.5],
        [700.0, 197.5],
        [700.0, 0.0],
        [1100.0, 0.0],
        [1100.0, 400.0],
        [700.0, 400.0],
        [700.0, 202.5],
        [400.0, 202.5],
        [400.0, 400.0],
        [0.0, 400.0],
    ]]);
    let checked = compensate(&dumbbell, &recipe(8.0));
    let outlines = checked
        .value
        .iter()
        .filter(|c| c.kind == CutKind::Opening)
        .count();
    let lines: Vec<_> = checked
        .value
        .iter()
        .filter(|c| c.kind == CutKind::Line)
        .collect();
    assert_eq!((outlines, lines.len()), (2, 1), "{:?}", checked.value);
    let xs: Vec<i32> = lines[0].points.iter().map(|p| p.x).collect();
    let (lo, hi) = (xs.iter().min().unwrap(), xs.iter().max().unwrap());
    // It meets the outlines on both sides: they lie 4 um inside the squares.
    assert!(*lo <= 400_000 && *hi >= 700_000, "{lo} {hi}");
    assert!(lines[0].points.iter().all(|p| (p.y - 200_000).abs() < 50));
    let note = checked
        .findings
        .iter()
        .find(|f| f.code == "single-line")
        .unwrap();
    assert!((note.measured_um.unwrap() - 5.0).abs() < 0.1, "{note:?}");
}

#[test]
fn a_slit_no_wider_than_the_kerf_is_cut_to_its_drawn_length() {
    for (width, code) in [(6.0, "single-line"), (3.0, "line-much-wider")] {
        let checked = compensate(
            &region(&[&rectangle(0.0, 0.0, 1000.0, width)]),
            &recipe(8.0),
        );
        assert_eq!(checked.value.len(), 1, "{width}");
        let line = &checked.value[0];
        assert_eq!((line.kind, line.closed), (CutKind::Line, false));
        let ends = (line.points[0], line.points[line.points.len() - 1]);
        let (lo, hi) = (ends.0.x.min(ends.1.x), ends.0.x.max(ends.1.x));
        // Free ends are pulled in by half the kerf.
        assert!(
            (lo - 4_000).abs() < 50 && (hi - 996_000).abs() < 50,
            "{lo} {hi}"
        );
        assert!(
            checked.findings.iter().any(|f| f.code == code),
            "{:?}",
            checked.findings
        );
    }
}

#[test]
fn crossing_slits_become_lines_that_meet() {
    let cross = {
        let rings: Vec<Vec<Point>> = [
            rectangle(0.0, 497.0, 1000.0, 6.0),
            rectangle(497.0, 0.0, 6.0, 1000.0),
        ]
        .iter()
        .map(|r| {
            r.iter()
                .map(|p| Point::new((p[0] * 1e3) as i32, (p[1] * 1e3) as i32))
                .collect()
        })
        .collect();
        normalise(&rings, FillRule::NonZero)
    };
    let cuts = compensate(&cross, &recipe(8.0)).value;
    let lines: Vec<_> = cuts.iter().filter(|c| c.kind == CutKind::Line).collect();
    let length: f64 = lines
        .iter()
        .flat_map(|l| l.points.windows(2))
        .map(|w| foilwright::regions::distance_nm(w[0], w[1]) / 1e3)
        .sum();
    assert!((length - 2.0 * 992.0).abs() < 20.0, "{length}: {lines:?}");
}

#[test]
fn corners_and_pinches_of_wide_openings_get_no_line() {
    // Corners cut off at 3 to 7 um, where the beam does not fit either.
    for cut in [2.0, 3.0, 5.0] {
        let blunt = region(&[&[
            [0.0, 0.0],
            [400.0, 0.0],
            [400.0, 400.0 - cut],
            [400.0 - cut, 400.0],
            [0.0, 400.0],
        ]]);
        let cuts = compensate(&blunt, &recipe(8.0)).value;
        assert!(cuts.iter().all(|c| c.kind == CutKind::Opening), "{cut}");
    }
    // Two squares that meet in a point, over a throat of 20 nm.
    let throat = region(&[&[
        [0.0, 0.0],
        [400.0, 0.0],
        [400.0, 399.98],
        [800.0, 400.0],
        [800.0, 800.0],
        [400.0, 800.0],
        [400.0, 400.0],
        [0.0, 400.0],
    ]]);
    let cuts = compensate(&throat, &recipe(8.0)).value;
    assert!(
        cuts.iter().all(|c| c.kind == CutKind::Opening),
        "{:?}",
        cuts.iter().map(|c| c.kind).collect::<Vec<_>>()
    );
    assert_eq!(cuts.len(), 2);
}

#[test]
fn the_centre_line_of_a_round_slit_is_its_mean_circle() {
    // Circles of 497 and 503 um: the points halfway between them lie 500 um from the centre.
    let slit = region(&[
        &circle(600.0, 600.0, 503.0, 720),
        &circle(600.0, 600.0, 497.0, 720),
    ]);
    let cuts = compensate(&slit, &recipe(8.0)).value;
    assert_eq!(cuts.len(), 1);
    assert!(cuts[0].closed && cuts[0].kind == CutKind::Line);
    for p in &cuts[0].points {
        let r = (f64::from(p.x) / 1e3 - 600.0).hypot(f64::from(p.y) / 1e3 - 600.0);
        assert!((r - 500.0).abs() < 0.02, "{r}");
    }
}

#[test]
fn a_thin_wedge_on_its_own_is_a_line() {
    let wedge = region(&[&[[0.0, 0.0], [200.0, 0.0], [200.0, 3.5]]]);
    let checked = compensate(&wedge, &recipe(8.0));
    assert_eq!(checked.value.len(), 1, "{:?}", checked.value);
    let xs: Vec<i32> = checked.value[0].points.iter().map(|p| p.x).collect();
    let (lo, hi) = (xs.iter().min().unwrap(), xs.iter().max().unwrap());
    assert!(*lo < 60_000 && (190_000..197_000).contains(hi), "{lo} {hi}");
    assert!(checked.findings.iter().any(|f| f.code == "line-much-wider"));
}

#[test]
fn long_tips_of_convex_openings_are_cut() {
    // A triangle with a tip of 2 degrees, and an ellipse 10 um wide and 2 mm long.
    let tip = region(&[&[[0.0, 0.0], [1000.0, -17.5], [1000.0, 17.5]]]);
    let ellipse: Vec<[f64; 2]> = circle(0.0, 0.0, 1.0, 720)
        .iter()
        .map(|p| [1000.0 * p[0], 5.0 * p[1]])
        .collect();
    for (drawn, tips) in [(tip, 1), (region(&[&ellipse]), 2)] {
        let cuts = compensate(&drawn, &recipe(8.0)).value;
        let lines = cuts.iter().filter(|c| c.kind == CutKind::Line).count();
        assert_eq!(lines, tips);
    }
}

#[test]
fn centre_lines_are_the_same_in_every_run() {
    // Edges a few nanometres apart beside a slit.
    let drawn = region(&[
        &rectangle(0.0, 0.0, 300.0, 300.0),
        &rectangle(300.0, 100.0, 200.0, 6.0),
        &[[300.002, 106.0], [300.003, 106.001], [300.001, 106.002]],
        &[[300.003, 106.001], [300.004, 106.003], [300.005, 106.003]],
    ]);
    let first = compensate(&drawn, &recipe(8.0)).value;
    assert!(first.iter().any(|c| c.kind == CutKind::Line));
    for _ in 0..30 {
        assert_eq!(compensate(&drawn, &recipe(8.0)).value, first);
    }
}

#[test]
fn tiny_openings_are_cut_or_reported() {
    for (side, code, cuts) in [(5.0, "dot-cut", 1), (0.5, "sliver-left-out", 0)] {
        let checked = compensate(&region(&[&rectangle(10.0, 10.0, side, side)]), &recipe(8.0));
        assert_eq!(checked.value.len(), cuts, "{side}: {:?}", checked.value);
        assert!(
            checked.findings.iter().any(|f| f.code == code),
            "{side}: {:?}",
            checked.findings
        );
    }
}

#[test]
fn small_slugs_are_cleared_whole() {
    // 30 um square: the slug of 22 um vanishes under erosion by 12 um (half of three kerfs).
    let cuts = compensate(&region(&[&rectangle(0.0, 0.0, 30.0, 30.0)]), &recipe(8.0)).value;
    assert!(cuts.iter().any(|c| c.kind == CutKind::Clear));
    // Each stroke is enclosed by the one before, so that they are cut from the inside out.
    for (i, c) in cuts.iter().enumerate().skip(1) {
        assert_eq!((c.kind, c.parent), (CutKind::Clear, Some(i as u32 - 1)));
    }
    let cuts = compensate(&region(&[&rectangle(0.0, 0.0, 100.0, 100.0)]), &recipe(8.0)).value;
    assert!(cuts.iter().all(|c| c.kind == CutKind::Opening));
}

#[test]
fn closed_cuts_start_and_end_inside_the_slug() {
    let r = recipe(8.0);
    let cuts = compensate(&region(&[&rectangle(0.0, 0.0, 500.0, 300.0)]), &r).value;
    for start in 0..4 {
        for reversed in [false, true] {
            let path = lay(&cuts[0], start, reversed, &[], &r);
            let inside =
                |p: [f64; 2]| p[0] > 0.0041 && p[0] < 0.4959 && p[1] > 0.0041 && p[1] < 0.2959;
            assert!(inside(path.points[0]), "{:?}", path.points[0]);
            assert!(inside(path.points[path.points.len() - 1]));
            assert!((path.run_in_mm * 1e3 - r.run_in_um()).abs() < 0.01);
            let around = 2.0 * (0.492 + 0.292);
            let extra = path.length_mm() - around - path.run_in_mm;
            // Overlap plus the run-out of one kerf.
            assert!((extra * 1e3 - r.run_in_um() - 8.0).abs() < 0.1, "{extra}");
        }
    }
}

proptest! {
    /// Inset of convex polygons: A - P r + r^2 sum(cot(theta_i / 2)) while no edge vanishes
    /// (elementary geometry: each inner angle takes a kite of r^2 cot(theta/2) off twice).
    #[test]
    fn convex_polygons_follow_the_closed_form(n in 3usize..9, r in 300.0f64..900.0, turn in 0.0f64..1.0, k in 2.0f64..20.0) {
        let ring: Vec<[f64; 2]> = (0..n).map(|i| {
            let a = turn + 2.0 * PI * i as f64 / n as f64;
            [1000.0 + r * a.cos(), 1000.0 + 0.7 * r * a.sin()]
        }).collect();
        let drawn = region(&[&ring]);
        let points = drawn.shape(0).outer();
        let m = points.len();
        let mut cot = 0.0;
        for i in 0..m {
            let p = |j: usize| [f64::from(points[j % m].x), f64::from(points[j % m].y)];
            let (a, b, c) = (p(i), p(i + 1), p(i + 2));
            let (u, v) = ([a[0] - b[0], a[1] - b[1]], [c[0] - b[0], c[1] - b[1]]);
            let angle = (u[0] * v[1] - u[1] * v[0]).abs().atan2(u[0] * v[0] + u[1] * v[1]);
            cot += 1.0 / (angle / 2.0).tan();
        }
        let half = k * 1e3 / 2.0;
        let expected = drawn.area_nm2() - drawn.perimeter_nm() * half + half * half * cot;
        let mut rec = recipe(k);
        rec.rules.min_slug_um = Some(0.0);
        let cuts = compensate(&drawn, &rec).value;
        prop_assert_eq!(cuts.len(), 1);
        let got = ring_area_nm2(&cuts[0].points);
        let grid = 0.5 * ring_perimeter_nm(&cuts[0].points);
        prop_assert!((got - expected).abs() < 1e-6 * expected + grid, "{} against {}", got, expected);
    }
}
