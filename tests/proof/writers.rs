//! The extra writers: DXF, CSV, HPGL, arcs.

use super::fixture::demo;
use foilwright::job::arcs::{Piece, fit};
use foilwright::job::{WriteError, writer};

// Two general-purpose parser crates (gcode 0.7, g-code 0.6) read what we write.
#[test]
fn other_parsers_read_our_rs274() {
    let mut numbered = demo();
    numbered.recipe.rs274.line_numbers = true;
    numbered.recipe.passes.count = 2;
    for f in [demo(), numbered] {
        let text = f.text();
        let file = g_code::parse::file_parser(&text).unwrap_or_else(|e| panic!("g-code: {e}"));
        assert_eq!(file.iter().count(), text.lines().count());
        let program = gcode::parse(&text).unwrap_or_else(|e| panic!("gcode: {e:?}"));
        assert!(program.blocks.len() > 100);
    }
}

// DXF R12 as the public reference describes it (AutoCAD R12 DXF reference, from memory): group codes and
// values on lines in turn, ASCII, POLYLINE ... VERTEX ... SEQEND, EOF last.
#[test]
fn dxf_has_the_structure_of_r12() {
    let mut f = demo();
    f.recipe.passes.count = 2;
    let text = String::from_utf8(f.file("dxf").1).unwrap();
    assert!(text.is_ascii());
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len() % 2, 0);
    let pairs: Vec<(u16, &str)> = lines
        .chunks(2)
        .map(|c| (c[0].parse().unwrap(), c[1]))
        .collect();
    assert_eq!(pairs.last(), Some(&(0, "EOF")));
    let count = |v: &str| pairs.iter().filter(|p| **p == (0, v)).count();
    let plan = f.plan();
    let cuts = plan
        .steps
        .iter()
        .filter(|s| matches!(s, foilwright::job::Step::Cut { .. }))
        .count();
    assert_eq!(count("POLYLINE"), cuts + 4);
    assert_eq!(count("SEQEND"), cuts + 4);
    assert!(pairs.contains(&(8, "OPENING_PASS1")) && pairs.contains(&(8, "OPENING_PASS2")));
    assert!(
        pairs
            .iter()
            .any(|p| p.0 == 999 && p.1.contains("millimetres"))
    );
    // Every layer used is in the table.
    for (_, name) in pairs.iter().filter(|p| p.0 == 8) {
        assert!(pairs.contains(&(2, name)), "{name}");
    }
    // Coordinates to 1e-6 mm.
    let job = f.read("a.dxf", text.as_bytes());
    for (burn, planned) in job.motion.burns.iter().zip(&plan.motion().burns) {
        assert_eq!(burn.points.len(), planned.points.len());
        for (p, q) in burn.points.iter().zip(&planned.points) {
            assert!((p[0] - q[0]).abs() <= 1e-6 && (p[1] - q[1]).abs() <= 1e-6);
        }
    }
}

#[test]
fn csv_has_a_row_for_every_point() {
    let f = demo();
    let text = String::from_utf8(f.file("csv").1).unwrap();
    let points: usize = f.plan().motion().burns.iter().map(|b| b.points.len()).sum();
    assert_eq!(text.lines().count(), points + 1);
    assert!(text.starts_with("cut,path,pass,kind,pause_before_s,speed_mm_s,x_mm,y_mm\n"));
}

// HPGL: one plotter unit is 0.025 mm by the language's reference.
#[test]
fn hpgl_refuses_steps_as_coarse_as_the_foil() {
    let mut f = demo();
    let hpgl = writer("hpgl").unwrap();
    let plan = f.plan();
    let Err(WriteError::Refused(why)) = hpgl.write(&plan, &f.recipe) else {
        panic!("written at 25 um");
    };
    assert!(
        why.contains("up to 12.5 um") && why.contains("[hpgl] unit_um to at most 1"),
        "{why}"
    );
    f.recipe.hpgl.unit_um = 1.0;
    let text = String::from_utf8(hpgl.write(&plan, &f.recipe).unwrap()).unwrap();
    // Every pen-down place is a plan point within half a unit.
    let points: Vec<[f64; 2]> = plan
        .motion()
        .burns
        .iter()
        .flat_map(|b| b.points.clone())
        .collect();
    let mut seen = 0;
    for word in text.split(['\n', ';']).filter(|w| w.starts_with("PD")) {
        let (x, y) = word[2..].split_once(',').unwrap();
        let p = [
            x.parse::<f64>().unwrap() * 1e-3 + plan.sheet_mm[0],
            y.parse::<f64>().unwrap() * 1e-3 + plan.sheet_mm[1],
        ];
        if seen % 50 == 0 {
            assert!(
                points
                    .iter()
                    .any(|q| (q[0] - p[0]).abs() < 5.1e-4 && (q[1] - p[1]).abs() < 5.1e-4),
                "{word}"
            );
        }
        seen += 1;
    }
    assert_eq!(seen + plan.motion().burns.len(), points.len());
}

#[test]
fn arcs_stay_within_the_tolerance() {
    let circle = |n: usize, r: f64, turn: f64| -> Vec<[f64; 2]> {
        (0..=n)
            .map(|i| {
                let a = turn * i as f64 / n as f64;
                [3.0 + r * a.cos(), -2.0 + r * a.sin()]
            })
            .collect()
    };
    // Sagitta of the chords: r (1 - cos(pi / n)).
    let full = circle(256, 0.7, std::f64::consts::TAU);
    let pieces = fit(&full, 1e-4);
    assert!(pieces.len() <= 4, "{pieces:?}");
    for piece in &pieces {
        let Piece::Arc {
            centre, clockwise, ..
        } = piece
        else {
            panic!("a line: {piece:?}");
        };
        assert!(!clockwise);
        assert!((centre[0] - 3.0).abs() < 1e-9 && (centre[1] + 2.0).abs() < 1e-9);
    }
    let back: Vec<[f64; 2]> = full.iter().rev().copied().collect();
    assert!(fit(&back, 1e-4).iter().all(|p| matches!(
        p,
        Piece::Arc {
            clockwise: true,
            ..
        }
    )));
    // Chords coarser than the tolerance, corners and lines stay what they are.
    assert!(
        fit(&circle(16, 0.7, 6.0), 1e-4)
            .iter()
            .all(|p| matches!(p, Piece::Line { .. }))
    );
    let square = [
        [0.0, 0.0],
        [1.0, 0.0],
        [1.0, 1.0],
        [0.0, 1.0],
        [0.0, 0.0],
        [1.0, 0.0],
        [2.0, 0.0],
    ];
    assert!(
        fit(&square, 1e-4)
            .iter()
            .all(|p| matches!(p, Piece::Line { .. }))
    );
    assert_eq!(fit(&square, 1e-4).len(), 6);
    assert_eq!(fit(&[], 1e-4), []);
    // The ends are always met.
    assert_eq!(pieces.last().unwrap().to(), *full.last().unwrap());
}

// resvg 0.49 draws the file; a pixel is dark where its middle is swept by the beam, a pixel's width of the
// edge aside.
#[test]
fn the_svg_shows_what_the_beam_sweeps() {
    let f = demo();
    let plan = f.plan();
    let (_, bytes) = f.file("svg");
    let tree = resvg::usvg::Tree::from_data(&bytes, &resvg::usvg::Options::default()).unwrap();
    assert_eq!(tree.size().width(), (10.0 / 25.4 * 96.0) as f32);
    // A window of 1.2 x 0.9 mm at 1 um per pixel, over the ends of two squares and the disc.
    let (left, top, w, h) = (6.2, 1.6, 1200, 1300);
    let mut map = resvg::tiny_skia::Pixmap::new(w, h).unwrap();
    map.fill(resvg::tiny_skia::Color::WHITE);
    let px_per_unit = 1000.0 * 25.4 / 96.0;
    let view = resvg::tiny_skia::Transform::from_row(
        px_per_unit,
        0.0,
        0.0,
        px_per_unit,
        -(left * 1000.0) as f32,
        -(top * 1000.0) as f32,
    );
    resvg::render(&tree, view, &mut map.as_mut());
    let (r, ways): (f64, Vec<Vec<[f64; 2]>>) = (
        plan.settings.kerf_um / 2.0,
        plan.motion()
            .burns
            .iter()
            .map(|b| {
                b.points
                    .iter()
                    .map(|p| [p[0] - plan.sheet_mm[0], plan.sheet_mm[3] - p[1]].map(|v| v * 1e3))
                    .collect()
            })
            .collect(),
    );
    let (mut dark, mut light) = (0, 0);
    for j in (0..h).step_by(5) {
        for i in 0..w {
            let p = [
                left * 1e3 + f64::from(i) + 0.5,
                top * 1e3 + f64::from(j) + 0.5,
            ];
            let d = ways
                .iter()
                .flat_map(|way| way.windows(2))
                .map(|s| from_segment(p, s[0], s[1]))
                .fold(f64::INFINITY, f64::min);
            if (d - r).abs() < 1.0 {
                continue;
            }
            let shown = map.pixel(i, j).unwrap().red() < 128;
            assert_eq!(shown, d < r, "pixel {i}, {j}: {d} um from the way");
            *(if shown { &mut dark } else { &mut light }) += 1;
        }
    }
    assert!(dark > 1000 && light > 100_000, "{dark} {light}");
}

fn from_segment(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let d = [b[0] - a[0], b[1] - a[1]];
    let l2 = d[0] * d[0] + d[1] * d[1];
    let t = if l2 > 0.0 {
        (((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / l2).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p[0] - a[0] - t * d[0]).hypot(p[1] - a[1] - t * d[1])
}

proptest::proptest! {
    /// Numbers are written as the standard library rounds them, without a minus before zero.
    #[test]
    fn fixed_numbers_are_rounded_exactly(whole in -2_000_000_000i64..2_000_000_000, scale in 0i32..12, places in 0usize..8) {
        let value = whole as f64 / 10f64.powi(scale);
        let mut got = String::new();
        foilwright::units::push_fixed(&mut got, value, places);
        let want = format!("{value:.places$}");
        let zero = want.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
        proptest::prop_assert_eq!(got, if zero { want.replace('-', "") } else { want });
    }
}

#[test]
fn fixed_numbers_at_ties_and_beyond() {
    for value in [
        0.5,
        1.5,
        2.5,
        0.125,
        -0.125,
        0.00005,
        -0.00005,
        1e6,
        123_456_789.123_456,
        -0.0,
        0.0,
        f64::NAN,
    ] {
        for places in 0..8 {
            let mut got = String::new();
            foilwright::units::push_fixed(&mut got, value, places);
            let want = format!("{value:.places$}");
            let zero = want.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
            assert_eq!(
                got,
                if zero { want.replace('-', "") } else { want },
                "{value} {places}"
            );
        }
    }
}
