//! A micrograph with what was measured in it drawn on top.

use super::canvas::{ALARM, Anchor, Canvas, INK, PAPER, QUIET};
use crate::kerf::micrograph::{Grey, Slot};
use crate::units::{plural, trim_number};

const FOOT: f32 = 96.0;

/// The picture with edges, bridges, a scale bar and the widths below it.
pub fn micrograph_png(picture: &Grey, slot: &Slot, um_per_px: f64) -> Vec<u8> {
    let (w, h) = (picture.width as u32, picture.height as u32);
    // Small pictures are enlarged, so that lines and words have room.
    let zoom = (900 / w.max(h)).max(1);
    let wide = (w * zoom).max(760);
    let mut c = Canvas::new(wide, h * zoom + FOOT as u32);
    for y in 0..h * zoom {
        for x in 0..w * zoom {
            let v = (picture.at((x / zoom) as usize, (y / zoom) as usize) * 255.0) as u8;
            c.pixel(x, y, [v, v, v]);
        }
    }
    let px = |p: [f64; 2]| p.map(|v| (v as f32 + 0.5) * zoom as f32);
    const EDGE: [u8; 3] = [0, 158, 115];
    for k in 0..2 {
        for s in &slot.stations {
            let [x, y] = px(s.edges_px[k]);
            c.circle(x, y, 3.5, Some(EDGE), Some((PAPER, 1.0)));
        }
    }
    for (i, b) in slot.bridges.iter().enumerate() {
        let [x, y] = px([b.x_px, b.y_px]);
        let r = ((slot.width_median_px.max(b.length_px) * 0.7) as f32 * zoom as f32).max(12.0);
        c.circle(x, y, r, None, Some((PAPER, 5.0)));
        c.circle(x, y, r, None, Some((ALARM, 2.5)));
        let name = (i + 1).to_string();
        c.circle(x + r, y - r, 11.0, Some(PAPER), Some((ALARM, 1.5)));
        c.text(x + r, y - r + 5.0, 15.0, Anchor::Middle, ALARM, &name);
    }
    let top = (h * zoom) as f32;
    c.rect(0.0, top, wide as f32, FOOT, PAPER);
    let um = |v: f64| trim_number(v * um_per_px, 2);
    c.text(
        12.0,
        top + 26.0,
        18.0,
        Anchor::Start,
        INK,
        &format!(
            "slot {} um wide (median; {} to {} um), {} bridge{}",
            um(slot.width_median_px),
            um(slot.width_min_px),
            um(slot.width_max_px),
            slot.bridges.len(),
            plural(slot.bridges.len())
        ),
    );
    c.circle(20.0, top + 48.0, 4.0, Some(EDGE), None);
    c.text(
        32.0,
        top + 53.0,
        15.0,
        Anchor::Start,
        QUIET,
        "edge as measured",
    );
    c.circle(190.0, top + 48.0, 8.0, None, Some((ALARM, 2.0)));
    c.text(
        206.0,
        top + 53.0,
        15.0,
        Anchor::Start,
        QUIET,
        "metal bridges the slot",
    );
    // The scale bar: round, at most a quarter of the width.
    let most = 0.25 * f64::from(wide) / f64::from(zoom) * um_per_px;
    let decade = 10f64.powf(most.log10().floor());
    let length = [5.0, 2.0, 1.0]
        .iter()
        .map(|m| m * decade)
        .find(|l| *l <= most)
        .unwrap_or(decade);
    let bar = (length / um_per_px) as f32 * zoom as f32;
    c.rect(12.0, top + 76.0, bar, 5.0, INK);
    c.text(
        20.0 + bar,
        top + 84.0,
        15.0,
        Anchor::Start,
        INK,
        &format!(
            "{} um ({} um/px)",
            trim_number(length, 3),
            trim_number(um_per_px, 4)
        ),
    );
    c.png()
}
