//! What the outside checks share: where the programs of the Python environment are, and a source of numbers.
#![allow(dead_code, reason = "each check uses its part")]

use std::path::{Path, PathBuf};

/// A program of the Python environment that `tests/run` makes; a missing one fails the check and says how to get it.
pub(crate) fn venv(program: &str) -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/.cache/venv");
    [
        format!("bin/{program}"),
        format!("Scripts/{program}.exe"),
        format!("Scripts/{program}"),
    ]
    .iter()
    .map(|p| root.join(p))
    .find(|p| p.exists())
    .unwrap_or_else(|| {
        panic!(
            "{program} is missing: run tests/run, or\n  python3 -m venv tests/.cache/venv && \
             tests/.cache/venv/bin/pip install -r tests/outside/requirements.txt"
        )
    })
}

/// xorshift64 (Marsaglia, "Xorshift RNGs", 2003); the seed is not 0.
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 >> 11
    }

    pub(crate) fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }

    /// From `low` to `high`, both included.
    pub(crate) fn within(&mut self, low: u64, high: u64) -> u64 {
        low + self.below(high - low + 1)
    }

    pub(crate) fn often(&mut self, of: u64) -> bool {
        self.below(of) == 0
    }

    pub(crate) fn shuffle<T>(&mut self, list: &mut [T]) {
        for i in (1..list.len()).rev() {
            list.swap(i, self.below(i as u64 + 1) as usize);
        }
    }

    pub(crate) fn bytes(&mut self, n: usize) -> Vec<u8> {
        (0..n).map(|_| self.next() as u8).collect()
    }
}
