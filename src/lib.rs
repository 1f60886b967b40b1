//! Foilwright: from a layered vector drawing to laser cut files for thin-foil shadow masks.
//!
//! ```text
//! drawing -> artwork -> regions -> stencil -> kerf -> order -> job -> files
//!                                     |                 ^        |
//!                                   rules             heat     proof
//! ```

pub mod artwork;
pub mod beam;
pub mod commands;
pub mod finding;
pub mod heat;
pub mod job;
pub mod kerf;
pub mod material;
pub mod motion;
pub mod order;
pub mod output;
pub mod pictures;
pub mod proof;
pub mod recipe;
pub mod regions;
pub mod report;
pub mod stencil;
pub mod units;
