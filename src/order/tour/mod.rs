//! Short tours through many sites: points, loops whose point may move, and paths with two ends.
//!
//! Hilbert renumbering, neighbours from a k-d tree, greedy edges, Lin-Kernighan descent, counted kicks.
//! Same input, kicks and seed give the same tour.

mod array;
mod greedy;
pub mod layers;
mod near;
mod search;

use crate::hilbert;
use crate::random::Random;
use near::Neighbours;
use search::Search;

pub(crate) const NONE: u32 = u32::MAX;

/// Nearest neighbours looked at.
const NEAREST: usize = 8;

/// Longest reversal, nodes.
const LONGEST_REVERSAL: usize = 25_000;

/// Distance of two points, in their unit.
pub fn length(a: [f64; 2], b: [f64; 2]) -> f64 {
    ((a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2)).sqrt()
}

/// One thing to visit.
#[derive(Debug, Clone, PartialEq)]
pub enum Site {
    /// Entered and left at one of these points; not empty.
    Loop(Vec<[f64; 2]>),
    /// Entered at one end and left at the other.
    Line([f64; 2], [f64; 2]),
}

/// A site in the order of the tour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Call {
    pub site: u32,
    /// Loop: index of the point. Line: 0 when entered at its first point, 1 at its second.
    pub choice: u32,
}

/// Nodes in Hilbert order. A line is two nodes held together; a tour with free ends has one more
/// node, at distance nought from all others.
pub(crate) struct Sites {
    at: Vec<[f64; 2]>,
    mate: Vec<u32>,
    /// Index in `choices` of the present point.
    choice: Vec<u32>,
    first: Vec<u32>,
    choices: Vec<[f64; 2]>,
    depot: u32,
    /// Whether any point may move, so that neighbour lists are not sorted exactly.
    moving: bool,
}

impl Sites {
    fn distance<const ROUNDED: bool>(&self, a: u32, b: u32) -> f64 {
        if a == self.depot || b == self.depot {
            return 0.0;
        }
        let d = length(self.at[a as usize], self.at[b as usize]);
        // TSPLIB 95, section 2.1: EUC_2D distances are rounded to the nearest integer.
        if ROUNDED { (d + 0.5) as i64 as f64 } else { d }
    }
    fn place(&self, a: u32) -> Option<[f64; 2]> {
        (a != self.depot).then(|| self.at[a as usize])
    }
    fn choices_of(&self, a: u32) -> std::ops::Range<usize> {
        self.first[a as usize] as usize..self.first[a as usize + 1] as usize
    }
    fn choose(&mut self, a: u32, k: u32) {
        self.choice[a as usize] = k;
        self.at[a as usize] = self.choices[k as usize];
    }
}

/// How long and how to search.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Tuning {
    /// Whether the tour returns to its start.
    pub closed: bool,
    pub kicks: u64,
    pub seed: u64,
    /// Distances rounded to integers, as TSPLIB's EUC_2D: for published optima only.
    pub rounded: bool,
}

/// The indices of `points` in the order of a short tour.
pub fn solve_points(points: &[[f64; 2]], closed: bool, kicks: u64) -> Vec<u32> {
    let how = Tuning {
        closed,
        kicks,
        seed: 1,
        rounded: false,
    };
    solve_points_as(points, how)
}

/// As [`solve_points`], with seed and rounding.
pub fn solve_points_as(points: &[[f64; 2]], how: Tuning) -> Vec<u32> {
    let sites: Vec<Site> = points.iter().map(|p| Site::Loop(vec![*p])).collect();
    solve(&sites, how).into_iter().map(|c| c.site).collect()
}

/// A short tour through all sites. With free ends unless `closed`.
pub fn solve(sites: &[Site], how: Tuning) -> Vec<Call> {
    if how.rounded {
        run::<true>(sites, how)
    } else {
        run::<false>(sites, how)
    }
}

fn run<const ROUNDED: bool>(sites: &[Site], how: Tuning) -> Vec<Call> {
    // Nodes as given: site, which of its points, where.
    let mut given: Vec<(u32, u32, [f64; 2])> = Vec::with_capacity(sites.len());
    for (i, site) in sites.iter().enumerate() {
        match site {
            Site::Loop(points) => given.push((i as u32, 0, middle(points))),
            Site::Line(a, b) => {
                given.push((i as u32, 0, *a));
                given.push((i as u32, 1, *b));
            }
        }
    }
    let centres: Vec<[f64; 2]> = given.iter().map(|g| g.2).collect();
    let order = hilbert::order(&centres);
    let nodes: Vec<(u32, u32, [f64; 2])> = order.iter().map(|i| given[*i as usize]).collect();
    drop((given, centres, order));
    let n = nodes.len();
    let mut own = Sites {
        at: nodes.iter().map(|g| g.2).collect(),
        mate: vec![NONE; n],
        choice: vec![0; n],
        first: Vec::with_capacity(n + 2),
        choices: Vec::new(),
        depot: NONE,
        moving: false,
    };
    let mut half = vec![NONE; sites.len()];
    for (k, (site, _, at)) in nodes.iter().enumerate() {
        own.first.push(own.choices.len() as u32);
        match &sites[*site as usize] {
            Site::Loop(points) => {
                own.choice[k] = own.choices.len() as u32;
                own.choices.extend(points);
                own.moving |= points.len() > 1;
            }
            Site::Line(..) => {
                let other = half[*site as usize];
                if other == NONE {
                    half[*site as usize] = k as u32;
                } else {
                    own.mate[k] = other;
                    own.mate[other as usize] = k as u32;
                }
                own.choice[k] = own.choices.len() as u32;
                own.choices.push(*at);
            }
        }
    }
    own.first.push(own.choices.len() as u32);
    let mut path: Vec<u32> = (0..n as u32).collect();
    if n > 3 {
        let near = Neighbours::new(&own.at, NEAREST, search::walks(&own, how.kicks));
        path = greedy::path(&own.at, &own.mate, &near);
        if own.moving {
            // The first visit puts each loop's point on its outline.
            for k in 0..n as u32 {
                let nearest = own.choices_of(k).min_by(|a, b| {
                    length(own.choices[*a], own.at[k as usize])
                        .total_cmp(&length(own.choices[*b], own.at[k as usize]))
                });
                if let Some(c) = nearest {
                    own.choose(k, c as u32);
                }
            }
        }
        path = search::<ROUNDED>(&mut own, near, path, how);
    }
    calls(&own, &nodes, &path)
}

fn search<const ROUNDED: bool>(
    own: &mut Sites,
    near: Neighbours,
    mut path: Vec<u32>,
    how: Tuning,
) -> Vec<u32> {
    let n = own.at.len();
    let mut near = near;
    if !how.closed {
        own.depot = n as u32;
        own.at.push([0.0; 2]);
        own.mate.push(NONE);
        own.choice.push(0);
        own.first.push(own.choices.len() as u32);
        path.push(n as u32);
        near.push_lonely();
    }
    let size = own.at[..n]
        .iter()
        .fold(0.0, |m: f64, p| m.max(p[0].abs()).max(p[1].abs()));
    let least = size * 1e-12 * 16.0 + f64::MIN_POSITIVE;
    // Long reversals win little on big tours and cost most of the time.
    let longest = n.min(LONGEST_REVERSAL);
    if own.moving {
        let mut first = Search::<ROUNDED>::new(own, &near, path, longest, least);
        first.descend(true);
        path = first.tour.nodes().to_vec();
        near = Neighbours::new(&own.at[..n], NEAREST, false);
        if !how.closed {
            near.push_lonely();
        }
    }
    let mut search = Search::<ROUNDED>::new(own, &near, path, longest, least);
    search.descend(true);
    search.kicks(how.kicks, &mut Random(how.seed));
    search.tour.nodes().to_vec()
}

/// Tour of nodes to calls at sites, cut open at the free ends.
fn calls(own: &Sites, nodes: &[(u32, u32, [f64; 2])], path: &[u32]) -> Vec<Call> {
    let n = path.len();
    let start = path.iter().position(|a| *a == own.depot).map_or_else(
        || {
            // Closed: start between two sites, not inside a line.
            (0..n)
                .find(|i| own.mate[path[*i] as usize] != path[(i + n - 1) % n] || n <= 2)
                .unwrap_or(0)
        },
        |i| i + 1,
    );
    let mut out = Vec::with_capacity(n);
    let mut seen_half = NONE;
    for i in 0..n {
        let a = path[(start + i) % n];
        if a == own.depot {
            continue;
        }
        let (site, part, _) = nodes[a as usize];
        if own.mate[a as usize] == NONE {
            out.push(Call {
                site,
                choice: own.choice[a as usize] - own.first[a as usize],
            });
        } else if seen_half == site {
            seen_half = NONE;
        } else {
            seen_half = site;
            out.push(Call { site, choice: part });
        }
    }
    out
}

/// The middle of a loop's box.
fn middle(points: &[[f64; 2]]) -> [f64; 2] {
    let (mut low, mut high) = (points[0], points[0]);
    for p in points {
        for k in 0..2 {
            low[k] = low[k].min(p[k]);
            high[k] = high[k].max(p[k]);
        }
    }
    [(low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0]
}
