//! What changed in a bank since an earlier reading, entry by entry, and what it takes to tell it as edits.

use super::many::Many;
use crate::evidence::{log2_choose, marked};

/// Bits to say how an entry was edited: some values, everything, or copied from elsewhere (common practice, no source).
pub(super) const EDITED: f64 = 3.0;

/// One value of an entry that changed.
pub(super) struct ChangedValue {
    pub(super) field: usize,
    /// The code now and before, of the bits seen.
    pub(super) new: u64,
    pub(super) old: u64,
    /// The bits seen.
    pub(super) known: u64,
    /// Bits that differ, of those seen.
    pub(super) flips: u32,
    /// Bits to tell the new code.
    pub(super) tell: f64,
    /// Whether the code moved as little as a knob saved again does.
    pub(super) near: bool,
}

impl ChangedValue {
    /// By how much the code moved.
    pub(super) fn step(&self) -> i64 {
        self.new.cast_signed() - self.old.cast_signed()
    }
}

/// A constant or reserved bits of an entry that changed.
pub(super) struct ChangedPromise {
    pub(super) field: usize,
    /// Bits that differ.
    pub(super) flips: u32,
    /// Bits to tell the change where nothing flipped.
    pub(super) tell: f64,
}

impl ChangedPromise {
    /// Whether it rather flipped, at this price for each bit.
    pub(super) fn flipped(&self, price: f64) -> bool {
        f64::from(self.flips) * price < self.tell
    }
}

/// One entry that changed, with what it takes to tell the change in each way that does not depend on which of the
/// changes are taken for flips.
pub(super) struct ChangedEntry {
    pub(super) entry: usize,
    pub(super) flips: u32,
    /// Constants and reserved bits that changed.
    pub(super) promises: Vec<ChangedPromise>,
    /// Whether a check over it changed with it and holds: then nothing flipped.
    pub(super) kept: bool,
    /// Every field that changed, of any kind.
    pub(super) fields: Vec<usize>,
    pub(super) values: Vec<ChangedValue>,
    /// Values seen.
    pub(super) seen: u64,
    /// The cheapest of telling all its values, naming an entry that held them, and following the first voice.
    pub(super) whole: f64,
    /// Whether it was emptied.
    pub(super) emptied: bool,
    /// Where it was emptied and some values were set after that: the places of the others that changed.
    pub(super) left: Vec<usize>,
    /// The first of the changed entries that hold what it holds now.
    pub(super) same: usize,
    /// Bits to tell what it holds: its values, or which entry held them.
    pub(super) row: f64,
}

/// What changed in an area since the earlier reading.
pub(super) struct ChangedArea {
    pub(super) entries: Vec<ChangedEntry>,
    /// What may have been done alike in many of them.
    pub(super) many: Vec<Many>,
}

/// What changed in a bank since the earlier reading.
pub(crate) struct Changes {
    pub(super) areas: Vec<ChangedArea>,
    /// For each chip the cells where lines that nothing claims changed, with those lines.
    pub(super) unclaimed: Vec<Vec<(u32, u8)>>,
}

/// Changed values added up, as far as telling them as an edit needs it.
#[derive(Default)]
struct Sum {
    k: u64,
    told: f64,
    nudged: f64,
}

impl Sum {
    fn add(&mut self, v: &ChangedValue) {
        self.k += 1;
        self.told += v.tell;
        self.nudged += if v.near { 3.2 } else { 3.0 + v.tell };
    }
}

/// How the changes of an entry are told best.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    /// As an edit.
    Edit,
    /// As an edit of some values; the others flipped.
    Partly,
    /// As flips.
    Flips,
}

/// The changes of an entry, told.
pub(super) struct ToldEntry {
    pub(super) way: Way,
    /// Bits for the edit.
    pub(super) bits: f64,
    /// Bits for the flips at the price asked.
    flipped: f64,
    /// Whether the entry is among those to be named as edited.
    pub(super) named: bool,
}

impl ToldEntry {
    pub(super) fn with_flips(&self) -> f64 {
        self.bits + self.flipped
    }
}

/// Whether a changed value rather flipped, at this price for each bit.
pub(super) fn flipped(value: &ChangedValue, price: f64) -> bool {
    f64::from(value.flips) * price < value.tell + 3.0
}

impl ChangedEntry {
    /// Tells the changes of those values that are its `own`, not told elsewhere. With a price, bits that look more like
    /// single flips than like an edit are told at that many bits each.
    pub(super) fn told(&self, price: Option<f64>, own: &dyn Fn(usize) -> bool) -> ToldEntry {
        let price = price.filter(|_| !self.kept);
        let values = self.values.iter().enumerate();
        let (mut all, mut kept, mut back, mut elsewhere) =
            (Sum::default(), Sum::default(), 0.0, false);
        for (i, v) in values {
            if !own(i) {
                elsewhere = true;
                continue;
            }
            all.add(v);
            match price {
                Some(price) if flipped(v, price) => back += f64::from(v.flips) * price,
                _ => kept.add(v),
            }
        }
        // Nothing is left to be told where the rest is told elsewhere.
        let nothing = |sum: &Sum, promises: f64| elsewhere && sum.k == 0 && promises == 0.0;
        let edit = |sum: &Sum, promises: f64| {
            if nothing(sum, promises) {
                0.0
            } else {
                EDITED + promises + self.edit(sum)
            }
        };
        let promises: f64 = self.promises.iter().map(|p| p.tell).sum();
        let whole = ToldEntry {
            way: Way::Edit,
            bits: edit(&all, promises),
            flipped: 0.0,
            named: !nothing(&all, promises),
        };
        let Some(price) = price else { return whole };
        let mut promises = 0.0;
        for p in &self.promises {
            match p.flipped(price) {
                true => back += f64::from(p.flips) * price,
                false => promises += p.tell,
            }
        }
        // Of an edited entry, single values may have flipped; of an untouched one, all of them.
        let some = ToldEntry {
            way: Way::Partly,
            bits: edit(&kept, promises),
            flipped: back,
            named: !nothing(&kept, promises),
        };
        // Of an edit something must be left.
        let is_edit = elsewhere || kept.k > 0 || promises > 0.0;
        let some_bits = if is_edit {
            some.with_flips()
        } else {
            f64::INFINITY
        };
        let flips = f64::from(self.flips) * price;
        if !elsewhere && flips < whole.bits.min(some_bits) {
            return ToldEntry {
                way: Way::Flips,
                bits: 0.0,
                flipped: flips,
                named: false,
            };
        }
        if some_bits < whole.bits { some } else { whole }
    }

    /// Bits for an edit of some of its changed values: as some values, as the whole entry, or as a preset saved
    /// again with its knobs read a few codes off (noise, or a worn track), whichever is the cheapest.
    fn edit(&self, values: &Sum) -> f64 {
        if values.k == 0 {
            return 0.0;
        }
        let which = log2_choose(self.seen, values.k);
        // Most edits move a few values, hence a falling prior on their number (common practice, no source).
        let some = which + (values.k as f64 + 1.0).log2() * 2.0 + values.told;
        some.min(self.whole).min(which + 4.0 + values.nudged)
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
