//! A small repeatable random source: plans and simulations must come out the same everywhere.

/// SplitMix64 (Steele, Lea, Flood 2014): one multiply-xor-shift chain, a full period of 2^64.
#[derive(Clone, Debug)]
pub struct Random(u64);

impl Random {
    /// A source started from a seed.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number from 0 to `n - 1`; 0 when `n` is 0.
    pub fn below(&mut self, n: usize) -> usize {
        if n == 0 {
            return 0;
        }
        ((u128::from(self.bits()) * n as u128) >> 64) as usize
    }

    /// A number from `low` to `high`, inclusive.
    pub fn between(&mut self, low: usize, high: usize) -> usize {
        low + self.below(high.saturating_sub(low) + 1)
    }

    /// True with probability `p`.
    pub fn chance(&mut self, p: f64) -> bool {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64 <= p && p > 0.0
    }

    /// Puts a slice into random order.
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            items.swap(i, self.below(i + 1));
        }
    }
}
