//! Order: from cuts to a sequence of visits, inner before outer, near in travel or far in heat.

mod arrange;
mod bites;
pub mod cool;
mod coolest;

pub use arrange::{append_last, arrange, cool_visits, visits_in_order};
pub use coolest::motion;
mod exact;
mod families;
mod nest;
pub mod tour;
pub mod travel;

use crate::kerf::CutPath;

/// The order of cutting. Each visit is a jump (beam off) to its start and a cut (beam on).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Sequence {
    pub paths: Vec<CutPath>,
    pub visits: Vec<Visit>,
}

/// One cut of a path or of a part of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Visit {
    /// Index in [`Sequence::paths`].
    pub path: u32,
    /// Pass, counted from 1.
    pub pass: u32,
    /// The part cut, along the path; `from_mm` < `to_mm`.
    pub from_mm: f64,
    pub to_mm: f64,
    /// Pause with the beam off before the jump, and why.
    pub dwell_before_s: f64,
    pub dwell_reason: String,
}

/// What decides the order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OrderMode {
    /// As drawn.
    Artwork,
    /// Least travel with the beam off.
    Travel,
    /// Each cut where the foil has cooled.
    Cool,
}

impl OrderMode {
    /// The word on the command line and in reports.
    pub fn word(self) -> &'static str {
        match self {
            OrderMode::Artwork => "artwork",
            OrderMode::Travel => "travel",
            OrderMode::Cool => "cool",
        }
    }
}
