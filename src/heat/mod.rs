//! Heat: the foil as a thin sheet that the beam warms.
//!
//! The temperature rise is uniform through the thickness: rho c h dT/dt = k h lap(T) - H (T - Tslide) + q.
//! Valid between pulses for metals (h2 / (pi2 alpha) is microseconds), not inside a pulse and not for
//! polymers below about a millisecond.

mod coarse;
mod foil;

pub use coarse::CoarseSheet;
pub use foil::Foil;
