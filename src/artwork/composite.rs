//! Paint over white: dark opens, light closes, in document order.

use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

use crate::regions::{
    Bounds, FillRule, MOST_CROSSINGS, Point, Regions, difference, distance_nm, inset, is_tangled,
    normalise, normalise_within, outset, ring_area_nm2, ring_perimeter_nm, simple_winding, union,
};

/// What one fill or stroke covers.
#[derive(Debug, Clone)]
pub(super) struct Paint {
    pub dark: bool,
    /// Rings whose winding is nowhere negative, so that a non-zero fill of many is their union.
    pub rings: Vec<Vec<Point>>,
    pub bounds: Bounds,
}

/// Rings as drawn, made positive: single simple rings only turned round, the rest normalised.
/// `None` where they cross too often.
pub(super) fn clean(mut rings: Vec<Vec<Point>>, rule: FillRule) -> Option<Vec<Vec<Point>>> {
    for ring in &mut rings {
        ring.dedup();
        while ring.len() > 1 && ring.first() == ring.last() {
            ring.pop();
        }
    }
    rings.retain(|r| r.len() > 2);
    if let [ring] = rings.as_mut_slice()
        && let Some(positive) = simple_winding(ring)
    {
        if !positive {
            ring.reverse();
        }
        return Some(rings);
    }
    if rings.is_empty() {
        return Some(rings);
    }
    let region = normalise_within(&rings, rule, MOST_CROSSINGS)?;
    Some(region.rings().map(<[Point]>::to_vec).collect())
}

/// Neighbouring points nearer than this come from growing and shrinking, nanometres.
const TWIN_NM: f64 = 3.0;

/// The outline of a stroke made positive. Where `has_seams`, what rounding opened between its pieces is closed:
/// cracks narrower than the tolerance by growing and shrinking the area again, and holes whose mean width, twice
/// the area by the perimeter, is under a quarter of the tolerance.
pub(super) fn clean_stroke(
    rings: Vec<Vec<Point>>,
    has_seams: bool,
    tolerance_nm: f64,
) -> Option<Vec<Vec<Point>>> {
    let mut rings = clean(rings, FillRule::NonZero)?;
    if has_seams {
        let reach = tolerance_nm / 2.0;
        let grown = outset(&normalise(&rings, FillRule::NonZero), reach, 1.0);
        let healed = inset(&grown, reach, 1.0);
        rings = healed.rings().map(<[Point]>::to_vec).collect();
        for ring in &mut rings {
            ring.dedup_by(|a, b| distance_nm(*a, *b) < TWIN_NM);
        }
    }
    rings.retain(|ring| {
        let area = ring_area_nm2(ring);
        area > 0.0 || -2.0 * area > tolerance_nm / 4.0 * ring_perimeter_nm(ring)
    });
    Some(rings)
}

/// A paint's box in the tree, with the level it was given.
type Placed = GeomWithData<Rectangle<[i64; 2]>, usize>;

/// Numbers the paints so that all of one number can be laid down at once: dark ones get even numbers, light
/// ones odd, and what overlaps earlier paint of the other kind comes after it. Paints whose boxes are apart
/// may change places, so a drawing of many alternating shapes needs few numbers.
/// Light paint over nothing gets none.
fn levels(paints: &[Paint]) -> Vec<Option<usize>> {
    let mut placed: RTree<Placed> = RTree::new();
    paints
        .iter()
        .map(|paint| {
            let corner = |p: Point| [i64::from(p.x), i64::from(p.y)];
            let (min, max) = (corner(paint.bounds.min), corner(paint.bounds.max));
            let parity = usize::from(!paint.dark);
            let level = placed
                .locate_in_envelope_intersecting(&AABB::from_corners(min, max))
                .map(|earlier| earlier.data + usize::from(earlier.data % 2 != parity))
                .max()
                .or(paint.dark.then_some(0))?;
            placed.insert(GeomWithData::new(Rectangle::from_corners(min, max), level));
            Some(level)
        })
        .collect()
}

/// What a stack of paint does to what lies under it: `close` is taken away, then `open` added.
struct Stack {
    close: Regions,
    open: Regions,
}

/// Merges neighbouring stacks in pairs, so that a deep pile costs little more than a flat one.
/// At the bottom of the pile there is nothing under it to close.
fn merge(mut stacks: Vec<Stack>) -> Option<Regions> {
    while stacks.len() > 1 {
        let mut pairs = stacks.into_iter();
        let mut merged = Vec::new();
        while let Some(lower) = pairs.next() {
            let Some(upper) = pairs.next() else {
                merged.push(lower);
                break;
            };
            let close = if merged.is_empty() {
                Regions::new()
            } else if is_tangled(&lower.close, &upper.close) {
                return None;
            } else {
                union(&lower.close, &upper.close)
            };
            if is_tangled(&lower.open, &upper.close) {
                return None;
            }
            let left = difference(&lower.open, &upper.close);
            if is_tangled(&left, &upper.open) {
                return None;
            }
            merged.push(Stack {
                close,
                open: union(&left, &upper.open),
            });
        }
        stacks = merged;
    }
    Some(stacks.pop().map_or_else(Regions::new, |s| s.open))
}

/// What stays dark of a layer's paint; `None` where it crosses too often.
pub(super) fn composite(paints: &[Paint]) -> Option<Regions> {
    let all_dark = paints.iter().all(|p| p.dark);
    let levels = if all_dark {
        vec![Some(0); paints.len()]
    } else {
        levels(paints)
    };
    let count = levels.iter().flatten().max().map_or(0, |l| l + 1);
    let mut rings: Vec<Vec<&[Point]>> = vec![Vec::new(); count];
    for (paint, level) in paints.iter().zip(&levels) {
        if let Some(level) = level {
            rings[*level].extend(paint.rings.iter().map(Vec::as_slice));
        }
    }
    let stacks = rings.iter().enumerate().map(|(level, rings)| {
        let painted = normalise_within(rings, FillRule::NonZero, MOST_CROSSINGS)?;
        let nothing = Regions::new();
        Some(if level % 2 == 1 {
            Stack {
                close: painted,
                open: nothing,
            }
        } else {
            Stack {
                close: nothing,
                open: painted,
            }
        })
    });
    let stacks: Option<Vec<Stack>> = stacks.collect();
    Some(without_dust(merge(stacks?)?))
}

/// Mean width below which a ring is dust, nanometres: what reading and the grid may round away (coordinates
/// pass through single precision: 30 nm at 300 mm).
const DUST_NM: f64 = 25.0;

/// The region without openings and holes that only rounding made, where edges of several paints coincide:
/// those whose mean width, twice the area by the perimeter, is below [`DUST_NM`].
fn without_dust(region: Regions) -> Regions {
    let dust = |ring: &[Point]| 2.0 * ring_area_nm2(ring).abs() < DUST_NM * ring_perimeter_nm(ring);
    if !region.rings().any(dust) {
        return region;
    }
    let mut out = Regions::new();
    for shape in region.shapes().filter(|s| !dust(s.outer())) {
        for ring in shape.rings().filter(|r| !dust(r)) {
            out.push_ring(ring);
        }
        out.close_shape();
    }
    out
}
