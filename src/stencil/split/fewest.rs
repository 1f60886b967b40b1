//! The fewest seams that leave no island in any stencil.
//!
//! Openings are a graph: junctions are its vertices, the bands between them its arms. A share of the openings
//! leaves no island exactly when it has no cycle, so each stencil has to get a forest. An arm whose ends go to
//! different stencils takes one seam; an arm that closes a cycle within one stencil takes two, and what lies
//! between them goes to another stencil.

use crate::sets::Sets;

/// A band between two junctions.
#[derive(Debug, Clone, Copy)]
pub(super) struct Arm {
    pub ends: [usize; 2],
    /// Cost of one seam on it and of two, between 0 and 1; `None` where there is no room.
    pub one: Option<f64>,
    pub two: Option<f64>,
    /// Parted by hand: its ends go to different stencils.
    pub parted: bool,
}

#[derive(Debug, Clone)]
pub(super) struct Answer {
    /// Seams on each arm, those placed by hand not counted.
    pub seams: Vec<u8>,
    /// No division has fewer seams.
    pub proved: bool,
    /// Arms that would need a seam and have no room for it.
    pub stuck: usize,
}

/// What an arm without room costs, in seams: more than any number of them.
const STUCK: f64 = 1e6;
/// Divisions times arms that are tried one by one; beyond, cooling search looks for a good one.
const ALL: f64 = 4e6;
const MOVES: usize = 200_000;

/// Shares the junctions between as few stencils as can do (two, where any choice of two can), with the fewest seams.
pub(super) fn fewest(junctions: usize, arms: &[Arm]) -> Answer {
    let mut search = Search::new(junctions, arms);
    let mut best: Option<(f64, Vec<u8>, bool)> = None;
    for stencils in 2..=4u8 {
        let proved = f64::from(stencils).powi(junctions as i32 - 1) * arms.len() as f64 <= ALL;
        let (cost, colours) = if proved {
            search.all(stencils)
        } else {
            search.cooling(stencils)
        };
        if best.as_ref().is_none_or(|b| cost < b.0) {
            best = Some((cost, colours, proved));
        }
        if best.as_ref().is_some_and(|b| b.0 < STUCK) {
            break;
        }
    }
    let (cost, colours, proved) = best.expect("two stencils are always tried");
    Answer {
        seams: search.seams(&colours),
        proved,
        stuck: (cost / STUCK) as usize,
    }
}

struct Search<'a> {
    arms: &'a [Arm],
    junctions: usize,
    /// Arms in the order in which they join a tree: those that cannot be parted first, then the dearest.
    order: Vec<usize>,
    trees: Sets,
}

impl<'a> Search<'a> {
    fn new(junctions: usize, arms: &'a [Arm]) -> Search<'a> {
        let mut order: Vec<usize> = (0..arms.len()).collect();
        let dear = |i: usize| arms[i].two.unwrap_or(f64::INFINITY);
        order.sort_by(|&a, &b| dear(b).total_cmp(&dear(a)).then(a.cmp(&b)));
        Search {
            arms,
            junctions,
            order,
            trees: Sets::new(junctions),
        }
    }

    /// Tells `take` the number of seams of each arm and gives the cost of a division.
    fn walk(&mut self, colours: &[u8], mut take: impl FnMut(usize, u8)) -> f64 {
        self.trees.reset();
        let mut cost = 0.0;
        for k in 0..self.order.len() {
            let i = self.order[k];
            let arm = self.arms[i];
            let [a, b] = arm.ends;
            let (price, seams) = if colours[a] != colours[b] {
                if arm.parted {
                    continue;
                }
                (arm.one, 1)
            } else if arm.parted {
                (None, 0)
            } else {
                if self.trees.join(a, b) {
                    continue;
                }
                (arm.two, 2)
            };
            match price {
                Some(p) => {
                    // Below any difference of a whole seam, however many there are.
                    cost += f64::from(seams) + p / (4.0 * self.arms.len() as f64);
                    take(i, seams);
                }
                None => cost += STUCK,
            }
        }
        cost
    }

    fn cost(&mut self, colours: &[u8]) -> f64 {
        self.walk(colours, |_, _| {})
    }

    fn seams(&mut self, colours: &[u8]) -> Vec<u8> {
        let mut out = vec![0; self.arms.len()];
        self.walk(colours, |arm, n| out[arm] = n);
        out
    }

    /// Every division; the first junction stays in the first stencil.
    fn all(&mut self, stencils: u8) -> (f64, Vec<u8>) {
        let mut colours = vec![0u8; self.junctions];
        let mut best = (self.cost(&colours), colours.clone());
        loop {
            let mut i = 1;
            while i < colours.len() && colours[i] + 1 == stencils {
                colours[i] = 0;
                i += 1;
            }
            if i >= colours.len() {
                return best;
            }
            colours[i] += 1;
            let cost = self.cost(&colours);
            if cost < best.0 {
                best = (cost, colours.clone());
            }
        }
    }

    /// Simulated annealing with a fixed seed, ended by a descent.
    fn cooling(&mut self, stencils: u8) -> (f64, Vec<u8>) {
        let moves = (20_000_000 / self.arms.len().max(1)).min(MOVES);
        let mut colours = vec![0u8; self.junctions];
        let mut now = self.cost(&colours);
        let mut best = (now, colours.clone());
        let mut state = 0x9e37_79b9_7f4a_7c15u64;
        let mut random = move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            state
        };
        for step in 0..moves {
            let heat = 1.5 * (1.0 - step as f64 / moves as f64).powi(2) + 0.02;
            let i = (random() % colours.len() as u64) as usize;
            let before = colours[i];
            let by = 1 + (random() % u64::from(stencils - 1)) as u8;
            colours[i] = (before + by) % stencils;
            let cost = self.cost(&colours);
            let chance = (random() >> 11) as f64 / (1u64 << 53) as f64;
            if cost <= now || chance < libm::exp((now - cost) / heat) {
                now = cost;
                if cost < best.0 {
                    best = (cost, colours.clone());
                }
            } else {
                colours[i] = before;
            }
        }
        let (mut cost, mut colours) = best;
        let mut left = moves;
        loop {
            let mut better = false;
            for i in 0..colours.len() {
                for by in 1..stencils {
                    if left == 0 {
                        return (cost, colours);
                    }
                    left -= 1;
                    let before = colours[i];
                    colours[i] = (before + by) % stencils;
                    let new = self.cost(&colours);
                    if new < cost {
                        cost = new;
                        better = true;
                    } else {
                        colours[i] = before;
                    }
                }
            }
            if !better {
                return (cost, colours);
            }
        }
    }
}
