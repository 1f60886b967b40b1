//! Regions: sets of disjoint shapes with holes on an integer grid of one nanometre.
//!
//! Page coordinates, y down; valid within +-1.07 m. Outer rings have positive area
//! (x to y), holes negative. Everything that drawings paint is normalised through
//! [`normalise`] first; every other function takes and gives normalised regions.

mod boolean;
pub mod clip;
mod crossings;
mod folds;
mod measure;
pub mod medial;
pub mod narrow;
mod offset;
pub mod packed;
mod simple;
mod trim;

pub use boolean::{
    Clusters, clusters, difference, intersection, is_tangled, normalise, normalise_within, union,
    union_all, xor,
};
pub use crossings::MOST_CROSSINGS;
pub use i_overlay::core::fill_rule::FillRule;
pub use measure::{
    Edge, EdgeIndex, distance_nm, holds_disc, nearest_on_segment, ring_area_nm2, ring_contains,
    ring_perimeter_nm,
};
pub use offset::{inset, inset_with_origin, outset};
pub use simple::{are_apart, is_convex, is_simple, simple_winding};

use i_overlay::i_shape::source::int::resource::IntShapeResource;

/// A point of the grid, nanometres.
pub type Point = i_overlay::i_float::int::point::IntPoint<i32>;

/// Largest coordinate that booleans take, nanometres (2^30, from i_overlay's documented range).
pub const MAX_COORDINATE_NM: i32 = 1 << 30;

/// Shapes with holes, stored flat: all points, the end of each ring, the end of each shape.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Regions {
    points: Vec<Point>,
    /// End (exclusive) of each ring in `points`.
    ring_ends: Vec<u32>,
    /// End (exclusive) of each shape in `ring_ends`.
    shape_ends: Vec<u32>,
}

/// One shape: an outer ring and its holes.
#[derive(Debug, Clone, Copy)]
pub struct Shape<'a> {
    regions: &'a Regions,
    first_ring: usize,
    end_ring: usize,
}

/// A box on the grid, nanometres, both corners inclusive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bounds {
    pub min: Point,
    pub max: Point,
}

impl Bounds {
    /// The box of the points, `None` when there are none.
    pub fn of<'a>(points: impl IntoIterator<Item = &'a Point>) -> Option<Bounds> {
        let mut points = points.into_iter();
        let first = *points.next()?;
        Some(points.fold(
            Bounds {
                min: first,
                max: first,
            },
            |b, p| Bounds {
                min: Point::new(b.min.x.min(p.x), b.min.y.min(p.y)),
                max: Point::new(b.max.x.max(p.x), b.max.y.max(p.y)),
            },
        ))
    }
    /// The middle, nanometres.
    pub fn middle(&self) -> [f64; 2] {
        [
            (f64::from(self.min.x) + f64::from(self.max.x)) / 2.0,
            (f64::from(self.min.y) + f64::from(self.max.y)) / 2.0,
        ]
    }
    pub fn width_nm(&self) -> i64 {
        i64::from(self.max.x) - i64::from(self.min.x)
    }
    pub fn height_nm(&self) -> i64 {
        i64::from(self.max.y) - i64::from(self.min.y)
    }
    pub fn overlaps(&self, other: &Bounds) -> bool {
        self.min.x <= other.max.x
            && other.min.x <= self.max.x
            && self.min.y <= other.max.y
            && other.min.y <= self.max.y
    }
    #[must_use]
    pub fn join(&self, other: &Bounds) -> Bounds {
        Bounds {
            min: Point::new(self.min.x.min(other.min.x), self.min.y.min(other.min.y)),
            max: Point::new(self.max.x.max(other.max.x), self.max.y.max(other.max.y)),
        }
    }
    #[must_use]
    pub fn grown(&self, by_nm: i32) -> Bounds {
        Bounds {
            min: Point::new(
                self.min.x.saturating_sub(by_nm),
                self.min.y.saturating_sub(by_nm),
            ),
            max: Point::new(
                self.max.x.saturating_add(by_nm),
                self.max.y.saturating_add(by_nm),
            ),
        }
    }
    /// As a one-shape region.
    pub fn to_regions(&self) -> Regions {
        let mut r = Regions::new();
        r.push_ring(&[
            self.min,
            Point::new(self.max.x, self.min.y),
            self.max,
            Point::new(self.min.x, self.max.y),
        ]);
        r.close_shape();
        r
    }
}

impl Regions {
    pub fn new() -> Regions {
        Regions::default()
    }
    /// Adds a ring to the shape being built; the first ring of a shape is its outer one.
    pub fn push_ring(&mut self, ring: &[Point]) {
        self.points.extend_from_slice(ring);
        self.ring_ends.push(index(self.points.len()));
    }
    /// Ends the shape being built.
    pub fn close_shape(&mut self) {
        let rings = index(self.ring_ends.len());
        if self.shape_ends.last().copied().unwrap_or(0) != rings {
            self.shape_ends.push(rings);
        }
    }
    /// Ends the ring being built, and with it the shape.
    fn close_ring_and_shape(&mut self) {
        self.ring_ends.push(index(self.points.len()));
        self.close_shape();
    }
    /// Adds a whole shape of another region.
    pub fn push_shape(&mut self, shape: Shape<'_>) {
        for ring in shape.rings() {
            self.push_ring(ring);
        }
        self.close_shape();
    }
    pub fn extend(&mut self, other: &Regions) {
        self.append(other);
    }
    /// Adds all shapes of another region in one copy.
    fn append(&mut self, other: &Regions) {
        let (points, rings) = (index(self.points.len()), index(self.ring_ends.len()));
        self.points.extend_from_slice(&other.points);
        self.ring_ends
            .extend(other.ring_ends.iter().map(|e| e + points));
        self.shape_ends
            .extend(other.shape_ends.iter().map(|e| e + rings));
        index(self.points.len());
    }
    /// Adds a shape given flat: its points and the end of each ring.
    fn push_rings(&mut self, points: &[Point], ends: &[u32]) {
        let start = index(self.points.len());
        self.points.extend_from_slice(points);
        self.ring_ends.extend(ends.iter().map(|e| e + start));
        index(self.points.len());
        self.close_shape();
    }
    fn reserve(&mut self, points: usize, rings: usize, shapes: usize) {
        self.points.reserve(points);
        self.ring_ends.reserve(rings);
        self.shape_ends.reserve(shapes);
    }
    /// Number of shapes.
    pub fn len(&self) -> usize {
        self.shape_ends.len()
    }
    pub fn is_empty(&self) -> bool {
        self.shape_ends.is_empty()
    }
    pub fn vertex_count(&self) -> usize {
        self.points.len()
    }
    pub fn ring_count(&self) -> usize {
        self.ring_ends.len()
    }
    pub fn points(&self) -> &[Point] {
        &self.points
    }
    fn ring(&self, i: usize) -> &[Point] {
        let start = if i == 0 {
            0
        } else {
            self.ring_ends[i - 1] as usize
        };
        &self.points[start..self.ring_ends[i] as usize]
    }
    pub fn shape(&self, i: usize) -> Shape<'_> {
        Shape {
            regions: self,
            first_ring: if i == 0 {
                0
            } else {
                self.shape_ends[i - 1] as usize
            },
            end_ring: self.shape_ends[i] as usize,
        }
    }
    pub fn shapes(&self) -> impl DoubleEndedIterator<Item = Shape<'_>> + ExactSizeIterator {
        (0..self.len()).map(|i| self.shape(i))
    }
    /// All rings, outer ones and holes, in storage order.
    pub fn rings(&self) -> impl DoubleEndedIterator<Item = &[Point]> + ExactSizeIterator {
        (0..self.ring_ends.len()).map(|i| self.ring(i))
    }
    pub fn bounds(&self) -> Option<Bounds> {
        Bounds::of(&self.points)
    }
    /// Total area, holes taken off, square nanometres.
    pub fn area_nm2(&self) -> f64 {
        self.rings().map(ring_area_nm2).sum()
    }
    /// Total length of all rings, nanometres.
    pub fn perimeter_nm(&self) -> f64 {
        self.rings().map(ring_perimeter_nm).sum()
    }
    /// Whether the point lies inside (not on the boundary of) the region.
    pub fn contains(&self, p: Point) -> bool {
        self.shapes().any(|s| s.contains(p))
    }
    /// The region of the shapes that `keep` answers for.
    pub fn filter(&self, mut keep: impl FnMut(Shape<'_>) -> bool) -> Regions {
        let mut out = Regions::new();
        for shape in self.shapes() {
            if keep(shape) {
                out.push_shape(shape);
            }
        }
        out
    }
    pub(crate) fn from_nested(shapes: &[Vec<Vec<Point>>]) -> Regions {
        let mut out = Regions::new();
        for shape in shapes {
            for ring in shape {
                out.push_ring(ring);
            }
            out.close_shape();
        }
        out
    }
}

fn index(n: usize) -> u32 {
    u32::try_from(n).expect("regions hold fewer than 2^32 points")
}

impl<'a> Shape<'a> {
    pub fn outer(&self) -> &'a [Point] {
        self.regions.ring(self.first_ring)
    }
    pub fn holes(
        &self,
    ) -> impl DoubleEndedIterator<Item = &'a [Point]> + ExactSizeIterator + use<'a> {
        let regions = self.regions;
        (self.first_ring + 1..self.end_ring).map(move |i| regions.ring(i))
    }
    pub fn rings(
        &self,
    ) -> impl DoubleEndedIterator<Item = &'a [Point]> + ExactSizeIterator + use<'a> {
        let regions = self.regions;
        (self.first_ring..self.end_ring).map(move |i| regions.ring(i))
    }
    pub fn vertex_count(&self) -> usize {
        self.rings().map(<[Point]>::len).sum()
    }
    pub fn area_nm2(&self) -> f64 {
        self.rings().map(ring_area_nm2).sum()
    }
    pub fn perimeter_nm(&self) -> f64 {
        self.rings().map(ring_perimeter_nm).sum()
    }
    pub fn bounds(&self) -> Bounds {
        Bounds::of(self.outer()).expect("a shape has an outer ring")
    }
    /// Whether the point lies inside (not on the boundary of) the shape; even-odd over its rings.
    pub fn contains(&self, p: Point) -> bool {
        self.rings().fold(false, |inside, ring| {
            inside ^ measure::ring_contains(ring, p)
        })
    }
    pub fn to_regions(&self) -> Regions {
        let mut out = Regions::new();
        out.push_shape(*self);
        out
    }
}

impl IntShapeResource<i32> for Regions {
    type ResourceIter<'a> = Rings<'a>;
    fn iter_paths(&self) -> Rings<'_> {
        Rings {
            regions: self,
            next: 0,
        }
    }
}

/// Iterator over the rings of a region, as booleans want them.
#[derive(Debug)]
pub struct Rings<'a> {
    regions: &'a Regions,
    next: usize,
}

impl<'a> Iterator for Rings<'a> {
    type Item = &'a [Point];
    fn next(&mut self) -> Option<&'a [Point]> {
        (self.next < self.regions.ring_ends.len()).then(|| {
            self.next += 1;
            self.regions.ring(self.next - 1)
        })
    }
}
