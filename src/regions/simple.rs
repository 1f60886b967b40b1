//! Proof that rings neither cross nor touch: exact tests of nearby edge pairs, found on a grid.

use super::Point;
use crate::wide::widest;

/// Edges up to which all pairs are tested without a grid.
const FEW_EDGES: usize = 24;
/// Pairs per edge after which the proof is given up (a boolean is then cheaper).
const PAIRS_PER_EDGE: usize = 48;

#[derive(Debug, Clone, Copy)]
struct Segment {
    a: Point,
    b: Point,
    /// The edge that starts where this one ends.
    next: u32,
}

/// Working memory of the proof, kept from shape to shape.
#[derive(Debug, Default)]
pub(super) struct Prover {
    segments: Vec<Segment>,
    grid: Grid,
}

/// Edges by cell: those of cell `c` are `items[starts[c]..starts[c + 1]]`.
#[derive(Debug, Default)]
struct Grid {
    columns: usize,
    rows: usize,
    min: [f64; 2],
    per_nm: [f64; 2],
    starts: Vec<u32>,
    items: Vec<u32>,
}

impl Prover {
    /// Whether the rings (`ends`: end of each in `points`) bound one valid shape: the first simple and
    /// positive, the others simple, negative, inside the first and outside each other; nothing touches.
    /// `false` also when the proof would take too long.
    pub(super) fn is_shape(&mut self, points: &[Point], ends: &[u32]) -> bool {
        let mut start = 0;
        for (i, &end) in ends.iter().enumerate() {
            let ring = &points[start..end as usize];
            start = end as usize;
            if ring.len() < 3 || (twice_area(ring) > 0) != (i == 0) {
                return false;
            }
        }
        self.load(points, ends) && self.disjoint() && self.holes_inside(points, ends)
    }

    /// Whether one ring, of positive or negative winding, neither crosses nor touches itself.
    pub(super) fn is_simple(&mut self, ring: &[Point], positive: bool) -> bool {
        ring.len() >= 3
            && (turns_once(ring, if positive { 1 } else { -1 })
                || self.load(ring, &[ring.len() as u32]) && self.disjoint())
    }

    fn load(&mut self, points: &[Point], ends: &[u32]) -> bool {
        self.segments.clear();
        self.segments.reserve(points.len());
        let mut start = 0;
        for &end in ends {
            for i in start..end {
                let next = if i + 1 == end { start } else { i + 1 };
                self.segments.push(Segment {
                    a: points[i as usize],
                    b: points[next as usize],
                    next,
                });
            }
            start = end;
        }
        // The exact tests below multiply two differences in 64 bits.
        let Some(bounds) = super::Bounds::of(points) else {
            return false;
        };
        if bounds.width_nm() >= 1 << 31 || bounds.height_nm() >= 1 << 31 {
            return false;
        }
        self.grid.columns = 0;
        if self.segments.len() > FEW_EDGES {
            self.grid.fill(&self.segments, &bounds);
        }
        true
    }

    fn disjoint(&self) -> bool {
        let n = self.segments.len();
        if self.grid.columns == 0 {
            return (0..n).all(|i| (i + 1..n).all(|j| self.apart(i, j)));
        }
        let mut left = PAIRS_PER_EDGE * n;
        for cell in self.grid.starts.windows(2) {
            let items = &self.grid.items[cell[0] as usize..cell[1] as usize];
            let pairs = items.len() * items.len().saturating_sub(1) / 2;
            if pairs > left {
                return false;
            }
            left -= pairs;
            for (k, &i) in items.iter().enumerate() {
                for &j in &items[k + 1..] {
                    if !self.apart(i as usize, j as usize) {
                        return false;
                    }
                }
            }
        }
        true
    }

    /// Whether two edges have no point in common but the vertex that neighbours share.
    fn apart(&self, i: usize, j: usize) -> bool {
        let (s, t) = (&self.segments[i], &self.segments[j]);
        if s.a.x.max(s.b.x) < t.a.x.min(t.b.x)
            || t.a.x.max(t.b.x) < s.a.x.min(s.b.x)
            || s.a.y.max(s.b.y) < t.a.y.min(t.b.y)
            || t.a.y.max(t.b.y) < s.a.y.min(s.b.y)
        {
            return true;
        }
        if s.next as usize == j {
            return !folds_back(s.a, s.b, t.b);
        }
        if t.next as usize == i {
            return !folds_back(t.a, t.b, s.b);
        }
        let (c, d) = (side(s.a, s.b, t.a), side(s.a, s.b, t.b));
        let (a, b) = (side(t.a, t.b, s.a), side(t.a, t.b, s.b));
        c * d > 0 || a * b > 0
    }

    /// Whether the winding number just left of each hole is one.
    fn holes_inside(&self, points: &[Point], ends: &[u32]) -> bool {
        ends.windows(2).all(|w| {
            points[w[0] as usize..w[1] as usize]
                .iter()
                .min_by_key(|p| (p.x, p.y))
                .is_some_and(|&p| self.winding_left_of(p) == 1)
        })
    }

    /// Signed crossings of the ray from `p` to smaller x.
    fn winding_left_of(&self, p: Point) -> i32 {
        let crossing = |s: &Segment| -> i32 {
            if (s.a.y > p.y) == (s.b.y > p.y) {
                return 0;
            }
            // Rings of positive winding run to smaller y on their left.
            match (side(s.a, s.b, p), s.b.y < s.a.y) {
                (1, true) => 1,
                (-1, false) => -1,
                _ => 0,
            }
        };
        if self.grid.columns == 0 {
            return self.segments.iter().map(crossing).sum();
        }
        let row = self.grid.row(f64::from(p.y));
        let last = (self.grid.column(f64::from(p.x)) + 1).min(self.grid.columns - 1);
        let mut winding = 0;
        for column in 0..=last {
            for &i in self.grid.cell(column, row) {
                let s = &self.segments[i as usize];
                let c = crossing(s);
                // An edge may lie in several cells of the row; it counts where it crosses the ray.
                if c != 0 && self.grid.column(x_at(s, f64::from(p.y))) == column {
                    winding += c;
                }
            }
        }
        winding
    }
}

/// Whether a ring neither crosses nor touches itself. `false` also when the proof would take too long.
pub fn is_simple(ring: &[Point]) -> bool {
    simple_winding(ring).is_some()
}

/// Whether a ring that neither crosses nor touches itself has a positive area; `None` for other rings and where the
/// proof would take too long.
pub fn simple_winding(ring: &[Point]) -> Option<bool> {
    let positive = twice_area(ring) > 0;
    Prover::default()
        .is_simple(ring, positive)
        .then_some(positive)
}

/// Whether the curves of all rings are simple and apart from each other. `false` also when the proof would
/// take too long.
pub fn are_apart<'a>(rings: impl IntoIterator<Item = &'a [Point]>) -> bool {
    let (mut points, mut ends) = (Vec::new(), Vec::new());
    for ring in rings {
        points.extend_from_slice(ring);
        ends.push(points.len() as u32);
    }
    let mut prover = Prover::default();
    prover.load(&points, &ends) && prover.disjoint()
}

/// Twice the signed area of a ring.
pub(super) fn twice_area(ring: &[Point]) -> i128 {
    let Some(&o) = ring.first() else { return 0 };
    let rel = |p: Point| {
        (
            i64::from(p.x) - i64::from(o.x),
            i64::from(p.y) - i64::from(o.y),
        )
    };
    let mut sum: i128 = 0;
    let mut a: (i64, i64) = (0, 0);
    for &p in &ring[1..] {
        let b = rel(p);
        sum += if short(a) && short(b) {
            i128::from(a.0 * b.1 - b.0 * a.1)
        } else {
            i128::from(a.0) * i128::from(b.1) - i128::from(b.0) * i128::from(a.1)
        };
        a = b;
    }
    sum
}

/// Whether both fit an i32: then products of two such differences, and the difference of two products, fit an i64.
fn short(d: (i64, i64)) -> bool {
    i32::try_from(d.0).is_ok() && i32::try_from(d.1).is_ok()
}

/// Whether a ring is strictly convex or straight at each vertex, turning once around in the positive sense.
pub fn is_convex(ring: &[Point]) -> bool {
    turns_once(ring, 1)
}

/// As [`is_convex`], in the sense given (1 or -1).
pub(super) fn turns_once(ring: &[Point], sense: i64) -> bool {
    /// Corners between looks at whether one is wrong already.
    const CORNERS: usize = 256;
    let n = ring.len();
    if n < 3 {
        return false;
    }
    let by = if sense > 0 { 1.0 } else { -1.0 };
    let mut turns = Turns::default();
    turns.look([ring[n - 1], ring[0], ring[1]], by);
    turns.look([ring[n - 2], ring[n - 1], ring[0]], by);
    for start in (0..n - 2).step_by(CORNERS) {
        let more = turns_along(&ring[start..n.min(start + CORNERS + 2)], by);
        turns = Turns {
            wrong: turns.wrong | more.wrong,
            turned: turns.turned | more.turned,
            changes: turns.changes + more.changes,
            long: turns.long | more.long,
        };
        if turns.long != 0 {
            return turns_once_exactly(ring, sense);
        }
        if turns.wrong != 0 {
            return false;
        }
    }
    turns.turned != 0 && turns.changes == 2
}

/// What the corners of a ring do; not zero is yes.
#[derive(Debug, Clone, Copy, Default)]
struct Turns {
    /// One turns to the wrong side or back.
    wrong: u64,
    /// One turns to the right side.
    turned: u64,
    /// How often the way changes between upwards and downwards.
    changes: u64,
    /// An edge is so long that the products were not exact.
    long: u64,
}

impl Turns {
    /// Takes in the corner `b` between `a` and `c`.
    #[inline(always)]
    fn look(&mut self, [a, b, c]: [Point; 3], sense: f64) {
        /// 2^26: products of two such numbers, and sums of two products, are exact in 53 bits.
        const LONG: f64 = 67_108_864.0;
        let between = |p: Point, q: Point| {
            (
                f64::from(q.x) - f64::from(p.x),
                f64::from(q.y) - f64::from(p.y),
            )
        };
        let (u, v) = (between(a, b), between(b, c));
        let cross = sense * (u.0 * v.1 - u.1 * v.0);
        let dot = u.0 * v.0 + u.1 * v.1;
        let up =
            |d: (f64, f64)| u64::from(d.1 > 0.0) | u64::from(d.1 == 0.0) & u64::from(d.0 > 0.0);
        self.wrong |= u64::from(cross < 0.0) | u64::from(cross == 0.0) & u64::from(dot <= 0.0);
        self.turned |= u64::from(cross > 0.0);
        self.changes += up(u) ^ up(v);
        self.long |= u64::from(v.0.abs() > LONG) | u64::from(v.1.abs() > LONG);
    }
}

widest! {
    /// What the inner vertices of a line do.
    fn turns_along(line: &'a [Point], sense: f64) -> Turns {
        let mut turns = Turns::default();
        for i in 2..line.len() {
            turns.look([line[i - 2], line[i - 1], line[i]], sense);
        }
        turns
    }
}

/// As [`turns_once`], for edges of any length.
fn turns_once_exactly(ring: &[Point], sense: i64) -> bool {
    let n = ring.len();
    let edge = |i: usize| {
        let (a, b) = (ring[i], ring[if i + 1 == n { 0 } else { i + 1 }]);
        let wide = |a: i32, b: i32| i128::from(b) - i128::from(a);
        (wide(a.x, b.x), wide(a.y, b.y))
    };
    let half = |d: (i128, i128)| d.1 > 0 || (d.1 == 0 && d.0 > 0);
    let mut previous = edge(n - 1);
    let (mut changes, mut turned) = (0, false);
    for i in 0..n {
        let d = edge(i);
        let cross = i128::from(sense) * (previous.0 * d.1 - previous.1 * d.0);
        if cross < 0 || (cross == 0 && previous.0 * d.0 + previous.1 * d.1 <= 0) {
            return false;
        }
        turned |= cross > 0;
        changes += u32::from(half(previous) != half(d));
        previous = d;
    }
    turned && changes == 2
}

/// Side of `p` on the line from `a` to `b`: 1 left (towards larger cross product), -1 right, 0 on it.
fn side(a: Point, b: Point, p: Point) -> i32 {
    let (ux, uy) = (
        i64::from(b.x) - i64::from(a.x),
        i64::from(b.y) - i64::from(a.y),
    );
    let (vx, vy) = (
        i64::from(p.x) - i64::from(a.x),
        i64::from(p.y) - i64::from(a.y),
    );
    (ux * vy - uy * vx).signum() as i32
}

fn folds_back(a: Point, b: Point, c: Point) -> bool {
    let (ux, uy) = (
        i64::from(b.x) - i64::from(a.x),
        i64::from(b.y) - i64::from(a.y),
    );
    let (vx, vy) = (
        i64::from(c.x) - i64::from(b.x),
        i64::from(c.y) - i64::from(b.y),
    );
    ux * vy == uy * vx && ux * vx + uy * vy <= 0
}

fn x_at(s: &Segment, y: f64) -> f64 {
    let (ax, ay) = (f64::from(s.a.x), f64::from(s.a.y));
    let (bx, by) = (f64::from(s.b.x), f64::from(s.b.y));
    ax + (y - ay) / (by - ay) * (bx - ax)
}

impl Grid {
    fn column(&self, x: f64) -> usize {
        (((x - self.min[0]) * self.per_nm[0]) as usize).min(self.columns - 1)
    }
    fn row(&self, y: f64) -> usize {
        (((y - self.min[1]) * self.per_nm[1]) as usize).min(self.rows - 1)
    }
    fn cell(&self, column: usize, row: usize) -> &[u32] {
        let c = row * self.columns + column;
        &self.items[self.starts[c] as usize..self.starts[c + 1] as usize]
    }

    /// Cells about twice as wide and high as the edges are on average, at most two per edge: long thin
    /// combs then take few cells per edge as well.
    fn fill(&mut self, segments: &[Segment], bounds: &super::Bounds) {
        let n = segments.len() as f64;
        let size = [
            bounds.width_nm().max(1) as f64,
            bounds.height_nm().max(1) as f64,
        ];
        let mut sum = [0.0; 2];
        for s in segments {
            sum[0] += (f64::from(s.b.x) - f64::from(s.a.x)).abs();
            sum[1] += (f64::from(s.b.y) - f64::from(s.a.y)).abs();
        }
        let mut count = [0, 1].map(|k| (size[k] / (2.0 * sum[k] / n).max(1.0)).clamp(1.0, 2.0 * n));
        let excess = count[0] * count[1] / (2.0 * n);
        if excess > 1.0 {
            let by = excess.sqrt();
            count = [(count[0] / by).max(1.0), (count[1] / by).max(1.0)];
            let k = usize::from(count[1] > count[0]);
            count[k] = count[k].min((2.0 * n / count[1 - k]).max(1.0));
        }
        self.columns = count[0] as usize;
        self.rows = count[1] as usize;
        self.min = [f64::from(bounds.min.x), f64::from(bounds.min.y)];
        self.per_nm = [self.columns as f64 / size[0], self.rows as f64 / size[1]];
        let mut starts = std::mem::take(&mut self.starts);
        let mut items = std::mem::take(&mut self.items);
        starts.clear();
        starts.resize(self.columns * self.rows + 1, 0);
        for s in segments {
            self.cells(s, |c| starts[c] += 1);
        }
        let mut total = 0;
        for s in &mut starts {
            total += *s;
            *s = total;
        }
        items.clear();
        items.resize(total as usize, 0);
        for (i, s) in segments.iter().enumerate().rev() {
            self.cells(s, |c| {
                starts[c] -= 1;
                items[starts[c] as usize] = i as u32;
            });
        }
        self.starts = starts;
        self.items = items;
    }

    /// Calls `visit` with each cell that the edge may pass through.
    fn cells(&self, s: &Segment, mut visit: impl FnMut(usize)) {
        let (low, high) = if s.a.y <= s.b.y {
            (s.a, s.b)
        } else {
            (s.b, s.a)
        };
        let (first, last) = (self.row(f64::from(low.y)), self.row(f64::from(high.y)));
        let mut visit_row = |row: usize, x0: f64, x1: f64| {
            for column in self.column(x0.min(x1))..=self.column(x0.max(x1)) {
                visit(row * self.columns + column);
            }
        };
        if first == last {
            visit_row(first, f64::from(low.x), f64::from(high.x));
            return;
        }
        let (min, max) = (low.x.min(high.x), low.x.max(high.x));
        let clamp = |x: f64| x.clamp(f64::from(min), f64::from(max));
        let slope = (f64::from(high.x) - f64::from(low.x)) / (f64::from(high.y) - f64::from(low.y));
        let at = |row: usize| {
            let y = self.min[1] + row as f64 / self.per_nm[1];
            f64::from(low.x) + (y - f64::from(low.y)) * slope
        };
        // One nanometre (times the slope) of slack covers the rounding of cell borders.
        let slack = 1.0 + slope.abs();
        for row in first..=last {
            let enter = if row == first {
                f64::from(low.x)
            } else {
                at(row)
            };
            let leave = if row == last {
                f64::from(high.x)
            } else {
                at(row + 1)
            };
            let (x0, x1) = (enter.min(leave) - slack, enter.max(leave) + slack);
            visit_row(row, clamp(x0), clamp(x1));
        }
    }
}
