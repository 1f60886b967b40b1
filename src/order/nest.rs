//! Inner before outer while bites of many paths are cut in turn.

use crate::kerf::CutPath;

/// Inner before outer: how far each path and its inner ones have come.
#[derive(Debug, Default)]
pub struct Nest {
    parent: Vec<Option<u32>>,
    children: Vec<Vec<u32>>,
    /// Height above the innermost.
    height: Vec<u32>,
    /// Bites of each path (first, end).
    bites: Vec<(u32, u32)>,
    /// Last pass done of each bite.
    done: Vec<u32>,
    /// Last pass done of every bite of a path.
    level: Vec<u32>,
    /// Last pass that every inner path has done, and how many inner paths stand exactly there.
    inner_level: Vec<u32>,
    inner_waiting: Vec<u32>,
}

impl Nest {
    /// `path_of` names the path of each bite; the bites of a path stand together.
    pub fn new(paths: &[CutPath], path_of: &[u32]) -> Nest {
        let n = paths.len();
        let mut nest = Nest {
            parent: paths
                .iter()
                .map(|p| p.parent.filter(|q| (*q as usize) < n))
                .collect(),
            children: vec![Vec::new(); n],
            height: vec![0; n],
            bites: vec![(0, 0); n],
            done: vec![0; path_of.len()],
            level: vec![0; n],
            inner_level: vec![0; n],
            inner_waiting: vec![0; n],
        };
        for (b, path) in path_of.iter().enumerate() {
            let range = &mut nest.bites[*path as usize];
            if range.1 == 0 {
                range.0 = b as u32;
            }
            range.1 = b as u32 + 1;
        }
        let mut waiting = vec![0u32; n];
        for p in nest.parent.iter().flatten() {
            waiting[*p as usize] += 1;
        }
        let mut free: Vec<usize> = (0..n).filter(|p| waiting[*p] == 0).collect();
        let mut settled = vec![false; n];
        while let Some(p) = free.pop() {
            settled[p] = true;
            if let Some(q) = nest.parent[p] {
                let q = q as usize;
                nest.height[q] = nest.height[q].max(nest.height[p] + 1);
                waiting[q] -= 1;
                if waiting[q] == 0 {
                    free.push(q);
                }
            }
        }
        for (p, settled) in settled.iter().enumerate() {
            // Paths that enclose each other in a circle would wait for ever: such parents are void.
            if !settled {
                nest.parent[p] = None;
            }
            if let Some(q) = nest.parent[p]
                && nest.bites[p].1 > nest.bites[p].0
            {
                nest.children[q as usize].push(p as u32);
            }
        }
        for p in 0..n {
            nest.inner_waiting[p] = nest.children[p].len() as u32;
        }
        nest
    }
    /// Whether a bite of `path` may be cut in `pass` now.
    pub fn ready(&self, path: u32, b: usize, pass: u32) -> bool {
        let p = path as usize;
        self.done[b] + 1 == pass && (self.children[p].is_empty() || self.inner_level[p] >= pass)
    }
    /// Height of a path above the innermost inside it.
    pub fn height(&self, path: u32) -> u32 {
        self.height[path as usize]
    }
    pub fn done(&mut self, path: u32, b: usize, pass: u32) {
        self.done[b] = pass;
        let p = path as usize;
        let (first, end) = self.bites[p];
        let level = self.done[first as usize..end as usize]
            .iter()
            .copied()
            .min()
            .unwrap_or(pass);
        if level == self.level[p] {
            return;
        }
        let old = std::mem::replace(&mut self.level[p], level);
        let Some(q) = self.parent[p].map(|q| q as usize) else {
            return;
        };
        if old == self.inner_level[q] {
            self.inner_waiting[q] -= 1;
            if self.inner_waiting[q] == 0 {
                let lowest = self.children[q]
                    .iter()
                    .map(|c| self.level[*c as usize])
                    .min();
                self.inner_level[q] = lowest.unwrap_or(level);
                let at = self.inner_level[q];
                let standing = self.children[q]
                    .iter()
                    .filter(|c| self.level[**c as usize] == at);
                self.inner_waiting[q] = standing.count() as u32;
            }
        }
    }
}
