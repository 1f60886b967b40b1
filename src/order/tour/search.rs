//! Lin-Kernighan moves with a don't-look queue, and iterated local search by counted kicks.
//!
//! Sources: Lin & Kernighan 1973, Oper. Res. 21:498; Bentley 1992, ORSA J. Comput. 4:387 (neighbour
//! lists, don't-look bits); Martin, Otto & Felten 1991, Complex Syst. 5:299 (double bridge);
//! Applegate, Cook & Rohe 2003, INFORMS J. Comput. 15:82 (local kicks).

use super::array::Tour;
use super::near::Neighbours;
use super::{NONE, Sites};
use crate::random::Random;
use std::collections::VecDeque;

/// Exchanges of three edges made and pursued from each open edge.
const PURSUED: usize = 2;
/// Links of a chain beyond its third edge.
const LINKS: usize = 5;
/// Longest segment of a kick, nodes.
const KICK_SEGMENT: usize = 50;
/// Steps of the walks that find the ends of a kick.
const WALK: usize = 8;
/// Kicks a site from which walks find the ends of kicks: fewer win more along the tour, and so do those of sites whose
/// point moves.
const WALKED: f64 = 5.0;
/// Length by which an accepted tour may be longer at first, on average, in the mean of the edges that the kick opened,
/// at 20 kicks a site or more; in proportion at fewer. Along the tour, and at the ends of walks. Found by trial on the
/// instances of tests/travel.rs.
const WARMTH: [f64; 2] = [0.3, 1.5];

/// Whether kicks end where walks lead, for which more neighbours pay.
pub fn walks(sites: &Sites, kicks: u64) -> bool {
    !sites.moving && kicks as f64 >= WALKED * sites.at.len() as f64
}

/// How an exchange of three edges is made of reversals.
#[derive(Clone, Copy)]
enum Turn {
    /// Two reversals one after the other, both from t1 on.
    Twice,
    /// Two neighbouring segments change places.
    Swap,
    /// Two neighbouring segments are reversed, each in its place.
    Halves,
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
    /// Distances to the neighbours; empty where points move.
    apart: Vec<f64>,
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
        let mut apart = Vec::new();
        if !sites.moving {
            for a in 0..n as u32 {
                let far = near.of(a).iter().map(|b| sites.distance::<ROUNDED>(a, *b));
                apart.extend(far);
            }
        }
        Search {
            apart,
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
    /// Distance from `a` to `b`, the `k`-th of all neighbours.
    fn d_near(&self, k: usize, a: u32, b: u32) -> f64 {
        match self.apart.get(k) {
            Some(d) => *d,
            None => self.d(a, b),
        }
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

    fn push_all(&mut self, nodes: &[u32]) {
        for a in nodes {
            self.push(*a);
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
                let gain = self.exchange(self.d(a, b), a, b);
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

    /// Opens the edge t1-t2 (t2 next). All exchanges of two and three edges are weighed without touching
    /// the tour; only the most promising ones are made and pursued.
    fn exchange(&mut self, gain: f64, t1: u32, t2: u32) -> f64 {
        let mut best = [(0.0, ([NONE; 4], Turn::Twice)); PURSUED];
        let mut found = 0;
        for k in self.near.range(t2) {
            let t3 = self.near.id(k);
            let g1 = gain - self.d_near(k, t2, t3);
            if g1 <= self.least {
                if self.sites.moving {
                    continue;
                }
                break;
            }
            if t3 == t1 {
                continue;
            }
            for ring in [false, true] {
                let t4 = if ring {
                    self.tour.next(t3)
                } else {
                    self.tour.previous(t3)
                };
                if (!ring && t4 == t2) || self.fixed(t3, t4) {
                    continue;
                }
                let g2 = g1 + self.d(t3, t4);
                let closed = g2 - self.d(t4, t1);
                if !ring && closed > self.least && self.tour.flip(t2, t4) {
                    self.push_all(&[t2, t3, t4]);
                    return closed;
                }
                for k in self.near.range(t4) {
                    let t5 = self.near.id(k);
                    let g3 = g2 - self.d_near(k, t4, t5);
                    if g3 <= self.least {
                        if self.sites.moving {
                            continue;
                        }
                        break;
                    }
                    for (t6, turn) in self.openings([t1, t2, t3, t4], ring, t5) {
                        if t6 == NONE || self.fixed(t5, t6) {
                            continue;
                        }
                        let value = g3 + self.d(t5, t6);
                        let four = [t3, t4, t5, t6];
                        let closed = value - self.d(t6, t1);
                        if closed > self.least {
                            let mark = self.tour.mark();
                            if self.make(t2, four, turn) {
                                self.push_all(&four);
                                self.push(t2);
                                return closed;
                            }
                            self.tour.back_to(mark);
                        } else {
                            insert(&mut best, &mut found, (value, (four, turn)));
                        }
                    }
                }
            }
        }
        for &(value, (four, turn)) in &best[..found] {
            let mark = self.tour.mark();
            if self.make(t2, four, turn) {
                let won = self.pursue(value, t1, four[3]);
                if won > 0.0 {
                    self.push_all(&four);
                    self.push(t2);
                    return won;
                }
            }
            self.tour.back_to(mark);
        }
        0.0
    }

    /// The nodes t6 whose edge to t5 may open next. With `ring`, t2..t3 is closed to a ring that must be
    /// opened and put back between t1 and t4; moves of short segments are among these.
    fn openings(&self, [t1, t2, t3, t4]: [u32; 4], ring: bool, t5: u32) -> [(u32, Turn); 2] {
        let none = (NONE, Turn::Twice);
        if t5 == t3 || (!ring && t5 == t1) {
            return [none; 2];
        }
        let (next, previous) = (self.tour.next(t5), self.tour.previous(t5));
        if !ring {
            // t2..t4 would lie reversed.
            let t6 = if self.tour.between(t2, t5, t4) {
                next
            } else {
                previous
            };
            return [if t6 == t4 { none } else { (t6, Turn::Twice) }, none];
        }
        if !self.tour.between(t2, t5, t3) {
            return [none; 2];
        }
        let back = if t5 == t2 {
            none
        } else {
            (previous, Turn::Halves)
        };
        [(next, Turn::Swap), back]
    }

    fn make(&mut self, t2: u32, [t3, t4, t5, t6]: [u32; 4], turn: Turn) -> bool {
        match turn {
            Turn::Twice => self.tour.flip(t2, t4) && self.tour.flip(t4, t6),
            Turn::Swap => {
                self.tour.flip(t2, t3) && self.tour.flip(t3, t6) && self.tour.flip(t5, t2)
            }
            Turn::Halves => self.tour.flip(t2, t6) && self.tour.flip(t5, t3),
        }
    }

    /// Goes on with the best link each time until the chain closes at a gain; the caller takes back a failure.
    fn pursue(&mut self, mut gain: f64, t1: u32, mut t2: u32) -> f64 {
        let mut touched = [NONE; 2 * LINKS];
        for link in 0..LINKS {
            let mut best = (0.0, NONE, NONE);
            let mut most = (self.least, NONE, NONE);
            for k in self.near.range(t2) {
                let t3 = self.near.id(k);
                let g1 = gain - self.d_near(k, t2, t3);
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
                if closed > most.0 {
                    most = (closed, t3, t4);
                }
                if value > best.0 {
                    best = (value, t3, t4);
                }
            }
            let (value, t3, t4) = if most.1 == NONE { best } else { most };
            if t3 == NONE || (most.1 == NONE && link + 1 == LINKS) || !self.tour.flip(t2, t4) {
                return 0.0;
            }
            touched[2 * link] = t3;
            touched[2 * link + 1] = t4;
            if most.1 != NONE {
                self.push_all(&touched[..2 * link + 2]);
                return value;
            }
            (gain, t2) = (value, t4);
        }
        0.0
    }

    /// Local double bridges, each followed by a descent from its ends and kept unless the tour got longer.
    pub fn kicks(&mut self, count: u64, random: &mut Random) {
        let n = self.tour.len();
        if n < 8 {
            return;
        }
        self.tour.forget();
        self.moved.clear();
        let most = KICK_SEGMENT.min((n - 5) / 3);
        let per_site = count as f64 / n as f64;
        let walks = walks(self.sites, count);
        let warmth = WARMTH[usize::from(walks)] * (per_site / 20.0).min(1.0);
        for kick in 0..count {
            // Slightly longer tours are accepted, less and less, none in the last tenth (Stuetzle 1998, PhD thesis, Darmstadt: better
            // acceptance in iterated local search; from memory).
            let left = (1.0 - kick as f64 / (0.9 * count as f64)).max(0.0);
            let luck = left * -libm::log(random.unit());
            let start = random.below(n);
            let walked = if walks {
                self.walk(start, random)
            } else {
                None
            };
            let (start, lengths) =
                walked.unwrap_or_else(|| (start, [0; 3].map(|_| 1 + random.below(most))));
            let (cost, opened) = self.kick(start, lengths);
            let slack = warmth * luck * opened / 4.0;
            let gain = self.descend(false);
            if gain < cost - self.least - slack {
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

    /// Four places in the tour, a node's and where walks from neighbour to neighbour lead from it, of which the first
    /// and how far apart they follow; none if two are the same or adjoin, or the way is too long to reverse (Applegate,
    /// Cook & Rohe 2003: random-walk kicks).
    fn walk(&self, start: usize, random: &mut Random) -> Option<(usize, [usize; 3])> {
        let n = self.tour.len();
        let mut places = [start; 4];
        for place in &mut places[1..] {
            let mut at = self.tour.nodes()[start];
            for _ in 0..WALK {
                let near = self.near.of(at);
                at = *near.get(random.below(near.len().max(1)))?;
            }
            *place = self.tour.place(at);
        }
        places.sort_unstable();
        let gap = |i: usize| (places[(i + 1) % 4] + n - places[i]) % n;
        // What lies within the widest gap stays as it is.
        let widest = (0..4).max_by_key(|i| gap(*i))?;
        let lengths = [1, 2, 3].map(|i| gap((widest + i) % 4));
        let apart = gap(widest) > 4
            && lengths.iter().all(|l| *l > 1)
            && lengths.iter().sum::<usize>() <= self.tour.longest();
        apart.then(|| (places[(widest + 1) % 4], lengths))
    }

    /// Segments B C D after `start` become D C B: four edges change. Cuts that fall on a fixed edge move on
    /// by one node. What the kick costs, and the length that it opens.
    fn kick(&mut self, start: usize, lengths: [usize; 3]) -> (f64, f64) {
        let n = self.tour.len();
        let node = |i: usize| self.tour.nodes()[i % n];
        let free = |i: usize| i + usize::from(self.fixed(node(i), node(i + 1)));
        let mut cuts = [free(start); 4];
        for i in 0..3 {
            cuts[i + 1] = free(cuts[i] + lengths[i]);
        }
        let [b, c, d] = [0, 1, 2].map(|i| cuts[i + 1] - cuts[i]);
        let ends = cuts.map(|i| (node(i), node(i + 1)));
        let [(a1, b0), (b1, c0), (c1, d0), (d1, e0)] = ends;
        let removed: f64 = ends.iter().map(|(x, y)| self.d(*x, *y)).sum();
        let added = self.d(a1, d0) + self.d(d1, c0) + self.d(c1, b0) + self.d(b1, e0);
        let first = (cuts[0] + 1) % n;
        self.tour.reverse(first, b + c + d);
        self.tour.reverse(first, d);
        self.tour.reverse((first + d) % n, c);
        self.tour.reverse((first + d + c) % n, b);
        for x in [a1, b0, b1, c0, c1, d0, d1, e0] {
            self.push(x);
        }
        (added - removed, removed)
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
