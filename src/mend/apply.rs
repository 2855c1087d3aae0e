//! Applying what was accepted, every changed bit with where it came from.

use super::{MendError, MendPlan, Proposal};
use crate::codec::{Memory, checks, low_mask};
use crate::image::ChipImage;
use crate::layout::model::{BitPlace, Layout};
use crate::reading::{Origin, Reading};

/// A mended reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Mended {
    /// The reading, with provenance.
    pub reading: Reading,
    /// Proposals applied.
    pub applied: usize,
    /// Proposals left out.
    pub left: usize,
    /// Bits of checks and mirrored copies brought in line with mended values.
    pub followed: usize,
}

/// Applies the accepted proposals of a plan, and those at least as probable as `at_least`, where it is given.
///
/// `ordered` is the contents put back in order, used when the plan's reorder is accepted.
///
/// # Errors
/// When the plan was made for other contents, or a proposal is not for this layout.
pub fn apply(
    layout: &Layout,
    reading: &Reading,
    plan: &MendPlan,
    at_least: Option<f64>,
    ordered: Option<&[ChipImage]>,
) -> Result<Mended, MendError> {
    for chip in &plan.chips {
        if reading
            .chip(&chip.chip)
            .is_none_or(|c| c.sha256() != chip.sha256)
        {
            return Err(MendError::OtherReading {
                chip: chip.chip.clone(),
            });
        }
    }
    let mut out = reading.clone();
    if let (Some(reorder), Some(images)) = (plan.reorder.as_ref().filter(|r| r.accept), ordered) {
        let why = reorder.says.join("; ");
        put_in_order(&mut out, images, &why);
    }
    let wanted = |p: &Proposal| p.accept || at_least.is_some_and(|least| p.probability >= least);
    if plan.reorder.as_ref().is_some_and(|r| !r.accept) && plan.proposals.iter().any(wanted) {
        return Err(MendError::OutOfOrder);
    }
    let before = Memory::of(layout, &out)?;
    let mut mended = Mended {
        reading: out,
        applied: 0,
        left: 0,
        followed: 0,
    };
    for (i, p) in plan.proposals.iter().enumerate() {
        if !wanted(p) {
            mended.left += 1;
            continue;
        }
        let places = places(layout, p).map_err(|says| MendError::Proposal {
            number: i + 1,
            place: format!("{}, {}: {}", p.area, p.entry, p.parameter),
            says,
        })?;
        let origin = Origin {
            verb: "mended".to_owned(),
            why: format!(
                "{:.2} % sure: {}",
                100.0 * p.probability,
                p.evidence.join("; ")
            ),
            from: plan.earlier.clone(),
        };
        set(&mut mended.reading, places, p.code, &origin);
        mended.applied += 1;
    }
    if mended.applied > 0 {
        mended.followed = follow(layout, &before, &mut mended.reading)?;
    }
    Ok(mended)
}

fn put_in_order(reading: &mut Reading, images: &[ChipImage], why: &str) {
    let origin = Origin {
        verb: "put in order".to_owned(),
        why: why.to_owned(),
        from: None,
    };
    for (chip, image) in reading.chips.iter_mut().zip(images) {
        for cell in 0..image.words() {
            for line in 0..image.width() {
                let bit = image.bit(cell, line);
                if bit.is_some() && bit != chip.image.bit(cell, line) {
                    chip.set_bit(cell, line, bit, &origin);
                }
            }
        }
    }
}

/// The places of a proposal's code, least significant bit first.
fn places<'a>(layout: &'a Layout, p: &Proposal) -> Result<&'a [BitPlace], String> {
    let area = layout.area(&p.area).ok_or("the layout has no such area")?;
    let entry = (0..area.entries())
        .find(|e| area.entry_label(*e) == p.entry)
        .ok_or("the area has no such entry")?;
    let parameter = area
        .parameter(&p.parameter)
        .ok_or("the area has no such parameter")?;
    let parameter = &area.parameters[parameter];
    let field = parameter.fields.start + p.character.map_or(0, |c| c.saturating_sub(1));
    if !parameter.fields.contains(&field) {
        return Err("the text has no such character".to_owned());
    }
    let width = area.fields[field].width;
    if p.code & !low_mask(width) != 0 {
        return Err(format!("the code has more than {width} bits"));
    }
    Ok(area.field_places(entry, field))
}

fn set(reading: &mut Reading, places: &[BitPlace], code: u64, origin: &Origin) -> usize {
    let mut changed = 0;
    for (k, p) in places.iter().enumerate().take(64) {
        let Some(chip) = reading.chips.get_mut(usize::from(p.chip)) else {
            continue;
        };
        let bit = Some((code >> k & 1 == 1) != p.inverted);
        if chip.image.bit(p.cell, p.line) != bit {
            chip.set_bit(p.cell, p.line, bit, origin);
            changed += 1;
        }
    }
    changed
}

/// Brings checks and mirrored copies in line where a value they cover was mended.
fn follow(layout: &Layout, before: &Memory, reading: &mut Reading) -> Result<usize, MendError> {
    let mut changed = 0;
    for area in &layout.areas {
        for check in &area.checks {
            for instance in &check.instances {
                let now = Memory::of(layout, reading)?;
                let touched = instance
                    .words
                    .iter()
                    .any(|w| now.gather(w) != before.gather(w));
                if !touched {
                    continue;
                }
                let verdict = checks::verdict(check, instance, &now);
                if let (Some(code), true) = (
                    checks::compute(check, instance, &now),
                    verdict != checks::Verdict::Holds,
                ) {
                    let origin = Origin {
                        verb: "updated".to_owned(),
                        why: format!("check {} over mended values", check.key),
                        from: None,
                    };
                    changed += set(reading, &instance.stored, code, &origin);
                }
            }
        }
    }
    let now = Memory::of(layout, reading)?;
    for area in &layout.areas {
        for copy in &area.copies {
            let origin = Origin {
                verb: "updated".to_owned(),
                why: format!("copy {:?} of mended values", copy.name),
                from: None,
            };
            for (p, q) in area.places.iter().zip(&copy.places) {
                if let Some(bit) = now.bit(*p)
                    && before.bit(*p) != Some(bit)
                {
                    changed += set(reading, &[*q], u64::from(bit), &origin);
                }
            }
        }
    }
    Ok(changed)
}
