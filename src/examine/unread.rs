//! What was not read: an entry of which bits are unknown is not sound, however plausible the rest of it is.

use super::verdict::{EntryVerdict, Verdict};
use crate::finding::{ChipPlace, Finding, Place, Severity};
use crate::image::ChipImage;
use crate::layout::model::{FieldOwner, Layout};

/// How an entry is told of which nothing is known.
const NOT_READ: &str = "not read";

/// How an entry is told of which some bits are unknown.
fn told(lacking: usize, bits: usize) -> String {
    format!("{lacking} of {bits} bits unknown")
}

/// Whether an entry is told to be unknown in part or as a whole.
pub(super) fn is_told(entry: &EntryVerdict) -> bool {
    entry.why.contains("bits unknown") || entry.why == NOT_READ
}

/// Takes back that bits of an entry are unknown, where something says more of the same bits.
pub(super) fn take_back(entry: &mut EntryVerdict, lacking: usize, bits: usize) {
    if let Some(rest) = entry.why.strip_suffix(&told(lacking, bits)) {
        entry.why = rest.trim_end_matches(", ").to_owned();
    }
}

/// Marks the entries that were not read in full, and tells of them. Nothing where all their bits are known.
pub(super) fn judge(
    entries: &mut [EntryVerdict],
    layout: &Layout,
    seen: &[ChipImage],
) -> Option<Finding> {
    let mut verdicts = entries.iter_mut();
    let (mut unread, mut all) = (0, 0);
    let (mut partly, mut wholly) = (0, 0);
    let mut place = Place::default();
    for area in &layout.areas {
        for e in 0..area.entries() {
            let Some(verdict) = verdicts.next() else {
                break;
            };
            let (mut lacking, mut bits) = (0, 0);
            let mut keys = Vec::new();
            for (f, field) in area.fields.iter().enumerate() {
                let places = area.field_places(e, f);
                let unknown = |p: &&crate::layout::model::BitPlace| {
                    let image = seen.get(usize::from(p.chip));
                    image.and_then(|i| i.bit(p.cell, p.line)).is_none()
                };
                let n = places.iter().filter(unknown).count();
                for p in places.iter().filter(unknown) {
                    let chip = layout.chips.get(usize::from(p.chip));
                    let id = chip.map_or("", |c| c.id.as_str());
                    if !place.chips.iter().any(|c| c.chip == id) {
                        place.chips.push(ChipPlace {
                            chip: id.to_owned(),
                            ..ChipPlace::default()
                        });
                    }
                }
                lacking += n;
                bits += places.len();
                if n > 0
                    && let FieldOwner::Parameter(p) = field.owner
                    && let Some(parameter) = area.parameters.get(p)
                {
                    keys.push(parameter.key.clone());
                }
            }
            unread += lacking;
            all += bits;
            if lacking == 0 {
                continue;
            }
            place.entries.push(verdict.entry.clone());
            if lacking == bits {
                wholly += 1;
                verdict.verdict = Verdict::Damaged;
                NOT_READ.clone_into(&mut verdict.why);
            } else {
                partly += 1;
                let why = told(lacking, bits);
                match verdict.verdict {
                    Verdict::Sound | Verdict::Blank => {
                        verdict.verdict = Verdict::Suspect;
                        verdict.why = why;
                    }
                    Verdict::Suspect | Verdict::Damaged => {
                        verdict.why.push_str(", ");
                        verdict.why.push_str(&why);
                    }
                }
            }
            for key in keys {
                if !verdict.parameters.contains(&key) {
                    verdict.parameters.push(key);
                }
            }
        }
    }
    if unread == 0 {
        return None;
    }
    let entries = |n: usize| match n {
        1 => "1 entry".to_owned(),
        n => format!("{n} entries"),
    };
    let mut what = Vec::new();
    if wholly > 0 {
        what.push(format!("{} not known at all", entries(wholly)));
    }
    if partly > 0 {
        what.push(format!("{} known in part", entries(partly)));
    }
    let severity = if wholly > 0 {
        Severity::Damage
    } else {
        Severity::Caution
    };
    let says = format!(
        "{unread} of the {all} bits of the entries are unknown: {}",
        what.join(", ")
    );
    Some(
        Finding::new("reading.unread", severity, says)
            .at(place)
            .means("Of what is unknown nothing can be said; that the rest is plausible does not bear it out.")
            .act("Read those chips again in full, or mend what settling named, before relying on these entries."),
    )
}
