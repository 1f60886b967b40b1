//! Drawing on a pixmap: text, lines, rings, scale bars and colour bars.

use rustc_hash::FxHashSet;
use skrifa::instance::{LocationRef, Size};
use skrifa::outline::{DrawSettings, OutlinePen};
use skrifa::{FontRef, MetadataProvider};
use tiny_skia::{
    Color, FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, Rect, Stroke, Transform,
};

/// B612, a legible screen font under the SIL Open Font License (see `assets/`).
static FONT: &[u8] = include_bytes!("../../assets/B612-Regular.otf");

/// Red, green, blue, 0 to 255.
pub type Rgb = [u8; 3];

pub const INK: Rgb = [30, 30, 34];
pub const QUIET: Rgb = [110, 112, 120];
pub const PAPER: Rgb = [255, 255, 255];
/// The foil that stays.
pub const FOIL: Rgb = [214, 216, 222];
/// Marks of findings; told apart from the maps by shape as well as by colour.
pub const ALARM: Rgb = [213, 30, 84];

/// Where a text sits on its anchor point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// A picture being drawn. Pixel coordinates, y down.
#[derive(Debug)]
pub struct Canvas {
    pixmap: Pixmap,
}

fn paint(colour: Rgb, alpha: f32) -> Paint<'static> {
    let mut paint = Paint::default();
    let [r, g, b] = colour;
    let mut c = Color::from_rgba8(r, g, b, 255);
    c.set_alpha(alpha.clamp(0.0, 1.0));
    paint.set_color(c);
    paint
}

/// Points of a polyline from which on it is drawn in pieces, and sides of a piece.
const LONG: usize = 5_000;
const PIECE: usize = 500;

impl Canvas {
    /// A white picture; sizes are clamped to 1..=16384 pixels.
    pub fn new(width: u32, height: u32) -> Canvas {
        let mut pixmap = Pixmap::new(width.clamp(1, 16_384), height.clamp(1, 16_384))
            .expect("sizes within bounds");
        pixmap.fill(Color::WHITE);
        Canvas { pixmap }
    }
    pub fn width(&self) -> f32 {
        self.pixmap.width() as f32
    }
    pub fn height(&self) -> f32 {
        self.pixmap.height() as f32
    }
    pub fn rect(&mut self, x: f32, y: f32, w: f32, h: f32, colour: Rgb) {
        if let Some(rect) = Rect::from_xywh(x, y, w, h) {
            self.pixmap
                .fill_rect(rect, &paint(colour, 1.0), Transform::identity(), None);
        }
    }
    /// Fills rings by the even-odd rule; pixel coordinates.
    pub fn fill_rings<R: IntoIterator<Item = [f32; 2]>>(
        &mut self,
        rings: impl IntoIterator<Item = R>,
        colour: Rgb,
        alpha: f32,
    ) {
        let mut pb = PathBuilder::new();
        for ring in rings {
            trace(&mut pb, ring, true);
        }
        if let Some(path) = pb.finish() {
            self.pixmap.fill_path(
                &path,
                &paint(colour, alpha),
                FillRule::EvenOdd,
                Transform::identity(),
                None,
            );
        }
    }
    /// A polyline; pixel coordinates.
    pub fn polyline(
        &mut self,
        points: impl IntoIterator<Item = [f32; 2]>,
        closed: bool,
        width: f32,
        colour: Rgb,
    ) {
        let mut points: Vec<[f32; 2]> = points.into_iter().collect();
        if points.len() <= LONG {
            self.line(&points, closed, width, colour);
            return;
        }
        if closed {
            points.push(points[0]);
        }
        self.in_pieces(&points, &mut FxHashSet::default(), width, colour);
    }
    /// Open polylines of one colour; of very many, what is gone over again is drawn once.
    pub fn polylines(&mut self, lines: &[Vec<[f32; 2]>], width: f32, colour: Rgb) {
        let many = lines.iter().map(Vec::len).sum::<usize>() > LONG;
        let mut seen = FxHashSet::default();
        for line in lines {
            if many {
                self.in_pieces(line, &mut seen, width, colour);
            } else {
                self.line(line, false, width, colour);
            }
        }
    }
    /// Draws what was not seen before in pieces: filling a stroke takes time with the square of its pieces that cross
    /// a row of pixels.
    fn in_pieces(
        &mut self,
        points: &[[f32; 2]],
        seen: &mut FxHashSet<([i32; 2], [i32; 2])>,
        width: f32,
        colour: Rgb,
    ) {
        let place = |p: [f32; 2]| p.map(|v| (v / NEAR_PX).round() as i32);
        let fresh: Vec<bool> = points
            .windows(2)
            .map(|w| {
                let (a, b) = (place(w[0]), place(w[1]));
                seen.insert((a.min(b), a.max(b)))
            })
            .collect();
        let mut start = 0;
        for same in fresh.chunk_by(|a, b| a == b) {
            let end = start + same.len();
            if same[0] {
                for from in (start..end).step_by(PIECE) {
                    let to = (from + PIECE).min(end);
                    self.line(&points[from..=to], false, width, colour);
                }
            }
            start = end;
        }
    }
    fn line(&mut self, points: &[[f32; 2]], closed: bool, width: f32, colour: Rgb) {
        let mut pb = PathBuilder::new();
        trace(&mut pb, points.iter().copied(), closed);
        if let Some(path) = pb.finish() {
            self.stroke(&path, width, colour);
        }
    }
    fn stroke(&mut self, path: &Path, width: f32, colour: Rgb) {
        let stroke = Stroke {
            width,
            line_cap: LineCap::Round,
            line_join: LineJoin::Round,
            ..Stroke::default()
        };
        self.pixmap.stroke_path(
            path,
            &paint(colour, 1.0),
            &stroke,
            Transform::identity(),
            None,
        );
    }
    pub fn circle(
        &mut self,
        x: f32,
        y: f32,
        r: f32,
        fill: Option<Rgb>,
        outline: Option<(Rgb, f32)>,
    ) {
        let Some(path) = PathBuilder::from_circle(x, y, r) else {
            return;
        };
        if let Some(c) = fill {
            self.pixmap.fill_path(
                &path,
                &paint(c, 1.0),
                FillRule::Winding,
                Transform::identity(),
                None,
            );
        }
        if let Some((c, w)) = outline {
            self.stroke(&path, w, c);
        }
    }
    /// Writes text with its baseline at `y`; answers its width in pixels.
    pub fn text(
        &mut self,
        x: f32,
        y: f32,
        size: f32,
        anchor: Anchor,
        colour: Rgb,
        text: &str,
    ) -> f32 {
        let width = text_width(text, size);
        let mut pen = GlyphPen {
            builder: PathBuilder::new(),
            x: x - match anchor {
                Anchor::Start => 0.0,
                Anchor::Middle => width / 2.0,
                Anchor::End => width,
            },
            y,
        };
        if let Ok(font) = FontRef::new(FONT) {
            let (size, at) = (Size::new(size), LocationRef::default());
            let (map, outlines, metrics) = (
                font.charmap(),
                font.outline_glyphs(),
                font.glyph_metrics(size, at),
            );
            for c in text.chars() {
                let Some(glyph) = map.map(c) else { continue };
                if let Some(outline) = outlines.get(glyph) {
                    // A glyph that cannot be drawn leaves its space.
                    let _ = outline.draw(DrawSettings::unhinted(size, at), &mut pen);
                }
                pen.x += metrics.advance_width(glyph).unwrap_or(0.0);
            }
        }
        if let Some(path) = pen.builder.finish() {
            self.pixmap.fill_path(
                &path,
                &paint(colour, 1.0),
                FillRule::Winding,
                Transform::identity(),
                None,
            );
        }
        width
    }
    /// Sets one pixel; out of range is ignored.
    pub fn pixel(&mut self, x: u32, y: u32, colour: Rgb) {
        if x < self.pixmap.width() && y < self.pixmap.height() {
            let i = ((y * self.pixmap.width() + x) * 4) as usize;
            self.pixmap.data_mut()[i..i + 4]
                .copy_from_slice(&[colour[0], colour[1], colour[2], 255]);
        }
    }
    /// A colour bar with ticks below it and a title above.
    #[allow(clippy::too_many_arguments)]
    pub fn colour_bar(
        &mut self,
        x: f32,
        y: f32,
        w: f32,
        h: f32,
        map: fn(f64) -> Rgb,
        title: &str,
        ticks: &[(f64, String)],
    ) {
        self.text(x, y - 6.0, BAR_LABEL_PX, Anchor::Start, INK, title);
        let steps = w.max(1.0) as u32;
        for i in 0..steps {
            let c = map(f64::from(i) / f64::from(steps.max(2) - 1));
            self.rect(x + i as f32, y, 1.0, h, c);
        }
        for (at, label) in ticks {
            let tx = x + w * *at as f32;
            self.polyline([[tx, y + h], [tx, y + h + 4.0]], false, 1.0, INK);
            let anchor = if *at <= 0.05 {
                Anchor::Start
            } else if *at >= 0.95 {
                Anchor::End
            } else {
                Anchor::Middle
            };
            self.text(tx, y + h + 18.0, 13.0, anchor, INK, label);
        }
    }
    /// The picture as PNG bytes.
    pub fn png(&self) -> Vec<u8> {
        self.pixmap.encode_png().expect("an RGBA pixmap encodes")
    }
    pub fn pixmap(&self) -> &Pixmap {
        &self.pixmap
    }
}

/// Size of the words over a colour bar.
pub const BAR_LABEL_PX: f32 = 15.0;

/// Width of a text in pixels.
pub fn text_width(text: &str, size: f32) -> f32 {
    let Ok(font) = FontRef::new(FONT) else {
        return 0.0;
    };
    let map = font.charmap();
    let metrics = font.glyph_metrics(Size::new(size), LocationRef::default());
    text.chars()
        .filter_map(|c| map.map(c))
        .map(|g| metrics.advance_width(g).unwrap_or(0.0))
        .sum()
}

/// Points nearer to the one before than this change no pixel that anybody would see.
const NEAR_PX: f32 = 0.25;

fn trace(pb: &mut PathBuilder, points: impl IntoIterator<Item = [f32; 2]>, closed: bool) {
    let mut points = points.into_iter().peekable();
    let Some([x, y]) = points.next() else {
        return;
    };
    pb.move_to(x, y);
    let mut drawn = [x, y];
    while let Some([x, y]) = points.next() {
        let far = (x - drawn[0]).abs().max((y - drawn[1]).abs()) >= NEAR_PX;
        if far || points.peek().is_none() {
            pb.line_to(x, y);
            drawn = [x, y];
        }
    }
    if closed {
        pb.close();
    }
}

struct GlyphPen {
    builder: PathBuilder,
    x: f32,
    y: f32,
}

impl OutlinePen for GlyphPen {
    fn move_to(&mut self, x: f32, y: f32) {
        self.builder.move_to(self.x + x, self.y - y);
    }
    fn line_to(&mut self, x: f32, y: f32) {
        self.builder.line_to(self.x + x, self.y - y);
    }
    fn quad_to(&mut self, cx: f32, cy: f32, x: f32, y: f32) {
        self.builder
            .quad_to(self.x + cx, self.y - cy, self.x + x, self.y - y);
    }
    fn curve_to(&mut self, ax: f32, ay: f32, bx: f32, by: f32, x: f32, y: f32) {
        self.builder.cubic_to(
            self.x + ax,
            self.y - ay,
            self.x + bx,
            self.y - by,
            self.x + x,
            self.y - y,
        );
    }
    fn close(&mut self) {
        self.builder.close();
    }
}
