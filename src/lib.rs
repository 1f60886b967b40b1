//! Foilwright: from a layered vector drawing to laser cut files for thin-foil shadow masks.
//!
//! ```text
//! drawing -> artwork -> regions -> stencil -> kerf -> order -> job -> files
//!                                     |                 ^        |
//!                                   rules             heat     proof (reads the files back, alone)
//! ```
//!
//! | stage | goes in | comes out |
//! | --- | --- | --- |
//! | [`artwork`] | SVG file | layers of dark regions, page millimetres |
//! | [`sheet`] | artwork, recipe | the foil, the same for all layers |
//! | [`stencil`] | one layer, sheet | openings that leave one piece of foil; islands, tie bars, rules |
//! | [`kerf`] | openings | contours of the beam's centre |
//! | [`order`] | contours | paths and visits in the order of cutting |
//! | [`job`] | sequence | a plan in job coordinates, and its files |
//! | [`proof`] | a written file, the layer | what the file will really cut |

pub mod artwork;
pub mod beam;
pub mod commands;
pub mod compare;
pub mod finding;
mod grid;
pub mod heat;
mod hilbert;
pub mod job;
pub mod kerf;
pub mod material;
pub mod motion;
pub mod order;
pub mod output;
pub mod pictures;
mod pipeline;
pub mod polyline;
pub mod proof;
mod random;
pub mod recipe;
pub mod regions;
pub mod report;
mod sets;
pub mod sheet;
pub mod stencil;
pub mod stopwatch;
pub mod trade;
pub mod units;
mod wide;
mod xml;

pub use pipeline::{LayerJob, Options, PipelineError, Run, prepare};
