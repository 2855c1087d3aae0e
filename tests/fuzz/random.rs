//! What the targets share: a source of numbers, how many cases to run, contents for a layout.

use cellkeep::image::ChipImage;
use cellkeep::layout::model::Layout;
use cellkeep::reading::{ChipReading, Reading};

pub(crate) fn cases() -> u64 {
    std::env::var("FUZZ_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(60)
}

pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 >> 11
    }

    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

/// Random contents: every bit known, most known, or any.
pub(crate) fn contents(layout: &Layout, random: &mut Random) -> Reading {
    let unknowns = random.below(3);
    let chips = layout.chips.iter().map(|chip| {
        let mut image = ChipImage::unknown(chip.words, chip.width).unwrap();
        for cell in 0..chip.words {
            let known = match unknowns {
                0 => 0xff,
                1 => (random.next() | random.next() | random.next()) as u8,
                _ => random.next() as u8,
            };
            image.set_cell(cell, random.next() as u8, known);
        }
        ChipReading::new(&chip.id, image)
    });
    Reading::new(chips.collect())
}
