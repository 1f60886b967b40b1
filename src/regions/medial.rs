//! The medial axis of a shape: centre lines of its narrow parts, with the local half width.
//!
//! From the segment Voronoi diagram of the shape's edges (library `boostvoronoi`): primary edges inside
//! the shape are the axis; the distance of a node to the boundary is the radius of the largest disc there.

use super::{EdgeIndex, Shape};
use boostvoronoi::prelude::{Builder, Line, Point as SitePoint};
use std::collections::BTreeMap;
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

/// The medial axis inside the shape.
///
/// # Errors
/// When the diagram cannot be built (edges that cross, which normalised regions do not have).
pub fn medial_axis(shape: Shape<'_>) -> Result<MedialAxis, MedialError> {
    Ok(medial_axis_and_sides(shape)?.0)
}

/// The medial axis, and for each of its edges the two edges of the shape nearest to it: indices in the order
/// of the rings, edges without length left out.
///
/// # Errors
/// As [`medial_axis`].
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
    for ring in shape.rings() {
        for (a, b) in super::measure::edges(ring) {
            if a != b {
                lines.push(Line::new(
                    SitePoint {
                        x: a.x - ox,
                        y: a.y - oy,
                    },
                    SitePoint {
                        x: b.x - ox,
                        y: b.y - oy,
                    },
                ));
            }
        }
    }
    let diagram = Builder::<i32>::default()
        .with_segments(lines.iter())
        .and_then(|b| b.build())
        .map_err(|e| fail(e.to_string()))?;
    let index = EdgeIndex::new(&shape.to_regions());
    let mut axis = MedialAxis::default();
    let mut sides = Vec::new();
    let mut number: BTreeMap<usize, usize> = BTreeMap::new();
    // Rings run with the shape on the left of each edge, so the side of a cell's segment tells inside.
    let side = |edge: &boostvoronoi::prelude::Edge, p: [f64; 2]| -> Option<bool> {
        let cell = diagram.cell(edge.cell().ok()?).ok()?;
        if !cell.contains_segment() {
            return None;
        }
        let line = lines.get(cell.source_index().usize())?;
        let (ax, ay) = (f64::from(line.start.x), f64::from(line.start.y));
        let (bx, by) = (f64::from(line.end.x), f64::from(line.end.y));
        let (px, py) = (p[0] - f64::from(ox), p[1] - f64::from(oy));
        Some((bx - ax) * (py - ay) - (by - ay) * (px - ax) > 0.0)
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
                Ok(vertex) => *slot = [vertex.x() + f64::from(ox), vertex.y() + f64::from(oy)],
                Err(_) => known = false,
            }
        }
        let middle = [(at[0][0] + at[1][0]) / 2.0, (at[0][1] + at[1][1]) / 2.0];
        let within = || {
            side(edge, middle)
                .or_else(|| side(diagram.edge(twin).ok()?, middle))
                .unwrap_or_else(|| inside(shape, middle))
        };
        if !known || !within() {
            continue;
        }
        let mut ids = [0usize; 2];
        for k in 0..2 {
            let key = [v0, v1][k].usize();
            ids[k] = *number.entry(key).or_insert_with(|| {
                let radius = index.nearest(at[k]).map_or(0.0, |(_, _, d)| d);
                axis.nodes.push(Node { at: at[k], radius });
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
