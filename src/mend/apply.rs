//! Applying what was accepted, every changed bit with where it came from.

use std::collections::{HashMap, HashSet};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::checked::check_label;
use super::damage::Damaged;
use super::entered::{Change, belongs, changes};
use super::follow::State;
use super::{Loss, MendError, MendPlan};
use crate::codec::Memory;
use crate::codec::checks::{self, Verdict};
use crate::document::Document;
use crate::image::ChipImage;
use crate::layout::model::{BitPlace, Layout, Policy};
use crate::reading::{MADE_TO_FIT, Origin, Reading};

/// A mended reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Mended {
    /// The reading, with provenance.
    pub reading: Reading,
    /// What it came to.
    pub record: MendRecord,
}

/// What applying a plan came to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct MendRecord {
    /// The reading, as named in the plan.
    pub reading: String,
    /// Proposals applied, those for bits outside of parameters among them.
    pub applied: usize,
    /// Of those, how many were entered by hand.
    pub by_hand: usize,
    /// Proposals left out.
    pub left: usize,
    /// Bits of checks and mirrored copies brought in line with mended values.
    pub followed: usize,
    /// Bits that are another since the contents were put back in order.
    pub put_in_order: usize,
    /// Damaged bits no value was accepted for; in the mended reading they are unknown.
    pub unresolved: usize,
    /// What was left alone that one may expect to be changed, and why.
    pub notices: Vec<String>,
    /// What is lost, for the customer: what the plan says is, and what was proposed and not accepted.
    pub losses: Vec<Loss>,
}

impl Document for MendRecord {
    const KIND: &'static str = "mend-record";
    const VERSION: u32 = 1;
}

/// Applies the accepted proposals of a plan, and those at least as probable as `at_least`, where it is given. Damaged
/// bits for which nothing was accepted become unknown: what was read there is not what the customer saved, and must not
/// pass for it in a listing, in a comparison or in the proof of what was written.
///
/// `ordered` is the contents put back in order, used when the plan's reorder is accepted.
///
/// # Errors
/// When the plan was made for other contents or with another layout, or a proposal cannot be applied.
pub fn apply(
    layout: &Layout,
    reading: &Reading,
    plan: &MendPlan,
    at_least: Option<f64>,
    ordered: Option<&[ChipImage]>,
) -> Result<Mended, MendError> {
    belongs(layout, reading, plan)?;
    let damaged = Damaged::of_runs(layout, &plan.damage)?;
    // What a check fails over may be damaged wherever it lies: before the order is put back, or after.
    let mut under_checks = doubted(layout, &Memory::of(layout, reading)?);
    if let Some(images) = ordered {
        let mut undone = reading.clone();
        put_in_order(&mut undone, images, "");
        under_checks.join(&doubted(layout, &Memory::of(layout, &undone)?));
    }
    let (changes, left) = changes(layout, plan, at_least, &damaged, &under_checks)?;
    if plan.reorder.as_ref().is_some_and(|r| !r.accept) && !changes.is_empty() {
        return Err(MendError::OutOfOrder);
    }
    let mut out = reading.clone();
    let mut put = 0;
    if let (Some(reorder), Some(images)) = (plan.reorder.as_ref().filter(|r| r.accept), ordered) {
        put = put_in_order(&mut out, images, &reorder.says.join("; "));
    }
    let before = Memory::of(layout, &out)?;
    for change in &changes {
        change.read_alike(&before)?;
    }
    let mut mended = Mended {
        reading: out,
        record: MendRecord {
            reading: plan.reading.clone(),
            applied: changes.len(),
            by_hand: changes.iter().filter(|c| c.by_hand).count(),
            left: left.len(),
            followed: 0,
            put_in_order: put,
            unresolved: 0,
            notices: Vec::new(),
            losses: plan.losses.iter().cloned().chain(left).collect(),
        },
    };
    let mut unresolved = damaged.clone();
    let mut by_hand = Damaged::nothing(layout);
    for change in &changes {
        // Where damage was found in a value, the rest of it reads as sound; where only a check fails, nothing does.
        let found = change.places.iter().any(|p| damaged.has(p));
        let differs = |(p, bit): &(&BitPlace, &bool)| {
            found && !damaged.has(p) && before.bit(**p) == Some(!**bit)
        };
        let against = change.places.iter().zip(&change.bits).filter(differs);
        if change.by_hand
            && let Some(caution) = against_sound(change.label.words(), against.count())
        {
            mended.record.notices.push(caution);
        }
        for (place, bit) in change.places.iter().zip(&change.bits) {
            let bit = u64::from(*bit);
            set(&mut mended.reading, &[*place], bit, &change.origin);
            if damaged.has(place) {
                // A dead chip may have read as what was found: it is known for that reason, not because it was read.
                note(&mut mended.reading, place, &change.origin);
            }
            unresolved.resolve(place);
            // A check is made to fit only where the damage was found: one that fails still has more damage under it.
            if change.by_hand && damaged.has(place) {
                by_hand.add(place);
            }
        }
    }
    // A copy may hold a check, and a check cover a copy or another check: what one round settles lets the next go on.
    while !changes.is_empty() {
        let state = State {
            layout,
            before: &before,
            damaged: &damaged,
            unresolved: &unresolved,
            by_hand: &by_hand,
        };
        let told = mended.record.notices.len();
        let settled = state.follow(&mut mended)?;
        let open = unresolved.bits().count();
        settled.iter().for_each(|p| unresolved.resolve(p));
        if unresolved.bits().count() == open {
            break;
        }
        // What is left is told by the last round only.
        mended.record.notices.truncate(told);
    }
    mended.record.unresolved = unresolved.bits().count();
    leave_unknown(&mut mended.reading, &unresolved);
    settle_losses(layout, &changes, &mut mended)?;
    Ok(mended)
}

/// Takes from the losses what is lost no more: values that were applied, such as one entered by hand for which nothing was
/// proposed, and checks that hold now. Of one that was made to hold that is said.
fn settle_losses(
    layout: &Layout,
    changes: &[Change],
    mended: &mut Mended,
) -> Result<(), MendError> {
    let applied: HashSet<String> = changes.iter().map(|c| c.label.words()).collect();
    let now = Memory::of(layout, &mended.reading)?;
    let mut holding: HashMap<String, bool> = HashMap::new();
    for area in &layout.areas {
        for check in &area.checks {
            for instance in &check.instances {
                if checks::verdict(check, instance, &now) == Verdict::Holds {
                    let (key, entry) = check_label(area, check, instance);
                    let made = mended.reading.ever(MADE_TO_FIT, &instance.stored);
                    holding.insert(format!("{}, {entry}: {key}", area.name), made);
                }
            }
        }
    }
    mended.record.losses.retain_mut(|loss| {
        let words = format!("{}, {}: {}", loss.area, loss.entry, loss.parameter);
        match holding.get(&words) {
            Some(true) => {
                loss.lost = "was made to fit what was entered by hand, and proves nothing".into();
                true
            }
            Some(false) => false,
            None => !applied.contains(&words),
        }
    });
    Ok(())
}

/// The bits under checks that fail and those of the checks themselves: any of them may be the damaged one.
fn doubted(layout: &Layout, memory: &Memory) -> Damaged {
    let mut out = Damaged::nothing(layout);
    let checks = layout.areas.iter().flat_map(|a| &a.checks);
    for check in checks.filter(|c| c.policy != Policy::Keep) {
        for instance in &check.instances {
            if matches!(
                checks::verdict(check, instance, memory),
                Verdict::Fails { .. }
            ) {
                let covered = instance.words.bits();
                covered
                    .iter()
                    .chain(&instance.stored)
                    .for_each(|p| out.add(p));
            }
        }
    }
    out
}

/// The caution about a code entered by hand where it changes bits that nothing speaks against.
fn against_sound(what: String, bits: usize) -> Option<String> {
    let bits = match bits {
        0 => return None,
        1 => "1 bit".to_owned(),
        n => format!("{n} bits"),
    };
    Some(format!(
        "{what}: the code entered by hand changes {bits} that read as sound; look again whether it is the right one"
    ))
}

fn leave_unknown(reading: &mut Reading, unresolved: &Damaged) {
    let origin = Origin {
        verb: "left unknown".to_owned(),
        why: "damaged, and no value was accepted for it".to_owned(),
        from: None,
    };
    for place in unresolved.bits() {
        if let Some(chip) = reading.chips.get_mut(usize::from(place.chip))
            && chip.image.bit(place.cell, place.line).is_some()
        {
            chip.set_bit(place.cell, place.line, None, &origin);
        }
    }
}

fn put_in_order(reading: &mut Reading, images: &[ChipImage], why: &str) -> usize {
    let origin = Origin {
        verb: "put in order".to_owned(),
        why: why.to_owned(),
        from: None,
    };
    let mut changed = 0;
    for (chip, image) in reading.chips.iter_mut().zip(images) {
        for cell in 0..image.words() {
            for line in 0..image.width() {
                let bit = image.bit(cell, line);
                if bit.is_some() && bit != chip.image.bit(cell, line) {
                    chip.set_bit(cell, line, bit, &origin);
                    changed += 1;
                }
            }
        }
    }
    changed
}

/// Notes why a bit is known, whether or not it reads as before.
pub(super) fn note(reading: &mut Reading, place: &BitPlace, origin: &Origin) {
    reading.mark(&[*place], origin);
}

/// Sets a code at its places, least significant bit first; gives the number of bits that changed.
pub(super) fn set(reading: &mut Reading, places: &[BitPlace], code: u64, origin: &Origin) -> usize {
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
