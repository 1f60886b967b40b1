//! A cyclic tour in an array with positions, an orientation and a log of reversals.

/// The tour. Reversals turn the shorter side; `backwards` keeps the reader's direction.
pub struct Tour {
    nodes: Vec<u32>,
    place: Vec<u32>,
    backwards: bool,
    /// Reversals made: first place and count.
    log: Vec<(u32, u32)>,
    /// Longest reversal allowed.
    longest: usize,
}

/// A state to come back to.
#[derive(Clone, Copy)]
pub struct Mark {
    log: usize,
    backwards: bool,
}

impl Tour {
    pub fn new(nodes: Vec<u32>, longest: usize) -> Tour {
        let mut place = vec![0; nodes.len()];
        for (i, n) in nodes.iter().enumerate() {
            place[*n as usize] = i as u32;
        }
        Tour {
            nodes,
            place,
            backwards: false,
            log: Vec::new(),
            longest,
        }
    }
    pub fn len(&self) -> usize {
        self.nodes.len()
    }
    pub fn nodes(&self) -> &[u32] {
        &self.nodes
    }
    /// Longest reversal allowed.
    pub fn longest(&self) -> usize {
        self.longest
    }
    pub fn place(&self, a: u32) -> usize {
        self.place[a as usize] as usize
    }
    fn after(&self, a: u32) -> u32 {
        let i = self.place[a as usize] as usize + 1;
        self.nodes[if i == self.nodes.len() { 0 } else { i }]
    }
    fn before(&self, a: u32) -> u32 {
        let i = self.place[a as usize] as usize;
        self.nodes[if i == 0 { self.nodes.len() } else { i } - 1]
    }
    pub fn next(&self, a: u32) -> u32 {
        if self.backwards {
            self.before(a)
        } else {
            self.after(a)
        }
    }
    pub fn previous(&self, a: u32) -> u32 {
        if self.backwards {
            self.after(a)
        } else {
            self.before(a)
        }
    }
    /// Reads the same tour in the other direction.
    pub fn turn(&mut self) {
        self.backwards = !self.backwards;
    }
    /// Steps from `a` forward to `b`.
    fn steps(&self, a: u32, b: u32) -> usize {
        let (i, j) = (self.place[a as usize], self.place[b as usize]);
        let (i, j) = if self.backwards { (j, i) } else { (i, j) };
        if j >= i {
            (j - i) as usize
        } else {
            self.nodes.len() - (i - j) as usize
        }
    }
    /// Whether `b` lies on the way from `a` forward to `c`.
    pub fn between(&self, a: u32, b: u32, c: u32) -> bool {
        self.steps(a, b) <= self.steps(a, c)
    }
    /// Reverses the path from `a` forward to `b`; false, and nothing done, if that is too long.
    pub fn flip(&mut self, a: u32, b: u32) -> bool {
        let n = self.nodes.len();
        let inner = self.steps(a, b) + 1;
        let (mut first, mut last, mut count) = (a, b, inner);
        let outer = 2 * inner > n;
        if outer {
            count = n - inner;
            if count == 0 {
                self.turn();
                return true;
            }
            first = self.next(b);
            last = self.previous(a);
        }
        if count > self.longest {
            return false;
        }
        let start = if self.backwards { last } else { first };
        self.reverse(self.place[start as usize] as usize, count);
        if outer {
            self.turn();
        }
        true
    }
    /// Reverses `count` places from `start` on, round the end if need be, and logs it.
    pub fn reverse(&mut self, start: usize, count: usize) {
        self.log.push((start as u32, count as u32));
        self.swap_range(start, count);
    }
    fn swap_range(&mut self, start: usize, count: usize) {
        let n = self.nodes.len();
        let mut i = start;
        let mut j = start + count - 1;
        if j >= n {
            j -= n;
        }
        for _ in 0..count / 2 {
            let (a, b) = (self.nodes[i], self.nodes[j]);
            self.nodes[i] = b;
            self.nodes[j] = a;
            self.place[b as usize] = i as u32;
            self.place[a as usize] = j as u32;
            i = if i + 1 == n { 0 } else { i + 1 };
            j = if j == 0 { n - 1 } else { j - 1 };
        }
    }
    pub fn mark(&self) -> Mark {
        Mark {
            log: self.log.len(),
            backwards: self.backwards,
        }
    }
    pub fn back_to(&mut self, mark: Mark) {
        while self.log.len() > mark.log {
            if let Some((start, count)) = self.log.pop() {
                self.swap_range(start as usize, count as usize);
            }
        }
        self.backwards = mark.backwards;
    }
    /// Back to where the log starts.
    pub fn undo_all(&mut self) {
        self.back_to(Mark {
            log: 0,
            backwards: self.backwards,
        });
    }
    pub fn forget(&mut self) {
        self.log.clear();
    }
}
