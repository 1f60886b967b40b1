//! The reader of RS-274 against the standard.

use foilwright::proof::{Dialect, ReadJob, rs274};
use foilwright::recipe::Recipe;
use proptest::prelude::*;

fn dialect() -> Dialect {
    Dialect::from_recipe(&Recipe::load("steel-25um").unwrap())
}

fn read(text: &str) -> ReadJob {
    rs274::read(text, &dialect()).unwrap()
}

fn codes(text: &str) -> Vec<(String, u32)> {
    read(text)
        .faults
        .listed()
        .iter()
        .map(|f| (f.finding.code.clone(), f.line.unwrap()))
        .collect()
}

fn code(name: &str, line: u32) -> Vec<(String, u32)> {
    vec![(name.to_owned(), line)]
}

/// A job without faults whose fifth line and on is `body`.
fn job(body: &str) -> String {
    format!("G21 G90\nS250 F6000\nG0 X7 Y7\nM3\n{body}\nM5\nM2\n")
}

// NIST IR 6556, section 3.5.3.2: from (7,7), `G17 G2 X10 Y16 I3 J4` has its centre at (10,11), radius 5.
#[test]
fn the_standards_centre_format_arc() {
    let job = read(&job("G17 G2 X10 Y16 I3 J4"));
    assert_eq!(job.faults.listed(), []);
    let burn = &job.motion.burns[0];
    assert_eq!(burn.points.last(), Some(&[10.0, 16.0]));
    for p in &burn.points {
        let r = ((p[0] - 10.0).powi(2) + (p[1] - 11.0).powi(2)).sqrt();
        assert!((r - 5.0).abs() < 1e-9);
    }
    // Clockwise from (7, 7) to the top: by way of the left side, x = 5.
    let left = burn.points.iter().map(|p| p[0]).fold(f64::MAX, f64::min);
    assert!((left - 5.0).abs() < 1e-4, "{left}");
    // Angle from atan2(-4,-3) clockwise to 90 degrees: 143.1301 degrees.
    let expected = 5.0 * 143.130_102_354_f64.to_radians();
    assert!(
        (burn.length_mm() - expected).abs() < 1e-4,
        "{}",
        burn.length_mm()
    );
}

// NIST IR 6556, section 3.5.3.1: `G17 G2 X10 Y15 R20` is a clockwise arc of radius 20 that ends at (10,15);
// a positive R makes it no more than half a turn, a negative R more than half.
#[test]
fn the_standards_radius_format_arc() {
    for (r, longer) in [(20.0, false), (-20.0, true)] {
        let job = read(&job(&format!("G17 G2 X10 Y15 R{r}")));
        assert_eq!(job.faults.listed(), []);
        let burn = &job.motion.burns[0];
        assert_eq!(burn.points.last(), Some(&[10.0, 15.0]));
        let chord = (3f64.powi(2) + 8f64.powi(2)).sqrt();
        let short = 20.0 * 2.0 * (chord / 40.0).asin();
        let expected = if longer {
            std::f64::consts::TAU * 20.0 - short
        } else {
            short
        };
        assert!(
            (burn.length_mm() - expected).abs() < 1e-3,
            "{}",
            burn.length_mm()
        );
        // Clockwise: the short arc bulges to the left of the way from start to end.
        let mid = burn.points[burn.points.len() / 2];
        let cross = 3.0 * (mid[1] - 7.0) - 8.0 * (mid[0] - 7.0);
        assert!(cross > 0.0, "{mid:?}");
    }
}

// NIST IR 6556, section 3.5.3: radii may differ by 0.002 mm (0.0002 inch) at most.
#[test]
fn arc_radii_must_agree() {
    assert_eq!(codes(&job("G2 X10 Y16.0019 I3 J4")), []);
    assert_eq!(codes(&job("G2 X10 Y16.0021 I3 J4")), code("arc", 5));
    assert_eq!(codes(&job("G2 X10 Y16")), code("arc", 5));
    assert_eq!(codes(&job("G2 X10 Y16 I3 R5")), code("arc", 5));
    // Section 3.5.3.1: in radius format it is an error when the end point is the current point.
    assert_eq!(codes(&job("G2 X7 Y7 R5")), code("arc", 5));
    // In centre format that is a full turn.
    let full = read(&job("G3 X7 Y7 I3 J4"));
    assert!((full.motion.burns[0].length_mm() - std::f64::consts::TAU * 5.0).abs() < 2e-3);
}

// NIST IR 6556, section 3.8, table 8: S and M3/M5 act before motion; F before units; stop last.
#[test]
fn words_of_a_line_run_in_the_standards_order() {
    // M5 on a motion line acts before the move: nothing is cut.
    let off = read(&job("G1 X8 Y7 M5"));
    assert_eq!(off.motion.burns, []);
    // M3, S and F written after the motion act before it.
    let on = read("G21 G90\nG0 X0 Y0\nG1 X1 Y0 M3 S500 F600\nM5\nM2");
    assert_eq!(on.faults.listed(), []);
    assert_eq!(on.motion.burns.len(), 1);
    assert_eq!(on.motion.burns[0].speed_mm_s, 10.0);
    assert_eq!(on.motion.burns[0].power_w, 10.0);
    // G4 comes before the motion of its line, and the beam is on by then.
    assert_eq!(
        codes("G21 G90\nG0 X0 Y0\nM3 S9\nG1 X1 Y1 F60 G4 P1\nM5\nM2"),
        code("beam-on-dwell", 4)
    );
    // F is in the units of the lines before.
    let inch = read("G21 G90\nG0 X0 Y0\nM3 S9 F60\nG20 G1 X0.1 F120\nM5\nM2");
    assert_eq!(inch.motion.burns[0].speed_mm_s, 2.0);
    assert_eq!(inch.motion.burns[0].points[1], [2.54, 0.0]);
    // Stop comes last: the motion of its line is still run.
    let stop = read("G21 G90\nG0 X0 Y0\nM3 S9 F60\nG1 X1\nM5 M2 G1 X2");
    assert_eq!(stop.motion.burns[0].points.last(), Some(&[1.0, 0.0]));
    assert_eq!(stop.faults.listed(), []);
}

// NIST IR 6556, section 3.4: two G words of one modal group, or two of the M words of one, are an error.
#[test]
fn modal_groups() {
    for line in [
        "G0 G1 X1", "G20 G21", "G90 G91", "M3 M5", "G17 G17", "M2 M30",
    ] {
        assert_eq!(
            codes(&job(line))[0],
            ("modal-conflict".to_owned(), 5),
            "{line}"
        );
    }
    // A mode stays until another of its group comes: X alone goes on cutting.
    let modal = read(&job("G1 X8\nX9\nY8"));
    assert_eq!(modal.motion.burns[0].points.len(), 4);
    assert_eq!(modal.lines[0], [5, 5, 6, 7]);
    // Words of several groups stand together on a line.
    assert_eq!(codes(&job("G17 G21 G90 G94 G1 X8 M48")), []);
}

// NIST IR 6556, section 3.5.4: `G4 P` dwells P seconds; a negative P is an error.
#[test]
fn dwell() {
    let text = "G21 G90\nG4 P0.25\nM2";
    assert_eq!(read(text).motion.dwells, [(0.0, 0.25)]);
    let ms = Dialect {
        dwell_unit_s: 1e-3,
        ..dialect()
    };
    assert_eq!(
        rs274::read(text, &ms).unwrap().motion.dwells,
        [(0.0, 0.25e-3)]
    );
    assert_eq!(codes("G4 P-1\nM2"), code("dwell-negative", 1));
    assert_eq!(codes("G4\nM2"), code("dwell-missing", 1));
}

// NIST IR 6556, section 3.3.1 and 3.3.2: case and spaces do not matter outside comments, spaces not even
// inside numbers: `g0x +0. 12 34y 7` is `g0 x+0.1234 y7`.
#[test]
fn spaces_and_case_do_not_matter() {
    let job = read("g21 g90\ng0x +0. 12 34y 7\nm3 s9 f60\ng1x0.5\nm5\nm2");
    assert_eq!(job.faults.listed(), []);
    assert_eq!(job.motion.burns[0].points[0], [0.1234, 7.0]);
}

// NIST IR 6556, section 3.3: lines of 256 characters, comments closed and not nested, N of five digits,
// `%` first needs `%` last, and M2 or M30 where there is none (sections 3.1 and 3.3).
#[test]
fn form_of_a_file() {
    let comment = |n: usize| format!("({})\nM2", "x".repeat(n - 2));
    assert_eq!(codes(&comment(256)), []);
    assert_eq!(codes(&comment(257)), code("line-too-long", 1));
    assert_eq!(codes("(a (b) c)\nM2"), code("comment-nested", 1));
    assert_eq!(codes("(a\nM2"), code("comment-unclosed", 1));
    assert_eq!(codes("N99999 G21\nM2"), []);
    assert_eq!(codes("N100000 G21\nM2"), code("line-number", 1));
    assert_eq!(codes("%\nG21\n%\n"), []);
    assert_eq!(codes("%\nM2\n"), code("truncated", 2));
    assert_eq!(codes("G21\n"), code("truncated", 1));
    assert_eq!(codes("M2\nG21"), code("unreachable", 2));
    assert_eq!(codes("/G21\nM2"), code("block-delete", 1));
    assert_eq!(codes("G21 ; by hand\nM2"), []);
    assert_eq!(codes("X1 X2\nM2"), code("word-repeated", 1));
    assert_eq!(codes("#1=2\nM2"), code("unsupported", 1));
    assert_eq!(codes("G43 H1\nM2"), code("unsupported", 1));
    assert_eq!(codes("G21\nG0\nM2"), code("no-axis", 2));
}

#[test]
fn a_beam_where_none_may_be() {
    assert_eq!(
        codes("G21 G90\nM3 S9\nG0 X1 Y1\nM5\nM2"),
        code("beam-on-jump", 3)
    );
    assert_eq!(
        codes("G21 G90\nM3 S9\nG4 P1\nM5\nM2"),
        code("beam-on-dwell", 3)
    );
    assert_eq!(codes("G21 G90\nM3 S9\nM2"), code("beam-on-end", 3));
    assert_eq!(
        codes("G21 G90\nG0 X0 Y0\nM3 S9\nG1 X1\nM5\nM2"),
        code("feed-missing", 4)
    );
    assert_eq!(codes("G90\nG0 X0 Y0\nM2"), code("units-missing", 2));
    assert_eq!(codes("G21 G90\nG0 X55.1 Y0\nM2"), code("outside-field", 2));
    assert_eq!(codes("G21 G90\nG1 F60 X1 Y1\nM2"), code("start-unknown", 2));
    // From memory: M3 with S0 lights nothing until S rises.
    assert_eq!(codes("G21 G90\nM3 S0\nG0 X1 Y1\nM5\nM2"), []);
}

#[test]
fn comments_name_paths_and_state_the_job() {
    let job = read(
        "(sheet_mm: -5 -5 5 5)\n(kerf_um: 8)\n(laser_side: substrate)\nG21 G90\nF60 S9\n(path 3 pass 2 opening 1)\n\
         G0 X0 Y0\nM3\nG1 X1\nM5\nM2",
    );
    assert_eq!(job.sheet_mm(), Some([-5.0, -5.0, 5.0, 5.0]));
    assert_eq!(job.number("kerf_um"), Some(8.0));
    assert_eq!(job.mirrored(), Some(true));
    let burn = &job.motion.burns[0];
    assert_eq!((burn.path, burn.pass), (3, 2));
}

#[test]
fn measured_scale_is_taken_out_again() {
    let scaled = Dialect {
        scale: [1.25, 0.8],
        ..dialect()
    };
    let job = rs274::read("G21 G90\nF60 S9\nG0 X8 Y10\nM3\nG1 X16\nM5\nM2", &scaled).unwrap();
    assert_eq!(job.motion.burns[0].points, [[10.0, 8.0], [20.0, 8.0]]);
}

proptest! {
    #[test]
    fn no_text_makes_the_reader_panic(text in "\\PC{0,400}") {
        let _ = rs274::read(&text, &dialect());
    }

    #[test]
    fn no_soup_of_words_makes_the_reader_panic(
        tokens in prop::collection::vec(
            prop::sample::select(vec![
                "G0", "G1", "G2", "G3", "G4", "G20", "G21", "G90", "G91", "G93", "G17", "M2", "M3", "M5",
                "X1", "Y-2", "X1e9", "X99999999999999999999999", "I3", "J0", "R-5", "R0", "F", "F0", "F100",
                "S-1", "S9", "P-1", "%", "\n", "\n", "\n", "(", ")", "(path 1 pass 2)", ";", "/", "N1", "#", "-", ".",
                "\u{0}", "\u{fe}", "é",
            ]),
            0..200,
        )
    ) {
        let _ = rs274::read(&tokens.concat(), &dialect());
        let _ = rs274::read(&tokens.join(" "), &dialect());
    }
}

#[test]
fn a_feed_against_the_sense_before_any_unit() {
    let job = read("S250 F-6000\nG21 G90\nG0 X7 Y7\nM3\nG1 X8\nM5\nM2\n");
    let found: Vec<&str> = job.faults.counts().keys().map(String::as_str).collect();
    assert_eq!(found, ["feed-missing", "units-missing"]);
    assert!(job.motion.end_s >= 0.0);
}

// Common practice, no source: a beam at rest burns a pit, and a pause of minutes is a dwell unit mistaken.
#[test]
fn pits_and_pauses_of_minutes_are_told() {
    assert_eq!(codes(&job("G1 X8\nM5\nM3")), code("beam-at-rest", 8));
    assert_eq!(codes(&job("G1 X8\nM5\nG4 P500")), code("dwell-long", 7));
    assert_eq!(codes(&job("G1 X8\nM5\nG4 P50")), []);
}

#[test]
fn units_that_change_between_cuts_are_told() {
    assert_eq!(
        codes(&job("G1 X8\nG20\nG1 X0.4\nM5")),
        code("units-changed", 6)
    );
    assert_eq!(codes(&job("G1 X8\nG21\nG1 X9\nM5")), []);
}
