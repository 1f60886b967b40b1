//! What a simulation says, and how it is said to people.

use super::webs::HOT_K;
use super::{Energy, WebWarning};
use crate::finding::Finding;
use crate::units::trim_number;
use serde::{Deserialize, Serialize};

/// Cells larger than this share of the distance between cuts are said to be coarse: what each side of the metal between
/// two cuts is warmed by runs together in them.
const TOO_COARSE: f64 = 1.15;

/// Slower foils are told of: pulses come a hundredth of a millisecond apart, and a visit takes some.
const MOST_THROUGH_MS: f64 = 1.2;

/// Rise at the beam that earlier visits left, relative to the slide under it. What ordering can change.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Memory {
    pub peak_k: f64,
    /// 99 % of the beam-on time is below this.
    pub p99_k: f64,
    /// Over the starts of visits.
    pub mean_at_start_k: f64,
    pub max_at_start_k: f64,
    /// Where the peak was, job millimetres.
    pub peak_at_mm: [f64; 2],
}

/// Rise at the beam caused by its own visit, slots left out. Only shorter bites, less power or more speed
/// lower it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct SelfHeating {
    pub worst_k: f64,
    pub at_mm: [f64; 2],
}

/// The warmest square patch against the rise at which it buckles out of the plane.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Patch {
    pub side_mm: f64,
    pub peak_mean_k: f64,
    /// Simply supported, fully restrained.
    pub buckling_k: f64,
    pub ratio: f64,
    pub at_mm: [f64; 2],
}

/// How much foil was hotter than first yield for how long.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct YieldTime {
    pub limit_k: f64,
    pub area_time_mm2_s: f64,
}

/// The field at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    pub time_s: f64,
    /// Rise of each cell, row by row, y up.
    pub rise_k: Vec<f32>,
    pub beam_mm: Option<[f64; 2]>,
    /// Burns begun.
    pub burns: usize,
}

/// What the foil went through.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeatResult {
    pub sheet_mm: [f64; 4],
    pub dx_um: f64,
    pub dt_us: f64,
    /// Time for heat to cross the foil, ms, as the process window has it: the model holds for longer times only.
    pub through_ms: f64,
    /// Distance between cuts side by side where they are dense; cells of half of it show the metal between them.
    pub spacing_um: f64,
    pub job_s: f64,
    pub memory: Memory,
    pub self_heating: SelfHeating,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub webs: Option<WebWarning>,
    /// Warmest place of the slide. Does not depend on the order.
    pub slide_drift_k: f64,
    pub patch: Patch,
    pub yield_time: YieldTime,
    pub energy: Energy,
    pub energy_error: f64,
    /// Highest settled rise above the slide: at least 50 ms after the beam was last within 0.4 mm.
    pub peak_settled_k: f64,
    #[serde(skip)]
    pub nx: usize,
    #[serde(skip)]
    pub ny: usize,
    /// Peak settled rise of each cell above the slide, row by row, y up.
    #[serde(skip)]
    pub settled_k: Vec<f32>,
    /// Rise of each cell at the end.
    #[serde(skip)]
    pub end_k: Vec<f32>,
    /// Cells cut off from the sheet.
    #[serde(skip)]
    pub cut_free: Vec<bool>,
    #[serde(skip)]
    pub frames: Vec<Frame>,
}

impl HeatResult {
    /// The numbers as lines for people.
    pub fn lines(&self) -> Vec<String> {
        let k = |v: f64| trim_number(v, 1);
        let m = &self.memory;
        let mut out = vec![
            format!(
                "heat memory: peak {} K at ({:.2}, {:.2}) mm, 99 % below {} K, {} K on average where a cut starts",
                k(m.peak_k),
                m.peak_at_mm[0],
                m.peak_at_mm[1],
                k(m.p99_k),
                k(m.mean_at_start_k)
            ),
            format!(
                "self-heating: up to {} K by a visit alone, whatever the order (shorter bites, less power or more speed lower it)",
                k(self.self_heating.worst_k)
            ),
            format!(
                "slide drift: {} K, whatever the order",
                k(self.slide_drift_k)
            ),
            format!(
                "warmest {} mm patch: {} K, {} times the rise at which it lifts ({} K)",
                trim_number(self.patch.side_mm, 2),
                k(self.patch.peak_mean_k),
                trim_number(self.patch.ratio, 1),
                k(self.patch.buckling_k)
            ),
            format!(
                "above first yield ({} K): {} mm2 s",
                k(self.yield_time.limit_k),
                trim_number(self.yield_time.area_time_mm2_s, 3)
            ),
        ];
        out.push(match &self.webs {
            Some(w) => w.words(),
            None => format!(
                "webs: none rises past {} K on each pass",
                trim_number(HOT_K, 0)
            ),
        });
        if self.dx_um > TOO_COARSE * self.spacing_um {
            out.push(format!(
                "only an estimate, likely too high: cells of {} um blur metal that is {} um wide (`preview --cell {}um` shows it, and takes longer)",
                trim_number(self.dx_um, 0),
                trim_number(self.spacing_um, 0),
                trim_number((0.5 * self.spacing_um).max(1.0).floor(), 0)
            ));
        }
        out
    }
    /// What a practitioner should act on.
    pub fn findings(&self) -> Vec<Finding> {
        let mut out = Vec::new();
        if let Some(w) = &self.webs {
            out.push(
                Finding::warning("hot-webs", w.words())
                    .hint(w.advice())
                    .at(w.at_mm[0], w.at_mm[1])
                    .measured(w.narrowest_um, w.cool_um),
            );
        }
        if self.through_ms > MOST_THROUGH_MS {
            out.push(
                Finding::warning(
                    "heat-not-even",
                    format!(
                        "it takes {} ms until this foil is as warm below as above: the heat model, which takes it for even, tells too little of the surface and too much of self-heating",
                        trim_number(self.through_ms, 1)
                    ),
                )
                .hint("take its figures as no more than a comparison of orders"),
            );
        }
        if self.patch.ratio > 1.0 {
            out.push(
                Finding::warning(
                    "patch-may-lift",
                    format!(
                        "a {} mm patch warms by {} K on average; held all round it lifts off the slide above {} K",
                        trim_number(self.patch.side_mm, 2),
                        trim_number(self.patch.peak_mean_k, 1),
                        trim_number(self.patch.buckling_k, 1)
                    ),
                )
                .hint("hold the foil closer (magnets), use shorter bites (heat.bite_mm) or less power")
                .at(self.patch.at_mm[0], self.patch.at_mm[1]),
            );
        }
        out
    }
}
