//! Arcs written as curves before the SVG library turns them into coarser ones.
//!
//! The library gives a quarter circle one cubic whatever its size, which is off by 2.7e-4 of the radius
//! (the best known for handles of 4/3 tan(angle / 4)): 1.4 um on a circle of 10 mm. The error falls with the
//! sixth power of the angle, so the four cubics a quarter gets here are off by 7e-8 of the radius.

use roxmltree::Node;
use std::f64::consts::{FRAC_PI_2, FRAC_PI_8};
use std::fmt::Write;
use svgtypes::PathSegment as S;

/// A change of the file's text.
pub(super) type Edit = (std::ops::Range<usize>, String);

/// Two numbers as `f32` prints them, which is all that is kept of them.
fn put(out: &mut String, command: &str, points: &[[f64; 2]]) {
    out.push_str(command);
    for p in points {
        let _ = write!(out, "{} {} ", p[0] as f32, p[1] as f32);
    }
}

/// An elliptic arc about the origin of its own axes.
struct Arc {
    centre: [f64; 2],
    radii: [f64; 2],
    rotation: f64,
    start: f64,
    sweep: f64,
}

impl Arc {
    fn at(&self, x: f64, y: f64) -> [f64; 2] {
        let (s, c) = libm::sincos(self.rotation);
        let (x, y) = (x * self.radii[0], y * self.radii[1]);
        [
            self.centre[0] + c * x - s * y,
            self.centre[1] + s * x + c * y,
        ]
    }

    /// Cubics of at most an eighth of pi each; handles of 4/3 tan(angle / 4) (the cubic that touches the
    /// circle at its middle). Ends exactly in `end` where that is given.
    fn write(&self, end: Option<[f64; 2]>, out: &mut String) {
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
            put(
                out,
                "C",
                &[
                    self.at(c0 - k * s0, s0 + k * c0),
                    self.at(c1 + k * s1, s1 - k * c1),
                    to,
                ],
            );
        }
    }
}

fn quarter(centre: [f64; 2], radii: [f64; 2], index: u32) -> Arc {
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

/// The path data of a circle, an ellipse or a rounded rectangle given in plain numbers.
fn shape_data(node: &Node<'_, '_>) -> Option<String> {
    let number = |name| plain(node, name);
    let radius = |v: Option<f64>| v.filter(|v| *v >= 0.0);
    let mut out = String::new();
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
            put(&mut out, "M", &[[centre[0] + radii[0], centre[1]]]);
            for i in 0..4 {
                quarter(centre, radii, i).write(None, &mut out);
            }
        }
        "rect" => {
            let (x, y) = (number("x")?.unwrap_or(0.0), number("y")?.unwrap_or(0.0));
            let (w, h) = (number("width")??, number("height")??);
            let (rx, ry) = (radius(number("rx")?), radius(number("ry")?));
            let (rx, ry) = (rx.or(ry)?.min(w / 2.0), ry.or(rx)?.min(h / 2.0));
            if !(w > 0.0 && h > 0.0 && rx > 0.0 && ry > 0.0) {
                return None;
            }
            put(&mut out, "M", &[[x + rx, y]]);
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
                put(&mut out, "L", &[line_to]);
                quarter(centre, [rx, ry], index).write(Some(end), &mut out);
            }
        }
        _ => return None,
    }
    out.push('Z');
    Some(out)
}

/// Path data with its arcs as cubics; `None` where there is nothing to change or the data is broken (the
/// library then says so itself).
fn path_data(d: &str) -> Option<String> {
    if !d.contains(['a', 'A']) {
        return None;
    }
    let mut out = String::with_capacity(d.len() * 2);
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
        let mirror = |c: Option<[f64; 2]>| {
            c.map_or(from, |c: [f64; 2]| {
                [2.0 * from[0] - c[0], 2.0 * from[1] - c[1]]
            })
        };
        match segment {
            S::MoveTo { abs, x, y } => {
                at = place(abs, x, y);
                start = at;
                put(&mut out, "M", &[at]);
            }
            S::LineTo { abs, x, y } => {
                at = place(abs, x, y);
                put(&mut out, "L", &[at]);
            }
            S::HorizontalLineTo { abs, x } => {
                at = [if abs { x } else { from[0] + x }, from[1]];
                put(&mut out, "L", &[at]);
            }
            S::VerticalLineTo { abs, y } => {
                at = [from[0], if abs { y } else { from[1] + y }];
                put(&mut out, "L", &[at]);
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
                put(&mut out, "C", &[place(abs, x1, y1), c, at]);
                next_cubic = Some(c);
            }
            S::SmoothCurveTo { abs, x2, y2, x, y } => {
                let c = place(abs, x2, y2);
                at = place(abs, x, y);
                put(&mut out, "C", &[mirror(cubic), c, at]);
                next_cubic = Some(c);
            }
            S::Quadratic { abs, x1, y1, x, y } => {
                let c = place(abs, x1, y1);
                at = place(abs, x, y);
                put(&mut out, "Q", &[c, at]);
                next_quad = Some(c);
            }
            S::SmoothQuadratic { abs, x, y } => {
                let c = mirror(quad);
                at = place(abs, x, y);
                put(&mut out, "Q", &[c, at]);
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
                    .write(Some(at), &mut out),
                    None => put(&mut out, "L", &[at]),
                }
            }
            S::ClosePath { .. } => {
                at = start;
                out.push('Z');
            }
        }
        (cubic, quad) = (next_cubic, next_quad);
    }
    Some(out)
}

/// The changes that write an element's arcs as curves. `tag` is the place of its name in the start tag.
pub(super) fn edits(
    node: &Node<'_, '_>,
    tag: std::ops::Range<usize>,
    text: &str,
    out: &mut Vec<Edit>,
) {
    if node.tag_name().name() == "path" {
        if let Some(d) = node.attribute_node("d")
            && let range = d.range_value()
            && text.get(range.clone()) == Some(d.value())
            && let Some(data) = path_data(d.value())
        {
            out.push((range, data));
        }
        return;
    }
    if node.has_attribute("d") {
        return;
    }
    let Some(data) = shape_data(node) else { return };
    let name = &text[tag.clone()];
    let prefix = name.rfind(':').map_or("", |i| &name[..=i]);
    out.push((tag, format!("{prefix}path d=\"{data}\"")));
    let range = node.range();
    if !text[range.clone()].ends_with("/>")
        && let Some(end) = text[range.clone()].rfind("</")
    {
        let from = range.start + end + 2;
        out.push((from..from + name.len(), format!("{prefix}path")));
    }
}
