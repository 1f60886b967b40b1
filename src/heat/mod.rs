//! Heat: the foil as a thin sheet that the beam warms.
//!
//! The temperature rise is uniform through the thickness: rho c h dT/dt = k h lap(T) - H (T - Tslide) + q.
//! Valid between pulses for metals (h2 / (pi2 alpha) is microseconds), not inside a pulse and not for
//! polymers below about a millisecond.

pub mod closed_form;
mod conduct;
mod fine;
mod foil;
mod plan_sheet;
mod rays;
mod rows;
mod simulate;
mod spacing;
mod summary;
mod web_rows;
mod webs;

pub use fine::{Energy, FineSheet};
pub use foil::Foil;
pub use plan_sheet::{Fineness, Load, PlanSheet, Trace};
pub use simulate::{Detail, SimOptions, simulate, sweeps_away};
pub use spacing::{fitting_mm, spacing_mm};
pub use summary::{Frame, HeatResult, Memory, Patch, SelfHeating, YieldTime};
pub use web_rows::{Response, Sheet, WebRows};
pub use webs::{WebWarning, hot_webs};
