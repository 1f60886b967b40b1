//! What a fill covers: outlines flattened to rings on the grid.

use super::flatten;
use super::outline::Outline;
use super::resolved::{Map, pieces};
use super::stroke::Piece;
use super::walk::{FARTHEST_MM, MOST_POINTS};
use crate::regions::Point;
use crate::units::whole_nm;

/// Where the outline of a path is read from.
#[derive(Clone, Copy)]
pub(super) enum Source<'p> {
    Drawing(&'p Outline),
    Library(&'p usvg::tiny_skia_path::Path),
}

impl<'p> Source<'p> {
    pub(super) fn pieces(self) -> Box<dyn Iterator<Item = Piece> + 'p> {
        match self {
            Source::Drawing(outline) => Box::new(outline.pieces()),
            Source::Library(path) => Box::new(pieces(path)),
        }
    }
}

impl Source<'_> {
    /// Whether all mapped points, those of handles too, surely have coordinates of at most `limit`: so has their box.
    pub(super) fn is_within(self, map: &Map, limit: f64) -> bool {
        let Source::Drawing(outline) = self else {
            return false;
        };
        outline.point_box().is_some_and(|[x0, y0, x1, y1]| {
            [[x0, y0], [x0, y1], [x1, y0], [x1, y1]]
                .into_iter()
                .all(|corner| map.apply(corner).iter().all(|v| v.abs() <= limit))
        })
    }

    /// The box of all mapped points, those of handles too: x min, y min, x max, y max.
    pub(super) fn bounds(self, map: &Map) -> [f64; 4] {
        let none = [f64::MAX, f64::MAX, f64::MIN, f64::MIN];
        let grow = |b: [f64; 4], p: flatten::Pt| {
            let p = map.apply(p);
            // A number that is none must stay in sight.
            let low = |a: f64, v: f64| if v < a || v.is_nan() { v } else { a };
            let high = |a: f64, v: f64| if v > a || v.is_nan() { v } else { a };
            [
                low(b[0], p[0]),
                low(b[1], p[1]),
                high(b[2], p[0]),
                high(b[3], p[1]),
            ]
        };
        match self {
            Source::Drawing(outline) => outline.points().iter().copied().fold(none, grow),
            Source::Library(path) => {
                let points = path.points().iter();
                let points = points.map(|p| [f64::from(p.x), f64::from(p.y)]);
                points.fold(none, grow)
            }
        }
    }
}

/// Why outlines are refused.
pub(super) enum Trouble {
    TooMany,
    TooFar(flatten::Pt),
    Tangled,
}

/// The rings of a filled path on the grid, and the count of their points.
pub(super) fn fill_rings(
    source: Source<'_>,
    map: &Map,
    tolerance_mm: f64,
) -> Result<(Vec<Vec<Point>>, usize), Trouble> {
    match source {
        Source::Drawing(outline) => {
            rings_of(outline.pieces(), outline.points().len(), map, tolerance_mm)
        }
        Source::Library(path) => rings_of(pieces(path), path.points().len(), map, tolerance_mm),
    }
}

/// Flattens pieces of `size` points to rings on the grid.
fn rings_of(
    pieces: impl Iterator<Item = Piece>,
    size: usize,
    map: &Map,
    tolerance_mm: f64,
) -> Result<(Vec<Vec<Point>>, usize), Trouble> {
    let mut rings: Vec<Vec<Point>> = Vec::new();
    let mut ring: Vec<Point> = Vec::with_capacity(size.min(1 << 20));
    let mut chords: Vec<flatten::Pt> = Vec::new();
    let mut at = [0.0; 2];
    let mut points = 0;
    // The first point of the ring that is too far; only rings that enclose something are judged.
    let mut far: Option<flatten::Pt> = None;
    let on_grid = |p: flatten::Pt, far: &mut Option<flatten::Pt>| {
        if !(p[0].abs() <= FARTHEST_MM && p[1].abs() <= FARTHEST_MM) {
            far.get_or_insert(p);
        }
        Point::new(whole_nm(p[0]), whole_nm(p[1]))
    };
    let judged = |far: Option<flatten::Pt>| far.map_or(Ok(()), |p| Err(Trouble::TooFar(p)));
    for piece in pieces {
        match piece {
            Piece::Move(p) => {
                points += ring.len();
                if ring.len() > 2 {
                    judged(far)?;
                    rings.push(std::mem::take(&mut ring));
                }
                ring.clear();
                far = None;
                at = map.apply(p);
                ring.push(on_grid(at, &mut far));
            }
            Piece::Line(p) => {
                at = map.apply(p);
                ring.push(on_grid(at, &mut far));
            }
            Piece::Cubic(a, b, p) => {
                let curve = [at, map.apply(a), map.apply(b), map.apply(p)];
                chords.clear();
                flatten::cubic(curve, tolerance_mm, &mut chords);
                at = curve[3];
                for q in &chords {
                    ring.push(on_grid(*q, &mut far));
                }
            }
            Piece::Close => {}
        }
        if points + ring.len() > MOST_POINTS {
            return Err(Trouble::TooMany);
        }
    }
    points += ring.len();
    if ring.len() > 2 {
        judged(far)?;
        rings.push(ring);
    }
    Ok((rings, points))
}

/// The straight pieces between the points drawn, curves taken for their chords.
pub(super) fn segments(source: Source<'_>, map: &Map) -> Vec<Vec<flatten::Pt>> {
    let (mut start, mut at) = ([0.0; 2], [0.0; 2]);
    let mut segments = Vec::new();
    for piece in source.pieces() {
        let to = match piece {
            Piece::Move(p) => {
                (start, at) = (p, p);
                continue;
            }
            Piece::Line(p) | Piece::Cubic(_, _, p) => p,
            Piece::Close => start,
        };
        segments.push(vec![map.apply(at), map.apply(to)]);
        at = to;
    }
    segments
}
