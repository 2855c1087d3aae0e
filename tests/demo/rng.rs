//! A small fixed random source, so that the same seed makes the same dumps for ever.

/// SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number generators", 2014; constants from memory).
pub(crate) struct Rng(u64);

impl Rng {
    /// A source of its own for one purpose, so that a change in one place does not move all others.
    pub(crate) fn of(seed: u64, purpose: &str) -> Self {
        let mut rng = Self(seed);
        for b in purpose.bytes() {
            rng.0 = (rng.0 ^ u64::from(b)).wrapping_mul(0x100_0000_01b3);
        }
        rng.next();
        rng
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// 0 to below `n`.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }

    /// 0 to below 1.
    pub(crate) fn part(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn chance(&mut self, p: f64) -> bool {
        self.part() < p
    }

    /// Roughly bell-shaped around 0, within about ±`width`.
    pub(crate) fn about(&mut self, width: f64) -> f64 {
        (self.part() + self.part() + self.part() - 1.5) / 1.5 * width
    }

    pub(crate) fn pick<'a, T>(&mut self, from: &'a [T]) -> &'a T {
        &from[self.below(from.len())]
    }
}
