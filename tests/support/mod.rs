//! What several test modules share.

pub mod as_cut;
pub mod dice;
