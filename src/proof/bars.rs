//! Bars: metal left across an opening on purpose, found again from the cuts.

use super::edges::{Stretch, place};
use super::webs::first_crossing;
use crate::grid::{Grid, Segment};
use crate::polyline::distance;
use rstar::primitives::{GeomWithData, Line};
use rstar::{PointDistance, RTree};
use serde::Serialize;

/// A tie bar of the as-cut foil.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bar {
    /// Ends of its centre line on the drawn edges, page millimetres.
    pub from_mm: [f64; 2],
    pub to_mm: [f64; 2],
    /// Narrowest width of metal left.
    pub width_um: f64,
}

impl Bar {
    /// How far its width is from the one asked for.
    pub(super) fn unlike_um(&self, width_um: f64) -> f64 {
        (self.width_um - width_um).abs()
    }

    pub(super) fn length_um(&self) -> f64 {
        distance(self.from_mm, self.to_mm) * 1e3
    }

    pub(super) fn middle_mm(&self) -> [f64; 2] {
        [0, 1].map(|d| (self.from_mm[d] + self.to_mm[d]) / 2.0)
    }
}

/// Nearer to its ends than this a way may touch drawn edges.
const TOUCH_UM: f64 = 0.2;

/// Cosine of the angle to its edge's normal at which a bar may leave at most.
const OBLIQUE: f64 = 0.1;
/// A stretch at which a bar ends already is taken for so much further away.
const USED_FARTHER: f64 = 2.0;

/// Pairs stretches of the drawn edge that were not cut and face each other across metal that was left;
/// bars that run together share the stretch at that end. Answers the bars of those not yet `used` with the stretches at
/// their ends, and notes there which stretches they account for. A bar runs over one opening; `buried` are the rings
/// round foil that bars run over.
pub(super) fn find(
    stretches: &[Stretch],
    (rings, drawn, buried): (&[Vec<Segment>], &Grid, &[bool]),
    cut: &Grid,
    radius_um: f64,
    max_width_um: f64,
    max_span_um: f64,
    used: &mut [bool],
) -> Vec<(Bar, [usize; 2])> {
    let tree = by_place(stretches);
    let mut bars = Vec::new();
    for i in 0..stretches.len() {
        if used[i] {
            continue;
        }
        let s = &stretches[i];
        let mut candidates: Vec<usize> = opposed(i, stretches, &tree, rings, max_span_um).collect();
        // One that another bar ends at already comes after others about as far.
        candidates.sort_by(|&a, &b| {
            let d = |j: usize| {
                distance(stretches[j].middle, s.middle) * if used[j] { USED_FARTHER } else { 1.0 }
            };
            d(a).total_cmp(&d(b)).then(a.cmp(&b))
        });
        for j in candidates.into_iter().take(8) {
            let other = &stretches[j];
            // Where another bar ends too, this one ends at one side of the stretch.
            let ends = [
                other.middle,
                opposite(s.middle, other, rings),
                other.quarters[0],
                other.quarters[1],
            ];
            let found = ends[usize::from(used[j])..].iter().find_map(|&end| {
                if !open_between(s.middle, end, drawn, buried) {
                    return None;
                }
                let width_um = width(s.middle, end, cut, radius_um, max_width_um)?;
                Some((end, width_um))
            });
            if let Some((end, width_um)) = found {
                used[i] = true;
                used[j] = true;
                let bar = Bar {
                    from_mm: s.middle.map(|v| v / 1e3),
                    to_mm: end.map(|v| v / 1e3),
                    width_um,
                };
                bars.push((bar, [i, j]));
                break;
            }
        }
    }
    bars
}

type ByPlace = RTree<GeomWithData<[f64; 2], usize>>;

fn by_place(stretches: &[Stretch]) -> ByPlace {
    let placed = stretches.iter().enumerate();
    RTree::bulk_load(
        placed
            .map(|(i, s)| GeomWithData::new(s.middle, i))
            .collect(),
    )
}

/// The stretches near `i` that face it, the nearest first, no further than a bar may span.
fn opposed<'a>(
    i: usize,
    stretches: &'a [Stretch],
    tree: &'a ByPlace,
    rings: &'a [Vec<Segment>],
    max_span_um: f64,
) -> impl Iterator<Item = usize> + 'a {
    let s = &stretches[i];
    tree.nearest_neighbor_iter(&s.middle)
        .take(64)
        .map(|g| g.data)
        .take_while(move |&j| distance(stretches[j].middle, s.middle) <= max_span_um)
        .filter(move |&j| j != i && facing(s, &stretches[j], rings))
}

/// Of two stretches that no bar accounts for and that face each other, the cut that runs between them: through the bar
/// that would stand there. Answers the place and the cut, one for each pair.
pub(super) fn severed(
    stretches: &[Stretch],
    (rings, drawn, buried): (&[Vec<Segment>], &Grid, &[bool]),
    cut: &Grid,
    (max_width_um, max_span_um): (f64, f64),
    used: &mut [bool],
) -> Vec<([f64; 2], Segment)> {
    let short = |s: &Stretch| s.length_um() <= 1.5 * max_width_um;
    let tree = by_place(stretches);
    let mut out = Vec::new();
    for i in 0..stretches.len() {
        let s = &stretches[i];
        if used[i] || !short(s) {
            continue;
        }
        let found = opposed(i, stretches, &tree, rings, max_span_um)
            .filter(|&j| !used[j] && short(&stretches[j]))
            .find_map(|j| {
                let end = stretches[j].middle;
                if !open_between(s.middle, end, drawn, buried) {
                    return None;
                }
                let length = distance(s.middle, end);
                let u = [0, 1].map(|d| (end[d] - s.middle[d]) / length);
                let (t, through) = first_crossing(s.middle, u, length, cut, |_| true)?;
                Some((j, [s.middle[0] + u[0] * t, s.middle[1] + u[1] * t], through))
            });
        if let Some((j, at, through)) = found {
            (used[i], used[j]) = (true, true);
            out.push((at, through));
        }
    }
    out
}

/// The parts of a stretch that lie beside the bars that leave it: further than `half_um` from their lines, and longer
/// than `least_um`. Lengths along the ring.
pub(super) fn beside(
    stretch: &Stretch,
    ring: &[Segment],
    bars: &[&Bar],
    half_um: f64,
    least_um: f64,
) -> Vec<(f64, f64)> {
    let n = (stretch.length_um() / (0.5 * least_um))
        .ceil()
        .clamp(2.0, 1e5);
    let step = stretch.length_um() / n;
    let at = |k: f64| stretch.from_um + step * k;
    let off = |p: [f64; 2]| {
        bars.iter().all(|bar| {
            let (a, b) = (bar.from_mm.map(|v| v * 1e3), bar.to_mm.map(|v| v * 1e3));
            let l = distance(a, b).max(1e-9);
            let across = ((b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])) / l;
            across.abs() > half_um
        })
    };
    let mut out = Vec::new();
    for k in 0..n as usize {
        let k = k as f64;
        if off(place(ring, at(k + 0.5)).0) {
            super::edges::join(&mut out, at(k), at(k + 1.0));
        }
    }
    out.retain(|(from, to)| to - from > least_um);
    out
}

/// The place of a stretch that is nearest to `p`.
fn opposite(p: [f64; 2], stretch: &Stretch, rings: &[Vec<Segment>]) -> [f64; 2] {
    let ring = &rings[stretch.ring as usize];
    let n = ((stretch.length_um() / 4.0).ceil() as usize).clamp(2, 512);
    (0..=n)
        .map(|k| {
            let at = stretch.from_um + stretch.length_um() * k as f64 / n as f64;
            place(ring, at).0
        })
        .min_by(|a, b| distance(*a, p).total_cmp(&distance(*b, p)))
        .unwrap_or(stretch.middle)
}

/// Whether each of two stretches has a side that looks towards the other.
fn facing(a: &Stretch, b: &Stretch, rings: &[Vec<Segment>]) -> bool {
    let l = distance(a.middle, b.middle);
    let looks = |s: &Stretch, to: &Stretch| {
        let towards = |n: [f64; 2]| {
            let d = [to.middle[0] - s.middle[0], to.middle[1] - s.middle[1]];
            n[0] * d[0] + n[1] * d[1] > OBLIQUE * l
        };
        let ring = &rings[s.ring as usize];
        // Where it runs round the tip of a point of foil, its parts look different ways.
        let parts = [0.1, 0.3, 0.7, 0.9].map(|t| place(ring, s.from_um + t * s.length_um()).1);
        towards(s.inward) || towards(s.across) || parts.into_iter().any(towards)
    };
    l > 0.0 && looks(a, b) && looks(b, a)
}

/// Whether the straight way between two places of drawn edges leads over one opening, foil that bars bury left out: a
/// bar does not end beyond foil.
fn open_between(from: [f64; 2], to: [f64; 2], drawn: &Grid, buried: &[bool]) -> bool {
    let length = distance(from, to);
    let u = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
    let off = [from[0] + u[0] * TOUCH_UM, from[1] + u[1] * TOUCH_UM];
    let counts = |s: &Segment| !buried[s.owner as usize];
    first_crossing(off, u, length - 2.0 * TOUCH_UM, drawn, counts).is_none()
}

/// Bars by place. One all of whose places lie nearer to others than a bar is wide may be the same once more: a bar over
/// a place where foil meets in a point, or is narrow, is found on either side of it, and metal between bars that lie
/// close together looks like one.
pub(super) struct Placed {
    lines: RTree<Line<[f64; 2]>>,
    max_width_um: f64,
}

impl Placed {
    pub(super) fn new(bars: &[Bar], max_width_um: f64) -> Placed {
        Placed {
            lines: RTree::bulk_load(bars.iter().map(line).collect()),
            max_width_um,
        }
    }

    /// Whether a bar may be one of these once more.
    pub(super) fn knows(&self, bar: &Bar) -> bool {
        let own = line(bar);
        let middle = [0, 1].map(|d| (own.from[d] + own.to[d]) / 2.0);
        [own.from, middle, own.to].into_iter().all(|p| {
            let near = self.lines.nearest_neighbor(&p);
            near.is_some_and(|n| n.distance_2(&p) <= self.max_width_um * self.max_width_um)
        })
    }

    pub(super) fn add(&mut self, bar: &Bar) {
        self.lines.insert(line(bar));
    }
}

/// How many bars there are at least. `width_um` is that asked for: the likest count first.
pub(super) fn distinct(bars: &[Bar], width_um: f64, max_width_um: f64) -> usize {
    let mut order: Vec<&Bar> = bars.iter().collect();
    order.sort_by(|a, b| a.unlike_um(width_um).total_cmp(&b.unlike_um(width_um)));
    let mut placed = Placed::new(&[], max_width_um);
    for bar in order {
        if !placed.knows(bar) {
            placed.add(bar);
        }
    }
    placed.lines.size()
}

/// Its centre line, micrometres.
fn line(bar: &Bar) -> Line<[f64; 2]> {
    Line::new(bar.from_mm.map(|v| v * 1e3), bar.to_mm.map(|v| v * 1e3))
}

/// The narrowest width of metal along the line between two places, as long as there is metal all along it
/// and a cut on both sides no further apart than `max_width_um`.
pub(super) fn width(
    from: [f64; 2],
    to: [f64; 2],
    cut: &Grid,
    radius_um: f64,
    max_width_um: f64,
) -> Option<f64> {
    let length = distance(from, to);
    let d = [(to[0] - from[0]) / length, (to[1] - from[1]) / length];
    if first_crossing(from, d, length, cut, |_| true).is_some() {
        return None;
    }
    let n = ((length / 4.0).ceil() as usize).clamp(3, 512);
    let reach = max_width_um + 2.0 * radius_um;
    let mut narrowest = f64::INFINITY;
    for k in 0..n {
        let t = length * (k as f64 + 0.5) / n as f64;
        let p = [from[0] + d[0] * t, from[1] + d[1] * t];
        let (mut left, mut right) = (f64::INFINITY, f64::INFINITY);
        cut.near(
            [p[0] - reach, p[1] - reach],
            [p[0] + reach, p[1] + reach],
            |s| {
                let (q, dist) = s.nearest(p);
                let side = d[0] * (q[1] - p[1]) - d[1] * (q[0] - p[0]);
                if side > 0.0 {
                    left = left.min(dist);
                } else {
                    right = right.min(dist);
                }
            },
        );
        if left.min(right) < radius_um {
            return None;
        }
        let here = left + right - 2.0 * radius_um;
        narrowest = narrowest.min(here);
    }
    (narrowest <= max_width_um).then_some(narrowest)
}
