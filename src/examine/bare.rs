//! How many bits it takes to tell chip images without a layout: runs, habits of lines, and repeated cells.

use super::field::estimated;
use crate::evidence::marked;
use crate::image::ChipImage;

/// Bits to say that a line never changes though nothing is wrong. Without a layout nobody knows which lines carry
/// anything, so that it is set just rarer than a stuck line: better to ask than to pass it over.
const STILL_LINE: f64 = 16.0;
/// Bits to say that all lines from some line up never change: a part one or four bits wide, read as one of eight.
const NARROW: f64 = 17.0;
/// Bits to say that a whole chip never changes.
const STILL_CHIP: f64 = 20.0;

/// Bits to say that a chip keeps two copies on purpose, for voices, say. Just rarer than a stuck address line, so that
/// copies alike to the last bit are asked about, and copies that differ here and there are not.
const COPIES: f64 = 20.0;

/// Tells chips with nothing known about them. Unknown bits cost nothing.
pub(super) fn tell(chips: &[ChipImage]) -> f64 {
    chips.iter().map(tell_chip).sum()
}

fn tell_chip(image: &ChipImage) -> f64 {
    tell_copies(image).map_or_else(|| tell_plain(image), |told| told.min(tell_plain(image)))
}

/// Tells one half of a chip and where the other differs from it, by the address line that parts them into the most
/// similar halves; nothing where a quarter of the cells differ. What only one half knows is taken from it.
fn tell_copies(image: &ChipImage) -> Option<f64> {
    let (values, known) = (image.values(), image.known());
    let words = values.len();
    if !words.is_power_of_two() {
        return None;
    }
    // Cells and their partners, by the address line that parts them.
    let pairs = |line: u32| {
        let step = 1usize << line;
        (0..words)
            .filter(move |c| c & step == 0)
            .map(move |c| (c, c | step))
    };
    let change = |(a, b): (usize, usize)| (values[a] ^ values[b]) & known[a] & known[b];
    let judged = |line: u32| {
        pairs(line)
            .filter(|(a, b)| known[*a] & known[*b] != 0)
            .count()
    };
    let (line, differing) = (0..words.trailing_zeros())
        .filter(|line| judged(*line) > 0)
        .map(|line| (line, pairs(line).filter(|p| change(*p) != 0).count()))
        .min_by_key(|(_, differing)| *differing)?;
    if 4 * differing >= judged(line) {
        return None;
    }
    let one_of_both = |(a, b): (usize, usize)| {
        let value = (values[a] & known[a]) | (values[b] & known[b] & !known[a]);
        (value, known[a] | known[b])
    };
    let cells: Vec<(u8, u8)> = pairs(line).map(one_of_both).collect();
    let values: Vec<u8> = cells.iter().map(|c| c.0).collect();
    let mut half = ChipImage::from_cells(image.width(), &values).ok()?;
    half.edit(|cell, value, _| (value, cells[cell as usize].1));
    let (bits, changed) = pairs(line).fold((0, 0), |(bits, changed), (a, b)| {
        (
            bits + u64::from((known[a] & known[b]).count_ones()),
            changed + u64::from(change((a, b)).count_ones()),
        )
    });
    Some(COPIES + tell_chip(&half) + marked(bits, changed))
}

fn tell_plain(image: &ChipImage) -> f64 {
    let mut still = true;
    let mut lines = 0.0;
    // What it has cost so far to say of every line from here on that it is still.
    let mut above: Option<(u8, f64)> = None;
    for line in 0..image.width() {
        let (mut n, mut ones, mut steps, mut last) = (0u32, 0u32, 0u32, None);
        for (v, k) in image.values().iter().zip(image.known()) {
            if k >> line & 1 == 1 {
                let bit = v >> line & 1;
                n += 1;
                ones += u32::from(bit);
                steps += u32::from(last.is_some_and(|l| l != bit));
                last = Some(bit);
            }
        }
        if n == 0 {
            continue;
        }
        if ones == 0 || ones == n {
            lines += STILL_LINE;
            above = above
                .or(Some((line, 0.0)))
                .map(|(from, bits)| (from, bits + STILL_LINE));
        } else {
            still = false;
            above = None;
            lines += estimated(n, ones).min(estimated(n, steps) + 1.0);
        }
    }
    if let Some((from, bits)) = above
        && matches!(from, 1 | 4)
    {
        lines += NARROW.min(bits) - bits;
    }
    let whole = image.unknown_bits() < image.bits();
    if still && whole { STILL_CHIP } else { lines }
}

/// Tells chips given an earlier reading: which cells changed, and to what.
pub(super) fn tell_given(now: &[ChipImage], before: &[ChipImage]) -> f64 {
    now.iter()
        .zip(before)
        .map(|(n, b)| {
            let changed = (0..n.values().len().min(b.values().len()))
                .filter(|c| (n.values()[*c] ^ b.values()[*c]) & n.known()[*c] & b.known()[*c] != 0)
                .count() as u64;
            marked(u64::from(n.words()), changed) + changed as f64 * f64::from(n.width())
        })
        .sum()
}
