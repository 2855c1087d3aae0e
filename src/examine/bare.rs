//! How many bits it takes to tell chip images without a layout: runs, habits of lines, and repeated cells.

use super::field::estimated;
use crate::evidence::marked;
use crate::image::ChipImage;

/// Bits to say that a line never changes though nothing is wrong. Without a layout nobody knows which lines carry
/// anything, so that it is set just rarer than a stuck line: better to ask than to pass it over.
const STILL_LINE: f64 = 16.0;
/// Bits to say that a whole chip never changes.
const STILL_CHIP: f64 = 20.0;

/// Tells chips with nothing known about them. Unknown bits cost nothing.
pub(super) fn tell(chips: &[ChipImage]) -> f64 {
    chips.iter().map(tell_chip).sum()
}

fn tell_chip(image: &ChipImage) -> f64 {
    let mut still = true;
    let mut lines = 0.0;
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
        } else {
            still = false;
            lines += estimated(n, ones).min(estimated(n, steps) + 1.0);
        }
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
