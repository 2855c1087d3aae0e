//! What can happen to a memory, or to the reading of it. Each takes good contents and returns bad ones.

use cellkeep::image::ChipImage;

use super::rng::Rng;

/// What a chip shows when it comes up without having been written: each cell its own preferred value, in stripes
/// as mirrored cells lie, a few cells against the grain.
pub(crate) fn power_up(words: u32, width: u8, rng: &mut Rng) -> ChipImage {
    let stripe = 1 << (2 + rng.below(3));
    let cells: Vec<u8> = (0..words)
        .map(|cell| {
            let row = if cell & stripe == 0 { 0x00 } else { 0xff };
            let mut noise = 0;
            for line in 0..8 {
                noise |= u8::from(rng.chance(0.14)) << line;
            }
            row ^ noise
        })
        .collect();
    ChipImage::from_cells(width, &cells).expect("a chip's shape")
}

/// A battery too weak for some cells: a share of them falls to its preferred value.
pub(crate) fn sagging(image: &ChipImage, share: f64, rng: &mut Rng) -> ChipImage {
    let preferred = power_up(image.words(), image.width(), rng);
    let mut out = image.clone();
    for cell in 0..image.words() {
        for line in 0..image.width() {
            if rng.chance(share) {
                out.set_bit(cell, line, preferred.bit(cell, line));
            }
        }
    }
    out
}

/// A data line that reads the same whatever the cell holds, in a share of the reads.
pub(crate) fn data_line(
    image: &ChipImage,
    line: u8,
    level: bool,
    share: f64,
    rng: &mut Rng,
) -> ChipImage {
    let mut out = image.clone();
    for cell in 0..image.words() {
        if rng.chance(share) {
            out.set_bit(cell, line, Some(level));
        }
    }
    out
}

/// An address line that stays at one level: half of the cells are never seen.
pub(crate) fn address_line(image: &ChipImage, line: u32, level: bool) -> ChipImage {
    let mut out = image.clone();
    for cell in 0..image.words() {
        let seen = if level {
            cell | 1 << line
        } else {
            cell & !(1 << line)
        };
        for l in 0..image.width() {
            out.set_bit(cell, l, image.bit(seen, l));
        }
    }
    out
}

/// A write at the wrong moment: a few cells take what was on the bus.
pub(crate) fn glitch(image: &ChipImage, first: u32, count: u32, rng: &mut Rng) -> ChipImage {
    let mut out = image.clone();
    for cell in first..first + count {
        out.set_cell(cell, rng.below(256) as u8, image.mask());
    }
    out
}
