//! Proof: jobs read back, faults caught, untouched jobs left alone.

mod reader;
