//! Lin-Kernighan moves with a don't-look queue, and iterated local search by counted kicks.
//!
//! Sources: Lin & Kernighan 1973, Oper. Res. 21:498; Bentley 1992, ORSA J. Comput. 4:387 (neighbour
//! lists, don't-look bits); Martin, Otto & Felten 1991, Complex Syst. 5:299 (double bridge);
//! Applegate, Cook & Rohe 2003, INFORMS J. Comput. 15:82 (local kicks).

use super::array::Tour;
use super::near::Neighbours;
use super::{NONE, Sites};
use std::collections::VecDeque;

/// Alternatives tried at each depth of a chain of exchanges.
const BREADTH: [usize; 8] = [5, 3, 2, 1, 1, 1, 1, 1];
/// Longest segment of a kick, nodes.
const KICK_SEGMENT: usize = 50;

/// A small generator (Steele, Lea & Flood 2014, splitmix64): same seed, same tour.
pub struct Random(pub u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.next()) * n as u128) >> 64) as usize
    }
}

/// The search: sites, a tour over them, and what is still to be looked at.
pub struct Search<'a, const ROUNDED: bool> {
    pub sites: &'a mut Sites,
    pub near: &'a Neighbours,
    pub tour: Tour,
    /// Smallest gain that counts, against rounding loops.
    least: f64,
    queue: VecDeque<u32>,
    queued: Vec<bool>,
    /// Points moved since the last accepted tour: node and its former choice.
    moved: Vec<(u32, u32)>,
}

impl<'a, const ROUNDED: bool> Search<'a, ROUNDED> {
    pub fn new(
        sites: &'a mut Sites,
        near: &'a Neighbours,
        path: Vec<u32>,
        longest: usize,
        least: f64,
    ) -> Self {
        let n = path.len();
        Search {
            sites,
            near,
            tour: Tour::new(path, longest),
            least,
            queue: VecDeque::with_capacity(n),
            queued: vec![false; n],
            moved: Vec::new(),
        }
    }

    fn d(&self, a: u32, b: u32) -> f64 {
        self.sites.distance::<ROUNDED>(a, b)
    }
    fn fixed(&self, a: u32, b: u32) -> bool {
        self.sites.mate[a as usize] == b
    }
    fn push(&mut self, a: u32) {
        if !self.queued[a as usize] {
            self.queued[a as usize] = true;
            self.queue.push_back(a);
        }
    }

    /// Improves until no node offers a gain; the whole gain.
    pub fn descend(&mut self, all: bool) -> f64 {
        if all {
            for a in 0..self.tour.len() as u32 {
                self.push(a);
            }
        }
        let mut sum = 0.0;
        while let Some(a) = self.queue.pop_front() {
            self.queued[a as usize] = false;
            loop {
                let gain = self.improve(a);
                if gain <= 0.0 {
                    break;
                }
                sum += gain;
                if all {
                    self.tour.forget();
                    self.moved.clear();
                }
            }
        }
        sum
    }

    fn improve(&mut self, a: u32) -> f64 {
        let gain = self.aim(a);
        if gain > 0.0 {
            return gain;
        }
        for _ in 0..2 {
            self.tour.turn();
            let b = self.tour.next(a);
            if !self.fixed(a, b) {
                let gain = self.exchange(0, self.d(a, b), a, b);
                if gain > 0.0 {
                    self.push(a);
                    self.push(b);
                    return gain;
                }
            }
        }
        0.0
    }

    /// Moves a node's point to where its neighbours are nearest.
    fn aim(&mut self, a: u32) -> f64 {
        let range = self.sites.choices_of(a);
        if range.len() < 2 {
            return 0.0;
        }
        let (p, n) = (self.tour.previous(a), self.tour.next(a));
        let (from, to) = (self.sites.place(p), self.sites.place(n));
        let way = |at: [f64; 2]| {
            let leg = |q: Option<[f64; 2]>| q.map_or(0.0, |q| super::length(q, at));
            leg(from) + leg(to)
        };
        let old = self.sites.choice[a as usize];
        let now = way(self.sites.at[a as usize]);
        let (mut best, mut chosen) = (now - self.least, old);
        for k in range {
            let w = way(self.sites.choices[k]);
            if w < best {
                (best, chosen) = (w, k as u32);
            }
        }
        if chosen == old {
            return 0.0;
        }
        self.moved.push((a, old));
        self.sites.choose(a, chosen);
        for x in [p, a, n] {
            self.push(x);
        }
        now - best
    }

    /// One link of the chain: the edge t1-t2 (t2 next) is open, `gain` is what has been won so far.
    fn exchange(&mut self, depth: usize, gain: f64, t1: u32, t2: u32) -> f64 {
        let breadth = BREADTH[depth];
        let mut best = [(0.0, [NONE; 2]); BREADTH[0]];
        let mut found = 0;
        for k in self.near.range(t2) {
            let t3 = self.near.id(k);
            let g1 = gain - self.d(t2, t3);
            if g1 <= self.least {
                if self.sites.moving {
                    continue;
                }
                break;
            }
            let t4 = self.tour.previous(t3);
            if t3 == t1 || t4 == t2 || self.fixed(t3, t4) {
                continue;
            }
            let value = g1 + self.d(t3, t4);
            let closed = value - self.d(t4, t1);
            if closed > self.least {
                if self.tour.flip(t2, t4) {
                    for x in [t2, t3, t4] {
                        self.push(x);
                    }
                    return closed;
                }
                continue;
            }
            insert(&mut best[..breadth], &mut found, (value, [t3, t4]));
        }
        if depth + 1 < BREADTH.len() {
            for &(value, [t3, t4]) in &best[..found] {
                let mark = self.tour.mark();
                if !self.tour.flip(t2, t4) {
                    continue;
                }
                let won = self.exchange(depth + 1, value, t1, t4);
                if won > 0.0 {
                    for x in [t2, t3, t4] {
                        self.push(x);
                    }
                    return won;
                }
                self.tour.back_to(mark);
            }
        }
        if depth == 0 {
            return self.transplant(gain, t1, t2);
        }
        0.0
    }

    /// The exchange of three edges that flips alone do not reach: t2..t3 is closed to a ring, opened
    /// elsewhere and put back between t1 and t4. Moves of short segments are among these.
    fn transplant(&mut self, gain: f64, t1: u32, t2: u32) -> f64 {
        let mut best = [(0.0, [NONE; 4]); 3];
        let mut found = 0;
        for k in self.near.range(t2) {
            let t3 = self.near.id(k);
            let g1 = gain - self.d(t2, t3);
            if g1 <= self.least {
                if self.sites.moving {
                    continue;
                }
                break;
            }
            let t4 = self.tour.next(t3);
            if t3 == t1 || self.fixed(t3, t4) {
                continue;
            }
            let g2 = g1 + self.d(t3, t4);
            for k in self.near.range(t4) {
                let t5 = self.near.id(k);
                let g3 = g2 - self.d(t4, t5);
                if g3 <= self.least {
                    if self.sites.moving {
                        continue;
                    }
                    break;
                }
                if t5 == t3 || !self.tour.between(t2, t5, t3) {
                    // Opening at t3 itself would put the old edge back.
                    continue;
                }
                for forward in [true, false] {
                    let t6 = if forward {
                        self.tour.next(t5)
                    } else if t5 == t2 {
                        continue;
                    } else {
                        self.tour.previous(t5)
                    };
                    if self.fixed(t5, t6) {
                        continue;
                    }
                    let value = g3 + self.d(t5, t6);
                    let four = [t3, t4, t5, t6];
                    let closed = value - self.d(t6, t1);
                    if closed > self.least {
                        let mark = self.tour.mark();
                        if self.replant(t2, four, forward) {
                            for x in four {
                                self.push(x);
                            }
                            return closed;
                        }
                        self.tour.back_to(mark);
                        continue;
                    }
                    insert(&mut best, &mut found, (value, four));
                }
            }
        }
        for &(value, four) in &best[..found] {
            let mark = self.tour.mark();
            let [t3, _, t5, t6] = four;
            let forward = self.tour.next(t5) == t6;
            debug_assert!(self.tour.between(t2, t5, t3));
            if self.replant(t2, four, forward) {
                let won = self.exchange(2, value, t1, t6);
                if won > 0.0 {
                    for x in four {
                        self.push(x);
                    }
                    return won;
                }
            }
            self.tour.back_to(mark);
        }
        0.0
    }

    fn replant(&mut self, t2: u32, [t3, _, t5, t6]: [u32; 4], forward: bool) -> bool {
        if forward {
            self.tour.flip(t2, t3) && self.tour.flip(t3, t6) && self.tour.flip(t5, t2)
        } else {
            self.tour.flip(t2, t6) && self.tour.flip(t5, t3)
        }
    }

    /// Local double bridges, each followed by a descent from its ends and kept unless the tour got longer.
    pub fn kicks(&mut self, count: u64, random: &mut Random) {
        let n = self.tour.len();
        if n < 8 {
            return;
        }
        let most = KICK_SEGMENT.min((n - 2) / 3);
        self.tour.forget();
        self.moved.clear();
        for _ in 0..count {
            let start = random.below(n);
            let lengths = [0; 3].map(|_| 1 + random.below(most));
            let Some(cost) = self.kick(start, lengths) else {
                continue;
            };
            let gain = self.descend(false);
            if gain < cost - self.least {
                self.tour.undo_all();
                while let Some((a, old)) = self.moved.pop() {
                    self.sites.choose(a, old);
                }
            } else {
                self.tour.forget();
                self.moved.clear();
            }
        }
    }

    /// Segments B C D after `start` become D C B: four edges change. Its cost, or `None` where an edge is fixed.
    fn kick(&mut self, start: usize, lengths: [usize; 3]) -> Option<f64> {
        let n = self.tour.len();
        let node = |i: usize| self.tour.nodes()[(start + i) % n];
        let [b, c, d] = lengths;
        let cuts = [0, b, b + c, b + c + d];
        let ends = cuts.map(|i| (node(i), node(i + 1)));
        if ends.iter().any(|(x, y)| self.fixed(*x, *y)) {
            return None;
        }
        let [(a1, b0), (b1, c0), (c1, d0), (d1, e0)] = ends;
        let removed: f64 = ends.iter().map(|(x, y)| self.d(*x, *y)).sum();
        let added = self.d(a1, d0) + self.d(d1, c0) + self.d(c1, b0) + self.d(b1, e0);
        let first = (start + 1) % n;
        self.tour.reverse(first, b + c + d);
        self.tour.reverse(first, d);
        self.tour.reverse((first + d) % n, c);
        self.tour.reverse((first + d + c) % n, b);
        for x in [a1, b0, b1, c0, c1, d0, d1, e0] {
            self.push(x);
        }
        Some(added - removed)
    }
}

/// Keeps the best few, largest first.
fn insert<T: Copy>(best: &mut [(f64, T)], found: &mut usize, item: (f64, T)) {
    let mut i = (*found).min(best.len());
    while i > 0 && best[i - 1].0 < item.0 {
        i -= 1;
    }
    if i < best.len() {
        let end = (*found + 1).min(best.len());
        best[i..end].rotate_right(1);
        best[i] = item;
        *found = end;
    }
}
