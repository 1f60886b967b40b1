//! The heat picture: peak settled rise over the sheet, limit contour, cut slots, scale, legend.

use super::canvas::{ALARM, Anchor, BAR_LABEL_PX, Canvas, INK, PAPER, QUIET, Rgb, text_width};
use super::maps::cividis;
use super::order::wrap;
use super::page::{HEIGHT, PANEL, WIDTH, page};
use super::view::View;
use crate::heat::{Frame, HeatResult};
use crate::motion::Motion;
use crate::sets::Sets;
use crate::units::{show_time_s, trim_number};

/// Pieces cut free carry no heat of interest: the foil left behind does.
const FREED: Rgb = [236, 238, 243];

/// What the picture says beside the field.
#[derive(Debug, Clone, Default)]
pub struct HeatPicture {
    pub title: String,
    pub subtitle: String,
    /// The rise drawn as a contour, K.
    pub limit_k: Option<f64>,
    /// Parameters, one a line.
    pub facts: Vec<String>,
}

/// Values of the cells of a sheet, row by row, y up.
#[derive(Clone, Copy)]
struct Cells<'a> {
    sheet_mm: [f64; 4],
    nx: usize,
    ny: usize,
    values: &'a [f32],
    /// Cells left blank; empty for none.
    blank: &'a [bool],
}

impl Cells<'_> {
    fn is_blank(&self, k: usize) -> bool {
        self.blank.get(k).copied().unwrap_or(false)
    }
}

/// A round number not below `v`: 1, 2 or 5 times a power of ten.
fn round_up(v: f64) -> f64 {
    let v = v.max(1.0);
    let decade = 10f64.powf(v.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .iter()
        .map(|m| m * decade)
        .find(|r| *r >= v)
        .unwrap_or(v)
}

/// Smaller patches on one side of the limit are not outlined.
const SPECK_MM2: f64 = 0.3;

/// Top of the scale: what 99 % of the foil stays below, and at least twice the limit.
fn top_of_scale(values: &[f32], skip: &[bool], limit_k: Option<f64>) -> f64 {
    let mut kept: Vec<f32> = values
        .iter()
        .zip(skip)
        .filter(|(_, s)| !**s)
        .map(|(v, _)| *v)
        .collect();
    kept.sort_unstable_by(f32::total_cmp);
    let i = (kept.len() as f64 * 0.99) as usize;
    let most = f64::from(kept.get(i).copied().unwrap_or(1.0));
    round_up(most.max(2.0 * limit_k.unwrap_or(0.0)))
}

/// Draws it as a PNG. The scale starts at 0 and ends at a round value; hotter cells are marked.
pub fn heat_png(result: &HeatResult, motion: &Motion, picture: &HeatPicture) -> Vec<u8> {
    let (mut canvas, view) = page(&picture.title, &picture.subtitle, result.sheet_mm);
    let top = top_of_scale(&result.settled_k, &result.cut_free, picture.limit_k);
    let cells = Cells {
        sheet_mm: result.sheet_mm,
        nx: result.nx,
        ny: result.ny,
        values: &result.settled_k,
        blank: &result.cut_free,
    };
    field(&mut canvas, &view, cells, top);
    if let Some(limit) = picture.limit_k {
        contour(&mut canvas, &view, cells, limit);
    }
    let first = motion.burns.iter().filter(|b| b.pass <= 1);
    let ways: Vec<Vec<[f32; 2]>> = first
        .map(|burn| burn.points.iter().map(|p| view.px(*p)).collect())
        .collect();
    canvas.polylines(&ways, 1.0, PAPER);
    let m = &result.memory;
    let [x, y] = view.px(m.peak_at_mm);
    canvas.circle(x, y, 9.0, None, Some((ALARM, 2.5)));
    legend(&mut canvas, result, picture, top);
    canvas.png()
}

fn field(canvas: &mut Canvas, view: &View, cells: Cells<'_>, top: f64) {
    let s = cells.sheet_mm;
    let [x0, y0] = view.px([s[0], s[3]]);
    let [x1, y1] = view.px([s[2], s[1]]);
    let (nx, ny) = (cells.nx, cells.ny);
    for py in y0.round() as u32..y1.round() as u32 {
        for px in x0.round() as u32..x1.round() as u32 {
            let p = view.mm([f64::from(px) + 0.5, f64::from(py) + 0.5]);
            let i =
                ((p[0] - s[0]) / (s[2] - s[0]) * nx as f64).clamp(0.0, nx as f64 - 1.0) as usize;
            let j =
                ((p[1] - s[1]) / (s[3] - s[1]) * ny as f64).clamp(0.0, ny as f64 - 1.0) as usize;
            let k = j * nx + i;
            let v = f64::from(cells.values[k]);
            let colour = if cells.is_blank(k) {
                FREED
            } else if v > top && (px + py) % 6 < 2 {
                // Hatched: beyond the scale.
                ALARM
            } else {
                cividis(v / top)
            };
            canvas.pixel(px, py, colour);
        }
    }
    let corners = [[s[0], s[1]], [s[2], s[1]], [s[2], s[3]], [s[0], s[3]]].map(|p| view.px(p));
    canvas.polyline(corners, true, 1.5, QUIET);
}

/// The edge between cells below and above the limit, leaving out pieces cut free and specks: beside a cut, where the
/// beam was near all the time, single cells have hardly been seen settled.
fn contour(canvas: &mut Canvas, view: &View, cells: Cells<'_>, limit: f64) {
    let s = cells.sheet_mm;
    let (nx, ny) = (cells.nx, cells.ny);
    let (w, h) = ((s[2] - s[0]) / nx as f64, (s[3] - s[1]) / ny as f64);
    let hot = |k: usize| f64::from(cells.values[k]) > limit;
    let mut patches = Sets::new(nx * ny);
    for k in (0..nx * ny).filter(|k| !cells.is_blank(*k)) {
        let beside = [(k % nx > 0).then(|| k - 1), k.checked_sub(nx)];
        for other in beside.into_iter().flatten() {
            if !cells.is_blank(other) && hot(other) == hot(k) {
                patches.join(k, other);
            }
        }
    }
    let mut size = vec![0usize; nx * ny];
    let patch: Vec<usize> = (0..nx * ny).map(|k| patches.root(k)).collect();
    patch.iter().for_each(|root| size[*root] += 1);
    let speck = |k: usize| (size[patch[k]] as f64) * w * h < SPECK_MM2;
    let above = |k: usize| hot(k) != speck(k);
    let differ =
        |a: usize, b: usize| !cells.is_blank(a) && !cells.is_blank(b) && above(a) != above(b);
    for j in 0..ny {
        for i in 0..nx {
            let k = j * nx + i;
            let (x, y) = (s[0] + (i + 1) as f64 * w, s[1] + (j + 1) as f64 * h);
            if i + 1 < nx && differ(k, k + 1) {
                canvas.polyline([view.px([x, y - h]), view.px([x, y])], false, 2.0, ALARM);
            }
            if j + 1 < ny && differ(k, k + nx) {
                canvas.polyline([view.px([x - w, y]), view.px([x, y])], false, 2.0, ALARM);
            }
        }
    }
}

fn ticks(top: f64) -> Vec<(f64, String)> {
    (0..=4)
        .map(|n| {
            let f = f64::from(n) / 4.0;
            (f, trim_number(f * top, 2))
        })
        .collect()
}

fn legend(canvas: &mut Canvas, result: &HeatResult, picture: &HeatPicture, top: f64) {
    let x = WIDTH as f32 - PANEL as f32;
    let width = PANEL as f32 - 40.0;
    let mut y = 116.0;
    canvas.colour_bar(
        x,
        y,
        width,
        18.0,
        cividis,
        "peak settled rise above the slide, K",
        &ticks(top),
    );
    y += 62.0;
    let mut row = |canvas: &mut Canvas, draw: &dyn Fn(&mut Canvas, f32), text: &str| {
        draw(canvas, y);
        canvas.text(x + 40.0, y + 5.0, 15.0, Anchor::Start, INK, text);
        y += 28.0;
    };
    row(
        canvas,
        &|c, y| {
            for py in 0..16u32 {
                for px in 0..28u32 {
                    let colour = if (px + py) % 6 < 2 {
                        ALARM
                    } else {
                        cividis(1.0)
                    };
                    c.pixel(x as u32 + px, y as u32 - 8 + py, colour);
                }
            }
        },
        &format!("hotter than {} K", trim_number(top, 1)),
    );
    row(
        canvas,
        &|c, y| c.rect(x, y - 8.0, 28.0, 16.0, FREED),
        "cut free",
    );
    row(
        canvas,
        &|c, y| {
            c.rect(x, y - 8.0, 28.0, 16.0, cividis(0.3));
            c.polyline([[x, y], [x + 28.0, y]], false, 1.0, PAPER);
        },
        "cuts",
    );
    if let Some(limit) = picture.limit_k {
        row(
            canvas,
            &|c, y| c.polyline([[x, y], [x + 28.0, y]], false, 2.0, ALARM),
            &format!("limit for a start: {} K", trim_number(limit, 1)),
        );
    }
    row(
        canvas,
        &|c, y| c.circle(x + 14.0, y, 8.0, None, Some((ALARM, 2.5))),
        "peak of the heat memory",
    );
    y += 8.0;
    let lines = result.lines();
    for text in lines.iter().chain(&picture.facts) {
        for line in wrap(text, width, 14.0) {
            if y > HEIGHT as f32 - 30.0 {
                return;
            }
            canvas.text(x, y, 14.0, Anchor::Start, INK, &line);
            y += 19.0;
        }
        y += 6.0;
    }
}

/// Frames are made smaller down to the first, then fewer, down to so many, and only then smaller still.
const READABLE_PX: u32 = 360;
const LEAST_FRAME_PX: u32 = 160;
const ENOUGH_FRAMES: usize = 12;

/// One frame of the film, small: the field, the beam and the time.
pub fn frame_image(
    result: &HeatResult,
    frame: &Frame,
    motion: &Motion,
    top_k: f64,
    side_px: u32,
) -> Canvas {
    let side = side_px.clamp(LEAST_FRAME_PX, 2000);
    let mut canvas = Canvas::new(side, side + 70);
    let view = View::fit(
        result.sheet_mm,
        [8.0, 8.0, f64::from(side) - 16.0, f64::from(side) - 16.0],
        true,
    );
    let cells = Cells {
        sheet_mm: result.sheet_mm,
        nx: result.nx,
        ny: result.ny,
        values: &frame.rise_k,
        blank: &[],
    };
    field(&mut canvas, &view, cells, top_k);
    for burn in motion
        .burns
        .iter()
        .take_while(|b| b.start_s <= frame.time_s)
    {
        canvas.polyline(burn.points.iter().map(|p| view.px(*p)), false, 0.7, PAPER);
    }
    if let Some(p) = frame.beam_mm {
        let [x, y] = view.px(p);
        canvas.circle(x, y, 5.0, None, Some((ALARM, 2.0)));
    }
    let y = side as f32 + 22.0;
    view.scale_bar(&mut canvas, 12.0, y + 24.0, f64::from(side) / 5.0);
    canvas.text(
        side as f32 / 2.0 - 30.0,
        y + 28.0,
        15.0,
        Anchor::End,
        INK,
        &show_time_s(frame.time_s),
    );
    let room = side as f32 / 2.0 - 20.0;
    let label = ["temperature rise, K", "rise, K"];
    let fits = |label: &&str| text_width(label, BAR_LABEL_PX) <= room;
    canvas.colour_bar(
        side as f32 / 2.0,
        y,
        room,
        10.0,
        cividis,
        label.into_iter().find(fits).unwrap_or("K"),
        &[(0.0, "0".to_owned()), (1.0, trim_number(top_k, 1))],
    );
    canvas
}

/// The frames as an animated PNG of at most `most_bytes`: smaller pictures when it would be larger, then fewer.
///
/// # Errors
/// A film that the encoder refuses, as words; also when there is no frame.
pub fn film_png(
    result: &HeatResult,
    motion: &Motion,
    limit_k: Option<f64>,
    most_bytes: usize,
) -> Result<Vec<u8>, String> {
    let top = top_of_scale(&result.settled_k, &result.cut_free, limit_k);
    let (mut side, mut every) = (600, 1);
    loop {
        let bytes = encode(result, motion, top, (side, every)).map_err(|e| e.to_string())?;
        if bytes.len() <= most_bytes {
            return Ok(bytes);
        }
        if side > READABLE_PX {
            side = (side * 2 / 3).max(READABLE_PX);
        } else if every * ENOUGH_FRAMES < result.frames.len() {
            every *= 2;
        } else if side > LEAST_FRAME_PX {
            side = (side * 2 / 3).max(LEAST_FRAME_PX);
        } else if every < result.frames.len() {
            every *= 2;
        } else {
            return Err(format!("one frame takes more than {most_bytes} bytes"));
        }
    }
}

fn encode(
    result: &HeatResult,
    motion: &Motion,
    top: f64,
    (side, every): (u32, usize),
) -> Result<Vec<u8>, png::EncodingError> {
    let mut out = Vec::new();
    let shown = || result.frames.iter().step_by(every);
    let frames = u32::try_from(shown().len()).unwrap_or(u32::MAX);
    let mut encoder = png::Encoder::new(&mut out, side, side + 70);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::High);
    encoder.set_animated(frames.max(1), 0)?;
    encoder.set_frame_delay(every.min(60) as u16, 12)?;
    let mut writer = encoder.write_header()?;
    for frame in shown() {
        let image = frame_image(result, frame, motion, top, side);
        let rgb: Vec<u8> = image
            .pixmap()
            .data()
            .chunks_exact(4)
            .flat_map(|p| [p[0], p[1], p[2]])
            .collect();
        writer.write_image_data(&rgb)?;
    }
    writer.finish()?;
    Ok(out)
}
