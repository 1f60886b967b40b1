//! Beam: pulse, spot and the process window.
