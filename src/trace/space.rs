//! How presets are spread over addresses: hypotheses, and how well the readings bear each one out.

use std::ops::Rem;

use super::cells::{Cells, Experiment};
use super::dictionary::Dictionary;
pub(crate) use super::pins::Pins;

/// Chips whose cells are searched as one memory: a single chip, or several of one shape, one after the other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Space {
    pub(crate) chips: Vec<usize>,
    /// Cells of one chip.
    pub(crate) words: u32,
    pub(crate) width: u8,
}

impl Space {
    pub(crate) fn len(&self) -> u32 {
        self.words * self.chips.len() as u32
    }

    /// Cells and data lines of each of its chips.
    pub(crate) fn shape(&self) -> (u32, u8) {
        (self.words, self.width)
    }

    /// Number of address bits, those that choose the chip included.
    pub(crate) fn bits(&self) -> u32 {
        self.len().next_power_of_two().trailing_zeros()
    }

    /// Chip (index into the experiment's chips) and cell of an address of the space.
    pub(crate) fn place(&self, address: u32) -> (usize, u32) {
        let chip = (address / self.words) as usize;
        (
            self.chips[chip.min(self.chips.len() - 1)],
            address % self.words,
        )
    }

    pub(crate) fn contents(&self, chips: &[Cells], readings: usize) -> Vec<Contents> {
        (0..readings)
            .map(|r| {
                let mut c = Contents::default();
                for &chip in &self.chips {
                    c.value.extend_from_slice(&chips[chip].values[r]);
                    c.known.extend_from_slice(&chips[chip].known[r]);
                }
                c
            })
            .collect()
    }
}

/// One reading of a space.
#[derive(Clone, Debug, Default)]
pub(crate) struct Contents {
    pub(crate) value: Vec<u8>,
    pub(crate) known: Vec<u8>,
}

/// The exclusive-or of what the bits of a number turn.
pub(crate) fn turned(deltas: &[u32], number: usize) -> u32 {
    let set = deltas
        .iter()
        .enumerate()
        .filter(|(j, _)| number >> j & 1 == 1);
    set.fold(0, |o, (_, d)| o ^ d)
}

/// The greatest common divisor; of nought and a number the number.
pub(crate) fn gcd<T: Copy + Default + PartialEq + Rem<Output = T>>(a: T, b: T) -> T {
    if b == T::default() { a } else { gcd(b, a % b) }
}

/// What it is, in words, that preset bits turn these lines.
pub(crate) fn lines_say(deltas: &[u32]) -> &'static str {
    let single = |d: &u32| d.is_power_of_two();
    // Presets counted in Gray code turn one line a step: those of 2^n - 1 turn the line of bit n alone.
    let mut all = 0;
    let gray = |d: &u32| {
        all ^= d;
        single(&all)
    };
    if deltas.iter().all(single) {
        "address lines of its own"
    } else if deltas.iter().all(gray) {
        "a Gray counter on address lines of its own"
    } else {
        "address lines of its own, some of which turn a second line"
    }
}

/// The lines that tell which preset a cell holds: one a preset bit, chosen so that no other bit is needed; the lowest
/// or the highest of those that a preset bit turns.
pub(crate) fn pivots(deltas: &[u32], highest: bool) -> Vec<u32> {
    let mut rows: Vec<u32> = deltas.to_vec();
    let mut out = Vec::new();
    for i in 0..rows.len() {
        let line = match highest {
            true => 31 - rows[i].leading_zeros().min(31),
            false => rows[i].trailing_zeros().min(31),
        };
        out.push(line);
        for j in 0..rows.len() {
            if j != i && rows[j] >> line & 1 == 1 {
                rows[j] ^= rows[i];
            }
        }
    }
    out
}

/// How the place of a bit moves with the preset.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct PresetMap {
    /// Offsets are exclusive-ored to the base, or added to it.
    pub(crate) xor: bool,
    /// Offset of every preset.
    pub(crate) offset: Vec<u32>,
    /// For added offsets: what lies between the address as it is counted and the chip.
    pub(crate) pins: Pins,
    /// For exclusive-ored offsets: what each preset bit turns, and the line that tells each.
    pub(crate) deltas: Vec<u32>,
    pub(crate) lines: Vec<u32>,
    /// For added offsets in equal steps: the step.
    pub(crate) stride: u32,
    /// What it is, in words.
    pub(crate) says: String,
}

impl PresetMap {
    pub(crate) fn wired(deltas: &[u32], presets: usize, says: impl Into<String>) -> Self {
        Self {
            xor: true,
            offset: (0..presets).map(|p| turned(deltas, p)).collect(),
            pins: Pins::default(),
            deltas: deltas.to_vec(),
            lines: pivots(deltas, false),
            stride: 0,
            says: says.into(),
        }
    }

    pub(crate) fn stepped(stride: u32, order: &[u32], says: impl Into<String>) -> Self {
        Self {
            xor: false,
            offset: order.iter().map(|o| o * stride).collect(),
            pins: Pins::default(),
            deltas: Vec::new(),
            lines: Vec::new(),
            stride,
            says: says.into(),
        }
    }

    /// For exclusive-ored offsets: the number of each preset in terms of its bits, which differs from the preset's own
    /// where the order is a table.
    pub(crate) fn counters(&self) -> Vec<u32> {
        let all: Vec<u32> = (0..1 << self.deltas.len())
            .map(|q| turned(&self.deltas, q))
            .collect();
        let counter = |o: &u32| all.iter().position(|a| a == o).unwrap_or(0) as u32;
        self.offset.iter().map(counter).collect()
    }

    /// True where no rule but a table says which preset lies where.
    pub(crate) fn tabled(&self) -> bool {
        let n = self.offset.len() as u32;
        if self.xor {
            return self.offset != Self::wired(&self.deltas, n as usize, "").offset;
        }
        let follows = |order: fn(u32, u32) -> u32| {
            let mut by_rule = (0..n).map(|p| order(p, n) * self.stride);
            self.offset.iter().all(|o| by_rule.next() == Some(*o))
        };
        !(follows(|p, _| p) || follows(|p, n| n - 1 - p) || follows(|p, _| p ^ p >> 1))
    }

    /// True where three in four presets lie as another map says, from a common start.
    pub(crate) fn nearly(&self, other: &PresetMap) -> bool {
        let n = self.offset.len();
        if self.xor != other.xor || self.pins != other.pins || other.offset.len() != n {
            return false;
        }
        let mut apart: Vec<u32> = (self.offset.iter().zip(&other.offset))
            .map(|(a, b)| if self.xor { a ^ b } else { a.wrapping_sub(*b) })
            .collect();
        apart.sort_unstable();
        let most = apart.chunk_by(|a, b| a == b).map(<[u32]>::len).max();
        most.is_some_and(|most| most * 4 >= n * 3)
    }

    /// Offsets that presets could have by a table.
    pub(crate) fn places(&self) -> Vec<u32> {
        if self.xor {
            return Self::wired(&self.deltas, 1 << self.deltas.len(), "").offset;
        }
        let mut out = self.offset.clone();
        out.sort_unstable();
        out
    }

    /// True where these presets fix the rule, whichever of them is left out. A table is fixed by all of them only:
    /// nothing but what a preset holds tells where it lies.
    pub(crate) fn fixed_by(&self, presets: &[usize]) -> bool {
        if self.tabled() {
            return presets.len() == self.offset.len();
        }
        if !self.xor {
            return presets.len() >= 3.min(self.offset.len());
        }
        let spans = |without: usize| {
            let mut rest = presets.iter().filter(|p| **p != without);
            let Some(first) = rest.next() else {
                return false;
            };
            let mut basis: Vec<usize> = Vec::new();
            for p in rest {
                let reduced = basis.iter().fold(p ^ first, |x, b| x.min(x ^ b));
                if reduced != 0 {
                    basis.push(reduced);
                }
            }
            basis.len() == self.deltas.len()
        };
        presets.iter().all(|p| spans(*p)) || (spans(usize::MAX) && self.offset.len() < 5)
    }

    /// The place of a preset's cell for a base; `None` outside the space.
    pub(crate) fn cell(&self, base: u32, preset: usize, len: u32) -> Option<u32> {
        self.at(base, *self.offset.get(preset)?, len)
    }

    /// The place of a cell for a base and an offset; `None` outside the space.
    pub(crate) fn at(&self, base: u32, offset: u32, len: u32) -> Option<u32> {
        let logical = if self.xor {
            base ^ offset
        } else {
            base.checked_add(offset)?
        };
        let cell = if self.xor {
            logical
        } else {
            self.pins.physical(logical)
        };
        (logical < len && cell < len).then_some(cell)
    }

    /// The cell at every address as it is counted, where pins lie between.
    pub(crate) fn pinned_cells(&self, len: u32) -> Option<Vec<u32>> {
        let pinned = !self.xor && !self.pins.straight_through();
        pinned.then(|| self.pins.cells(len))
    }
}

/// The cells of a map, looked up: for many bases.
pub(crate) struct Places<'a> {
    map: &'a PresetMap,
    len: u32,
    /// As [`PresetMap::pinned_cells`].
    cells: Option<Vec<u32>>,
}

impl<'a> Places<'a> {
    pub(crate) fn of(map: &'a PresetMap, len: u32) -> Self {
        Self {
            cells: map.pinned_cells(len),
            map,
            len,
        }
    }

    /// As [`PresetMap::cell`].
    pub(crate) fn cell(&self, base: u32, preset: usize) -> Option<u32> {
        let offset = *self.map.offset.get(preset)?;
        let at = match self.map.xor {
            true => base ^ offset,
            false => base.checked_add(offset)?,
        };
        let at = (at < self.len).then_some(at)?;
        match &self.cells {
            Some(cells) => Some(cells[at as usize]).filter(|c| *c < self.len),
            None => Some(at),
        }
    }
}

/// A quick test of a map on a few saves: how many columns read as words of the dictionary.
pub(crate) struct Probe {
    /// Reading and preset of each row.
    pub(crate) rows: Vec<(usize, usize)>,
    exact: Vec<u64>,
    near: Vec<u64>,
    rate: [f64; 2],
}

/// The bits of a byte, sixteen bits apart.
const SPREAD: [u128; 256] = {
    let mut table = [0u128; 256];
    let mut byte = 0;
    while byte < 256 {
        let mut line = 0;
        while line < 8 {
            if byte >> line & 1 == 1 {
                table[byte] |= 1 << (16 * line);
            }
            line += 1;
        }
        byte += 1;
    }
    table
};

/// What a probe found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Tally {
    pub(crate) columns: u32,
    pub(crate) exact: u32,
    pub(crate) near: u32,
}

impl Probe {
    /// A probe over at most 16 of the dictionary's saves that a filter lets through.
    pub(crate) fn new(
        experiment: &Experiment,
        dictionary: &Dictionary,
        keep: impl Fn(usize) -> bool,
        prefer: impl Fn(usize) -> bool,
    ) -> Self {
        let preset = |i: usize| experiment.saves[dictionary.saves[i]].preset;
        let mut chosen: Vec<usize> = (0..dictionary.saves.len())
            .filter(|&i| keep(preset(i)))
            .collect();
        if chosen.len() > 16 {
            let (first, second): (Vec<usize>, Vec<usize>) =
                chosen.iter().partition(|&&i| prefer(preset(i)));
            let take = first.len().min(8.max(16usize.saturating_sub(second.len())));
            // Spread over the saves rather than the first few.
            let spread = |from: &[usize], n: usize| -> Vec<usize> {
                (0..n).map(|k| from[k * from.len() / n.max(1)]).collect()
            };
            let mut mixed = spread(&first, take);
            mixed.extend(spread(&second, (16 - take).min(second.len())));
            chosen = mixed;
        }
        let rows: Vec<(usize, usize)> = chosen
            .iter()
            .map(|&i| {
                let save = experiment.saves[dictionary.saves[i]];
                (save.reading, save.preset)
            })
            .collect();
        let n = rows.len();
        let size = 1usize << n;
        let mut exact = vec![0u64; size.div_ceil(64)];
        let mut near = exact.clone();
        for w in &dictionary.words {
            let mut word = 0usize;
            for (k, &i) in chosen.iter().enumerate() {
                word |= ((w >> i & 1) as usize) << k;
            }
            for w in [word, !word & (size - 1)] {
                exact[w / 64] |= 1 << (w % 64);
                near[w / 64] |= 1 << (w % 64);
                for k in 0..n {
                    let x = w ^ 1 << k;
                    near[x / 64] |= 1 << (x % 64);
                }
            }
        }
        let rate =
            |t: &[u64]| t.iter().map(|x| f64::from(x.count_ones())).sum::<f64>() / size as f64;
        let rate = [rate(&exact), rate(&near)];
        Self {
            rows,
            exact,
            near,
            rate,
        }
    }

    /// How much a map can be told by it: false when too few rows carry nothing.
    pub(crate) fn useful(&self) -> bool {
        self.rate[0] < 0.3
    }

    /// Reads the columns of some bases under a map.
    pub(crate) fn tally(
        &self,
        contents: &[Contents],
        width: u8,
        bases: &[u32],
        cell: impl Fn(u32, usize) -> Option<u32>,
    ) -> Tally {
        let mut t = Tally::default();
        let full = ((1u32 << self.rows.len()) - 1) as u16;
        let mut rows: [(&[u8], usize); 16] = [(&[], 0); 16];
        for (row, &(reading, preset)) in rows.iter_mut().zip(&self.rows) {
            *row = (&contents[reading].value, preset);
        }
        let rows = &rows[..self.rows.len()];
        let mut count = |w: u16| {
            if w == 0 || w == full {
                return;
            }
            let w = usize::from(w);
            t.columns += 1;
            t.exact += (self.exact[w / 64] >> (w % 64) & 1) as u32;
            t.near += (self.near[w / 64] >> (w % 64) & 1) as u32;
        };
        'bases: for &base in bases {
            if width == 1 {
                let mut word = 0;
                for (k, &(value, preset)) in rows.iter().enumerate() {
                    match cell(base, preset) {
                        Some(c) => word |= u16::from(value[c as usize] & 1) << k,
                        None => continue 'bases,
                    }
                }
                count(word);
                continue;
            }
            // Sixteen bits a line, one a row.
            let mut words = 0u128;
            for (k, &(value, preset)) in rows.iter().enumerate() {
                match cell(base, preset) {
                    Some(c) => words |= SPREAD[usize::from(value[c as usize])] << k,
                    None => continue 'bases,
                }
            }
            for line in 0..width {
                count((words >> (16 * line)) as u16);
            }
        }
        t
    }

    /// Standard deviations above chance.
    pub(crate) fn score(&self, t: Tally) -> f64 {
        let z = |hits: u32, rate: f64| {
            let n = f64::from(t.columns);
            (f64::from(hits) - n * rate) / (n * rate * (1.0 - rate) + 1.0).sqrt()
        };
        z(t.exact, self.rate[0]).max(0.9 * z(t.near, self.rate[1]))
    }
}
