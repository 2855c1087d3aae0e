//! Address lines: stuck, open or bridged (address decoder faults, AF): cells answer for other cells.

use std::sync::Arc;

use super::{Cause, FAULT, Names, Scene, Shared, address_lines, finding, otherwise, sample};
use crate::evidence::one_of;
use crate::finding::Finding;
use crate::image::ChipImage;

/// A fault of one chip's address lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Address {
    /// A line always reads this level inside the chip. From one reading alone the level can hardly be told.
    Stuck {
        /// Index of the chip.
        chip: usize,
        /// The line.
        line: u8,
        /// The level.
        level: bool,
    },
    /// Two lines carry the same level.
    Bridged {
        /// Index of the chip.
        chip: usize,
        /// The lines, lower first.
        lines: (u8, u8),
        /// True where a 0 on either pulls both down, false where a 1 pulls both up.
        low_wins: bool,
    },
}

impl Address {
    fn chip(self) -> usize {
        match self {
            Address::Stuck { chip, .. } | Address::Bridged { chip, .. } => chip,
        }
    }

    /// The cell that answers when `cell` is asked for.
    pub fn answers(self, cell: u32) -> u32 {
        match self {
            Address::Stuck { line, level, .. } => {
                if level {
                    cell | (1 << line)
                } else {
                    cell & !(1 << line)
                }
            }
            Address::Bridged {
                lines: (a, b),
                low_wins,
                ..
            } => {
                let both = (1u32 << a) | (1 << b);
                if cell & both == both || cell & both == 0 {
                    cell
                } else if low_wins {
                    cell & !both
                } else {
                    cell | both
                }
            }
        }
    }
}

impl Cause for Address {
    fn code(&self) -> &'static str {
        match self {
            Address::Stuck { .. } => "address.stuck",
            Address::Bridged { .. } => "address.bridged",
        }
    }

    fn length(&self, chips: &[ChipImage]) -> f64 {
        let n = chips
            .get(self.chip())
            .map_or(1, |c| address_lines(c) as usize);
        FAULT
            + one_of(chips.len())
            + match self {
                Address::Stuck { .. } => one_of(2 * n),
                Address::Bridged { .. } => 1.0 + one_of(n * n.saturating_sub(1)),
            }
    }

    fn forward(&self, chips: &mut [ChipImage]) {
        let Some(image) = chips.get_mut(self.chip()) else {
            return;
        };
        let (values, known) = (image.values().to_vec(), image.known().to_vec());
        image.edit(|cell, v, k| {
            let from = self.answers(cell) as usize;
            if from as u32 == cell {
                return (v, k);
            }
            match (values.get(from), known.get(from)) {
                (Some(v), Some(k)) => (*v, *k),
                _ => (0, 0),
            }
        });
    }

    fn undo(&self, chips: &mut [ChipImage], _plausible: bool) {
        let Some(image) = chips.get_mut(self.chip()) else {
            return;
        };
        image.edit(|cell, v, k| {
            if self.answers(cell) == cell {
                (v, k)
            } else {
                (0, 0)
            }
        });
    }

    fn chips(&self) -> Vec<usize> {
        vec![self.chip()]
    }

    fn tell(&self, names: &Names) -> Finding {
        let mut place = names.place(self.chip());
        let id = names.of(self.chip()).to_owned();
        match *self {
            Address::Stuck { line, level, .. } => {
                place.address_lines = vec![line];
                let level = format!("stuck at {} or open", u8::from(level));
                let f = finding(
                    self.code(),
                    place,
                    format!(
                        "{id}: address line A{line} is {level}: cells {} apart hold the same",
                        1u32 << line
                    ),
                )
                .means("Half of the chip was never read; what is there is shown twice.")
                .act("Reseat the clip and clean that address pin; check the track to it for leakage damage. Read again: the other half is probably still in the chip.")
                .read_again_first();
                otherwise(
                    f,
                    &[
                        "the wrong part was chosen on the device programmer",
                        "the instrument wrote both halves alike because the line failed there",
                    ],
                )
            }
            Address::Bridged {
                lines: (a, b),
                low_wins,
                ..
            } => {
                place.address_lines = vec![a, b];
                let f = finding(
                    self.code(),
                    place,
                    format!(
                        "{id}: address lines A{a} and A{b} are bridged, {} winning: cells where they differ answer as others",
                        u8::from(!low_wins)
                    ),
                )
                .means("Half of the cells were never read; others are shown in their place.")
                .act("Look for solder or residue between the two address pins, then read again.")
                .read_again_first();
                otherwise(f, &["a shorted address buffer"])
            }
        }
    }
}

/// Share of known cells that may differ before an alias is not worth weighing.
const LOOSE: f64 = 0.08;
/// Most aliases of one chip that are weighed.
const MOST: usize = 12;

pub(super) fn propose(scene: &Scene, out: &mut Vec<Shared>) {
    for (chip, image) in scene.seen.iter().enumerate() {
        let lines = address_lines(image) as u8;
        let common = commonest(image);
        let mut found: Vec<(u32, Address)> = Vec::new();
        let mut offer = |cause: Address| {
            if let Some(worth) = likeness(image, cause, common) {
                found.push((worth, cause));
            }
        };
        for line in 0..lines {
            for level in [false, true] {
                offer(Address::Stuck { chip, line, level });
            }
            for other in line + 1..lines {
                for low_wins in [true, false] {
                    offer(Address::Bridged {
                        chip,
                        lines: (line, other),
                        low_wins,
                    });
                }
            }
        }
        found.sort_by_key(|f| std::cmp::Reverse(f.0));
        found.truncate(MOST);
        out.extend(found.into_iter().map(|f| Arc::new(f.1) as Shared));
    }
}

/// The value most cells hold: that two cells share it says little.
fn commonest(image: &ChipImage) -> u8 {
    let mut counts = [0u32; 256];
    for cell in sample(image.words()) {
        counts[usize::from(image.values()[cell as usize])] += 1;
    }
    let most = counts.iter().enumerate().max_by_key(|c| *c.1);
    most.map_or(0, |c| c.0 as u8)
}

/// How many telling cells agree with the cell that would answer for them; nothing where too many differ.
fn likeness(image: &ChipImage, cause: Address, common: u8) -> Option<u32> {
    let (mut n, mut differ, mut telling) = (0u32, 0u32, 0u32);
    let most = LOOSE * sample(image.words()).len() as f64;
    for cell in sample(image.words()) {
        let from = cause.answers(cell);
        if from == cell || from >= image.words() {
            continue;
        }
        let (c, f) = (cell as usize, from as usize);
        let known = image.known()[c] & image.known()[f];
        if known == 0 {
            continue;
        }
        n += 1;
        differ += u32::from((image.values()[c] ^ image.values()[f]) & known != 0);
        telling += u32::from(image.values()[c] != common);
        if (n == 128 && differ > 48) || f64::from(differ) > most {
            return None;
        }
    }
    (n > 0 && f64::from(differ) <= LOOSE * f64::from(n)).then(|| telling.saturating_sub(2 * differ))
}
