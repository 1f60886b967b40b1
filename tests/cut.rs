//! `foilwright cut`, end to end: files, exit codes, determinism, and the foil as it is really cut.

use crate::support::as_cut::{Bar, Case, Move, beam_moves, faults};
use assert_cmd::Command;
use foilwright::artwork::{ReadOptions, read};
use foilwright::report::Report;
use std::path::{Path, PathBuf};

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/thermopile-sensor.svg")
}

fn foilwright() -> Command {
    Command::new(env!("CARGO_BIN_EXE_foilwright"))
}

fn cut(drawing: &Path, out: &Path, more: &[&str]) -> assert_cmd::assert::Assert {
    foilwright()
        .arg("cut")
        .arg(drawing)
        .arg("--out")
        .arg(out)
        .args(more)
        .assert()
}

fn drawing(folder: &Path, body: &str) -> PathBuf {
    let path = folder.join("drawing.svg");
    let text = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"20mm\" height=\"20mm\" viewBox=\"0 0 20 20\">{body}</svg>"
    );
    std::fs::write(&path, text).unwrap();
    path
}

#[test]
fn the_demo_is_cut_as_drawn() {
    let out = tempfile::tempdir().unwrap();
    cut(&demo(), out.path(), &["--no-pictures"]).success();
    let report: Report = serde_json::from_slice(
        &std::fs::read(out.path().join("thermopile-sensor.report.json")).unwrap(),
    )
    .unwrap();
    assert_eq!(report.layers.len(), 4);
    let artwork = read(&demo(), &ReadOptions::default()).unwrap().value;
    for (layer, said) in artwork.layers.iter().zip(&report.layers) {
        let nc = std::fs::read_to_string(
            out.path()
                .join(format!("thermopile-sensor-{}.nc", layer.name)),
        )
        .unwrap();
        // Job (0, 0) is the sheet's centre and y points up; the page is 25 mm square.
        let page = |p: [f64; 2]| [p[0] + 12.5, 12.5 - p[1]];
        let moves: Vec<Move> = beam_moves(&nc)
            .into_iter()
            .map(|m| Move {
                from: page(m.from),
                to: page(m.to),
                line: m.line,
            })
            .collect();
        let bars: Vec<Bar> = said
            .bars
            .iter()
            .map(|b| (b.from_mm, b.to_mm, b.width_um * 1e-3))
            .collect();
        let found = faults(&Case {
            sheet_mm: [0.0, 0.0, 26.0, 26.0],
            drawn: &layer.openings,
            bars: &bars,
            moves: &moves,
            kerf_um: 8.0,
        });
        assert!(
            found.is_empty(),
            "layer {}: {} faults, first {:?}",
            layer.name,
            found.len(),
            &found[..found.len().min(5)]
        );
        assert_eq!(said.islands_found, usize::from(layer.name == "absorber"));
    }
}

#[test]
fn two_runs_are_byte_identical_and_leave_nothing_stale() {
    let (a, b) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    cut(&demo(), a.path(), &[]).success();
    cut(&demo(), b.path(), &[]).success();
    let names = |d: &Path| {
        let mut n: Vec<_> = std::fs::read_dir(d)
            .unwrap()
            .map(|e| e.unwrap().file_name())
            .collect();
        n.sort();
        n
    };
    assert_eq!(names(a.path()), names(b.path()));
    for name in names(a.path()) {
        assert_eq!(
            std::fs::read(a.path().join(&name)).unwrap(),
            std::fs::read(b.path().join(&name)).unwrap(),
            "{name:?}"
        );
    }
    // A second run with one format removes what it does not write again.
    cut(&demo(), a.path(), &["--as", "rs274", "--no-pictures"]).success();
    assert_eq!(names(a.path()).len(), 5, "{:?}", names(a.path()));
}

#[test]
fn an_output_folder_that_cannot_be_made_is_an_error() {
    let d = tempfile::tempdir().unwrap();
    let good = drawing(
        d.path(),
        "<rect id=\"r\" x=\"5\" y=\"5\" width=\"2\" height=\"2\"/>",
    );
    let blocker = d.path().join("file");
    std::fs::write(&blocker, "not a folder").unwrap();
    cut(&good, &blocker.join("out"), &["--no-pictures"]).code(2);
    assert_eq!(std::fs::read_to_string(&blocker).unwrap(), "not a folder");
}
