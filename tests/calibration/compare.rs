//! One drawing at several kerfs: counts that follow from the widths drawn.

use crate::support;
use assert_cmd::Command;
use foilwright::compare::{Event, compare_kerfs};
use foilwright::order::OrderMode;
use foilwright::recipe::Recipe;
use foilwright::stencil::IslandMode;
use foilwright::{Options, PipelineError};

fn options() -> Options {
    let steel = Recipe::load("steel-25um").unwrap();
    support::options(steel, IslandMode::Tie, OrderMode::Cool)
}

/// Slots of the widths given, 3 mm long, one below the other; ids w0, w1, ...
fn slots(widths_um: &[f64]) -> String {
    let rects: String = widths_um
        .iter()
        .enumerate()
        .map(|(i, w)| {
            format!(
                r#"<rect id="w{i}" x="2" y="{}" width="3" height="{}"/>"#,
                1 + i,
                w * 1e-3
            )
        })
        .collect();
    format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20"><g id="slots">{rects}</g></svg>"#
    )
}

#[test]
fn a_slot_becomes_a_line_at_the_first_kerf_it_is_no_wider_than() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("slots.svg");
    std::fs::write(&file, slots(&[5.0, 7.0, 9.0, 11.0, 40.0])).unwrap();
    let comparison = compare_kerfs(&file, &options(), &[6.0, 8.0, 10.0, 12.0]).unwrap();
    for (case, expected) in comparison.cases.iter().zip([1, 2, 3, 4]) {
        let s = &case.stencils[0];
        assert_eq!(s.lines_only, expected, "kerf {}", case.kerf_um);
        assert_eq!(s.count(Event::Line), expected);
        assert_eq!(s.outlined, 5 - expected);
        assert_eq!(s.lost, 0);
        // Every kerf frees exactly one more slot of its outline, and that one is marked as new.
        let new: Vec<_> = s.places.iter().filter(|p| p.new).collect();
        if case.kerf_um > 6.0 {
            assert_eq!(new.len(), 1, "kerf {}", case.kerf_um);
            assert_eq!(
                new[0].element_id.as_deref(),
                Some(["w0", "w1", "w2", "w3"][expected - 1])
            );
        }
        assert!((case.edge_off_um - (case.kerf_um - 8.0) / 2.0).abs() < 1e-12);
    }
}

#[test]
fn a_web_that_the_limit_overtakes_frees_its_piece() {
    // A square with a ring of openings round it, held by one web of 30 um: over twice the kerf
    // up to 15 um, under it from there on.
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("held.svg");
    std::fs::write(
        &file,
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20"><g id="held">
           <path id="c" fill-rule="evenodd" d="M5 5h4v1.985h-0.5v-1.485h-3v3h3v-1.485h0.5v1.985h-4z"/></g></svg>"#,
    )
    .unwrap();
    let comparison = compare_kerfs(&file, &options(), &[8.0, 20.0]).unwrap();
    let loose: Vec<usize> = comparison
        .cases
        .iter()
        .map(|c| c.stencils[0].islands)
        .collect();
    assert_eq!(loose, [0, 1]);
    assert!(comparison.cases[1].stencils[0].tie_bars >= 1);
}

#[test]
fn a_drawing_that_cannot_be_read_is_refused() {
    let missing = std::path::Path::new("no-such.svg");
    assert!(matches!(
        compare_kerfs(missing, &options(), &[6.0, 8.0]),
        Err(PipelineError::Artwork(_))
    ));
}

#[test]
fn the_command_writes_one_picture_and_one_table() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("slots.svg");
    std::fs::write(&file, slots(&[7.0, 40.0])).unwrap();
    let run = |kerfs: &str| {
        Command::new(env!("CARGO_BIN_EXE_foilwright"))
            .args(["cut", "--compare-kerf", kerfs, "--out"])
            .arg(folder.path().join("out"))
            .arg(&file)
            .assert()
    };
    let refused = run("8um").code(2);
    let words = String::from_utf8_lossy(&refused.get_output().stderr).into_owned();
    assert!(words.contains("2 to 6 kerfs"), "{words}");
    run("8um,-1um").code(2);
    assert!(!folder.path().join("out").exists());
    let said = run("6um,8um").success();
    let words = String::from_utf8_lossy(&said.get_output().stdout).into_owned();
    assert!(
        words.contains("6 to 8 um, cut as a single line: 1 more"),
        "{words}"
    );
    let mut names: Vec<_> = std::fs::read_dir(folder.path().join("out"))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(names, ["slots.kerfs.csv", "slots.kerfs.png"]);
    let mut csv = csv::Reader::from_path(folder.path().join("out/slots.kerfs.csv")).unwrap();
    let lines_only = csv
        .headers()
        .unwrap()
        .iter()
        .position(|h| h == "lines_only");
    let counts: Vec<String> = csv
        .records()
        .map(|r| r.unwrap()[lines_only.unwrap()].to_owned())
        .collect();
    assert_eq!(counts, ["0", "1"]);
}
