//! One test binary, one module per capability.

mod artwork;
mod heat;
mod proof;
mod recipe;
