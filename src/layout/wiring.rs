//! The arithmetic of the language: from a slot and a bit of its word to a chip, a cell and a data line.
//!
//! For the slot `u` of an entry and bit `b` of its word:
//!
//! - line `n = b mod lines`; step `t = start + b / lines`, or counted from the other end where the word's
//!   most significant part comes first;
//! - address `a = at + Σ (axis.at + axis.stride × counter) + u × period + t`;
//! - every pin of a chip is an exclusive-or of bits of `a`, `t`, `u` and the axes' counters.

use super::document::{Axis, Counts};
use super::fields::Placed;
use super::model::BitPlace;
use super::notation::{DataPin, Signal};

/// Counters a signal can name: a, step, slot, then the axes of the area.
pub(super) const MAX_COUNTERS: usize = 3 + 8;

/// A signal whose names are looked up: the parity of the counters' bits under the masks.
#[derive(Clone, Debug, Default)]
pub(super) struct Bound {
    invert: bool,
    terms: Vec<(usize, u32)>,
}

impl Bound {
    /// Looks up the names; the error is the name that no counter has.
    pub(super) fn new(
        signal: &Signal,
        counter: impl Fn(&str) -> Option<Option<usize>>,
    ) -> Result<Self, String> {
        let mut out = Bound {
            invert: signal.invert,
            terms: Vec::new(),
        };
        for (name, bit) in &signal.terms {
            match counter(name) {
                Some(Some(index)) => match out.terms.iter_mut().find(|t| t.0 == index) {
                    Some(term) => term.1 |= 1 << bit,
                    None => out.terms.push((index, 1 << bit)),
                },
                Some(None) => {} // A counter this area does not have rests at 0.
                None => return Err(name.clone()),
            }
        }
        Ok(out)
    }

    #[inline]
    fn value(&self, counters: &[u32; MAX_COUNTERS]) -> bool {
        let mut ones = 0;
        for &(counter, mask) in &self.terms {
            ones ^= (counters[counter] & mask).count_ones();
        }
        (ones & 1 != 0) ^ self.invert
    }
}

/// A chip as one area sees it.
#[derive(Clone, Debug)]
pub(super) struct WiredChip {
    /// Index of the chip in the layout.
    pub(super) chip: u16,
    pub(super) address: Vec<Bound>,
    pub(super) enable: Vec<Bound>,
    /// Pin and inversion of each line of the word bus.
    pub(super) pins: Vec<Option<(u8, bool)>>,
    /// For each axis, the counter of each position; `None` where another chip holds it.
    pub(super) counters: Vec<Vec<Option<u32>>>,
    /// First and last cell that exist.
    pub(super) cells: (u32, u32),
    /// Bits of each counter that reach some pin.
    reaches: [u32; MAX_COUNTERS],
    /// Bits of each counter that must be 0 because they reach no pin though others of that counter do. A chip that
    /// other counters address too may take single bits of the address, such as one that tells copies apart.
    lost: [u32; MAX_COUNTERS],
    /// The address pins are a.0, a.1, ... and nothing else matters: the usual case, taken straight.
    plain: Option<u32>,
}

impl WiredChip {
    pub(super) fn new(
        chip: u16,
        address: Vec<Bound>,
        enable: Vec<Bound>,
        pins: Vec<Option<(u8, bool)>>,
        counters: Vec<Vec<Option<u32>>>,
        cells: (u32, u32),
    ) -> Self {
        let mut reaches = [0; MAX_COUNTERS];
        for bound in address.iter().chain(&enable) {
            for &(counter, mask) in &bound.terms {
                reaches[counter] |= mask;
            }
        }
        let mixed = reaches[1..].iter().any(|m| *m != 0);
        let mut lost = reaches.map(|m| if m == 0 { 0 } else { !m });
        if mixed {
            lost[0] = 0;
        }
        let in_order = |(i, b): (usize, &Bound)| !b.invert && b.terms == [(0, 1u32 << i)];
        let plain =
            (enable.is_empty() && address.iter().enumerate().all(in_order)).then_some(reaches[0]);
        Self {
            chip,
            address,
            enable,
            pins,
            counters,
            cells,
            reaches,
            lost,
            plain,
        }
    }

    /// True where nothing but the address decides which cell answers.
    pub(super) fn by_address(&self) -> bool {
        self.reaches[1..].iter().all(|m| *m == 0)
            && self.counters.iter().flatten().all(Option::is_some)
    }
}

/// Counter values of an axis on a chip that holds `here` of its positions (all of them where `None`).
pub(super) fn counters(axis: &Axis, here: Option<&[usize]>) -> Vec<Option<u32>> {
    let n = axis.labels.len();
    let mut out = vec![None; n];
    let held = here.map_or(n, <[usize]>::len) as u32;
    let mut set = |index: usize, place: u32| {
        if let Some(counter) = out.get_mut(index) {
            *counter = Some(match axis.counts {
                Counts::Up => place,
                Counts::Down => held.max(1).saturating_sub(1).saturating_sub(place),
                Counts::Gray => place ^ (place >> 1),
            });
        }
    };
    match (here, &axis.order) {
        (Some(here), _) => {
            for (place, &index) in (0u32..).zip(here) {
                set(index, place);
            }
        }
        (None, Some(order)) => {
            for (index, &place) in order.value.iter().enumerate() {
                set(index, place);
            }
        }
        (None, None) => {
            for (index, place) in (0..n).zip(0u32..) {
                set(index, place);
            }
        }
    }
    out
}

/// For each line of the word bus the pin that carries it, and whether inverted.
pub(super) type Carriers = Vec<Option<(u8, bool)>>;

/// Pins of a chip by the bus line they carry; the error names a line that two pins carry.
pub(super) fn pins(
    data: Option<&[Placed<DataPin>]>,
    width: u8,
    lines: u32,
) -> Result<Carriers, (u32, usize)> {
    let mut out = vec![None; lines as usize];
    for pin in 0..width {
        let carried = match data {
            None => DataPin::Line {
                line: u32::from(pin),
                inverted: false,
            },
            Some(data) => data
                .get(usize::from(pin))
                .map_or(DataPin::None, |p| p.value),
        };
        if let DataPin::Line { line, inverted } = carried
            && let Some(slot) = out.get_mut(line as usize)
        {
            if slot.is_some() {
                return Err((line, usize::from(pin)));
            }
            *slot = Some((pin, inverted));
        }
    }
    Ok(out)
}

/// How an area's words lie on the bus.
#[derive(Clone, Copy, Debug)]
pub(super) struct Words {
    pub(super) lines: u32,
    pub(super) word: u32,
    pub(super) lsb_first: bool,
    pub(super) start: u32,
    pub(super) period: u32,
}

impl Words {
    pub(super) fn steps(&self) -> u32 {
        self.word.div_ceil(self.lines)
    }

    /// Step and line of a bit of the word.
    pub(super) fn step(&self, bit: u32) -> (u32, u32) {
        let part = bit / self.lines;
        let t = match self.lsb_first {
            true => part,
            false => (self.steps() - 1).saturating_sub(part),
        };
        (self.start + t, bit % self.lines)
    }
}

/// Why a bit has no place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Miss {
    /// No chip answers for the line.
    NoHome,
    /// Two chips answer: indices into the layout's chips.
    Contention(u16, u16),
    /// The cell does not exist in the chip.
    Outside(u16),
    /// A counter has a bit set that reaches no pin of the chip.
    Lost(u16, usize),
    /// The address is below 0 or beyond 32 bits.
    Negative,
}

/// The wiring of an area, or of a copy of it.
#[derive(Clone, Debug)]
pub(super) struct Wiring {
    pub(super) words: Words,
    pub(super) base: i64,
    pub(super) axes: Vec<(i64, i64)>,
    pub(super) chips: Vec<WiredChip>,
}

/// One chip in one entry.
struct Here<'w> {
    chip: &'w WiredChip,
    counters: [u32; MAX_COUNTERS],
    base: i64,
}

/// The chips that hold an entry, ready to place its bits.
pub(super) struct EntryWiring<'w> {
    wiring: &'w Wiring,
    here: Vec<Here<'w>>,
    /// Chips that answered for the last cell asked, with the cell.
    answering: Vec<(&'w WiredChip, Result<u32, Miss>)>,
    last: Option<(u32, u32)>,
}

impl Wiring {
    /// The wiring at an index along each axis.
    pub(super) fn entry(&self, indices: &[usize]) -> EntryWiring<'_> {
        let mut here = Vec::with_capacity(self.chips.len());
        'chips: for chip in &self.chips {
            let mut counters = [0; MAX_COUNTERS];
            let mut base = self.base;
            for (i, (&index, &(at, stride))) in indices.iter().zip(&self.axes).enumerate() {
                let held = chip
                    .counters
                    .get(i)
                    .and_then(|c| c.get(index))
                    .copied()
                    .flatten();
                let Some(counter) = held else { continue 'chips };
                if let Some(slot) = counters.get_mut(3 + i) {
                    *slot = counter;
                }
                base += at + stride * i64::from(counter);
            }
            here.push(Here {
                chip,
                counters,
                base,
            });
        }
        EntryWiring {
            wiring: self,
            here,
            answering: Vec::new(),
            last: None,
        }
    }

    /// The place of a line at an address, where only the address matters.
    pub(super) fn at_address(&self, address: u32, line: u32) -> Result<BitPlace, Miss> {
        let here = self
            .chips
            .iter()
            .map(|chip| Here {
                chip,
                counters: [0; MAX_COUNTERS],
                base: i64::from(address),
            })
            .collect();
        let mut entry = EntryWiring {
            wiring: self,
            here,
            answering: Vec::new(),
            last: None,
        };
        entry.answer(0, 0);
        entry.pick(line)
    }
}

impl EntryWiring<'_> {
    /// The place of a bit of a slot's word.
    pub(super) fn place(&mut self, unit: u32, bit: u32) -> Result<BitPlace, Miss> {
        let (step, line) = self.wiring.words.step(bit);
        self.at(unit, step, line)
    }

    /// The place of a line of the bus at a step of a slot.
    #[inline]
    pub(super) fn at(&mut self, unit: u32, step: u32, line: u32) -> Result<BitPlace, Miss> {
        if self.last != Some((unit, step)) {
            self.answer(unit, step);
        }
        // The usual case: one chip, which has the cell and carries the line.
        if let [(chip, Ok(cell))] = self.answering[..]
            && let Some(Some((pin, inverted))) = chip.pins.get(line as usize)
        {
            return Ok(BitPlace {
                chip: chip.chip,
                cell,
                line: *pin,
                inverted: *inverted,
            });
        }
        self.pick(line)
    }

    /// Finds the chips that answer at a step of a slot, and their cells.
    fn answer(&mut self, unit: u32, step: u32) {
        self.last = Some((unit, step));
        self.answering.clear();
        let along = i64::from(unit) * i64::from(self.wiring.words.period) + i64::from(step);
        for here in &mut self.here {
            let chip = here.chip;
            let address = u32::try_from(here.base + along);
            let uses_address = chip.reaches[0] != 0;
            if uses_address && address.is_err() {
                self.answering.push((chip, Err(Miss::Negative)));
                continue;
            }
            here.counters[0] = address.unwrap_or(0);
            here.counters[1] = step;
            here.counters[2] = unit;
            if !chip.enable.iter().all(|e| e.value(&here.counters)) {
                continue;
            }
            let lost = here
                .counters
                .iter()
                .zip(&chip.lost)
                .position(|(value, mask)| value & mask != 0);
            let cell = match (lost, chip.plain) {
                // Where the address goes straight to the pins, what does not fit lies beyond the chip.
                (Some(0), Some(_)) => Err(Miss::Outside(chip.chip)),
                (Some(counter), _) => Err(Miss::Lost(chip.chip, counter)),
                (None, Some(mask)) => Ok(here.counters[0] & mask),
                (None, None) => {
                    let mut cell = 0;
                    for (i, pin) in chip.address.iter().enumerate() {
                        cell |= u32::from(pin.value(&here.counters)) << i;
                    }
                    Ok(cell)
                }
            };
            let cell = match cell {
                Ok(c) if !(chip.cells.0..=chip.cells.1).contains(&c) => {
                    Err(Miss::Outside(chip.chip))
                }
                other => other,
            };
            self.answering.push((chip, cell));
        }
    }

    #[cold]
    fn pick(&self, line: u32) -> Result<BitPlace, Miss> {
        let mut found: Option<BitPlace> = None;
        for (chip, cell) in &self.answering {
            let Some(Some((pin, inverted))) = chip.pins.get(line as usize) else {
                continue;
            };
            if let Some(first) = found {
                return Err(Miss::Contention(first.chip, chip.chip));
            }
            found = Some(BitPlace {
                chip: chip.chip,
                cell: (*cell)?,
                line: *pin,
                inverted: *inverted,
            });
        }
        found.ok_or(Miss::NoHome)
    }
}
