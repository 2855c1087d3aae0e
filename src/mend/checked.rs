//! Checks: what they say for the values they cover, and which of them follow or fail once those are mended.

use std::collections::HashMap;

use super::damage::Damaged;
use super::gather::{Bench, Spot};
use super::weigh::{self, Belief};
use super::{Damage, Loss, MendError, MendPlan};
use crate::codec::{Memory, checks, low_mask};
use crate::layout::model::{Area, BitPlace, Check, CheckInstance, Policy};

/// What a check's stored bits say of the code its covered words ask for.
struct Stored {
    code: u64,
    /// Bits of it that may be believed.
    firm: u64,
    full: u64,
}

impl Stored {
    fn of(instance: &CheckInstance, firm: &Memory) -> Self {
        let (code, known) = firm.gather(&instance.stored);
        Self {
            code,
            firm: known,
            full: low_mask(instance.stored.len().min(64) as u8),
        }
    }

    fn allows(&self, computed: u64) -> bool {
        (self.code ^ computed) & self.firm == 0
    }
}

/// The words of a check's place: its key, and the entry.
pub(super) fn check_label(
    area: &Area,
    check: &Check,
    instance: &CheckInstance,
) -> (String, String) {
    let entry = instance
        .entry
        .map_or_else(|| area.name.clone(), |e| area.entry_label(e));
    (format!("check {}", check.key), entry)
}

impl Bench<'_> {
    /// Brings beliefs in line with the checks over them; returns the spots a check spoke for. `base` holds what is firm,
    /// and what is proposed for bits outside of parameters.
    pub(super) fn apply_checks(
        &self,
        base: &Memory,
        beliefs: &mut HashMap<Spot, Belief>,
    ) -> HashMap<Spot, String> {
        let mut spoke = HashMap::new();
        for (a, area) in self.content.layout.areas.iter().enumerate() {
            let doubtful = self.doubtful_bits(a, beliefs);
            for check in area.checks.iter().filter(|c| c.policy != Policy::Keep) {
                for instance in &check.instances {
                    self.apply_check(base, (check, instance), &doubtful, beliefs, &mut spoke);
                }
            }
        }
        spoke
    }

    /// For each place with a damaged owner, the owner.
    fn doubtful_bits(
        &self,
        a: usize,
        beliefs: &HashMap<Spot, Belief>,
    ) -> HashMap<(u16, u32, u8), Spot> {
        let area = &self.content.layout.areas[a];
        let mut out = HashMap::new();
        for spot in beliefs.keys().filter(|s| s.0 == a) {
            for p in area.field_places(spot.1, spot.2) {
                out.insert((p.chip, p.cell, p.line), *spot);
            }
        }
        out
    }

    fn apply_check(
        &self,
        base: &Memory,
        (check, instance): (&Check, &CheckInstance),
        doubtful: &HashMap<(u16, u32, u8), Spot>,
        beliefs: &mut HashMap<Spot, Belief>,
        spoke: &mut HashMap<Spot, String>,
    ) {
        let stored = Stored::of(instance, &self.firm);
        if stored.firm == 0 {
            return;
        }
        let mut spots: Vec<Spot> = instance
            .words
            .bits()
            .iter()
            .filter_map(|p| doubtful.get(&(p.chip, p.cell, p.line)).copied())
            .collect();
        spots.sort_unstable();
        spots.dedup();
        let taken: Option<Vec<u64>> = spots
            .iter()
            .map(|s| Some(beliefs.get(s)?.best()?.0))
            .collect();
        let mut memory = base.clone();
        let mut computed = |codes: &[u64]| {
            for ((a, e, f), code) in spots.iter().zip(codes) {
                memory.scatter(self.content.layout.areas[*a].field_places(*e, *f), *code);
            }
            checks::compute(check, instance, &memory)
        };
        // Where something else under the check is open, it says nothing.
        if taken.is_none_or(|best| best.is_empty() || computed(&best).is_none()) {
            return;
        }
        let mut list: Vec<(Spot, Belief)> = spots
            .iter()
            .filter_map(|s| Some((*s, beliefs.remove(s)?)))
            .collect();
        let mut of: Vec<&mut Belief> = list.iter_mut().map(|t| &mut t.1).collect();
        let mut holds = |codes: &[u64]| computed(codes).is_some_and(|c| stored.allows(c));
        weigh::check(&mut of, stored.firm.count_ones() as u8, &mut holds);
        let best: Vec<u64> = list.iter().filter_map(|t| Some(t.1.best()?.0)).collect();
        let held = holds(&best);
        for (spot, belief) in list {
            beliefs.insert(spot, belief);
            if held {
                spoke.insert(spot, format!("the check {} holds with it", check.key));
            }
        }
    }

    /// Tells which checks follow what is proposed, and which would fail with all of it. `proposed` holds what is firm and
    /// everything proposed.
    pub(super) fn tell_checks(&self, proposed: &Memory, plan: &mut MendPlan) {
        for area in &self.content.layout.areas {
            for check in area.checks.iter().filter(|c| c.policy != Policy::Keep) {
                for instance in &check.instances {
                    self.tell_check(area, (check, instance), proposed, plan);
                }
            }
        }
    }

    fn tell_check(
        &self,
        area: &Area,
        (check, instance): (&Check, &CheckInstance),
        proposed: &Memory,
        plan: &mut MendPlan,
    ) {
        let stored = Stored::of(instance, &self.firm);
        let damaged = (stored.full & !stored.firm).count_ones();
        let bits = stored.full.count_ones();
        let (key, entry) = check_label(area, check, instance);
        let mut lost = |lost: String| {
            plan.losses.push(Loss {
                area: area.name.clone(),
                entry: entry.clone(),
                parameter: key.clone(),
                lost,
            });
        };
        match checks::compute(check, instance, proposed) {
            None if damaged > 0 => lost(format!(
                "{damaged} of {bits} bits; they follow once everything the check covers is mended"
            )),
            None => {}
            Some(computed) if !stored.allows(computed) => lost(format!(
                "fails with everything proposed: {}, computed {computed:#x}; a value there is wrong, or damage went unnoticed",
                match damaged {
                    0 => format!("stored {:#x}", stored.code),
                    n => format!("stored {:#x} but for {n} damaged bits", stored.code),
                }
            )),
            Some(_) if damaged > 0 && self.follows(check, instance) => {
                plan.follows.push(format!(
                    "{}, {entry}: {key}, {damaged} of {bits} bits",
                    area.name
                ));
            }
            Some(_) => {}
        }
    }

    /// Makes proposals for bits outside of parameters surer that a check under which they lie holds with.
    pub(super) fn confirm_bits(
        &self,
        proposed: &Memory,
        plan: &mut MendPlan,
    ) -> Result<(), MendError> {
        let layout = self.content.layout;
        let mut held = Damaged::nothing(layout);
        for area in &layout.areas {
            for check in area.checks.iter().filter(|c| c.policy != Policy::Keep) {
                for instance in &check.instances {
                    let stored = Stored::of(instance, &self.firm);
                    let computed = checks::compute(check, instance, proposed);
                    if stored.firm == stored.full && computed == Some(stored.code) {
                        instance.words.bits().iter().for_each(|p| held.add(p));
                    }
                }
            }
        }
        for bits in &mut plan.bits {
            let run = Damage {
                chip: bits.chip.clone(),
                first: bits.first,
                last: bits.last,
                lines: bits.lines.clone(),
            };
            if Damaged::of_runs(layout, &[run])?
                .bits()
                .all(|p| held.has(&p))
            {
                let chance = bits.probability;
                let surer = chance / (chance + (1.0 - chance) * weigh::STRAY);
                bits.probability = ((surer * 1e4).round() / 1e4).min(0.9999);
                bits.evidence
                    .push("the check over it holds with it".to_owned());
            }
        }
        Ok(())
    }

    /// Whether a check is brought in line once what it covers is mended: something that it covers has to be.
    pub(super) fn follows(&self, check: &Check, instance: &CheckInstance) -> bool {
        check.policy == Policy::Update && instance.words.bits().iter().any(|p| self.damaged.has(p))
    }

    /// What a stored check has to be, where all it covers is sound, with the chance of it: how many of the checks that can
    /// be judged hold.
    pub(super) fn must_be(&self, check: &Check, instance: &CheckInstance) -> Option<(u64, f64)> {
        let computed = checks::compute(check, instance, &self.firm)?;
        let stored = Stored::of(instance, &self.firm);
        if !stored.allows(computed) {
            return None;
        }
        let (mut held, mut n) = super::rest::EXPECTED;
        for other in &check.instances {
            match checks::verdict(check, other, &self.firm) {
                checks::Verdict::Holds => (held, n) = (held + 1.0, n + 1.0),
                checks::Verdict::Fails { .. } => n += 1.0,
                checks::Verdict::Undecided => {}
            }
        }
        // Where it would not hold, its sound bits would agree by chance alone.
        let failed = (n - held) * (-f64::from(stored.firm.count_ones())).exp2();
        Some((computed, held / (held + failed)))
    }
}

/// The bit of a code that a place among a check's stored places holds, as it lies in the chip.
pub(super) fn raw(stored: &[BitPlace], code: u64, place: &BitPlace) -> Option<bool> {
    let same = |p: &&BitPlace| (p.chip, p.cell, p.line) == (place.chip, place.cell, place.line);
    let at = stored.iter().position(|p| same(&p))?;
    Some((code >> at & 1 == 1) != stored[at].inverted)
}
