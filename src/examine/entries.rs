//! The verdict on each entry: by the marks its bits carry, the promises it breaks, and what may be hidden in it.

use super::ExamineError;
use super::alike::Mode;
use super::cause::Shared;
use super::content::Content;
use super::facts::Broken;
use super::given::Before;
use super::many::Edited;
use super::verdict::{EntryVerdict, Marks, Verdict, touched};
use super::weigh::memory_of;
use crate::codec::Codes;
use crate::finding::Finding;
use crate::image::ChipImage;

/// Adds the entries a cause touches to its finding.
pub(super) fn name_entries(
    findings: &mut [Finding],
    entries: &[EntryVerdict],
    causes: impl Iterator<Item = usize>,
) {
    for (i, at) in causes.enumerate() {
        let Some(f) = findings.get_mut(at) else {
            continue;
        };
        let letter = format!("({})", char::from(b'A' + (i % 26) as u8));
        for e in entries.iter().filter(|e| e.why.contains(&letter)) {
            f.place.entries.push(e.entry.clone());
        }
    }
}

/// What flipped without being seen to.
pub(super) struct Hidden<'a> {
    /// Share of all bits that flipped.
    pub flipped: f64,
    /// The earlier reading, what was edited since, and the contents as far as they can be told; nothing where a reading stands
    /// alone.
    pub edited: Option<(&'a Before<'a>, &'a Edited, Codes)>,
}

/// Chance of a hidden flip from which an edited entry is suspect (judgement).
const EDITED_DOUBT: f64 = 0.2;

impl Hidden<'_> {
    /// Why an entry that looks sound is not to be relied on, if it is not. An earlier reading shows every flip but those in values
    /// that were edited since; a reading alone only those that break something.
    fn doubt(&self, content: &Content, a: usize, e: usize) -> Option<String> {
        let Some((before, edits, codes)) = &self.edited else {
            let bits = content.layout.areas[a].bits_per_entry;
            let unharmed = content.unharmed(a, e, bits, self.flipped);
            return (unharmed < 0.5).then(|| "likely to hold flipped bits".to_owned());
        };
        let edited = edits.of(a).contains(&e);
        let bits = if edited {
            before.edited_bits(codes, a, e)
        } else {
            0
        };
        let harmed = 1.0 - content.unharmed(a, e, bits, self.flipped);
        (harmed > EDITED_DOUBT).then(|| {
            format!(
                "edited since the earlier reading, which cannot show bits that flipped there ({:.0} % that some did)",
                100.0 * harmed
            )
        })
    }
}

/// The verdict on every entry of every area, in order.
///
/// # Errors
/// When the contents do not fit the layout.
pub(super) fn verdicts(
    content: &Content,
    undone: &[ChipImage],
    marks: &Marks,
    left: &[Broken],
    causes: &[&Shared],
    hidden: &Hidden,
) -> Result<Vec<EntryVerdict>, ExamineError> {
    let told = content.tell(&memory_of(content, undone)?);
    let mut out = Vec::new();
    for (a, area) in content.layout.areas.iter().enumerate() {
        for e in 0..area.entries() {
            let (kinds, mut parameters) = touched(content.layout, marks, a, e);
            let broken: Vec<&Broken> = left.iter().filter(|b| b.at == (a, Some(e))).collect();
            let moved_only = kinds.iter().all(|k| {
                *k != b'x'
                    && causes
                        .get(usize::from(k.wrapping_sub(b'A')))
                        .is_some_and(|c| c.rearranges())
            });
            let (verdict, why) = if !kinds.is_empty() {
                let letters: Vec<String> = kinds
                    .iter()
                    .map(|k| match k {
                        b'x' => "flipped bits".to_owned(),
                        k => format!("lost bits ({})", char::from(*k)),
                    })
                    .collect();
                if let (true, Some(b)) = (moved_only, broken.first()) {
                    let why = letters.join(", ").replace("lost bits", "out of order");
                    (
                        Verdict::Suspect,
                        format!("{why}; put back, {} {}", b.code, b.key),
                    )
                } else if moved_only {
                    let why = letters
                        .join(", ")
                        .replace("lost bits", "out of order, complete once put back");
                    (Verdict::Suspect, why)
                } else {
                    (Verdict::Damaged, letters.join(", "))
                }
            } else if let Some(b) = broken.iter().find(|b| b.code == "code.impossible") {
                parameters.push(b.key.clone());
                (
                    Verdict::Damaged,
                    format!("impossible {} ({})", b.key, b.says),
                )
            } else if let Some(b) = broken.first() {
                (Verdict::Suspect, format!("{} {}", b.code, b.key))
            } else if told.modes[a][e] == Mode::Blank {
                (Verdict::Blank, "blank".to_owned())
            } else {
                match hidden.doubt(content, a, e) {
                    Some(why) => (Verdict::Suspect, why),
                    None => (Verdict::Sound, String::new()),
                }
            };
            out.push(EntryVerdict {
                area: area.name.clone(),
                entry: area.entry_label(e),
                verdict,
                why,
                parameters,
            });
        }
    }
    Ok(out)
}
