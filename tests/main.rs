//! One test binary, one module per capability.

mod kerf;
mod recipe;
mod support;
