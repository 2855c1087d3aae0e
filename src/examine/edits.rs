//! What the edits since an earlier reading tell: edited, replaced by another bank, or saved through a faulty converter.

use super::given::Before;
use super::saves;
use crate::codec::Codes;
use crate::finding::{Finding, Place, Severity};

/// Findings about entries that changed as a whole: edited, saved again, or saved through a faulty converter.
pub(super) fn findings(before: &Before, codes: &Codes, edited: &[Vec<usize>]) -> Vec<Finding> {
    let mut out = Vec::new();
    let layout = before.content.layout;
    let mut labels = Vec::new();
    let (mut entries, mut replaced, mut all) = (0, 0, 0);
    let moved = saves::moved(before, codes, edited);
    for (a, area) in layout.areas.iter().enumerate() {
        let shape = &before.content.shape.areas[a];
        if !area.axes.is_empty() {
            all += shape.entries;
        }
        for &e in edited.get(a).map_or(&[][..], Vec::as_slice) {
            labels.push(area.entry_label(e));
            let mut changed = 0;
            for &f in &shape.values {
                let (Some(new), Some(old)) =
                    (codes.areas[a].code(e, f), before.codes.areas[a].code(e, f))
                else {
                    continue;
                };
                if new == old {
                    continue;
                }
                changed += 1;
            }
            if !area.axes.is_empty() && changed > 0 {
                entries += 1;
                replaced += usize::from(changed * 2 > shape.values.len());
            }
        }
    }
    if labels.is_empty() {
        return out;
    }
    if all >= 8 && replaced * 10 >= all * 8 {
        out.push(
            Finding::new(
                "bank.replaced",
                Severity::Caution,
                format!("{replaced} of {all} entries hold other presets than before, all of them plausible"),
            )
            .means("This is not damage: another bank was loaded over the one read earlier, a factory set for example.")
            .act("Ask the owner which bank is wanted; the earlier reading is the only copy of the former one."),
        );
    } else if let Some(f) = saves::finding(before, codes, &moved) {
        out.push(f);
    }
    let mut f = Finding::new(
        "entries.edited",
        Severity::Note,
        format!(
            "{} entries were changed by their owner since the earlier reading",
            labels.len()
        ),
    )
    .at(Place {
        entries: labels,
        ..Place::default()
    })
    .means("Whole values changed to plausible ones: edits, not damage.");
    f.evidence = vec![format!(
        "{entries} of them hold presets; {} knobs moved",
        moved.len()
    )];
    out.push(f);
    out
}
