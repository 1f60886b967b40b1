//! From millimetres to pixels, and the scale bar that says so.

use super::canvas::{Anchor, Canvas, INK};

/// A window on the sheet. `y_up` for job coordinates, else page coordinates.
#[derive(Debug, Clone, Copy)]
pub struct View {
    pub px_per_mm: f64,
    /// Millimetre coordinates shown at the window's left and top.
    left_mm: f64,
    top_mm: f64,
    pub x_px: f64,
    pub y_px: f64,
    y_up: bool,
}

impl View {
    /// Fits the box (x min, y min, x max, y max) into the window, keeping proportions.
    pub fn fit(box_mm: [f64; 4], window_px: [f64; 4], y_up: bool) -> View {
        let (w, h) = (
            (box_mm[2] - box_mm[0]).max(1e-6),
            (box_mm[3] - box_mm[1]).max(1e-6),
        );
        let px_per_mm = (window_px[2] / w).min(window_px[3] / h);
        View {
            px_per_mm,
            left_mm: box_mm[0],
            top_mm: if y_up { box_mm[3] } else { box_mm[1] },
            x_px: window_px[0] + (window_px[2] - w * px_per_mm) / 2.0,
            y_px: window_px[1] + (window_px[3] - h * px_per_mm) / 2.0,
            y_up,
        }
    }
    pub fn px(&self, p: [f64; 2]) -> [f32; 2] {
        let dy = if self.y_up {
            self.top_mm - p[1]
        } else {
            p[1] - self.top_mm
        };
        [
            (self.x_px + (p[0] - self.left_mm) * self.px_per_mm) as f32,
            (self.y_px + dy * self.px_per_mm) as f32,
        ]
    }
    /// The millimetre position of a pixel.
    pub fn mm(&self, p: [f64; 2]) -> [f64; 2] {
        let dy = (p[1] - self.y_px) / self.px_per_mm;
        [
            self.left_mm + (p[0] - self.x_px) / self.px_per_mm,
            if self.y_up {
                self.top_mm - dy
            } else {
                self.top_mm + dy
            },
        ]
    }
    /// Draws a scale bar of a round length, at most `max_px` long, left end at (x, y).
    pub fn scale_bar(&self, canvas: &mut Canvas, x: f32, y: f32, max_px: f64) {
        let most = max_px / self.px_per_mm;
        let decade = 10f64.powf(most.log10().floor());
        let length = [5.0, 2.0, 1.0]
            .iter()
            .map(|m| m * decade)
            .find(|l| *l <= most * 1.000_001)
            .unwrap_or(decade);
        let px = (length * self.px_per_mm) as f32;
        canvas.rect(x, y, px, 5.0, INK);
        canvas.polyline([[x, y - 4.0], [x, y + 9.0]], false, 1.5, INK);
        canvas.polyline([[x + px, y - 4.0], [x + px, y + 9.0]], false, 1.5, INK);
        canvas.text(
            x + px / 2.0,
            y - 8.0,
            15.0,
            Anchor::Middle,
            INK,
            &crate::units::show_length_um(length * 1e3),
        );
    }
}
