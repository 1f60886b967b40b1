//! As-cut edges against others: jobs are written with what the proof saw of them, for
//! `tests/outside/check_as_cut.py` to compare with GEOS on the same moves.

use crate::support::dice::Dice;
use foilwright::artwork::ReadOptions;
use foilwright::order::OrderMode;
use foilwright::proof::{Dialect, edge_distances, prove, read, ways_mm};
use foilwright::recipe::Recipe;
use foilwright::stencil::IslandMode;
use foilwright::{Options, prepare};
use std::path::{Path, PathBuf};

/// Places along the drawn edges that are written out for each job.
const PLACES: usize = 400;

fn export(drawing: &Path, width_mm: Option<f64>, into: &Path) -> usize {
    let mut recipe = Recipe::load("steel-25um").unwrap();
    if width_mm.is_some() {
        // Icons fill their page: a foil around what is drawn.
        recipe.sheet.size = "artwork".into();
        recipe.sheet.margin_mm = 0.5;
    }
    let options = Options {
        read: ReadOptions {
            width_mm,
            tolerance_um: recipe.tolerance_um(),
            ..ReadOptions::default()
        },
        layers: Vec::new(),
        islands: IslandMode::Tie,
        order: OrderMode::Travel,
        force: false,
        rules_only: false,
        recipe,
    };
    let Ok(run) = prepare(drawing, &options) else {
        return 0;
    };
    let mut written = 0;
    for job in &run.jobs {
        let Some(plan) = &job.plan else { continue };
        let bytes = foilwright::job::writer("rs274")
            .unwrap()
            .write(plan, &options.recipe)
            .unwrap();
        let back = read("a.nc", &bytes, &Dialect::from_recipe(&options.recipe)).unwrap();
        let sheet_mm = run.sheet.box_mm;
        let verdict = prove(&back, &job.layer, sheet_mm, &options.recipe);
        let mut places = edge_distances(&back, &job.layer, sheet_mm, &options.recipe);
        let mut dice = Dice::seeded(places.len() as u64);
        while places.len() > PLACES {
            let i = dice.below(places.len());
            places.swap_remove(i);
        }
        let name = format!(
            "{}-{}",
            drawing.file_stem().unwrap().to_string_lossy(),
            job.stencil.name
        );
        let json = serde_json::json!({
            "name": name,
            "kerf_um": options.recipe.kerf.width_um,
            "sheet_mm": sheet_mm,
            "ways_mm": ways_mm(&back, sheet_mm, &options.recipe),
            "places": places,
            "scan_line_um": verdict.as_cut.scan_line_um,
            "slugs": verdict.as_cut.slugs,
            "loose": verdict.as_cut.loose.len(),
        });
        let file = into.join(format!(
            "{:05}-{name}.json",
            std::fs::read_dir(into).unwrap().count()
        ));
        std::fs::write(file, serde_json::to_vec(&json).unwrap()).unwrap();
        written += 1;
    }
    written
}

fn folder(name: &str) -> PathBuf {
    let into = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    drop(std::fs::remove_dir_all(&into));
    std::fs::create_dir_all(&into).unwrap();
    into
}

#[test]
#[ignore = "writes files for tests/outside/check_as_cut.py"]
fn slow_export_demos() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let into = folder("as-cut-demos");
    let mut written = 0;
    for entry in std::fs::read_dir(root.join("demo-data")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "svg") {
            written += export(&path, None, &into);
        }
    }
    assert!(written >= 3);
    println!("{written} jobs in {}", into.display());
}

#[test]
#[ignore = "slow: needs the icons of tests/outside/install.sh"]
fn slow_export_icons() {
    let root =
        Path::new(env!("CARGO_MANIFEST_DIR")).join(".outside/node_modules/bootstrap-icons/icons");
    let into = folder("as-cut-icons");
    let mut files: Vec<PathBuf> = std::fs::read_dir(&root)
        .unwrap_or_else(|e| panic!("{}: {e}: run tests/outside/install.sh", root.display()))
        .map(|e| e.unwrap().path())
        .collect();
    files.sort();
    let mut written = 0;
    // Spread over the alphabet.
    for file in files.iter().step_by((files.len() / 600).max(1)) {
        written += export(file, Some(3.0), &into);
    }
    println!("{written} jobs in {}", into.display());
    assert!(written >= 500, "{written}");
}
