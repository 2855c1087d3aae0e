//! What an earlier reading is worth: it is examined by itself before anything is held against it.
//!
//! A battery that was dead at the last visit already left the same damage in both readings, and what is the same in both
//! shows no change. So what the earlier reading has lost is left out of the comparison, and where the reading by itself
//! shows the same damage, or nothing is left to compare with, the reading is judged by itself.

use super::Examined;
use crate::finding::{Finding, Severity};
use crate::image::ChipImage;

/// How sure damage of the earlier reading must be to count: a hundred to one.
const SURE: f64 = 0.99;
/// Findings about the earlier reading that are told one by one.
const TOLD: usize = 3;

/// An earlier reading, examined by itself.
pub(super) struct Past {
    examined: Examined,
    damages: Vec<Finding>,
    is_useless: bool,
}

impl Past {
    /// Judges an earlier reading by its images and their examination.
    pub(super) fn new(images: &[ChipImage], examined: Examined) -> Self {
        let findings = examined.examination.findings.iter();
        let is_certain = |f: &&Finding| {
            f.severity == Severity::Damage
                && (f.sure.is_some_and(|sure| sure >= SURE) || f.code == "reading.empty")
        };
        let mut damages: Vec<Finding> = findings.filter(is_certain).cloned().collect();
        let lost: u64 = examined
            .contents
            .undone
            .iter()
            .map(ChipImage::unknown_bits)
            .sum();
        let bits: u64 = images.iter().map(ChipImage::bits).sum();
        let mut is_useless = 2 * lost > bits
            || damages
                .iter()
                .any(|f| f.code.starts_with("all.") || f.code == "reading.empty");
        if images.iter().all(ChipImage::is_blank) {
            is_useless = true;
            if damages.is_empty() {
                damages.push(Finding::new(
                    "all.blank",
                    Severity::Damage,
                    "all its cells read alike",
                ));
            }
        }
        Self {
            examined,
            damages,
            is_useless,
        }
    }

    /// Whether nothing speaks against it.
    pub(super) fn is_sound(&self) -> bool {
        self.damages.is_empty()
    }

    /// Whether a reading by itself shows damage that the earlier one shows too.
    fn is_alike(&self, alone: &Examined) -> bool {
        let chips =
            |f: &Finding| -> Vec<String> { f.place.chips.iter().map(|c| c.chip.clone()).collect() };
        self.damages.iter().any(|f| {
            let flips = &self.examined.contents.flips;
            if f.code == super::cause::SCATTERED && !flips.is_empty() {
                let common = alone
                    .contents
                    .flips
                    .iter()
                    .filter(|b| flips.contains(b))
                    .count();
                return common > 0 && 2 * common >= alone.contents.flips.len();
            }
            let now = &alone.examination.findings;
            now.iter()
                .any(|g| g.severity == Severity::Damage && g.code == f.code && chips(g) == chips(f))
        })
    }

    /// The reading judged by itself, where that is what the earlier one calls for.
    pub(super) fn by_itself(&self, mut alone: Examined) -> Option<Examined> {
        if !self.is_useless && !self.is_alike(&alone) {
            return None;
        }
        let told = self.told("It was left aside: this reading is judged by itself.");
        alone.examination.findings.extend(told);
        Some(alone)
    }

    /// What is left of it once its damage is taken out.
    pub(super) fn left(&self) -> Vec<ChipImage> {
        let mut images = self.examined.contents.undone.clone();
        for (chip, cell, line) in &self.examined.contents.flips {
            if let Some(image) = images.get_mut(*chip) {
                image.set_bit(*cell, *line, None);
            }
        }
        images
    }

    /// The findings about it where it was compared with all the same.
    pub(super) fn compared(&self) -> Vec<Finding> {
        self.told("What it lost was not compared with; the rest was.")
    }

    fn told(&self, means: &str) -> Vec<Finding> {
        let one = |f: &Finding| {
            let says = format!("the earlier reading is damaged itself: {}", f.says);
            let mut told = Finding::new("earlier.damaged", Severity::Caution, says)
                .at(f.place.clone())
                .means(means)
                .act("Look for another copy of it; examined by itself it shows more.");
            told.sure = f.sure;
            told
        };
        let mut out: Vec<Finding> = self.damages.iter().take(TOLD).map(one).collect();
        let more = self.damages.len().saturating_sub(TOLD);
        if let Some(last) = out.last_mut().filter(|_| more > 0) {
            last.evidence.push(format!("and {more} more"));
        }
        out
    }
}
