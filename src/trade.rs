//! Time against heat: one drawing in cool order at several limits, beside travel order and the order as drawn.

use crate::heat::{Detail, SimOptions, simulate};
use crate::job::{self, Plan};
use crate::kerf::CutPath;
use crate::order::cool::even_limit_k;
use crate::order::{self, OrderMode};
use crate::recipe::Recipe;
use crate::{Options, PipelineError, Run, prepare};
use rayon::prelude::*;
use serde::Serialize;
use std::path::Path;

pub const SCHEMA: &str = "foilwright.trade/1";

/// Limits tried, as multiples of the one chosen from the job.
const MULTIPLES: [f64; 8] = [0.5, 0.7, 1.0, 1.4, 2.0, 3.0, 5.0, 10.0];

/// One order of one stencil, simulated.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    pub order: &'static str,
    /// What cool order was held to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit_k: Option<f64>,
    /// The one that `cut` takes with this recipe.
    pub chosen: bool,
    pub memory_peak_k: f64,
    pub memory_p99_k: f64,
    pub job_s: f64,
    pub dwell_s: f64,
    pub jump_s: f64,
}

/// All orders of one stencil.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trade {
    pub layer: String,
    /// No order of these cuts takes less.
    pub floor_s: f64,
    /// The limit chosen from the job: the hottest place if the heat came evenly in time.
    pub even_limit_k: f64,
    pub cell_um: f64,
    /// Cool rows by rising limit, then travel, then as drawn.
    pub rows: Vec<Row>,
}

/// A drawing's stencils at several limits, and the run they come from.
#[derive(Debug, Clone)]
pub struct Trades {
    pub run: Run,
    pub layers: Vec<Trade>,
}

/// Plans and simulates every stencil of a drawing in several orders. `tell` hears of each one done, with the
/// number there are. Stencils that may not be cut are left out, as their findings say.
///
/// # Errors
/// As [`prepare`].
pub fn trade(
    drawing: &Path,
    options: &Options,
    tell: impl Fn(usize, usize) + Sync,
) -> Result<Trades, PipelineError> {
    let run_in = |order| {
        let options = Options {
            order,
            ..options.clone()
        };
        prepare(drawing, &options)
    };
    let drawn = run_in(OrderMode::Artwork)?;
    let travel = run_in(OrderMode::Travel)?;
    let recipe = &options.recipe;
    let floors = drawn.report.layers.iter().map(|l| l.floor_s);
    let plans: Vec<([&Plan; 2], f64)> = (drawn.jobs.iter().zip(&travel.jobs).zip(floors))
        .filter_map(|((d, t), floor_s)| Some(([d.plan.as_ref()?, t.plan.as_ref()?], floor_s)))
        .filter(|([d, _], _)| !d.paths.is_empty())
        .collect();
    let done = std::sync::atomic::AtomicUsize::new(0);
    let mut layers = Vec::new();
    for ([drawn, travel], floor_s) in &plans {
        let paths: Vec<CutPath> = drawn.paths.iter().map(job::Path::to_cut).collect();
        let even_k = even_limit_k(&paths, recipe, drawn.sheet_mm);
        let chosen_k = recipe.heat.limit_k.unwrap_or(even_k);
        let mut limits: Vec<f64> = MULTIPLES.iter().map(|m| m * even_k).collect();
        if recipe.heat.limit_k.is_some() {
            limits.push(chosen_k);
        }
        limits.sort_by(f64::total_cmp);
        let mut cases: Vec<(OrderMode, Option<f64>)> = limits
            .into_iter()
            .map(|k| (OrderMode::Cool, Some(k)))
            .collect();
        cases.extend([(OrderMode::Travel, None), (OrderMode::Artwork, None)]);
        let count = cases.len() * plans.len();
        let rows: Vec<(Row, f64)> = cases
            .into_par_iter()
            .with_max_len(1)
            .map(|(mode, limit_k)| {
                let cooled;
                let plan = match limit_k {
                    Some(k) => {
                        let mut recipe = recipe.clone();
                        recipe.heat.limit_k = Some(k);
                        let visits = order::cool_visits(&paths, &recipe, drawn.sheet_mm);
                        cooled = job::resequence(drawn, &visits);
                        &cooled
                    }
                    None if mode == OrderMode::Travel => travel,
                    None => drawn,
                };
                let row = row(plan, mode, limit_k, recipe);
                tell(
                    done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1,
                    count,
                );
                (
                    Row {
                        chosen: limit_k == Some(chosen_k),
                        ..row.0
                    },
                    row.1,
                )
            })
            .collect();
        layers.push(Trade {
            layer: drawn.layer.clone(),
            floor_s: *floor_s,
            even_limit_k: even_k,
            cell_um: rows.first().map_or(0.0, |r| r.1),
            rows: rows.into_iter().map(|r| r.0).collect(),
        });
    }
    Ok(Trades { run: drawn, layers })
}

/// One plan simulated, and the size of the cells.
fn row(plan: &Plan, mode: OrderMode, limit_k: Option<f64>, recipe: &Recipe) -> (Row, f64) {
    let options = SimOptions {
        detail: Detail::Quick,
        ..SimOptions::default()
    };
    let heat = simulate(&plan.motion(), recipe, options);
    let row = Row {
        order: mode.word(),
        limit_k,
        chosen: false,
        memory_peak_k: heat.memory.peak_k,
        memory_p99_k: heat.memory.p99_k,
        job_s: plan.timing.job_s,
        dwell_s: plan.timing.dwell_s,
        jump_s: plan.timing.jump_s,
    };
    (row, heat.dx_um)
}
