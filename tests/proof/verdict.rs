//! Verdicts on whole jobs: untouched ones raise nothing, spoilt ones are caught with the right code.

use super::fixture::{Fixture, SHEET_MM, demo, rect};
use foilwright::job::Step;
use foilwright::proof::{Dialect, prove, read_batches};
use foilwright::regions::union;

fn quiet(fixture: &Fixture, format: &str) {
    let (name, bytes) = fixture.file(format);
    let verdict = fixture.prove(&name, &bytes);
    let blocking: Vec<_> = verdict
        .findings
        .iter()
        .map(|f| {
            (
                f.finding.code.as_str(),
                f.finding.message.as_str(),
                f.finding.at_mm,
                f.line,
            )
        })
        .collect();
    assert!(blocking.is_empty(), "{format}: {blocking:#?}");
    assert!(verdict.passed);
}

#[test]
fn untouched_jobs_raise_nothing() {
    for format in ["rs274", "svg", "plan", "dxf"] {
        quiet(&demo(), format);
        let mut passes = demo();
        passes.recipe.passes.count = 3;
        quiet(&passes, format);
    }
}

#[test]
fn the_as_cut_foil_is_what_was_asked_for() {
    let f = demo();
    let v = f.prove_text(&f.text());
    assert_eq!(v.as_cut.bars.len(), 2, "{:?}", v.as_cut.bars);
    for bar in &v.as_cut.bars {
        assert!((bar.width_um - 100.0).abs() < 0.3, "{bar:?}");
    }
    assert_eq!(v.as_cut.openings_cut, f.drawn.len());
    assert_eq!(v.as_cut.loose, []);
    assert!(v.as_cut.edge_error_max_um < 0.3, "{:?}", v.as_cut);
    // Four squares, the disc, the angle, the opening on the island and the two halves of the ring.
    assert_eq!(v.as_cut.slugs, 4 + 1 + 1 + 1 + 2);
    // Squares 300 um wide stand every 400 um.
    let min_web = f.recipe.min_web_um();
    assert!(
        v.as_cut.narrowest_web_um.is_none() && v.as_cut.web_searched_um < 100.0,
        "{min_web}"
    );
}

#[test]
fn batches_are_one_job_again() {
    let f = demo();
    let mut plan = f.plan();
    // A pause before every third step.
    for i in (3..plan.steps.len())
        .step_by(4)
        .collect::<Vec<_>>()
        .into_iter()
        .rev()
    {
        plan.steps.insert(
            i,
            foilwright::job::Step::Dwell {
                seconds: 0.5,
                reason: "cooling".into(),
            },
        );
    }
    let files = foilwright::job::batches::batches(&plan, &f.recipe);
    assert!(files.len() > 3);
    let dialect = Dialect::from_recipe(&f.recipe);
    let job = read_batches(&files, &dialect).unwrap();
    let verdict = prove(&job, &f.layer(), SHEET_MM, &f.recipe);
    assert!(verdict.findings.is_empty(), "{:#?}", verdict.findings);
    let pauses: f64 = job.motion.dwells.iter().map(|d| d.1).sum();
    let planned: f64 = plan.motion().dwells.iter().map(|d| d.1).sum();
    assert!((pauses - planned).abs() < 0.6, "{pauses} {planned}");
    // A batch lost is noticed twice: by name and by what it does not cut.
    let mut fewer = files.clone();
    fewer.remove(1);
    let verdict = prove(
        &read_batches(&fewer, &dialect).unwrap(),
        &f.layer(),
        SHEET_MM,
        &f.recipe,
    );
    for code in ["batch-missing", "not-opened"] {
        assert!(
            verdict.counts.contains_key(code),
            "{code}: {:?}",
            verdict.counts
        );
    }
    let settings = String::from_utf8(files.last().unwrap().1.clone()).unwrap();
    for wanted in [
        "25 % of 20 W",
        "20 kHz",
        "100 ns",
        "passes to set               1\n",
        "keep file order; no joining, no duplicate removal, no automatic centring",
    ] {
        assert!(settings.contains(wanted), "{wanted}\n{settings}");
    }
}

#[test]
fn other_placements_are_read_back_alike() {
    let mut substrate = demo();
    substrate.recipe.sheet.laser_side = foilwright::recipe::LaserSide::Substrate;
    let mut corner = demo();
    corner.recipe.scan.origin = foilwright::recipe::Origin::Corner;
    let mut scaled = demo();
    scaled.recipe.scan.scale_x = 1.01;
    scaled.recipe.scan.scale_y = 0.995;
    let mut dialect = demo();
    dialect.recipe.rs274.dwell_unit = foilwright::recipe::DwellUnit::Milliseconds;
    dialect.recipe.rs274.beam_on = "M4".into();
    dialect.recipe.rs274.line_numbers = true;
    dialect.recipe.rs274.percent_lines = true;
    dialect.recipe.rs274.power_full_scale = 255.0;
    dialect.recipe.rs274.comment_style = foilwright::recipe::CommentStyle::Semicolon;
    let mut silent = demo();
    silent.recipe.rs274.comment_style = foilwright::recipe::CommentStyle::None;
    silent.recipe.passes.count = 2;
    for (f, formats) in [
        (&substrate, &["rs274", "svg", "plan", "dxf"][..]),
        (&corner, &["rs274", "plan", "dxf"]),
        (&scaled, &["rs274", "svg", "plan", "dxf"]),
        (&dialect, &["rs274"]),
        (&silent, &["rs274"]),
    ] {
        for format in formats {
            quiet(f, format);
        }
    }
}

/// Runs `foilwright proof` on a job of the small layer, with its text changed.
fn proof_of(
    format: &str,
    mut change: impl FnMut(&str) -> String,
    more: &[&str],
) -> (Option<i32>, serde_json::Value) {
    let folder = tempfile::tempdir().unwrap();
    let drawing = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data/fine-leads.svg");
    let run = |args: &[&str]| {
        assert_cmd::Command::cargo_bin("foilwright")
            .unwrap()
            .args(args)
            .args(["--json", "--no-pictures", "--out"])
            .arg(folder.path())
            .output()
            .unwrap()
    };
    let art = drawing.to_str().unwrap();
    let cut = run(&["cut", art, "--as", format, "--order", "artwork"]);
    assert!(cut.status.success());
    let report: serde_json::Value = serde_json::from_slice(&cut.stdout).unwrap();
    let name = report["files"][0].as_str().unwrap();
    let file = folder.path().join(name);
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, change(&text)).unwrap();
    let args = [
        &[
            "proof",
            file.to_str().unwrap(),
            "--artwork",
            art,
            "--no-heat",
        ],
        more,
    ]
    .concat();
    let proof = run(&args);
    let found = serde_json::from_slice(&proof.stdout).unwrap();
    (proof.status.code(), found)
}

fn told(report: &serde_json::Value) -> Vec<(String, String)> {
    let text = |f: &serde_json::Value, key: &str| f[key].as_str().unwrap_or_default().to_owned();
    let found = report["findings"].as_array().unwrap().iter();
    found
        .map(|f| (text(f, "code"), text(f, "severity")))
        .collect()
}

#[test]
fn files_that_are_cut_short_are_faulty_in_every_format() {
    for format in ["rs274", "svg", "plan", "dxf"] {
        assert_eq!(proof_of(format, str::to_owned, &[]).0, Some(0), "{format}");
        let (code, report) = proof_of(format, |text| text[..text.len() * 2 / 3].to_owned(), &[]);
        assert_eq!(code, Some(1), "{format}");
        let found = told(&report);
        assert!(
            found
                .iter()
                .any(|f| ["truncated", "unreadable"].contains(&f.0.as_str())),
            "{format}: {found:?}"
        );
    }
}

/// Staggered passes start further on where the cut runs over its start again, and cut what is to be cut in every pass.
#[test]
fn staggered_passes_cut_everything_in_every_pass() {
    let mut f = demo();
    f.drawn = union(&f.drawn, &rect(1000.0, 6900.0, 5000.0, 6.0));
    f.openings = union(&f.openings, &rect(1000.0, 6900.0, 5000.0, 6.0));
    f.recipe.passes.count = 3;
    f.recipe.passes.stagger = true;
    let plan = f.plan();
    let (mut closed, mut open) = (0, 0);
    for step in &plan.steps {
        let Step::Cut {
            path,
            pass,
            from_mm,
            ..
        } = step
        else {
            continue;
        };
        let expected_mm = if plan.paths[*path as usize].closed {
            closed += 1;
            f64::from(pass - 1) / 3.0 * f.recipe.pulse_pitch_um() * 1e-3
        } else {
            open += 1;
            0.0
        };
        assert!((from_mm - expected_mm).abs() < 1e-9, "{step:?}");
    }
    assert!(closed > 15 && open >= 3, "{closed} {open}");
    for format in ["rs274", "svg", "plan", "dxf"] {
        let (name, bytes) = f.file(format);
        let verdict = f.prove(&name, &bytes);
        assert!(verdict.passed, "{format}: {:#?}", verdict.findings);
    }
}

/// A drawing that ends too early ends on its last line.
#[test]
fn a_drawing_cut_short_is_told_with_its_last_line() {
    let mut last = 0;
    let short = |text: &str| text[..text.len() * 2 / 3].to_owned();
    let (_, report) = proof_of("svg", short, &[]);
    proof_of(
        "svg",
        |text| {
            last = short(text).lines().count() as u64;
            text.to_owned()
        },
        &[],
    );
    let lines: Vec<u64> = (report["findings"].as_array().unwrap().iter())
        .filter_map(|f| f["line"].as_u64())
        .collect();
    assert!(last > 10);
    assert_eq!(lines, [last]);
}

#[test]
fn other_units_and_another_speed_are_told() {
    let (code, report) = proof_of("dxf", |t| t.replace("millimetres", "inches"), &[]);
    assert_eq!(code, Some(1));
    assert!(told(&report).iter().any(|f| f.0 == "units"));
    let (code, report) = proof_of("rs274", |t| t.replace("F6000", "F60000"), &[]);
    assert_eq!(code, Some(0));
    let found = told(&report);
    assert!(
        found.contains(&("speed-differs".to_owned(), "warning".to_owned())),
        "{found:?}"
    );
}

// Elementary geometry: between an arc and its chord lies the chord's height, which the tolerance bounds.
#[test]
fn the_edge_error_holds_what_flattening_added() {
    let folder = tempfile::tempdir().unwrap();
    let art = folder.path().join("disc.svg");
    std::fs::write(
        &art,
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="10mm" height="10mm" viewBox="0 0 10 10"><g id="a"><circle cx="5" cy="5" r="2"/></g></svg>"#,
    )
    .unwrap();
    let recipe = folder.path().join("r.toml");
    let run = |args: &[&str]| {
        assert_cmd::Command::cargo_bin("foilwright")
            .unwrap()
            .args(args)
            .args([
                "--recipe",
                recipe.to_str().unwrap(),
                "--json",
                "--no-pictures",
                "--out",
            ])
            .arg(folder.path())
            .output()
            .unwrap()
    };
    let art = art.to_str().unwrap();
    let job = folder.path().join("disc-a.nc");
    for (tolerance_um, limit_um) in [(0.1, 0.5), (1.0, 2.5), (5.0, 12.0)] {
        let text =
            format!("[rules]\ntolerance_um = {tolerance_um:?}\nmax_edge_error_um = {limit_um:?}\n");
        std::fs::write(&recipe, text).unwrap();
        let cut = run(&["cut", art, "--as", "rs274", "--order", "artwork"]);
        assert!(
            cut.status.success(),
            "{}",
            String::from_utf8_lossy(&cut.stdout)
        );
        let proof = run(&[
            "proof",
            job.to_str().unwrap(),
            "--artwork",
            art,
            "--no-heat",
        ]);
        let report: serde_json::Value = serde_json::from_slice(&proof.stdout).unwrap();
        let error_um = report["as_cut"]["edge_error_max_um"].as_f64().unwrap();
        assert!(report["passed"].as_bool().unwrap());
        // Coordinates are written to a tenth of a micrometre.
        assert!(
            error_um > 0.4 * tolerance_um - 0.1 && error_um < tolerance_um + 0.1,
            "{error_um} at {tolerance_um}"
        );
    }
    std::fs::write(&recipe, "[rules]\ntolerance_um = 20.0\n").unwrap();
    let refused = run(&["cut", art]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("half of max_edge_error_um"));
}
