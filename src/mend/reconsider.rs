//! Second thoughts on what looks flipped beside an earlier reading.
//!
//! Examining tells a bit that differs from the earlier reading as flipped or as edited, whichever is the likelier. A check
//! over it knows better: where it holds as it was read, it was not flipped; where one edited bit alone keeps it from
//! holding, that bit flipped rather than the check; and where a value under it changed by one bit, it cannot be told. A
//! mirrored copy knows better too: of two that were alike and no longer are, the one that changed is in doubt. Where they
//! differed before, or without an earlier reading, it may be either.

use std::collections::HashSet;

use crate::codec::{Memory, checks};
use crate::image::ChipImage;
use crate::layout::model::{Area, BitPlace, Check, CheckInstance, Layout, Policy};

/// Contents to think about.
pub(super) struct Second<'a> {
    pub layout: &'a Layout,
    /// As read, put in order, lost bits unknown.
    pub undone: &'a Memory,
    /// The earlier reading.
    pub earlier: &'a Memory,
}

/// Bits that are in doubt for their mirrored copies.
#[derive(Debug, Default)]
pub(super) struct Copied {
    /// Changed since the earlier reading, where both were alike.
    pub flipped: Vec<BitPlace>,
    /// Of two that differed in the earlier reading too, or were not known there.
    pub either: Vec<BitPlace>,
}

impl Second<'_> {
    /// Takes bits for doubtful in `firm` for their mirrored copies: every edit is written to both, so that of two that were
    /// alike and differ the changed one flipped. Where a check over a changed original holds as it was read, it was
    /// edited, and the copy missed it.
    pub(super) fn of_copies(&self, firm: &mut [ChipImage]) -> Copied {
        let mut out = Copied::default();
        let pairs = differing_copies(self.layout, firm);
        if pairs.is_empty() {
            return out;
        }
        let vouched = self.under_checks_that_hold();
        for (p, q) in pairs {
            let changed = |p: &BitPlace| Some(self.earlier.bit(*p)? != self.undone.bit(*p)?);
            match (changed(&p), changed(&q)) {
                (Some(true), Some(false)) if vouched.contains(&at(&p)) => {}
                (Some(true), Some(false)) => out.flipped.push(p),
                (Some(false), Some(true)) => out.flipped.push(q),
                _ => out.either.extend([p, q]),
            }
        }
        out.flipped
            .iter()
            .chain(&out.either)
            .for_each(|p| set(firm, p, None));
        out
    }

    /// The bits under checks that hold as they were read.
    fn under_checks_that_hold(&self) -> HashSet<(u16, u32, u8)> {
        let checks = self.layout.areas.iter().flat_map(|a| &a.checks);
        checks
            .filter(|c| c.policy != Policy::Keep)
            .flat_map(|c| c.instances.iter().map(move |i| (c, i)))
            .filter(|(c, i)| checks::verdict(c, i, self.undone) == checks::Verdict::Holds)
            .flat_map(|(_, i)| i.words.bits().iter().chain(&i.stored))
            .map(at)
            .collect()
    }

    /// Takes bits of stored checks for sound again in `firm`, or bits under them for doubtful.
    pub(super) fn thoughts(&self, firm: &mut [ChipImage]) {
        let Ok(before) = Memory::of_images(self.layout, &firm.iter().collect::<Vec<_>>()) else {
            return; // images of another layout are refused elsewhere
        };
        for area in &self.layout.areas {
            for check in area.checks.iter().filter(|c| c.policy != Policy::Keep) {
                for instance in &check.instances {
                    self.of_check(area, (check, instance), &before, firm);
                }
            }
        }
    }

    fn of_check(
        &self,
        area: &Area,
        (check, instance): (&Check, &CheckInstance),
        before: &Memory,
        firm: &mut [ChipImage],
    ) {
        let (code, known) = self.undone.gather(&instance.stored);
        let mut filled = before.clone();
        for p in instance.words.bits() {
            if let (None, Some(bit)) = (before.bit(*p), self.earlier.bit(*p)) {
                filled.set_bit(*p, bit);
            }
        }
        let holds = |memory: &Memory| {
            checks::compute(check, instance, memory).is_some_and(|c| (c ^ code) & known == 0)
        };
        let mut one_bit = Vec::new();
        if !holds(&filled) {
            let edited = instance.words.bits().iter().filter(|p| {
                let (now, then) = (before.bit(**p), self.earlier.bit(**p));
                now.is_some() && then.is_some() && now != then
            });
            let edited: Vec<BitPlace> = edited.copied().collect();
            for p in &edited {
                let mut without = filled.clone();
                without.set_bit(*p, self.earlier.bit(*p).unwrap_or_default());
                if holds(&without) {
                    one_bit.push(*p);
                }
            }
            // What looks like an edit may be a flip: a check made to fit it would pass it off as sound.
            let own = instance.stored.iter().any(|p| before.bit(*p).is_none());
            let doubtful = || edited.iter().any(|p| self.alone(area, p, before));
            if one_bit.is_empty() && !(own && doubtful()) {
                return;
            }
        }
        for p in &instance.stored {
            if let (None, Some(bit)) = (before.bit(*p), self.undone.bit(*p)) {
                set(firm, p, Some(bit));
            }
        }
        if let [one] = one_bit[..]
            && self.alone(area, &one, before)
        {
            set(firm, &one, None);
        }
    }

    /// Whether a bit is all that changed of its value: an edit mostly changes more.
    fn alone(&self, area: &Area, one: &BitPlace, before: &Memory) -> bool {
        let Some(place) = area.places.iter().position(|p| at(p) == at(one)) else {
            return true;
        };
        let (entry, bit) = (place / area.bits_per_entry, place % area.bits_per_entry);
        let has = |f: &usize| {
            let field = &area.fields[*f];
            (field.first..field.first + usize::from(field.width)).contains(&bit)
        };
        (0..area.fields.len()).filter(has).all(|f| {
            let places = area.field_places(entry, f);
            let ((now, known), (then, also)) = (before.gather(places), self.earlier.gather(places));
            ((now ^ then) & known & also).count_ones() == 1
        })
    }
}

fn at(place: &BitPlace) -> (u16, u32, u8) {
    (place.chip, place.cell, place.line)
}

fn set(images: &mut [ChipImage], place: &BitPlace, bit: Option<bool>) {
    if let Some(image) = images.get_mut(usize::from(place.chip)) {
        image.set_bit(place.cell, place.line, bit.map(|b| b != place.inverted));
    }
}

/// Bits of mirrored areas that differ from their copy, as original and copy.
fn differing_copies(layout: &Layout, images: &[ChipImage]) -> Vec<(BitPlace, BitPlace)> {
    let bit = |p: &BitPlace| {
        let raw = images.get(usize::from(p.chip))?.bit(p.cell, p.line)?;
        Some(raw != p.inverted)
    };
    let differ =
        |(p, q): &(BitPlace, BitPlace)| matches!((bit(p), bit(q)), (Some(x), Some(y)) if x != y);
    let copies = layout
        .areas
        .iter()
        .flat_map(|area| area.copies.iter().map(move |copy| (area, copy)))
        .filter(|(_, copy)| copy.policy != Policy::Keep);
    copies
        .flat_map(|(area, copy)| area.places.iter().copied().zip(copy.places.iter().copied()))
        .filter(differ)
        .collect()
}

/// Without an earlier reading, a bit whose mirrored copy differs may be either.
pub(super) fn doubt_differing_copies(layout: &Layout, images: &mut [ChipImage]) -> Vec<BitPlace> {
    let doubtful: Vec<BitPlace> = differing_copies(layout, images)
        .into_iter()
        .flat_map(|(p, q)| [p, q])
        .collect();
    doubtful.iter().for_each(|p| set(images, p, None));
    doubtful
}
