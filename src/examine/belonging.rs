//! Whether the votes of reads, or their record, are about the reading at hand.

use crate::finding::{Finding, Severity};
use crate::image::ChipImage;
use crate::reading::{ChipReading, Reading};
use crate::settle::{SETTLED, Settlement};

/// Whether the record of settling may be about another reading, and how that is told.
#[derive(Clone, Debug, PartialEq)]
pub enum Belonging {
    /// It is about this reading, or about one of the reads that this one is.
    Fits,
    /// It is about other contents, and this reading was mended or edited since it was read: where it was left alone the votes
    /// still hold. Or it was written before digests were recorded. The caution to tell with the others.
    Unsure(Box<Finding>),
    /// It is about other contents: this chip's.
    Other(String),
}

/// Whether votes are about a reading, by the digests in their record.
pub fn votes_belong(reading: &Reading, settlement: &Settlement) -> Belonging {
    let unsure = |says: &str, means: &str| {
        Belonging::Unsure(Box::new(
            Finding::new("votes.unproved", Severity::Caution, says)
                .means(means)
                .act("Name the reads themselves with --settled-from, or settle them anew."),
        ))
    };
    if settlement.chips.is_empty() {
        return unsure(
            "whether the votes are about this reading cannot be checked",
            "Their record was written before digests were recorded in it.",
        );
    }
    let Some(chip) = reading.differs_from(&settlement.chips) else {
        return Belonging::Fits;
    };
    let mut reads = settlement.reads.iter();
    if reads.any(|r| reading.differs_from(&r.chips).is_none()) {
        return Belonging::Fits;
    }
    match reading.chips.iter().any(was_changed) {
        true => unsure(
            &format!("the votes are about other contents of {chip} than these"),
            "Where this reading was mended or edited since it was settled they no longer hold; of another reading they say nothing.",
        ),
        false => Belonging::Other(chip),
    }
}

/// Whether anything of a chip was changed since it was read, but for settling.
fn was_changed(chip: &ChipReading) -> bool {
    chip.provenance.iter().any(|p| p.origin.verb != SETTLED)
}

/// The first bit that a reading holds and none of these reads shows, where it was not changed since, in words; with how many
/// there are.
pub fn shown_by_none(reading: &Reading, reads: &[(String, Reading)]) -> Option<String> {
    let mut first = None;
    let mut count = 0;
    for chip in &reading.chips {
        let others: Vec<&ChipImage> = reads
            .iter()
            .filter_map(|(_, r)| Some(&r.chip(&chip.id)?.image))
            .collect();
        for cell in 0..chip.image.words() {
            for line in 0..chip.image.width() {
                let Some(bit) = chip.image.bit(cell, line) else {
                    continue;
                };
                let mut seen = others.iter().filter_map(|i| i.bit(cell, line)).peekable();
                if seen.peek().is_none() || seen.any(|other| other == bit) {
                    continue;
                }
                let origin = chip.origin_of(cell, line);
                if origin.is_none_or(|o| o.verb == SETTLED) {
                    first.get_or_insert_with(|| format!("{} {cell:#06x} D{line}", chip.id));
                    count += 1;
                }
            }
        }
    }
    first.map(|place| match count {
        1 => format!("none of them shows what {place} holds"),
        n => format!("none of them shows what {n} bits hold, such as {place}"),
    })
}
