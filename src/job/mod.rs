//! Job: the plan in job coordinates, its timing, and one writer per file format.

pub mod arcs;
pub mod batches;
pub mod clear;
mod csv;
mod dxf;
pub mod floor;
mod hpgl;
mod json;
pub mod place;
pub mod plan;
mod rs274;
mod svg;
pub mod write;

pub use floor::{Floor, floor};
pub use place::{Label, PlaceError, place, resequence};
pub use plan::{CutCount, Path, Plan, Settings, Step, Timing};
pub use write::{WriteError, Writer};

/// Every format, by the word that `--as` takes.
pub const WRITERS: &[(&str, &dyn Writer)] = &[
    ("rs274", &rs274::Rs274Writer),
    ("svg", &svg::SvgWriter),
    ("plan", &json::PlanWriter),
    ("dxf", &dxf::DxfWriter),
    ("csv", &csv::CsvWriter),
    ("hpgl", &hpgl::HpglWriter),
];

/// The writer of that name.
pub fn writer(name: &str) -> Option<&'static dyn Writer> {
    WRITERS.iter().find(|(n, _)| *n == name).map(|(_, w)| *w)
}
