//! Booleans on regions: i_overlay's integer engine behind our own types.

use super::{FillRule, Point, Regions};
use i_overlay::core::overlay::{Overlay, ShapeType};
use i_overlay::core::overlay_rule::OverlayRule;

/// Makes regions of rings as drawn: crossing, nested, any winding, any overlap.
pub fn normalise(rings: &[Vec<Point>], rule: FillRule) -> Regions {
    let mut overlay = Overlay::<i32>::new(rings.iter().map(Vec::len).sum());
    for ring in rings {
        overlay.add_contour(ring, ShapeType::Subject);
    }
    Regions::from_nested(&overlay.overlay(OverlayRule::Subject, rule))
}

fn overlay(a: &Regions, b: &Regions, rule: OverlayRule) -> Regions {
    Regions::from_nested(&Overlay::<i32>::from_subj_and_clip(a, b).overlay(rule, FillRule::NonZero))
}

/// Everything in either.
pub fn union(a: &Regions, b: &Regions) -> Regions {
    if a.is_empty() {
        return b.clone();
    }
    if b.is_empty() {
        return a.clone();
    }
    overlay(a, b, OverlayRule::Union)
}

/// Everything in any of `parts`.
pub fn union_all<'a>(parts: impl IntoIterator<Item = &'a Regions>) -> Regions {
    let mut overlay = Overlay::<i32>::new(64);
    for part in parts {
        overlay.add_source(part, ShapeType::Subject);
    }
    Regions::from_nested(&overlay.overlay(OverlayRule::Subject, FillRule::NonZero))
}

/// What is in `a` and not in `b`.
pub fn difference(a: &Regions, b: &Regions) -> Regions {
    if a.is_empty() || b.is_empty() {
        return a.clone();
    }
    overlay(a, b, OverlayRule::Difference)
}

/// What is in both.
pub fn intersection(a: &Regions, b: &Regions) -> Regions {
    if a.is_empty() || b.is_empty() {
        return Regions::new();
    }
    overlay(a, b, OverlayRule::Intersect)
}

/// What is in one and not in the other.
pub fn xor(a: &Regions, b: &Regions) -> Regions {
    overlay(a, b, OverlayRule::Xor)
}
