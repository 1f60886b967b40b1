//! Clearing jobs: paths of an earlier plan once more, in files of their own.

use super::fixture::demo;
use assert_cmd::Command;
use foilwright::job::clear::{ClearError, clear, paths_near};
use foilwright::job::{Plan, Step};
use foilwright::proof::{again, apart_um};
use std::path::Path;

#[test]
fn chosen_paths_are_cut_again_in_the_plans_order_and_nothing_else() {
    let mut f = demo();
    f.recipe.passes.count = 3;
    let plan = f.plan();
    let whole = f.read(
        "a.plan.json",
        &foilwright::job::writer("plan")
            .unwrap()
            .write(&plan, &f.recipe)
            .unwrap(),
    );
    for (only, passes) in [
        (vec![2], 1),
        (vec![5, 1, 5], 2),
        ((0..plan.paths.len() as u32).collect(), 1),
    ] {
        let job = clear(&plan, &only, passes).unwrap();
        let mut chosen = only.clone();
        chosen.sort_unstable();
        chosen.dedup();
        assert_eq!(job.clearing, chosen);
        assert_eq!(job.paths, plan.paths);
        let cuts: Vec<(u32, u32)> = job
            .steps
            .iter()
            .filter_map(|s| match s {
                Step::Cut { path, pass, .. } => Some((*path, *pass)),
                _ => None,
            })
            .collect();
        assert_eq!(cuts.len(), chosen.len() * passes as usize);
        assert!(
            cuts.iter()
                .all(|(path, pass)| chosen.contains(path) && (1..=passes).contains(pass))
        );
        assert!(!job.steps.iter().any(|s| matches!(s, Step::Dwell { .. })));
        // Every format reads back as those cuts of the whole job.
        let wanted = again(&whole, &chosen, passes);
        for format in ["rs274", "svg", "plan", "dxf"] {
            let writer = foilwright::job::writer(format).unwrap();
            let bytes = writer.write(&job, &f.recipe).unwrap();
            let read = f.read(&format!("a.{}", writer.extension()), &bytes);
            assert_eq!(read.faults.listed(), [], "{format}");
            assert!(apart_um(&wanted, &read).unwrap() < 0.08, "{format}");
            // And is noticed when it is not.
            let mut other = read.clone();
            other.motion.burns[0].points[1][0] += 0.002;
            assert_eq!(apart_um(&wanted, &other), None);
            other.motion.burns.remove(0);
            assert_eq!(apart_um(&wanted, &other), None);
        }
    }
    let last = plan.paths.len() - 1;
    let path = last as u32 + 1;
    assert_eq!(
        clear(&plan, &[0, path], 1),
        Err(ClearError::NoSuchPath { path, last })
    );
    assert_eq!(clear(&plan, &[], 1), Err(ClearError::Nothing));
}

#[test]
fn paths_are_found_by_place() {
    let plan = demo().plan();
    // Job (0, 0) is the middle of a sheet of 10 x 8 mm: the disc of radius 0.7 mm at page (7, 3.5).
    let near = paths_near(&plan, [2.0, 0.5 + 0.696], 0.02);
    assert_eq!(near.len(), 1, "{near:?}");
    assert!(near[0].1 < 1e-3);
    let all = paths_near(&plan, [0.0, 0.0], 100.0);
    assert_eq!(all.len(), plan.paths.len());
    assert!(all.windows(2).all(|w| w[0].1 <= w[1].1));
    assert_eq!(paths_near(&plan, [-4.9, -3.9], 0.01), []);
}

fn foilwright(args: &[&str], drawing: &Path, out: &Path) -> (i32, String) {
    let result = Command::new(env!("CARGO_BIN_EXE_foilwright"))
        .arg("cut")
        .arg(drawing)
        .arg("--out")
        .arg(out)
        .args(args)
        .output()
        .unwrap();
    let words = [result.stdout, result.stderr].concat();
    (
        result.status.code().unwrap(),
        String::from_utf8_lossy(&words).into_owned(),
    )
}

#[test]
fn the_command_leaves_the_full_job_alone() {
    let d = tempfile::tempdir().unwrap();
    let drawing = d.path().join("pads.svg");
    let text = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"12mm\" height=\"8mm\" viewBox=\"0 0 12 8\">\
         <g id=\"hot\"><rect x=\"2\" y=\"2\" width=\"1\" height=\"1\"/><rect x=\"5\" y=\"2\" width=\"1\" height=\"1\"/></g>\
         <g id=\"cold\"><circle cx=\"8\" cy=\"5\" r=\"0.5\"/></g></svg>";
    std::fs::write(&drawing, text).unwrap();
    let out = d.path().join("out");
    let (code, words) = foilwright(&["--only", "0"], &drawing, &out);
    assert_eq!(code, 2);
    assert!(words.contains("no earlier plan"), "{words}");
    assert!(!out.exists());

    assert_eq!(foilwright(&["--no-pictures"], &drawing, &out).0, 0);
    let before = files(&out);
    let (code, words) = foilwright(&["--only", "0,1"], &drawing, &out);
    assert_eq!(code, 2);
    assert!(words.contains("give one --layer of hot, cold"), "{words}");
    let (code, words) = foilwright(&["--only", "1", "--layer", "hot"], &drawing, &out);
    assert_eq!(code, 0, "{words}");
    assert!(
        words.contains("recut-widens") && words.contains("wider than drawn"),
        "{words}"
    );
    let after = files(&out);
    for (name, bytes) in &before {
        assert_eq!(after.get(name), Some(bytes), "{name}");
    }
    let new: Vec<&String> = after.keys().filter(|n| !before.contains_key(*n)).collect();
    let wanted = ["cut.svg", "nc", "order.png", "plan.json", "report.json"]
        .map(|e| format!("pads-hot.clear.{e}"));
    assert_eq!(new, wanted.iter().collect::<Vec<_>>());
    let nc = String::from_utf8(after["pads-hot.clear.nc"].clone()).unwrap();
    assert!(
        nc.contains("(clearing: 1)") && nc.contains("(path 1 pass 1 opening 1)"),
        "{nc}"
    );
    assert!(!nc.contains("(path 0 "));
    let plan: Plan = serde_json::from_slice(&after["pads-hot.clear.plan.json"]).unwrap();
    assert_eq!(plan.clearing, [1]);

    // Other numbers, another place, a plan that is itself a clearing job.
    for (args, why) in [
        (
            &["--only", "7", "--layer", "hot"][..],
            "no path 7; its paths are 0 to 1",
        ),
        (
            &["--only", "1", "--layer", "tin"],
            "no earlier plan of layer `tin`; there are hot, cold",
        ),
        (
            &["--only", "1", "--layer", "hot", "--kerf", "8um"],
            "--kerf has no meaning",
        ),
        (&["--only", "x"], "invalid"),
        (&["--plan", "a.plan.json"], "--only"),
    ] {
        let (code, words) = foilwright(args, &drawing, &out);
        assert_eq!(code, 2, "{words}");
        assert!(words.contains(why), "{why}: {words}");
    }
    let own = out.join("pads-hot.clear.plan.json");
    let (code, words) = foilwright(
        &["--only", "1", "--plan", own.to_str().unwrap()],
        &drawing,
        &out,
    );
    assert!(code == 2 && words.contains("clearing job"), "{words}");
    let recipe = d.path().join("corner.toml");
    std::fs::write(&recipe, "[scan]\norigin = \"corner\"\n").unwrap();
    let (code, words) = foilwright(
        &[
            "--only",
            "1",
            "--layer",
            "hot",
            "--recipe",
            recipe.to_str().unwrap(),
        ],
        &drawing,
        &out,
    );
    assert!(
        code == 2 && words.contains("the cuts would miss"),
        "{words}"
    );

    // The next full job takes the clearing job of the old plan away.
    assert_eq!(foilwright(&["--no-pictures"], &drawing, &out).0, 0);
    assert_eq!(files(&out), before);
}

fn files(folder: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap())
        .map(|e| {
            (
                e.file_name().to_string_lossy().into_owned(),
                std::fs::read(e.path()).unwrap(),
            )
        })
        .collect()
}
