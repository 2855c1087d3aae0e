//! Boards whose address lines carry the slot in another order: their slots are numbered as the first board's are.
//!
//! How slots are numbered is a matter of choice where presets are on address lines of their own. Boards that keep a part of
//! the voices each lie alike only in one choice: so it is read off the controls that are found on both.

use std::collections::HashMap;

use super::super::columns::Column;
use super::super::explain::{Explained, gather};
use super::super::fields::Found;
use super::super::groups::slot_lines;
use super::super::solution::FoundField;

/// Bits that must lie on both of two boards before their slots are held side by side.
const LEAST: usize = 8;

/// Gives every structure that keeps voices of its own the order of slot lines in which they lie as in the first.
pub(crate) fn align(
    structures: &mut [Explained],
    columns: &[Column],
    found: &[&Found],
    fields: &[FoundField],
) {
    // For every structure and voice: the base of each control's bits on a line.
    let mut held: HashMap<(usize, usize), HashMap<Bit, u32>> = HashMap::new();
    for (f, field) in found.iter().zip(fields) {
        let Some(voice) = field.voice else { continue };
        for (k, bit) in f.bits.iter().enumerate() {
            let Some(home) = bit.homes.first() else {
                continue;
            };
            let c = &columns[home.column];
            if structures[c.structure].map.xor {
                let bits = held.entry((c.structure, voice)).or_default();
                bits.insert((field.control, field.character, k, c.line), c.base);
            }
        }
    }
    let mut with: Vec<usize> = held.keys().map(|k| k.0).collect();
    with.sort_unstable();
    with.dedup();
    let places = |s: usize| -> Vec<usize> {
        let of = held.keys().filter(|k| k.0 == s);
        let mut voices: Vec<usize> = of.map(|k| k.1).collect();
        voices.sort_unstable();
        voices
    };
    let Some((&first, others)) = with.split_first() else {
        return;
    };
    for &other in others {
        // What both keep at each place in their lists of voices.
        let pairs = places(first).into_iter().zip(places(other));
        let pairs: Vec<(u32, u32)> = pairs
            .flat_map(|(a, b)| {
                let (of_first, of_other) = (&held[&(first, a)], &held[&(other, b)]);
                let both = of_first
                    .iter()
                    .filter_map(|(bit, base)| Some((*base, *of_other.get(bit)?)));
                both.collect::<Vec<_>>()
            })
            .collect();
        if pairs.len() < LEAST {
            continue;
        }
        let lines = (
            slot_lines(&structures[first]),
            slot_lines(&structures[other]),
        );
        let turned = structures[first].turned;
        if let Some((order, turned)) = order(&pairs, &lines.0, turned, &lines.1) {
            structures[other].slots = order;
            structures[other].turned = turned;
        }
    }
}

/// A code bit: control, character, number, data line.
type Bit = (usize, Option<usize>, usize, u8);

/// The order of `lines` in which the second of every pair counts the same slot as the first does along its own, and the
/// bits of the slot that are turned then; `None` where there is none.
fn order(
    pairs: &[(u32, u32)],
    of_first: &[u32],
    turned_first: u32,
    lines: &[u32],
) -> Option<(Vec<u32>, u32)> {
    let (first, second) = *pairs.first()?;
    let start = gather(first, of_first) ^ turned_first;
    let mut free: Vec<u32> = lines.to_vec();
    let (mut out, mut turned) = (Vec::new(), 0);
    for (i, a) in of_first.iter().enumerate() {
        // A line that goes along with this one from pair to pair, or stands still with it.
        let along = |b: &u32| {
            let differ = |(x, y): &(u32, u32)| (x ^ first) >> a & 1 == (y ^ second) >> b & 1;
            pairs.iter().all(differ)
        };
        let at = free.iter().position(along)?;
        let b = free.remove(at);
        turned |= ((second >> b ^ start >> i) & 1) << i;
        out.push(b);
    }
    for b in free {
        turned |= (second >> b & 1) << out.len();
        out.push(b);
    }
    Some((out, turned))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    /// By hand: the first board has slot bits 0 to 2 on lines 0 to 2 and the voice inverted on line 3; the other has them on
    /// lines 5, 1, 0, the voice straight on line 2, and a chip on line 6.
    #[test]
    fn other_lines_by_hand() {
        let pair = |slot: u32, voice: u32| {
            let a = slot | (1 - voice) << 3;
            let b = (slot & 1) << 5 | (slot & 2) | slot >> 2 | voice << 2 | 1 << 6;
            (a, b)
        };
        let all: Vec<(u32, u32)> = (0..16).map(|n| pair(n & 7, n >> 3)).collect();
        let (lines, turned) = order(&all, &[0, 1, 2, 3], 0, &[0, 1, 2, 5, 6]).unwrap();
        assert_eq!(lines, [5, 1, 0, 2, 6]);
        // The voice is the other way round, and the chip's line is always 1.
        assert_eq!(turned, 0b11000);
        for (a, b) in all {
            assert_eq!(gather(b, &lines) ^ turned, a);
        }
    }
}
