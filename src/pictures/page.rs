//! The page that order and heat share: title on top, the sheet on the left, a panel on the right, and
//! the scale bar below.

use super::canvas::{Anchor, Canvas, INK, QUIET};
use super::view::View;

pub(super) const WIDTH: u32 = 1500;
pub(super) const HEIGHT: u32 = 1240;
/// Width of the panel on the right.
pub(super) const PANEL: f64 = 400.0;

/// An empty page and the view of the sheet on it (job coordinates, y up).
pub(super) fn page(title: &str, subtitle: &str, sheet_mm: [f64; 4]) -> (Canvas, View) {
    let mut canvas = Canvas::new(WIDTH, HEIGHT);
    canvas.text(30.0, 40.0, 24.0, Anchor::Start, INK, title);
    canvas.text(30.0, 66.0, 16.0, Anchor::Start, QUIET, subtitle);
    let window = [
        30.0,
        90.0,
        f64::from(WIDTH) - PANEL - 60.0,
        f64::from(HEIGHT) - 170.0,
    ];
    let view = View::fit(sheet_mm, window, true);
    view.scale_bar(&mut canvas, 40.0, HEIGHT as f32 - 36.0, 260.0);
    (canvas, view)
}
