//! Sheets that are cut out: where the outline runs, and what the proof says of spoilt ones.

use super::fixture::{Fixture, demo};
use crate::support::dice::Dice;
use foilwright::kerf::{CutKind, cut_out};
use foilwright::proof::Verdict;
use foilwright::sheet::Sheet;

fn sheet_demo() -> Fixture {
    let mut f = demo();
    f.recipe.sheet.cut_out = true;
    f
}

fn has(verdict: &Verdict, code: &str) -> bool {
    !verdict.passed && verdict.counts.contains_key(code)
}

#[test]
fn the_outline_lies_half_a_kerf_outside_and_leaves_its_tabs() {
    let mut recipe = demo().recipe;
    recipe.sheet.cut_out = true;
    for (chamfer_mm, per_side) in [(2.0, 1), (0.0, 1), (1.5, 3)] {
        recipe.sheet.tabs_per_side = per_side;
        let sheet = Sheet {
            box_mm: [1.0, 2.0, 11.0, 10.0],
            chamfer_mm,
        };
        let cuts = cut_out(&sheet, &recipe);
        assert_eq!(cuts.findings, []);
        let cuts = cuts.value;
        assert_eq!(cuts.len(), 4 * per_side as usize);
        // Half a kerf of 8 um outside every side; on the chamfer along its normal.
        let apart = |p: [f64; 2]| {
            let diagonal = ((p[0] - 11.0 + chamfer_mm) - (p[1] - 2.0)) / 2f64.sqrt();
            [1.0 - p[0], 2.0 - p[1], p[0] - 11.0, p[1] - 10.0, diagonal]
                .into_iter()
                .take(if chamfer_mm > 0.0 { 5 } else { 4 })
                .fold(f64::NEG_INFINITY, f64::max)
        };
        let mut length_mm = 0.0;
        for path in &cuts {
            assert_eq!((path.kind, path.closed), (CutKind::Sheet, false));
            length_mm += path.length_mm();
            for p in &path.points {
                assert!((apart(*p) - 0.004).abs() < 1e-9, "{p:?}");
            }
        }
        // Ends of neighbours stand a tab and a kerf apart.
        for (a, b) in cuts.iter().zip(cuts.iter().cycle().skip(1)) {
            let (p, q) = (a.points[a.points.len() - 1], b.points[0]);
            let gap = ((p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2)).sqrt();
            assert!((gap - 0.308).abs() < 1e-9, "{gap}");
        }
        let moved = 2.0 * (10.008 + 8.008)
            - (2.0 - 2f64.sqrt())
                * (chamfer_mm + (2.0 - 2f64.sqrt()) * 0.004)
                * f64::from(u8::from(chamfer_mm > 0.0));
        let tabs = f64::from(4 * per_side) * 0.308;
        assert!(
            (length_mm + tabs - moved).abs() < 1e-6,
            "{length_mm} {moved}"
        );
    }
}

#[test]
fn tabs_and_chamfers_that_do_not_fit_block() {
    let mut recipe = demo().recipe;
    recipe.sheet.cut_out = true;
    let sheet = Sheet {
        box_mm: [0.0, 0.0, 3.0, 3.0],
        chamfer_mm: 2.0,
    };
    recipe.sheet.tabs_per_side = 4;
    let found = cut_out(&sheet, &recipe);
    assert!(found.value.is_empty());
    let codes: Vec<&str> = found.findings.iter().map(|f| f.code.as_str()).collect();
    assert_eq!(codes, ["chamfer-too-large", "tabs-do-not-fit"]);
}

#[test]
fn an_untouched_cut_out_sheet_passes_in_every_format() {
    let mut many = sheet_demo();
    many.recipe.sheet.tabs_per_side = 3;
    many.recipe.passes.count = 2;
    many.recipe.sheet.laser_side = foilwright::recipe::LaserSide::Substrate;
    let mut plain = sheet_demo();
    plain.recipe.sheet.chamfer_mm = 0.0;
    for (f, tabs) in [(sheet_demo(), 4), (many, 12), (plain, 4)] {
        for format in ["rs274", "svg", "plan", "dxf"] {
            let (name, bytes) = f.file(format);
            let verdict = f.prove(&name, &bytes);
            assert_eq!(verdict.findings, [], "{format}");
            assert_eq!(verdict.as_cut.tabs.len(), tabs);
            for tab in &verdict.as_cut.tabs {
                assert!((tab.width_um - 300.0).abs() < 0.3, "{tab:?}");
            }
            assert_eq!(verdict.as_cut.loose, []);
            assert!(verdict.as_cut.outline_error_max_um.unwrap() < 0.1);
        }
        let batches = foilwright::job::batches::batches(&f.plan(), &f.recipe);
        let dialect = foilwright::proof::Dialect::from_recipe(&f.recipe);
        let job = foilwright::proof::read_batches(&batches, &dialect).unwrap();
        let verdict = foilwright::proof::prove(&job, &f.layer(), f.sheet_mm, &f.recipe);
        assert_eq!(verdict.findings, []);
    }
}

/// First line of each path of the outline, and the line that turns the beam off again.
fn outline_blocks(lines: &[String]) -> Vec<(usize, usize)> {
    (0..lines.len())
        .filter(|&i| lines[i].ends_with("sheet outline)"))
        .map(|i| (i, (i..lines.len()).find(|&k| lines[k] == "M5").unwrap()))
        .collect()
}

#[test]
fn spoilt_outlines_are_caught() {
    let f = sheet_demo();
    let text: Vec<String> = f.text().lines().map(str::to_owned).collect();
    let blocks = outline_blocks(&text);
    assert_eq!(blocks.len(), 4);
    for seed in 0..26 {
        let mut dice = Dice::seeded(seed);
        let k = dice.below(3);
        let ((from, to), (next, _)) = (blocks[k], blocks[k + 1]);

        // A tab cut through: the beam stays on up to where the next part begins.
        let mut joined = text.clone();
        joined[to] = text[next - 1].replacen("G0", "G1", 1);
        let verdict = f.prove_text(&joined.join("\n"));
        assert!(has(&verdict, "tab-missing"), "{seed}: {:?}", verdict.counts);
        let tab = verdict
            .findings
            .iter()
            .find(|f| f.finding.code == "tab-missing")
            .unwrap();
        assert!(tab.finding.at_mm.is_some() && tab.line.is_some());

        // A tab made narrow: the part ends later.
        let last = to - 1;
        let (a, b) = (xy(&text[last]), xy(&text[next - 1]));
        let t = 0.3 + 0.1 * dice.below(4) as f64;
        let mut narrow = text.clone();
        narrow[last] = format!(
            "G1 X{:.4} Y{:.4}",
            a[0] + t * (b[0] - a[0]),
            a[1] + t * (b[1] - a[1])
        );
        assert!(
            has(&f.prove_text(&narrow.join("\n")), "tab-narrow"),
            "{seed}"
        );

        // One part of the outline left out.
        let mut open = text.clone();
        open.drain(from - 1..=to);
        assert!(
            has(&f.prove_text(&open.join("\n")), "outline-open"),
            "{seed}"
        );

        // The outline before something else.
        let mut early = text.clone();
        let block: Vec<String> = early.drain(from - 1..=to).collect();
        let first = text.iter().position(|l| l.starts_with("(path 0 ")).unwrap() - 1;
        early.splice(first..first, block);
        assert!(
            has(&f.prove_text(&early.join("\n")), "sheet-early"),
            "{seed}"
        );

        // The outline 2 um off.
        let mut off = text.clone();
        let by = dice.pick(&[0.002, -0.002]);
        for line in &mut off[from - 1..=to] {
            if line.starts_with('G') {
                let [x, y] = xy(line);
                let rest = line
                    .split(" F")
                    .nth(1)
                    .map_or(String::new(), |f| format!(" F{f}"));
                *line = format!("{} X{:.4} Y{:.4}{rest}", &line[..2], x + by, y + by);
            }
        }
        let verdict = f.prove_text(&off.join("\n"));
        assert!(
            has(&verdict, "edge-over") || has(&verdict, "edge-short"),
            "{seed}: {:?}",
            verdict.counts
        );
    }
    // The whole outline left out, and an outline nobody asked for.
    let whole: Vec<String> = text[..blocks[0].0 - 1]
        .iter()
        .chain(&text[blocks[3].1..])
        .cloned()
        .collect();
    assert!(has(&f.prove_text(&whole.join("\n")), "sheet-not-cut"));
    assert!(has(&demo().prove_text(&f.text()), "outside-sheet"));
}

fn xy(line: &str) -> [f64; 2] {
    let number = |letter: char| {
        line.split(' ')
            .find_map(|w| w.strip_prefix(letter))
            .unwrap_or_else(|| panic!("{line}"))
            .parse()
            .unwrap()
    };
    [number('X'), number('Y')]
}

/// The whole way: long cuts in bites, two passes, cool order, every format.
#[test]
fn the_command_cuts_the_sheet_out_last() {
    let d = tempfile::tempdir().unwrap();
    let drawing = d.path().join("window.svg");
    let text = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"12mm\" height=\"9mm\" viewBox=\"0 0 12 9\">\
         <rect id=\"window\" x=\"3\" y=\"2.5\" width=\"5\" height=\"4\"/></svg>";
    std::fs::write(&drawing, text).unwrap();
    let recipe = d.path().join("out.toml");
    std::fs::write(
        &recipe,
        "[sheet]\ncut_out = true\n[passes]\ncount = 2\n[kerf]\nmeasured_passes = 2\n",
    )
    .unwrap();
    let run = |command: &str, more: &[&str]| {
        let result = assert_cmd::Command::new(env!("CARGO_BIN_EXE_foilwright"))
            .args([command, "--recipe", recipe.to_str().unwrap(), "--out"])
            .arg(d.path().join("out"))
            .args(more)
            .output()
            .unwrap();
        let words = [result.stdout, result.stderr].concat();
        (
            result.status.code(),
            String::from_utf8_lossy(&words).into_owned(),
        )
    };
    let art = drawing.to_str().unwrap();
    let (code, words) = run(
        "cut",
        &[
            art,
            "--as",
            "rs274,svg,plan,dxf,csv,batches",
            "--no-pictures",
        ],
    );
    assert_eq!(code, Some(0), "{words}");
    assert!(
        words.contains("sheet cut out last, held by 4 tabs"),
        "{words}"
    );
    let nc = std::fs::read_to_string(d.path().join("out/window.nc")).unwrap();
    assert!(nc.contains("(sheet outline: cut last, held by 4 tabs of 300 um)"));
    let last = nc.rfind("(path 0 ").unwrap();
    assert!(nc.find("sheet outline)").unwrap() > last);
    let settings =
        std::fs::read_to_string(d.path().join("out/window.batches/settings.txt")).unwrap();
    assert!(settings.contains("cut last, held by 4 tabs of 300 um"));
    for job in ["window.nc", "window.dxf", "window.batches"] {
        let job = d.path().join("out").join(job);
        let (code, words) = run(
            "proof",
            &[job.to_str().unwrap(), "--artwork", art, "--no-pictures"],
        );
        assert_eq!(code, Some(0), "{words}");
        assert!(
            words.contains("sheet cut out: edge error at most 0"),
            "{words}"
        );
        assert!(
            words.contains("4 tabs, the narrowest 30")
                || words.contains("4 tabs, the narrowest 29"),
            "{words}"
        );
        assert!(
            words.contains("heat of the job as read") && words.contains("heat memory: peak"),
            "{words}"
        );
    }
}

/// One stencil of a complementary pair is proved by its own name.
#[test]
fn one_stencil_of_a_pair_is_proved_by_name() {
    let d = tempfile::tempdir().unwrap();
    let drawing = d.path().join("ring.svg");
    let text = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"12mm\" height=\"9mm\" viewBox=\"0 0 12 9\">\
         <g id=\"ring\"><path id=\"annulus\" fill-rule=\"evenodd\" d=\"M3 2.5h5v4h-5z M4.5 3.5h2v2h-2z\"/></g></svg>";
    std::fs::write(&drawing, text).unwrap();
    let run = |args: &[&str]| {
        let result = assert_cmd::Command::new(env!("CARGO_BIN_EXE_foilwright"))
            .args(args)
            .arg("--out")
            .arg(d.path().join("out"))
            .arg("--no-pictures")
            .output()
            .unwrap();
        let words = [result.stdout, result.stderr].concat();
        (
            result.status.code(),
            String::from_utf8_lossy(&words).into_owned(),
        )
    };
    let art = drawing.to_str().unwrap();
    let (code, words) = run(&["cut", art, "--islands", "split"]);
    assert_eq!(code, Some(0), "{words}");
    let job = d.path().join("out/ring-ring-a.nc");
    let job = job.to_str().unwrap();
    for layer in [&["--layer", "ring-a"][..], &[]] {
        let args = [&["proof", job, "--artwork", art, "--no-heat"], layer].concat();
        let (code, words) = run(&args);
        assert_eq!(code, Some(0), "{words}");
        assert!(words.contains("layer ring-a: proof passed"), "{words}");
    }
    // The other stencil of the pair is another one.
    let (code, words) = run(&[
        "proof",
        job,
        "--artwork",
        art,
        "--layer",
        "ring-b",
        "--no-heat",
    ]);
    assert_eq!(code, Some(1), "{words}");
    let (code, words) = run(&["proof", job, "--artwork", art, "--layer", "ring-z"]);
    assert!(
        code == Some(2) && words.contains("no layer `ring-z`"),
        "{words}"
    );
}
