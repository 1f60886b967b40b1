//! The area a stroke paints, built exactly from quadrilaterals, joins and caps.
//!
//! Every piece of the line is a quadrilateral about it; at every corner a wedge fills the outer side.
//! The outline below is the sum of their boundaries, all wound the same way, so that a non-zero fill of it
//! is exactly their union, with no loss where the stroke is wider than a bend's radius.

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
pub const MOST_POINTS: usize = 20_000_000;

/// The outline rings of a stroked path: fill them with the non-zero rule.
/// Arcs of joins and caps stay within `tolerance` of the circle; `lines` brings its own share.
/// `None` where the path has more dashes or points than are read here.
pub fn outline(pieces: &[Piece], pen: &Pen, tolerance: f64) -> Option<Vec<Vec<Pt>>> {
    let share = tolerance / 2.0;
    let mut rings: Vec<Vec<Pt>> = Vec::new();
    let (mut dashes, mut points, mut counted) = (0, 0, 0);
    for line in lines(pieces, share) {
        let parts = if pen.dashes.is_empty() {
            vec![line]
        } else {
            dash(&line, &pen.dashes, pen.dash_offset, MOST_DASHES - dashes)?
        };
        dashes += if pen.dashes.is_empty() {
            0
        } else {
            parts.len()
        };
        for part in parts {
            stroke_line(&part, pen, share, &mut rings);
            points += rings[counted..].iter().map(Vec::len).sum::<usize>();
            counted = rings.len();
            if points > MOST_POINTS {
                return None;
            }
        }
    }
    Some(rings)
}

/// Cuts a line into dashes by length; `None` where there are more than `most`.
fn dash(line: &Line, pattern: &[f64], offset: f64, most: usize) -> Option<Vec<Line>> {
    let total: f64 = pattern.iter().sum();
    if !(total > 0.0 && total.is_finite()) || line.is_dot() {
        return Some(vec![line.clone()]);
    }
    let mut into = offset.rem_euclid(total);
    let mut index = 0;
    // A dash without length at the very start stays: with caps it is a dot.
    while into > pattern[index] || (into == pattern[index] && pattern[index] > 0.0) {
        into -= pattern[index];
        index = (index + 1) % pattern.len();
    }
    let mut left = pattern[index] - into;
    let mut on = index % 2 == 0;
    let mut out: Vec<Line> = Vec::new();
    let mut current = Line::default();
    let n = line.points.len();
    let edges = if line.closed { n } else { n - 1 };
    if on {
        current.points.push(line.points[0]);
    }
    let starts_on = on;
    for i in 0..edges {
        let (from, to) = (line.points[i], line.points[(i + 1) % n]);
        let length = (to.at[0] - from.at[0]).hypot(to.at[1] - from.at[1]);
        let direction = unit(from.at, to.at).unwrap_or([1.0, 0.0]);
        let mut done = 0.0;
        while length - done > left {
            done += left;
            let at = [
                from.at[0] + direction[0] * done,
                from.at[1] + direction[1] * done,
            ];
            let node = Node {
                at,
                arrives: Some(direction),
                leaves: Some(direction),
                corner: false,
            };
            if on {
                current.points.push(node);
                out.push(std::mem::take(&mut current));
            } else {
                current.points.push(node);
            }
            on = !on;
            index = (index + 1) % pattern.len();
            left = pattern[index];
            if out.len() >= most {
                return None;
            }
        }
        left -= length - done;
        if on {
            current.points.push(to);
        }
    }
    if on && current.points.len() > 1 {
        // A closed line whose first and last dash meet carries on through its start.
        if line.closed && starts_on && !out.is_empty() {
            let first = std::mem::take(&mut out[0]);
            current.points.pop();
            current.points.extend(first.points);
            out[0] = current;
        } else if line.closed && starts_on {
            return Some(vec![line.clone()]);
        } else {
            out.push(current);
        }
    }
    Some(out)
}

fn stroke_line(line: &Line, pen: &Pen, tolerance: f64, rings: &mut Vec<Vec<Pt>>) {
    let radius = pen.width / 2.0;
    let step = arc_step(radius, tolerance);
    if line.is_dot() {
        if let Some(node) = line.points.first() {
            dot(node.at, radius, pen.cap, step, rings);
        }
        return;
    }
    let n = line.points.len();
    if line.closed {
        let mut left = Vec::with_capacity(n * 3);
        let mut right = Vec::with_capacity(n * 3);
        for i in 0..n {
            corner(line, i, radius, pen, step, &mut left);
        }
        for i in (0..n).rev() {
            corner_back(line, i, radius, pen, step, &mut right);
        }
        rings.push(left);
        rings.push(right);
        return;
    }
    let mut ring = Vec::with_capacity(n * 6);
    let (first, last) = (line.points[0], line.points[n - 1]);
    let start = first.leaves.unwrap_or([1.0, 0.0]);
    let end = last.arrives.unwrap_or([1.0, 0.0]);
    cap(
        first.at,
        [-start[0], -start[1]],
        radius,
        pen.cap,
        step,
        &mut ring,
    );
    push_side(first.at, line.chord_after(0), radius, &mut ring);
    for i in 1..n - 1 {
        corner(line, i, radius, pen, step, &mut ring);
    }
    push_side(last.at, line.chord_before(n - 1), radius, &mut ring);
    cap(last.at, end, radius, pen.cap, step, &mut ring);
    let back = |d: Pt| [-d[0], -d[1]];
    push_side(last.at, back(line.chord_before(n - 1)), radius, &mut ring);
    for i in (1..n - 1).rev() {
        corner_back(line, i, radius, pen, step, &mut ring);
    }
    push_side(first.at, back(line.chord_after(0)), radius, &mut ring);
    rings.push(ring);
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

fn push_side(p: Pt, direction: Pt, radius: f64, ring: &mut Vec<Pt>) {
    ring.push(side(p, direction, radius));
}

/// Walks round corner `i` on the line's left.
fn corner(line: &Line, i: usize, radius: f64, pen: &Pen, step: f64, ring: &mut Vec<Pt>) {
    let node = line.points[i];
    turn(
        &node,
        line.chord_before(i),
        line.chord_after(i),
        node.arrives,
        node.leaves,
        radius,
        pen,
        step,
        ring,
    );
}

/// Walks round corner `i` on the line's right, going back.
fn corner_back(line: &Line, i: usize, radius: f64, pen: &Pen, step: f64, ring: &mut Vec<Pt>) {
    let node = line.points[i];
    let back = |d: Pt| [-d[0], -d[1]];
    turn(
        &node,
        back(line.chord_after(i)),
        back(line.chord_before(i)),
        node.leaves.map(back),
        node.arrives.map(back),
        radius,
        pen,
        step,
        ring,
    );
}

/// Signed angle from `a` to `b`; negative turns to the left as seen with y down.
fn angle(a: Pt, b: Pt) -> f64 {
    libm::atan2(a[0] * b[1] - a[1] * b[0], a[0] * b[0] + a[1] * b[1])
}

#[allow(clippy::too_many_arguments)]
fn turn(
    node: &Node,
    before: Pt,
    after: Pt,
    arrives: Option<Pt>,
    leaves: Option<Pt>,
    radius: f64,
    pen: &Pen,
    step: f64,
    ring: &mut Vec<Pt>,
) {
    let p = node.at;
    ring.push(side(p, before, radius));
    if !node.corner {
        arc_or_pivot(p, before, after, radius, step, ring);
        ring.push(side(p, after, radius));
        return;
    }
    // The curve's own end directions, so that joins do not depend on how it was flattened.
    let (a, b) = (arrives.unwrap_or(before), leaves.unwrap_or(after));
    if a != before {
        arc_or_pivot(p, before, a, radius, step, ring);
        ring.push(side(p, a, radius));
    }
    let turned = angle(a, b);
    if turned > 0.0 || turned <= -PI {
        // Turning right with the left side outside.
        match pen.join {
            Join::Round => arc(p, a, b, radius, step, ring),
            Join::Bevel => {}
            Join::Miter | Join::MiterClip => miter(p, a, b, turned.abs(), radius, pen, ring),
        }
    } else if turned < 0.0 {
        ring.push(p);
    }
    if b != after {
        ring.push(side(p, b, radius));
        arc_or_pivot(p, b, after, radius, step, ring);
    }
    ring.push(side(p, after, radius));
}

fn miter(p: Pt, a: Pt, b: Pt, turned: f64, radius: f64, pen: &Pen, ring: &mut Vec<Pt>) {
    // Miter length over stroke width = 1 / sin(inner angle / 2) = 1 / cos(turn / 2) (SVG 2, 13.5.4).
    let cos_half = (turned / 2.0).cos();
    let ratio = 1.0 / cos_half.max(1e-12);
    let (na, nb) = (side([0.0; 2], a, 1.0), side([0.0; 2], b, 1.0));
    if ratio <= pen.miter_limit {
        let m = radius * ratio;
        if let Some(d) = unit([0.0; 2], [na[0] + nb[0], na[1] + nb[1]]) {
            ring.push([p[0] + d[0] * m, p[1] + d[1] * m]);
        }
    } else if pen.join == Join::MiterClip {
        // Cut square across the bisector at half the limit times the width.
        let reach = radius * pen.miter_limit;
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

/// On the outer side an arc about `p`, on the inner side the point itself.
fn arc_or_pivot(p: Pt, from: Pt, to: Pt, radius: f64, step: f64, ring: &mut Vec<Pt>) {
    let turned = angle(from, to);
    if turned > 0.0 {
        arc(p, from, to, radius, step, ring);
    } else if turned < 0.0 {
        ring.push(p);
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

/// The end of a line that runs in direction `d`: from its left side to its right side.
fn cap(p: Pt, d: Pt, radius: f64, cap: Cap, step: f64, ring: &mut Vec<Pt>) {
    let back = [-d[0], -d[1]];
    ring.push(side(p, d, radius));
    match cap {
        Cap::Butt => {}
        Cap::Round => arc(p, d, back, radius, step, ring),
        Cap::Square => {
            let q = [p[0] + d[0] * radius, p[1] + d[1] * radius];
            ring.push(side(q, d, radius));
            ring.push(side(q, back, radius));
        }
    }
    ring.push(side(p, back, radius));
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
