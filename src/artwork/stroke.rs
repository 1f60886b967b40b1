//! The area a stroke paints, built exactly from quadrilaterals, joins and caps.
//!
//! Every piece of the line is a quadrilateral about it; at every corner a wedge fills the outer side.
//! The outline below is the sum of their boundaries, all wound the same way, so that a non-zero fill of it
//! is exactly their union, with no loss where the stroke is wider than a bend's radius.

mod dashes;

use super::flatten::{self, Pt};
use std::f64::consts::{PI, TAU};

/// How a line is drawn; lengths in the units of the path.
#[derive(Debug, Clone, PartialEq)]
pub struct Pen {
    pub width: f64,
    pub cap: Cap,
    pub join: Join,
    pub miter_limit: f64,
    /// Lengths of dashes and gaps, alternately; empty for a solid line.
    pub dashes: Vec<f64>,
    pub dash_offset: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cap {
    Butt,
    Round,
    Square,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Join {
    Miter,
    MiterClip,
    Round,
    Bevel,
}

/// A flattened line: points, the direction in which the line leaves and reaches each of them, and whether
/// the point is a corner of the drawing (joined as the pen says) or a place on a curve (joined round).
#[derive(Debug, Clone, Default)]
pub struct Line {
    points: Vec<Node>,
    closed: bool,
}

#[derive(Debug, Clone, Copy)]
struct Node {
    at: Pt,
    /// Unit tangent of the drawn line where it arrives and leaves; `None` for a point without length.
    arrives: Option<Pt>,
    leaves: Option<Pt>,
    corner: bool,
}

/// One piece of a drawn path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Piece {
    Move(Pt),
    Line(Pt),
    Cubic(Pt, Pt, Pt),
    Close,
}

fn unit(a: Pt, b: Pt) -> Option<Pt> {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx.hypot(dy);
    (length > 0.0 && length.is_finite()).then(|| [dx / length, dy / length])
}

/// The subpaths of a path as lines within `tolerance`.
pub fn lines(pieces: &[Piece], tolerance: f64) -> Vec<Line> {
    let mut out = Vec::new();
    let mut line = Line::default();
    let mut start = [0.0; 2];
    let mut chords = Vec::new();
    let mut drawn = false;
    let finish = |line: &mut Line, drawn: bool, out: &mut Vec<Line>| {
        let done = std::mem::take(line);
        if drawn && !done.points.is_empty() {
            out.push(done);
        }
    };
    for piece in pieces {
        match *piece {
            Piece::Move(p) => {
                finish(&mut line, drawn, &mut out);
                drawn = false;
                start = p;
                line.points.push(Node::new(p));
            }
            Piece::Line(p) => {
                if line.points.is_empty() {
                    line.points.push(Node::new(start));
                }
                drawn = true;
                line.step_to(p, None, true);
            }
            Piece::Cubic(a, b, p) => {
                if line.points.is_empty() {
                    line.points.push(Node::new(start));
                }
                drawn = true;
                let from = line.last();
                chords.clear();
                flatten::cubic([from, a, b, p], tolerance, &mut chords);
                // A handle shorter than the tolerance gives no direction.
                let clear = |a: Pt, b: Pt| {
                    unit(a, b).filter(|_| (b[0] - a[0]).hypot(b[1] - a[1]) > tolerance)
                };
                let leaving = clear(from, a)
                    .or_else(|| clear(from, b))
                    .or_else(|| unit(from, p));
                let arriving = clear(b, p)
                    .or_else(|| clear(a, p))
                    .or_else(|| unit(from, p));
                let count = chords.len();
                for (i, &q) in chords.iter().enumerate() {
                    let last = i + 1 == count;
                    line.step_to(q, (i == 0).then_some(leaving).flatten(), last);
                    if last && let (Some(node), Some(t)) = (line.points.last_mut(), arriving) {
                        node.arrives = Some(t);
                    }
                }
            }
            Piece::Close => {
                if line.points.is_empty() {
                    continue;
                }
                drawn = true;
                line.close(start);
                finish(&mut line, drawn, &mut out);
                drawn = false;
            }
        }
    }
    finish(&mut line, drawn, &mut out);
    out
}

impl Node {
    fn new(at: Pt) -> Node {
        Node {
            at,
            arrives: None,
            leaves: None,
            corner: true,
        }
    }
}

impl Line {
    fn last(&self) -> Pt {
        self.points.last().map_or([0.0; 2], |n| n.at)
    }
    /// A chord to `p`; `leaving` is the drawn line's own direction where it differs from the chord's.
    fn step_to(&mut self, p: Pt, leaving: Option<Pt>, corner: bool) {
        let from = self.last();
        let Some(direction) = unit(from, p) else {
            if corner && let Some(node) = self.points.last_mut() {
                node.corner = true;
            }
            return;
        };
        if let Some(node) = self.points.last_mut() {
            node.leaves = Some(leaving.unwrap_or(direction));
        }
        self.points.push(Node {
            at: p,
            arrives: Some(direction),
            leaves: None,
            corner,
        });
    }
    fn close(&mut self, start: Pt) {
        self.step_to(start, None, true);
        self.closed = true;
        if self.points.len() > 1 {
            // The last point is the first one again: one node with both directions.
            let end = self.points.pop().expect("more than one point");
            self.points[0].arrives = end.arrives;
        }
    }
    fn is_dot(&self) -> bool {
        self.points.len() < 2
    }
}

/// Most dashes and most outline points of one path.
pub const MOST_DASHES: usize = 1_000_000;
pub const MOST_POINTS: usize = 40_000_000;

/// The area a stroke paints: fill the rings with the non-zero rule.
#[derive(Debug, Clone, Default)]
pub struct Outline {
    pub rings: Vec<Vec<Pt>>,
    /// The line bends tightly somewhere, so that the area is put together of rings that meet: rounding them may
    /// open seams between them.
    pub has_seams: bool,
}

/// The outline of a stroked path.
/// Arcs of joins and caps stay within `tolerance` of the circle; `lines` brings its own share.
/// `None` where the path has more dashes or points than are read here.
pub fn outline(pieces: &[Piece], pen: &Pen, tolerance: f64) -> Option<Outline> {
    let share = tolerance / 2.0;
    let mut out = Outline::default();
    let (mut count, mut points, mut counted) = (0, 0, 0);
    let chords = if pen.dashes.is_empty() {
        share
    } else {
        dashes::tolerance(share)
    };
    for line in lines(pieces, chords) {
        let parts = if pen.dashes.is_empty() {
            vec![line]
        } else {
            dashes::part(&line, &pen.dashes, pen.dash_offset, MOST_DASHES - count)?
        };
        count += if pen.dashes.is_empty() {
            0
        } else {
            parts.len()
        };
        for part in parts {
            stroke_line(&part, pen, share, &mut out);
            points += out.rings[counted..].iter().map(Vec::len).sum::<usize>();
            counted = out.rings.len();
            if points > MOST_POINTS {
                return None;
            }
        }
    }
    Some(out)
}

fn stroke_line(line: &Line, pen: &Pen, tolerance: f64, out: &mut Outline) {
    let radius = pen.width / 2.0;
    let step = arc_step(radius, tolerance);
    if line.is_dot() {
        if let Some(node) = line.points.first() {
            dot(node.at, radius, pen.cap, step, &mut out.rings);
        }
        return;
    }
    let n = line.points.len();
    let brush = Brush {
        radius,
        step,
        join: pen.join,
        miter_limit: pen.miter_limit,
    };
    if line.closed {
        for back in [false, true] {
            // A run of tight bends must not straddle the ring's start.
            let start = (0..n).find(|&i| !line.bend(i, back).is_tight(radius));
            let mut ring = Side::default();
            for k in 0..n {
                let i = (start.unwrap_or(0) + if back { n - k } else { k }) % n;
                brush.turn(&line.bend(i, back), &mut ring);
            }
            if let Some(start) = start {
                ring.close_at(&line.bend(start, back), &brush);
            }
            ring.finish(start.is_none(), &brush, out);
        }
        return;
    }
    let mut ring = Side::default();
    let (first, last) = (line.points[0], line.points[n - 1]);
    let start = first.leaves.unwrap_or([1.0, 0.0]);
    let end = last.arrives.unwrap_or([1.0, 0.0]);
    let length = |i: usize| {
        let (a, b) = (line.points[i].at, line.points[i + 1].at);
        (b[0] - a[0]).hypot(b[1] - a[1])
    };
    let first = End {
        at: first.at,
        out: turned_back(start),
        chord: turned_back(line.chord_after(0)),
        length: length(0),
    };
    let last = End {
        at: last.at,
        out: end,
        chord: line.chord_before(n - 1),
        length: length(n - 2),
    };
    ring.cap(&first, pen.cap, &brush);
    ring.leave(&first, &brush);
    for i in 1..n - 1 {
        brush.turn(&line.bend(i, false), &mut ring);
    }
    ring.reach(&last, &brush);
    ring.cap(&last, pen.cap, &brush);
    ring.leave(&last, &brush);
    for i in (1..n - 1).rev() {
        brush.turn(&line.bend(i, true), &mut ring);
    }
    ring.reach(&first, &brush);
    ring.finish(false, &brush, out);
}

fn turned_back(d: Pt) -> Pt {
    [-d[0], -d[1]]
}

impl Line {
    fn chord_after(&self, i: usize) -> Pt {
        let n = self.points.len();
        unit(self.points[i].at, self.points[(i + 1) % n].at)
            .or(self.points[i].leaves)
            .unwrap_or([1.0, 0.0])
    }
    fn chord_before(&self, i: usize) -> Pt {
        let n = self.points.len();
        unit(self.points[(i + n - 1) % n].at, self.points[i].at)
            .or(self.points[i].arrives)
            .unwrap_or([1.0, 0.0])
    }
}

/// The point beside `p`, to the left of travel seen with y down: direction turned by -90 degrees.
fn side(p: Pt, direction: Pt, radius: f64) -> Pt {
    [p[0] + direction[1] * radius, p[1] - direction[0] * radius]
}

/// Signed angle from `a` to `b`; negative turns to the left as seen with y down.
fn angle(a: Pt, b: Pt) -> f64 {
    libm::atan2(a[0] * b[1] - a[1] * b[0], a[0] * b[0] + a[1] * b[1])
}

/// A point of a line as seen by someone who walks along it, forwards or back.
struct Bend {
    at: Pt,
    /// Directions of the chords before and after, and of the drawn line itself on both sides.
    before: Pt,
    after: Pt,
    arrives: Pt,
    leaves: Pt,
    /// Lengths of the chords.
    lengths: [f64; 2],
    corner: bool,
    /// The curve bends about as much as at the points before and after.
    steady: bool,
}

impl Line {
    /// Signed curvature of a flattened curve at point `i`; `None` at corners and where it turns sharply.
    fn curvature(&self, i: usize) -> Option<f64> {
        let n = self.points.len();
        let node = self.points[i];
        if node.corner || (!self.closed && (i == 0 || i + 1 == n)) {
            return None;
        }
        let length = |j: usize| {
            let q = self.points[j].at;
            (q[0] - node.at[0]).hypot(q[1] - node.at[1])
        };
        let turned = angle(self.chord_before(i), self.chord_after(i));
        let lengths = length((i + n - 1) % n) + length((i + 1) % n);
        (turned.abs() <= SHARP).then(|| 2.0 * turned / lengths)
    }
    /// Whether the bend at `i` is like its neighbours', as far as those are on the same curve.
    fn is_steady(&self, i: usize) -> bool {
        let n = self.points.len();
        let Some(here) = self.curvature(i) else {
            return false;
        };
        [(i + n - 1) % n, (i + 1) % n].into_iter().all(|j| {
            let ratio = self.curvature(j).map_or(1.0, |k| k / here);
            self.points[j].corner || (STEADY..=1.0 / STEADY).contains(&ratio)
        })
    }
    fn bend(&self, i: usize, back: bool) -> Bend {
        let n = self.points.len();
        let node = self.points[i];
        let length = |j: usize| {
            let q = self.points[j].at;
            (q[0] - node.at[0]).hypot(q[1] - node.at[1])
        };
        let (before, after) = (self.chord_before(i), self.chord_after(i));
        let (arrives, leaves) = (node.arrives.unwrap_or(before), node.leaves.unwrap_or(after));
        let lengths = [length((i + n - 1) % n), length((i + 1) % n)];
        let (at, corner) = (node.at, node.corner);
        let steady = self.is_steady(i);
        if back {
            Bend {
                at,
                before: turned_back(after),
                after: turned_back(before),
                arrives: turned_back(leaves),
                leaves: turned_back(arrives),
                lengths: [lengths[1], lengths[0]],
                corner,
                steady,
            }
        } else {
            Bend {
                at,
                before,
                after,
                arrives,
                leaves,
                lengths,
                corner,
                steady,
            }
        }
    }
}

/// Above this turn (radians) of a flattened curve a point is joined through its middle, as corners are.
const SHARP: f64 = 0.5;
/// Smallest ratio of neighbouring curvatures that still counts as one steady bend.
const STEADY: f64 = 0.8;

impl Bend {
    /// Radius of a curve that turns to the left here, where the left is the inner side.
    fn bend_radius(&self) -> Option<f64> {
        let turned = -angle(self.before, self.after);
        (!self.corner && turned > 0.0 && turned <= SHARP)
            .then(|| (self.lengths[0] + self.lengths[1]) / 2.0 / turned)
    }
    fn is_tight(&self, radius: f64) -> bool {
        self.steady && self.bend_radius().is_some_and(|r| r < radius)
    }
    fn middle(&self) -> Pt {
        let sum = [
            self.before[0] + self.after[0],
            self.before[1] + self.after[1],
        ];
        unit([0.0; 2], sum).unwrap_or(self.before)
    }
}

/// One side of an outline. Where the line bends more tightly than half its width, the area beyond the
/// bend's centre is swept backwards. Were the outline to follow, its points would cross each other all
/// over: instead it turns at the centres, and what is beyond becomes a ring of its own.
#[derive(Default)]
struct Side {
    ring: Vec<Pt>,
    fans: Vec<Vec<Pt>>,
    /// The run of tight bends being walked: the point, the direction and the centre of each.
    run: Vec<(Pt, Pt, Pt)>,
    /// The point and direction of the last place beside which the outline ran.
    last: Option<(Pt, Pt)>,
}

impl Side {
    fn push(&mut self, p: Pt) {
        self.ring.push(p);
    }
    /// Goes on to `reach` beside `p`, seen in direction `d`; this ends a run of tight bends.
    fn go_to(&mut self, p: Pt, d: Pt, reach: f64, brush: &Brush) {
        if let Some(&(q, _, centre)) = self.run.last() {
            let bend_radius = (centre[0] - q[0]).hypot(centre[1] - q[1]);
            self.bend_about(p, d, bend_radius);
            self.end_run(brush);
        }
        self.push(side(p, d, reach));
        self.last = Some((p, d));
    }
    /// One place of a run of tight bends.
    fn bend_about(&mut self, p: Pt, d: Pt, bend_radius: f64) {
        let centre = side(p, d, bend_radius);
        self.run.push((p, d, centre));
        self.push(centre);
    }
    /// A smooth turn at one point: an arc where it is outside; where it is inside the outline passes the point
    /// itself, and the sector swept there is a ring of its own.
    fn sweep(&mut self, p: Pt, from: Pt, to: Pt, brush: &Brush) {
        let turned = angle(from, to);
        if turned > 0.0 {
            arc(p, from, to, brush.radius, brush.step, &mut self.ring);
        } else if turned < 0.0 {
            self.push(p);
            let mut sector = vec![p, side(p, to, brush.radius)];
            arc(p, to, from, brush.radius, brush.step, &mut sector);
            sector.push(side(p, from, brush.radius));
            self.fans.push(sector);
        }
        self.push(side(p, to, brush.radius));
        self.last = Some((p, to));
    }
    /// The far edge of the run, from its first bend to its last and on to the first again if `closed`.
    fn far_edge(&self, closed: bool, brush: &Brush) -> Vec<Pt> {
        let mut out = Vec::new();
        let n = self.run.len();
        for i in 0..n {
            let (p, d, _) = self.run[i];
            out.push(side(p, d, brush.radius));
            if i + 1 == n && !closed {
                break;
            }
            let (q, e, _) = self.run[(i + 1) % n];
            let turned = angle(d, e);
            let parts = (turned.abs() / brush.step).ceil().max(1.0);
            for k in 1..parts as usize {
                let u = k as f64 / parts;
                let (s, c) = libm::sincos(turned * u);
                let dir = [d[0] * c - d[1] * s, d[1] * c + d[0] * s];
                let at = [p[0] + (q[0] - p[0]) * u, p[1] + (q[1] - p[1]) * u];
                out.push(side(at, dir, brush.radius));
            }
        }
        out
    }
    /// Ends a run of tight bends, wound so that what it covers counts as the outline's inside.
    fn end_run(&mut self, brush: &Brush) {
        let mut fan: Vec<Pt> = self.run.iter().map(|r| r.2).collect();
        fan.extend(self.far_edge(false, brush).into_iter().rev());
        self.fans.push(fan);
        self.run.clear();
    }
    /// Ends a run of tight bends that reaches the ring's first bend again.
    fn close_at(&mut self, first: &Bend, brush: &Brush) {
        if !self.run.is_empty() {
            let direction = if first.corner {
                first.before
            } else {
                first.middle()
            };
            self.go_to(first.at, direction, brush.radius, brush);
        }
    }
    fn finish(mut self, all_tight: bool, brush: &Brush, out: &mut Outline) {
        if all_tight {
            let mut far = self.far_edge(true, brush);
            far.reverse();
            self.fans.push(far);
            self.fans.push(self.run.iter().map(|r| r.2).collect());
        }
        out.has_seams |= !self.fans.is_empty();
        out.rings.push(self.ring);
        out.rings.append(&mut self.fans);
    }
    /// Comes to the end of a line on its left, from beside the last chord to beside the line's own direction.
    fn reach(&mut self, end: &End, brush: &Brush) {
        if end.is_beside(angle(end.chord, end.out), brush.radius) {
            self.go_to(end.at, end.out, brush.radius, brush);
        } else {
            self.go_to(end.at, end.chord, brush.radius, brush);
            self.sweep(end.at, end.chord, end.out, brush);
        }
    }
    /// Goes back from the end of a line on its right.
    fn leave(&mut self, end: &End, brush: &Brush) {
        if !end.is_beside(angle(end.out, end.chord), brush.radius) {
            self.sweep(end.at, turned_back(end.out), turned_back(end.chord), brush);
        }
    }
    /// The end of a line: from its left side to its right side.
    fn cap(&mut self, end: &End, cap: Cap, brush: &Brush) {
        let (p, d, radius) = (end.at, end.out, brush.radius);
        let back = turned_back(d);
        self.go_to(p, d, radius, brush);
        match cap {
            Cap::Butt => {}
            Cap::Round => arc(p, d, back, radius, brush.step, &mut self.ring),
            Cap::Square => {
                let q = [p[0] + d[0] * radius, p[1] + d[1] * radius];
                self.push(side(q, d, radius));
                self.push(side(q, back, radius));
            }
        }
        self.push(side(p, back, radius));
        self.last = Some((p, back));
    }
}

/// An end of an open line, seen by someone who walks out there.
struct End {
    at: Pt,
    /// The line's own direction there, and that of its last chord.
    out: Pt,
    chord: Pt,
    /// Length of that chord.
    length: f64,
}

impl End {
    /// On the inside of the turn between the chord and the line's own direction, whether the corner of the end
    /// lies beside the chord, so that the outline runs straight to it. `turned` is negative on the inside.
    fn is_beside(&self, turned: f64, radius: f64) -> bool {
        (-0.5..0.0).contains(&turned) && radius * libm::sin(-turned) < self.length / 2.0
    }
}

/// What a line is drawn with, ready for use.
struct Brush {
    radius: f64,
    /// Largest angle between points of an arc.
    step: f64,
    join: Join,
    miter_limit: f64,
}

impl Brush {
    /// Walks round a bend on the line's left.
    fn turn(&self, bend: &Bend, out: &mut Side) {
        let (p, radius, step) = (bend.at, self.radius, self.step);
        if let Some(bend_radius) = bend.bend_radius() {
            let half_turn = -angle(bend.before, bend.after) / 2.0;
            let middle = bend.middle();
            if bend.is_tight(radius) {
                if out.run.is_empty()
                    && let Some((q, d)) = out.last
                {
                    out.bend_about(q, d, bend_radius);
                }
                out.bend_about(p, middle, bend_radius);
                return;
            }
            // Where the offset edges meet, if they are long enough to meet.
            let shortest = bend.lengths[0].min(bend.lengths[1]);
            if radius * half_turn.tan() <= shortest / 2.0 {
                out.go_to(p, middle, radius / half_turn.cos(), self);
                return;
            }
            if bend.steady {
                out.go_to(p, middle, radius, self);
                return;
            }
        }
        out.go_to(p, bend.before, radius, self);
        if !bend.corner {
            out.sweep(p, bend.before, bend.after, self);
            return;
        }
        // The curve's own end directions, so that joins do not depend on how it was flattened.
        let (a, b) = (bend.arrives, bend.leaves);
        if a != bend.before {
            out.sweep(p, bend.before, a, self);
        }
        let turned = angle(a, b);
        if turned > 0.0 || turned <= -PI {
            // Turning right with the left side outside.
            match self.join {
                Join::Round => arc(p, a, b, radius, step, &mut out.ring),
                Join::Bevel => {}
                Join::Miter | Join::MiterClip => self.miter(p, a, b, turned.abs(), &mut out.ring),
            }
        } else if turned < 0.0 {
            out.push(p);
        }
        out.push(side(p, b, radius));
        out.last = Some((p, b));
        if b != bend.after {
            out.sweep(p, b, bend.after, self);
        }
    }

    fn miter(&self, p: Pt, a: Pt, b: Pt, turned: f64, ring: &mut Vec<Pt>) {
        let radius = self.radius;
        // Miter length over stroke width = 1 / sin(inner angle / 2) = 1 / cos(turn / 2) (SVG 2, 13.5.4).
        let cos_half = (turned / 2.0).cos();
        let ratio = 1.0 / cos_half.max(1e-12);
        let (na, nb) = (side([0.0; 2], a, 1.0), side([0.0; 2], b, 1.0));
        if ratio <= self.miter_limit {
            let m = radius * ratio;
            if let Some(d) = unit([0.0; 2], [na[0] + nb[0], na[1] + nb[1]]) {
                ring.push([p[0] + d[0] * m, p[1] + d[1] * m]);
            }
        } else if self.join == Join::MiterClip {
            // Cut square across the bisector at half the limit times the width.
            let reach = radius * self.miter_limit;
            let lowest = radius * cos_half;
            let tan_half = (turned / 2.0).tan();
            if reach > lowest && tan_half.is_finite() {
                // Along the offset edges until their distance along the bisector is `reach`.
                let along = (reach - lowest) / (turned / 2.0).sin();
                ring.push([
                    p[0] + na[0] * radius + a[0] * along,
                    p[1] + na[1] * radius + a[1] * along,
                ]);
                ring.push([
                    p[0] + nb[0] * radius - b[0] * along,
                    p[1] + nb[1] * radius - b[1] * along,
                ]);
            }
        }
    }
}

/// The inner points of the arc about `p` from the side of `from` to the side of `to`.
fn arc(p: Pt, from: Pt, to: Pt, radius: f64, step: f64, ring: &mut Vec<Pt>) {
    let mut turned = angle(from, to);
    if turned < 0.0 {
        turned += TAU;
    }
    let count = (turned / step).ceil().max(1.0) as usize;
    let start = side([0.0; 2], from, 1.0);
    for k in 1..count {
        let (s, c) = libm::sincos(turned * k as f64 / count as f64);
        ring.push([
            p[0] + radius * (start[0] * c - start[1] * s),
            p[1] + radius * (start[1] * c + start[0] * s),
        ]);
    }
}

/// What a line without length paints (SVG 2, 13.5.2): a disc, a square along the axes, or nothing.
fn dot(p: Pt, radius: f64, cap: Cap, step: f64, rings: &mut Vec<Vec<Pt>>) {
    match cap {
        Cap::Butt => {}
        Cap::Square => rings.push(vec![
            [p[0] - radius, p[1] - radius],
            [p[0] + radius, p[1] - radius],
            [p[0] + radius, p[1] + radius],
            [p[0] - radius, p[1] + radius],
        ]),
        Cap::Round => {
            let count = (TAU / step).ceil().max(8.0) as usize;
            rings.push(
                (0..count)
                    .map(|k| {
                        let (s, c) = libm::sincos(TAU * k as f64 / count as f64);
                        [p[0] + radius * c, p[1] + radius * s]
                    })
                    .collect(),
            );
        }
    }
}

/// Angle between points of a circle whose chords stay within `tolerance` of it
/// (sagitta r (1 - cos(a / 2))).
fn arc_step(radius: f64, tolerance: f64) -> f64 {
    let t = (tolerance / radius).clamp(1e-10, 1.0);
    (2.0 * libm::acos(1.0 - t)).clamp(1e-4, PI / 4.0)
}
