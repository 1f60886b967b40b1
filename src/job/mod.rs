//! Job: the plan in job coordinates, its timing, and one writer per file format.

pub mod plan;
pub mod write;
pub use plan::{Path, Plan, Settings, Step, Timing};
pub use write::{WriteError, Writer};
