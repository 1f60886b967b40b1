//! Kerf: from openings to the paths of the beam's centre, and the coupons and fits that measure it.

mod compensate;
pub mod coupon;
mod cut_out;
pub mod fit;
mod junctions;
mod lines;
pub mod micrograph;
mod run_in;
pub mod stats;

pub use compensate::compensate;
pub use cut_out::cut_out;
pub use run_in::lay;

use crate::regions::Point;
use serde::{Deserialize, Serialize};

/// What a cut is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CutKind {
    /// The boundary of an opening, moved inwards by half the kerf.
    Opening,
    /// A single line along a part no wider than the kerf.
    Line,
    /// Inner strokes that clear a small slug whole.
    Clear,
    /// The outline of the sheet.
    Sheet,
}

/// A cut before its order is known: geometry in page coordinates on the grid.
#[derive(Debug, Clone, PartialEq)]
pub struct Contour {
    pub kind: CutKind,
    /// Closed rings do not repeat their first point.
    pub closed: bool,
    pub points: Vec<Point>,
    /// Index of the opening (shape of [`crate::stencil::Stencil::openings`]) it belongs to.
    pub opening: Option<u32>,
    /// Index of the contour that encloses this one and must be cut after it.
    pub parent: Option<u32>,
    /// Vertices at which a closed cut may start; empty when every vertex may.
    pub starts: Vec<u32>,
}

impl Contour {
    /// Length of the contour, nanometres; the closing side counts where there is one.
    pub fn length_nm(&self) -> f64 {
        let at = |p: &Point| [f64::from(p.x), f64::from(p.y)];
        let open: f64 = self
            .points
            .windows(2)
            .map(|w| crate::polyline::distance(at(&w[0]), at(&w[1])))
            .sum();
        match (self.closed, self.points.first(), self.points.last()) {
            (true, Some(a), Some(b)) => open + crate::polyline::distance(at(b), at(a)),
            _ => open,
        }
    }
}

/// A cut with its geometry final: start chosen, run-in, overlap and run-out added.
/// Page coordinates, millimetres, y down.
#[derive(Debug, Clone, PartialEq)]
pub struct CutPath {
    pub kind: CutKind,
    /// Whether the path closes an outline (its `points` then include run-in, overlap and run-out).
    pub closed: bool,
    pub points: Vec<[f64; 2]>,
    pub opening: Option<u32>,
    /// Index of the path that encloses this one and must be finished after it.
    pub parent: Option<u32>,
    /// Length along `points` at which the outline itself starts.
    pub run_in_mm: f64,
}

impl CutPath {
    /// Length of the whole path, millimetres.
    pub fn length_mm(&self) -> f64 {
        crate::polyline::length(&self.points)
    }
}
