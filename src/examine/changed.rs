//! What changed in a bank since an earlier reading, entry by entry, and what it takes to tell it as edits.

use crate::evidence::{log2_choose, marked};

/// One value of an entry that changed.
pub(super) struct ChangedValue {
    pub(super) field: usize,
    /// Bits that differ, of those seen.
    pub(super) flips: u32,
    /// Bits to tell the new code.
    pub(super) tell: f64,
    /// Whether the code moved as little as a knob saved again does.
    pub(super) near: bool,
}

/// One entry that changed, with what it takes to tell the change in each way that does not depend on which of the
/// changes are taken for flips.
pub(super) struct ChangedEntry {
    pub(super) entry: usize,
    pub(super) flips: u32,
    /// Bits for constants and reserved bits that changed.
    pub(super) promises: f64,
    /// Every field that changed, of any kind.
    pub(super) fields: Vec<usize>,
    pub(super) values: Vec<ChangedValue>,
    /// Values seen.
    pub(super) seen: u64,
    /// The cheapest of telling all its values, naming an entry that held them, and following the first voice.
    pub(super) whole: f64,
}

/// What changed in a bank since the earlier reading, by area.
pub(crate) struct Changes(pub(super) Vec<Vec<ChangedEntry>>);

impl ChangedEntry {
    /// Bits for an edit of some of its changed values: as some values, as the whole entry, or as a preset saved
    /// again with its knobs read a few codes off (noise, or a worn track), whichever is the cheapest.
    pub(super) fn edit<'v>(&self, values: impl Iterator<Item = &'v ChangedValue>) -> f64 {
        let (mut k, mut told, mut nudged) = (0u64, 0.0, 4.0);
        for v in values {
            k += 1;
            told += v.tell;
            nudged += if v.near { 3.2 } else { 3.0 + v.tell };
        }
        if k == 0 {
            return 0.0;
        }
        let which = log2_choose(self.seen, k);
        // Most edits move a few values, hence a falling prior on their number (common practice, no source).
        let some = which + (k as f64 + 1.0).log2() * 2.0 + told;
        some.min(self.whole).min(which + nudged)
    }
}

/// Bits to say which of `n` entries were edited, given in order: any of them, or in a few stretches, since what stands side
/// by side is often edited together.
pub(super) fn which(n: u64, edited: &[usize]) -> f64 {
    let k = edited.len() as u64;
    if k < 2 {
        return marked(n, k);
    }
    let runs = edited.chunk_by(|a, b| a + 1 == *b).count() as u64;
    let counts = ((n + 1) as f64).log2() + (k as f64).log2();
    let stretches = counts + log2_choose(k - 1, runs - 1) + log2_choose(n + 1 - k, runs);
    1.0 + marked(n, k).min(stretches)
}
