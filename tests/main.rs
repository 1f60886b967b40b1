//! One test binary, one module per capability.

mod recipe;
mod travel;
