//! Which bits are damaged, cell by cell, and the short form in which a plan records them.

use super::{Damage, MendError};
use crate::image::ChipImage;
use crate::layout::model::{BitPlace, Layout};

/// Damaged bits of the chips of a layout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Damaged {
    masks: Vec<Vec<u8>>,
}

impl Damaged {
    /// Nothing damaged.
    pub(super) fn nothing(layout: &Layout) -> Self {
        Self {
            masks: layout
                .chips
                .iter()
                .map(|c| vec![0; c.words as usize])
                .collect(),
        }
    }

    /// Every bit that is unknown in the images and exists.
    pub(super) fn unknown(layout: &Layout, images: &[ChipImage]) -> Self {
        let mut damaged = Self::nothing(layout);
        for (masks, image) in damaged.masks.iter_mut().zip(images) {
            for (mask, known) in masks.iter_mut().zip(image.known()) {
                *mask = image.mask() & !known;
            }
        }
        for (chip, cells, lines) in &layout.absent {
            for cell in cells.clone() {
                if let Some(mask) = damaged.mask_mut(*chip, cell) {
                    *mask &= !lines;
                }
            }
        }
        damaged
    }

    fn mask_mut(&mut self, chip: u16, cell: u32) -> Option<&mut u8> {
        self.masks
            .get_mut(usize::from(chip))?
            .get_mut(cell as usize)
    }

    pub(super) fn add(&mut self, place: &BitPlace) {
        if let Some(mask) = self.mask_mut(place.chip, place.cell) {
            *mask |= 1 << place.line;
        }
    }

    /// Takes in what another has.
    pub(super) fn join(&mut self, other: &Self) {
        for (masks, others) in self.masks.iter_mut().zip(&other.masks) {
            for (mask, other) in masks.iter_mut().zip(others) {
                *mask |= other;
            }
        }
    }

    /// Takes a bit out, since it is known now.
    pub(super) fn resolve(&mut self, place: &BitPlace) {
        if let Some(mask) = self.mask_mut(place.chip, place.cell) {
            *mask &= !(1 << place.line);
        }
    }

    pub(super) fn has(&self, place: &BitPlace) -> bool {
        let chip = self.masks.get(usize::from(place.chip));
        let mask = chip.and_then(|c| c.get(place.cell as usize));
        mask.is_some_and(|m| m >> place.line & 1 == 1)
    }

    /// The damaged bits in the order of chips, cells and lines, as places without an inversion.
    pub(super) fn bits(&self) -> impl Iterator<Item = BitPlace> {
        self.masks.iter().enumerate().flat_map(|(chip, masks)| {
            let cells = masks.iter().enumerate().filter(|(_, mask)| **mask != 0);
            cells.flat_map(move |(cell, mask)| {
                lines(*mask).into_iter().map(move |line| BitPlace {
                    chip: chip as u16,
                    cell: cell as u32,
                    line,
                    inverted: false,
                })
            })
        })
    }

    /// The short form: neighbouring cells with the same lines in one.
    pub(super) fn runs(&self, layout: &Layout) -> Vec<Damage> {
        let mut out: Vec<Damage> = Vec::new();
        for (chip, masks) in layout.chips.iter().zip(&self.masks) {
            let mut first = 0;
            for run in masks.chunk_by(|a, b| a == b) {
                let end = first + run.len();
                if run[0] != 0 {
                    out.push(Damage {
                        chip: chip.id.clone(),
                        first: first as u32,
                        last: end as u32 - 1,
                        lines: lines(run[0]),
                    });
                }
                first = end;
            }
        }
        out
    }

    /// Back from the short form.
    ///
    /// # Errors
    /// When it names what the chips do not have.
    pub(super) fn of_runs(layout: &Layout, runs: &[Damage]) -> Result<Self, MendError> {
        let mut damaged = Self::nothing(layout);
        for run in runs {
            let chip = layout.chip(&run.chip).filter(|c| {
                let chip = &layout.chips[*c];
                run.first <= run.last
                    && run.last < chip.words
                    && run.lines.iter().all(|l| *l < chip.width)
            });
            let chip = chip.ok_or_else(|| {
                MendError::NotAPlan(format!(
                    "[[damage]] names chip {} cells {} to {}, which the layout does not have so",
                    run.chip, run.first, run.last
                ))
            })?;
            let mask = run.lines.iter().fold(0, |m, l| m | 1u8 << l);
            for cell in run.first..=run.last {
                damaged.masks[chip][cell as usize] |= mask;
            }
        }
        Ok(damaged)
    }
}

/// The data lines of a mask, D0 first.
pub(super) fn lines(mask: u8) -> Vec<u8> {
    (0..8).filter(|l| mask >> l & 1 == 1).collect()
}
