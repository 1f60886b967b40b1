//! The proof picture: drawn edges, as-cut edges, faults marked and numbered; close views of places.

use super::canvas::{Anchor, Canvas, FOIL, INK, PAPER, QUIET, Rgb};
use super::order::{badge, sheet, wrap};
use super::view::View;
use crate::units::show_length_um;

const WIDTH: u32 = 1600;
const HEIGHT: u32 = 1240;
const PANEL: f32 = 420.0;
const CLOSE: f64 = 270.0;
/// What the beam removes: a blue that reads apart from the orange under all common colour blindness.
const SWEPT: Rgb = [86, 180, 233];
const WAY: Rgb = [0, 90, 140];
const DRAWN: Rgb = [213, 94, 0];

/// A place worth a close view, page millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct Close {
    pub at: [f64; 2],
    pub span_mm: f64,
    pub title: String,
}

/// All that is drawn. Page coordinates, millimetres, y down.
#[derive(Debug, Clone, Default)]
pub struct ProofPicture {
    pub title: String,
    pub subtitle: String,
    pub sheet_mm: [f64; 4],
    pub kerf_mm: f64,
    /// Rings of the openings as drawn.
    pub drawn: Vec<Vec<[f64; 2]>>,
    /// Ways of the beam's centre.
    pub ways: Vec<Vec<[f64; 2]>>,
    /// Faults: number, place, words. A place may be missing.
    pub faults: Vec<(usize, Option<[f64; 2]>, String)>,
    pub closes: Vec<Close>,
    pub facts: Vec<String>,
}

/// Draws it as a PNG.
pub fn proof_png(picture: &ProofPicture) -> Vec<u8> {
    let mut canvas = Canvas::new(WIDTH, HEIGHT);
    canvas.text(30.0, 40.0, 24.0, Anchor::Start, INK, &picture.title);
    canvas.text(30.0, 66.0, 16.0, Anchor::Start, QUIET, &picture.subtitle);
    let close_top = f64::from(HEIGHT) - CLOSE - 40.0;
    let window = [
        30.0,
        90.0,
        f64::from(WIDTH) - f64::from(PANEL) - 60.0,
        close_top - 190.0,
    ];
    let view = View::fit(picture.sheet_mm, window, false);
    sheet(&mut canvas, &view, picture.sheet_mm);
    inside(&mut canvas, &view, picture);
    for (number, at, _) in &picture.faults {
        if let Some(at) = at
            && in_box(*at, picture.sheet_mm)
        {
            let [x, y] = view.px(*at);
            badge(&mut canvas, x, y, *number);
        }
    }
    view.scale_bar(&mut canvas, 40.0, close_top as f32 - 50.0, 260.0);
    for (i, close) in picture.closes.iter().take(4).enumerate() {
        let left = 30.0 + (CLOSE + 20.0) * i as f64;
        close_view(&mut canvas, picture, close, left, close_top);
    }
    legend(&mut canvas, picture);
    canvas.png()
}

fn in_box(p: [f64; 2], b: [f64; 4]) -> bool {
    (b[0]..=b[2]).contains(&p[0]) && (b[1]..=b[3]).contains(&p[1])
}

fn inside(canvas: &mut Canvas, view: &View, picture: &ProofPicture) {
    let px = |ring: &Vec<[f64; 2]>| ring.iter().map(|p| view.px(*p)).collect::<Vec<_>>();
    canvas.fill_rings(picture.drawn.iter().map(px), PAPER, 1.0);
    // The drawn edge under the cut, and wider than it, so that both show where they coincide.
    let kerf = ((picture.kerf_mm * view.px_per_mm) as f32).max(1.4);
    for ring in &picture.drawn {
        canvas.polyline(px(ring), true, kerf + 2.0, DRAWN);
    }
    let ways: Vec<_> = picture.ways.iter().map(px).collect();
    canvas.polylines(&ways, kerf, SWEPT);
}

/// What of a polyline comes into a box, in runs.
fn clipped(points: &[[f64; 2]], closed: bool, b: [f64; 4]) -> Vec<Vec<[f64; 2]>> {
    let mut out: Vec<Vec<[f64; 2]>> = Vec::new();
    let n = points.len();
    let mut open = false;
    let segments = if closed { n } else { n.saturating_sub(1) };
    for i in 0..segments {
        let (p, q) = (points[i], points[(i + 1) % n]);
        let near = p[0].min(q[0]) <= b[2]
            && p[0].max(q[0]) >= b[0]
            && p[1].min(q[1]) <= b[3]
            && p[1].max(q[1]) >= b[1];
        match (near, out.last_mut()) {
            (true, Some(run)) if open => run.push(q),
            (true, _) => out.push(vec![p, q]),
            _ => {}
        }
        open = near;
    }
    out
}

fn close_view(canvas: &mut Canvas, picture: &ProofPicture, close: &Close, left: f64, top: f64) {
    let h = close.span_mm / 2.0;
    let b = [
        close.at[0] - h,
        close.at[1] - h,
        close.at[0] + h,
        close.at[1] + h,
    ];
    // Drawn apart and copied, so that nothing runs over the frame.
    let size = CLOSE as u32;
    let mut small = Canvas::new(size, size);
    let view = View::fit(b, [0.0, 0.0, CLOSE, CLOSE], false);
    let wide = [b[0] - h, b[1] - h, b[2] + h, b[3] + h];
    small.rect(0.0, 0.0, size as f32, size as f32, FOIL);
    let near: Vec<Vec<[f64; 2]>> = picture
        .drawn
        .iter()
        .filter(|r| !clipped(r, true, wide).is_empty() || encloses(r, close.at))
        .cloned()
        .collect();
    let px = |ring: &Vec<[f64; 2]>| ring.iter().map(|p| view.px(*p)).collect::<Vec<_>>();
    small.fill_rings(near.iter().map(px), PAPER, 1.0);
    let ways: Vec<Vec<[f64; 2]>> = picture
        .ways
        .iter()
        .flat_map(|w| clipped(w, false, wide))
        .collect();
    let ways: Vec<_> = ways.iter().map(px).collect();
    small.polylines(&ways, (picture.kerf_mm * view.px_per_mm) as f32, SWEPT);
    small.polylines(&ways, 1.2, WAY);
    for ring in &near {
        small.polyline(px(ring), true, 1.6, DRAWN);
    }
    view.scale_bar(&mut small, 14.0, CLOSE as f32 - 14.0, 90.0);
    for y in 0..size {
        for x in 0..size {
            if let Some(p) = small.pixmap().pixel(x, y) {
                let at = [left as u32 + x, top as u32 + y];
                canvas.pixel(at[0], at[1], [p.red(), p.green(), p.blue()]);
            }
        }
    }
    let (l, t, s) = (left as f32, top as f32, CLOSE as f32);
    let frame = [[l, t], [l + s, t], [l + s, t + s], [l, t + s]];
    canvas.polyline(frame, true, 1.5, QUIET);
    canvas.text(l, t - 10.0, 14.0, Anchor::Start, INK, &close.title);
}

fn encloses(ring: &[[f64; 2]], p: [f64; 2]) -> bool {
    let mut inside = false;
    for i in 0..ring.len() {
        let (a, b) = (ring[i], ring[(i + 1) % ring.len()]);
        if (a[1] > p[1]) != (b[1] > p[1])
            && p[0] < a[0] + (b[0] - a[0]) * (p[1] - a[1]) / (b[1] - a[1])
        {
            inside = !inside;
        }
    }
    inside
}

fn legend(canvas: &mut Canvas, picture: &ProofPicture) {
    let x = WIDTH as f32 - PANEL;
    let width = PANEL - 40.0;
    let mut y = 110.0;
    let kerf = show_length_um(picture.kerf_mm * 1e3);
    for (what, text) in [
        (0, "foil".to_owned()),
        (1, "opening as drawn, its edge".to_owned()),
        (2, format!("what the beam removes, {kerf} wide")),
        (3, "way of the beam's centre (close views)".to_owned()),
    ] {
        match what {
            0 => canvas.rect(x, y - 8.0, 28.0, 16.0, FOIL),
            1 => {
                let (t, b) = (y - 8.0, y + 8.0);
                canvas.polyline(
                    [[x, t], [x + 28.0, t], [x + 28.0, b], [x, b]],
                    true,
                    1.6,
                    DRAWN,
                );
            }
            2 => canvas.rect(x, y - 4.0, 28.0, 8.0, SWEPT),
            _ => canvas.polyline([[x, y], [x + 28.0, y]], false, 1.6, WAY),
        }
        canvas.text(x + 40.0, y + 5.0, 15.0, Anchor::Start, INK, &text);
        y += 28.0;
    }
    y += 10.0;
    for fact in &picture.facts {
        for line in wrap(fact, width, 15.0) {
            canvas.text(x, y, 15.0, Anchor::Start, INK, &line);
            y += 22.0;
        }
    }
    y += 14.0;
    for (number, _, text) in &picture.faults {
        for (i, line) in wrap(text, width - 30.0, 13.0).into_iter().enumerate() {
            if y > HEIGHT as f32 - 40.0 {
                canvas.text(x, y, 13.0, Anchor::Start, QUIET, "more in the report");
                return;
            }
            if i == 0 {
                let n = number.to_string();
                canvas.text(x + 22.0, y, 13.0, Anchor::End, super::canvas::ALARM, &n);
            }
            canvas.text(x + 30.0, y, 13.0, Anchor::Start, INK, &line);
            y += 17.0;
        }
        y += 4.0;
    }
}
