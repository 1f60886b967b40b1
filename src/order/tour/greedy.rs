//! Greedy edges: the shortest edges that still form paths, then the paths joined the same way.

use super::NONE;
use super::near::{Neighbours, Tree};

struct Fragments {
    /// Up to two links of each node.
    links: Vec<[u32; 2]>,
    /// The other end of the fragment, valid at its ends.
    other: Vec<u32>,
}

impl Fragments {
    fn is_end(&self, i: u32) -> bool {
        self.links[i as usize][1] == NONE
    }
    fn join(&mut self, a: u32, b: u32) -> bool {
        if a == b || !self.is_end(a) || !self.is_end(b) || self.other[a as usize] == b {
            return false;
        }
        for (x, y) in [(a, b), (b, a)] {
            let l = &mut self.links[x as usize];
            l[usize::from(l[0] != NONE)] = y;
        }
        let (ea, eb) = (self.other[a as usize], self.other[b as usize]);
        self.other[ea as usize] = eb;
        self.other[eb as usize] = ea;
        true
    }
}

/// A path through all points. `mates` are pairs that must stay joined (`NONE` where free).
pub fn path(points: &[[f64; 2]], mates: &[u32], near: &Neighbours) -> Vec<u32> {
    let n = points.len() as u32;
    let mut f = Fragments {
        links: vec![[NONE; 2]; n as usize],
        other: (0..n).collect(),
    };
    let mut count = n;
    for a in 0..n {
        let b = mates[a as usize];
        if b != NONE && a < b && f.join(a, b) {
            count -= 1;
        }
    }
    let length2 = |a: u32, b: u32| {
        let (p, q) = (points[a as usize], points[b as usize]);
        (p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2)
    };
    let mut edges: Vec<(f64, u32, u32)> = Vec::new();
    for a in 0..n {
        for &b in near.of(a) {
            if a < b || !near.of(b).contains(&a) {
                edges.push((length2(a, b), a, b));
            }
        }
    }
    let mut found = Vec::new();
    loop {
        edges.sort_unstable_by(|x, y| x.0.total_cmp(&y.0).then((x.1, x.2).cmp(&(y.1, y.2))));
        let before = count;
        for (_, a, b) in edges.drain(..) {
            if f.join(a, b) {
                count -= 1;
            }
        }
        if count <= 1 {
            break;
        }
        let ends: Vec<u32> = (0..n).filter(|i| f.is_end(*i)).collect();
        let reach = if before == count { ends.len() } else { 6 };
        let tree = Tree::new(points, ends.clone());
        for a in ends {
            let mine = f.other[a as usize];
            tree.nearest(
                points[a as usize],
                reach,
                |id| id != a && id != mine,
                &mut found,
            );
            edges.extend(found.iter().map(|(d, b)| (*d, a, *b)));
        }
    }
    let start = (0..n).find(|i| f.is_end(*i)).unwrap_or(0);
    let mut out = Vec::with_capacity(n as usize);
    let (mut previous, mut at) = (NONE, start);
    while at != NONE && out.len() < n as usize {
        out.push(at);
        let l = f.links[at as usize];
        let next = if l[0] == previous { l[1] } else { l[0] };
        previous = at;
        at = next;
    }
    out
}
