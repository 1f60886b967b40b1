//! Fine and crowded drawings: each is cut, and its job passes its own proof.

use super::{layer, recipe, run, tied};
use crate::support::dice::Dice;
use foilwright::finding::Severity;
use foilwright::stencil::rules;
use foilwright::stencil::{IslandMode, hold_together};
use std::process::Command;

/// Takes a drawing through the program; its report.
fn cut(name: &str, body: &str) -> foilwright::report::Report {
    let folder = tempfile::tempdir().unwrap();
    let drawing = folder.path().join("dense.svg");
    let svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm" viewBox="0 0 10 10"><g id="l">{body}</g></svg>"#
    );
    std::fs::write(&drawing, svg).unwrap();
    let out = folder.path().join("out");
    let done = Command::new(env!("CARGO_BIN_EXE_foilwright"))
        .args(["cut", "--no-pictures", "--as", "rs274", "--out"])
        .arg(&out)
        .arg(&drawing)
        .output()
        .unwrap();
    let words = String::from_utf8_lossy(&done.stdout);
    let blocking: Vec<&str> = words.lines().filter(|l| l.contains("blocking")).collect();
    assert_eq!(done.status.code(), Some(0), "{name}: {blocking:#?}");
    serde_json::from_slice(&std::fs::read(out.join("dense.report.json")).unwrap()).unwrap()
}

#[test]
fn fine_and_crowded_drawings_are_cut_and_pass_their_proof() {
    let star: String = (0..=63)
        .map(|k| {
            let a = std::f64::consts::TAU * f64::from(k * 4 % 63) / 63.0;
            format!("{:.4},{:.4} ", 5.0 + 4.5 * a.cos(), 5.0 + 4.5 * a.sin())
        })
        .collect();
    let star = |width: f64| {
        format!(r#"<polyline points="{star}" fill="none" stroke="black" stroke-width="{width}"/>"#)
    };
    let (thin, thick) = (star(0.014), star(0.02));
    for (name, body) in [
        (
            "a dot beside an opening",
            r#"<path d="M2 2L4 4L2 6z M4 4L4.0034 3.9966V4.0034z"/>"#,
        ),
        (
            "a sliver of three corners beside an opening",
            r#"<path d="M2 2L4 4L2 6z M4 4L4.0083 4L4.009 4.0006z"/>"#,
        ),
        (
            "an island held to a spike of foil",
            r#"<path fill-rule="evenodd" d="M1 1H9V9H1V5.03L3.2 5L1 4.97z M4 5a1 1 0 1 0 2 0a1 1 0 1 0 -2 0z"/>"#,
        ),
        (
            "a slanting speck of foil in an opening",
            r#"<path fill-rule="evenodd" d="M3 3H7V7H3z M4 4L4.5 4.5L4.486 4.514L3.986 4.014z"/>"#,
        ),
        (
            "specks in rings that are cleared whole",
            r#"<path fill-rule="evenodd" d="M5 5a0.03 0.03 0 1 0 0.06 0a0.03 0.03 0 1 0 -0.06 0zM5.02 5a0.01 0.01 0 1 0 0.02 0a0.01 0.01 0 1 0 -0.02 0z"/>"#,
        ),
        (
            "a small T with strokes as wide as the minimum web",
            r#"<path fill-rule="evenodd" d="M4 4H6V6H4z M4.9 4.9H5.06V4.928H4.994V5.08H4.966V4.928H4.9z"/>"#,
        ),
        ("a star of crossing lines", &thin),
        ("a star whose bars bury specks of foil", &thick),
    ] {
        let report = cut(name, body);
        assert!(report.layers[0].paths > 0, "{name}");
    }
}

#[test]
fn the_end_of_a_tip_narrows_no_neck() {
    // A tongue of foil hangs by a neck of 27 um between a wall and the tip of a wedge: the beam does not reach the
    // last micrometres of the tip, and the neck holds.
    let (s, findings) =
        tied(r#"<path d="M2 2H8V4.054L7.75 4.987L7.5 4.054V2.5H2.5V7.5H7.5V5.014H8V8H2z"/>"#);
    assert!(s.islands.is_empty(), "{findings:?}");
    assert!(s.tie_bars.is_empty());
}

/// A number from `least` to `most`.
fn within(dice: &mut Dice, least: f64, most: f64) -> f64 {
    least + (most - least) * dice.below(1 << 20) as f64 / f64::from(1 << 20)
}

/// Drawings on which a diagram of edges has many ties: circles and crossings on a grid, teeth in a row, points on one
/// circle, and outlines of rounded noise.
fn demanding() -> Vec<String> {
    let mut out = Vec::new();
    let mut grid = String::new();
    for i in 0..36 {
        let (x, y) = (1.5 + 1.4 * f64::from(i % 6), 1.5 + 1.4 * f64::from(i / 6));
        grid.push_str(&format!(
            r#"<path fill-rule="evenodd" d="M{0} {y}a0.5 0.5 0 1 0 1 0a0.5 0.5 0 1 0 -1 0zM{1} {y}a0.3 0.3 0 1 0 0.6 0a0.3 0.3 0 1 0 -0.6 0z"/>"#,
            x - 0.5,
            x - 0.3
        ));
    }
    out.push(grid);
    let mut comb = "M1 1H9V2H8.8".to_owned();
    for k in 0..38 {
        let x = 8.8 - 0.2 * f64::from(k);
        comb.push_str(&format!(
            "L{:.2} 8L{:.2} 8L{:.2} 2",
            x - 0.04,
            x - 0.1,
            x - 0.14
        ));
    }
    out.push(format!(r#"<path d="{comb}H1z"/>"#));
    let slots: String = (0..12)
        .map(|k| {
            format!(
                r#"<rect x="1" y="4.95" width="3.8" height="0.1" transform="rotate({} 5 5)"/>"#,
                30 * k
            )
        })
        .collect();
    out.push(slots);
    let mut dice = Dice::seeded(7);
    let noise: String = (0..40)
        .map(|_| {
            let (x, y) = (within(&mut dice, 1.0, 8.5), within(&mut dice, 1.0, 8.5));
            let points: String = (0..9)
                .map(|_| {
                    let (dx, dy) = (within(&mut dice, 0.0, 0.6), within(&mut dice, 0.0, 0.6));
                    format!("{:.2},{:.2} ", x + dx, y + dy)
                })
                .collect();
            format!(r#"<polygon fill-rule="evenodd" points="{points}"/>"#)
        })
        .collect();
    out.push(noise);
    out
}

/// The diagram's library keeps its beach line in a list with random levels: what comes out must not depend on them.
#[test]
fn the_same_drawing_gives_the_same_answer_every_time() {
    for body in demanding() {
        let layer = layer(&body);
        for mode in [IslandMode::Tie, IslandMode::Split] {
            let answer = || {
                let out = run(&layer, mode);
                let rules: Vec<_> = out
                    .value
                    .iter()
                    .map(|s| rules::check(s, &recipe()))
                    .collect();
                format!("{out:?}{rules:?}")
            };
            let first = answer();
            for n in 1..20 {
                assert!(answer() == first, "{mode:?}, run {n}: {body:.60}");
            }
        }
    }
}

#[test]
fn a_drawing_of_webs_all_too_narrow_is_one_finding() {
    // Squares of 34 um with webs of 23 um between them, narrower than the minimum.
    let holes = |n: usize| -> String {
        let one = |i: usize| {
            let (x, y) = (0.3 + 0.057 * (i % n) as f64, 0.3 + 0.057 * (i / n) as f64);
            format!("M{x:.3} {y:.3}h.034v.034h-.034z")
        };
        format!(r#"<path d="{}"/>"#, (0..n * n).map(one).collect::<String>())
    };
    let layer = super::layer(&holes(60));
    for mode in [IslandMode::Tie, IslandMode::Split] {
        let out = super::run(&layer, mode);
        let found = super::codes(&out.findings, "islands-too-many");
        assert_eq!(found.len(), 1, "{:?}", out.findings.first());
        let of_webs = format!("of which there are {}", 2 * 59 * 60);
        assert!(found[0].message.contains(&of_webs), "{}", found[0].message);
        assert_eq!(out.value.len(), 1);
        assert!(out.value[0].tie_bars.is_empty());
    }
    let few = super::run(&super::layer(&holes(10)), IslandMode::Tie);
    assert!(super::codes(&few.findings, "islands-too-many").is_empty());
}

#[test]
fn more_islands_than_the_recipe_sees_to_are_one_finding() {
    let ring = |i: usize| {
        let (x, y) = (2.0 + 1.2 * (i % 5) as f64, 2.0 + 1.2 * (i / 5) as f64);
        format!(
            "M{x:.1} {y:.1}h.8v.8h-.8zM{:.1} {:.1}v.6h.6v-.6z",
            x + 0.1,
            y + 0.1
        )
    };
    let layer = super::layer(&format!(
        r#"<path d="{}"/>"#,
        (0..25).map(ring).collect::<String>()
    ));
    for (most, bars) in [(24, 0), (25, 50)] {
        let mut recipe = super::recipe();
        recipe.rules.max_islands = most;
        let sheet = super::sheet(10.0, 10.0);
        let out = hold_together(&layer, &sheet, &recipe, IslandMode::Tie);
        let found = super::codes(&out.findings, "islands-too-many");
        assert_eq!(found.len(), usize::from(bars == 0), "{most}");
        assert!(found.iter().all(|f| f.message.starts_with("25 islands")));
        assert_eq!(out.value[0].tie_bars.len(), bars);
    }
}

#[test]
fn webs_too_narrow_are_found_however_much_else_is_on_the_sheet() {
    // Squares of 0.2 mm with webs of 20 um between them, longer than the look about each crossing is wide at first.
    let squares: String = (0..144)
        .map(|i| {
            let (x, y) = (
                0.5 + 0.22 * f64::from(i % 12),
                0.5 + 0.22 * f64::from(i / 12),
            );
            format!("M{x:.2} {y:.2}h.2v.2h-.2z")
        })
        .collect();
    let dots: String = (0..1600)
        .map(|i| {
            let (x, y) = (
                1.0 + 0.15 * f64::from(i % 50),
                4.5 + 0.15 * f64::from(i / 50),
            );
            format!("M{x:.2} {y:.2}a.05 .05 0 1 0 .1 0a.05 .05 0 1 0 -.1 0z")
        })
        .collect();
    let bars = |body: &str| {
        let layer = super::layer(&format!(r#"<path d="{body}"/>"#));
        super::run(&layer, IslandMode::Tie).value[0].tie_bars.len()
    };
    // Places on another grid make some of the bars others.
    let (alone, beside) = (bars(&squares), bars(&(squares.clone() + &dots)));
    println!("{alone} bars, {beside} beside the dots");
    assert!(
        alone > 150 && alone.abs_diff(beside) < alone / 10,
        "{alone} bars, {beside} beside the dots"
    );
}

#[test]
fn foil_in_more_pieces_than_anyone_looks_through_is_one_finding() {
    // A checkerboard: squares of foil that touch at their corners only.
    let square = |i: usize| {
        let (x, y) = (i % 40, i / 40);
        let x = 2.0 + 0.1 * (2 * x + y % 2) as f64;
        format!("M{x:.1} {:.1}h.1v.1h-.1z", 2.0 + 0.1 * y as f64)
    };
    let body = format!(
        r#"<path d="{}"/>"#,
        (0..1200).map(square).collect::<String>()
    );
    let layer = super::layer(&body);
    let mut recipe = super::recipe();
    recipe.rules.max_islands = 100;
    for mode in [IslandMode::Tie, IslandMode::Split, IslandMode::Refuse] {
        let out = hold_together(&layer, &super::sheet(10.0, 10.0), &recipe, mode);
        let blocking: Vec<_> = (out.findings.iter())
            .filter(|f| f.severity == Severity::Blocking)
            .collect();
        assert_eq!(blocking.len(), 1, "{mode:?}: {:?}", blocking.first());
        assert_eq!(blocking[0].code, "islands-too-many");
        assert!(
            blocking[0].message.contains("more than 1000"),
            "{}",
            blocking[0].message
        );
    }
}
