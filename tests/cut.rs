//! `foilwright cut`, end to end: files, exit codes, determinism, and the foil as it is really cut.

use assert_cmd::Command;
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
