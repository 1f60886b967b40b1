//! The stages of `cut`, one by one, on drawings of growing size: openings of 32 vertices and one comb.
//! `usvg_alone` parses the same text with the SVG library and does nothing else: the yardstick.
//! Names: stage / input. Threads: `RAYON_NUM_THREADS`.

mod drawings;

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use foilwright::artwork::{ReadOptions, read_str};
use foilwright::job::{self, Label, Plan};
use foilwright::kerf::{self, Contour};
use foilwright::order::{self, OrderMode};
use foilwright::proof::{self, Dialect};
use foilwright::recipe::Recipe;
use foilwright::sheet::Sheet;
use foilwright::stencil::{self, IslandMode};
use foilwright::{Options, prepare};
use std::hint::black_box;
use std::path::Path;
use std::time::Duration;

fn label(order: OrderMode) -> Label<'static> {
    Label {
        artwork: "bench.svg",
        layer: "metal",
        order,
        forced: false,
    }
}

fn planned(contours: &[Contour], order: OrderMode, sheet_mm: [f64; 4], recipe: &Recipe) -> Plan {
    let sequence = order::arrange(contours, recipe, order, sheet_mm).value;
    job::place(&sequence, sheet_mm, recipe, &label(order)).expect("it fits the field")
}

/// The whole of `cut --as rs274 --no-pictures` but its proof and the saving of files: bytes of the job and the report.
fn whole(drawing: &Path, options: &Options) -> usize {
    let run = prepare(drawing, options).expect("it is planned");
    let plan = run.jobs[0].plan.as_ref().expect("nothing blocks");
    let writer = job::writer("rs274").expect("a known format");
    let bytes = writer.write(plan, &options.recipe).expect("written");
    bytes.len() + run.report.to_json().len()
}

fn stages(c: &mut Criterion) {
    let recipe = Recipe::default();
    let inputs = [
        ("openings_1k", drawings::openings(1_000, 32, 1)),
        ("openings_10k", drawings::openings(10_000, 32, 1)),
        ("openings_40k", drawings::openings(40_000, 32, 1)),
        ("comb_500k", drawings::comb(500_000)),
    ];
    for (name, text) in &inputs {
        let mut g = c.benchmark_group("cut");
        g.sample_size(10)
            .warm_up_time(Duration::from_millis(300))
            .measurement_time(Duration::from_secs(2));
        let id = |stage: &str| BenchmarkId::new(stage, name);
        let options = ReadOptions::default();
        g.bench_function(id("usvg_alone"), |b| {
            b.iter(|| {
                let options = usvg::Options::default();
                black_box(usvg::Tree::from_str(text, &options).expect("it is SVG"))
            });
        });
        g.bench_function(id("whole_without_proof"), |b| {
            let folder = tempfile::tempdir().expect("a folder");
            let drawing = folder.path().join("bench.svg");
            std::fs::write(&drawing, text).expect("room for it");
            let options = Options {
                recipe: recipe.clone(),
                read: ReadOptions::default(),
                layers: Vec::new(),
                islands: IslandMode::Tie,
                order: OrderMode::Artwork,
                force: false,
                rules_only: false,
            };
            b.iter(|| black_box(whole(&drawing, &options)));
        });
        g.bench_function(id("read"), |b| {
            b.iter(|| black_box(read_str(text, "bench.svg", &options).expect("it is read")));
        });
        let artwork = read_str(text, "bench.svg", &options)
            .expect("it is read")
            .value;
        let layer = &artwork.layers[0];
        let sheet = Sheet::of(&artwork, &recipe).value;
        let foil = sheet.regions();
        g.bench_function(id("stencil"), |b| {
            b.iter(|| {
                let made = stencil::hold_together(layer, &foil, &recipe, IslandMode::Tie);
                black_box(made.value.len())
            });
        });
        let stencil = stencil::hold_together(layer, &foil, &recipe, IslandMode::Tie)
            .value
            .remove(0);
        g.bench_function(id("rules"), |b| {
            b.iter(|| black_box(stencil::rules::check(&stencil, &recipe)).len());
        });
        g.bench_function(id("kerf"), |b| {
            b.iter(|| {
                black_box(kerf::compensate(&stencil.openings, &recipe))
                    .value
                    .len()
            });
        });
        let contours = kerf::compensate(&stencil.openings, &recipe).value;
        for mode in [OrderMode::Artwork, OrderMode::Travel, OrderMode::Cool] {
            g.bench_function(id(&format!("order_{}", mode.word())), |b| {
                b.iter(|| {
                    black_box(order::arrange(&contours, &recipe, mode, sheet.box_mm))
                        .value
                        .visits
                        .len()
                });
            });
        }
        let sequence = order::arrange(&contours, &recipe, OrderMode::Artwork, sheet.box_mm).value;
        let words = label(OrderMode::Artwork);
        g.bench_function(id("place"), |b| {
            b.iter(|| black_box(job::place(&sequence, sheet.box_mm, &recipe, &words)).is_ok());
        });
        let plan = planned(&contours, OrderMode::Artwork, sheet.box_mm, &recipe);
        for format in ["rs274", "svg", "plan"] {
            let writer = job::writer(format).expect("a known format");
            g.bench_function(id(&format!("write_{format}")), |b| {
                b.iter(|| black_box(writer.write(&plan, &recipe).expect("written")).len());
            });
        }
        let bytes = job::writer("rs274")
            .expect("a known format")
            .write(&plan, &recipe)
            .expect("written");
        let dialect = Dialect::from_recipe(&recipe);
        g.bench_function(id("proof_read"), |b| {
            b.iter(|| black_box(proof::read("bench.nc", &bytes, &dialect).expect("read")));
        });
        let job = proof::read("bench.nc", &bytes, &dialect).expect("read");
        g.bench_function(id("proof"), |b| {
            b.iter(|| black_box(proof::prove(&job, layer, sheet.box_mm, &recipe)).passed);
        });
        g.finish();
    }
}

criterion_group!(benches, stages);
criterion_main!(benches);
