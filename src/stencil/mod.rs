//! Stencil: will the drawing survive as foil, and what must change so that it does?

use crate::regions::{Point, Regions};

/// A layer made into a sheet that holds together.
#[derive(Debug, Clone)]
pub struct Stencil {
    pub name: String,
    /// The sheet of foil.
    pub sheet: Regions,
    /// The openings as drawn.
    pub drawn: Regions,
    /// The openings to be cut: as drawn, less the tie bars.
    pub openings: Regions,
    pub islands: Vec<Island>,
    pub tie_bars: Vec<TieBar>,
}

/// A piece of foil that nothing would hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Island {
    /// A point inside the piece.
    pub at: Point,
    pub area_um2: f64,
    /// Indices of its bars in [`Stencil::tie_bars`].
    pub bars: Vec<usize>,
    /// Too small to hold: it falls out, and that is reported.
    pub speck: bool,
}

/// A bar of foil across an opening. It ends inside the foil on both sides.
#[derive(Debug, Clone, PartialEq)]
pub struct TieBar {
    /// Ends of the centre line, on the edges of the opening it crosses.
    pub from: Point,
    pub to: Point,
    /// Width of metal left.
    pub width_um: f64,
    /// Why it is where it is, for people.
    pub reason: String,
}
