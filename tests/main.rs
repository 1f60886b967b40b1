//! One test binary, one module per capability.

mod artwork;
mod bad_input;
mod calibration;
mod cut;
mod heat;
mod hostile;
mod kerf;
mod proof;
mod recipe;
mod regions;
mod stencil;
mod support;
mod travel;
