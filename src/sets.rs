//! Disjoint sets of numbered things (Galler & Fischer, CACM 7:301, 1964).

/// Each thing's way to the root of its set.
#[derive(Debug, Clone)]
pub struct Sets(Vec<u32>);

impl Sets {
    /// `n` sets of one thing each.
    ///
    /// # Panics
    /// With more things than a `u32` counts.
    pub fn new(n: usize) -> Sets {
        Sets((0..u32::try_from(n).expect("fewer than 2^32 things")).collect())
    }
    /// Every thing on its own again.
    pub fn reset(&mut self) {
        for (i, up) in self.0.iter_mut().enumerate() {
            *up = i as u32;
        }
    }
    /// The thing that stands for the set of `i`.
    pub fn root(&mut self, mut i: usize) -> usize {
        while self.0[i] as usize != i {
            self.0[i] = self.0[self.0[i] as usize];
            i = self.0[i] as usize;
        }
        i
    }
    /// Makes one set of two; the lower root stands for it. Whether they were two.
    pub fn join(&mut self, a: usize, b: usize) -> bool {
        let (a, b) = (self.root(a), self.root(b));
        self.put_under(a.max(b), a.min(b));
        a != b
    }
    /// Makes one set of two, given by their roots; `keep` stands for it.
    pub fn put_under(&mut self, gone: usize, keep: usize) {
        self.0[gone] = keep as u32;
    }
}
