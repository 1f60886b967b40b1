//! As-cut truth: what the written job really cuts, held against the drawing, for every demo layer and fixture.

use crate::support::as_cut::faults_of_job;
use crate::support::options;
use foilwright::finding::Severity;
use foilwright::order::OrderMode;
use foilwright::recipe::{LaserSide, Recipe};
use foilwright::stencil::IslandMode;
use foilwright::{Options, Run, prepare};
use std::path::{Path, PathBuf};

fn svgs(folder: &str) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let mut all: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "svg"))
        .collect();
    all.sort();
    assert!(!all.is_empty());
    all
}

/// Cuts the drawing and judges every stencil; gives the number of jobs judged.
fn judge(drawing: &Path, options: &Options) -> usize {
    let run: Run = prepare(drawing, options).unwrap();
    let name = drawing.file_name().unwrap().to_string_lossy();
    let blocking: Vec<_> = run
        .report
        .all_findings()
        .filter(|f| f.severity == Severity::Blocking)
        .collect();
    assert!(blocking.is_empty(), "{name}: {blocking:#?}");
    let mut judged = 0;
    for job in &run.jobs {
        if job.layer.openings.is_empty() {
            continue;
        }
        judged += 1;
        let found = faults_of_job(&run, job, &options.recipe);
        assert!(
            found.is_empty(),
            "{name}, layer {}, {:?} {:?}, {} passes, {}: {} faults, first {:#?}",
            job.stencil.name,
            options.islands,
            options.order,
            options.recipe.passes.count,
            options.recipe.sheet.laser_side.word(),
            found.len(),
            &found[..found.len().min(5)]
        );
    }
    judged
}

const ORDERS: [OrderMode; 3] = [OrderMode::Artwork, OrderMode::Travel, OrderMode::Cool];

/// With `all`, every mix of islands, order, passes and side of the foil; else three of them that meet each once.
fn cut(drawing: &Path, sheet: &str, all: bool) -> usize {
    let mut jobs = 0;
    for (i, islands) in [IslandMode::Tie, IslandMode::Split].into_iter().enumerate() {
        for (o, order) in ORDERS.into_iter().enumerate() {
            for passes in [1, 2] {
                for (s, side) in [LaserSide::Source, LaserSide::Substrate]
                    .into_iter()
                    .enumerate()
                {
                    let turn =
                        (i + o) % 2 == 0 && passes as usize == o / 2 + 1 && s == o.div_ceil(2) % 2;
                    if !all && !turn {
                        continue;
                    }
                    let mut recipe = Recipe::load("steel-25um").unwrap();
                    recipe.passes.count = passes;
                    recipe.sheet.laser_side = side;
                    recipe.sheet.size = sheet.to_owned();
                    jobs += judge(drawing, &options(recipe, islands, order));
                }
            }
        }
    }
    jobs
}

#[test]
fn every_demo_layer_is_cut_as_drawn() {
    let jobs: usize = svgs("demo-data")
        .iter()
        .map(|p| cut(p, "page", false))
        .sum();
    assert!(jobs >= 9, "at least three layers in three ways: {jobs}");
}

#[test]
fn every_fixture_is_cut_as_drawn() {
    // Some reach the edge of their page: the sheet is drawn round all of them.
    let all = svgs("fixtures");
    let jobs: usize = all.iter().map(|p| cut(p, "artwork", false)).sum();
    assert!(jobs >= 3 * all.len(), "{jobs}");
}

#[test]
#[ignore = "slow: every mix of islands, order, passes and side"]
fn slow_everything_is_cut_as_drawn_in_every_way() {
    for (folder, sheet) in [("demo-data", "page"), ("fixtures", "artwork")] {
        for drawing in svgs(folder) {
            let jobs = cut(&drawing, sheet, true);
            println!("{}: {jobs} jobs", drawing.display());
        }
    }
}
