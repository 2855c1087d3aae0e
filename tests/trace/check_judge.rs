//! Compares the checks that were found with those that were hidden, by what they do.

use cellkeep::codec::{Memory, checks};
use cellkeep::layout::model::Layout;
use cellkeep::reading::Reading;

/// How an instrument's checks came out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Checks {
    /// Checks the instrument has.
    pub(crate) hidden: usize,
    /// Those that one found accepts in every entry of another bank, and that notices every bit the hidden one does.
    pub(crate) right: usize,
    /// Checks found that are none of the instrument's.
    pub(crate) wrong: usize,
}

/// Judges by a bank of other settings than those that were dialled for the trace.
pub(crate) fn judge(hidden: &Layout, found: Option<&Layout>, bank: &Reading) -> Checks {
    let mut out = Checks {
        hidden: hidden.areas.iter().map(|a| a.checks.len()).sum(),
        ..Checks::default()
    };
    let Some(found) = found else { return out };
    let memory = Memory::of(found, &bank.aligned(found)).unwrap();
    for check in found.areas.iter().flat_map(|a| &a.checks) {
        let fits = hidden.areas.iter().flat_map(|a| &a.checks).any(|h| {
            let stored = |c: &cellkeep::layout::model::Check, i: usize| {
                let mut places: Vec<_> = c.instances[i]
                    .stored
                    .iter()
                    .map(|b| (b.chip, b.cell, b.line))
                    .collect();
                places.sort_unstable();
                places
            };
            h.instances.len() == check.instances.len()
                && (0..h.instances.len()).all(|i| {
                    let holds = |m: &Memory| {
                        checks::verdict(check, &check.instances[i], m) == checks::Verdict::Holds
                    };
                    let notices = h.instances[i].words.iter().flatten().all(|place| {
                        let mut spoilt = memory.clone();
                        let bit = spoilt.bit(*place).unwrap();
                        spoilt.set_bit(*place, !bit);
                        !holds(&spoilt)
                    });
                    stored(h, i) == stored(check, i) && holds(&memory) && notices
                })
        });
        if fits {
            out.right += 1;
        } else {
            out.wrong += 1;
        }
    }
    out
}
