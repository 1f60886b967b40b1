//! Coupons, readings, fits and the process window.

mod stats;
