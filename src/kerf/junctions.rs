//! Junctions of single lines: where leads cross, meet or bend, each is carried on straight, as it was drawn.
//!
//! Near a junction the axis of a shape says little: its discs touch the corners of several leads at once. Away from it
//! each lead is a strip between parallel walls, and the strip tells how it goes on. So the ends of lines are cut back
//! into their strips and carried on from there: to the strip that comes the other way, to where two of them meet in a
//! corner, to the line they run into, or to the outline of a slug.

use crate::polyline::distance;
use crate::regions::EdgeIndex;
use crate::regions::medial::Node;
use rstar::primitives::{GeomWithData, Line};
use rstar::{AABB, RTree};

/// What a line ends at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum End {
    /// Where the drawing ends, narrower than the beam.
    Free,
    /// Where the axis ends, or the part gets wider.
    Open,
    /// Where other lines begin.
    Junction,
    /// Carried on to what it meets.
    Joined,
}

/// A centre line with the half width along it, nanometres.
#[derive(Debug, Clone)]
pub(super) struct Strand {
    pub nodes: Vec<Node>,
    pub ends: [End; 2],
    /// The last node is the first again.
    pub closed: bool,
    /// Least half width away from its ends, where it is known.
    pub narrowest: Option<f64>,
}

/// Bends sharper than this part a line into strips (cosine, 20 degrees).
const BEND: f64 = 0.94;
/// Lines whose directions differ by less go through a junction (cosine, 12 degrees).
const THROUGH: f64 = 0.978;
/// Strips that go through lie beside each other by no more than this part of their half width.
const ASIDE: f64 = 0.3;
/// A strip of this part of its width must fit on the way on.
const FITS: f64 = 0.9;
/// The half width of a strip varies by less than this part of it.
const EVEN: f64 = 0.15;
/// An end is cut back by so many half widths, to where its walls are parallel.
const BACK: f64 = 1.5;
/// The drawing ends less than this many half widths behind a free end.
const BEYOND: f64 = 0.35;
/// A corner may lie so many half widths behind where the strip fits: its tip may be cut off.
const CORNER: f64 = 0.6;
/// Strips are carried on by so many half widths at most: enough for a crossing at 12 degrees.
const FAR: f64 = 24.0;
/// Sharper corners than this are not joined (cosine between the ways into it, 15 degrees).
const SHARPEST: f64 = 0.966;

impl Strand {
    /// Whether it bends sharply anywhere.
    pub fn bends(&self) -> bool {
        !bends(&self.nodes).is_empty()
    }
}

/// An end of an arm.
#[derive(Debug, Clone, Copy)]
struct Tip {
    /// Where the strip is sure, the direction it goes on in, and the length of line cut back.
    base: [f64; 2],
    way: [f64; 2],
    cut_back: f64,
    half: f64,
    /// How far a strip fits from `base`, and where it reaches a slug.
    reach: f64,
    slug: Option<f64>,
}

/// A part of a strand between sharp bends.
struct Arm {
    nodes: Vec<Node>,
    /// What it ended at, where that was the end of its strand.
    ends: [Option<End>; 2],
    tips: [Option<Tip>; 2],
    joins: [Option<Join>; 2],
    /// What of its strand lies beyond its ends and is no strip, outwards.
    rest: [Vec<Node>; 2],
    narrowest: Option<f64>,
}

#[derive(Debug, Clone)]
enum Join {
    /// To the end of another arm, by way of these points, counted from this one.
    To(usize, usize, Vec<[f64; 2]>),
    /// The same, along the line as it was: nothing is cut back.
    Along(usize, usize, Vec<Node>),
    /// Up to a place.
    Up([f64; 2]),
}

/// Carries the strands on through their junctions. `walls` are the edges of the shape, `slugs` those of the paths that
/// the beam takes round its wider parts; `radius` is half the kerf.
pub(super) fn join(
    strands: Vec<Strand>,
    walls: &EdgeIndex,
    slugs: &EdgeIndex,
    radius: f64,
) -> Vec<Strand> {
    let mut arms: Vec<Arm> = Vec::new();
    let mut links: Vec<(usize, usize, Vec<Node>)> = Vec::new();
    let mut whole = Vec::new();
    let mut bits = Vec::new();
    for strand in &strands {
        let before = arms.len();
        part(strand, walls, slugs, &mut arms, &mut links);
        if arms.len() == before {
            whole.push(strand.clone());
        }
    }
    through(&mut arms, walls);
    corners(&mut arms);
    run_into(&mut arms, &whole);
    // What bends as before keeps the way it had.
    for (a, b, between) in links {
        if arms[a].joins[1].is_none() && arms[b].joins[0].is_none() {
            let back = between.iter().rev().copied().collect();
            arms[a].joins[1] = Some(Join::Along(b, 0, between));
            arms[b].joins[0] = Some(Join::Along(a, 1, back));
        } else if between.len() > 1 {
            bits.push(Strand {
                nodes: between,
                ends: [End::Joined; 2],
                closed: false,
                narrowest: None,
            });
        }
    }
    for arm in &mut arms {
        for e in 0..2 {
            let rest = std::mem::take(&mut arm.rest[e]);
            match (&arm.joins[e], e) {
                _ if rest.len() < 2 => {}
                (None, 0) => drop(arm.nodes.splice(0..0, rest.into_iter().rev())),
                (None, _) => arm.nodes.extend(rest),
                (Some(_), _) => bits.push(Strand {
                    nodes: rest,
                    ends: [End::Joined; 2],
                    closed: false,
                    narrowest: None,
                }),
            }
        }
    }
    let (lines, added) = assemble(&arms);
    // What the lines cover now that they go on is not cut again.
    let mut doubtful = bits;
    doubtful.extend(whole);
    let (unjoined, out): (Vec<_>, Vec<_>) = lines.into_iter().partition(|l| l.1);
    doubtful.extend(unjoined.into_iter().map(|l| l.0));
    let mut out: Vec<Strand> = out.into_iter().map(|l| l.0).collect();
    let ways = tree(
        out.iter()
            .flat_map(|s| s.nodes.windows(2))
            .map(|w| [w[0].at, w[1].at]),
    );
    let added = tree(added.into_iter());
    let near = |tree: &Ways, p: [f64; 2], reach: f64| {
        let mut found = tree.locate_within_distance(p, reach * reach);
        found.next().is_some()
    };
    doubtful.retain(|s| {
        let all = |reach: f64| s.nodes.iter().all(|n| near(&ways, n.at, reach));
        let beside = s.nodes.iter().any(|n| near(&added, n.at, radius));
        !(all(radius) && (beside || all(radius / 4.0)))
    });
    out.append(&mut doubtful);
    out
}

type Ways = RTree<Line<[f64; 2]>>;

fn tree(segments: impl Iterator<Item = [[f64; 2]; 2]>) -> Ways {
    RTree::bulk_load(segments.map(|[a, b]| Line::new(a, b)).collect())
}

/// Parts a strand at its sharp bends; arms that follow each other are linked by what lies between.
fn part(
    strand: &Strand,
    walls: &EdgeIndex,
    slugs: &EdgeIndex,
    arms: &mut Vec<Arm>,
    links: &mut Vec<(usize, usize, Vec<Node>)>,
) {
    let mut nodes = strand.nodes.clone();
    let mut bends = bends(&nodes);
    let ring = strand.closed && strand.ends == [End::Open; 2];
    if ring {
        let Some(&first) = bends.first() else { return };
        nodes.pop();
        nodes.rotate_left(first);
        nodes.push(nodes[0]);
        bends = self::bends(&nodes);
    }
    let mut cuts = vec![0];
    cuts.extend(bends);
    cuts.push(nodes.len() - 1);
    let first = arms.len();
    let mut between: Vec<Node> = Vec::new();
    let mut leading: Vec<Node> = Vec::new();
    for w in cuts.windows(2) {
        let piece = &nodes[w[0]..=w[1]];
        let tips = [tip(piece.iter().rev()), tip(piece.iter())];
        let long = tips.iter().any(Option::is_some);
        if !long {
            if arms.len() == first {
                leading.extend_from_slice(piece);
            } else {
                between.extend_from_slice(piece);
            }
            continue;
        }
        let [mut a, mut b] = tips;
        for tip in [&mut a, &mut b].into_iter().flatten() {
            look_ahead(tip, walls, slugs);
        }
        let end = |at: usize, e: usize| (!ring && w[e] == at).then_some(strand.ends[e]);
        let ends = [end(0, 0), end(nodes.len() - 1, 1)];
        let eligible = |e: usize, t: Option<Tip>| {
            t.filter(|t| match ends[e] {
                Some(End::Free | End::Open) => {
                    t.slug.is_some() || t.reach - t.cut_back > BEYOND * t.half
                }
                _ => true,
            })
        };
        let arm = Arm {
            narrowest: narrowest(piece, [a, b]),
            nodes: piece.to_vec(),
            ends,
            tips: [eligible(0, a), eligible(1, b)],
            joins: [None, None],
            rest: [Vec::new(), Vec::new()],
        };
        if arms.len() > first {
            links.push((arms.len() - 1, arms.len(), std::mem::take(&mut between)));
        }
        arms.push(arm);
    }
    if arms.len() == first {
        return;
    }
    let last = arms.len() - 1;
    if ring {
        between.append(&mut leading);
        links.push((last, first, between));
    } else {
        leading.reverse();
        for (at, e, rest) in [(first, 0, leading), (last, 1, between)] {
            if !rest.is_empty() {
                arms[at].rest[e] = rest;
                arms[at].ends[e] = Some(strand.ends[e]);
            }
        }
    }
}

/// The nodes at which a line bends sharply, first and last left out.
fn bends(nodes: &[Node]) -> Vec<usize> {
    let points: Vec<[f64; 2]> = nodes.iter().map(|n| n.at).collect();
    let kept = crate::polyline::thinned(&points, super::lines::THIN_NM);
    let mut out = Vec::new();
    let mut at = 0;
    for w in kept.windows(3) {
        while at < points.len() && points[at] != w[1] {
            at += 1;
        }
        if let (Some(u), Some(v)) = (towards(w[0], w[1]), towards(w[1], w[2]))
            && dot(u, v) < BEND
            && at > 0
            && at + 1 < points.len()
        {
            out.push(at);
        }
    }
    out.dedup();
    out
}

/// The end of a piece whose nodes are given from its other end on; `None` where there is no even strip.
fn tip<'a>(nodes: impl Iterator<Item = &'a Node>) -> Option<Tip> {
    let mut back: Vec<Node> = nodes.copied().collect();
    back.reverse();
    let points: Vec<[f64; 2]> = back.iter().map(|n| n.at).collect();
    let length = crate::polyline::length(&points);
    let mut radii: Vec<f64> = back.iter().map(|n| n.radius).collect();
    radii.sort_by(f64::total_cmp);
    // Strips are no wider than all their discs.
    let guess = radii[radii.len() / 2];
    if length < 2.0 * guess || guess <= 0.0 {
        return None;
    }
    let cut_back = (BACK * guess).min((length - 2.0 * guess) / 2.0).max(0.0);
    let window = (cut_back + 4.0 * guess).min(length);
    let mut gone = 0.0;
    let mut seen = Vec::new();
    for (i, n) in back.iter().enumerate() {
        if i > 0 {
            gone += distance(back[i - 1].at, n.at);
        }
        if gone >= cut_back - 1.0 && gone <= window + 1.0 {
            seen.push(n.radius);
        }
        if gone > window {
            seen.push(n.radius);
            break;
        }
    }
    seen.sort_by(f64::total_cmp);
    let half = *seen.get(seen.len() / 2)?;
    let within = |part: usize| seen[(seen.len() - 1) * part / 10];
    if within(8) - within(2) > EVEN * half {
        return None;
    }
    let on = |l: f64| {
        crate::polyline::part_of(&points, 0.0, l.min(length))
            .last()
            .copied()
    };
    let base = if cut_back > 0.0 {
        on(cut_back)?
    } else {
        points[0]
    };
    let behind = on(cut_back + 2.0 * half)?;
    let mut way = towards(behind, base)?;
    // A bent strip goes on in the direction it has at its end.
    if length > cut_back + 4.0 * half
        && let Some(earlier) = on(cut_back + 4.0 * half)
        && let Some(before) = towards(earlier, behind)
    {
        let turn = (before[0] * way[1] - before[1] * way[0]) / 2.0;
        if turn.abs() < 0.15 {
            let turned = [way[0] - turn * way[1], way[1] + turn * way[0]];
            let l = turned[0].hypot(turned[1]);
            way = turned.map(|v| v / l);
        }
    }
    Some(Tip {
        base,
        way,
        cut_back,
        half,
        reach: 0.0,
        slug: None,
    })
}

/// How far the strip fits straight on, and whether it meets a slug there.
fn look_ahead(tip: &mut Tip, walls: &EdgeIndex, slugs: &EdgeIndex) {
    let own = *tip;
    let fits = |t: f64| {
        let d = walls.nearest(on(&own, t)).map_or(0.0, |n| n.2);
        d >= FITS * own.half
    };
    let step = tip.half / 3.0;
    let mut reach = 0.0;
    while reach < FAR * tip.half {
        let next = reach + step;
        if tip.slug.is_none() && slugs.encloses(on(tip, next)) {
            tip.slug = Some(next);
        }
        if tip.slug.is_some() || !fits(next) {
            break;
        }
        reach = next;
    }
    let (mut lo, mut hi) = (reach, reach + step);
    while hi - lo > 2.0 {
        let mid = (lo + hi) / 2.0;
        let inside = match tip.slug {
            Some(_) => !slugs.encloses(on(tip, mid)),
            None => fits(mid),
        };
        *(if inside { &mut lo } else { &mut hi }) = mid;
    }
    tip.reach = lo;
    if tip.slug.is_some() {
        tip.slug = Some(hi);
    }
}

fn on(tip: &Tip, t: f64) -> [f64; 2] {
    [0, 1].map(|d| tip.base[d] + t * tip.way[d])
}

fn dot(u: [f64; 2], v: [f64; 2]) -> f64 {
    u[0] * v[0] + u[1] * v[1]
}

fn cross(u: [f64; 2], v: [f64; 2]) -> f64 {
    u[0] * v[1] - u[1] * v[0]
}

/// Unit direction from one place to another.
fn towards(a: [f64; 2], b: [f64; 2]) -> Option<[f64; 2]> {
    let l = distance(a, b);
    (l > 0.0).then(|| [(b[0] - a[0]) / l, (b[1] - a[1]) / l])
}

/// An end of an arm: which arm, which of its ends.
type At = (usize, usize);

/// All ends not joined yet, and their places.
type OpenTips = (
    Vec<(usize, usize, Tip)>,
    RTree<GeomWithData<[f64; 2], usize>>,
);

fn open_tips(arms: &[Arm]) -> OpenTips {
    let mut all = Vec::new();
    for (i, arm) in arms.iter().enumerate() {
        for e in 0..2 {
            if let (Some(tip), None) = (arm.tips[e], &arm.joins[e]) {
                all.push((i, e, tip));
            }
        }
    }
    let placed = all.iter().enumerate();
    let tree = RTree::bulk_load(
        placed
            .map(|(k, t)| GeomWithData::new(t.2.base, k))
            .collect(),
    );
    (all, tree)
}

/// Pairs of open ends no further apart than either may be carried on.
fn pairs(arms: &[Arm]) -> Vec<[(usize, usize, Tip); 2]> {
    let (all, tree) = open_tips(arms);
    let mut out = Vec::new();
    for (k, &a) in all.iter().enumerate() {
        let far = FAR * a.2.half;
        for other in tree.locate_within_distance(a.2.base, far * far) {
            if other.data > k {
                out.push([a, all[other.data]]);
            }
        }
    }
    out
}

/// A way to join two ends: its score, the ends, the places between.
type Joining = (f64, [At; 2], Vec<[f64; 2]>);

/// Joins pairs in the order of their scores, each end once.
fn settle(arms: &mut [Arm], mut found: Vec<Joining>) {
    found.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    for (_, [(i, e), (j, f)], way) in found {
        if arms[i].joins[e].is_some() || arms[j].joins[f].is_some() {
            continue;
        }
        let back = way.iter().rev().copied().collect();
        arms[i].joins[e] = Some(Join::To(j, f, way));
        arms[j].joins[f] = Some(Join::To(i, e, back));
    }
}

/// Joins the ends of strips that go on into each other.
fn through(arms: &mut [Arm], walls: &EdgeIndex) {
    let mut found = Vec::new();
    for [(i, e, a), (j, f, b)] in pairs(arms) {
        let facing = -dot(a.way, b.way);
        let gap = [0, 1].map(|d| b.base[d] - a.base[d]);
        let l = gap[0].hypot(gap[1]);
        let least = a.half.min(b.half);
        let aside = cross(a.way, gap).abs().max(cross(b.way, gap).abs());
        // A bent strip comes out aside of its tangent.
        let most = ASIDE * least + 0.05 * l;
        if facing < THROUGH || dot(a.way, gap) <= 0.0 || dot(b.way, gap) >= 0.0 || aside > most {
            continue;
        }
        // Cubic with the directions of both ends: straight where they are one line.
        let n = (l / (0.5 * least)).ceil().clamp(2.0, 200.0) as usize;
        let way: Vec<[f64; 2]> = (1..n)
            .map(|k| {
                let t = k as f64 / n as f64;
                let s = 1.0 - t;
                let (h0, h1) = (s * s * (1.0 + 2.0 * t), t * t * (1.0 + 2.0 * s));
                let (m0, m1) = (s * s * t * l, s * t * t * l);
                [0, 1].map(|d| h0 * a.base[d] + h1 * b.base[d] + m0 * a.way[d] + m1 * b.way[d])
            })
            .collect();
        let fits = |p: &[f64; 2]| {
            walls
                .nearest(*p)
                .is_some_and(|n| n.2 >= FITS * least - 50.0)
        };
        if !way.iter().all(fits) || a.slug.is_some_and(|t| t < l) || b.slug.is_some_and(|t| t < l) {
            continue;
        }
        let turn = libm::acos(facing.min(1.0));
        let score = 5.0 * turn + aside / least + l / (20.0 * least);
        found.push((score, [(i, e), (j, f)], way));
    }
    settle(arms, found);
}

/// Joins ends that meet in a corner.
fn corners(arms: &mut [Arm]) {
    let mut found = Vec::new();
    for [(i, e, a), (j, f, b)] in pairs(arms) {
        let sharp = dot(a.way, b.way);
        let turned = cross(a.way, b.way);
        if sharp > SHARPEST || turned.abs() < 0.05 {
            continue;
        }
        let gap = [0, 1].map(|d| b.base[d] - a.base[d]);
        let (t, u) = (cross(gap, b.way) / turned, cross(gap, a.way) / turned);
        let meets = |t: f64, tip: &Tip| {
            t > -0.5 * tip.half
                && t <= tip.reach + CORNER * tip.half
                && tip.slug.is_none_or(|s| t < s)
        };
        if i == j || !meets(t, &a) || !meets(u, &b) {
            continue;
        }
        let score = (t + u) / a.half.min(b.half) + libm::acos((-sharp).clamp(-1.0, 1.0));
        found.push((score, [(i, e), (j, f)], vec![on(&a, t)]));
    }
    settle(arms, found);
}

/// A piece of a line: whose it is, and how far along that its middle lies.
type Way = GeomWithData<Line<[f64; 2]>, (usize, f64)>;

/// Carries the ends left over on to the line they run into, or to a slug.
fn run_into(arms: &mut [Arm], whole: &[Strand]) {
    let mut ways: Vec<Way> = Vec::new();
    let mut put = |points: Vec<[f64; 2]>, owner: usize| {
        let mut at = 0.0;
        for w in points.windows(2) {
            let d = distance(w[0], w[1]);
            ways.push(GeomWithData::new(
                Line::new(w[0], w[1]),
                (owner, at + d / 2.0),
            ));
            at += d;
        }
    };
    for (i, arm) in arms.iter().enumerate() {
        put(arm.nodes.iter().map(|n| n.at).collect(), i);
        for e in 0..2 {
            let (Some(tip), Some(Join::To(j, f, way))) = (arm.tips[e], &arm.joins[e]) else {
                continue;
            };
            let Some(other) = arms[*j].tips[*f] else {
                continue;
            };
            let mut points = vec![tip.base];
            points.extend(way);
            points.push(other.base);
            put(points, usize::MAX);
        }
    }
    for strand in whole {
        put(strand.nodes.iter().map(|n| n.at).collect(), usize::MAX);
    }
    let ways = RTree::bulk_load(ways);
    for (i, arm) in arms.iter_mut().enumerate() {
        for e in 0..2 {
            let (Some(tip), None) = (arm.tips[e], &arm.joins[e]) else {
                continue;
            };
            let most = tip.slug.unwrap_or(tip.reach + CORNER * tip.half);
            let (from, to) = (on(&tip, -0.5 * tip.half), on(&tip, most));
            let corner = |f: fn(f64, f64) -> f64| [f(from[0], to[0]), f(from[1], to[1])];
            let area = AABB::from_corners(corner(f64::min), corner(f64::max));
            let length = length(&arm.nodes);
            let mut last: Option<f64> = None;
            for way in ways.locate_in_envelope_intersecting(&area) {
                let (owner, at) = way.data;
                let off_end = if e == 0 { at } else { length - at };
                if owner == i && off_end < 6.0 * tip.half {
                    continue;
                }
                let (a, b) = (way.geom().from, way.geom().to);
                let d = [b[0] - a[0], b[1] - a[1]];
                let turned = cross(tip.way, d);
                if turned.abs() < 0.05 * d[0].hypot(d[1]) {
                    continue;
                }
                let gap = [a[0] - tip.base[0], a[1] - tip.base[1]];
                let (t, k) = (cross(gap, d) / turned, cross(gap, tip.way) / turned);
                if (-1e-6..=1.000_001).contains(&k) && t > -0.5 * tip.half && t <= most {
                    last = Some(last.map_or(t, |l: f64| l.max(t)));
                }
            }
            let to = match (last, tip.slug) {
                (_, Some(t)) | (Some(t), None) => t,
                (None, None) => continue,
            };
            arm.joins[e] = Some(Join::Up(on(&tip, to)));
        }
    }
}

fn length(nodes: &[Node]) -> f64 {
    nodes.windows(2).map(|w| distance(w[0].at, w[1].at)).sum()
}

/// An arm without what is cut back at its joined ends.
fn body(arm: &Arm) -> Vec<Node> {
    let mut nodes = arm.nodes.clone();
    for e in [1, 0] {
        let carried = matches!(arm.joins[e], Some(Join::To(..) | Join::Up(_)));
        if e == 0 {
            nodes.reverse();
        }
        if let (true, Some(tip)) = (carried, arm.tips[e]) {
            let mut left = tip.cut_back;
            while nodes.len() > 1 {
                let (a, b) = (nodes[nodes.len() - 2], nodes[nodes.len() - 1]);
                let d = distance(a.at, b.at);
                if d > left {
                    break;
                }
                left -= d;
                nodes.pop();
            }
            let n = nodes.len();
            let radius = tip.half;
            let base = Node {
                at: tip.base,
                radius,
            };
            if n > 1 && left > 0.0 {
                nodes[n - 1] = base;
            } else if nodes[n - 1].at != tip.base {
                nodes.push(base);
            }
        }
        if e == 0 {
            nodes.reverse();
        }
    }
    nodes
}

/// Least half width of an arm away from its ends, which touch the walls of a junction.
fn narrowest(nodes: &[Node], tips: [Option<Tip>; 2]) -> Option<f64> {
    let halves = || tips.iter().flatten().map(|t| t.half);
    let widest = halves().fold(0.0, f64::max);
    let length = length(nodes);
    let mut at = 0.0;
    let mut least: Option<f64> = None;
    for (k, n) in nodes.iter().enumerate() {
        if k > 0 {
            at += distance(nodes[k - 1].at, n.at);
        }
        let off = BACK * n.radius.max(widest);
        if at >= off && length - at >= off {
            least = Some(least.map_or(n.radius, |l| l.min(n.radius)));
        }
    }
    least.or_else(|| halves().reduce(f64::min))
}

/// Lines with whether none of their ends was joined, and ways.
type Assembled = (Vec<(Strand, bool)>, Vec<[[f64; 2]; 2]>);

/// The lines that the joined arms make, and the ways that were added.
fn assemble(arms: &[Arm]) -> Assembled {
    let mut done = vec![false; arms.len()];
    let mut out = Vec::new();
    let mut added = Vec::new();
    let linked = |i: usize, e: usize| match &arms[i].joins[e] {
        Some(Join::To(j, f, _) | Join::Along(j, f, _)) => Some((*j, *f)),
        _ => None,
    };
    // From ends that lead nowhere, then the rings.
    let starts = (0..arms.len())
        .flat_map(|i| [(i, 0), (i, 1)])
        .filter(|&(i, e)| linked(i, e).is_none());
    let starts: Vec<(usize, usize)> = starts.chain((0..arms.len()).map(|i| (i, 0))).collect();
    for (start, from) in starts {
        if done[start] {
            continue;
        }
        let (mut i, mut e) = (start, from);
        let mut nodes: Vec<Node> = Vec::new();
        let mut least: Option<f64> = None;
        let mut changed = false;
        let mut closed = false;
        let push = |nodes: &mut Vec<Node>, n: Node| {
            if nodes.last().is_none_or(|l| l.at != n.at) {
                nodes.push(n);
            }
        };
        let end = |i: usize, e: usize| match &arms[i].joins[e] {
            Some(_) => End::Joined,
            None => arms[i].ends[e].unwrap_or(End::Joined),
        };
        let ends0 = end(start, from);
        if let (Some(Join::Up(p)), Some(tip)) = (&arms[start].joins[from], arms[start].tips[from]) {
            changed = true;
            added.push([*p, tip.base]);
            push(
                &mut nodes,
                Node {
                    at: *p,
                    radius: tip.half,
                },
            );
        }
        let last = loop {
            done[i] = true;
            let mut own = body(&arms[i]);
            if e == 1 {
                own.reverse();
            }
            for n in own {
                push(&mut nodes, n);
            }
            least = match (least, arms[i].narrowest) {
                (Some(a), Some(b)) => Some(f64::min(a, b)),
                (a, b) => a.or(b),
            };
            let far = 1 - e;
            let half = arms[i].tips[far].map_or(0.0, |t| t.half);
            match &arms[i].joins[far] {
                Some(Join::To(j, f, way)) => {
                    changed = true;
                    let mut from = nodes[nodes.len() - 1].at;
                    let base = arms[*j].tips[*f].map(|t| t.base);
                    for p in way.iter().copied().chain(base) {
                        added.push([from, p]);
                        from = p;
                        push(
                            &mut nodes,
                            Node {
                                at: p,
                                radius: half,
                            },
                        );
                    }
                    (i, e) = (*j, *f);
                }
                Some(Join::Along(j, f, between)) => {
                    for n in between {
                        push(&mut nodes, *n);
                    }
                    (i, e) = (*j, *f);
                }
                Some(Join::Up(p)) => {
                    changed = true;
                    added.push([nodes[nodes.len() - 1].at, *p]);
                    push(
                        &mut nodes,
                        Node {
                            at: *p,
                            radius: half,
                        },
                    );
                    break (i, far);
                }
                None => break (i, far),
            }
            if done[i] {
                closed = (i, e) == (start, from);
                break (i, e);
            }
        };
        if closed && nodes.len() > 2 {
            let first = nodes[0];
            push(&mut nodes, first);
        }
        let ends = if closed {
            [End::Open; 2]
        } else {
            [ends0, end(last.0, last.1)]
        };
        out.push((
            Strand {
                nodes,
                ends,
                closed,
                narrowest: least,
            },
            !changed,
        ));
    }
    (out, added)
}
