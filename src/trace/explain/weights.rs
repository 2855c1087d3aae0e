//! What speaks for each base of a map: words of the plan in its columns, and settings that the next preset held.
//!
//! 64 bases are looked at together ([`abreast`](super::super::abreast)); what is counted is what each by itself gives.

use rayon::prelude::*;

use super::super::abreast::{ABREAST, Bits, Planes, Reach, columns};
use super::super::cells::Experiment;
use super::super::dictionary::{AGAINST, Dictionary};
use super::super::shifted::Shift;
use super::super::space::{Contents, PresetMap, Space};

/// What speaks for a base.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Weight {
    /// Logarithm of the odds that its columns are words of controls.
    pub(super) words: f64,
    /// The same, that what changed in it is what the next preset held.
    pub(super) carried: f64,
    /// Columns that read as words of controls, and those that are not constant over the end-stop settings.
    pub(super) hits: usize,
    pub(super) moving: usize,
}

impl Weight {
    pub(super) fn all(self) -> f64 {
        self.words + self.carried
    }
}

/// A memory as a map counts its addresses.
struct Weighing<'a> {
    dictionary: &'a Dictionary,
    telling: Vec<f64>,
    /// Reading and preset of the dictionary's saves, and the presets among them.
    rows: Vec<(usize, usize)>,
    presets: Vec<usize>,
    shift: Option<&'a Shift>,
    reach: Reach<'a>,
    /// Addresses that are of the memory.
    inside: Bits,
    /// What each reading holds, and what is known of it where not all is.
    values: Vec<Planes>,
    known: Option<Vec<Planes>>,
    /// Bits that changed from one reading to another; a bit that never did holds no preset, where there are several.
    changed: Planes,
}

/// Weighs every base of a space; `None` where a preset would lie outside of it.
pub(super) fn weights(
    experiment: &Experiment,
    dictionary: &Dictionary,
    space: &Space,
    contents: &[Contents],
    map: &PresetMap,
    shift: Option<&Shift>,
) -> Vec<Option<Weight>> {
    let len = space.len() as usize;
    let cells = map.pinned_cells(space.len());
    let cell = |at: usize| cells.as_ref().map_or(at, |c| c[at] as usize);
    let planes = |bytes: &[u8]| {
        let held = |at: usize| bytes.get(cell(at)).copied().unwrap_or(0);
        Planes::of(len, space.width, held)
    };
    let all = u8::MAX >> (8 - space.width.min(8));
    let whole = (contents.iter()).all(|c| c.known.iter().all(|k| k & all == all));
    let changed: Vec<u8> = match contents {
        [first, rest @ ..] if !rest.is_empty() => (0..len)
            .map(|x| {
                let differs =
                    |c: &Contents| (c.value[x] ^ first.value[x]) & c.known[x] & first.known[x];
                rest.iter().fold(0, |o, c| o | differs(c))
            })
            .collect(),
        _ => vec![u8::MAX; len],
    };
    let row = |s: &usize| {
        let save = experiment.saves[*s];
        (save.reading, save.preset)
    };
    let rows: Vec<(usize, usize)> = dictionary.saves.iter().map(row).collect();
    let mut presets: Vec<usize> = rows.iter().map(|r| r.1).collect();
    presets.sort_unstable();
    presets.dedup();
    let weighing = Weighing {
        telling: dictionary.telling(),
        dictionary,
        rows,
        presets,
        shift,
        reach: Reach(map),
        inside: Bits::of((0..len).map(|at| cell(at) < len)),
        values: contents.iter().map(|c| planes(&c.value)).collect(),
        known: (!whole).then(|| contents.iter().map(|c| planes(&c.known)).collect()),
        changed: planes(&changed),
    };
    let blocks = len.div_ceil(ABREAST);
    let mut out: Vec<Option<Weight>> = (0..blocks)
        .into_par_iter()
        .flat_map_iter(|block| weighing.block(block * ABREAST, space.width, map.offset.len()))
        .collect();
    out.truncate(len);
    out
}

/// What the cells of each preset hold in one line of one reading, a bit a base.
struct Held {
    values: Vec<u64>,
    known: Vec<u64>,
}

impl Weighing<'_> {
    fn block(&self, first: usize, width: u8, presets: usize) -> [Option<Weight>; ABREAST] {
        let fold = |of: &Bits, none: u64, by: fn(u64, u64) -> u64| {
            let held = (0..presets).map(|p| self.reach.held(of, first, p));
            held.fold(none, by)
        };
        let inside = fold(&self.inside, u64::MAX, |a, b| a & b);
        let mut out = [Weight::default(); ABREAST];
        for line in 0..usize::from(width) {
            // Nothing speaks for or against cells that nothing was written to.
            let idle = fold(self.changed.line(line), 0, |a, b| a | b) & inside == 0;
            if inside == 0 || idle && (self.known.is_none() || self.values.len() <= 2) {
                continue;
            }
            let held: Vec<Held> = (0..self.values.len())
                .map(|reading| self.held(reading, line, first, presets))
                .collect();
            self.words(line, first, &held, &mut out);
            if let Some(shift) = self.shift {
                let (a, b) = (&held[shift.first], &held[shift.second]);
                let odds = shift.borne_out([&a.values, &b.values], [&a.known, &b.known]);
                for (weight, odds) in out.iter_mut().zip(odds) {
                    weight.carried += odds;
                }
            }
        }
        std::array::from_fn(|i| (inside >> i & 1 == 1).then_some(out[i]))
    }

    fn held(&self, reading: usize, line: usize, first: usize, presets: usize) -> Held {
        let of = |planes: &Planes| {
            let held = |p| self.reach.held(planes.line(line), first, p);
            (0..presets).map(held).collect()
        };
        let known = self.known.as_ref().map(|known| of(&known[reading]));
        Held {
            values: of(&self.values[reading]),
            known: known.unwrap_or_else(|| vec![u64::MAX; presets]),
        }
    }

    /// Weighs the columns of one line against the plan's words.
    fn words(&self, line: usize, first: usize, held: &[Held], out: &mut [Weight; ABREAST]) {
        let changed = |p: &usize| self.reach.held(self.changed.line(line), first, *p);
        let written = self.presets.iter().map(changed).fold(0, |o, w| o | w);
        let known: Vec<u64> = self.rows.iter().map(|(r, p)| held[*r].known[*p]).collect();
        let values = self.rows.iter().map(|(r, p)| held[*r].values[*p]);
        let values: Vec<u64> = values.zip(&known).map(|(v, known)| v & known).collect();
        let ones = values.iter().fold(0, |o, v| o | v);
        let zeros = values.iter().zip(&known).fold(0, |o, (v, k)| o | k & !v);
        let mut moving = written & ones & zeros;
        if moving == 0 {
            return;
        }
        let full = self.dictionary.mask();
        let words = columns(&values);
        let known = match self.known {
            None => [full; ABREAST],
            Some(_) => columns(&known),
        };
        while moving != 0 {
            let i = moving.trailing_zeros() as usize;
            moving &= moving - 1;
            if known[i].count_ones() * 2 < full.count_ones() {
                continue;
            }
            out[i].moving += 1;
            match (self.dictionary).distance(words[i], known[i], self.telling.len()) {
                Some(d) => {
                    out[i].words += self.telling[d as usize];
                    out[i].hits += 1;
                }
                None => out[i].words -= AGAINST,
            }
        }
    }
}
