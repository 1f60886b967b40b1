//! Proof: jobs read back, faults caught, untouched jobs left alone.

mod fixture;
mod mutants;
mod reader;
mod verdict;
