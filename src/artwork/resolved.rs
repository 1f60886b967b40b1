//! The SVG library's paths, pens and maps in our own terms, in `f64`.

use super::stroke::{Cap, Join, Pen, Piece};
use super::{Refusal, flatten, fonts};
use crate::regions::FillRule;
use std::sync::Arc;

/// An affine map: x' = a x + c y + e, y' = b x + d y + f.
#[derive(Debug, Clone, Copy)]
pub(super) struct Map {
    a: f64,
    b: f64,
    c: f64,
    d: f64,
    e: f64,
    f: f64,
}

impl Map {
    pub(super) fn scale(s: f64) -> Map {
        Map {
            a: s,
            b: 0.0,
            c: 0.0,
            d: s,
            e: 0.0,
            f: 0.0,
        }
    }
    /// First `t`, then this map.
    pub(super) fn after(&self, t: usvg::Transform) -> Map {
        let (a, b, c, d, e, f) = (
            f64::from(t.sx),
            f64::from(t.ky),
            f64::from(t.kx),
            f64::from(t.sy),
            f64::from(t.tx),
            f64::from(t.ty),
        );
        Map {
            a: self.a * a + self.c * b,
            b: self.b * a + self.d * b,
            c: self.a * c + self.c * d,
            d: self.b * c + self.d * d,
            e: self.a * e + self.c * f + self.e,
            f: self.b * e + self.d * f + self.f,
        }
    }
    pub(super) fn apply(&self, p: flatten::Pt) -> flatten::Pt {
        [
            self.a * p[0] + self.c * p[1] + self.e,
            self.b * p[0] + self.d * p[1] + self.f,
        ]
    }
    /// The most that a length can grow: the larger singular value.
    pub(super) fn stretch(&self) -> f64 {
        let sum = self.a.hypot(self.d).hypot(self.b.hypot(self.c));
        let det = (self.a * self.d - self.b * self.c).abs();
        let s2 = sum * sum;
        ((s2 + (s2 * s2 - 4.0 * det * det).max(0.0).sqrt()) / 2.0).sqrt()
    }
}

pub(super) fn rule(rule: usvg::FillRule) -> FillRule {
    match rule {
        usvg::FillRule::NonZero => FillRule::NonZero,
        usvg::FillRule::EvenOdd => FillRule::EvenOdd,
    }
}

/// Luminance of the sRGB-encoded values, 0 to 1 (weights of ITU-R BT.709-6, item 3.2).
pub(super) fn luminance(c: usvg::Color) -> f64 {
    (0.2126 * f64::from(c.red) + 0.7152 * f64::from(c.green) + 0.0722 * f64::from(c.blue)) / 255.0
}

pub(super) fn pieces(path: &usvg::tiny_skia_path::Path) -> impl Iterator<Item = Piece> + '_ {
    use usvg::tiny_skia_path::PathSegment as S;
    let pt = |p: usvg::tiny_skia_path::Point| [f64::from(p.x), f64::from(p.y)];
    let mut at = [0.0; 2];
    let mut start = [0.0; 2];
    path.segments().map(move |segment| match segment {
        S::MoveTo(p) => {
            (at, start) = (pt(p), pt(p));
            Piece::Move(at)
        }
        S::LineTo(p) => {
            at = pt(p);
            Piece::Line(at)
        }
        S::QuadTo(a, p) => {
            let [_, c1, c2, end] = flatten::quad_as_cubic([at, pt(a), pt(p)]);
            at = end;
            Piece::Cubic(c1, c2, end)
        }
        S::CubicTo(a, b, p) => {
            at = pt(p);
            Piece::Cubic(pt(a), pt(b), at)
        }
        S::Close => {
            at = start;
            Piece::Close
        }
    })
}

pub(super) fn pen(stroke: &usvg::Stroke) -> Pen {
    let mut dashes: Vec<f64> = stroke
        .dasharray()
        .unwrap_or_default()
        .iter()
        .map(|&d| f64::from(d))
        .collect();
    if dashes.len() % 2 == 1 {
        dashes.extend_from_within(..);
    }
    Pen {
        width: f64::from(stroke.width().get()),
        cap: match stroke.linecap() {
            usvg::LineCap::Butt => Cap::Butt,
            usvg::LineCap::Round => Cap::Round,
            usvg::LineCap::Square => Cap::Square,
        },
        join: match stroke.linejoin() {
            usvg::LineJoin::Miter => Join::Miter,
            usvg::LineJoin::MiterClip => Join::MiterClip,
            usvg::LineJoin::Round => Join::Round,
            usvg::LineJoin::Bevel => Join::Bevel,
        },
        miter_limit: f64::from(stroke.miterlimit().get()),
        dashes,
        dash_offset: f64::from(stroke.dashoffset()),
    }
}

/// Words for a drawing that the library refuses.
pub(super) fn cannot_resolve(e: &usvg::Error) -> Refusal {
    match e {
        usvg::Error::InvalidSize => Refusal::new(
            "empty-page",
            "the page has no area",
            "give the root element a width, a height and a viewBox larger than zero",
        ),
        usvg::Error::ElementsLimitReached => Refusal::new(
            "too-large",
            "has more than a million elements",
            "split the drawing",
        ),
        other => Refusal::new(
            "not-svg",
            format!("is not a readable SVG file: {other}"),
            "",
        ),
    }
}

/// Nothing a drawing names is ever loaded: images become markers that the walk refuses.
pub(super) fn svg_options<'a>(fonts: &'a fonts::Fonts) -> usvg::Options<'a> {
    fn marker() -> Option<usvg::ImageKind> {
        let svg = r#"<svg xmlns="http://www.w3.org/2000/svg" width="1" height="1"><path d="M0 0h1v1z"/></svg>"#;
        usvg::Tree::from_str(svg, &usvg::Options::default())
            .ok()
            .map(usvg::ImageKind::SVG)
    }
    usvg::Options {
        image_href_resolver: usvg::ImageHrefResolver {
            resolve_data: Box::new(|_, _, _| marker()),
            resolve_string: Box::new(|_, _| marker()),
        },
        font_resolver: fonts.resolver(),
        fontdb: Arc::clone(fonts.database()),
        ..usvg::Options::default()
    }
}

/// The id of the one element that a nameless group wraps.
pub(super) fn only_id(group: &usvg::Group) -> &str {
    match group.children() {
        [usvg::Node::Group(inner)] if inner.id().is_empty() => only_id(inner),
        [one] => one.id(),
        _ => "",
    }
}

/// The refusal of paint that is neither there nor not.
pub(super) fn partial_opacity(opacity: f32) -> Refusal {
    Refusal::new(
        "partial-opacity",
        format!(
            "an opacity of {} has no cut meaning",
            crate::units::trim_number(f64::from(opacity), 3)
        ),
        "make it fully opaque, or delete it",
    )
}
