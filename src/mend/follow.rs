//! Checks and mirrored copies after what they belong to was mended: brought in line where only their own damage keeps them
//! from it, and else left as they are, failing, since a check made to fit would pass damage off as sound.

use super::apply::{note, set};
use super::checked::check_label;
use super::damage::Damaged;
use super::{MendError, Mended};
use crate::codec::{Memory, checks};
use crate::layout::model::{Area, BitPlace, Check, CheckInstance, Layout, Policy};
use crate::reading::{MADE_TO_FIT, Origin};

/// What stands before and after the accepted values were set.
pub(super) struct State<'a> {
    pub layout: &'a Layout,
    /// Contents before.
    pub before: &'a Memory,
    /// What was damaged.
    pub damaged: &'a Damaged,
    /// What is damaged still.
    pub unresolved: &'a Damaged,
    /// What was entered by hand.
    pub by_hand: &'a Damaged,
}

/// The verb of what follows mended values.
const UPDATED: &str = "updated";

fn origin(verb: &str, why: String) -> Origin {
    Origin {
        verb: verb.to_owned(),
        why,
        from: None,
    }
}

impl State<'_> {
    /// Brings checks and copies in line as far as that may be done, and notes what is left. Gives the places that are
    /// settled by it.
    pub(super) fn follow(&self, mended: &mut Mended) -> Result<Vec<BitPlace>, MendError> {
        let mut settled = Vec::new();
        for area in &self.layout.areas {
            for check in area.checks.iter().filter(|c| c.policy != Policy::Keep) {
                for instance in &check.instances {
                    let now = Memory::of(self.layout, &mended.reading)?;
                    self.follow_check(area, (check, instance), &now, mended, &mut settled);
                }
            }
        }
        let now = Memory::of(self.layout, &mended.reading)?;
        for area in &self.layout.areas {
            self.follow_copies(area, &now, mended, &mut settled);
        }
        Ok(settled)
    }

    fn follow_check(
        &self,
        area: &Area,
        (check, instance): (&Check, &CheckInstance),
        now: &Memory,
        mended: &mut Mended,
        settled: &mut Vec<BitPlace>,
    ) {
        let covered = instance.words.bits();
        let changed = |p: &&BitPlace| now.bit(**p) != self.before.bit(**p);
        let own = instance.stored.iter().any(|p| self.unresolved.has(p));
        let resolved = |p: &BitPlace| self.damaged.has(p) && !self.unresolved.has(p);
        let touched = covered.iter().any(|p| changed(&p) || resolved(p));
        if !touched {
            return;
        }
        let left = covered.iter().filter(|p| self.unresolved.has(p)).count();
        let (key, entry) = check_label(area, check, instance);
        if checks::verdict(check, instance, now) == checks::Verdict::Holds {
            if left == 0 {
                let origin = origin(UPDATED, format!("{key} holds over mended values"));
                self.known_now(&instance.stored, &origin, mended);
                settled.extend(&instance.stored);
            }
            return;
        }
        let (stored, known) = now.gather(&instance.stored);
        let may_change = |code: u64| {
            instance.stored.iter().enumerate().take(64).all(|(k, p)| {
                (stored ^ code) >> k & 1 == 0 && known >> k & 1 == 1 || self.unresolved.has(p)
            })
        };
        let by_hand = covered.iter().any(|p| self.by_hand.has(p));
        let why = match checks::compute(check, instance, now) {
            Some(code)
                if left == 0 && check.policy == Policy::Update && (by_hand || may_change(code)) =>
            {
                // That a check holds which was reckoned from a value entered by hand proves nothing of that value.
                let (verb, why) = match by_hand {
                    true => (MADE_TO_FIT, "over a value entered by hand"),
                    false => (UPDATED, "over mended values; its own bits were damaged"),
                };
                let origin = origin(verb, format!("{key} {why}"));
                mended.record.followed += set(&mut mended.reading, &instance.stored, code, &origin);
                settled.extend(&instance.stored);
                return;
            }
            _ if left > 0 => format!("{left} damaged bits under it are not mended"),
            _ if check.policy != Policy::Update => "the layout has it never written".to_owned(),
            _ if own => "what is sound of it does not fit the accepted values".to_owned(),
            _ => "one of the accepted values is wrong, or damage there went unnoticed".to_owned(),
        };
        mended.record.notices.push(format!(
            "{}, {entry}: {key} is left failing: {why}",
            area.name
        ));
    }

    /// Notes why those of these bits are known that were damaged and read as they should.
    fn known_now(&self, places: &[BitPlace], origin: &Origin, mended: &mut Mended) {
        let lost = places.iter().filter(|p| self.unresolved.has(p));
        lost.for_each(|p| note(&mut mended.reading, p, origin));
    }

    fn follow_copies(
        &self,
        area: &Area,
        now: &Memory,
        mended: &mut Mended,
        settled: &mut Vec<BitPlace>,
    ) {
        for copy in &area.copies {
            let why = |of: &str| format!("copy {:?} of {of}", copy.name);
            let updated = origin(UPDATED, why("mended values"));
            let made = origin(MADE_TO_FIT, why("values entered by hand"));
            let mut against = 0;
            for (p, q) in area.places.iter().zip(&copy.places) {
                let resolved = self.damaged.has(p) && !self.unresolved.has(p);
                let Some(bit) = now.bit(*p) else { continue };
                if !resolved {
                    continue;
                }
                if now.bit(*q) == Some(bit) {
                    self.known_now(&[*q], &updated, mended);
                    settled.push(*q);
                    continue;
                }
                let may = self.damaged.has(q) || self.by_hand.has(p);
                if copy.policy == Policy::Update && may {
                    let origin = match self.by_hand.has(p) {
                        true => &made,
                        false => &updated,
                    };
                    mended.record.followed +=
                        set(&mut mended.reading, &[*q], u64::from(bit), origin);
                    settled.push(*q);
                } else {
                    against += 1;
                }
            }
            if against > 0 {
                mended.record.notices.push(format!(
                    "{}: copy {:?} is left as it is: {against} sound bits of it differ from the accepted values",
                    area.name, copy.name
                ));
            }
        }
    }
}
