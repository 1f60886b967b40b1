//! One drawing at several kerfs: what is cut otherwise, what is lost, what comes loose.
//!
//! Each kerf gets a stencil of its own, made for that kerf, so that the counts say what a change of the kerf
//! alone does to the drawing.

use crate::finding::{Finding, Severity};
use crate::kerf::{self, CutKind};
use crate::units::NM_PER_MM;
use crate::{LayerJob, Options, PipelineError, Run, prepare};
use serde::Serialize;
use std::path::Path;

pub const SCHEMA: &str = "foilwright.kerfs/1";

/// Places of two kerfs nearer than this are one place.
const SAME_PLACE_MM: f64 = 0.25;

/// What happens at a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Event {
    /// No wider than the kerf: cut as a single line or a dot, which comes out wider than drawn.
    Line,
    /// Left out: too thin to be cut at all.
    LeftOut,
    /// A web of foil under the limit.
    NarrowWeb,
    /// A piece of foil that nothing would hold.
    Loose,
}

impl Event {
    pub const ALL: [Event; 4] = [Event::Line, Event::LeftOut, Event::NarrowWeb, Event::Loose];
    /// What it is, for people.
    pub fn words(self) -> &'static str {
        match self {
            Event::Line => "cut as a single line",
            Event::LeftOut => "left out",
            Event::NarrowWeb => "web under the limit",
            Event::Loose => "piece of foil that nothing holds",
        }
    }
    fn of(finding: &Finding) -> Option<Event> {
        match finding.code.as_str() {
            "single-line" | "line-much-wider" | "dot-cut" => Some(Event::Line),
            "sliver-left-out" | "narrow-part-not-cut" => Some(Event::LeftOut),
            "web-narrow" => Some(Event::NarrowWeb),
            _ => None,
        }
    }
}

/// One event, page millimetres.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Place {
    pub event: Event,
    pub at_mm: [f64; 2],
    #[serde(skip_serializing_if = "Option::is_none")]
    pub element_id: Option<String>,
    /// The width that decided it, where it has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub width_um: Option<f64>,
    /// It was not there at the kerf before.
    pub new: bool,
}

/// One stencil at one kerf.
#[derive(Debug, Clone, Serialize)]
pub struct Stencil {
    pub layer: String,
    pub openings_drawn: usize,
    /// Openings once tie bars have parted some of them: the ones that are cut.
    pub openings: usize,
    /// Of these, the ones that get an outline of their own.
    pub outlined: usize,
    /// Openings cut by lines or dots only.
    pub lines_only: usize,
    /// Openings that are not cut at all.
    pub lost: usize,
    pub islands: usize,
    pub tie_bars: usize,
    /// Length of all beam centre lines, one pass, run-ins left out.
    pub path_length_mm: f64,
    /// Something keeps it from being cut without `--force`.
    pub blocked: bool,
    pub places: Vec<Place>,
}

impl Stencil {
    pub fn count(&self, event: Event) -> usize {
        self.places.iter().filter(|p| p.event == event).count()
    }
}

/// One kerf.
#[derive(Debug, Clone, Serialize)]
pub struct Case {
    pub kerf_um: f64,
    /// Webs narrower than this count as no hold.
    pub min_web_um: f64,
    /// How far each edge would be off, outwards, if the beam cut this wide along paths made for the recipe's kerf.
    pub edge_off_um: f64,
    pub stencils: Vec<Stencil>,
    #[serde(skip)]
    pub run: Run,
}

/// All of them, in the order asked for.
#[derive(Debug, Clone, Serialize)]
pub struct Comparison {
    pub schema: &'static str,
    pub artwork: String,
    pub recipe: String,
    /// The kerf that the recipe states.
    pub recipe_kerf_um: f64,
    pub cases: Vec<Case>,
}

impl Comparison {
    /// Names of all stencils, in the order they first come up; a split may give more at one kerf than at another.
    pub fn layers(&self) -> Vec<&str> {
        let mut names: Vec<&str> = Vec::new();
        for s in self.cases.iter().flat_map(|c| &c.stencils) {
            if !names.contains(&s.layer.as_str()) {
                names.push(&s.layer);
            }
        }
        names
    }
}

/// Takes the drawing through the stages up to the kerf, once for each of `kerfs_um`.
///
/// # Errors
/// As [`prepare`]; a kerf the recipe's bounds refuse is the caller's to check.
pub fn compare_kerfs(
    drawing: &Path,
    options: &Options,
    kerfs_um: &[f64],
) -> Result<Comparison, PipelineError> {
    let mut cases: Vec<Case> = Vec::new();
    for &kerf_um in kerfs_um {
        let mut options = options.clone();
        options.rules_only = true;
        let of_recipe_um = std::mem::replace(&mut options.recipe.kerf.width_um, kerf_um);
        let run = prepare(drawing, &options)?;
        let mut stencils: Vec<Stencil> = run
            .jobs
            .iter()
            .map(|job| stencil(job, &options.recipe))
            .collect();
        if let Some(before) = cases.last() {
            for s in &mut stencils {
                let old = before.stencils.iter().find(|o| o.layer == s.layer);
                mark_new(s, old);
            }
        }
        cases.push(Case {
            kerf_um,
            min_web_um: options.recipe.min_web_um(),
            edge_off_um: (kerf_um - of_recipe_um) / 2.0,
            stencils,
            run,
        });
    }
    Ok(Comparison {
        schema: SCHEMA,
        artwork: cases
            .first()
            .map(|c| c.run.report.artwork.clone())
            .unwrap_or_default(),
        recipe: options.recipe.name.clone(),
        recipe_kerf_um: options.recipe.kerf.width_um,
        cases,
    })
}

fn stencil(job: &LayerJob, recipe: &crate::recipe::Recipe) -> Stencil {
    let s = &job.stencil;
    let contours = kerf::compensate(&s.openings, recipe).value;
    let mut outlined = vec![false; s.openings.len()];
    let mut cut = outlined.clone();
    for c in &contours {
        if let Some(i) = c.opening {
            cut[i as usize] = true;
            outlined[i as usize] |= c.kind == CutKind::Opening;
        }
    }
    let count = |flags: &[bool]| flags.iter().filter(|f| **f).count();
    let mut places: Vec<Place> = job
        .findings
        .iter()
        .filter_map(|f| {
            Some(Place {
                event: Event::of(f)?,
                at_mm: f.at_mm?,
                element_id: f.element_id.clone(),
                width_um: f.measured_um,
                new: false,
            })
        })
        .collect();
    places.extend(s.islands.iter().map(|i| Place {
        event: Event::Loose,
        at_mm: [f64::from(i.at.x) / NM_PER_MM, f64::from(i.at.y) / NM_PER_MM],
        element_id: None,
        width_um: None,
        new: false,
    }));
    Stencil {
        layer: s.name.clone(),
        openings_drawn: s.drawn.len(),
        openings: s.openings.len(),
        outlined: count(&outlined),
        lines_only: count(&cut) - count(&outlined),
        lost: cut.len() - count(&cut),
        islands: s.islands.len(),
        tie_bars: s.tie_bars.len(),
        path_length_mm: contours.iter().map(|c| c.length_nm() / NM_PER_MM).sum(),
        blocked: job
            .findings
            .iter()
            .any(|f| f.severity == Severity::Blocking),
        places,
    }
}

/// Marks the places that the kerf before did not have, each old place answering for one new one at most.
fn mark_new(stencil: &mut Stencil, before: Option<&Stencil>) {
    let mut old: Vec<&Place> = before
        .map(|b| b.places.iter().collect())
        .unwrap_or_default();
    for place in &mut stencil.places {
        let near = old
            .iter()
            .enumerate()
            .filter(|(_, o)| o.event == place.event)
            .map(|(i, o)| (i, crate::polyline::distance(o.at_mm, place.at_mm)))
            .filter(|(_, d)| *d < SAME_PLACE_MM)
            .min_by(|a, b| a.1.total_cmp(&b.1));
        match near {
            Some((i, _)) => {
                old.swap_remove(i);
            }
            None => place.new = true,
        }
    }
}
