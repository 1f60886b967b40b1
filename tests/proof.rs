//! Proof: jobs read back, faults caught, untouched jobs left alone.

pub(crate) mod fixture;
mod hostile;
mod mutants;
mod reader;
mod speed;
mod verdict;
mod writers;
