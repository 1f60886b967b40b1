//! Bites: long cuts made in parts, so that no visit heats one place for long.

use crate::grid::{Grid, Segment};
use crate::kerf::{CutKind, CutPath};
use crate::polyline::distance;

/// A join may turn by this much, from the start of its overlap to the end. Curves count like corners: what
/// matters is how far the beam heats the inside of the bend twice.
const CORNER_DEG: f64 = 20.0;
/// Room asked for on either side of the overlap, in overlaps: the most, less, the least.
const ROOM: [f64; 3] = [1.0, 0.5, 0.25];
/// Steps tried on either side of the even one, and how far apart they are in even steps.
const STEPS: u32 = 20;
const STEP: f64 = 0.025;

/// Share of the reach at which cuts touch.
const TOUCHING: f64 = 1e-9;
/// Cells of the grid are this many mean distances between cuts, at most the reach and at least this part of it.
const SPACINGS: f64 = 16.0;
const FINEST: f64 = 1.0 / 32.0;
/// Cuts nearer to each other on average than this part of the reach leave no metal that a join could heat: then only
/// bends count.
const NO_METAL: f64 = 0.02;

/// The cuts round a join: where metal beside it is as narrow as a tie bar or narrower, a join would heat it twice.
pub(super) struct Beside {
    cuts: Grid,
    reach_um: f64,
    metal: Vec<Metal>,
    openings: Vec<Option<u32>>,
}

/// On which side of a path there is metal that stays.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Metal {
    /// Left (x to y, 1) or right (-1) of the way along: an outline with its slug on the other side.
    Side(f64),
    /// Both, as along a single line.
    Both,
    /// Beyond the rest of its own opening: strokes that clear a slug.
    BeyondOpening(Option<u32>),
}

impl Beside {
    /// The cuts of a sheet; what is further away than `reach_um` does not count.
    pub fn new(paths: &[CutPath], reach_um: f64) -> Beside {
        let mut segments = Vec::new();
        for (owner, path) in paths.iter().enumerate() {
            let mut at_um = 0.0;
            for (index, w) in path.points.windows(2).enumerate() {
                let [a, b] = [w[0], w[1]].map(|p| p.map(|v| v * 1e3));
                let length = distance(a, b);
                if !length.is_finite() {
                    continue;
                }
                segments.push(Segment {
                    a,
                    b,
                    owner: owner as u32,
                    index: index as u32,
                    at_um,
                });
                at_um += length;
            }
        }
        let spacing_um = mean_spacing_um(&segments, reach_um);
        if spacing_um < NO_METAL * reach_um {
            segments.clear();
        }
        Beside {
            cuts: Grid::over(
                segments,
                (SPACINGS * spacing_um).clamp(FINEST * reach_um, reach_um),
            ),
            reach_um,
            metal: paths.iter().map(|p| metal(p, paths)).collect(),
            openings: paths.iter().map(|p| p.opening).collect(),
        }
    }
    /// How far the nearest cut is across metal that stays, and not the same line a little further on, as a share of
    /// the reach, at most 1. What is not above `least` need not be exact.
    fn clear(&self, path: u32, at: &Place, length_mm: f64, least: f64) -> f64 {
        let p = at.point.map(|v| v * 1e3);
        let metal = self.metal[path as usize];
        let stays = |s: &Segment, q: [f64; 2]| match metal {
            Metal::Both => true,
            Metal::Side(side) => {
                let across = at.along[0] * (q[1] - p[1]) - at.along[1] * (q[0] - p[0]);
                side * across > 0.0
            }
            Metal::BeyondOpening(own) => own.is_none() || self.openings[s.owner as usize] != own,
        };
        let mut nearest = self.reach_um;
        let least_um = least.max(TOUCHING) * self.reach_um;
        self.cuts.near_while(p, self.reach_um, |s| {
            let (q, d) = s.nearest(p);
            let same_place = s.owner == path && {
                let apart = (s.at_um + distance(s.a, q) - at.along_mm * 1e3).abs();
                apart.min(length_mm * 1e3 - apart) < 3.0 * self.reach_um
            };
            if !same_place && stays(s, q) {
                nearest = nearest.min(d);
            }
            if nearest > least_um { nearest } else { 0.0 }
        });
        nearest / self.reach_um
    }
}

/// Area of the box about the segments and what is within reach of it, over their length.
fn mean_spacing_um(segments: &[Segment], reach_um: f64) -> f64 {
    let ends = || segments.iter().flat_map(|s| [s.a, s.b]);
    let extent = |d: usize| {
        let (lo, hi) = ends().fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), p| {
            (p[d].min(lo), p[d].max(hi))
        });
        (hi - lo).max(0.0) + 2.0 * reach_um
    };
    let length: f64 = segments.iter().map(Segment::length).sum();
    extent(0) * extent(1) / length.max(1e-9)
}

/// The metal beside a path.
fn metal(path: &CutPath, paths: &[CutPath]) -> Metal {
    match path.kind {
        CutKind::Clear => Metal::BeyondOpening(path.opening),
        CutKind::Opening if path.closed => {
            // The foil that stands inside an opening is on the inside of the outline round it.
            let hole = path.opening.is_some()
                && path
                    .parent
                    .and_then(|p| paths.get(p as usize))
                    .is_some_and(|p| p.opening == path.opening);
            let inside = area(path).signum();
            if inside == 0.0 || inside.is_nan() {
                Metal::Both
            } else {
                Metal::Side(if hole { inside } else { -inside })
            }
        }
        _ => Metal::Both,
    }
}

/// Twice the area that the outline of a closed path goes round, positive if that lies on its left (x to y).
fn area(path: &CutPath) -> f64 {
    let mut at_mm = 0.0;
    let first = path.points.windows(2).position(|w| {
        let here = at_mm;
        at_mm += distance(w[0], w[1]);
        here >= path.run_in_mm - 1e-6
    });
    let ring = &path.points[first.unwrap_or(0)..];
    // Up to where it closes; the overlap and the run-out follow.
    let end = ring.iter().skip(1).position(|p| *p == ring[0]);
    let ring = &ring[..end.map_or(ring.len(), |e| e + 1)];
    let around = ring.iter().zip(ring.iter().cycle().skip(1));
    around.map(|(a, b)| a[0] * b[1] - a[1] * b[0]).sum()
}

/// A place along a path, and the direction of the path there.
struct Place {
    along_mm: f64,
    point: [f64; 2],
    along: [f64; 2],
}

/// A path as joins see it.
struct Way<'a> {
    path: &'a CutPath,
    number: u32,
    /// Length at each point.
    at_mm: Vec<f64>,
    /// How far each segment is turned from the first, radians: full turns count.
    heading: Vec<f64>,
}

impl<'a> Way<'a> {
    fn new(path: &'a CutPath, number: u32) -> Way<'a> {
        let mut way = Way {
            path,
            number,
            at_mm: vec![0.0],
            heading: Vec::new(),
        };
        let (mut at_mm, mut heading) = (0.0, 0.0);
        let mut before = [0.0; 2];
        for w in path.points.windows(2) {
            let along = [w[1][0] - w[0][0], w[1][1] - w[0][1]];
            if along != [0.0; 2] {
                let cross = before[0] * along[1] - before[1] * along[0];
                let dot = before[0] * along[0] + before[1] * along[1];
                heading += libm::atan2(cross, dot);
                before = along;
            }
            at_mm += distance(w[0], w[1]);
            way.at_mm.push(at_mm);
            way.heading.push(heading);
        }
        way
    }
    fn length_mm(&self) -> f64 {
        self.at_mm.last().copied().unwrap_or(0.0)
    }
    fn place(&self, along_mm: f64) -> Place {
        let points = &self.path.points;
        let i = self.at_mm.partition_point(|l| *l <= along_mm);
        let i = i.clamp(1, points.len() - 1);
        let (from, to) = (self.at_mm[i - 1], self.at_mm[i]);
        let t = ((along_mm - from) / (to - from).max(1e-12)).clamp(0.0, 1.0);
        let (a, b) = (points[i - 1], points[i]);
        let along = [b[0] - a[0], b[1] - a[1]];
        Place {
            along_mm,
            point: [0, 1].map(|d| a[d] + t * along[d]),
            along,
        }
    }
    /// The angle, radians, between the directions that the path has between two places along it.
    fn turn(&self, from_mm: f64, to_mm: f64) -> f64 {
        let first = self.at_mm[1..].partition_point(|l| *l <= from_mm);
        let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
        for (heading, at) in self.heading.iter().zip(&self.at_mm).skip(first) {
            if *at >= to_mm && hi >= lo {
                break;
            }
            (lo, hi) = (lo.min(*heading), hi.max(*heading));
        }
        (hi - lo).max(0.0)
    }
}

/// Splits path `number` into parts of at most `bite_mm`, each overlapping the next by `overlap_mm`:
/// (from, to) along the path. No overlap holds a corner where a bite can end elsewhere; of the places without, those
/// are taken that keep away from tie bars and narrow webs, as far as a shift of half a bite allows.
pub(super) fn bites(
    path: &CutPath,
    number: u32,
    beside: &Beside,
    bite_mm: f64,
    overlap_mm: f64,
) -> Vec<[f64; 2]> {
    let length = path.length_mm();
    // Bites shorter than twice the overlap would be mostly overlap.
    let reach = (bite_mm - overlap_mm).max(bite_mm / 2.0);
    if length <= bite_mm || !length.is_finite() {
        return vec![[0.0, length]];
    }
    let joiner = Joiner {
        way: Way::new(path, number),
        beside,
        overlap_mm,
    };
    let mut out = Vec::new();
    let mut from = 0.0;
    while length - from > bite_mm {
        let left = length - from;
        let even = left / (left / reach).ceil();
        let join = from + joiner.best_step(from, even, reach);
        out.push([from, (join + overlap_mm).min(length)]);
        from = join;
    }
    out.push([from, length]);
    out
}

/// Finds places for joins along a path.
struct Joiner<'a> {
    way: Way<'a>,
    beside: &'a Beside,
    overlap_mm: f64,
}

impl Joiner<'_> {
    /// The step from `from` nearest to `even` whose overlap is clear of corners and narrow metal, else the
    /// clearest. Corners count first: shorter steps are tried where they help.
    fn best_step(&self, from: f64, even: f64, most: f64) -> f64 {
        let mut best = (f64::NEG_INFINITY, even);
        let mut best_with = |step: f64| {
            let clear = self.clear(from + step, best.0);
            if clear > best.0 {
                best = (clear, step);
            }
            best
        };
        let mut found = best_with(even);
        for k in 1..=STEPS {
            for step in [1.0, -1.0].map(|side| even * (1.0 + side * STEP * f64::from(k))) {
                if found.0 < 1.0 && step <= most {
                    found = best_with(step);
                }
            }
        }
        // Nothing but bends so far: closer by, and everywhere a bite may end.
        let fine = self.overlap_mm / 4.0;
        let least = (2.0 * self.overlap_mm).min(even / 2.0);
        let mut away = fine;
        while found.0 <= 0.0 && fine > 0.0 && away < even {
            for step in [even + away, even - away] {
                if (least..=most).contains(&step) {
                    found = best_with(step);
                }
            }
            away += fine;
        }
        found.1
    }

    /// How good a place for a join is that starts here: at most 0 if it holds a corner (the less the sharper),
    /// else up to 1 by its distance from corners, the path's ends, and other cuts across metal that stays. What is
    /// not above `least` need not be exact.
    fn clear(&self, join_mm: f64, least: f64) -> f64 {
        let overlap = self.overlap_mm;
        let straight = |room: f64| {
            let (from, to) = (join_mm - room, join_mm + overlap + room);
            from >= 0.0
                && to <= self.way.length_mm()
                && self.way.turn(from, to) <= CORNER_DEG.to_radians()
        };
        let Some(room) = ROOM.into_iter().find(|r| straight(r * overlap)) else {
            let room = ROOM[ROOM.len() - 1] * overlap;
            return -self.way.turn(join_mm - room, join_mm + overlap + room);
        };
        let mut clear = room;
        for along in [join_mm, join_mm + overlap] {
            if clear > least {
                let at = self.way.place(along);
                let metal = self
                    .beside
                    .clear(self.way.number, &at, self.way.length_mm(), least);
                // Above nothing, since a corner would be worse.
                clear = clear.min(metal.max(TOUCHING));
            }
        }
        clear
    }
}
