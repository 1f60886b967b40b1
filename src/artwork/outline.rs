//! Outlines read straight from the drawing, in `f64` and with their arcs exact to 1e-7 of the radius.
//!
//! The SVG library keeps coordinates in `f32` and gives a quarter circle one cubic whatever its size, which
//! is off by 2.7e-4 of the radius (the best known for handles of 4/3 tan(angle / 4)): 1.4 um on a circle of
//! 10 mm. The error falls with the sixth power of the angle, so the four cubics a quarter gets here are off
//! by 7e-8 of the radius. Where a drawing cannot be read this way, the same curves are written into its text.

use super::flatten::{Pt, quad_as_cubic};
use super::stroke::Piece;
use roxmltree::Node;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_8};
use std::fmt::Write;
use svgtypes::PathSegment as S;

/// A change of the file's text.
pub(super) type Edit = (std::ops::Range<usize>, String);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Verb {
    Move,
    Line,
    Quad,
    Cubic,
    Close,
}

/// What one element draws, in its own user units: every coordinate absolute, no arcs.
#[derive(Debug, Clone, Default)]
pub(super) struct Outline {
    verbs: Vec<Verb>,
    points: Vec<Pt>,
}

impl Outline {
    fn push(&mut self, verb: Verb, points: &[Pt]) {
        // A pen moved twice has moved once.
        if verb == Verb::Move && self.verbs.last() == Some(&Verb::Move) {
            self.verbs.pop();
            self.points.pop();
        }
        self.verbs.push(verb);
        self.points.extend_from_slice(points);
    }

    /// All points, those of handles too.
    pub(super) fn points(&self) -> &[Pt] {
        &self.points
    }

    /// The pieces, quadratics as the cubics they equal.
    pub(super) fn pieces(&self) -> impl Iterator<Item = Piece> + use<'_> {
        let mut rest = self.points.iter().copied();
        let (mut at, mut start) = ([0.0; 2], [0.0; 2]);
        self.verbs.iter().map(move |verb| {
            let mut next = || rest.next().unwrap_or(at);
            match verb {
                Verb::Move => {
                    at = next();
                    start = at;
                    Piece::Move(at)
                }
                Verb::Line => {
                    at = next();
                    Piece::Line(at)
                }
                Verb::Quad => {
                    let (a, p) = (next(), next());
                    let [_, c1, c2, end] = quad_as_cubic([at, a, p]);
                    at = end;
                    Piece::Cubic(c1, c2, end)
                }
                Verb::Cubic => {
                    let (a, b, p) = (next(), next(), next());
                    at = p;
                    Piece::Cubic(a, b, p)
                }
                Verb::Close => {
                    at = start;
                    Piece::Close
                }
            }
        })
    }

    /// The box of all points, those of handles too: x min, y min, x max, y max. `None` where one is not finite.
    pub(super) fn point_box(&self) -> Option<[f64; 4]> {
        let mut b = [f64::MAX, f64::MAX, f64::MIN, f64::MIN];
        // Zero times what is not finite is no number, and stays so.
        let mut zero = 0.0;
        for p in &self.points {
            zero += 0.0 * (p[0] + p[1]);
            let low = |a: f64, v: f64| if v < a { v } else { a };
            let high = |a: f64, v: f64| if v > a { v } else { a };
            b = [
                low(b[0], p[0]),
                low(b[1], p[1]),
                high(b[2], p[0]),
                high(b[3], p[1]),
            ];
        }
        (zero == 0.0).then_some(b)
    }

    /// As [`Self::point_box`]; `None` unless it has an area that `f32` can hold.
    pub(super) fn area_box(&self) -> Option<[f64; 4]> {
        let b = self.point_box()?;
        let f32s = b.map(|v| v as f32);
        let area = f32s[2] > f32s[0] && f32s[3] > f32s[1];
        (area && f32s.iter().all(|v| v.abs() < 1e30)).then_some(b)
    }

    /// As path data, with numbers as `f32` prints them, which is all that the SVG library keeps of them.
    fn data(&self) -> String {
        let mut out = String::with_capacity(self.points.len() * 20);
        let mut points = self.points.iter();
        for verb in &self.verbs {
            let (letter, count) = match verb {
                Verb::Move => ('M', 1),
                Verb::Line => ('L', 1),
                Verb::Quad => ('Q', 2),
                Verb::Cubic => ('C', 3),
                Verb::Close => ('Z', 0),
            };
            out.push(letter);
            for p in points.by_ref().take(count) {
                let _ = write!(out, "{} {} ", p[0] as f32, p[1] as f32);
            }
        }
        out
    }
}

/// An elliptic arc about the origin of its own axes.
struct Arc {
    centre: Pt,
    radii: Pt,
    rotation: f64,
    start: f64,
    sweep: f64,
}

impl Arc {
    fn at(&self, x: f64, y: f64) -> Pt {
        let (s, c) = libm::sincos(self.rotation);
        let (x, y) = (x * self.radii[0], y * self.radii[1]);
        [
            self.centre[0] + c * x - s * y,
            self.centre[1] + s * x + c * y,
        ]
    }

    /// Cubics of at most an eighth of pi each; handles of 4/3 tan(angle / 4) (the cubic that touches the
    /// circle at its middle). Ends exactly in `end` where that is given.
    fn draw(&self, end: Option<Pt>, out: &mut Outline) {
        let count = (self.sweep.abs() / FRAC_PI_8 - 1e-9).ceil().max(1.0);
        let step = self.sweep / count;
        let k = 4.0 / 3.0 * libm::tan(step / 4.0);
        for i in 0..count as usize {
            let (s0, c0) = libm::sincos(self.start + step * i as f64);
            let (s1, c1) = libm::sincos(self.start + step * (i + 1) as f64);
            let last = i + 1 == count as usize;
            let to = match end {
                Some(end) if last => end,
                _ => self.at(c1, s1),
            };
            let handles = [
                self.at(c0 - k * s0, s0 + k * c0),
                self.at(c1 + k * s1, s1 - k * c1),
            ];
            out.push(Verb::Cubic, &[handles[0], handles[1], to]);
        }
    }
}

fn quarter(centre: Pt, radii: Pt, index: u32) -> Arc {
    Arc {
        centre,
        radii,
        rotation: 0.0,
        start: FRAC_PI_2 * f64::from(index),
        sweep: FRAC_PI_2,
    }
}

/// A number of user units; `None` where it is anything else.
fn plain(node: &Node<'_, '_>, name: &str) -> Option<Option<f64>> {
    match node.attribute(name) {
        None => Some(None),
        Some(text) => {
            let v: f64 = text.trim().trim_end_matches("px").parse().ok()?;
            v.is_finite().then_some(Some(v))
        }
    }
}

/// A circle, an ellipse or a rectangle given in plain numbers.
fn shape(node: &Node<'_, '_>) -> Option<Outline> {
    let number = |name| plain(node, name);
    let radius = |v: Option<f64>| v.filter(|v| *v >= 0.0);
    let mut out = Outline::default();
    match node.tag_name().name() {
        kind @ ("circle" | "ellipse") => {
            let centre = [number("cx")?.unwrap_or(0.0), number("cy")?.unwrap_or(0.0)];
            let (rx, ry) = if kind == "circle" {
                let r = number("r")?;
                (r, r)
            } else {
                let (rx, ry) = (radius(number("rx")?), radius(number("ry")?));
                (rx.or(ry), ry.or(rx))
            };
            let radii = [rx.filter(|r| *r > 0.0)?, ry.filter(|r| *r > 0.0)?];
            let start = [centre[0] + radii[0], centre[1]];
            out.push(Verb::Move, &[start]);
            for i in 0..4 {
                quarter(centre, radii, i).draw((i == 3).then_some(start), &mut out);
            }
        }
        "rect" => {
            let (x, y) = (number("x")?.unwrap_or(0.0), number("y")?.unwrap_or(0.0));
            let (w, h) = (number("width")??, number("height")??);
            if !(w > 0.0 && h > 0.0) {
                return None;
            }
            let (rx, ry) = (radius(number("rx")?), radius(number("ry")?));
            let (rx, ry) = (
                rx.or(ry).unwrap_or(0.0).min(w / 2.0),
                ry.or(rx).unwrap_or(0.0).min(h / 2.0),
            );
            if rx > 0.0 && ry > 0.0 {
                out.push(Verb::Move, &[[x + rx, y]]);
                let corners = [
                    ([x + w - rx, y], [x + w - rx, y + ry], 3, [x + w, y + ry]),
                    (
                        [x + w, y + h - ry],
                        [x + w - rx, y + h - ry],
                        0,
                        [x + w - rx, y + h],
                    ),
                    ([x + rx, y + h], [x + rx, y + h - ry], 1, [x, y + h - ry]),
                    ([x, y + ry], [x + rx, y + ry], 2, [x + rx, y]),
                ];
                for (line_to, centre, index, end) in corners {
                    out.push(Verb::Line, &[line_to]);
                    quarter(centre, [rx, ry], index).draw(Some(end), &mut out);
                }
            } else {
                out.push(Verb::Move, &[[x, y]]);
                for p in [[x + w, y], [x + w, y + h], [x, y + h]] {
                    out.push(Verb::Line, &[p]);
                }
            }
        }
        _ => return None,
    }
    out.push(Verb::Close, &[]);
    Some(out)
}

/// The points of a polygon or a polyline; `None` where they are broken or too few.
fn poly(points: &str, closed: bool) -> Option<Outline> {
    // The parser stops at what is no number; only a list that is nothing but numbers is taken.
    let plain = |c: char| c.is_ascii_digit() || c.is_ascii_whitespace() || "+-.eE,".contains(c);
    if !points.chars().all(plain) {
        return None;
    }
    let mut out = Outline::default();
    for (x, y) in svgtypes::PointsParser::from(points) {
        let verb = if out.verbs.is_empty() {
            Verb::Move
        } else {
            Verb::Line
        };
        out.push(verb, &[[x, y]]);
    }
    if out.points.len() < 2 {
        return None;
    }
    if closed {
        out.push(Verb::Close, &[]);
    }
    Some(out)
}

/// The numbers of path data, where they are plain decimals of up to fifteen digits: such a number is a whole
/// one divided by a power of ten, both exact, so the division rounds as the standard parser does.
struct Numbers<'d> {
    bytes: &'d [u8],
    at: usize,
}

impl Numbers<'_> {
    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }
    fn skip_space(&mut self) {
        while self.peek().is_some_and(|b| b.is_ascii_whitespace()) {
            self.at += 1;
        }
    }
    /// Space and at most one comma.
    fn skip_comma(&mut self) {
        self.skip_space();
        if self.peek() == Some(b',') {
            self.at += 1;
            self.skip_space();
        }
    }
    fn number(&mut self) -> Option<f64> {
        const POWERS: [f64; 16] = [
            1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
        ];
        const TENS: [u64; 9] = [
            1,
            10,
            100,
            1_000,
            10_000,
            100_000,
            1_000_000,
            10_000_000,
            100_000_000,
        ];
        let first = self.peek()?;
        let negative = first == b'-';
        self.at += usize::from(negative || first == b'+');
        let (mut whole, before) = self.whole(0);
        let mut decimals = 0;
        if self.peek() == Some(b'.') {
            self.at += 1;
            // Most have fewer than eight decimals, and eight more letters follow.
            if let Some((value, count)) = self.digits() {
                whole = whole.wrapping_mul(TENS[count]).wrapping_add(value);
                (self.at, decimals) = (self.at + count, count);
            }
            let more;
            (whole, more) = self.whole(whole);
            decimals += more;
        }
        let digits = before + decimals;
        if digits == 0 || digits > 15 || matches!(self.peek(), Some(b'e' | b'E')) {
            return None;
        }
        // Fifteen digits fit an i64.
        let value = whole as i64 as f64 / POWERS[decimals];
        Some(if negative { -value } else { value })
    }
    /// The digits that follow, put to those of `whole`, and how many they are.
    fn whole(&mut self, mut whole: u64) -> (u64, usize) {
        let start = self.at;
        while let Some(b @ b'0'..=b'9') = self.peek() {
            whole = whole.wrapping_mul(10).wrapping_add(u64::from(b - b'0'));
            self.at += 1;
        }
        (whole, self.at - start)
    }
    /// The value and the count of the digits among the next eight bytes, if there are eight.
    fn digits(&self) -> Option<(u64, usize)> {
        let bytes = self.bytes.get(self.at..self.at + 8)?;
        let mut x = u64::from_le_bytes(bytes.try_into().ok()?) ^ 0x3030_3030_3030_3030;
        // The high bit of every byte above nine.
        let others = (x.wrapping_add(0x7676_7676_7676_7676) | x) & 0x8080_8080_8080_8080;
        let count = (others.trailing_zeros() / 8) as usize;
        if count == 0 {
            return Some((0, 0));
        }
        // Digits to the end, zeros before them; then pairs, fours and all eight are put together.
        x <<= 64 - 8 * count;
        x = (x & 0x0f0f_0f0f_0f0f_0f0f).wrapping_mul(2561) >> 8;
        x = (x & 0x00ff_00ff_00ff_00ff).wrapping_mul(6_553_601) >> 16;
        x = (x & 0x0000_ffff_0000_ffff).wrapping_mul(42_949_672_960_001) >> 32;
        Some((x, count))
    }
    fn pair(&mut self) -> Option<Pt> {
        let x = self.number()?;
        self.skip_comma();
        Some([x, self.number()?])
    }
}

/// Path data of nothing but straight lines in plain decimals, which is what large drawings are made of;
/// `None` leaves it to the general parser.
fn straight_path(d: &str) -> Option<Outline> {
    let mut numbers = Numbers {
        bytes: d.as_bytes(),
        at: 0,
    };
    // A point takes about so many letters where it matters.
    let points = d.len() / 16 + 4;
    let mut out = Outline {
        verbs: Vec::with_capacity(points),
        points: Vec::with_capacity(points),
    };
    let (mut at, mut start) = ([0.0; 2], [0.0; 2]);
    let mut command = 0u8;
    numbers.skip_space();
    while let Some(b) = numbers.peek() {
        if b.is_ascii_alphabetic() {
            command = b;
            numbers.at += 1;
            numbers.skip_space();
        } else if matches!(command, 0 | b'Z' | b'z') {
            return None;
        }
        if out.verbs.is_empty() && !matches!(command, b'M' | b'm') {
            return None;
        }
        if out.verbs.last() == Some(&Verb::Close) && !matches!(command, b'M' | b'm' | b'Z' | b'z') {
            out.push(Verb::Move, &[start]);
        }
        let from = if command.is_ascii_lowercase() {
            at
        } else {
            [0.0; 2]
        };
        match command {
            b'M' | b'm' | b'L' | b'l' => {
                let p = numbers.pair()?;
                at = [from[0] + p[0], from[1] + p[1]];
            }
            b'H' | b'h' => at[0] = from[0] + numbers.number()?,
            b'V' | b'v' => at[1] = from[1] + numbers.number()?,
            b'Z' | b'z' => at = start,
            _ => return None,
        }
        match command {
            b'M' | b'm' => {
                start = at;
                out.push(Verb::Move, &[at]);
                // More pairs are lines.
                command = if command == b'M' { b'L' } else { b'l' };
            }
            b'Z' | b'z' => out.push(Verb::Close, &[]),
            _ => out.push(Verb::Line, &[at]),
        }
        numbers.skip_space();
        if numbers.peek() == Some(b',') {
            numbers.skip_comma();
            // A comma only stands between numbers.
            if !(numbers.peek()?.is_ascii_digit() || b"+-.".contains(&numbers.peek()?)) {
                return None;
            }
        }
    }
    (out.verbs.len() > 1).then_some(out)
}

/// Path data; `None` where it is broken (the library then says so itself).
fn path(d: &str) -> Option<Outline> {
    if let Some(straight) = straight_path(d) {
        return Some(straight);
    }
    let mut out = Outline::default();
    let (mut at, mut start) = ([0.0; 2], [0.0; 2]);
    // The control point that a smooth segment mirrors, of cubics and of quadratics.
    let (mut cubic, mut quad) = (None, None);
    for segment in svgtypes::PathParser::from(d) {
        let segment = segment.ok()?;
        let from = at;
        let (mut next_cubic, mut next_quad) = (None, None);
        let place = |abs: bool, x: f64, y: f64| {
            if abs {
                [x, y]
            } else {
                [from[0] + x, from[1] + y]
            }
        };
        let mirror =
            |c: Option<Pt>| c.map_or(from, |c: Pt| [2.0 * from[0] - c[0], 2.0 * from[1] - c[1]]);
        if out.verbs.last() == Some(&Verb::Close)
            && !matches!(segment, S::MoveTo { .. } | S::ClosePath { .. })
        {
            out.push(Verb::Move, &[start]);
        }
        match segment {
            S::MoveTo { abs, x, y } => {
                at = place(abs, x, y);
                start = at;
                out.push(Verb::Move, &[at]);
            }
            S::LineTo { abs, x, y } => {
                at = place(abs, x, y);
                out.push(Verb::Line, &[at]);
            }
            S::HorizontalLineTo { abs, x } => {
                at = [if abs { x } else { from[0] + x }, from[1]];
                out.push(Verb::Line, &[at]);
            }
            S::VerticalLineTo { abs, y } => {
                at = [from[0], if abs { y } else { from[1] + y }];
                out.push(Verb::Line, &[at]);
            }
            S::CurveTo {
                abs,
                x1,
                y1,
                x2,
                y2,
                x,
                y,
            } => {
                let c = place(abs, x2, y2);
                at = place(abs, x, y);
                out.push(Verb::Cubic, &[place(abs, x1, y1), c, at]);
                next_cubic = Some(c);
            }
            S::SmoothCurveTo { abs, x2, y2, x, y } => {
                let c = place(abs, x2, y2);
                at = place(abs, x, y);
                out.push(Verb::Cubic, &[mirror(cubic), c, at]);
                next_cubic = Some(c);
            }
            S::Quadratic { abs, x1, y1, x, y } => {
                let c = place(abs, x1, y1);
                at = place(abs, x, y);
                out.push(Verb::Quad, &[c, at]);
                next_quad = Some(c);
            }
            S::SmoothQuadratic { abs, x, y } => {
                let c = mirror(quad);
                at = place(abs, x, y);
                out.push(Verb::Quad, &[c, at]);
                next_quad = Some(c);
            }
            S::EllipticalArc {
                abs,
                rx,
                ry,
                x_axis_rotation,
                large_arc,
                sweep,
                x,
                y,
            } => {
                at = place(abs, x, y);
                let svg_arc = kurbo::SvgArc {
                    from: kurbo::Point::new(from[0], from[1]),
                    to: kurbo::Point::new(at[0], at[1]),
                    radii: kurbo::Vec2::new(rx, ry),
                    x_rotation: x_axis_rotation.to_radians(),
                    large_arc,
                    sweep,
                };
                match kurbo::Arc::from_svg_arc(&svg_arc) {
                    Some(arc) => Arc {
                        centre: [arc.center.x, arc.center.y],
                        radii: [arc.radii.x, arc.radii.y],
                        rotation: arc.x_rotation,
                        start: arc.start_angle,
                        sweep: arc.sweep_angle,
                    }
                    .draw(Some(at), &mut out),
                    None => out.push(Verb::Line, &[at]),
                }
            }
            S::ClosePath { .. } => {
                at = start;
                out.push(Verb::Close, &[]);
            }
        }
        (cubic, quad) = (next_cubic, next_quad);
    }
    (out.verbs.len() > 1).then_some(out)
}

/// Where the text of an outline stands: the name of its attribute and the place of its value.
fn data_attribute(node: &Node<'_, '_>) -> Option<(&'static str, std::ops::Range<usize>)> {
    let name = match node.tag_name().name() {
        "path" => "d",
        "polygon" | "polyline" => "points",
        _ => return None,
    };
    let attribute = node.attribute_node(name)?;
    let range = attribute.range_value();
    // Text with entities is not what it says.
    (node.document().input_text().get(range.clone()) == Some(attribute.value()))
        .then_some((name, range))
}

/// What an element draws, where that can be told from its own attributes.
pub(super) fn of(node: &Node<'_, '_>) -> Option<Outline> {
    let value = |name| node.attribute(name);
    match node.tag_name().name() {
        "path" => path(value("d")?),
        "polygon" => poly(value("points")?, true),
        "polyline" => poly(value("points")?, false),
        _ => shape(node),
    }
}

/// Text shorter than this is not worth a stand-in.
const SHORT: usize = 64;

/// A box in place of a long outline, for a library that need not read what has been read already.
pub(super) fn stand_in(node: &Node<'_, '_>, outline: &Outline) -> Option<Edit> {
    let (name, range) = data_attribute(node)?;
    if range.len() < SHORT {
        return None;
    }
    let [x0, y0, x1, y1] = outline.area_box()?.map(|v| v as f32);
    let text = if name == "d" {
        format!("M{x0} {y0}H{x1}V{y1}H{x0}Z")
    } else {
        format!("{x0},{y0} {x1},{y0} {x1},{y1} {x0},{y1}")
    };
    Some((range, text))
}

/// The changes that write an element's arcs as curves. `tag` is the place of its name in the start tag.
pub(super) fn edits(
    node: &Node<'_, '_>,
    tag: std::ops::Range<usize>,
    text: &str,
    out: &mut Vec<Edit>,
) {
    if node.tag_name().name() == "path" {
        if let Some((_, range)) = data_attribute(node)
            && text[range.clone()].contains(['a', 'A'])
            && let Some(outline) = path(&text[range.clone()])
        {
            out.push((range, outline.data()));
        }
        return;
    }
    let sharp =
        node.tag_name().name() == "rect" && !node.has_attribute("rx") && !node.has_attribute("ry");
    if node.has_attribute("d") || sharp {
        return;
    }
    let Some(outline) = shape(node) else { return };
    let name = &text[tag.clone()];
    let prefix = name.rfind(':').map_or("", |i| &name[..=i]);
    out.push((tag, format!("{prefix}path d=\"{}\"", outline.data())));
    let range = node.range();
    if !text[range.clone()].ends_with("/>")
        && let Some(end) = text[range.clone()].rfind("</")
    {
        let from = range.start + end + 2;
        out.push((from..from + name.len(), format!("{prefix}path")));
    }
}
