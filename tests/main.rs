//! One test binary, one module per capability.

mod kerf;
mod artwork;
mod heat;
mod proof;
mod recipe;
mod support;
mod stencil;
mod travel;
