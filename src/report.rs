//! The report of one run: what was found, made and written, for people and for machines.

use crate::finding::Finding;
use crate::heat::HeatResult;
use serde::{Deserialize, Serialize};

pub const SCHEMA: &str = "foilwright.report/1";

/// Everything a run can say about one drawing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    pub schema: String,
    pub artwork: String,
    pub size_mm: [f64; 2],
    pub recipe: String,
    pub kerf_um: f64,
    pub passes: u32,
    pub laser_side: String,
    /// Smallest step of the scanner: the limit of every figure below a micrometre.
    pub scanner_step_um: f64,
    /// Largest distance of a flattened outline from the drawn curve.
    pub tolerance_um: f64,
    /// Fonts that text was drawn with.
    #[serde(default)]
    pub fonts: Vec<String>,
    /// Findings that belong to no layer.
    pub findings: Vec<Finding>,
    pub layers: Vec<LayerReport>,
    /// Files written, names within the output folder.
    #[serde(default)]
    pub files: Vec<String>,
}

/// One stencil.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LayerReport {
    pub name: String,
    /// Openings after tie bars, and as drawn.
    pub openings: usize,
    pub openings_drawn: usize,
    pub opening_area_mm2: f64,
    pub islands_found: usize,
    pub tie_bars: usize,
    pub tie_bar_area_mm2: f64,
    /// Where each tie bar stands and why.
    pub bars: Vec<BarReport>,
    /// Seams with the other stencils of the same layer; their width is the overlap.
    #[serde(default)]
    pub seams: Vec<BarReport>,
    /// How the layer was shared between stencils, where it was.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub split: Option<SplitReport>,
    /// Narrowest web of foil and narrowest opening, where the rules measured one.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub min_web_um: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub min_opening_um: Option<f64>,
    /// Holding tabs of the sheet's own outline, where it is cut out.
    #[serde(default)]
    pub sheet_tabs: usize,
    pub paths: usize,
    /// Joins between bites of long paths.
    pub joins: usize,
    pub cut_length_mm: f64,
    pub jump_length_mm: f64,
    pub beam_on_s: f64,
    pub jump_s: f64,
    pub dwell_s: f64,
    pub job_s: f64,
    /// The time that no order of these cuts goes below.
    #[serde(default)]
    pub floor_s: f64,
    /// What a simulation of the job on coarse cells says, places in job millimetres.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub heat: Option<HeatResult>,
    pub findings: Vec<Finding>,
}

/// The stencils that share a layer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SplitReport {
    pub stencils: usize,
    pub seams: usize,
    /// No division with this number of stencils has fewer seams.
    pub fewest: bool,
    /// Area by which the union of the stencils differs from the drawing.
    pub difference_um2: f64,
    /// Area by which ends of seams on slanted outlines moved those to reach the grid.
    pub grid_um2: f64,
}

/// One tie bar or seam, page millimetres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BarReport {
    pub from_mm: [f64; 2],
    pub to_mm: [f64; 2],
    pub width_um: f64,
    pub reason: String,
}

impl Report {
    /// Findings of the drawing and of all layers.
    pub fn all_findings(&self) -> impl Iterator<Item = &Finding> {
        self.findings
            .iter()
            .chain(self.layers.iter().flat_map(|l| &l.findings))
    }
    pub fn blocked(&self) -> bool {
        self.all_findings()
            .any(|f| f.severity == crate::finding::Severity::Blocking)
    }
    pub fn to_json(&self) -> Vec<u8> {
        let mut bytes = serde_json::to_vec_pretty(self).expect("a report is plain data");
        bytes.push(b'\n');
        bytes
    }
}
