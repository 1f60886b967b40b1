//! One drawing at several kerfs: a panel for each stencil and kerf, with what is cut otherwise marked.

use super::canvas::{ALARM, Anchor, Canvas, FOIL, INK, PAPER, QUIET};
use super::view::View;
use crate::compare::{Case, Comparison, Event, Place, Stencil};
use crate::regions::Point;
use crate::units::{NM_PER_MM, trim_number};

const WIDTH: f32 = 1500.0;
const EDGE: f32 = 30.0;
const GAP: f32 = 16.0;
const HEAD: f32 = 130.0;
const FOOT: f32 = 70.0;
/// Room for a panel's words.
const CAPTION: f32 = 46.0;
/// Tallest picture; panels shrink to stay under it.
const MOST: f32 = 8000.0;

const BLUE: [u8; 3] = [0, 114, 178];
const ORANGE: [u8; 3] = [213, 94, 0];
const VIOLET: [u8; 3] = [117, 52, 150];

/// Draws the comparison as a PNG: columns are kerfs, rows are stencils.
pub fn compare_png(comparison: &Comparison) -> Vec<u8> {
    let names = comparison.layers();
    let columns = comparison.cases.len().max(1) as f32;
    let b = comparison
        .cases
        .first()
        .map_or([0.0, 0.0, 1.0, 1.0], |c| c.run.sheet.box_mm);
    let side = (WIDTH - 2.0 * EDGE - GAP * (columns - 1.0)) / columns;
    let tall = side * ((b[3] - b[1]) / (b[2] - b[0]).max(1e-6)) as f32;
    let count = names.len().max(1) as f32;
    let tall = tall.min((MOST - HEAD - FOOT) / count - CAPTION).max(40.0);
    let height = HEAD + FOOT + count * (tall + CAPTION);
    let mut canvas = Canvas::new(WIDTH as u32, height as u32);
    head(&mut canvas, comparison);
    let mut last_view = None;
    for (j, name) in names.iter().enumerate() {
        for (i, case) in comparison.cases.iter().enumerate() {
            let x = EDGE + i as f32 * (side + GAP);
            let y = HEAD + j as f32 * (tall + CAPTION);
            let view = View::fit(b, [x, y + CAPTION - 8.0, side, tall].map(f64::from), false);
            panel(&mut canvas, &view, case, name, [x, y], b);
            last_view = Some(view);
        }
    }
    if let Some(view) = last_view {
        view.scale_bar(&mut canvas, EDGE, height - 22.0, f64::from(side) / 2.0);
    }
    canvas.png()
}

fn head(canvas: &mut Canvas, comparison: &Comparison) {
    canvas.text(
        EDGE,
        40.0,
        24.0,
        Anchor::Start,
        INK,
        &format!("{}: what the kerf changes", comparison.artwork),
    );
    canvas.text(
        EDGE,
        66.0,
        16.0,
        Anchor::Start,
        QUIET,
        &format!(
            "each column is made for its own kerf; recipe {} states {} um; page seen as drawn",
            comparison.recipe,
            trim_number(comparison.recipe_kerf_um, 2)
        ),
    );
    let mut x = EDGE + 8.0;
    for event in Event::ALL {
        symbol(canvas, x, 93.0, event, false);
        x += 16.0;
        x += canvas.text(x, 98.0, 15.0, Anchor::Start, INK, event.words()) + 36.0;
    }
    canvas.circle(x, 93.0, 11.0, None, Some((ALARM, 2.0)));
    canvas.text(
        x + 18.0,
        98.0,
        15.0,
        Anchor::Start,
        INK,
        "not so at the kerf to its left",
    );
}

fn panel(canvas: &mut Canvas, view: &View, case: &Case, name: &str, at: [f32; 2], b: [f64; 4]) {
    let corners = [[b[0], b[1]], [b[2], b[1]], [b[2], b[3]], [b[0], b[3]]].map(|p| view.px(p));
    let Some(s) = case.stencils.iter().find(|s| s.layer == name) else {
        canvas.text(
            at[0],
            at[1] + 16.0,
            15.0,
            Anchor::Start,
            QUIET,
            "no such stencil",
        );
        return;
    };
    canvas.fill_rings([corners], FOIL, 1.0);
    let mm = |p: &Point| [f64::from(p.x) / NM_PER_MM, f64::from(p.y) / NM_PER_MM];
    if let Some(job) = case.run.jobs.iter().find(|j| j.stencil.name == name) {
        canvas.fill_rings(
            job.stencil
                .openings
                .rings()
                .map(|r| r.iter().map(|p| view.px(mm(p))).collect::<Vec<_>>()),
            PAPER,
            1.0,
        );
    }
    canvas.polyline(corners, true, 1.5, QUIET);
    // What is new goes on top.
    for new in [false, true] {
        for p in s.places.iter().filter(|p| p.new == new) {
            mark(canvas, view, p);
        }
    }
    let (x, y) = (at[0], at[1] + 14.0);
    canvas.text(
        x,
        y,
        16.0,
        Anchor::Start,
        INK,
        &format!("{name}, kerf {} um", trim_number(case.kerf_um, 2)),
    );
    canvas.text(x, y + 19.0, 13.0, Anchor::Start, QUIET, &counts(s));
}

fn counts(s: &Stencil) -> String {
    let mut parts = vec![format!("{} openings", s.openings_drawn)];
    for (n, one, many) in [
        (s.count(Event::Line), "single line", "single lines"),
        (s.count(Event::LeftOut), "left out", "left out"),
        (s.count(Event::NarrowWeb), "narrow web", "narrow webs"),
        (s.islands, "loose piece", "loose pieces"),
        (s.tie_bars, "bar", "bars"),
    ] {
        if n > 0 {
            parts.push(format!("{n} {}", if n == 1 { one } else { many }));
        }
    }
    parts.join(", ")
}

fn mark(canvas: &mut Canvas, view: &View, place: &Place) {
    let [x, y] = view.px(place.at_mm);
    symbol(canvas, x, y, place.event, place.new);
}

/// Told apart by shape as well as by colour.
fn symbol(canvas: &mut Canvas, x: f32, y: f32, event: Event, new: bool) {
    let r = 6.0;
    match event {
        Event::Line => canvas.polyline([[x - r, y], [x + r, y]], false, 4.0, BLUE),
        Event::LeftOut => {
            canvas.polyline([[x - r, y - r], [x + r, y + r]], false, 2.5, ORANGE);
            canvas.polyline([[x - r, y + r], [x + r, y - r]], false, 2.5, ORANGE);
        }
        Event::NarrowWeb => canvas.polyline(
            [[x, y - r], [x + r, y + r * 0.8], [x - r, y + r * 0.8]],
            true,
            2.0,
            VIOLET,
        ),
        Event::Loose => canvas.circle(x, y, 5.0, Some(INK), Some((PAPER, 1.0))),
    }
    if new {
        canvas.circle(x, y, 11.0, None, Some((ALARM, 2.0)));
    }
}
