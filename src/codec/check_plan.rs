//! Checks compiled for contents of one layout: each word is read run by run instead of bit by bit, and the table of
//! a CRC is built once.

mod open;

use std::collections::HashMap;
use std::sync::OnceLock;

use super::checks::{Verdict, compute_over};
use super::crc_catalog::{self, Engine};
use super::{Memory, low_mask, memory};
use crate::layout::model::{BitPlace, Check, CheckInstance, Layout, Method};
pub(crate) use open::{LEANINGS, Open, leaning};

/// Bits side by side in one cell that are side by side in a word.
#[derive(Clone, Copy, Debug)]
struct Run {
    /// Byte in the contents.
    at: usize,
    /// Line of the lowest bit.
    shift: u8,
    /// As many ones as there are bits.
    mask: u8,
    /// Exclusive-ored in.
    invert: u8,
    /// Position of the lowest bit in the word.
    to: u8,
}

/// A word: its runs, and its width in bits.
#[derive(Clone, Debug)]
struct Word {
    runs: std::ops::Range<usize>,
    width: u8,
}

/// One stored check.
#[derive(Debug)]
struct InstancePlan {
    words: Vec<Word>,
    stored: Word,
    runs: Vec<Run>,
    /// Every byte it reads, each once, in rising order.
    cells: Vec<usize>,
    /// A bit lies outside the chips: it is never decided.
    outside: bool,
    /// A bit is read more than once.
    again: bool,
}

/// A check of an area, compiled.
#[derive(Debug)]
pub(crate) struct CheckPlan {
    method: Method,
    engine: Option<&'static Engine>,
    width: u8,
    instances: Vec<InstancePlan>,
    /// For a CRC, what flipping each covered bit of the first instance does to the code: it is linear, so this
    /// depends on the place of a bit alone.
    effects: OnceLock<Vec<u64>>,
}

impl CheckPlan {
    /// Compiles a check of the layout.
    pub(crate) fn new(layout: &Layout, check: &Check) -> Self {
        let bases = memory::bases(layout);
        let at = |p: &BitPlace| {
            let chip = layout.chips.get(usize::from(p.chip))?;
            let inside = p.cell < chip.words && p.line < chip.width;
            inside.then(|| bases[usize::from(p.chip)] + p.cell as usize)
        };
        Self {
            engine: match &check.method {
                Method::Crc { name } => crc_catalog::engine(name),
                _ => None,
            },
            method: check.method.clone(),
            width: check.width,
            instances: check
                .instances
                .iter()
                .map(|i| InstancePlan::new(i, &at))
                .collect(),
            effects: OnceLock::new(),
        }
    }

    /// The verdict of one instance.
    pub(crate) fn verdict(&self, instance: usize, memory: &Memory) -> Verdict {
        let Some(plan) = self.instances.get(instance).filter(|p| !p.outside) else {
            return Verdict::Undecided;
        };
        let Some(stored) = plan.read(&plan.stored, memory) else {
            return Verdict::Undecided;
        };
        match self.compute(plan, memory) {
            Some(computed) if computed == stored => Verdict::Holds,
            Some(computed) => Verdict::Fails { stored, computed },
            None => Verdict::Undecided,
        }
    }

    fn compute(&self, plan: &InstancePlan, memory: &Memory) -> Option<u64> {
        if let (Method::Crc { .. }, engine) = (&self.method, self.engine) {
            let mut bytes = Vec::with_capacity(plan.words.len());
            for word in &plan.words {
                let value = plan.read(word, memory)?;
                let count = usize::from(word.width.div_ceil(8));
                bytes.extend_from_slice(&value.to_le_bytes()[..count]);
            }
            return Some(engine?.checksum(&bytes) & low_mask(self.width));
        }
        let words: Option<Vec<(u64, u8)>> = plan
            .words
            .iter()
            .map(|w| Some((plan.read(w, memory)?, w.width)))
            .collect();
        compute_over(&self.method, self.width, &words?)
    }

    /// The bits each of which, flipped alone, makes a failed check hold; the stored ones last.
    pub(crate) fn single_flips(
        &self,
        at: usize,
        instance: &CheckInstance,
        memory: &Memory,
    ) -> Vec<BitPlace> {
        let Verdict::Fails { stored, computed } = self.verdict(at, memory) else {
            return Vec::new();
        };
        let wrong = stored ^ computed;
        let covered = instance.words.bits();
        if let Some(effects) = self.effects(at) {
            let input = covered.iter().zip(effects).filter(|(_, e)| **e == wrong);
            let own = instance.stored.iter().enumerate();
            let own = own.filter(|(k, _)| wrong == 1u64.checked_shl(*k as u32).unwrap_or(0));
            return input.map(|(p, _)| *p).chain(own.map(|(_, p)| *p)).collect();
        }
        let mut memory = memory.clone();
        let mut out = Vec::new();
        for p in covered.iter().chain(&instance.stored) {
            let Some(bit) = memory.bit(*p) else { continue };
            memory.set_bit(*p, !bit);
            if self.verdict(at, &memory) == Verdict::Holds {
                out.push(*p);
            }
            memory.set_bit(*p, bit);
        }
        out
    }

    /// What flipping each covered bit does to the code, where that can be said once for all contents.
    fn effects(&self, at: usize) -> Option<&[u64]> {
        let engine = self.engine?;
        let (first, plan) = (self.instances.first()?, self.instances.get(at)?);
        let widths = |p: &InstancePlan| p.words.iter().map(|w| w.width).collect::<Vec<u8>>();
        if plan.again || widths(first) != widths(plan) {
            return None;
        }
        let effects = self.effects.get_or_init(|| {
            let starts: Vec<(usize, u8)> = first
                .words
                .iter()
                .scan(0, |at, w| {
                    let start = *at;
                    *at += usize::from(w.width.div_ceil(8));
                    Some((start, w.width))
                })
                .collect();
            let bytes = starts.iter().map(|w| usize::from(w.1.div_ceil(8))).sum();
            let mut message = vec![0u8; bytes];
            let nothing = engine.checksum(&message);
            let mut effects = Vec::new();
            for (start, width) in starts {
                for bit in 0..usize::from(width) {
                    message[start + bit / 8] ^= 1 << (bit % 8);
                    effects.push((engine.checksum(&message) ^ nothing) & low_mask(self.width));
                    message[start + bit / 8] ^= 1 << (bit % 8);
                }
            }
            effects
        });
        Some(effects)
    }

    /// Whether a bit that an instance reads, and that both contents know, differs between them.
    pub(crate) fn touched(&self, instance: usize, a: &Memory, b: &Memory) -> bool {
        self.instances
            .get(instance)
            .is_some_and(|p| p.cells.iter().any(|at| a.differs(b, *at)))
    }
}

impl InstancePlan {
    fn new(instance: &CheckInstance, at: &impl Fn(&BitPlace) -> Option<usize>) -> Self {
        let mut plan = Self {
            words: Vec::with_capacity(instance.words.len()),
            stored: Word {
                runs: 0..0,
                width: 0,
            },
            runs: Vec::new(),
            cells: Vec::new(),
            outside: false,
            again: false,
        };
        for places in instance.words.iter() {
            let word = plan.compile(places, at);
            plan.words.push(word);
        }
        plan.stored = plan.compile(&instance.stored, at);
        let mut lines: HashMap<usize, u8> = HashMap::with_capacity(plan.runs.len());
        for run in &plan.runs {
            let taken = lines.entry(run.at).or_default();
            plan.again |= *taken & run.mask << run.shift != 0;
            *taken |= run.mask << run.shift;
        }
        plan.cells = plan.runs.iter().map(|r| r.at).collect();
        plan.cells.sort_unstable();
        plan.cells.dedup();
        plan
    }

    fn compile(&mut self, places: &[BitPlace], at: &impl Fn(&BitPlace) -> Option<usize>) -> Word {
        let from = self.runs.len();
        let places = &places[..places.len().min(64)];
        for (to, place) in places.iter().enumerate() {
            let Some(at) = at(place) else {
                self.outside = true;
                continue;
            };
            let invert = u8::from(place.inverted);
            let last = self.runs.len();
            match self.runs[from..].last_mut() {
                Some(run)
                    if last > from
                        && run.at == at
                        && run.shift + run.mask.count_ones() as u8 == place.line
                        && run.to + run.mask.count_ones() as u8 == to as u8 =>
                {
                    run.invert |= invert << run.mask.count_ones();
                    run.mask = run.mask << 1 | 1;
                }
                _ => self.runs.push(Run {
                    at,
                    shift: place.line,
                    mask: 1,
                    invert,
                    to: to as u8,
                }),
            }
        }
        Word {
            runs: from..self.runs.len(),
            width: places.len() as u8,
        }
    }

    /// A word's code; nothing where a bit of it is unknown.
    fn read(&self, word: &Word, memory: &Memory) -> Option<u64> {
        let mut code = 0;
        for run in &self.runs[word.runs.clone()] {
            let (value, known) = memory.byte(run.at);
            if known >> run.shift & run.mask != run.mask {
                return None;
            }
            let bits = (value >> run.shift ^ run.invert) & run.mask;
            code |= u64::from(bits) << run.to;
        }
        Some(code)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::super::checks;
    use super::*;
    use crate::image::ChipImage;

    /// The plan and the plain way, which is checked against published values, agree on whatever the chips hold.
    #[test]
    fn plans_agree_with_the_plain_way() {
        for id in [
            "pellow-six",
            "quillon-72",
            "tessaly-nine",
            "wrenfield-strings",
        ] {
            let layout = crate::layout::load(id).expect("a shipped layout");
            let mut state = 0x1234_5678_9abc_def1u64;
            let mut next = || {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                state
            };
            for round in 0..3 {
                let images: Vec<ChipImage> = layout
                    .chips
                    .iter()
                    .map(|c| {
                        let cells: Vec<u8> = (0..c.words).map(|_| next() as u8).collect();
                        let mut image = ChipImage::from_cells(c.width, &cells).unwrap();
                        if round == 2 {
                            image.edit(|_, v, k| if next() % 500 == 0 { (0, 0) } else { (v, k) });
                        }
                        image
                    })
                    .collect();
                let refs: Vec<&ChipImage> = images.iter().collect();
                let mut memory = Memory::of_images(&layout, &refs).unwrap();
                for check in layout.areas.iter().flat_map(|a| &a.checks) {
                    let plan = CheckPlan::new(&layout, check);
                    for (i, instance) in check.instances.iter().enumerate() {
                        if round == 1
                            && let Some(code) = checks::compute(check, instance, &memory)
                        {
                            memory.scatter(&instance.stored, code);
                        }
                        let plain = checks::verdict(check, instance, &memory);
                        assert_eq!(plan.verdict(i, &memory), plain, "{id} {} {i}", check.key);
                    }
                }
            }
        }
    }

    /// One flipped bit of a CRC is found where it is, whether it is covered or stored: the stored code is computed
    /// the plain way.
    #[test]
    fn the_flipped_bit_is_among_those_that_would_do() {
        let layout = crate::layout::load("tessaly-nine").expect("a shipped layout");
        let cells: Vec<u8> = (0..layout.chips[0].words)
            .map(|c| ((c * 37) >> 3) as u8)
            .collect();
        let image = ChipImage::from_cells(8, &cells).unwrap();
        let mut memory = Memory::of_images(&layout, &[&image]).unwrap();
        let area = layout.area("presets").unwrap();
        let check = area.checks.iter().find(|c| c.key == "crc").unwrap();
        let plan = CheckPlan::new(&layout, check);
        for (i, instance) in check.instances.iter().enumerate().take(5) {
            let code = checks::compute(check, instance, &memory).unwrap();
            memory.scatter(&instance.stored, code);
            let covered = instance.words.bits();
            for place in [
                covered[7 * i],
                covered[covered.len() - 1 - i],
                instance.stored[i],
            ] {
                let bit = memory.bit(place).unwrap();
                memory.set_bit(place, !bit);
                // A CRC of 16 bits over fewer than 2^15 - 1 bits tells every single bit from every other.
                assert_eq!(plan.single_flips(i, instance, &memory), [place]);
                memory.set_bit(place, bit);
            }
        }
    }
}
