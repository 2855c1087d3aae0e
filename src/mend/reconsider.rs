//! Second thoughts on what looks flipped beside an earlier reading.
//!
//! Examining tells a bit that differs from the earlier reading as flipped or as edited, whichever is the likelier. A check
//! over it knows better: where it holds as it was read, it was not flipped; where one edited bit alone keeps it from
//! holding, that bit flipped rather than the check; and where a value under it changed by one bit, it cannot be told. Without an
//! earlier reading, mirrored copies are what is known better.

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

impl Second<'_> {
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
        let at = |p: &BitPlace| (p.chip, p.cell, p.line) == (one.chip, one.cell, one.line);
        let Some(at) = area.places.iter().position(at) else {
            return true;
        };
        let (entry, bit) = (at / area.bits_per_entry, at % area.bits_per_entry);
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

fn set(images: &mut [ChipImage], place: &BitPlace, bit: Option<bool>) {
    if let Some(image) = images.get_mut(usize::from(place.chip)) {
        image.set_bit(place.cell, place.line, bit.map(|b| b != place.inverted));
    }
}

/// Without an earlier reading, a bit whose mirrored copy differs may be either.
pub(super) fn doubt_differing_copies(layout: &Layout, images: &mut [ChipImage]) {
    let mut doubtful = Vec::new();
    for area in &layout.areas {
        for copy in &area.copies {
            for (p, q) in area.places.iter().zip(&copy.places) {
                let bit = |p: &BitPlace| {
                    let raw = images.get(usize::from(p.chip))?.bit(p.cell, p.line)?;
                    Some(raw != p.inverted)
                };
                if let (Some(x), Some(y)) = (bit(p), bit(q))
                    && x != y
                {
                    doubtful.push(*p);
                    doubtful.push(*q);
                }
            }
        }
    }
    for p in doubtful {
        if let Some(image) = images.get_mut(usize::from(p.chip)) {
            image.set_bit(p.cell, p.line, None);
        }
    }
}
