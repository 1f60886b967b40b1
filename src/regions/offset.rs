//! Inset and outset by a round beam.
//!
//! A raw curve beside each ring is the answer when a gate proves it: every edge survives with its
//! direction, and the curves of the shape are simple, disjoint and properly nested. (Where two edges
//! meet in a miter, all that the miter cuts off lies nearer to one of them than the offset, so no part of
//! the true boundary is lost.) Shapes that fail go through one boolean pass each, with raw curves that
//! pass through the vertices where they fold.

use super::folds::{Beside, Folder};
use super::measure::edges;
use super::simple::{Prover, is_convex};
use super::trim::Trimmer;
use super::{Point, Regions, boolean};
use rayon::prelude::*;

/// Vertices of a work unit; results do not depend on it.
const CHUNK_VERTICES: usize = 16_384;
/// Shortest offset edge that passes the gate, nanometres: rounding moves each end by up to 0.71.
pub(super) const SHORTEST_NM: f64 = 3.0;
/// Least cosine of a turn that the gate takes for a fold that can be mitered (about 170 degrees).
pub(super) const SHARPEST: f64 = -0.985;

/// The points whose disc of radius `radius_nm` lies inside the region: the centre line of a beam that
/// cuts up to the region's boundary. Arcs deviate from the circle by at most `tolerance_nm` to either side.
///
/// Shapes may split or vanish; the result keeps the order of the shapes they came from.
pub fn inset(regions: &Regions, radius_nm: f64, tolerance_nm: f64) -> Regions {
    inset_with_origin(regions, radius_nm, tolerance_nm).0
}

/// As [`inset`], with the index of the shape that each shape of the result came from.
pub fn inset_with_origin(
    regions: &Regions,
    radius_nm: f64,
    tolerance_nm: f64,
) -> (Regions, Vec<u32>) {
    let arcs = Arcs::new(radius_nm.abs(), tolerance_nm);
    let offset = |worker: &mut Worker, range: std::ops::Range<usize>| {
        let mut out = Regions::new();
        let mut origin = Vec::with_capacity(range.len());
        let points: usize = range.clone().map(|i| regions.shape(i).vertex_count()).sum();
        out.reserve(points + points / 4, range.len(), range.len());
        let mut rest = range;
        while !rest.is_empty() {
            let (convex, bends) =
                worker
                    .folder
                    .convex_shapes(regions, rest.clone(), -radius_nm, &mut out);
            origin.extend(rest.start as u32..(rest.start + convex) as u32);
            rest.start += convex;
            if let Some(i) = rest.next() {
                worker.offset_shape(regions.shape(i), -radius_nm, &arcs, !bends, &mut out);
                origin.resize(out.len(), i as u32);
            }
        }
        (out, origin)
    };
    let chunks = chunks(regions);
    // Handing one chunk to another thread costs more than a small shape does; one thread alone need put nothing together.
    if chunks.len() == 1 || rayon::current_num_threads() == 1 {
        return offset(&mut Worker::default(), 0..regions.len());
    }
    let parts: Vec<(Regions, Vec<u32>)> = chunks
        .into_par_iter()
        .map_init(Worker::default, offset)
        .collect();
    let mut whole = Regions::new();
    let mut origin = Vec::new();
    whole.reserve(
        parts.iter().map(|p| p.0.vertex_count()).sum(),
        parts.iter().map(|p| p.0.ring_count()).sum(),
        parts.iter().map(|p| p.0.len()).sum(),
    );
    for (part, from) in parts {
        whole.append(&part);
        origin.extend(from);
    }
    (whole, origin)
}

/// The region grown by a disc of radius `radius_nm` (shapes that meet are joined). Arcs deviate from the
/// circle by at most `tolerance_nm` to either side.
pub fn outset(regions: &Regions, radius_nm: f64, tolerance_nm: f64) -> Regions {
    let grown = inset(regions, -radius_nm, tolerance_nm);
    boolean::union_shapes(&grown)
}

/// Ranges of shapes of about [`CHUNK_VERTICES`] vertices.
fn chunks(regions: &Regions) -> Vec<std::ops::Range<usize>> {
    let mut out = Vec::new();
    let (mut start, mut vertices) = (0, 0);
    for (i, shape) in regions.shapes().enumerate() {
        vertices += shape.vertex_count();
        if vertices >= CHUNK_VERTICES {
            out.push(start..i + 1);
            (start, vertices) = (i + 1, 0);
        }
    }
    if start < regions.len() {
        out.push(start..regions.len());
    }
    out
}

/// Working memory of one thread.
#[derive(Debug, Default)]
struct Worker {
    points: Vec<Point>,
    ends: Vec<u32>,
    prover: Prover,
    trimmer: Trimmer,
    folder: Folder,
}

/// What the curve beside a ring is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Curve {
    /// Edges that meet in miters.
    Folds,
    /// Arcs as well.
    Arcs,
    /// Nothing is left of a convex ring.
    Gone,
}

impl Worker {
    fn offset_shape(
        &mut self,
        shape: super::Shape<'_>,
        offset_nm: f64,
        arcs: &Arcs,
        may_fold: bool,
        out: &mut Regions,
    ) {
        let bounds = shape.bounds();
        let least = bounds.width_nm().min(bounds.height_nm()) as f64;
        if offset_nm < 0.0 && least <= -2.0 * offset_nm {
            return; // no disc fits
        }
        if self.gate(shape, offset_nm, arcs, may_fold) {
            if !self.ends.is_empty() {
                out.push_rings(&self.points, &self.ends);
            }
            return;
        }
        let rings: Vec<Vec<Point>> = shape
            .rings()
            .map(|ring| folded_curve(ring, offset_nm, arcs))
            .collect();
        out.append(&boolean::overlay_curves(&rings));
    }

    /// Writes the raw curves of the shape, of which some `may_fold` at every corner, and tells whether they are the
    /// answer.
    fn gate(
        &mut self,
        shape: super::Shape<'_>,
        offset_nm: f64,
        arcs: &Arcs,
        may_fold: bool,
    ) -> bool {
        self.points.clear();
        self.ends.clear();
        let mut only_folds = true;
        for ring in shape.rings() {
            let start = self.points.len();
            if may_fold && self.folder.curve(ring, offset_nm, &mut self.points) != Beside::Other {
                self.ends.push(self.points.len() as u32);
                continue;
            }
            let mut curve = mitered_curve(ring, offset_nm, arcs, &mut self.points);
            if curve.is_none() {
                self.points.truncate(start);
                curve = self.trimmer.curve(ring, offset_nm, arcs, &mut self.points);
            }
            match curve {
                None => return false,
                Some(Curve::Gone) => {
                    self.points.clear();
                    self.ends.clear();
                    return shape.holes().len() == 0;
                }
                Some(Curve::Folds) => {}
                Some(Curve::Arcs) => only_folds = false,
            }
            drop_repeats(&mut self.points, start);
            self.ends.push(self.points.len() as u32);
        }
        (self.ends.len() == 1 && only_folds && is_convex(&self.points))
            || self.prover.is_shape(&self.points, &self.ends)
    }
}

/// Removes repeated neighbours of the ring that begins at `start`.
fn drop_repeats(points: &mut Vec<Point>, start: usize) {
    let mut kept = start;
    for i in start..points.len() {
        if kept == start || points[kept - 1] != points[i] {
            points[kept] = points[i];
            kept += 1;
        }
    }
    while kept > start + 1 && points[kept - 1] == points[start] {
        kept -= 1;
    }
    points.truncate(kept);
}

/// How arcs are drawn: between a radius larger and one smaller by the tolerance.
///
/// The first and last vertex of an arc lie on the prolonged straight edges, where these leave the larger
/// circle; between them the chords touch the smaller one. Edges stay exact, and the error is two-sided.
#[derive(Debug, Clone, Copy)]
pub(super) struct Arcs {
    radius: f64,
    /// Angle from the end of an edge to the first vertex: acos(r / (r + t)).
    lead: f64,
    /// Cosine and sine of the lead.
    turn_lead: [f64; 2],
    /// Cosine of twice the lead: gentler turns need one vertex.
    cos_two_leads: f64,
    /// Cosine of twice the lead and a step: gentler turns need two.
    cos_one_chord: f64,
    /// Largest angle of a chord: 2 acos((r - t) / (r + t)).
    step: f64,
}

impl Arcs {
    fn new(radius: f64, tolerance: f64) -> Arcs {
        let r = radius.max(1.0);
        let t = tolerance.max(1.0);
        let most = std::f64::consts::FRAC_PI_8;
        let lead = libm::acos(r / (r + t)).min(most);
        let step = (2.0 * libm::acos(((r - t) / (r + t)).max(0.0))).clamp(1e-3, 2.0 * most);
        Arcs {
            radius,
            lead,
            turn_lead: [libm::cos(lead), libm::sin(lead)],
            cos_two_leads: libm::cos(2.0 * lead),
            cos_one_chord: libm::cos((2.0 * lead + step).min(std::f64::consts::PI)),
            step,
        }
    }

    /// The arc about `center` from normal `from` to normal `to`, on the side of `offset`.
    pub(super) fn draw(
        &self,
        center: Point,
        from: [f64; 2],
        to: [f64; 2],
        offset: f64,
        out: &mut Vec<Point>,
    ) {
        let cross = from[0] * to[1] - from[1] * to[0];
        let dot = from[0] * to[0] + from[1] * to[1];
        if dot >= self.cos_two_leads {
            let m = offset / (1.0 + dot);
            out.push(snap(center, m * (from[0] + to[0]), m * (from[1] + to[1])));
            return;
        }
        let rho = offset / self.turn_lead[0];
        if dot > self.cos_one_chord && cross * offset > 0.0 {
            // One chord: both normals turned towards each other by the lead.
            let [c, s] = self.turn_lead;
            let s = s * offset.signum();
            out.push(snap(
                center,
                rho * (from[0] * c - from[1] * s),
                rho * (from[0] * s + from[1] * c),
            ));
            out.push(snap(
                center,
                rho * (to[0] * c + to[1] * s),
                rho * (to[1] * c - to[0] * s),
            ));
            return;
        }
        let turn = libm::atan2(cross, dot);
        // A spike of no width turns by half a circle to the side on which the offset opens.
        let turn = turn.abs() * offset.signum();
        let between = turn.abs() - 2.0 * self.lead;
        let chords = (between / self.step).ceil().max(1.0);
        let first = libm::atan2(from[1], from[0]) + self.lead * turn.signum();
        for k in 0..=chords as usize {
            let a = first + between * turn.signum() * (k as f64 / chords);
            out.push(snap(center, rho * libm::cos(a), rho * libm::sin(a)));
        }
    }
}

#[inline(always)]
fn snap(p: Point, dx: f64, dy: f64) -> Point {
    Point::new(nearest(f64::from(p.x) + dx), nearest(f64::from(p.y) + dy))
}

/// The nearest integer of a number within the range of i32, ties to even: added to 1.5 x 2^52, a double
/// keeps whole units, and its lowest 32 bits are the number's.
#[inline(always)]
pub(super) fn nearest(v: f64) -> i32 {
    whole(v + WHOLE)
}

/// 1.5 x 2^52.
pub(super) const WHOLE: f64 = 6_755_399_441_055_744.0;

/// The nearest integer of a number to which [`WHOLE`] was added.
#[inline(always)]
pub(super) fn whole(v: f64) -> i32 {
    v.to_bits() as i32
}

/// Outward normal (of a positive ring) and length of an edge: its direction turned clockwise.
#[inline(always)]
pub(super) fn normal(a: Point, b: Point) -> ([f64; 2], f64) {
    let (dx, dy) = (
        f64::from(b.x) - f64::from(a.x),
        f64::from(b.y) - f64::from(a.y),
    );
    let length = (dx * dx + dy * dy).sqrt();
    let by = 1.0 / length;
    ([dy * by, -dx * by], length)
}

/// The curve beside `ring` with miters at its folds; `None` when an edge vanishes or turns round.
fn mitered_curve(ring: &[Point], offset: f64, arcs: &Arcs, out: &mut Vec<Point>) -> Option<Curve> {
    let n = ring.len();
    if n < 3 {
        return None;
    }
    let r = arcs.radius;
    let (mut before, last_length) = normal(ring[n - 1], ring[0]);
    if last_length == 0.0 {
        return None;
    }
    let mut only_folds = true;
    // Length left of the edge before, once its first end is trimmed; the last edge gets its turn at the end.
    let mut left = f64::INFINITY;
    let mut first_trim = 0.0;
    for i in 0..n {
        let (after, length) = if i + 1 == n {
            normal(ring[n - 1], ring[0])
        } else {
            normal(ring[i], ring[i + 1])
        };
        if length == 0.0 {
            return None;
        }
        let cross = before[0] * after[1] - before[1] * after[0];
        let dot = before[0] * after[0] + before[1] * after[1];
        let trim = if cross * offset > 0.0 {
            only_folds = false;
            arcs.draw(ring[i], before, after, offset, out);
            0.0
        } else {
            if dot < SHARPEST {
                return None;
            }
            let by = 1.0 / (1.0 + dot);
            let m = offset * by;
            out.push(snap(
                ring[i],
                m * (before[0] + after[0]),
                m * (before[1] + after[1]),
            ));
            r * cross.abs() * by
        };
        if left - trim < SHORTEST_NM {
            return None;
        }
        if i == 0 {
            first_trim = trim;
        }
        left = length - trim;
        before = after;
    }
    let made_of = if only_folds {
        Curve::Folds
    } else {
        Curve::Arcs
    };
    (left - first_trim >= SHORTEST_NM).then_some(made_of)
}

/// The curve beside `ring` that passes through the vertices of folds where an edge vanishes: what folds over
/// there winds negatively and vanishes in a `Positive` union. Other folds are mitered: each point covered by
/// the trapezoids between edges and curve still winds no more than zero.
fn folded_curve(ring: &[Point], offset: f64, arcs: &Arcs) -> Vec<Point> {
    let mut clean = ring.to_vec();
    drop_repeats(&mut clean, 0);
    let n = clean.len();
    let mut out = Vec::with_capacity(n * 2);
    if n < 3 {
        return out;
    }
    let normals: Vec<([f64; 2], f64)> = edges(&clean).map(|(a, b)| normal(a, b)).collect();
    // What a miter takes of both edges at each vertex; NaN where there can be none.
    let trims: Vec<f64> = (0..n)
        .map(|i| {
            let (before, after) = (normals[(i + n - 1) % n].0, normals[i].0);
            let cross = before[0] * after[1] - before[1] * after[0];
            let dot = before[0] * after[0] + before[1] * after[1];
            if cross * offset > 0.0 {
                0.0
            } else if dot < SHARPEST {
                f64::NAN
            } else {
                arcs.radius * cross.abs() / (1.0 + dot)
            }
        })
        .collect();
    let survives = |i: usize| normals[i].1 - trims[i] - trims[(i + 1) % n] >= SHORTEST_NM;
    let whole: Vec<bool> = (0..n).map(survives).collect();
    for i in 0..n {
        let before = (i + n - 1) % n;
        let (from, to) = (normals[before].0, normals[i].0);
        let cross = from[0] * to[1] - from[1] * to[0];
        let dot = from[0] * to[0] + from[1] * to[1];
        if cross * offset > 0.0 || (cross == 0.0 && dot < 0.0) {
            arcs.draw(clean[i], from, to, offset, &mut out);
        } else if (whole[before] && whole[i]) || dot > 0.999_999 {
            let m = offset / (1.0 + dot);
            out.push(snap(clean[i], m * (from[0] + to[0]), m * (from[1] + to[1])));
        } else {
            out.push(snap(clean[i], offset * from[0], offset * from[1]));
            out.push(clean[i]);
            out.push(snap(clean[i], offset * to[0], offset * to[1]));
        }
    }
    out
}
