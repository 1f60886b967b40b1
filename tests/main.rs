//! One test binary, one module per capability.

mod proof;
mod artwork;
mod recipe;
