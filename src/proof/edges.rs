//! Edges: how far is the as-cut edge from the drawn one, everywhere along it?
//!
//! The edge of a cut lies half a kerf from the way of the beam's centre. So a point of the drawn edge is
//! met when its distance from that way is half a kerf, to within the limit: further away, metal is left;
//! nearer, metal is gone that should stay. For each straight piece of the drawn edge both conditions hold
//! on intervals, found exactly.

use crate::grid::{Grid, Segment};
use crate::polyline::distance;
use rayon::prelude::*;
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

/// Drawn edges are looked at in pieces no longer than this.
pub(super) const PIECE_UM: f64 = 64.0;

/// Edges shorter than this have no direction of their own, only that of rounding.
const STRAIGHT_UM: f64 = 0.1;

/// What the edge pass needs to know.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limits {
    /// Half the kerf.
    pub radius_um: f64,
    /// Largest edge error.
    pub limit_um: f64,
    pub passes: u32,
    /// Webs are searched up to this width.
    pub web_um: f64,
}

/// A stretch of a drawn ring that is not as it should be.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stretch {
    pub ring: u32,
    pub from_um: f64,
    pub to_um: f64,
    /// Where it is worst, and the distance of the beam's way from there.
    pub at: [f64; 2],
    pub distance_um: f64,
    /// Middle of the stretch and the unit normal into the opening there.
    pub middle: [f64; 2],
    pub inward: [f64; 2],
    /// The same for the straight line from its start to its end: where it runs round the tip of a point of foil,
    /// its middle faces one flank only.
    pub across: [f64; 2],
    /// A round beam could have got there without cutting elsewhere.
    pub reachable: bool,
    /// The opening is narrower than the beam here, yet more than the tip of a corner: a single line is due.
    pub slit: bool,
    /// A place where the beam does not get in, and the normal into the opening there: one where not even a
    /// third of it does, if there is such a place.
    pub narrow: Option<([f64; 2], [f64; 2])>,
    pub narrow_tight: bool,
    /// A quarter and three quarters of the way along it.
    pub quarters: [[f64; 2]; 2],
}

impl Stretch {
    pub fn length_um(&self) -> f64 {
        self.to_um - self.from_um
    }
}

/// All about one drawn ring.
#[derive(Debug, Clone, Default)]
pub(super) struct RingResult {
    pub length_um: f64,
    pub uncovered: Vec<Stretch>,
    pub over: Vec<Stretch>,
    /// Samples where the edge is met to within the limit.
    pub samples: u32,
    pub sum_sq: f64,
    pub worst: f64,
    /// Middle of the longest stretch met by the same burns and by fewer than passes are asked for, and those burns.
    pub short_at: Option<([f64; 2], Vec<u32>)>,
    /// Longest stretch met by more burns than passes, and a place in it.
    pub extra_um: f64,
    pub extra_at: Option<[f64; 2]>,
    /// The burns there, and along how much of it each.
    pub extra_burns: Vec<(u32, f64)>,
}

/// How far a beam's way is searched beyond what is right, for the figure in the message.
pub(super) const SEARCH_UM: f64 = 40.0;

/// Looks along all drawn rings.
pub(super) fn measure(
    rings: &[Vec<Segment>],
    drawn: &Grid,
    cut: &Grid,
    l: Limits,
) -> Vec<RingResult> {
    rings
        .par_iter()
        .map(|ring| measure_ring(ring, drawn, cut, l))
        .collect()
}

fn measure_ring(ring: &[Segment], drawn: &Grid, cut: &Grid, l: Limits) -> RingResult {
    let mut out = RingResult {
        length_um: ring.iter().map(Segment::length).sum(),
        ..RingResult::default()
    };
    let (wide, narrow) = (l.radius_um + l.limit_um, l.radius_um - l.limit_um);
    let mut uncovered: Vec<(f64, f64)> = Vec::new();
    let mut over: Vec<(f64, f64)> = Vec::new();
    let mut burns: Vec<u32> = Vec::new();
    let mut covers: Vec<(f64, f64)> = Vec::new();
    let mut cuts: Vec<(f64, f64)> = Vec::new();
    let mut short = Short::default();
    let mut extra_um = 0.0;
    let mut along: Vec<(u32, f64)> = Vec::new();
    for edge in ring {
        let length = edge.length();
        if length <= 0.0 {
            continue;
        }
        let inward = edge.left();
        let pieces = (length / PIECE_UM).ceil().max(1.0) as usize;
        for k in 0..pieces {
            let (t0, t1) = (k as f64 / pieces as f64, (k + 1) as f64 / pieces as f64);
            let (p, q) = (edge.at(t0), edge.at(t1));
            let d = [q[0] - p[0], q[1] - p[1]];
            let piece = length / pieces as f64;
            let middle = [(p[0] + q[0]) / 2.0, (p[1] + q[1]) / 2.0];
            covers.clear();
            cuts.clear();
            burns.clear();
            let mut nearest = f64::INFINITY;
            let lo = [p[0].min(q[0]) - wide, p[1].min(q[1]) - wide];
            let hi = [p[0].max(q[0]) + wide, p[1].max(q[1]) + wide];
            cut.near(lo, hi, |s| {
                let clear = |d: usize| s.a[d].min(s.b[d]) > hi[d] || s.a[d].max(s.b[d]) < lo[d];
                if clear(0) || clear(1) {
                    return;
                }
                if narrow > 0.0
                    && let Some((a, b)) = s.interval(p, d, narrow)
                    && a < 1.0
                    && b > 0.0
                {
                    cuts.push((a, b));
                }
                // An edge is cut from its own side: a cut behind a thin web of foil is not its cut.
                let own = if length < STRAIGHT_UM {
                    Some(*s)
                } else {
                    s.beyond(middle, inward, -l.limit_um)
                };
                let Some(s) = own else { return };
                if let Some((a, b)) = s.interval(p, d, wide)
                    && a < 1.0
                    && b > 0.0
                {
                    covers.push((a, b));
                    if a <= 0.5 && b >= 0.5 && !burns.contains(&s.owner) {
                        burns.push(s.owner);
                    }
                    nearest = nearest.min(s.nearest(middle).1);
                }
            });
            let at = edge.at_um + t0 * length;
            gaps(&mut covers, |a, b| {
                join(&mut uncovered, at + a * piece, at + b * piece)
            });
            unions(&mut cuts, |a, b| {
                join(&mut over, at + a * piece, at + b * piece)
            });
            if nearest <= wide {
                let error = nearest - l.radius_um;
                out.samples += 1;
                out.sum_sq += error * error;
                out.worst = out.worst.max(error.abs());
                let count = burns.len() as u32;
                if count < l.passes {
                    short.add(middle, &burns);
                } else {
                    short.end();
                }
                if count > l.passes {
                    extra_um += piece;
                    for burn in &burns {
                        match along.iter_mut().find(|b| b.0 == *burn) {
                            Some(b) => b.1 += piece,
                            None => along.push((*burn, piece)),
                        }
                    }
                } else {
                    extra_um = 0.0;
                    along.clear();
                }
                if extra_um > out.extra_um {
                    out.extra_um = extra_um;
                    out.extra_at = Some(middle);
                    out.extra_burns.clone_from(&along);
                }
            } else {
                // A bar, or an edge that is not cut: what comes after it is another cut.
                extra_um = 0.0;
                along.clear();
                short.end();
            }
        }
    }
    short.end();
    out.short_at = short.longest.map(|(_, at, burns)| (at, burns));
    close_ring(&mut uncovered, out.length_um);
    close_ring(&mut over, out.length_um);
    // Rounding of the intervals' ends.
    let real = |&&(a, b): &&(f64, f64)| b - a > 2e-3;
    out.uncovered = uncovered
        .iter()
        .filter(real)
        .map(|&s| stretch(ring, s, true, drawn, cut, l))
        .collect();
    out.over = over
        .iter()
        .filter(real)
        .map(|&s| stretch(ring, s, false, drawn, cut, l))
        .collect();
    out
}

/// Stretches that too few burns cut.
#[derive(Default)]
struct Short {
    /// Middles of the pieces of the stretch at hand, and its burns.
    places: Vec<[f64; 2]>,
    burns: Vec<u32>,
    /// Pieces, middle and burns of the longest so far.
    longest: Option<(usize, [f64; 2], Vec<u32>)>,
}

impl Short {
    fn add(&mut self, middle: [f64; 2], burns: &[u32]) {
        if self.burns != burns {
            self.end();
            self.burns.extend_from_slice(burns);
        }
        self.places.push(middle);
    }
    fn end(&mut self) {
        let pieces = self.places.len();
        if pieces > self.longest.as_ref().map_or(0, |l| l.0) {
            self.longest = Some((pieces, self.places[pieces / 2], self.burns.clone()));
        }
        self.places.clear();
        self.burns.clear();
    }
}

/// What of 0 to 1 the intervals leave free.
fn gaps(intervals: &mut [(f64, f64)], mut gap: impl FnMut(f64, f64)) {
    intervals.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut reached = 0.0;
    for &(a, b) in intervals.iter() {
        if a > reached + 1e-9 {
            gap(reached, a.min(1.0));
        }
        reached = f64::max(reached, b);
        if reached >= 1.0 {
            return;
        }
    }
    gap(reached, 1.0);
}

/// The union of the intervals within 0 to 1.
fn unions(intervals: &mut [(f64, f64)], mut each: impl FnMut(f64, f64)) {
    intervals.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let mut open: Option<(f64, f64)> = None;
    for &(a, b) in intervals.iter() {
        let (a, b) = (a.max(0.0), b.min(1.0));
        open = Some(match open {
            Some((x, y)) if a <= y => (x, y.max(b)),
            Some((x, y)) => {
                each(x, y);
                (a, b)
            }
            None => (a, b),
        });
    }
    if let Some((x, y)) = open {
        each(x, y);
    }
}

pub(super) fn join(list: &mut Vec<(f64, f64)>, from: f64, to: f64) {
    match list.last_mut() {
        Some(last) if from - last.1 < 0.02 => last.1 = to,
        _ => list.push((from, to)),
    }
}

/// A stretch over the ring's first point is one, not two.
fn close_ring(list: &mut Vec<(f64, f64)>, length: f64) {
    if list.len() > 1 && list[0].0 < 0.02 && length - list[list.len() - 1].1 < 0.02 {
        let first = list.remove(0);
        if let Some(last) = list.last_mut() {
            last.1 = length + first.1;
        }
    }
}

/// The place at a length along a ring (more than once round is fine), and the normal into the opening.
pub(super) fn place(ring: &[Segment], at_um: f64) -> ([f64; 2], [f64; 2]) {
    let total = ring.last().map_or(0.0, |s| s.at_um + s.length());
    let at = if total > 0.0 {
        at_um.rem_euclid(total)
    } else {
        0.0
    };
    let i = ring.partition_point(|s| s.at_um <= at).saturating_sub(1);
    let s = &ring[i];
    let t = ((at - s.at_um) / s.length().max(1e-12)).clamp(0.0, 1.0);
    (s.at(t), s.left())
}

fn stretch(
    ring: &[Segment],
    (from_um, to_um): (f64, f64),
    outside: bool,
    drawn: &Grid,
    cut: &Grid,
    l: Limits,
) -> Stretch {
    let length = to_um - from_um;
    let n = ((length / (l.radius_um / 4.0).max(0.25)).ceil() as usize).clamp(2, 96);
    let search = l.radius_um + SEARCH_UM;
    let (middle, inward) = place(ring, (from_um + to_um) / 2.0);
    let mut out = Stretch {
        ring: ring[0].owner,
        from_um,
        to_um,
        at: middle,
        distance_um: if outside { 0.0 } else { f64::INFINITY },
        middle,
        inward,
        across: across(ring, from_um, to_um).unwrap_or(inward),
        reachable: false,
        slit: false,
        narrow: None,
        narrow_tight: false,
        quarters: [0.25, 0.75].map(|t| place(ring, from_um + t * length).0),
    };
    let mut off_middle = usize::MAX;
    for k in 0..n {
        let at = from_um + length * (k as f64 + 0.5) / n as f64;
        let (p, normal) = place(ring, at);
        let reachable = beam_fits(p, normal, drawn, l);
        let d = cut.nearest(p, search).map_or(search, |n| n.2);
        let worse = if outside {
            // Where the beam could not go, the distance says nothing.
            (reachable, d) > (out.reachable, out.distance_um)
        } else {
            // Of places that are all alike the one nearest to the middle, away from the corners at its ends.
            let off = (2 * k + 1).abs_diff(n);
            let alike = (d - out.distance_um).abs() < ALIKE_UM && off < off_middle;
            let worse = d < out.distance_um - ALIKE_UM || alike;
            if worse {
                off_middle = off;
            }
            worse
        };
        if worse {
            out.at = p;
            out.distance_um = if outside { d } else { d.min(out.distance_um) };
        }
        out.reachable |= reachable;
        if !reachable {
            let tight = !room(p, normal, 0.3 * l.radius_um, drawn);
            if out.narrow.is_none() || (tight && !out.narrow_tight) {
                out.narrow = Some((p, normal));
                out.narrow_tight = tight;
            }
        }
        out.slit |= !reachable
            && d > TIP_REACH * l.radius_um
            && room(p, normal, SLIT_WIDTH * l.radius_um, drawn);
    }
    out
}

/// Unit normal, into the opening, of the line between two places of a ring; `None` where they are one.
fn across(ring: &[Segment], from_um: f64, to_um: f64) -> Option<[f64; 2]> {
    let (a, b) = (place(ring, from_um).0, place(ring, to_um).0);
    let l = distance(a, b);
    (l > STRAIGHT_UM).then(|| [(a[1] - b[1]) / l, (b[0] - a[0]) / l])
}

/// Distances that differ by less are one, micrometres.
const ALIKE_UM: f64 = 0.02;
/// Tips of corners may stay uncut this many half kerfs from the cut.
const TIP_REACH: f64 = 7.0;
/// Parts of openings at least this fraction of the kerf wide are no tips.
const SLIT_WIDTH: f64 = 0.6;

/// Whether the nearest edge found from `c` faces it: otherwise `c` lies behind a crack.
pub(super) fn faces(c: [f64; 2], (s, q, _): (Segment, [f64; 2], f64)) -> bool {
    let n = s.left();
    n[0] * (c[0] - q[0]) + n[1] * (c[1] - q[1]) >= 0.0
}

/// Whether the beam has room in the opening to cut the edge at `p` to within the limit: a centre no further
/// than that from `p`, and no edge nearer to it than half a kerf and a little. Looked for from the place
/// right before the edge, stepping away from whatever edge is too near.
fn beam_fits(p: [f64; 2], normal: [f64; 2], drawn: &Grid, l: Limits) -> bool {
    let r = l.radius_um + (0.2 * l.limit_um).min(0.1);
    let most = l.radius_um + l.limit_um;
    let mut c = [p[0] + normal[0] * r, p[1] + normal[1] * r];
    for _ in 0..12 {
        let Some((s, q, d)) = drawn.nearest(c, r - 1e-3) else {
            return drawn.nearest(c, 1.01 * r).is_none_or(|near| faces(c, near));
        };
        if d <= 0.0 || !faces(c, (s, q, d)) {
            return false;
        }
        let by = (r - d) / d;
        c = [c[0] + (c[0] - q[0]) * by, c[1] + (c[1] - q[1]) * by];
        let far = distance(c, p);
        if far > most {
            let k = most / far;
            c = [p[0] + (c[0] - p[0]) * k, p[1] + (c[1] - p[1]) * k];
        }
    }
    false
}

/// Whether a disc of radius `w` that touches the edge at `p` has room in the opening.
pub(super) fn room(p: [f64; 2], normal: [f64; 2], w: f64, drawn: &Grid) -> bool {
    let c = [p[0] + normal[0] * w, p[1] + normal[1] * w];
    !drawn.any_within(c, 0.95 * w) && drawn.nearest(c, 1.01 * w).is_none_or(|n| faces(c, n))
}

/// A web: its width and the two drawn edge points.
pub(super) type Web = (f64, [f64; 2], [f64; 2]);

/// Rings looked at together: the narrowest web found so far bounds the search in the next.
const CHUNK: usize = 256;

/// The narrowest web between drawn edges, if one is narrower than `reach_um`; the first in the order of the rings
/// among equals.
///
/// A convex ring has no web of its own, so that its box's distance from the nearest other box bounds its webs from
/// below. Rings are taken by that bound, until it exceeds what is found.
pub(super) fn narrowest_web(rings: &[Vec<Segment>], drawn: &Grid, reach_um: f64) -> Option<Web> {
    let boxes: Vec<AABB<[f64; 2]>> = rings
        .iter()
        .map(|r| AABB::from_points(r.iter().map(|s| &s.a)))
        .collect();
    let numbered = |(i, b): (usize, &AABB<[f64; 2]>)| {
        GeomWithData::new(Rectangle::from_corners(b.lower(), b.upper()), i)
    };
    let tree = RTree::bulk_load(boxes.iter().enumerate().map(numbered).collect());
    let mut bounds: Vec<(f64, usize)> = (0..rings.len())
        .into_par_iter()
        .with_min_len(CHUNK)
        .map(|i| {
            let (lo, hi) = (boxes[i].lower(), boxes[i].upper());
            let gap = |lo2: [f64; 2], hi2: [f64; 2]| {
                let d = [0, 1].map(|k| (lo2[k] - hi[k]).max(lo[k] - hi2[k]).max(0.0));
                distance(d, [0.0; 2])
            };
            let around = AABB::from_corners(lo.map(|v| v - reach_um), hi.map(|v| v + reach_um));
            let bound = if is_convex(&rings[i]) {
                tree.locate_in_envelope_intersecting(&around)
                    .filter(|o| o.data != i)
                    .map(|o| gap(o.geom().lower(), o.geom().upper()))
                    .fold(f64::INFINITY, f64::min)
            } else {
                0.0
            };
            (bound, i)
        })
        .filter(|b| b.0 < reach_um)
        .collect();
    bounds.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let mut best: Option<(Web, usize)> = None;
    for chunk in bounds.chunks(CHUNK) {
        let reach = best.map_or(reach_um, |b| b.0.0);
        // Equals may come from rounding; they are not worth a search.
        if chunk[0].0 > reach - 1e-6 {
            break;
        }
        let found = chunk
            .par_iter()
            .filter_map(|&(_, i)| Some((web_of(&rings[i], drawn, reach)?, i)))
            .min_by(|a, b| a.0.0.total_cmp(&b.0.0).then(a.1.cmp(&b.1)));
        if let Some(web) = found
            && best.is_none_or(|b| web.0.0 < b.0.0)
        {
            best = Some(web);
        }
    }
    best.map(|(web, _)| closer(web, rings, drawn))
}

/// The web seen from its other end, and so on while it gets narrower: places were taken at distances.
fn closer(web: Web, rings: &[Vec<Segment>], drawn: &Grid) -> Web {
    let mut best = Some(web);
    for _ in 0..16 {
        let Some((width_um, _, q)) = best else { break };
        let Some((edge, _, _)) = drawn.nearest(q, 1.0) else {
            break;
        };
        let ring_um = rings[edge.owner as usize].iter().map(Segment::length).sum();
        let at_um = edge.at_um + distance(edge.a, q);
        web_from(&edge, q, at_um, ring_um, drawn, width_um, &mut best);
        if best.is_none_or(|b| b.0 > width_um - 1e-5) {
            break;
        }
    }
    best.unwrap_or(web)
}

/// Whether a ring turns one way only; rings that turn more than once around are none of a drawing.
fn is_convex(ring: &[Segment]) -> bool {
    (0..ring.len()).all(|i| {
        let (s, t) = (&ring[i], &ring[(i + 1) % ring.len()]);
        let (u, v) = (s.left(), t.left());
        u[0] * v[1] - u[1] * v[0] >= 0.0
    })
}

/// The narrowest web seen from a ring, if one is narrower than `reach`.
fn web_of(ring: &[Segment], drawn: &Grid, reach: f64) -> Option<Web> {
    let ring_um = ring.iter().map(Segment::length).sum();
    let mut best = None;
    for edge in ring {
        let length = edge.length();
        let pieces = (length / PIECE_UM).ceil() as usize;
        for k in 0..pieces {
            let t = (k as f64 + 0.5) / pieces as f64;
            let at_um = edge.at_um + t * length;
            web_from(edge, edge.at(t), at_um, ring_um, drawn, reach, &mut best);
        }
    }
    best
}

/// The narrowest foil between this place of a drawn edge and a drawn edge that faces it.
fn web_from(
    edge: &Segment,
    p: [f64; 2],
    at_um: f64,
    ring_um: f64,
    drawn: &Grid,
    reach: f64,
    best: &mut Option<Web>,
) {
    let inward = edge.left();
    let out = [-inward[0], -inward[1]];
    let reach = best.map_or(reach, |b| b.0);
    // Only the half plane in front of the edge.
    let lo = [
        p[0] + (out[0] * reach).min(0.0) - reach * 0.87,
        p[1] + (out[1] * reach).min(0.0) - reach * 0.87,
    ];
    let hi = [
        p[0] + (out[0] * reach).max(0.0) + reach * 0.87,
        p[1] + (out[1] * reach).max(0.0) + reach * 0.87,
    ];
    drawn.near(lo, hi, |s| {
        let n = s.left();
        if n[0] * inward[0] + n[1] * inward[1] > -0.5 {
            return;
        }
        let (q, d) = s.nearest(p);
        if d <= 0.0 || best.is_some_and(|b| d >= b.0) || d > reach {
            return;
        }
        if (q[0] - p[0]) * out[0] + (q[1] - p[1]) * out[1] < 0.5 * d {
            return;
        }
        if s.owner == edge.owner {
            // The two sides of a point are no web.
            let apart = (s.at_um + distance(s.a, q) - at_um).abs();
            if apart.min(ring_um - apart) < 3.0 * d {
                return;
            }
        }
        *best = Some((d, p, q));
    });
}
