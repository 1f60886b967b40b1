//! Proof: jobs read back, faults caught, untouched jobs left alone.

mod agreement;
mod bites;
mod clear;
mod cut_out;
mod dialects;
mod feasible;
pub(crate) mod fixture;
mod hostile;
mod mutants;
mod reader;
mod speed;
mod verdict;
mod writers;
