//! Cool order on random drawings: never warmer than travel or as drawn, everything cut as often as it should be.

use crate::support::dice::Dice;
use crate::support::options;
use foilwright::finding::Finding;
use foilwright::heat::{SimOptions, simulate};
use foilwright::job::{self, Plan, Step};
use foilwright::order::OrderMode;
use foilwright::proof::{self, Dialect};
use foilwright::recipe::{Recipe, Scheme};
use foilwright::stencil::IslandMode;
use std::fmt::Write;

/// A page of 6 to 12 mm with one to sixty shapes: squares, discs, frames, combs, lines; scattered or in rows.
fn drawing(dice: &mut Dice) -> String {
    let side = 6.0 + dice.below(7) as f64;
    let mut svg = format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="{side}mm" height="{side}mm" viewBox="0 0 {side} {side}"><g id="one">"#
    );
    let most = dice.pick(&[1, 2, 3, 5, 12, 30, 60]);
    let count = 1 + dice.below(most);
    let rows = dice.below(2) == 0;
    let columns = (count as f64).sqrt().ceil() as usize;
    let pitch = (side - 2.0) / columns as f64;
    for n in 0..count {
        let (x, y) = if rows {
            (
                1.0 + pitch * (n % columns) as f64,
                1.0 + pitch * (n / columns) as f64,
            )
        } else {
            let at = |d: &mut Dice| 1.0 + d.below(1000) as f64 * 1e-3 * (side - 3.0);
            (at(dice), at(dice))
        };
        let size = if rows {
            0.6 * pitch
        } else {
            0.1 + dice.below(100) as f64 * 0.009
        };
        match dice.below(5) {
            0 => write!(svg, r#"<rect x="{x}" y="{y}" width="{size}" height="{size}"/>"#),
            1 => {
                let r = size / 2.0;
                write!(svg, r#"<circle cx="{}" cy="{}" r="{r}"/>"#, x + r, y + r)
            }
            2 => {
                let (i, d) = (0.2 * size, 0.6 * size);
                write!(
                    svg,
                    r#"<path fill-rule="evenodd" d="M{x},{y}h{size}v{size}h-{size}z M{},{}h{d}v{d}h-{d}z"/>"#,
                    x + i,
                    y + i
                )
            }
            3 => {
                let mut d = format!("M{x},{y}");
                let step = size / 8.0;
                for _ in 0..4 {
                    let _ = write!(d, "v{size}h{step}v-{size}h{step}");
                }
                write!(svg, r#"<path d="{d}v{}h-{size}z"/>"#, -2.0 * step)
            }
            _ => write!(
                svg,
                r#"<line x1="{x}" y1="{y}" x2="{}" y2="{}" stroke="black" stroke-width="0.006"/>"#,
                x + size,
                y + 0.5 * size
            ),
        }
        .unwrap();
    }
    svg + "</g></svg>"
}

fn recipe(dice: &mut Dice) -> Recipe {
    let mut recipe = Recipe::load("steel-25um").unwrap();
    recipe.passes.count = dice.pick(&[1, 1, 2, 4]);
    recipe.kerf.measured_passes = recipe.passes.count;
    if dice.below(5) == 0 {
        recipe.passes.scheme = Scheme::InPlace;
    }
    recipe.heat.loss_w_m2_k = dice.pick(&[100.0, 500.0, 2000.0]);
    recipe
}

/// Every path is cut from end to end in each of its passes, twice only where bites join.
fn cut_as_often_as_it_should_be(plan: &Plan, recipe: &Recipe) {
    for (p, path) in plan.paths.iter().enumerate() {
        let length = foilwright::polyline::length(&path.points);
        for pass in 1..=recipe.passes.count {
            let mut parts: Vec<[f64; 2]> = (plan.steps.iter())
                .filter_map(|s| match s {
                    Step::Cut {
                        path,
                        pass: q,
                        from_mm,
                        to_mm,
                        ..
                    } if *path as usize == p && *q == pass => Some([*from_mm, *to_mm]),
                    _ => None,
                })
                .collect();
            parts.sort_by(|a, b| a[0].total_cmp(&b[0]));
            assert!(!parts.is_empty(), "path {p} is not cut in pass {pass}");
            assert!(parts[0][0] < 1e-9 && (parts.last().unwrap()[1] - length).abs() < 1e-9);
            let overlap = recipe.run_in_um() * 1e-3;
            for w in parts.windows(2) {
                let over = w[0][1] - w[1][0];
                assert!(
                    over > -1e-9 && over <= overlap + 1e-9,
                    "path {p}: {w:?} overlap by {over}"
                );
            }
        }
    }
    let passes = plan.steps.iter().filter_map(|s| match s {
        Step::Cut { pass, .. } => Some(*pass),
        _ => None,
    });
    assert!(passes.max() <= Some(recipe.passes.count));
}

/// In every pass an inner path is finished before its outer is begun.
fn inner_before_outer(plan: &Plan) {
    let cuts: Vec<(u32, u32)> = (plan.steps.iter())
        .filter_map(|s| match s {
            Step::Cut { path, pass, .. } => Some((*path, *pass)),
            _ => None,
        })
        .collect();
    for (i, (path, pass)) in cuts.iter().enumerate() {
        if let Some(outer) = plan.paths[*path as usize].parent {
            assert!(
                !cuts[..i].contains(&(outer, *pass)),
                "outer {outer} before inner {path} in pass {pass}"
            );
        }
    }
}

/// In the file as written no pause and no jump has the beam on.
fn pauses_have_the_beam_off(plan: &Plan, recipe: &Recipe) {
    let writer = job::writer("rs274").unwrap();
    let bytes = writer.write(plan, recipe).unwrap();
    let read = proof::read("x.nc", &bytes, &Dialect::from_recipe(recipe)).unwrap();
    let waits = plan
        .steps
        .iter()
        .filter(|s| matches!(s, Step::Dwell { .. }));
    assert_eq!(read.motion.dwells.len(), waits.count());
    for (start, length) in &read.motion.dwells {
        for b in &read.motion.burns {
            assert!(b.end_s() <= start + 1e-9 || b.start_s >= start + length - 1e-9);
        }
    }
}

struct Case {
    seed: u64,
    cuts: usize,
    /// Memory peak of cool, travel, as drawn.
    peak_k: [f64; 3],
    job_s: [f64; 3],
    findings: Vec<Finding>,
}

fn case(seed: u64) -> Option<Case> {
    let mut dice = Dice::seeded(1000 + seed);
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("random.svg");
    std::fs::write(&file, drawing(&mut dice)).unwrap();
    let recipe = recipe(&mut dice);
    let mut case = Case {
        seed,
        cuts: 0,
        peak_k: [0.0; 3],
        job_s: [0.0; 3],
        findings: Vec::new(),
    };
    for (i, mode) in [OrderMode::Cool, OrderMode::Travel, OrderMode::Artwork]
        .into_iter()
        .enumerate()
    {
        let mut options = options(recipe.clone(), IslandMode::Tie, mode);
        options.force = true;
        let run = foilwright::prepare(&file, &options).unwrap();
        let job = run.jobs.first()?;
        let plan = job.plan.as_ref()?;
        let motion = plan.motion();
        if mode == OrderMode::Cool {
            cut_as_often_as_it_should_be(plan, &recipe);
            inner_before_outer(plan);
            pauses_have_the_beam_off(plan, &recipe);
            case.cuts = motion.burns.len();
            case.findings = job.findings.clone();
        }
        case.peak_k[i] = simulate(&motion, &recipe, SimOptions::default())
            .memory
            .peak_k;
        case.job_s[i] = plan.timing.job_s;
    }
    Some(case)
}

/// Cool is lower than both, or as low as the lower and says why.
fn judge(case: &Case) -> Result<&'static str, String> {
    let [cool, travel, drawn] = case.peak_k;
    let best = travel.min(drawn);
    if cool < best {
        return Ok("lower");
    }
    let why = case.findings.iter().find(|f| f.code == "cool-no-gain");
    if cool <= best + 0.02 && why.is_some() {
        return Ok("same");
    }
    Err(format!(
        "seed {}: {} cuts, memory peak {cool:.2} K; travel {travel:.2} K, as drawn {drawn:.2} K; job {:.2?} s; {}",
        case.seed,
        case.cuts,
        case.job_s,
        why.map_or("no word why", |f| &f.message)
    ))
}

fn never_worse(seeds: std::ops::Range<u64>) {
    let mut counts = std::collections::BTreeMap::new();
    let mut faults = Vec::new();
    for seed in seeds {
        match case(seed).map_or(Ok("nothing to cut"), |c| judge(&c)) {
            Ok(word) => *counts.entry(word).or_insert(0) += 1,
            Err(words) => faults.push(words),
        }
    }
    println!("{counts:?}, worse: {}", faults.len());
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    assert!(counts["lower"] > counts.get("same").copied().unwrap_or(0));
}

#[test]
fn cool_is_never_worse_on_random_drawings() {
    never_worse(0..20);
}

#[test]
#[ignore = "200 drawings, minutes"]
fn slow_cool_is_never_worse_on_two_hundred_random_drawings() {
    never_worse(0..200);
}
