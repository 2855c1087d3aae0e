//! Whole chips that say nothing about the presets: dead, random, at their power-up pattern, or half a nibble.

use std::sync::Arc;

use super::{Cause, FAULT, Names, Scene, Shared, address_lines, otherwise, sample};
use crate::evidence::one_of;
use crate::finding::{Finding, Place, Severity};
use crate::image::ChipImage;

/// What is seen instead of the contents.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Filler {
    /// The same value in every cell.
    Constant(u8),
    /// Noise without pattern.
    Noise,
    /// Stripes: each line follows the parity of some address lines (a mask), inverted or not.
    Stripes(Vec<(u32, bool)>),
    /// One half of an 8-bit cell is constant; true for the high half.
    Half(bool, u8),
    /// Both halves of an 8-bit cell read alike; true where they show the high half.
    Doubled(bool),
}

/// How far a whole-chip fault reaches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scope {
    /// One chip.
    Chip,
    /// All chips of one board.
    Board,
    /// Every chip.
    All,
}

/// Chips that read as something else than what they should hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WholeChip {
    /// Each chip concerned, with what is seen.
    pub chips: Vec<(usize, Filler)>,
    /// How far it reaches.
    pub scope: Scope,
}

fn parity(cell: u32, mask: u32) -> u8 {
    ((cell & mask).count_ones() & 1) as u8
}

impl WholeChip {
    fn filler(&self) -> &Filler {
        const NOISE: Filler = Filler::Noise;
        self.chips.first().map_or(&NOISE, |c| &c.1)
    }
}

impl Cause for WholeChip {
    fn code(&self) -> &'static str {
        match (self.scope, self.filler()) {
            (Scope::All, Filler::Constant(_)) => "all.blank",
            (_, Filler::Constant(_)) => "chip.dead",
            (Scope::All, Filler::Noise) => "all.random",
            (Scope::All, Filler::Stripes(_)) => "all.power-up",
            (_, Filler::Noise) => "chip.random",
            (_, Filler::Stripes(_)) => "chip.power-up",
            (_, Filler::Half(..) | Filler::Doubled(_)) => "chip.half",
        }
    }

    fn length(&self, chips: &[ChipImage]) -> f64 {
        let place = match self.scope {
            Scope::All => 0.0,
            _ => one_of(2 * chips.len()),
        };
        let shape: f64 = self
            .chips
            .iter()
            .filter_map(|(chip, filler)| {
                let image = chips.get(*chip)?;
                let width = f64::from(image.width());
                Some(match filler {
                    // All ones and all zeros are what floating buses and blank parts read (common practice, no source).
                    Filler::Constant(v) if *v == 0 || *v == image.mask() => 1.3,
                    // A part of four bits read as one of eight: the half that is not there floats by itself.
                    Filler::Constant(0x0f | 0xf0) if image.mask() == 0xff => 2.3,
                    Filler::Constant(_) => width + 1.0,
                    Filler::Noise => 0.0,
                    Filler::Stripes(_) => width * (1.0 + stripes(image).len() as f64).log2() + 1.0,
                    Filler::Half(..) => 6.0,
                    Filler::Doubled(_) => 3.0,
                })
            })
            .sum();
        FAULT + place + shape
    }

    fn forward(&self, chips: &mut [ChipImage]) {
        for (chip, filler) in &self.chips {
            let Some(image) = chips.get_mut(*chip) else {
                continue;
            };
            let mask = image.mask();
            image.edit(|cell, v, k| match filler {
                Filler::Constant(c) => (*c, mask),
                Filler::Noise => (0, 0),
                Filler::Stripes(lines) => {
                    let v = lines.iter().enumerate().fold(0u8, |v, (l, (m, inverted))| {
                        v | (parity(cell, *m) ^ u8::from(*inverted)) << l
                    });
                    (v, mask)
                }
                Filler::Half(true, c) => (v & 0x0f | c << 4, k | 0xf0),
                Filler::Half(false, c) => (v & 0xf0 | c & 0x0f, k | 0x0f),
                Filler::Doubled(false) => (v & 0x0f | v << 4, k & 0x0f | k << 4),
                Filler::Doubled(true) => (v & 0xf0 | v >> 4, k & 0xf0 | k >> 4),
            });
        }
    }

    fn undo(&self, chips: &mut [ChipImage], _plausible: bool) {
        for (chip, filler) in &self.chips {
            let Some(image) = chips.get_mut(*chip) else {
                continue;
            };
            let keep = match filler {
                Filler::Half(true, _) | Filler::Doubled(false) => 0x0f,
                Filler::Half(false, _) | Filler::Doubled(true) => 0xf0,
                _ => 0,
            };
            image.edit(|_, v, k| (v & keep, k & keep));
        }
    }

    fn loose(&self) -> Vec<usize> {
        self.chips
            .iter()
            .filter(|c| matches!(c.1, Filler::Stripes(_)))
            .map(|c| c.0)
            .collect()
    }

    fn open(&self) -> bool {
        self.filler() == &Filler::Noise
    }

    fn chips(&self) -> Vec<usize> {
        self.chips.iter().map(|c| c.0).collect()
    }

    fn tell(&self, names: &Names) -> Finding {
        let ids: Vec<&str> = self.chips.iter().map(|c| names.of(c.0)).collect();
        let who = ids.join(", ");
        let f = Finding::new(self.code(), Severity::Damage, String::new()).at(Place {
            chips: self.chips.iter().map(|c| names.place(c.0)).collect(),
            ..Place::default()
        });
        let with = |f: Finding, says: String, means: &str, act: &str, list: &[&str]| {
            let mut f = f.means(means).act(act);
            f.says = says;
            otherwise(f, list)
        };
        match (self.scope, self.filler()) {
            (Scope::All, Filler::Constant(_)) => with(
                f,
                "every chip reads the same value in every cell".to_owned(),
                "Either nothing was read at all or the whole memory is blank.",
                "Check supply, ground and the chip enables at the reader, and read again before concluding anything.",
                &[
                    "the memory was blanked after its battery failed",
                    "the bank was never written",
                ],
            ),
            (_, Filler::Constant(v)) => with(
                f,
                format!("{who} reads {v:#04x} in every cell: it does not answer"),
                "The chip was not selected while it was read; its contents may be unharmed.",
                "Check the chip enable and output enable at the chip's own pins, its supply and ground, and read again.",
                &[
                    "the chip is blank",
                    "the file holds the nibble of another chip",
                    "its data pins are open or shorted",
                ],
            ),
            (Scope::All, Filler::Noise) => with(
                f,
                "no chip holds anything that resembles presets of this layout".to_owned(),
                "The whole memory lost its contents, or it was never of this layout.",
                "Check that the layout is the right one (identify) and read again; then measure the battery and the supply at the chips.",
                &["the layout of another instrument was given"],
            ),
            (Scope::All, Filler::Stripes(_)) => with(
                f,
                "every chip shows stripes along its address lines: the pattern cells fall into at power-up".to_owned(),
                "The whole memory lost its supply and came up anew; what it held is lost.",
                "Check the battery and its blocking part before anything is restored.",
                &["a test pattern was written by a device programmer"],
            ),
            (_, Filler::Noise) => with(
                f,
                format!("{who} holds nothing that resembles presets"),
                "What the chip held is lost, unless a second read shows something else.",
                "Check the supply of that chip or board: diode, track and battery connection. Read it once more.",
                &["the wrong chip or the wrong part was read"],
            ),
            (_, Filler::Stripes(_)) => with(
                f,
                format!(
                    "{who} shows stripes along its address lines: the pattern cells fall into at power-up"
                ),
                "The chip lost its supply and came up anew; what it held is lost.",
                "Check battery, blocking diode and the track to that chip before anything is restored.",
                &["a test pattern was written by a device programmer"],
            ),
            (_, Filler::Half(..) | Filler::Doubled(_)) => with(
                f,
                format!("{who}: only one half of each byte carries data"),
                "The file is of a 4-bit chip, or one of two 4-bit chips was not read.",
                "Say which half holds the nibble, or read the other chip of the pair.",
                &["four data lines open at once: a connector"],
            ),
        }
    }
}

/// Masks of address lines stripes are looked for along: none, one line, two lines.
fn stripes(image: &ChipImage) -> Vec<u32> {
    let n = address_lines(image);
    let mut masks = vec![0];
    for i in 0..n {
        masks.push(1 << i);
        for j in 0..i {
            masks.push(1 << i | 1 << j);
        }
    }
    masks
}

/// The stripes that fit best, when they fit at least three quarters of the cells on every line.
fn fit_stripes(image: &ChipImage) -> Option<Filler> {
    let masks = stripes(image);
    // An odd stride, so that every address line moves.
    let stride = (image.words() / 1024) | 1;
    let cells: Vec<u32> = (0..image.words()).step_by(stride as usize).collect();
    // Sixty-four cells a word.
    let packed = |bit: &dyn Fn(u32) -> bool| -> Vec<u64> {
        let pack = |block: &[u32]| {
            let bits = block.iter().enumerate();
            bits.fold(0u64, |word, (i, c)| word | u64::from(bit(*c)) << i)
        };
        cells.chunks(64).map(pack).collect()
    };
    let lines_alone: Vec<Vec<u64>> = (0..address_lines(image))
        .map(|l| packed(&|c| c >> l & 1 == 1))
        .collect();
    let pattern = |mask: u32| -> Vec<u64> {
        let mut pattern = vec![0; cells.len().div_ceil(64)];
        for (_, line) in lines_alone
            .iter()
            .enumerate()
            .filter(|l| mask >> l.0 & 1 == 1)
        {
            pattern.iter_mut().zip(line).for_each(|(p, l)| *p ^= l);
        }
        pattern
    };
    let patterns: Vec<Vec<u64>> = masks.iter().map(|m| pattern(*m)).collect();
    let mut lines = Vec::new();
    for line in 0..image.width() {
        let mut best = (0u32, 0u32, false);
        let bit = |c: u32| image.bit(c, line);
        let (ones, known) = (
            packed(&|c| bit(c) == Some(true)),
            packed(&|c| bit(c).is_some()),
        );
        let n: u32 = known.iter().map(|k| k.count_ones()).sum();
        if n == 0 {
            return None;
        }
        for (mask, pattern) in masks.iter().zip(&patterns) {
            let words = pattern.iter().zip(&ones).zip(&known);
            let other: u32 = words.map(|((p, o), k)| ((p ^ o) & k).count_ones()).sum();
            let agree = n - other;
            if agree > best.0 {
                best = (agree, *mask, false);
            }
            if other > best.0 {
                best = (other, *mask, true);
            }
        }
        if best.0 * 4 < n * 3 {
            return None;
        }
        lines.push((best.1, best.2));
    }
    lines
        .iter()
        .any(|l| l.0 != 0)
        .then_some(Filler::Stripes(lines))
}

/// The value nearly every cell holds, line by line, if there is one: at least this share of the cells.
fn constant(image: &ChipImage, share: f64) -> Option<Filler> {
    let mut ones = [0u32; 8];
    let mut known = [0u32; 8];
    for cell in sample(image.words()) {
        let (v, k) = (image.values()[cell as usize], image.known()[cell as usize]);
        for line in 0..usize::from(image.width()) {
            known[line] += u32::from(k >> line & 1);
            ones[line] += u32::from(v >> line & 1);
        }
    }
    let mut value = 0;
    for line in 0..usize::from(image.width()) {
        let (n, k) = (known[line], ones[line]);
        if f64::from(k.max(n - k)) < share * f64::from(n) || n == 0 {
            return None;
        }
        value |= u8::from(k * 2 > n) << line;
    }
    Some(Filler::Constant(value))
}

fn half(image: &ChipImage) -> Vec<Filler> {
    if image.width() != 8 {
        return Vec::new();
    }
    let (mut high, mut low) = ([0u32; 16], [0u32; 16]);
    let (mut n, mut alike) = (0u32, 0u32);
    for cell in sample(image.words()) {
        let c = cell as usize;
        if image.known()[c] == 0xff {
            let v = image.values()[c];
            high[usize::from(v >> 4)] += 1;
            low[usize::from(v & 15)] += 1;
            alike += u32::from(v >> 4 == v & 15);
            n += 1;
        }
    }
    let mut out = Vec::new();
    for (is_high, counts) in [(true, high), (false, low)] {
        if let Some((v, most)) = counts.iter().enumerate().max_by_key(|c| *c.1)
            && n > 0
            && most * 20 >= n * 19
        {
            out.push(Filler::Half(is_high, v as u8));
        }
    }
    if n > 0 && alike * 20 >= n * 19 {
        out.extend([false, true].map(Filler::Doubled));
    }
    out
}

/// Whether noise is worth weighing in a chip: changed cells with an earlier reading, strain or broken
/// promises without.
fn noisy(scene: &Scene, chip: usize) -> bool {
    let seen = &scene.seen[chip];
    if let Some(expected) = scene.expected {
        let (mut n, mut differ) = (0u32, 0u32);
        for cell in sample(seen.words()) {
            let c = cell as usize;
            let known = seen.known()[c] & expected[chip].known()[c];
            n += known.count_ones();
            differ += ((seen.values()[c] ^ expected[chip].values()[c]) & known).count_ones();
        }
        return n > 0 && differ * 5 > n;
    }
    // From one reading alone only a layout tells noise from contents; what the chip's cells look like by themselves
    // does not, where values are spread over several chips.
    scene.layout.is_some()
        && (scene.strained
            || scene
                .strain
                .get(chip)
                .is_some_and(|s| s.iter().sum::<f32>() > 0.0))
}

/// Proposes, and returns the chips that read one value throughout.
pub(super) fn propose(scene: &Scene, out: &mut Vec<Shared>) -> Vec<usize> {
    let mut push = |chips: Vec<(usize, Filler)>, scope| {
        out.push(Arc::new(WholeChip { chips, scope }));
    };
    let constants: Vec<Option<Filler>> = scene.seen.iter().map(|c| constant(c, 0.95)).collect();
    if constants.iter().all(Option::is_some) && !constants.is_empty() {
        let all = constants.iter().cloned().enumerate();
        push(all.filter_map(|(i, f)| Some((i, f?))).collect(), Scope::All);
    }
    let mut noise = Vec::new();
    let mut striped = Vec::new();
    for (chip, image) in scene.seen.iter().enumerate() {
        if let Some(f) = &constants[chip] {
            push(vec![(chip, f.clone())], Scope::Chip);
        } else if let Some(f) = fit_stripes(image) {
            striped.push((chip, f.clone()));
            push(vec![(chip, f)], Scope::Chip);
        }
        for f in half(image) {
            push(vec![(chip, f)], Scope::Chip);
        }
        if noisy(scene, chip) {
            noise.push(chip);
            push(vec![(chip, Filler::Noise)], Scope::Chip);
        }
    }
    let several = scene.seen.len() > 1;
    if several && striped.len() == scene.seen.len() {
        push(striped, Scope::All);
    }
    if several && noise.len() == scene.seen.len() {
        let all = noise.iter().map(|c| (*c, Filler::Noise));
        push(all.collect(), Scope::All);
    }
    let dead = (0..constants.len())
        .filter(|c| constant(&scene.seen[*c], 0.998).is_some())
        .collect();
    let Some(layout) = scene.layout else {
        return dead;
    };
    let mut boards: Vec<&str> = layout
        .chips
        .iter()
        .filter_map(|c| c.board.as_deref())
        .collect();
    boards.sort_unstable();
    boards.dedup();
    for board in boards {
        let on: Vec<usize> = (0..layout.chips.len())
            .filter(|c| layout.chips[*c].board.as_deref() == Some(board))
            .collect();
        if on.len() < 2 || on.len() == layout.chips.len() {
            continue;
        }
        if on.iter().all(|c| noise.contains(c)) {
            push(
                on.iter().map(|c| (*c, Filler::Noise)).collect(),
                Scope::Board,
            );
        }
        if on.iter().all(|c| constants[*c].is_some()) {
            let dead = on.iter().filter_map(|c| Some((*c, constants[*c].clone()?)));
            push(dead.collect(), Scope::Board);
        }
    }
    dead
}
