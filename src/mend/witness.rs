//! What another reading may be asked about.
//!
//! Damage that sits in the memory is in every read of it, and a bank of another instrument may have suffered the same. So
//! a value that agrees with a damaged one proves nothing: another read counts only where it shows something else, a
//! donor only where it does not share the damage, and neither where it is damaged itself.

use super::MendError;
use super::reconsider::doubt_differing_copies;
use crate::examine::{Examined, examine};
use crate::image::ChipImage;
use crate::layout::model::Layout;
use crate::reading::Reading;

/// Who speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Witness {
    /// An earlier reading of the same instrument.
    Earlier,
    /// Another read of the same chips.
    Read,
    /// A bank of another instrument.
    Alike,
}

/// Least share of the damaged bits of a data line on which a donor has to differ to count as free of that damage. Of
/// bits set by chance half differ.
const OWN: f64 = 0.25;

/// The contents of another reading with every bit unknown that it cannot speak for: `firm` and `shown` are the damaged
/// reading's own, put in order, the one without what is damaged.
///
/// # Errors
/// When it cannot be examined with the layout, or is the damaged reading once more.
pub(super) fn testimony(
    layout: &Layout,
    (name, other): (&str, &Reading),
    witness: Witness,
    (firm, shown): (&[ChipImage], &[ChipImage]),
    earlier: Option<&Reading>,
) -> Result<Vec<ChipImage>, MendError> {
    if witness == Witness::Earlier {
        let mut images: Vec<ChipImage> = other.chips.iter().map(|c| c.image.clone()).collect();
        // Where its own mirrored copies differ, it does not know either.
        doubt_differing_copies(layout, &mut images);
        return Ok(images);
    }
    let earlier = earlier.filter(|_| witness == Witness::Read);
    let own = examine(other, Some(layout), earlier).map_err(|e| MendError::Other {
        name: name.to_owned(),
        says: e.to_string(),
    })?;
    let mut images = sound(&own);
    for (image, (firm, shown)) in images.iter_mut().zip(firm.iter().zip(shown)) {
        for line in 0..image.width() {
            forget_shared(image, line, firm, shown, witness);
        }
    }
    Ok(images)
}

/// The contents that an examination does not call damaged.
fn sound(examined: &Examined) -> Vec<ChipImage> {
    let mut images = examined.contents.undone.clone();
    for (chip, cell, line) in &examined.contents.flips {
        if let Some(image) = images.get_mut(*chip) {
            image.set_bit(*cell, *line, None);
        }
    }
    images
}

/// Makes unknown, on a data line, what is damaged in the one reading and the same in the other.
fn forget_shared(
    image: &mut ChipImage,
    line: u8,
    firm: &ChipImage,
    shown: &ChipImage,
    witness: Witness,
) {
    let damaged = |cell: &u32| firm.bit(*cell, line).is_none() && shown.bit(*cell, line).is_some();
    let asked: Vec<u32> = (0..image.words())
        .filter(|cell| damaged(cell) && image.bit(*cell, line).is_some())
        .collect();
    let (same, differing): (Vec<u32>, Vec<u32>) = asked
        .iter()
        .partition(|cell| image.bit(**cell, line) == shown.bit(**cell, line));
    let own = differing.len() as f64 >= OWN * asked.len() as f64;
    if witness == Witness::Alike && own {
        return;
    }
    for cell in same {
        image.set_bit(cell, line, None);
    }
}
