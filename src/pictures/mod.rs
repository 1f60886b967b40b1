//! Pictures: PNGs with a scale bar, a legend and units. They draw data and decide nothing.

pub mod canvas;
pub mod chart;
pub mod compare;
pub mod heat;
pub mod maps;
pub mod micrograph;
pub mod order;
mod page;
pub mod proof;
pub mod view;
