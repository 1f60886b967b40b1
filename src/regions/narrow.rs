//! Centre lines of the narrow parts of a shape, with the local half width.
//!
//! The chordal axis: the boundary near the narrow parts is sampled, a constrained Delaunay triangulation
//! (library `spade`, exact predicates) joins the samples, and the middles of its chords between walls that
//! face each other are the axis. Between parallel walls every such middle lies on the centre line, whatever
//! the sampling; in a wedge of half angle a it is off by at most half the step times tan a.

use super::medial::{MedialAxis, MedialError, Node};
use super::{EdgeIndex, Point, Regions, Shape};
use crate::hilbert;
use rustc_hash::FxHashMap;
use spade::{ConstrainedDelaunayTriangulation, HasPosition, Point2, Triangulation};
use std::collections::BTreeMap;

/// Walls face each other when the cosine between their normals is below this: corners blunter than about
/// 73 degrees have no axis.
const FACING: f64 = -0.3;
/// Distance of samples, in limits.
const STEP: f64 = 0.5;
/// Chords this many limits long (and a step) are looked at.
const LONGEST: f64 = 2.2;
/// Least cosine between the way on from the last chord and the direction of the walls there.
const TURN: f64 = 0.2;
/// How far around the narrow parts the boundary is sampled, in limits.
const AROUND: f64 = 3.0;

/// The axis of the parts of the shape whose half width is at most `limit_nm`, and a little beyond: where
/// such a part opens into a wider one, the axis ends in a node with a larger radius. `near` tells where
/// narrow parts are to be looked for.
///
/// # Errors
/// When the triangulation refuses its input.
pub fn narrow_axis(
    shape: Shape<'_>,
    near: &Regions,
    limit_nm: f64,
) -> Result<MedialAxis, MedialError> {
    let own = shape.to_regions();
    let walls = Walls::new(shape, near, limit_nm);
    let origin = shape.bounds().min;
    let mesh = walls.mesh().map_err(|reason| MedialError {
        x_mm: f64::from(origin.x) / 1e6,
        y_mm: f64::from(origin.y) / 1e6,
        reason,
    })?;
    let index = EdgeIndex::new(&own);
    let mut axis = MedialAxis::default();
    // The chords with walls on both sides, by the number of their edge.
    let longest = (LONGEST * limit_nm).powi(2) + (STEP * limit_nm).powi(2);
    let mut chords: BTreeMap<usize, (usize, [f64; 2])> = BTreeMap::new();
    for edge in mesh.undirected_edges() {
        if edge.is_constraint_edge() || edge.length_2() > longest {
            continue;
        }
        let [u, v] = edge.vertices().map(|v| v.fix().index());
        let (a, b) = (walls.at(u), walls.at(v));
        let middle = [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0];
        if let Some(along) = walls.facing(u, v)
            && index.encloses(middle)
        {
            chords.insert(edge.fix().index(), (axis.add(middle, &index), along));
        }
    }
    for face in mesh.inner_faces() {
        let mut met: Vec<(usize, [f64; 2], f64)> = Vec::with_capacity(3);
        for edge in face.adjacent_edges() {
            if let Some(&(node, along)) = chords.get(&edge.as_undirected().fix().index()) {
                // Which way the face lies from the chord: it is on the left of its edges.
                let [u, v] = edge.vertices().map(|v| walls.at(v.fix().index()));
                let side = (v[0] - u[0]) * along[1] - (v[1] - u[1]) * along[0];
                met.push((node, along, side.signum()));
            }
        }
        match met[..] {
            [(a, _, _), (b, _, _)] => axis.edges.push([a, b]),
            [(a, _, _), (b, _, _), (c, _, _)] => {
                let p = |k: usize| axis.nodes[k].at;
                let centre = std::array::from_fn(|d| (p(a)[d] + p(b)[d] + p(c)[d]) / 3.0);
                let centre = axis.add(centre, &index);
                axis.edges.extend([[a, centre], [b, centre], [c, centre]]);
            }
            [(a, along, side)] => {
                let along = [along[0] * side, along[1] * side];
                axis.prolong(a, along, limit_nm, &index);
            }
            _ => {}
        }
    }
    Ok(axis)
}

impl MedialAxis {
    fn add(&mut self, at: [f64; 2], index: &EdgeIndex) -> usize {
        let radius = index.nearest(at).map_or(0.0, |(_, _, d)| d);
        self.nodes.push(Node { at, radius });
        self.nodes.len() - 1
    }

    /// Carries the axis on past its last chord, along the ridge of the distance to the boundary, as long as
    /// the part does not get narrower and until it is wider than the limit: to the middle of a blunt end,
    /// or out of a mouth.
    fn prolong(&mut self, from: usize, along: [f64; 2], limit: f64, index: &EdgeIndex) {
        let radius = |p: [f64; 2]| {
            let d = index.nearest(p).map_or(0.0, |(_, _, d)| d);
            if index.encloses(p) { d } else { -d }
        };
        let on = |p: [f64; 2], d: [f64; 2], t: f64| [p[0] + t * d[0], p[1] + t * d[1]];
        let step = limit / 16.0;
        let (mut last, mut way) = (from, along);
        for _ in 0..64 {
            let here = self.nodes[last];
            if here.radius >= limit {
                return;
            }
            let mut best = (radius(on(here.at, way, step)), way);
            for degrees in [15.0, -15.0, 30.0, -30.0, 45.0, -45.0, 60.0, -60.0f64] {
                let (s, c) = libm::sincos(degrees.to_radians());
                let turned = [c * way[0] - s * way[1], s * way[0] + c * way[1]];
                // Never back the way it came.
                if turned[0] * along[0] + turned[1] * along[1] < TURN {
                    continue;
                }
                let r = radius(on(here.at, turned, step));
                if r > best.0 + 1.0 {
                    best = (r, turned);
                }
            }
            let narrows = |t: f64| radius(on(here.at, best.1, t)) < here.radius - 1.0;
            let reached = if narrows(step) {
                let (mut lo, mut hi) = (0.0, step);
                for _ in 0..10 {
                    let mid = (lo + hi) / 2.0;
                    *(if narrows(mid) { &mut hi } else { &mut lo }) = mid;
                }
                lo
            } else {
                step
            };
            if reached > 1.0 {
                let next = self.add(on(here.at, best.1, reached), index);
                self.edges.push([last, next]);
                last = next;
            }
            if reached < step {
                return;
            }
            way = best.1;
        }
    }
}

/// The boundary as pieces between samples.
struct Walls {
    points: Vec<Point>,
    /// Unit directions of the one or more pieces that meet at each point.
    directions: Vec<Vec<[f64; 2]>>,
    pieces: Vec<[usize; 2]>,
    origin: Point,
}

struct Corner(Point2<f64>);

impl HasPosition for Corner {
    type Scalar = f64;
    fn position(&self) -> Point2<f64> {
        self.0
    }
}

impl Walls {
    fn new(shape: Shape<'_>, near: &Regions, limit_nm: f64) -> Walls {
        let reach = AROUND * limit_nm;
        let step = STEP * limit_nm;
        let narrow = EdgeIndex::new(near);
        let mut walls = Walls {
            points: Vec::new(),
            directions: Vec::new(),
            pieces: Vec::new(),
            origin: shape.bounds().min,
        };
        let mut number: FxHashMap<(i32, i32), usize> = FxHashMap::default();
        for ring in shape.rings() {
            for (a, b) in super::measure::edges(ring) {
                if a == b {
                    continue;
                }
                let (from, to) = (
                    [f64::from(a.x), f64::from(a.y)],
                    [f64::from(b.x), f64::from(b.y)],
                );
                let (lo, hi) = (
                    [from[0].min(to[0]) - reach, from[1].min(to[1]) - reach],
                    [from[0].max(to[0]) + reach, from[1].max(to[1]) + reach],
                );
                let length = super::distance_nm(a, b);
                let direction = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
                let near_narrow = |p: [f64; 2]| {
                    narrow.encloses(p) || narrow.nearest(p).is_some_and(|(_, _, d)| d <= reach)
                };
                let mut last = walls.point(a, &mut number);
                if narrow.in_box(lo, hi).next().is_some() || narrow.encloses(from) {
                    let n = (length / step).ceil() as usize;
                    for k in 1..n {
                        let t = k as f64 / n as f64;
                        let p = [
                            from[0] + t * (to[0] - from[0]),
                            from[1] + t * (to[1] - from[1]),
                        ];
                        if near_narrow(p) {
                            let p = Point::new(p[0].round() as i32, p[1].round() as i32);
                            let next = walls.point(p, &mut number);
                            walls.piece(last, next, direction);
                            last = next;
                        }
                    }
                }
                let end = walls.point(b, &mut number);
                walls.piece(last, end, direction);
            }
        }
        walls.number_by_place();
        walls
    }

    /// Numbers the points anew, so that those next to each other follow each other.
    fn number_by_place(&mut self) {
        let places: Vec<[f64; 2]> = (0..self.points.len()).map(|i| self.at(i)).collect();
        let order: Vec<usize> = hilbert::order(&places)
            .into_iter()
            .map(|i| i as usize)
            .collect();
        let mut number = vec![0; order.len()];
        for (new, old) in order.iter().enumerate() {
            number[*old] = new;
        }
        self.points = order.iter().map(|i| self.points[*i]).collect();
        self.directions = order
            .iter()
            .map(|i| std::mem::take(&mut self.directions[*i]))
            .collect();
        for end in self.pieces.iter_mut().flatten() {
            *end = number[*end];
        }
    }

    fn point(&mut self, p: Point, number: &mut FxHashMap<(i32, i32), usize>) -> usize {
        *number.entry((p.x, p.y)).or_insert_with(|| {
            self.points.push(p);
            self.directions.push(Vec::new());
            self.points.len() - 1
        })
    }

    fn piece(&mut self, from: usize, to: usize, direction: [f64; 2]) {
        if from != to {
            self.pieces.push([from, to]);
            self.directions[from].push(direction);
            self.directions[to].push(direction);
        }
    }

    fn at(&self, i: usize) -> [f64; 2] {
        [f64::from(self.points[i].x), f64::from(self.points[i].y)]
    }

    /// Triangulates; points keep their numbers. Pieces that would cross others by the rounding of samples
    /// are left out.
    fn mesh(&self) -> Result<ConstrainedDelaunayTriangulation<Corner>, String> {
        // Shapes far from the origin keep full precision when they are moved there first.
        let corners: Vec<Corner> = self
            .points
            .iter()
            .map(|p| {
                let (x, y) = (
                    i64::from(p.x) - i64::from(self.origin.x),
                    i64::from(p.y) - i64::from(self.origin.y),
                );
                Corner(Point2::new(x as f64, y as f64))
            })
            .collect();
        // One after the other by place. The library's bulk load goes outwards from the middle and finds its place on the
        // hull by the angle: for slits and outlines of ornaments it takes a time that grows with their square.
        let mut mesh = ConstrainedDelaunayTriangulation::new();
        let mut handles = Vec::with_capacity(self.points.len());
        for corner in corners {
            handles.push(mesh.insert(corner).map_err(|e| e.to_string())?);
        }
        for [a, b] in &self.pieces {
            mesh.try_add_constraint(handles[*a], handles[*b]);
        }
        Ok(mesh)
    }

    /// The direction of the axis where the walls at two points face each other.
    fn facing(&self, u: usize, v: usize) -> Option<[f64; 2]> {
        let mut best: Option<(f64, [f64; 2])> = None;
        for a in &self.directions[u] {
            for b in &self.directions[v] {
                let cosine = a[0] * b[0] + a[1] * b[1];
                if cosine < FACING && best.is_none_or(|(c, _)| cosine < c) {
                    let d = [a[0] - b[0], a[1] - b[1]];
                    let l = libm::hypot(d[0], d[1]);
                    best = Some((cosine, [d[0] / l, d[1] / l]));
                }
            }
        }
        best.map(|(_, along)| along)
    }
}
