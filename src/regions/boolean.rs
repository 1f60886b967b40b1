//! Booleans on regions: i_overlay's integer engine behind our own types.
//!
//! What meets nothing else needs no boolean: boxes are swept first, and rings alone in their box that
//! prove simple pass as they are.

use super::crossings::cross_more_than;
use super::simple::{Prover, twice_area};
use super::{Bounds, FillRule, Point, Regions};
use crate::sets::Sets;
use i_overlay::core::overlay::{Overlay, ShapeType};
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::core::solver::{Precision, Solver, Strategy};
use rayon::prelude::*;
use rstar::primitives::Rectangle;
use rstar::{AABB, RTree};
use std::collections::BTreeMap;

/// Rings proved by one thread at a time; results do not depend on it.
const CHUNK_RINGS: usize = 512;

/// Makes regions of rings as drawn: crossing, nested, any winding, any overlap.
/// Shapes come in the order of their leftmost (then topmost) points.
pub fn normalise<R: AsRef<[Point]> + Sync>(rings: &[R], rule: FillRule) -> Regions {
    normalise_within(rings, rule, f64::INFINITY).unwrap_or_default()
}

/// Whether the edges of two regions together cross more often than [`MOST_CROSSINGS`](super::MOST_CROSSINGS), so
/// that no boolean of them is to be tried.
pub fn is_tangled(a: &Regions, b: &Regions) -> bool {
    cross_more_than(a.rings().chain(b.rings()), super::MOST_CROSSINGS)
}

/// As [`normalise`]; `None` where the rings that meet cross more than `most_crossings` times, by estimate.
pub fn normalise_within<R: AsRef<[Point]> + Sync>(
    rings: &[R],
    rule: FillRule,
    most_crossings: f64,
) -> Option<Regions> {
    let (places, boxes): (Vec<usize>, Vec<Bounds>) = rings
        .iter()
        .enumerate()
        .filter_map(|(i, ring)| Some((i, Bounds::of(ring.as_ref())?)))
        .unzip();
    let mut alone: Vec<usize> = Vec::new();
    let mut together: Vec<&[Point]> = Vec::new();
    for group in clusters(&boxes).iter() {
        if let [one] = *group {
            alone.push(places[one as usize]);
        } else {
            let members = group.iter().map(|&i| places[i as usize]);
            together.extend(members.map(|i| rings[i].as_ref()));
        }
    }
    let prove = |prover: &mut Prover, chunk: &[usize]| {
        let (mut proved, mut unproved) = (Regions::new(), Vec::new());
        let points = chunk.iter().map(|&i| rings[i].as_ref().len()).sum();
        proved.reserve(points, chunk.len(), chunk.len());
        let mut clean = Vec::new();
        for &i in chunk {
            match lone_ring(rings[i].as_ref(), rule, prover, &mut clean) {
                Lone::Shape => {
                    proved.push_ring(&clean);
                    proved.close_shape();
                }
                Lone::Empty => {}
                Lone::Unproved => unproved.push(i),
            }
        }
        (proved, unproved)
    };
    let parts: Vec<(Regions, Vec<usize>)> = if alone.len() <= CHUNK_RINGS {
        vec![prove(&mut Prover::default(), &alone)]
    } else {
        alone
            .par_chunks(CHUNK_RINGS)
            .map_init(Prover::default, prove)
            .collect()
    };
    let mut out = Regions::new();
    let proved: usize = parts.iter().map(|p| p.0.vertex_count()).sum();
    let shapes: usize = parts.iter().map(|p| p.0.len()).sum();
    out.reserve(proved, shapes, shapes);
    for (part, unproved) in &parts {
        out.append(part);
        together.extend(unproved.iter().map(|&i| rings[i].as_ref()));
    }
    if together.is_empty() {
        return Some(sorted(out));
    }
    if cross_more_than(together.iter().copied(), most_crossings) {
        return None;
    }
    let whole = overlay_rings(&together, rule);
    if out.is_empty() {
        return Some(whole);
    }
    out.append(&whole);
    Some(sorted(out))
}

enum Lone {
    Shape,
    Empty,
    Unproved,
}

/// A ring that no other ring's box meets: no boolean is needed when it proves simple. Its shape is left in `clean`.
fn lone_ring(ring: &[Point], rule: FillRule, prover: &mut Prover, clean: &mut Vec<Point>) -> Lone {
    without_straight_vertices(ring, clean);
    let area = twice_area(clean);
    if clean.len() < 3 || !prover.is_simple(clean, area > 0) {
        return Lone::Unproved;
    }
    match rule {
        FillRule::Positive if area < 0 => return Lone::Empty,
        FillRule::Negative if area > 0 => return Lone::Empty,
        _ => {}
    }
    if area < 0 {
        clean.reverse();
    }
    // Start where the boolean engine starts: before the leftmost (then topmost) vertex.
    let first = (0..clean.len())
        .min_by_key(|&i| (clean[i].x, clean[i].y))
        .unwrap_or(0);
    let n = clean.len();
    clean.rotate_left((first + n - 1) % n);
    Lone::Shape
}

/// The ring without repeated vertices and without those on a straight line.
fn without_straight_vertices(ring: &[Point], out: &mut Vec<Point>) {
    let straight = |a: Point, b: Point, c: Point| {
        let (ux, uy) = (
            i64::from(b.x) - i64::from(a.x),
            i64::from(b.y) - i64::from(a.y),
        );
        let (vx, vy) = (
            i64::from(c.x) - i64::from(b.x),
            i64::from(c.y) - i64::from(b.y),
        );
        i128::from(ux) * i128::from(vy) == i128::from(uy) * i128::from(vx)
    };
    out.clear();
    for &p in ring {
        while out.len() >= 2 && straight(out[out.len() - 2], out[out.len() - 1], p) {
            out.pop();
        }
        if out.last() != Some(&p) {
            out.push(p);
        }
    }
    // The seam, from both sides.
    let mut start = 0;
    loop {
        let n = out.len();
        if n - start < 3 {
            break;
        }
        if straight(out[n - 2], out[n - 1], out[start]) {
            out.pop();
        } else if straight(out[n - 1], out[start], out[start + 1]) {
            start += 1;
        } else {
            break;
        }
    }
    out.drain(..start);
}

/// The shapes in the order of their first points (leftmost, then topmost).
fn sorted(regions: Regions) -> Regions {
    let mut keys: Vec<_> = (0..regions.len())
        .map(|i| {
            let first = regions.shape(i).outer().iter().map(|p| (p.x, p.y)).min();
            (first, i)
        })
        .collect();
    if keys.is_sorted() {
        return regions;
    }
    keys.sort_unstable();
    let mut out = Regions::new();
    out.reserve(regions.vertex_count(), regions.ring_count(), regions.len());
    for (_, i) in keys {
        out.push_shape(regions.shape(i));
    }
    out
}

/// Groups of numbered boxes, stored flat: all members, and the end of each group.
#[derive(Debug)]
pub struct Clusters {
    members: Vec<u32>,
    ends: Vec<u32>,
}

impl Clusters {
    /// The members of each group.
    pub fn iter(&self) -> impl Iterator<Item = &[u32]> {
        let mut start = 0;
        self.ends.iter().map(move |&end| {
            let group = &self.members[start..end as usize];
            start = end as usize;
            group
        })
    }
}

/// Groups of boxes that overlap or touch, directly or through others; each group and the groups in
/// ascending order of their members.
pub fn clusters(boxes: &[Bounds]) -> Clusters {
    let n = boxes.len();
    let mut sets = Sets::new(n);
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by_key(|&i| (boxes[i].min.x, i));
    // Sweep to larger x over the y ranges still open: start -> (end, open until x, a member). Ranges are
    // disjoint, as those that meet become one; a group may so take in a neighbour that it does not
    // touch, which costs time only.
    let mut open: BTreeMap<i32, (i32, i32, u32)> = BTreeMap::new();
    let mut met: Vec<i32> = Vec::new();
    for &i in &order {
        let b = &boxes[i];
        let (mut low, mut high, mut until) = (b.min.y, b.max.y, b.max.x);
        met.clear();
        for (&start, &(end, open_until, member)) in open.range(..=b.max.y).rev() {
            if end < b.min.y {
                break;
            }
            met.push(start);
            if open_until < b.min.x {
                continue;
            }
            (low, high, until) = (low.min(start), high.max(end), until.max(open_until));
            sets.join(i, member as usize);
        }
        for start in &met {
            open.remove(start);
        }
        open.insert(low, (high, until, i as u32));
    }
    // Groups in the order of their first members: how large each is, then who is in it.
    let mut number = vec![u32::MAX; n];
    let mut ends: Vec<u32> = Vec::new();
    let group_of: Vec<u32> = (0..n)
        .map(|i| {
            let group = &mut number[sets.root(i)];
            if *group == u32::MAX {
                *group = ends.len() as u32;
                ends.push(0);
            }
            ends[*group as usize] += 1;
            *group
        })
        .collect();
    let mut start = 0;
    for end in &mut ends {
        (*end, start) = (start, start + *end);
    }
    let mut members = vec![0; n];
    for (i, &group) in group_of.iter().enumerate() {
        let place = &mut ends[group as usize];
        members[*place as usize] = i as u32;
        *place += 1;
    }
    Clusters { members, ends }
}

fn overlay(a: &Regions, b: &Regions, rule: OverlayRule) -> Regions {
    Regions::from_nested(&Overlay::<i32>::from_subj_and_clip(a, b).overlay(rule, FillRule::NonZero))
}

/// Crossings from which on those of raw offset curves take a snap of 2 nm instead of one, and more by fours.
const DENSE_CROSSINGS: f64 = 2e4;

/// The area that raw offset curves go round more often one way than the other. Where a shape has much detail below the
/// offset, its curves cross in dense bundles, and each rounding of a crossing makes new ones: a wider snap ends that
/// (it takes a third of the time; the arcs are no nearer than their tolerance anyway).
pub(super) fn overlay_curves(rings: &[Vec<Point>]) -> Regions {
    let mut overlay = Overlay::<i32>::new(rings.iter().map(Vec::len).sum());
    if cross_more_than(rings.iter().map(Vec::as_slice), DENSE_CROSSINGS) {
        overlay.solver = Solver::with_strategy_and_precision(Strategy::Frag, Precision::MEDIUM_LOW);
    }
    for ring in rings {
        overlay.add_contour(ring, ShapeType::Subject);
    }
    Regions::from_nested(&overlay.overlay(OverlayRule::Subject, FillRule::Positive))
}

/// One boolean pass over all rings.
pub(super) fn overlay_rings<R: AsRef<[Point]>>(rings: &[R], rule: FillRule) -> Regions {
    let mut overlay = Overlay::<i32>::new(rings.iter().map(|r| r.as_ref().len()).sum());
    for ring in rings {
        overlay.add_contour(ring.as_ref(), ShapeType::Subject);
    }
    Regions::from_nested(&overlay.overlay(OverlayRule::Subject, rule))
}

/// The union of valid shapes that may meet: those alone in their box pass as they are.
pub(super) fn union_shapes(regions: &Regions) -> Regions {
    let boxes: Vec<Bounds> = regions.shapes().map(|s| s.bounds()).collect();
    let mut alone = Regions::new();
    let mut together: Vec<&[Point]> = Vec::new();
    for group in clusters(&boxes).iter() {
        if let [one] = *group {
            alone.push_shape(regions.shape(one as usize));
        } else {
            let shapes = group.iter().map(|&i| regions.shape(i as usize));
            together.extend(shapes.flat_map(|s| s.rings()));
        }
    }
    if together.is_empty() && alone.len() < 2 {
        return alone;
    }
    if !together.is_empty() {
        alone.append(&overlay_rings(&together, FillRule::NonZero));
    }
    sorted(alone)
}

/// Everything in either.
pub fn union(a: &Regions, b: &Regions) -> Regions {
    if a.is_empty() {
        return b.clone();
    }
    if b.is_empty() {
        return a.clone();
    }
    union_all([a, b])
}

/// Everything in any of `parts`.
pub fn union_all<'a>(parts: impl IntoIterator<Item = &'a Regions>) -> Regions {
    let mut all = Regions::new();
    for part in parts {
        all.append(part);
    }
    union_shapes(&all)
}

/// What is in `a` and not in `b`.
pub fn difference(a: &Regions, b: &Regions) -> Regions {
    let (alone, met) = split_by_box(a, b);
    if met.is_empty() {
        return a.clone();
    }
    let (_, cut) = split_by_box(b, &met);
    let left = overlay(&met, &cut, OverlayRule::Difference);
    if alone.is_empty() {
        return left;
    }
    let mut out = alone;
    out.append(&left);
    sorted(out)
}

/// What is in both.
pub fn intersection(a: &Regions, b: &Regions) -> Regions {
    let (_, met) = split_by_box(a, b);
    let (_, cut) = split_by_box(b, &met);
    if cut.is_empty() {
        return Regions::new();
    }
    overlay(&met, &cut, OverlayRule::Intersect)
}

/// The shapes of `a` whose boxes meet no box of `b`'s shapes, and the others.
fn split_by_box(a: &Regions, b: &Regions) -> (Regions, Regions) {
    let whole = |r: &Regions| r.shapes().map(|s| s.bounds()).reduce(|p, q| p.join(&q));
    let (Some(around_a), Some(around_b)) = (whole(a), whole(b)) else {
        return (a.clone(), Regions::new());
    };
    if a.len() == 1 && around_a.overlaps(&around_b) {
        return (Regions::new(), a.clone());
    }
    let corner = |p: Point| [i64::from(p.x), i64::from(p.y)];
    let boxes = b.shapes().map(|s| s.bounds());
    let near: Vec<Rectangle<[i64; 2]>> = boxes
        .filter(|s| s.overlaps(&around_a))
        .map(|s| Rectangle::from_corners(corner(s.min), corner(s.max)))
        .collect();
    let tree = RTree::bulk_load(near);
    let (mut alone, mut met) = (Regions::new(), Regions::new());
    for shape in a.shapes() {
        let s = shape.bounds();
        let meets = s.overlaps(&around_b) && {
            let frame = AABB::from_corners(corner(s.min), corner(s.max));
            tree.locate_in_envelope_intersecting(&frame)
                .next()
                .is_some()
        };
        if meets {
            met.push_shape(shape);
        } else {
            alone.push_shape(shape);
        }
    }
    (alone, met)
}

/// What is in one and not in the other.
pub fn xor(a: &Regions, b: &Regions) -> Regions {
    overlay(a, b, OverlayRule::Xor)
}
