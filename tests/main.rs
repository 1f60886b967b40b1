//! One test binary, one module per capability.

mod artwork;
mod recipe;
mod stencil;
