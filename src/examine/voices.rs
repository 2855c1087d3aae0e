//! What voices that agree tell: a voice that sounds wrong although memory holds the same for all is wrong elsewhere.

use super::content::Content;
use crate::codec::Codes;
use crate::finding::{Finding, Severity};

/// The note that voices agree, where in most presets all of them do.
pub(super) fn finding(content: &Content, codes: &Codes) -> Option<Finding> {
    let (mut agree, mut all, mut voices) = (0, 0, 0);
    for (a, shape) in content.shape.areas.iter().enumerate() {
        for group in shape.presets().iter().filter(|g| g.len() > 1) {
            all += 1;
            voices = voices.max(group.len());
            let same = |e: &usize| content.likeness(a, &codes.areas[a], *e, group[0]).1 == 0;
            agree += usize::from(group.iter().all(same));
        }
    }
    (agree * 2 > all).then(|| {
        Finding::new(
            "voices.agree",
            Severity::Note,
            format!("in {agree} of {all} presets memory holds the same for all {voices} voices"),
        )
        .means("A voice that sounds different in those presets is not wrong in memory: the fault is in that voice's own circuits.")
        .act("Where one voice sounds wrong, compare its control voltages with those of a voice that sounds right.")
    })
}
