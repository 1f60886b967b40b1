//! One test binary, one module per capability.

mod artwork;
mod as_cut;
mod bad_input;
mod calibration;
mod cut;
mod faults;
mod floor;
mod folds;
mod heat;
mod hostile;
mod house;
mod icons;
mod kerf;
mod laws;
mod leads;
mod proof;
mod recipe;
mod regions;
mod stencil;
mod support;
mod trade;
mod travel;
