//! One test binary, one module per capability.

mod heat;
mod recipe;
