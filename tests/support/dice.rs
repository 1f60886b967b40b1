//! A small generator (Marsaglia's xorshift), so that every run spoils the same places.

pub struct Dice(pub u64);

impl Dice {
    /// One stream per seed; the first draws are thrown away, since near seeds start alike.
    pub fn seeded(seed: u64) -> Dice {
        let mut dice =
            Dice(0x9e37_79b9_7f4a_7c15 ^ (seed + 1).wrapping_mul(0x2545_f491_4f6c_dd1d) | 1);
        for _ in 0..8 {
            dice.below(2);
        }
        dice
    }
    pub fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % n.max(1) as u64) as usize
    }
    pub fn pick<T: Copy>(&mut self, list: &[T]) -> T {
        list[self.below(list.len())]
    }
}
