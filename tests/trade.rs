//! `cut --order cool --trade`: a choice of limits, and no job.

use assert_cmd::Command;
use std::path::Path;

fn foilwright() -> Command {
    Command::cargo_bin("foilwright").unwrap()
}

#[test]
fn trade_shows_limits_against_time_and_writes_no_job() {
    let folder = tempfile::tempdir().unwrap();
    let run = foilwright()
        .args([
            "cut",
            "demo-data/window-field.svg",
            "--trade",
            "--json",
            "--out",
        ])
        .arg(folder.path())
        .assert()
        .success();
    let report: serde_json::Value = serde_json::from_slice(&run.get_output().stdout).unwrap();
    let layer = &report["layers"][0];
    let floor = layer["floor_s"].as_f64().unwrap();
    let rows = layer["rows"].as_array().unwrap();
    let value = |row: &serde_json::Value, key: &str| row[key].as_f64().unwrap();
    let cool: Vec<_> = rows.iter().filter(|r| r["order"] == "cool").collect();
    let travel = rows.iter().find(|r| r["order"] == "travel").unwrap();
    assert_eq!(rows.iter().filter(|r| r["chosen"] == true).count(), 1);
    for row in rows {
        assert!(value(row, "job_s") >= floor, "{row}");
        assert!(value(row, "job_s") >= value(travel, "job_s"), "{row}");
    }
    // A tighter limit takes no less time and leaves no more heat; the tightest is far from the loosest.
    for w in cool.windows(2) {
        assert!(value(w[0], "limit_k") < value(w[1], "limit_k"));
        assert!(
            value(w[0], "job_s") >= 0.995 * value(w[1], "job_s"),
            "{w:?}"
        );
        assert!(
            value(w[0], "memory_peak_k") <= 1.1 * value(w[1], "memory_peak_k"),
            "{w:?}"
        );
    }
    let (tight, loose) = (cool[0], cool.last().unwrap());
    assert!(value(tight, "memory_peak_k") < 0.5 * value(loose, "memory_peak_k"));
    assert!(value(tight, "job_s") > 1.3 * value(loose, "job_s"));

    let mut names: Vec<String> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(
        names,
        ["window-field-windows.trade.png", "window-field.trade.csv"]
    );
    let csv = std::fs::read_to_string(folder.path().join("window-field.trade.csv")).unwrap();
    assert_eq!(csv.lines().count(), 1 + rows.len());
}

#[test]
fn a_limit_of_the_recipe_is_among_those_shown() {
    let folder = tempfile::tempdir().unwrap();
    let recipe = folder.path().join("mine.toml");
    let text = foilwright::recipe::Recipe::load("steel-25um")
        .unwrap()
        .to_annotated_toml();
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    lines.retain(|l| !l.contains("limit_k ="));
    let heat = lines.iter().position(|l| l == "[heat]").unwrap();
    lines.insert(heat + 1, "limit_k = 61.5".to_owned());
    std::fs::write(&recipe, lines.join("\n")).unwrap();
    foilwright()
        .args(["cut", "demo-data/window-field.svg", "--trade", "--recipe"])
        .arg(&recipe)
        .arg("--out")
        .arg(folder.path())
        .assert()
        .success()
        .stdout(predicates::str::is_match(r"cool +61\.5 .*  this recipe").unwrap())
        .stdout(predicates::str::contains("no job written"));
}

#[test]
fn trade_wants_cool_order() {
    for order in ["travel", "artwork"] {
        foilwright()
            .args([
                "cut",
                "demo-data/window-field.svg",
                "--trade",
                "--order",
                order,
            ])
            .assert()
            .code(2)
            .stderr(predicates::str::contains("--order cool"));
    }
    assert!(!Path::new("demo-data/foilwright-out/window-field.trade.csv").exists());
}
