//! From collected paint to layers, and what concerns whole layers.

use super::composite::{self, Paint};
use super::source::Survey;
use super::walk::tangled;
use super::{Element, Layer, Refusal, TieLine};
use crate::finding::Finding;
use crate::regions::{
    Bounds, FillRule, MOST_CROSSINGS, Point, Regions, is_tangled, normalise_within, union,
};
use crate::units::NM_PER_MM;
use rstar::{AABB, RTree, primitives::Rectangle};

/// A layer being collected.
#[derive(Default)]
pub(super) struct Draft {
    pub name: String,
    /// The drawing shows the layer's group.
    pub seen: bool,
    /// Paths whose `visibility` hides them.
    pub invisible: usize,
    pub paints: Vec<Paint>,
    /// One for each paint.
    pub elements: Vec<Element>,
    pub tie_lines: Vec<TieLine>,
    pub keep_clear: Vec<Regions>,
}

impl Draft {
    pub(super) fn new(name: &str) -> Draft {
        Draft {
            name: name.to_owned(),
            ..Draft::default()
        }
    }
}

/// The middle of a box, millimetres.
pub(super) fn centre_mm(b: Bounds) -> [f64; 2] {
    [
        (f64::from(b.min.x) + f64::from(b.max.x)) / 2.0 / NM_PER_MM,
        (f64::from(b.min.y) + f64::from(b.max.y)) / 2.0 / NM_PER_MM,
    ]
}

/// Composites every layer, adds the common one, and reports what concerns whole layers.
/// The last draft holds what lies outside every layer.
///
/// # Errors
/// A layer whose paint crosses too often.
pub(super) fn finish(
    drafts: Vec<Draft>,
    survey: &Survey,
    size_mm: [f64; 2],
    findings: &mut Vec<Finding>,
) -> Result<Vec<Layer>, Refusal> {
    let mut common: Option<Layer> = None;
    let mut layers = Vec::new();
    for (i, draft) in drafts.into_iter().enumerate() {
        let spec = survey.layers.get(i);
        let name = draft.name.clone();
        if spec.is_some_and(|l| l.notes) {
            findings.push(
                Finding::note("notes-layer", "the layer is for notes: it is not cut").layer(name),
            );
            continue;
        }
        let hidden = spec.is_some_and(|l| l.drawn) && !draft.seen;
        if hidden || (spec.is_some() && draft.paints.is_empty() && draft.invisible > 0) {
            findings.push(
                Finding::warning("hidden-layer", "the layer is hidden: it is not cut")
                    .hint("show it in the drawing program, or start its name with `_`")
                    .layer(name),
            );
            continue;
        }
        if spec.is_none() && !survey.layers.is_empty() {
            let Some(first) = draft.elements.first() else {
                continue;
            };
            let at = centre_mm(first.bounds);
            findings.push(
                Finding::warning(
                    "outside-layers",
                    format!("shapes lie outside every layer group: they form a layer `{name}` of their own"),
                )
                .hint("move them into a layer, or into one called `common` if every stencil needs them")
                .element(first.id.clone())
                .layer(name)
                .at(at[0], at[1]),
            );
        }
        look_at_paint(&draft, size_mm, findings);
        let is_common = spec.is_some() && draft.name == "common" && survey.layers.len() > 1;
        let refuse = |what: &str| tangled(what).layer(Some(&draft.name));
        let openings =
            composite::composite(&draft.paints).ok_or_else(|| refuse("the paint of the layer"))?;
        let clear: Vec<&[Point]> = draft.keep_clear.iter().flat_map(Regions::rings).collect();
        let keep_clear = normalise_within(&clear, FillRule::NonZero, MOST_CROSSINGS)
            .filter(|clear| !is_tangled(&openings, clear))
            .ok_or_else(|| refuse("what is to be kept clear in the layer"))?;
        let layer = Layer {
            openings,
            name: draft.name,
            elements: draft.elements,
            tie_lines: draft.tie_lines,
            keep_clear,
            common: Regions::new(),
        };
        if is_common {
            common = Some(layer);
        } else {
            layers.push(layer);
        }
    }
    add_common(common, &mut layers)?;
    for layer in &mut layers {
        outside_page(layer, size_mm, findings);
        if layer.openings.is_empty() {
            findings.push(
                Finding::warning(
                    "empty-layer",
                    "the layer has no openings: nothing would be cut",
                )
                .hint("dark paint opens the foil: check its colours, or start its name with `_`")
                .layer(layer.name.clone()),
            );
        }
    }
    Ok(layers)
}

fn add_common(common: Option<Layer>, layers: &mut Vec<Layer>) -> Result<(), Refusal> {
    let Some(common) = common else { return Ok(()) };
    if layers.is_empty() {
        layers.push(common);
        return Ok(());
    }
    for layer in layers {
        if is_tangled(&layer.openings, &common.openings)
            || is_tangled(&layer.keep_clear, &common.keep_clear)
        {
            return Err(tangled("the layer with `common`").layer(Some(&layer.name)));
        }
        layer.openings = union(&layer.openings, &common.openings);
        layer.common = common.openings.clone();
        layer.elements.extend(common.elements.iter().cloned());
        layer.tie_lines.extend(common.tie_lines.iter().cloned());
        layer.keep_clear = union(&layer.keep_clear, &common.keep_clear);
    }
    Ok(())
}

/// Page corner on the grid.
fn page_nm(size_mm: [f64; 2]) -> [i32; 2] {
    size_mm.map(|v| (v * NM_PER_MM).round() as i32)
}

/// Dark shapes as large as the page, and light paint that closes nothing.
fn look_at_paint(draft: &Draft, size_mm: [f64; 2], findings: &mut Vec<Finding>) {
    let [w, h] = page_nm(size_mm);
    // A hundredth of the page short still counts as the page.
    let fills_page = |b: Bounds| {
        b.min.x <= w / 100 && b.min.y <= h / 100 && b.max.x >= w - w / 100 && b.max.y >= h - h / 100
    };
    let about = |finding: Finding, element: &Element| {
        let at = centre_mm(element.bounds);
        finding
            .element(element.id.clone())
            .layer(draft.name.clone())
            .at(at[0], at[1])
    };
    let any_light = draft.paints.iter().any(|p| !p.dark);
    let mut dark_before: RTree<Rectangle<[i64; 2]>> = RTree::new();
    for (paint, element) in draft.paints.iter().zip(&draft.elements) {
        let b = paint.bounds;
        let corner = |p: crate::regions::Point| [i64::from(p.x), i64::from(p.y)];
        if paint.dark {
            let solid = paint.rings.len() == 1;
            if fills_page(b) && solid && area_share(paint, w, h) > 0.9 {
                findings.push(about(
                    Finding::warning(
                        "page-sized-shape",
                        "a dark shape as large as the page opens the whole foil",
                    )
                    .hint("delete the background, or make it white"),
                    element,
                ));
            }
            if any_light {
                dark_before.insert(Rectangle::from_corners(corner(b.min), corner(b.max)));
            }
            continue;
        }
        let touched = AABB::from_corners(corner(b.min), corner(b.max));
        if dark_before
            .locate_in_envelope_intersecting(&touched)
            .next()
            .is_none()
        {
            let finding = if fills_page(b) {
                Finding::note("light-background", "a light background changes nothing")
            } else {
                Finding::warning(
                    "light-over-nothing",
                    "light paint over nothing dark closes nothing",
                )
                .hint("if it is meant to be open, paint it black")
            };
            findings.push(about(finding, element));
        }
    }
}

fn area_share(paint: &Paint, w: i32, h: i32) -> f64 {
    let area: f64 = paint
        .rings
        .iter()
        .map(|r| crate::regions::ring_area_nm2(r))
        .sum();
    area / (f64::from(w) * f64::from(h))
}

/// Shapes wholly outside the page are not painted, so they are left out.
fn outside_page(layer: &mut Layer, size_mm: [f64; 2], findings: &mut Vec<Finding>) {
    let [w, h] = page_nm(size_mm);
    let outside = |b: &Bounds| b.max.x <= 0 || b.max.y <= 0 || b.min.x >= w || b.min.y >= h;
    if !layer.openings.shapes().any(|s| outside(&s.bounds())) {
        return;
    }
    let mut found = Vec::new();
    let kept = layer.openings.filter(|shape| {
        let b = shape.bounds();
        if outside(&b) {
            let at = centre_mm(b);
            let finding = Finding::warning(
                "outside-page",
                "a shape lies outside the page: it is not cut",
            )
            .hint("move it onto the page, enlarge the page, or delete it")
            .layer(layer.name.clone())
            .at(at[0], at[1]);
            let middle = [b.min.x.midpoint(b.max.x), b.min.y.midpoint(b.max.y)];
            found.push(match layer.element_at(middle[0], middle[1]) {
                Some(element) => finding.element(element.id.clone()),
                None => finding,
            });
        }
        !outside(&b)
    });
    layer.openings = kept;
    findings.append(&mut found);
}

/// Most findings of one kind in one layer before the rest is only counted.
const MOST_ALIKE: usize = 10;

/// Replaces long rows of the same finding by their first few and a count.
pub(super) fn shorten(findings: &mut Vec<Finding>) {
    let mut counts: Vec<(String, Option<String>, usize)> = Vec::new();
    let mut extra: Vec<Finding> = Vec::new();
    findings.retain(|f| {
        let at = counts.iter().position(|c| c.0 == f.code && c.1 == f.layer);
        let at = at.unwrap_or_else(|| {
            counts.push((f.code.clone(), f.layer.clone(), 0));
            extra.push(Finding {
                element_id: None,
                at_mm: None,
                ..f.clone()
            });
            counts.len() - 1
        });
        counts[at].2 += 1;
        counts[at].2 <= MOST_ALIKE
    });
    for (count, mut finding) in counts.into_iter().zip(extra) {
        if count.2 > MOST_ALIKE {
            finding.message = format!(
                "{} more like this: {}",
                count.2 - MOST_ALIKE,
                finding.message
            );
            findings.push(finding);
        }
    }
}
