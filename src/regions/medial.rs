//! The medial axis of a shape: centre lines of its narrow parts, with the local half width.
//!
//! From the segment Voronoi diagram of the shape's edges (library `boostvoronoi`): primary edges inside
//! the shape are the axis; the distance of a node to the boundary is the radius of the largest disc there.

use super::{Point, Shape, nearest_on_segment};
use boostvoronoi::prelude::{Builder, Edge, Line, Point as SitePoint, SourceCategory};
use rustc_hash::{FxHashMap, FxHashSet};
use thiserror::Error;

#[derive(Debug, Error)]
#[error("no medial axis for the shape at ({x_mm:.3}, {y_mm:.3}) mm: {reason}")]
pub struct MedialError {
    pub x_mm: f64,
    pub y_mm: f64,
    pub reason: String,
}

/// A node of the axis, nanometres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Node {
    pub at: [f64; 2],
    /// Distance to the boundary: half the local width.
    pub radius: f64,
}

/// The axis as a graph.
#[derive(Debug, Clone, Default)]
pub struct MedialAxis {
    pub nodes: Vec<Node>,
    pub edges: Vec<[usize; 2]>,
}

/// The medial axis inside the shape, and for each of its edges the two edges of the shape nearest to it: indices in the order
/// of the rings, edges without length left out.
///
/// # Errors
/// When the diagram cannot be built (edges that cross, which normalised regions do not have).
pub fn medial_axis_and_sides(
    shape: Shape<'_>,
) -> Result<(MedialAxis, Vec<[usize; 2]>), MedialError> {
    let bounds = shape.bounds();
    // Shapes far from the origin keep full precision when they are moved there first.
    let (ox, oy) = (bounds.min.x, bounds.min.y);
    let fail = |reason: String| MedialError {
        x_mm: f64::from(ox) / 1e6,
        y_mm: f64::from(oy) / 1e6,
        reason,
    };
    let mut lines: Vec<Line<i32>> = Vec::new();
    let mut corners = Corners::default();
    for ring in shape.rings() {
        let first = lines.len();
        for (a, b) in super::measure::edges(ring) {
            if a != b {
                let moved = |p: Point| SitePoint {
                    x: p.x - ox,
                    y: p.y - oy,
                };
                lines.push(Line::new(moved(a), moved(b)));
            }
        }
        corners.add_ring(&lines[first..]);
    }
    let diagram = Builder::<i32>::default()
        .with_segments(lines.iter())
        .and_then(|b| b.build())
        .map_err(|e| fail(e.to_string()))?;
    let mut axis = MedialAxis::default();
    let mut sides = Vec::new();
    let mut number: FxHashMap<usize, usize> = FxHashMap::default();
    let site = |edge: &Edge| {
        let cell = diagram.cell(edge.cell().ok()?).ok()?;
        let (index, kind) = cell.source_index_2();
        let line = lines.get(index.usize())?;
        let ends = [line.start, line.end].map(|p| [f64::from(p.x), f64::from(p.y)]);
        Some(match kind {
            SourceCategory::Segment => Site::Segment(ends),
            SourceCategory::SegmentEnd => Site::Corner(ends[1], corners.reflex(line.end)),
            _ => Site::Corner(ends[0], corners.reflex(line.start)),
        })
    };
    for edge in diagram.edges() {
        if !edge.is_primary() {
            continue;
        }
        let Ok(twin) = edge.twin() else { continue };
        if twin.usize() < edge.id().usize() {
            continue;
        }
        let ends = [
            edge.vertex0(),
            diagram.edge_get_vertex1(edge.id()).ok().flatten(),
        ];
        let [Some(v0), Some(v1)] = ends else { continue };
        let mut at = [[0.0; 2]; 2];
        let mut known = true;
        for (slot, v) in at.iter_mut().zip([v0, v1]) {
            match diagram.vertex(v) {
                Ok(vertex) => *slot = [vertex.x(), vertex.y()],
                Err(_) => known = false,
            }
        }
        let middle = [(at[0][0] + at[1][0]) / 2.0, (at[0][1] + at[1][1]) / 2.0];
        let moved = |p: [f64; 2]| [p[0] + f64::from(ox), p[1] + f64::from(oy)];
        let own = site(edge);
        let within = || {
            own.and_then(|s| s.inside(middle))
                .or_else(|| site(diagram.edge(twin).ok()?)?.inside(middle))
                .unwrap_or_else(|| inside(shape, moved(middle)))
        };
        if !known || !within() {
            continue;
        }
        let mut ids = [0usize; 2];
        for k in 0..2 {
            let key = [v0, v1][k].usize();
            ids[k] = *number.entry(key).or_insert_with(|| {
                // A node lies on the border of its cell, so the cell's own site is as near as any.
                let radius = own.map_or(0.0, |s| s.distance(at[k]));
                axis.nodes.push(Node {
                    at: moved(at[k]),
                    radius,
                });
                axis.nodes.len() - 1
            });
        }
        let source = |e: boostvoronoi::prelude::EdgeIndex| {
            let cell = diagram.edge(e).ok()?.cell().ok()?;
            Some(diagram.cell(cell).ok()?.source_index().usize())
        };
        if ids[0] != ids[1]
            && let (Some(one), Some(other)) = (source(edge.id()), source(twin))
        {
            axis.edges.push(ids);
            sides.push([one, other]);
        }
    }
    Ok((axis, sides))
}

/// What a cell of the diagram lies around, relative to the shape's box; for a corner, whether the shape is on the
/// outside of the bend there, where that is known.
#[derive(Debug, Clone, Copy)]
enum Site {
    Segment([[f64; 2]; 2]),
    Corner([f64; 2], Option<bool>),
}

impl Site {
    /// Whether a point of the cell lies in the shape. Rings run with the shape on the left of each edge; the cell
    /// of a corner lies on the outside of its bend.
    fn inside(self, p: [f64; 2]) -> Option<bool> {
        match self {
            Site::Segment([a, b]) => {
                Some((b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]) > 0.0)
            }
            Site::Corner(_, reflex) => reflex,
        }
    }

    fn distance(self, p: [f64; 2]) -> f64 {
        match self {
            Site::Segment([a, b]) => nearest_on_segment(p, a, b).1,
            Site::Corner(a, _) => (p[0] - a[0]).hypot(p[1] - a[1]),
        }
    }
}

/// Which way the rings bend at their corners.
#[derive(Debug, Default)]
struct Corners {
    reflex: FxHashMap<SitePoint<i32>, bool>,
    /// Corners where rings touch, or that do not bend.
    unclear: FxHashSet<SitePoint<i32>>,
}

impl Corners {
    fn add_ring(&mut self, lines: &[Line<i32>]) {
        let way = |l: &Line<i32>| {
            let along = |a: i32, b: i32| i128::from(i64::from(b) - i64::from(a));
            [along(l.start.x, l.end.x), along(l.start.y, l.end.y)]
        };
        for (i, after) in lines.iter().enumerate() {
            let before = &lines[(i + lines.len() - 1) % lines.len()];
            let (u, w) = (way(before), way(after));
            let bend = u[0] * w[1] - u[1] * w[0];
            if self.reflex.insert(after.start, bend < 0).is_some() || bend == 0 {
                self.unclear.insert(after.start);
            }
        }
    }

    fn reflex(&self, corner: SitePoint<i32>) -> Option<bool> {
        let known = !self.unclear.contains(&corner);
        self.reflex.get(&corner).copied().filter(|_| known)
    }
}

/// Even-odd test with real coordinates.
fn inside(shape: Shape<'_>, p: [f64; 2]) -> bool {
    let mut inside = false;
    for ring in shape.rings() {
        for (a, b) in super::measure::edges(ring) {
            let (ay, by) = (f64::from(a.y), f64::from(b.y));
            if (ay > p[1]) != (by > p[1]) {
                let t = (p[1] - ay) / (by - ay);
                if p[0] < f64::from(a.x) + t * (f64::from(b.x) - f64::from(a.x)) {
                    inside = !inside;
                }
            }
        }
    }
    inside
}
