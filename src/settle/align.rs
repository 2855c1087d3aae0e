//! Reads side by side: chips matched, bits that do not exist put out of the way.

use std::collections::BTreeMap;

use super::SettleError;
use crate::image::ChipImage;
use crate::layout::model::Layout;
use crate::reading::Reading;

/// Chips that share a board, as the layout says, by their place in the reading.
pub(super) fn boards(reading: &Reading, layout: Option<&Layout>) -> Vec<Vec<usize>> {
    let mut boards: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (at, chip) in reading.chips.iter().enumerate() {
        let described = layout.and_then(|l| l.chips.iter().find(|c| c.id == chip.id));
        if let Some(board) = described.and_then(|c| c.board.as_deref()) {
            boards.entry(board).or_default().push(at);
        }
    }
    boards.into_values().filter(|b| b.len() > 1).collect()
}

/// The reads with every absent bit as the first read has it: such bits do not exist, and what floats on the bus in
/// their place is no dissent.
pub(super) fn absent_like_first(
    reads: &[(String, Reading)],
    layout: &Layout,
) -> Vec<(String, Reading)> {
    let mut reads = reads.to_vec();
    let Some(((_, first), others)) = reads.split_first_mut() else {
        return reads;
    };
    for (chip, cells, lines) in &layout.absent {
        let Some(id) = layout.chips.get(usize::from(*chip)).map(|c| &c.id) else {
            continue;
        };
        let Some(model) = first.chip(id) else {
            continue;
        };
        for (_, other) in others.iter_mut() {
            let Some(image) = other.chips.iter_mut().find(|c| c.id == *id) else {
                continue;
            };
            for cell in cells.clone() {
                for line in (0..8).filter(|line| lines >> line & 1 == 1) {
                    image.image.set_bit(cell, line, model.image.bit(cell, line));
                }
            }
        }
    }
    reads
}

/// The images by chip, then by read, in the order of the first read.
pub(super) fn align(reads: &[(String, Reading)]) -> Result<Vec<Vec<&ChipImage>>, SettleError> {
    let [(_, first), rest @ ..] = reads else {
        return Err(SettleError::TooFew(0));
    };
    if rest.is_empty() {
        return Err(SettleError::TooFew(1));
    }
    let names = |r: &Reading| {
        let mut ids: Vec<String> = r.chips.iter().map(|c| c.id.clone()).collect();
        ids.sort();
        ids.join(", ")
    };
    let mut out: Vec<Vec<&ChipImage>> = first.chips.iter().map(|c| vec![&c.image]).collect();
    for (name, read) in rest {
        if read.chips.len() != first.chips.len() {
            return Err(SettleError::Chips {
                name: name.clone(),
                found: names(read),
                expected: names(first),
            });
        }
        for (to, chip) in out.iter_mut().zip(&first.chips) {
            let Some(other) = read.chips.iter().find(|c| c.id == chip.id) else {
                return Err(SettleError::Chips {
                    name: name.clone(),
                    found: names(read),
                    expected: names(first),
                });
            };
            let shape = |i: &ChipImage| format!("{} x {}", i.words(), i.width());
            if shape(&other.image) != shape(&chip.image) {
                return Err(SettleError::Shape {
                    name: name.clone(),
                    chip: chip.id.clone(),
                    found: shape(&other.image),
                    expected: shape(&chip.image),
                });
            }
            to.push(&other.image);
        }
    }
    Ok(out)
}

/// The images without the bits that do not exist: what floats in their place tells nothing of a read.
pub(super) fn without_absent(
    images: &[Vec<&ChipImage>],
    ids: &[&str],
    layout: Option<&Layout>,
) -> Vec<Vec<ChipImage>> {
    let mut out: Vec<Vec<ChipImage>> = images
        .iter()
        .map(|reads| reads.iter().map(|image| (*image).clone()).collect())
        .collect();
    let Some(layout) = layout else {
        return out;
    };
    for (chip, cells, lines) in &layout.absent {
        let id = layout.chips.get(usize::from(*chip)).map(|c| c.id.as_str());
        let Some(at) = ids.iter().position(|i| Some(*i) == id) else {
            continue;
        };
        for image in &mut out[at] {
            image.edit(|cell, value, known| {
                let absent = if cells.contains(&cell) { *lines } else { 0 };
                (value, known & !absent)
            });
        }
    }
    out
}

/// The same images, to look at.
pub(super) fn views(images: &[Vec<ChipImage>]) -> Vec<Vec<&ChipImage>> {
    images.iter().map(|reads| reads.iter().collect()).collect()
}
