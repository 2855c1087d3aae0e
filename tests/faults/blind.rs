//! What an observer could reach who knows the contents of the earlier reading, how the owner dials, what was done to many
//! entries at once and with what chances the bench draws edits and stray writes, but not which entries were edited since.
//!
//! He weighs how likely what is seen is with a stray write against how likely it is with edits alone, both summed over
//! everything that may have happened, and calls it damage where the ratio is above what at most three in a thousand healthy
//! edited banks reach. By the lemma of Neyman and Pearson (1933) nobody who knows no more finds more of the damage at that rate
//! of false alarms. Where he would have to weigh more than is written here he is told that it is damage, which only
//! makes him better: where an edited entry was hit, and where a check or a copy lies over what was hit. Of entries under a check or a
//! copy he is told how often each was edited.

use std::collections::BTreeMap;

use cellkeep::codec::Memory;
use cellkeep::image::ChipImage;
use cellkeep::layout::model::*;

use crate::banks::{Done, Maker};
use crate::chances::{EDITS, Edits, Value, edited};
use crate::trial::Trial;

/// Share of healthy banks in which damage may be seen.
const ALARMS: f64 = 0.003;

/// Chance that at least `least` of `n` even coins show heads.
fn at_least(n: u64, least: u64) -> f64 {
    let mut choose = 1.0;
    let mut below = 0.0;
    for k in 0..least.min(n + 1) {
        below += choose;
        choose *= (n - k) as f64 / (k + 1) as f64;
    }
    1.0 - below * (-(n as f64)).exp2()
}

/// A bit of a chip.
type Bit = (usize, usize, u8);
/// An entry that changed: the chances of its edits, and its changed bits.
type Moved = (Edits, Vec<Bit>);

/// Chances of the stray writes that the bench makes.
struct Writes<'a> {
    layout: &'a Layout,
    /// Chance that a glitch changes enough to count.
    glitches: f64,
    /// For each entry that can be trampled the cells of each chip; and the chance that a trampled one is drawn and changes
    /// enough to count.
    trampled: BTreeMap<(usize, usize), (Vec<usize>, Vec<usize>)>,
    tramples: f64,
}

impl<'a> Writes<'a> {
    fn new(layout: &'a Layout) -> Self {
        let mut glitches = 0.0;
        for chip in &layout.chips {
            let lengths = lengths(chip.width);
            for length in lengths.clone() {
                let bits = length as u64 * u64::from(chip.width);
                glitches += at_least(bits, crate::trial::EFFECT.into())
                    / (lengths.clone().count() * layout.chips.len()) as f64;
            }
        }
        let mut trampled = BTreeMap::new();
        // Where the first draw changes too little it is drawn again.
        let mut too_little = 0.0;
        for (a, area) in layout.areas.iter().enumerate() {
            for e in 0..area.entries() {
                let Some((chips, cells)) = side_by_side(area, e) else {
                    continue;
                };
                let width: u64 = chips
                    .iter()
                    .map(|c| u64::from(layout.chips[*c].width))
                    .sum();
                let enough = at_least(width * cells.len() as u64, crate::trial::EFFECT.into());
                too_little += (1.0 - enough) / (layout.areas.len() * area.entries()) as f64;
                trampled.insert((a, e), (chips, cells));
            }
        }
        Self {
            layout,
            glitches,
            trampled,
            tramples: 1.0 - too_little,
        }
    }

    /// Chance of a write that changes exactly these bits, as the injector draws it, once for each fault asked for.
    fn exactly(&self, bits: &[Bit]) -> f64 {
        if bits.len() < crate::trial::EFFECT as usize {
            return 0.0;
        }
        let mut sum = 0.0;
        let chip = bits[0].0;
        if bits.iter().all(|b| b.0 == chip) {
            let (of, n) = (
                &self.layout.chips[chip],
                self.layout.chips[chip].words as usize,
            );
            let first = bits.iter().map(|b| b.1).min().unwrap_or(0);
            let last = bits.iter().map(|b| b.1).max().unwrap_or(0);
            let lengths = lengths(of.width);
            for length in lengths.clone() {
                let noise = (-((length * usize::from(of.width)) as f64)).exp2();
                for start in (last + 1).saturating_sub(length)..=first {
                    let mut chance = if start == 0 { 0.3 } else { 0.0 };
                    if start < n - length {
                        chance += 0.7 / (n - length) as f64;
                    }
                    let drawn = (lengths.clone().count() * self.layout.chips.len()) as f64;
                    sum += chance * noise / drawn / self.glitches;
                }
            }
        }
        for ((a, _), (chips, cells)) in &self.trampled {
            let inside = |b: &Bit| chips.contains(&b.0) && cells.binary_search(&b.1).is_ok();
            if !bits.iter().all(inside) {
                continue;
            }
            let widths = chips
                .iter()
                .map(|c| usize::from(self.layout.chips[*c].width));
            let noise = (-((cells.len() * widths.sum::<usize>()) as f64)).exp2();
            let entries = self.layout.areas[*a].entries() * self.layout.areas.len();
            sum += noise / entries as f64 / self.tramples;
        }
        sum
    }
}

/// How many cells a glitch may hit.
fn lengths(width: u8) -> std::ops::RangeInclusive<usize> {
    if width == 1 { 6..=16 } else { 2..=10 }
}

/// The chips and cells of an entry that lies in the same cells of each of its chips, side by side.
fn side_by_side(area: &Area, e: usize) -> Option<(Vec<usize>, Vec<usize>)> {
    let mut by_chip: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for p in &area.places[e * area.bits_per_entry..(e + 1) * area.bits_per_entry] {
        by_chip
            .entry(p.chip.into())
            .or_default()
            .push(p.cell as usize);
    }
    for cells in by_chip.values_mut() {
        cells.sort_unstable();
        cells.dedup();
    }
    let cells = by_chip.values().next()?.clone();
    let beside = cells.windows(2).all(|w| w[0] + 1 == w[1]);
    (beside && by_chip.values().all(|c| *c == cells))
        .then(|| (by_chip.into_keys().collect(), cells))
}

/// The observer of one bank.
pub(crate) struct Blind<'a> {
    maker: &'a Maker<'a>,
    writes: Writes<'a>,
    /// The bank before anything was edited, but for what was done to many entries.
    base: Memory,
    mass: bool,
    /// Entries edited after that, under a check or a copy: he is told of them.
    edited: Vec<(usize, usize)>,
    /// Fields of each area that hold values.
    fields: Vec<Vec<usize>>,
    /// Lines of each cell of each chip that an edit of some values may change, and those that a check or a copy is over.
    values: Vec<Vec<u8>>,
    watched: Vec<Vec<u8>>,
}

fn lines<'p>(layout: &Layout, places: impl Iterator<Item = &'p BitPlace>) -> Vec<Vec<u8>> {
    let mut out: Vec<Vec<u8>> = layout
        .chips
        .iter()
        .map(|c| vec![0; c.words as usize])
        .collect();
    for p in places {
        out[usize::from(p.chip)][p.cell as usize] |= 1 << p.line;
    }
    out
}

impl<'a> Blind<'a> {
    pub(crate) fn new(maker: &'a Maker<'a>, done: &Done) -> Self {
        let layout = maker.layout;
        let areas = || layout.areas.iter();
        let fields: Vec<Vec<usize>> = (0..layout.areas.len()).map(|a| maker.values(a)).collect();
        let values = areas().zip(&fields).flat_map(|(area, fields)| {
            let entries = 0..area.entries();
            entries.flat_map(move |e| fields.iter().flat_map(move |f| area.field_places(e, *f)))
        });
        let values = lines(layout, values);
        let instances = areas().flat_map(|a| a.checks.iter().flat_map(|c| &c.instances));
        let checks = instances.flat_map(|i| i.words.bits().iter().chain(&i.stored));
        let copies = areas().filter(|a| !a.copies.is_empty());
        let copies = copies.flat_map(|a| {
            a.places
                .iter()
                .chain(a.copies.iter().flat_map(|c| &c.places))
        });
        Self {
            maker,
            writes: Writes::new(layout),
            base: done.base.clone(),
            mass: done.mass,
            edited: done.entries.clone(),
            values,
            fields,
            watched: lines(layout, checks.chain(copies)),
        }
    }

    fn images(memory: &Memory) -> Vec<ChipImage> {
        memory.images().expect("shapes of the layout")
    }

    /// Bits that differ between two contents.
    fn differing(a: &[ChipImage], b: &[ChipImage]) -> Vec<Bit> {
        let mut out = Vec::new();
        for (chip, (a, b)) in a.iter().zip(b).enumerate() {
            for (cell, (x, y)) in a.values().iter().zip(b.values()).enumerate() {
                let lines = (0..8u8).filter(|l| (x ^ y) >> l & 1 == 1);
                out.extend(lines.map(|l| (chip, cell, l)));
            }
        }
        out
    }

    fn is(lines: &[Vec<u8>], bit: &Bit) -> bool {
        lines[bit.0][bit.1] >> bit.2 & 1 == 1
    }

    /// Whether he is told that it is damage: something is over what was hit, or an edited entry was hit.
    pub(crate) fn is_told(&self, trial: &Trial, done: &Done) -> bool {
        let hit = Self::differing(&trial.truth, &trial.seen);
        let touched = done.entries.iter().flat_map(|(a, e)| {
            let per = self.maker.layout.areas[*a].bits_per_entry;
            &self.maker.layout.areas[*a].places[e * per..(e + 1) * per]
        });
        let touched = lines(self.maker.layout, touched);
        hit.iter()
            .any(|b| Self::is(&self.watched, b) || Self::is(&touched, b))
    }

    /// Chance that an entry holds what it holds now after so many edits of it, each of them falling on it.
    fn entry(&self, (a, e): (usize, usize), seen: &Memory, areas: usize) -> Edits {
        let area = &self.maker.layout.areas[a];
        let falls = 1.0 / (areas * area.entries()) as f64;
        let per = area.bits_per_entry;
        let mut places = area.places[e * per..(e + 1) * per].iter();
        if places.any(|p| Self::is(&self.watched, &(p.chip.into(), p.cell as usize, p.line))) {
            let times = self.edited.iter().filter(|x| **x == (a, e)).count();
            let mut of = [0.0; EDITS + 1];
            of[times] = (1..=times).fold(1.0, |p, m| p * falls / m as f64);
            return Edits { of, log2: 0.0 };
        }
        let values = self.fields[a].iter().map(|f| {
            let places = area.field_places(e, *f);
            let (now, before) = (seen.gather(places).0, self.base.gather(places).0);
            let (codes, dialled) = self.maker.dialled(a, *f, now);
            let legal = |code| codes.binary_search(&code).is_ok();
            Value {
                codes: codes.len() as f64,
                legal: (legal(now), legal(before)),
                changed: now != before,
                dialled,
            }
        });
        let (mut of, log2) = edited(&values.collect::<Vec<_>>());
        let mut factor = 1.0;
        for (m, of) in of.iter_mut().enumerate() {
            factor *= if m > 0 { falls / m as f64 } else { 1.0 };
            *of *= factor;
        }
        Edits { of, log2 }
    }

    /// Chance that the rest of the bank is as it is after so many edits; and each entry that changed, with its changed bits. Nothing
    /// where no edit leads to what is seen.
    fn by_entry(&self, now: &Memory) -> Option<(Edits, Vec<Moved>)> {
        let layout = self.maker.layout;
        let changed = Self::differing(&Self::images(now), &Self::images(&self.base));
        // Checks and copies follow what they are over.
        let mut expected = self.base.clone();
        for b in changed.iter().filter(|b| Self::is(&self.values, b)) {
            let place = BitPlace {
                chip: b.0 as u16,
                cell: b.1 as u32,
                line: b.2,
                inverted: false,
            };
            expected.set_bit(place, now.bit(place).expect("a known bit"));
        }
        self.maker.settle_promises(&mut expected);
        if expected != *now {
            return None;
        }
        let areas: Vec<usize> = (0..layout.areas.len())
            .filter(|a| !self.fields[*a].is_empty())
            .collect();
        let mut rest = Edits::NONE;
        let mut moved = Vec::new();
        for a in &areas {
            let area = &layout.areas[*a];
            for e in 0..area.entries() {
                let edits = self.entry((*a, e), now, areas.len());
                let fields = self.fields[*a].iter();
                let places = fields.flat_map(|f| area.field_places(e, *f));
                let places = places.map(|p| (usize::from(p.chip), p.cell as usize, p.line));
                let mut bits: Vec<Bit> = places.collect();
                bits.retain(|b| changed.binary_search(b).is_ok());
                if bits.is_empty() {
                    rest = rest.times(&edits);
                } else {
                    moved.push((edits, bits));
                }
            }
        }
        // Nor does an owner edit more.
        (moved.len() <= EDITS).then_some((rest, moved))
    }

    /// Chance that edits alone lead to these contents.
    #[allow(dead_code)] // Asked by the short form only.
    pub(crate) fn by_edits(&self, now: &Memory) -> f64 {
        self.by_entry(now).map_or(0.0, |(rest, moved)| {
            let all = moved.iter().fold(rest, |all, (e, _)| all.times(e));
            all.some() * all.log2.exp2()
        })
    }

    /// How many times likelier what is seen is with a stray write (a glitch or a trampled entry, as often as the bench makes
    /// them) than with edits alone.
    pub(crate) fn odds(&self, now: &Memory) -> f64 {
        let Some((rest, moved)) = self.by_entry(now) else {
            return f64::INFINITY;
        };
        let with = |hit: usize| {
            let others = moved.iter().enumerate().filter(|(i, _)| hit >> i & 1 == 0);
            others.fold(rest, |edits, (_, (e, _))| edits.times(e))
        };
        let sound = with(0);
        if sound.some() <= 0.0 {
            return f64::INFINITY;
        }
        let mut odds = 0.0;
        for hit in 1..1usize << moved.len() {
            let of = moved.iter().enumerate().filter(|(i, _)| hit >> i & 1 == 1);
            let bits: Vec<Bit> = of.flat_map(|(_, (_, bits))| bits.iter().copied()).collect();
            if bits.iter().any(|b| Self::is(&self.watched, b)) {
                continue;
            }
            let others = with(hit);
            // Half of the owners edited nothing, and then nothing was done to many entries either.
            let once = crate::banks::MANY;
            let (some, none) = (others.some() / sound.some(), others.of[0] / sound.some());
            let owner = match self.mass {
                true => 0.5 * some,
                false => 0.5 * some + 0.5 * none / (1.0 - once),
            };
            odds += self.writes.exactly(&bits) * owner * (others.log2 - sound.log2).exp2();
        }
        odds
    }
}

/// The odds above which he sees damage, from those of healthy edited banks.
pub(crate) fn threshold(mut healthy: Vec<f64>) -> f64 {
    healthy.sort_by(|a, b| b.total_cmp(a));
    let called = (healthy.len() as f64 * ALARMS) as usize;
    healthy.get(called).copied().unwrap_or(f64::INFINITY)
}

/// The odds in one trial; without any where it is not known how its owner dials.
pub(crate) fn of_trial(layout: &Layout, trial: &Trial) -> Option<f64> {
    let (start, done) = trial.owner.as_ref()?;
    let maker = Maker::new(layout, &mut start.clone());
    let blind = Blind::new(&maker, done);
    Some(match blind.is_told(trial, done) {
        true => f64::INFINITY,
        false => {
            let refs: Vec<&ChipImage> = trial.seen.iter().collect();
            blind.odds(&Memory::of_images(layout, &refs).expect("images of the layout"))
        }
    })
}
