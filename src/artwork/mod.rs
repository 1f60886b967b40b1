//! Artwork: an SVG drawing becomes layers of dark regions in page millimetres.

use crate::regions::{Bounds, Regions};

/// What was read from a drawing. Page coordinates: origin at the upper left corner, y down.
#[derive(Debug, Clone)]
pub struct Artwork {
    /// File stem, for the names of output files.
    pub stem: String,
    /// Page size, millimetres.
    pub size_mm: [f64; 2],
    pub layers: Vec<Layer>,
    /// Notes layers that are not cut, fonts used and the like.
    pub fonts: Vec<String>,
}

/// One deposited layer: one stencil.
#[derive(Debug, Clone)]
pub struct Layer {
    pub name: String,
    /// The openings as drawn: what a renderer paints dark.
    pub openings: Regions,
    /// What painted, so that a place can be traced back to an element.
    pub elements: Vec<Element>,
    /// Tie lines drawn by hand: centre lines of bars, grid points.
    pub tie_lines: Vec<TieLine>,
    /// Regions where no tie bar may go.
    pub keep_clear: Regions,
}

/// A painted element and the box of its paint.
#[derive(Debug, Clone)]
pub struct Element {
    /// The drawing's id, or `row:column` of the element in the file where it has none.
    pub id: String,
    pub bounds: Bounds,
    /// Opens (dark) or closes (light).
    pub dark: bool,
    /// Settings of tie bars for this element, if the drawing gives any.
    pub ties: TieSettings,
}

/// Per-element settings of tie bars (`data-tie-width`, `data-tie-count`, `data-tie-span`).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct TieSettings {
    pub width_um: Option<f64>,
    pub count: Option<u32>,
    pub span_mm: Option<f64>,
}

/// A tie bar placed by hand.
#[derive(Debug, Clone, PartialEq)]
pub struct TieLine {
    pub id: String,
    pub from: crate::regions::Point,
    pub to: crate::regions::Point,
    pub width_um: Option<f64>,
}

impl Layer {
    /// The topmost dark element whose box holds the point, as the best guess of what it belongs to.
    pub fn element_at(&self, x_nm: i32, y_nm: i32) -> Option<&Element> {
        let slack = 1000;
        self.elements.iter().rev().filter(|e| e.dark).find(|e| {
            let b = e.bounds.grown(slack);
            (b.min.x..=b.max.x).contains(&x_nm) && (b.min.y..=b.max.y).contains(&y_nm)
        })
    }
}
