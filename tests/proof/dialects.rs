//! Dialects of RS-274: every option, alone and together, written, read back and proved, and read by others.

use super::fixture::{Fixture, demo};
use foilwright::job::{Plan, Step, WriteError, writer};
use foilwright::proof::{Dialect, apart_um, prove, read};
use foilwright::recipe::{CommentStyle, DwellUnit, Recipe, Rs274};

fn with_pause() -> (Fixture, Plan) {
    let f = demo();
    let mut plan = f.plan();
    let pause = Step::Dwell {
        seconds: 0.25,
        reason: "the foil cools".into(),
    };
    plan.steps.insert(2, pause);
    (f, plan)
}

fn text(plan: &Plan, recipe: &Recipe) -> String {
    String::from_utf8(writer("rs274").unwrap().write(plan, recipe).unwrap()).unwrap()
}

type Change = fn(&mut Rs274);

const CHANGES: [(&str, Change); 13] = [
    ("plain", |_| {}),
    ("ms", |d| d.dwell_unit = DwellUnit::Milliseconds),
    ("semicolon", |d| d.comment_style = CommentStyle::Semicolon),
    ("no comments", |d| d.comment_style = CommentStyle::None),
    ("percent", |d| d.percent_lines = true),
    ("numbers", |d| d.line_numbers = true),
    ("decimals", |d| d.decimals = 7),
    ("scale", |d| d.power_full_scale = 255.0),
    ("dynamic power", |d| d.beam_on = "M4".into()),
    ("own words", |d| {
        d.beam_on = "M62 P0".into();
        d.beam_off = "M63 P0".into();
    }),
    ("short lines", |d| d.max_line = 40),
    ("own lines", |d| {
        d.header = vec!["G64".into(), "G54 (fixture one)".into()];
        d.footer = vec!["G0 X0 Y0".into()];
    }),
    ("arcs", |d| d.arcs = true),
];

#[test]
fn every_option_is_read_back_alike() {
    let (f, plan) = with_pause();
    let plain = read(
        "a.nc",
        text(&plan, &f.recipe).as_bytes(),
        &Dialect::from_recipe(&f.recipe),
    )
    .unwrap();
    let pauses: f64 = plain.motion.dwells.iter().map(|d| d.1).sum();
    assert!((pauses - 0.25).abs() < 1e-12);
    // One by one, and each with its neighbour.
    for (i, (name, change)) in CHANGES.iter().enumerate() {
        for (other, also) in [
            CHANGES[0],
            CHANGES[(i + 1) % CHANGES.len()],
            CHANGES[(i + 5) % CHANGES.len()],
        ] {
            let mut recipe = f.recipe.clone();
            change(&mut recipe.rs274);
            also(&mut recipe.rs274);
            let text = text(&plan, &recipe);
            let job = read("a.nc", text.as_bytes(), &Dialect::from_recipe(&recipe)).unwrap();
            let verdict = prove(&job, &f.layer(), f.sheet_mm, &recipe);
            assert_eq!(verdict.findings, [], "{name}, {other}");
            let pauses: f64 = job.motion.dwells.iter().map(|d| d.1).sum();
            assert!((pauses - 0.25).abs() < 1e-12, "{name}, {other}: {pauses}");
            assert!(
                (job.motion.burns[0].power_w - 5.0).abs() < 0.02,
                "{name}, {other}"
            );
            if !recipe.rs274.arcs {
                assert!(apart_um(&plain, &job).unwrap() < 0.08, "{name}, {other}");
            }
            for (n, line) in text.lines().enumerate() {
                assert!(
                    line.len() <= recipe.rs274.max_line as usize,
                    "{name}: line {n}: {line}"
                );
            }
            others_read(&text, &format!("{name}, {other}"));
        }
    }
}

// Two general-purpose parser crates: gcode 0.7 and g-code 0.6.
fn others_read(text: &str, name: &str) {
    // g-code wants the closing % at the very end, without the line end that the standard has there.
    let file = g_code::parse::file_parser(text.trim_end())
        .unwrap_or_else(|e| panic!("{name}: g-code: {e}"));
    assert!(file.iter().count() > 100, "{name}");
    let program = gcode::parse(text).unwrap_or_else(|e| panic!("{name}: gcode: {e:?}"));
    assert!(program.blocks.len() > 100, "{name}");
}

#[test]
fn what_the_options_write() {
    let (f, plan) = with_pause();
    let with = |change: Change| {
        let mut recipe = f.recipe.clone();
        change(&mut recipe.rs274);
        text(&plan, &recipe)
    };
    let plain = with(|_| {});
    assert!(plain.contains("\nG4 P0.25\n") && plain.starts_with("(foilwright job"));
    assert!(!plain.contains('%') && !plain.contains(';') && plain.ends_with("M5\nM2\n"));
    assert!(with(|d| d.dwell_unit = DwellUnit::Milliseconds).contains("\nG4 P250\n"));
    let silent = with(|d| d.comment_style = CommentStyle::None);
    assert!(silent.starts_with("G21\nG90\n") && !silent.contains(['(', ';']));
    let semicolon = with(|d| d.comment_style = CommentStyle::Semicolon);
    assert!(semicolon.starts_with("; foilwright") && !semicolon.contains('('));
    let percent = with(|d| d.percent_lines = true);
    assert!(percent.starts_with("%\n") && percent.ends_with("M2\n%\n"));
    let numbers = with(|d| d.line_numbers = true);
    assert!(numbers.contains("\nN1 G21\nN2 G90\n"));
    let scale = with(|d| d.power_full_scale = 255.0);
    assert!(scale.contains("\nS63.75\n"), "a quarter of 255");
    let own = with(|d| d.header = vec!["G64".into()]);
    assert!(own.contains("\nM5\nG64\n"), "after the beam is off");
    // Digits after the point of every coordinate.
    for (decimals, text) in [(4, plain), (7, with(|d| d.decimals = 7))] {
        for word in text
            .lines()
            .filter(|l| l.starts_with('G'))
            .flat_map(|l| l.split(' '))
        {
            if let Some(number) = word.strip_prefix(['X', 'Y']) {
                assert_eq!(
                    number.split('.').nth(1).map(str::len),
                    Some(decimals),
                    "{word}"
                );
            }
        }
    }
}

#[test]
fn own_lines_may_not_turn_the_beam_on_or_end_the_job() {
    let (f, plan) = with_pause();
    let refused = |line: &str, on: &str| {
        let mut recipe = f.recipe.clone();
        recipe.rs274.beam_on = on.to_owned();
        recipe.rs274.footer = vec![line.to_owned()];
        match writer("rs274").unwrap().write(&plan, &recipe) {
            Err(WriteError::Refused(why)) => {
                assert!(why.contains("header or footer line"), "{why}");
                true
            }
            Ok(_) => false,
        }
    };
    for line in [
        "M3",
        "m3",
        "M 3",
        "M03",
        "m 0 3",
        "M4",
        "G1 X1 M3",
        "G1 X1M3S9",
        "S500 M3",
        "(a) M3",
        "M3 (a)",
        "M2",
        "M30",
        "%",
        "G1 X1\nM3",
        "N5 M3",
        "M3.0",
        "M003",
        "M+3",
        "#1=3",
        "M[3]",
        "$H",
    ] {
        assert!(refused(line, "M3"), "{line} was let through");
    }
    assert!(refused("M62 P0", "M62 P0") && refused("g1 x1 m62p0", "M62 P0"));
    for line in [
        "G64",
        "(M3 is not run here)",
        "; M3",
        "G0 X0 Y0",
        "M48",
        "G4 P1",
        "G54",
    ] {
        assert!(!refused(line, "M3"), "{line} was refused");
    }
}

#[test]
fn arcs_shrink_the_file_and_keep_to_the_standards_radius_rule() {
    let mut f = demo();
    let straight = f.text();
    f.recipe.rs274.arcs = true;
    let arcs = f.text();
    let count = |text: &str, word: &str| text.lines().filter(|l| l.starts_with(word)).count();
    assert!(count(&arcs, "G2 ") + count(&arcs, "G3 ") >= 6);
    assert!(
        arcs.len() < straight.len() / 2,
        "{} {}",
        arcs.len(),
        straight.len()
    );
    let verdict = f.prove_text(&arcs);
    assert_eq!(verdict.findings, []);
    assert!(
        verdict.as_cut.edge_error_max_um < 0.4,
        "{:?}",
        verdict.as_cut
    );
    // NIST IR 6556, 3.5.3.2: radii at start and end may differ by 0.002 mm; here as the words are written.
    let mut at = [0.0, 0.0];
    for line in arcs.lines().filter(|l| l.starts_with('G')) {
        let word = |letter: char| {
            line.split(' ')
                .find_map(|w| w.strip_prefix(letter)?.parse::<f64>().ok())
        };
        let end = [word('X').unwrap_or(at[0]), word('Y').unwrap_or(at[1])];
        if let (Some(i), Some(j)) = (word('I'), word('J')) {
            let centre = [at[0] + i, at[1] + j];
            let r = |p: [f64; 2]| ((p[0] - centre[0]).powi(2) + (p[1] - centre[1]).powi(2)).sqrt();
            assert!((r(at) - r(end)).abs() < 0.002, "{line}");
            assert!(r(at) > 0.0 && at != end, "{line}");
        }
        at = end;
    }
    // Different measured scales make ellipses of circles on the foil: still within the limit.
    f.recipe.scan.scale_x = 1.02;
    let verdict = f.prove_text(&f.text());
    assert_eq!(verdict.findings, []);
}
