//! What `cut` shows of a job: its order and its heat.

use super::cut::base_name;
use super::{preview, words};
use crate::finding::Finding;
use crate::heat::{Detail, HeatResult, SimOptions, simulate};
use crate::job;
use crate::motion::Motion;
use crate::pictures::order::{Mark, OrderPicture, order_png};
use crate::recipe::Recipe;
use crate::sheet::Frame;
use crate::units::{NM_PER_MM, plural, show_time_s, trim_number};
use crate::{LayerJob, Run};

/// The order and the heat of one stencil's job, to be looked at.
pub(super) struct Shown {
    pub pictures: Vec<(String, Vec<u8>)>,
    pub heat: Option<HeatResult>,
    /// What the heat gives cause to do.
    pub findings: Vec<Finding>,
}

pub(super) fn show(run: &Run, job: &LayerJob, plan: &job::Plan, recipe: &Recipe) -> Shown {
    let base = base_name(&run.stem, &job.stencil.name);
    let motion = plan.motion();
    let (heat, limit_k) = rayon::join(
        || {
            let options = SimOptions {
                detail: Detail::Telling,
                ..SimOptions::default()
            };
            (!motion.burns.is_empty()).then(|| simulate(&motion, recipe, options))
        },
        || {
            let chosen = || preview::limit_of(&motion, recipe);
            let known = recipe.heat.limit_k;
            (!motion.burns.is_empty()).then(|| known.unwrap_or_else(chosen))
        },
    );
    let frame = Frame::new(run.sheet.box_mm, recipe);
    let on_page = |mut f: Finding| {
        f.at_mm = f.at_mm.map(|at| frame.to_page(at));
        f.layer(&job.stencil.name)
    };
    let findings: Vec<Finding> = (heat.iter().flat_map(HeatResult::findings))
        .map(on_page)
        .collect();
    let (order, map) = rayon::join(
        || order_picture(run, job, plan, &motion, &findings, recipe),
        || {
            let (heat, limit_k) = heat.as_ref().zip(limit_k)?;
            Some(preview::heat_picture(&base, &motion, recipe, heat, limit_k))
        },
    );
    let mut pictures = vec![(format!("{base}.order.png"), order)];
    pictures.extend(map.map(|map| (format!("{base}.heat.png"), map)));
    Shown {
        pictures,
        heat,
        findings,
    }
}

fn order_picture(
    run: &Run,
    job: &LayerJob,
    plan: &job::Plan,
    motion: &Motion,
    heat: &[Finding],
    recipe: &Recipe,
) -> Vec<u8> {
    let frame = Frame::new(run.sheet.box_mm, recipe);
    let to_job = |p: crate::regions::Point| {
        frame.to_job([f64::from(p.x) / NM_PER_MM, f64::from(p.y) / NM_PER_MM])
    };
    let t = &plan.timing;
    let s = &plan.settings;
    let picture = OrderPicture {
        title: format!("{} - layer {}", run.report.artwork, job.stencil.name),
        subtitle: format!(
            "seen from the laser, which cuts the {} side; sheet {} x {} mm; kerf {} um; {} pass{} in {}; order {}",
            s.laser_side,
            trim_number(run.sheet.size_mm()[0], 2),
            trim_number(run.sheet.size_mm()[1], 2),
            trim_number(s.kerf_um, 2),
            s.passes,
            if s.passes == 1 { "" } else { "es" },
            s.scheme,
            s.order
        ),
        openings: job
            .stencil
            .openings
            .rings()
            .map(|r| r.iter().map(|p| to_job(*p)).collect())
            .collect(),
        bars: job
            .stencil
            .tie_bars
            .iter()
            .map(|b| (to_job(b.from), to_job(b.to), b.width_um * 1e-3))
            .collect(),
        seams: job
            .stencil
            .seams
            .iter()
            .map(|s| (to_job(s.from), to_job(s.to), s.overlap_um * 1e-3))
            .collect(),
        tabs: plan.tabs_mm(),
        elsewhere: job
            .stencil
            .elsewhere
            .rings()
            .map(|r| r.iter().map(|p| to_job(*p)).collect())
            .collect(),
        marks: words::numbered(job.findings.iter().chain(heat))
            .filter_map(|(number, f)| {
                f.at_mm.map(|at| Mark {
                    number,
                    at: frame.to_job(at),
                    text: f.message.clone(),
                })
            })
            .collect(),
        facts: vec![
            format!(
                "{} opening{}, {} island{}",
                job.stencil.openings.len(),
                plural(job.stencil.openings.len()),
                job.stencil.islands.len(),
                plural(job.stencil.islands.len())
            ),
            format!(
                "cut {} mm, jumps {} mm",
                trim_number(t.cut_length_mm, 1),
                trim_number(t.jump_length_mm, 1)
            ),
            format!("job {}", show_time_s(t.job_s)),
            format!("beam on {}", show_time_s(t.beam_on_s)),
            format!(
                "jumps {}, pauses {}",
                show_time_s(t.jump_s),
                show_time_s(t.dwell_s)
            ),
        ],
    };
    order_png(motion, &picture)
}
