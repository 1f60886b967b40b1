//! Least travel with the beam off: every contour once, inner before outer, starts chosen freely.
//!
//! The first jump, from wherever the beam rests, is free. The settling time is the same for every
//! jump and every contour takes one jump, so the least length of jumps is also the least time.

use super::exact;
use super::families::{Families, Unit};
use super::tour::layers::{Way, shortest_chain};
use super::tour::{self, Site, Tuning, length};
use crate::kerf::Contour;
use crate::regions::Point;

/// One contour in the order of cutting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Stop {
    /// Index of the contour.
    pub contour: u32,
    /// Vertex at which it starts; for an open one the first or the last.
    pub start: u32,
    /// Whether an open contour is cut from its last vertex to its first.
    pub reversed: bool,
}

/// What a jump with the beam off costs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JumpCost {
    pub speed_mm_s: f64,
    pub settle_ms: f64,
}

impl JumpCost {
    /// Time of `jumps` jumps of `length_mm` together, seconds.
    pub fn seconds(&self, length_mm: f64, jumps: u64) -> f64 {
        length_mm / self.speed_mm_s + jumps as f64 * self.settle_ms * 1e-3
    }
}

/// How long to search. Counted in tries, so that the result does not depend on the machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Effort {
    /// A local optimum.
    Quick,
    #[default]
    Normal,
    /// Ten times as many tries.
    Thorough,
}

impl Effort {
    fn kicks(self, sites: usize) -> u64 {
        let n = sites as u64;
        // Beyond a quarter of a million sites the descent alone takes the time there is.
        let normal = if n > 250_000 {
            0
        } else {
            (20 * n).clamp(3000, 10_000)
        };
        match self {
            Effort::Quick => 0,
            Effort::Normal => normal,
            Effort::Thorough => 10 * normal,
        }
    }
}

/// Points of a loop among which the search chooses; the final choice is among all.
const SEARCHED_POINTS: usize = 32;
/// Work of the final choice, pairs of ways, before long outlines are thinned.
const MOST_PAIRS: u64 = 4_000_000_000;
const SEED: u64 = 0x0F01_1000;

/// The contours as drawn, but each moved after those it encloses. Starts are the first allowed vertices.
pub fn as_drawn(contours: &[Contour]) -> Vec<Stop> {
    let families = Families::new(contours);
    let mut out = Vec::with_capacity(contours.len());
    for root in families.roots() {
        families.visit_inner_first(root, |c| {
            out.push(Stop {
                contour: c,
                start: allowed(&contours[c as usize]).next().unwrap_or(0),
                reversed: false,
            });
        });
    }
    out
}

/// Length of all jumps between the stops, millimetres.
pub fn jump_length_mm(contours: &[Contour], stops: &[Stop]) -> f64 {
    let way = |s: &Stop| {
        let c = &contours[s.contour as usize];
        let last = if s.reversed {
            0
        } else {
            c.points.len().max(1) - 1
        };
        let start = mm(c, s.start);
        (start, if c.closed { start } else { mm(c, last as u32) })
    };
    stops
        .windows(2)
        .map(|w| length(way(&w[0]).1, way(&w[1]).0))
        .sum()
}

/// The order with the least travel found; exact for a handful of contours.
///
/// Parents out of range and circles of parents are ignored. `cost` does not change the order (see the
/// module's text) but keeps callers honest about what is minimised.
pub fn shortest(contours: &[Contour], cost: &JumpCost, effort: Effort) -> Vec<Stop> {
    let _ = cost;
    let families = Families::new(contours);
    if contours.len() <= 12 {
        let (ways, ends, stops) = options(contours, 0..contours.len() as u32, usize::MAX);
        if let Some(chain) = exact::best_chain(&ways, &ends, families.parents()) {
            return chain
                .into_iter()
                .map(|(c, k)| {
                    let first = if c == 0 { 0 } else { ends[c as usize - 1] };
                    stops[first + k as usize]
                })
                .collect();
        }
    }
    let (units, large) = families.units(contours);
    let sites: Vec<Site> = units.iter().map(|u| site(contours, u)).collect();
    let calls = tour::solve(
        &sites,
        Tuning {
            closed: false,
            kicks: effort.kicks(sites.len()),
            seed: SEED,
            rounded: false,
        },
    );
    // A tour is as short from its other end; parents to be put in may tell.
    let mut best: Option<(f64, Vec<u32>)> = None;
    for backwards in [false, true] {
        if backwards && large.is_empty() {
            break;
        }
        let mut calls = calls.clone();
        if backwards {
            calls.reverse();
            for c in &mut calls {
                if matches!(sites[c.site as usize], Site::Line(..)) {
                    c.choice ^= 1;
                }
            }
        }
        let placed: Vec<(u32, Way)> = calls
            .iter()
            .map(|c| (c.site, way_of(&sites[c.site as usize], c.choice)))
            .collect();
        let (extra, order) = families.insert_large(contours, &units, &placed, &large);
        if best.as_ref().is_none_or(|(b, _)| extra < *b) {
            best = Some((extra, order));
        }
    }
    let order = best.map(|(_, order)| order).unwrap_or_default();
    choose_starts(contours, &order)
}

/// The best starts and directions along a given order.
pub fn choose_starts(contours: &[Contour], order: &[u32]) -> Vec<Stop> {
    let count = |most: usize| -> u64 {
        let sizes: Vec<u64> = order
            .iter()
            .map(|c| ways_of(&contours[*c as usize]).min(most) as u64)
            .collect();
        sizes.windows(2).map(|w| w[0].saturating_mul(w[1])).sum()
    };
    let mut most = usize::MAX;
    while most > 16 && count(most) > MOST_PAIRS {
        most = if most == usize::MAX { 1024 } else { most / 2 };
    }
    let (ways, ends, stops) = options(contours, order.iter().copied(), most);
    shortest_chain(&ways, &ends)
        .into_iter()
        .enumerate()
        .map(|(i, k)| {
            let first = if i == 0 { 0 } else { ends[i - 1] };
            stops[first + k as usize]
        })
        .collect()
}

/// A vertex in millimetres; the origin where a contour has none.
pub(super) fn mm(contour: &Contour, vertex: u32) -> [f64; 2] {
    contour
        .points
        .get(vertex as usize)
        .map_or([0.0; 2], |p: &Point| {
            [f64::from(p.x) * 1e-6, f64::from(p.y) * 1e-6]
        })
}

/// The vertices at which a contour may start.
fn allowed(contour: &Contour) -> impl Iterator<Item = u32> + '_ {
    let n = contour.points.len() as u32;
    let any = !contour.closed || !contour.starts.iter().any(|s| *s < n);
    let every = if any { 0..n.max(1) } else { 0..0 };
    let some: &[u32] = if any { &[] } else { &contour.starts };
    every.chain(some.iter().copied().filter(move |s| *s < n))
}

fn ways_of(contour: &Contour) -> usize {
    if contour.closed {
        allowed(contour).count()
    } else {
        2
    }
}

/// At most `most` of the allowed starts of a closed contour, evenly spread.
pub(super) fn some_starts(contour: &Contour, most: usize) -> Vec<u32> {
    let all: Vec<u32> = allowed(contour).collect();
    if all.len() <= most {
        return all;
    }
    (0..most).map(|i| all[i * all.len() / most]).collect()
}

/// Every way to visit each contour: flat, the end of each contour's, and the stops they stand for.
fn options(
    contours: &[Contour],
    order: impl Iterator<Item = u32>,
    most: usize,
) -> (Vec<Way>, Vec<usize>, Vec<Stop>) {
    let (mut ways, mut ends, mut stops) = (Vec::new(), Vec::new(), Vec::new());
    for c in order {
        let contour = &contours[c as usize];
        let mut add = |start: u32, reversed: bool, leave: u32| {
            ways.push(Way {
                enter: mm(contour, start),
                leave: mm(contour, leave),
            });
            stops.push(Stop {
                contour: c,
                start,
                reversed,
            });
        };
        if contour.closed {
            for v in some_starts(contour, most) {
                add(v, false, v);
            }
        } else {
            let last = contour.points.len().max(1) as u32 - 1;
            add(0, false, last);
            if last > 0 {
                add(last, true, 0);
            }
        }
        ends.push(ways.len());
    }
    (ways, ends, stops)
}

fn site(contours: &[Contour], unit: &Unit) -> Site {
    let contour = &contours[unit.root as usize];
    if contour.closed || unit.members.len() > 1 || contour.points.len() < 2 {
        let starts = some_starts(contour, SEARCHED_POINTS);
        Site::Loop(starts.iter().map(|v| mm(contour, *v)).collect())
    } else {
        Site::Line(mm(contour, 0), mm(contour, contour.points.len() as u32 - 1))
    }
}

fn way_of(site: &Site, choice: u32) -> Way {
    match site {
        Site::Loop(points) => {
            let p = points[choice as usize];
            Way { enter: p, leave: p }
        }
        Site::Line(a, b) if choice == 0 => Way {
            enter: *a,
            leave: *b,
        },
        Site::Line(a, b) => Way {
            enter: *b,
            leave: *a,
        },
    }
}
