//! Proof: reads a job file back, sweeps the beam, compares with the drawing.
