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
use crate::recipe::Recipe;

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

/// How much further on than the part of a path from `from_mm` to `to_mm` one of its passes starts, so that the pulses
/// of the passes interleave (`[passes] stagger`). The start of an open path is cut in every pass: nothing runs over it
/// again, as the overlap of a closed one does.
fn stagger_mm(path: &CutPath, [from_mm, to_mm]: [f64; 2], pass: u32, recipe: &Recipe) -> f64 {
    let passes = recipe.passes.count;
    if !recipe.passes.stagger || passes < 2 || (!path.closed && from_mm <= 0.0) {
        return 0.0;
    }
    let pitch_mm = recipe.pulse_pitch_um() * 1e-3;
    (pitch_mm * f64::from(pass - 1) / f64::from(passes)).min((to_mm - from_mm) / 2.0)
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
