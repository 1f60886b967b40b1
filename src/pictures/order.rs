//! The order picture: every cut coloured by when it is made, tie bars, findings, scale, legend.

use super::canvas::{ALARM, Anchor, Canvas, FOIL, INK, PAPER, QUIET, text_width};
use super::maps::viridis;
use super::page::{HEIGHT, PANEL, WIDTH, page};
use super::view::View;
use crate::motion::Motion;
use crate::units::{plural, show_time_s, trim_number};

const TIE: [u8; 3] = [224, 108, 0];
/// Foil that other stencils of the layer open.
const ELSEWHERE: [u8; 3] = [183, 205, 226];
/// Seams: told from cuts by their white rim, and from bars by shape as well.
const SEAM: [u8; 3] = [0, 114, 178];

/// A numbered mark, job millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    pub number: usize,
    pub at: [f64; 2],
    pub text: String,
}

/// What the picture shows beside the motion. Coordinates in job millimetres, y up.
#[derive(Debug, Clone, Default)]
pub struct OrderPicture {
    pub title: String,
    pub subtitle: String,
    /// Rings of the openings as cut, shown as holes in the foil.
    pub openings: Vec<Vec<[f64; 2]>>,
    /// Centre lines of tie bars, with their width.
    pub bars: Vec<([f64; 2], [f64; 2], f64)>,
    /// Lines across openings that another stencil of the same layer goes on with, and their overlap.
    pub seams: Vec<([f64; 2], [f64; 2], f64)>,
    /// Middles of the tabs that hold a cut-out sheet.
    pub tabs: Vec<[f64; 2]>,
    /// Rings of what other stencils of the same layer open.
    pub elsewhere: Vec<Vec<[f64; 2]>>,
    pub marks: Vec<Mark>,
    /// Lines of the legend, such as times.
    pub facts: Vec<String>,
}

/// Draws it as a PNG.
pub fn order_png(motion: &Motion, picture: &OrderPicture) -> Vec<u8> {
    let (mut canvas, view) = page(&picture.title, &picture.subtitle, motion.sheet_mm);
    sheet(&mut canvas, &view, motion.sheet_mm);
    canvas.fill_rings(
        picture
            .elsewhere
            .iter()
            .map(|ring| ring.iter().map(|p| view.px(*p)).collect::<Vec<_>>()),
        ELSEWHERE,
        1.0,
    );
    canvas.fill_rings(
        picture
            .openings
            .iter()
            .map(|ring| ring.iter().map(|p| view.px(*p)).collect::<Vec<_>>()),
        PAPER,
        1.0,
    );
    cuts(&mut canvas, &view, motion);
    for (a, b, width_mm) in &picture.bars {
        let width = ((width_mm * view.px_per_mm) as f32).clamp(3.0, 40.0);
        let (a, b) = (view.px(*a), view.px(*b));
        canvas.polyline([a, b], false, width, TIE);
    }
    for (a, b, _) in &picture.seams {
        seam(&mut canvas, view.px(*a), view.px(*b));
    }
    for tab in &picture.tabs {
        let [x, y] = view.px(*tab);
        canvas.circle(x, y, 6.0, Some(TIE), Some((PAPER, 1.5)));
    }
    ends(&mut canvas, &view, motion, &picture.marks);
    for mark in &picture.marks {
        let [x, y] = view.px(mark.at);
        badge(&mut canvas, x, y, mark.number);
    }
    legend(&mut canvas, motion, picture);
    canvas.png()
}

/// The sheet of foil with its outline.
pub(super) fn sheet(canvas: &mut Canvas, view: &View, b: [f64; 4]) {
    let corners = [[b[0], b[1]], [b[2], b[1]], [b[2], b[3]], [b[0], b[3]]].map(|p| view.px(p));
    canvas.fill_rings([corners], FOIL, 1.0);
    canvas.polyline(corners, true, 1.5, QUIET);
}

fn cuts(canvas: &mut Canvas, view: &View, motion: &Motion) {
    // Colour by the rank of the first pass over each place: later passes follow the same colours.
    let first: Vec<usize> = (0..motion.burns.len())
        .filter(|i| motion.burns[*i].pass <= 1)
        .collect();
    let last_rank = first.len().saturating_sub(1).max(1) as f64;
    for (rank, i) in first.iter().enumerate() {
        let burn = &motion.burns[*i];
        let points: Vec<[f32; 2]> = burn.points.iter().map(|p| view.px(*p)).collect();
        canvas.polyline(points, false, 2.4, viridis(rank as f64 / last_rank));
    }
}

/// A seam: a rimmed line that reaches a little past the opening, with a bar at each end.
fn seam(canvas: &mut Canvas, a: [f32; 2], b: [f32; 2]) {
    let d = [b[0] - a[0], b[1] - a[1]];
    let l = d[0].hypot(d[1]).max(1e-3);
    let u = [d[0] / l, d[1] / l];
    let (a, b) = (
        [a[0] - 5.0 * u[0], a[1] - 5.0 * u[1]],
        [b[0] + 5.0 * u[0], b[1] + 5.0 * u[1]],
    );
    let cross = |p: [f32; 2]| {
        [
            [p[0] - 6.0 * u[1], p[1] + 6.0 * u[0]],
            [p[0] + 6.0 * u[1], p[1] - 6.0 * u[0]],
        ]
    };
    for (width, colour) in [(6.0, PAPER), (3.0, SEAM)] {
        canvas.polyline([a, b], false, width, colour);
        canvas.polyline(cross(a), false, width, colour);
        canvas.polyline(cross(b), false, width, colour);
    }
}

/// A box on the picture, pixels: x min, y min, x max, y max.
type Area = [f32; 4];

fn around(x: f32, y: f32, reach: f32) -> Area {
    [x - reach, y - reach, x + reach, y + reach]
}

/// Where a text of this width finds room beside a mark: its lower left corner. To the right or left of the mark,
/// above or below it, the first place that meets nothing in `taken`, else the one that meets least.
fn beside([x, y]: [f32; 2], width: f32, size: f32, taken: &[Area]) -> [f32; 2] {
    let gap = 14.0;
    let (right, left, middle) = (x + gap, x - gap - width, x - width / 2.0);
    let (level, above, below) = (y + size * 0.35, y - gap, y + gap + size * 0.75);
    let places = [
        [right, level],
        [left, level],
        [right, above],
        [left, below],
        [middle, above - 4.0],
        [middle, below + 4.0],
        [right, below],
        [left, above],
    ];
    let met = |p: &[f32; 2]| {
        let b = text_box(*p, width, size);
        let meets = |t: &&Area| b[2] >= t[0] && b[0] <= t[2] && b[3] >= t[1] && b[1] <= t[3];
        taken.iter().filter(meets).count()
    };
    places.into_iter().min_by_key(met).unwrap_or([right, level])
}

fn text_box([x, y]: [f32; 2], width: f32, size: f32) -> Area {
    [x - 3.0, y - size * 0.8, x + width + 3.0, y + size * 0.25]
}

fn ends(canvas: &mut Canvas, view: &View, motion: &Motion, marks: &[Mark]) {
    let (Some(first), Some(last)) = (motion.burns.first(), motion.burns.last()) else {
        return;
    };
    let (Some(a), Some(b)) = (first.points.first(), last.points.last()) else {
        return;
    };
    let (a, b) = (view.px(*a), view.px(*b));
    canvas.circle(a[0], a[1], 8.0, Some(PAPER), Some((INK, 2.5)));
    canvas.rect(b[0] - 7.0, b[1] - 7.0, 14.0, 14.0, INK);
    let mut taken = vec![around(a[0], a[1], 10.0), around(b[0], b[1], 8.0)];
    for mark in marks {
        let [x, y] = view.px(mark.at);
        let [bx, by] = badge_at(x, y);
        taken.extend([around(x, y, 4.0), around(bx, by, 12.0)]);
    }
    // Cuts near the marks, so that the words do not cover them where there is room beside.
    for burn in &motion.burns {
        for w in burn.points.windows(2) {
            let (p, q) = (view.px(w[0]), view.px(w[1]));
            let steps = ((q[0] - p[0]).hypot(q[1] - p[1]) / 3.0)
                .ceil()
                .clamp(1.0, 2000.0);
            for i in 0..=steps as usize {
                let t = i as f32 / steps;
                let at = [p[0] + (q[0] - p[0]) * t, p[1] + (q[1] - p[1]) * t];
                let near = |m: [f32; 2]| (at[0] - m[0]).hypot(at[1] - m[1]) < 80.0;
                if near(a) || near(b) {
                    taken.push(around(at[0], at[1], 1.5));
                }
            }
        }
    }
    for (at, word) in [(a, "first"), (b, "last")] {
        let (size, width) = (15.0, text_width(word, 15.0));
        let place = beside(at, width, size, &taken);
        let [x0, y0, x1, y1] = text_box(place, width, size);
        canvas.rect(x0, y0, x1 - x0, y1 - y0, PAPER);
        canvas.text(place[0], place[1], size, Anchor::Start, INK, word);
        taken.push([x0, y0, x1, y1]);
    }
}

/// Where the number of a finding stands that is marked at (x, y).
fn badge_at(x: f32, y: f32) -> [f32; 2] {
    [x + 16.0, y - 16.0]
}

/// A numbered mark of a finding.
pub(super) fn badge(canvas: &mut Canvas, x: f32, y: f32, number: usize) {
    let [bx, by] = badge_at(x, y);
    canvas.polyline([[x, y], [bx, by]], false, 1.5, ALARM);
    canvas.circle(x, y, 3.0, Some(ALARM), None);
    canvas.circle(bx, by, 10.0, Some(PAPER), Some((ALARM, 2.0)));
    canvas.text(
        bx,
        by + 4.5,
        12.0,
        Anchor::Middle,
        ALARM,
        &number.to_string(),
    );
}

fn legend(canvas: &mut Canvas, motion: &Motion, picture: &OrderPicture) {
    let x = WIDTH as f32 - PANEL as f32;
    let width = PANEL as f32 - 40.0;
    let mut y = 116.0;
    let passes = motion.burns.iter().map(|b| b.pass).max().unwrap_or(1);
    let first_end = motion
        .burns
        .iter()
        .filter(|b| b.pass <= 1)
        .map(crate::motion::Burn::end_s)
        .fold(0.0, f64::max);
    let title = if passes > 1 {
        format!("order of cutting (pass 1 of {passes})")
    } else {
        "order of cutting".to_owned()
    };
    canvas.colour_bar(
        x,
        y,
        width,
        18.0,
        viridis,
        &title,
        &[
            (0.0, "first: 0 s".to_owned()),
            (1.0, format!("last: {}", show_time_s(first_end))),
        ],
    );
    y += 60.0;
    let mut row = |canvas: &mut Canvas, draw: &dyn Fn(&mut Canvas, f32), text: &str| {
        draw(canvas, y);
        canvas.text(x + 40.0, y + 5.0, 15.0, Anchor::Start, INK, text);
        y += 28.0;
    };
    // A job file tells of cuts, not of what they open.
    let known = !picture.openings.is_empty();
    row(
        canvas,
        &|c, y| c.rect(x, y - 8.0, 28.0, 16.0, FOIL),
        if known {
            "foil that stays"
        } else {
            "the sheet"
        },
    );
    if known {
        row(
            canvas,
            &|c, y| {
                c.rect(x, y - 8.0, 28.0, 16.0, PAPER);
                c.polyline(
                    [
                        [x, y - 8.0],
                        [x + 28.0, y - 8.0],
                        [x + 28.0, y + 8.0],
                        [x, y + 8.0],
                    ],
                    true,
                    1.0,
                    QUIET,
                );
            },
            "opening",
        );
    }
    if !picture.bars.is_empty() {
        let widths: Vec<f64> = picture.bars.iter().map(|b| b.2 * 1e3).collect();
        let (lo, hi) = widths
            .iter()
            .fold((f64::MAX, 0.0f64), |(l, h), w| (l.min(*w), h.max(*w)));
        let span = if hi - lo < 0.5 {
            format!("{} um", trim_number(hi, 0))
        } else {
            format!("{} to {} um", trim_number(lo, 0), trim_number(hi, 0))
        };
        row(
            canvas,
            &|c, y| c.rect(x, y - 4.0, 28.0, 8.0, TIE),
            &format!("{} tie bars, {span} wide", picture.bars.len()),
        );
    }
    if !picture.elsewhere.is_empty() {
        row(
            canvas,
            &|c, y| c.rect(x, y - 8.0, 28.0, 16.0, ELSEWHERE),
            "foil that another stencil of the layer opens",
        );
    }
    if let Some(&(_, _, overlap_mm)) = picture.seams.first() {
        row(
            canvas,
            &|c, y| seam(c, [x + 6.0, y], [x + 22.0, y]),
            &format!(
                "{} seam{}, overlap {} um",
                picture.seams.len(),
                plural(picture.seams.len()),
                trim_number(overlap_mm * 1e3, 1)
            ),
        );
    }
    if !picture.tabs.is_empty() {
        row(
            canvas,
            &|c, y| c.circle(x + 14.0, y, 6.0, Some(TIE), Some((PAPER, 1.5))),
            &format!("{} tabs that hold the sheet", picture.tabs.len()),
        );
    }
    row(
        canvas,
        &|c, y| {
            c.circle(x + 8.0, y, 6.0, Some(PAPER), Some((INK, 2.0)));
            c.rect(x + 18.0, y - 6.0, 12.0, 12.0, INK);
        },
        "first and last cut",
    );
    y += 8.0;
    for fact in &picture.facts {
        canvas.text(x, y, 15.0, Anchor::Start, INK, fact);
        y += 22.0;
    }
    if picture.marks.is_empty() {
        return;
    }
    y += 16.0;
    canvas.text(x, y, 15.0, Anchor::Start, ALARM, "findings");
    y += 22.0;
    for mark in &picture.marks {
        for (i, line) in wrap(&mark.text, width - 30.0, 13.0).into_iter().enumerate() {
            if y > HEIGHT as f32 - 40.0 {
                canvas.text(x, y, 13.0, Anchor::Start, QUIET, "more in the report");
                return;
            }
            if i == 0 {
                canvas.text(
                    x + 22.0,
                    y,
                    13.0,
                    Anchor::End,
                    ALARM,
                    &mark.number.to_string(),
                );
            }
            canvas.text(x + 30.0, y, 13.0, Anchor::Start, INK, &line);
            y += 17.0;
        }
        y += 4.0;
    }
}

/// Breaks a text into lines of at most `width` pixels.
pub(super) fn wrap(text: &str, width: f32, size: f32) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let longer = if line.is_empty() {
            word.to_owned()
        } else {
            format!("{line} {word}")
        };
        if text_width(&longer, size) > width && !line.is_empty() {
            lines.push(std::mem::replace(&mut line, word.to_owned()));
        } else {
            line = longer;
        }
    }
    lines.push(line);
    lines
}
