//! One drawing, top to bottom.

use crate::artwork::{self, ArtworkError, ElementIndex, ReadOptions};
use crate::finding::{Finding, Severity};
use crate::job::{self, Label, PlaceError, Plan};
use crate::order::{self, OrderMode, Sequence};
use crate::recipe::Recipe;
use crate::report::{self, BarReport, LayerReport, Report, SplitReport};
use crate::sheet::Sheet;
use crate::stencil::{self, IslandMode, Stencil};
use crate::stopwatch::Stopwatch;
use crate::units::{NM_PER_MM, trim_number};
use crate::{finding, kerf};
use rayon::prelude::*;
use std::cell::LazyCell;
use std::ops::Deref;
use std::path::Path;
use thiserror::Error;

/// What a run is to do.
#[derive(Debug, Clone)]
pub struct Options {
    pub recipe: Recipe,
    pub read: ReadOptions,
    /// Only these layers; all when empty.
    pub layers: Vec<String>,
    pub islands: IslandMode,
    pub order: OrderMode,
    pub force: bool,
    /// Stop after the stencil rules: no paths, no plan.
    pub rules_only: bool,
}

#[derive(Debug, Error)]
pub enum PipelineError {
    #[error(transparent)]
    Artwork(#[from] ArtworkError),
    #[error(transparent)]
    Place(#[from] PlaceError),
    #[error("the drawing has no layer `{name}`; it has: {known}")]
    NoSuchLayer { name: String, known: String },
    #[error(
        "the drawing has {count} layers, each a stencil of its own: at most {MOST_LAYERS} are looked at in one run; name them with --layer, or put what one stencil is to open into one group"
    )]
    TooManyLayers { count: usize },
    #[error(
        "the sheet is {} x {} mm: no foil is cut that small (at least {LEAST_SHEET_MM} mm); check the drawing's width, height and viewBox, or give --width or --sheet",
        trim_number(size_mm[0], 6), trim_number(size_mm[1], 6)
    )]
    SheetTooSmall { size_mm: [f64; 2] },
}

/// Most layers that a run takes: each is a stencil, with files and pictures of its own.
const MOST_LAYERS: usize = 256;

/// Smallest side of a sheet.
const LEAST_SHEET_MM: f64 = 0.1;

/// One stencil with its plan. There is no plan where only rules were asked for or where it may not be cut.
#[derive(Debug, Clone)]
pub struct LayerJob {
    pub stencil: Stencil,
    /// The layer as this stencil is to show it, for the proof.
    pub layer: artwork::Layer,
    pub plan: Option<Plan>,
    pub findings: Vec<Finding>,
}

/// A drawing taken through all stages. Nothing is written yet.
#[derive(Debug, Clone)]
pub struct Run {
    pub stem: String,
    pub sheet: Sheet,
    pub jobs: Vec<LayerJob>,
    pub report: Report,
    /// How long the stages took.
    pub times: Stopwatch,
}

/// Takes a drawing through the stages, up to plans ready to be written.
///
/// # Errors
/// What cannot be read or placed at all. Problems of the artwork are findings in the report.
pub fn prepare(drawing: &Path, options: &Options) -> Result<Run, PipelineError> {
    let mut times = Stopwatch::default();
    let recipe = &options.recipe;
    let mut general = Vec::new();
    let artwork = artwork::read(drawing, &options.read)?.take(&mut general);
    times.lap("read the drawing");
    let sheet = Sheet::of(&artwork, recipe).take(&mut general);
    let size_mm = sheet.size_mm();
    if size_mm.iter().any(|side| *side < LEAST_SHEET_MM) {
        return Err(PipelineError::SheetTooSmall { size_mm });
    }
    let sheet_regions = sheet.regions();
    let outline = if recipe.sheet.cut_out {
        kerf::cut_out(&sheet, recipe).take(&mut general)
    } else {
        Vec::new()
    };
    kerf_assumed(recipe, &mut general);
    let layers = chosen(&artwork, &options.layers)?;
    if layers.len() > MOST_LAYERS {
        return Err(PipelineError::TooManyLayers {
            count: layers.len(),
        });
    }
    if layers.iter().all(|l| l.openings.is_empty()) {
        general.push(
            Finding::blocking(
                "nothing-to-cut",
                "no layer has an opening: there is nothing to cut",
            )
            .hint("dark paint opens the foil: check the colours, or use --opens any-paint"),
        );
    }
    let blocked_before = finding::worst(&general) == Some(Severity::Blocking);
    let file = drawing.file_name().map_or_else(
        || artwork.stem.clone(),
        |n| n.to_string_lossy().into_owned(),
    );

    // Stage by stage, the stencils of a stage side by side.
    let held: Vec<Vec<Draft<'_>>> = layers
        .into_par_iter()
        .map(|layer| {
            let mut found = sheet.check_openings(layer);
            found.extend(stencil::rules::drawn(layer));
            let stencils = stencil::hold_together(layer, &sheet_regions, recipe, options.islands)
                .take(&mut found);
            let draft = |stencil| Draft {
                drawn: layer,
                stencil,
                findings: found.clone(),
                contours: Vec::new(),
            };
            stencils.into_iter().map(draft).collect()
        })
        .collect();
    let mut drafts: Vec<Draft<'_>> = held.into_iter().flatten().collect();
    times.lap("islands and tie bars");
    // Foil that falls apart as a whole takes long to look through, and there will be no job of it.
    let worth = |d: &&mut Draft<'_>| {
        options.force || !d.findings.iter().any(|f| f.code == "islands-too-many")
    };
    (drafts.par_iter_mut().filter(worth))
        .for_each(|d| d.findings.extend(stencil::rules::check(&d.stencil, recipe)));
    times.lap("rules");
    drafts.par_iter_mut().filter(worth).for_each(|d| {
        d.contours = kerf::compensate(&d.stencil.openings, recipe).take(&mut d.findings);
    });
    times.lap("kerf");
    let ordered: Vec<Option<(Sequence, bool)>> = drafts
        .par_iter_mut()
        .map(|d| {
            let blocked = blocked_before || finding::worst(&d.findings) == Some(Severity::Blocking);
            // A layer without openings was told of; the others are cut all the same.
            let stop = options.rules_only || d.stencil.drawn.is_empty();
            if stop || (blocked && !options.force) {
                return None;
            }
            let contours = std::mem::take(&mut d.contours);
            let mut sequence = order::arrange(&contours, recipe, options.order, sheet.box_mm)
                .take(&mut d.findings);
            let last = outline.clone();
            order::append_last(&mut sequence, last, recipe, options.order, sheet.box_mm);
            Some((sequence, blocked))
        })
        .collect();
    times.lap("order");
    let mut jobs = Vec::new();
    for (draft, ordered) in drafts.into_iter().zip(ordered) {
        let label = |forced| Label {
            artwork: &file,
            layer: &draft.stencil.name,
            order: options.order,
            forced,
        };
        let mut plan = ordered
            .map(|(sequence, blocked)| job::place(&sequence, sheet.box_mm, recipe, &label(blocked)))
            .transpose()?;
        if let Some(plan) = &mut plan {
            plan.tie_bars = Some(draft.stencil.tie_bars.len());
        }
        jobs.push(draft.finish(plan));
    }
    times.lap("plan");
    let report = Report {
        schema: report::SCHEMA.to_owned(),
        artwork: file,
        size_mm: artwork.size_mm,
        recipe: recipe.name.clone(),
        kerf_um: recipe.kerf.width_um,
        passes: recipe.passes.count,
        laser_side: recipe.sheet.laser_side.word().to_owned(),
        scanner_step_um: recipe.position_step_um(),
        tolerance_um: recipe.tolerance_um(),
        fonts: artwork.fonts.clone(),
        findings: general,
        layers: jobs.iter().map(layer_report).collect(),
        files: Vec::new(),
    };
    times.lap("report");
    Ok(Run {
        stem: artwork.stem,
        sheet,
        jobs,
        report,
        times,
    })
}

/// A stencil on its way to a job.
struct Draft<'a> {
    drawn: &'a artwork::Layer,
    stencil: Stencil,
    findings: Vec<Finding>,
    contours: Vec<kerf::Contour>,
}

impl Draft<'_> {
    fn finish(self, plan: Option<Plan>) -> LayerJob {
        let Draft {
            drawn,
            stencil,
            mut findings,
            ..
        } = self;
        let elements = LazyCell::new(|| ElementIndex::new(drawn));
        for f in &mut findings {
            locate(f, &elements, &stencil.name);
        }
        let layer = artwork::Layer {
            name: stencil.name.clone(),
            openings: stencil.drawn.clone(),
            elements: drawn.elements.clone(),
            tie_lines: drawn.tie_lines.clone(),
            keep_clear: drawn.keep_clear.clone(),
            common: drawn.common.clone(),
        };
        LayerJob {
            stencil,
            layer,
            plan,
            findings,
        }
    }
}

fn chosen<'a>(
    artwork: &'a artwork::Artwork,
    names: &[String],
) -> Result<Vec<&'a artwork::Layer>, PipelineError> {
    for name in names {
        if !artwork.layers.iter().any(|l| l.name == *name) {
            return Err(PipelineError::NoSuchLayer {
                name: name.clone(),
                known: artwork
                    .layers
                    .iter()
                    .map(|l| l.name.as_str())
                    .collect::<Vec<_>>()
                    .join(", "),
            });
        }
    }
    Ok(artwork
        .layers
        .iter()
        .filter(|l| names.is_empty() || names.contains(&l.name))
        .collect())
}

/// A kerf used at other settings than it was measured at is an assumption, and says so.
fn kerf_assumed(recipe: &Recipe, findings: &mut Vec<Finding>) {
    let differs = recipe.kerf_mismatch();
    if !differs.is_empty() {
        findings.push(
            Finding::warning(
                "kerf-assumed",
                format!(
                    "the kerf of {} um is assumed: it was measured at other settings: {}",
                    crate::units::trim_number(recipe.kerf.width_um, 2),
                    differs.join("; ")
                ),
            )
            .hint("cut a kerf coupon at these settings and fit its readings"),
        );
    }
}

/// Adds the layer, and the element nearest to the place, where a stage did not know them.
fn locate<'a>(finding: &mut Finding, elements: &impl Deref<Target = ElementIndex<'a>>, name: &str) {
    if finding.layer.is_none() {
        finding.layer = Some(name.to_owned());
    }
    if finding.element_id.is_none()
        && let Some([x, y]) = finding.at_mm
        && let Some(e) = elements.element_at((x * NM_PER_MM) as i32, (y * NM_PER_MM) as i32)
    {
        finding.element_id = Some(e.id.clone());
    }
}

fn layer_report(job: &LayerJob) -> LayerReport {
    let s = &job.stencil;
    let mm = |p: crate::regions::Point| [f64::from(p.x) / NM_PER_MM, f64::from(p.y) / NM_PER_MM];
    let mm2 = |nm2: f64| nm2 / (NM_PER_MM * NM_PER_MM);
    let smallest = |codes: &[&str]| {
        job.findings
            .iter()
            .filter(|f| codes.contains(&f.code.as_str()))
            .filter_map(|f| f.measured_um)
            .reduce(f64::min)
    };
    let timing = job.plan.as_ref().map(|p| p.timing).unwrap_or_default();
    LayerReport {
        name: s.name.clone(),
        openings: s.openings.len(),
        openings_drawn: s.drawn.len(),
        opening_area_mm2: mm2(s.openings.area_nm2()),
        islands_found: s.islands.len(),
        tie_bars: s.tie_bars.len(),
        tie_bar_area_mm2: mm2(s.drawn.area_nm2() - s.openings.area_nm2()),
        bars: s
            .tie_bars
            .iter()
            .map(|b| BarReport {
                from_mm: mm(b.from),
                to_mm: mm(b.to),
                width_um: b.width_um,
                reason: b.reason.clone(),
            })
            .collect(),
        seams: s
            .seams
            .iter()
            .map(|b| BarReport {
                from_mm: mm(b.from),
                to_mm: mm(b.to),
                width_um: b.overlap_um,
                reason: b.reason.clone(),
            })
            .collect(),
        split: s.split.as_ref().map(|p| SplitReport {
            stencils: p.stencils,
            seams: p.seams,
            fewest: p.fewest,
            difference_um2: p.difference_um2,
            grid_um2: p.grid_um2,
        }),
        min_web_um: smallest(&["web-narrow"]),
        min_opening_um: smallest(&["opening-narrow", "single-line", "line-much-wider"]),
        sheet_tabs: job.plan.as_ref().map_or(0, Plan::sheet_tabs),
        paths: job.plan.as_ref().map_or(0, |p| p.paths.len()),
        joins: job.plan.as_ref().map_or(0, joins),
        cut_length_mm: timing.cut_length_mm,
        jump_length_mm: timing.jump_length_mm,
        beam_on_s: timing.beam_on_s,
        jump_s: timing.jump_s,
        dwell_s: timing.dwell_s,
        job_s: timing.job_s,
        floor_s: job.plan.as_ref().map_or(0.0, |p| job::floor(p).job_s),
        heat: None,
        findings: job.findings.clone(),
    }
}

/// Cuts beyond the first of each path and pass: places where bites join.
fn joins(plan: &Plan) -> usize {
    let mut seen = std::collections::BTreeSet::new();
    plan.steps
        .iter()
        .filter(|s| match s {
            job::Step::Cut { path, pass, .. } => !seen.insert((*path, *pass)),
            _ => false,
        })
        .count()
}
