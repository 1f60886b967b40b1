//! Heat: the foil as a thin sheet that the beam warms.
