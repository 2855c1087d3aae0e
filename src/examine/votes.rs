//! What the reads that a reading was settled from add to its examination: which damage holds still, and which comes
//! and goes.
//!
//! A cell that lost its contents reads its new contents steadily; a contact, a supply or a second driver seldom
//! holds still from read to read. So the bits on which the reads differ tell a fault at the bench from one in the
//! memory, and a noisy read from decay.

use std::collections::BTreeMap;

use super::verdict::{Marks, touched};
use super::{EntryVerdict, ExamineError, Examined, Picture, Verdict, unread};
use crate::evidence::marked;
use crate::finding::{ChipPlace, Finding, Place, Severity};
use crate::image::ChipImage;
use crate::layout::model::Layout;
use crate::reading::Reading;
use crate::settle::{Dissent, Settlement};

/// Share of a chip's bits that no memory lets differ between reads: whatever answers there, the chip does not.
const FLOATING: f64 = 0.25;
/// Bits by which a rate of its own must be the shorter way to tell dissent.
const PRIOR: f64 = 6.0;
/// Chance that something in an entry was settled wrongly, from which the entry is suspect.
const DOUBT: f64 = 0.01;
/// How an entry in doubt is told.
const DIFFER: &str = "the reads differ";
/// The mark of a bit on which the reads differ.
const MARK: u8 = b'~';

/// The votes laid beside the reading they are about.
struct Votes<'a> {
    /// The vote of each bit on which the reads differ, by chip, cell and line.
    bits: BTreeMap<(usize, u32, u8), &'a Dissent>,
    reads: usize,
}

/// Adds to an examination what the reads say that the reading was settled from.
///
/// # Errors
/// When the votes are about other chips.
pub fn add_votes(
    examined: &mut Examined,
    reading: &Reading,
    layout: Option<&Layout>,
    settlement: &Settlement,
) -> Result<(), ExamineError> {
    let votes = Votes::of(reading, settlement)?;
    let images: Vec<ChipImage> = reading.chips.iter().map(|c| c.image.clone()).collect();
    let ids: Vec<String> = reading.chips.iter().map(|c| c.id.clone()).collect();
    let mut marks = Marks::new(&images);
    for (chip, cell, line) in votes.bits.keys() {
        marks.set(*chip, *cell, *line, MARK);
    }
    let examination = &mut examined.examination;
    examination.reads = settlement.reads.iter().map(|r| r.name.clone()).collect();
    for finding in &mut examination.findings {
        votes.steadiness(finding, &images, &ids);
    }
    if let Some(decay) = examination
        .findings
        .iter_mut()
        .find(|f| f.code == super::cause::SCATTERED)
    {
        let bits: u64 = images.iter().map(ChipImage::bits).sum();
        let flips = examined.contents.flip_rate * bits as f64;
        votes.noisy_flips(decay, &examined.contents.flips, flips);
    }
    overlay(&mut examination.pictures, &marks.pictures(&images, &ids));
    if let Some(layout) = layout {
        votes.doubt_entries(&mut examination.entries, layout, &marks);
        // What the votes left open is told with them.
        if !examination.entries.iter().any(unread::is_told) {
            examination.findings.retain(|f| f.code != "reading.unread");
        }
    }
    let mut found = Vec::new();
    let floating = votes.floating(&images, &ids);
    for f in &floating {
        take_place(f, &mut examination.findings, &mut found);
    }
    let covered =
        |f: &Finding| f.code == "dissent.chip" && floating.iter().any(|g| same_chips(f, g));
    let carried: Vec<Finding> = settlement
        .findings
        .iter()
        .filter(|f| !covered(f))
        .cloned()
        .map(|mut f| {
            if f.code == "settle.open" {
                f.place.entries = examination
                    .entries
                    .iter()
                    .filter(|e| e.why.contains(DIFFER))
                    .map(|e| e.entry.clone())
                    .collect();
            }
            f
        })
        .collect();
    // A contact, supply or driver that gives way is mended first, since whatever else these reads show may be its doing.
    let (mut first, last): (Vec<Finding>, Vec<Finding>) =
        carried.into_iter().partition(|f| f.read_again_first);
    found.extend(last);
    let findings = examination.findings.iter().chain(&found);
    if let Some(worst) = findings.map(|f| f.severity).max() {
        first
            .iter_mut()
            .for_each(|f| f.severity = f.severity.max(worst));
    }
    examination.findings.extend(found);
    examination.findings.splice(0..0, first);
    Ok(())
}

impl<'a> Votes<'a> {
    fn of(reading: &Reading, settlement: &'a Settlement) -> Result<Self, ExamineError> {
        let mut bits = BTreeMap::new();
        for d in &settlement.dissents {
            let chip = reading.chips.iter().position(|c| c.id == d.chip);
            let chip = chip
                .ok_or_else(|| ExamineError::Votes(format!("they are about a chip {}", d.chip)))?;
            let image = &reading.chips[chip].image;
            if d.cell >= image.words() || d.line >= image.width() {
                return Err(ExamineError::Votes(format!(
                    "they name cell {:#06x} D{} of {}, which here is {} x {}",
                    d.cell,
                    d.line,
                    d.chip,
                    image.words(),
                    image.width()
                )));
            }
            bits.insert((chip, d.cell, d.line), d);
        }
        let reads = settlement
            .reads
            .iter()
            .filter(|r| r.set_aside.is_none())
            .count();
        Ok(Self { bits, reads })
    }

    /// Says of a finding in the chips whether the reads agree there.
    fn steadiness(&self, finding: &mut Finding, images: &[ChipImage], ids: &[String]) {
        let physical = [
            "line.", "address.", "chip.", "bus.", "all.", "region.", "entry.",
        ];
        if !physical.iter().any(|p| finding.code.starts_with(p)) || finding.place.chips.is_empty() {
            return;
        }
        let place = |chip: usize| {
            let id = ids.get(chip);
            finding.place.chips.iter().find(|c| Some(&c.chip) == id)
        };
        let all: u64 = images.iter().map(ChipImage::bits).sum();
        let here: u64 = (0..images.len())
            .filter_map(|i| Some(extent(place(i)?, &images[i])))
            .sum();
        let total = self.bits.len() as u64;
        let inside = |(chip, cell, line): &&(usize, u32, u8)| {
            place(*chip).is_some_and(|p| holds(p, *cell, *line))
        };
        let k = self.bits.keys().filter(inside).count() as u64;
        let rest = all - here;
        let saved = marked(all, total) - marked(here, k) - marked(rest, total - k);
        let outside = (total - k) as f64 / rest.max(1) as f64;
        if saved > PRIOR && k as f64 / here.max(1) as f64 > outside {
            finding.evidence.push(format!(
                "{k} of {here} bits there differ between the {} reads, {} of {rest} elsewhere",
                self.reads,
                total - k
            ));
            finding.means = Some(
                "It comes and goes between reads, so it is a contact, the clip, the supply or a second driver \
                 rather than the memory: what the cells hold may be intact."
                    .to_owned(),
            );
            finding.act = Some(
                "Reseat the clip, clean pins and socket, look for another driver, then read again: \
                 mend nothing by these reads."
                    .to_owned(),
            );
            finding.read_again_first = true;
        } else if k == 0 && self.reads > 1 {
            finding.evidence.push(format!(
                "all {} reads agree there: it holds still, and reading again the same way will not show more",
                self.reads
            ));
            if finding.code == "chip.random" || finding.code == "chip.power-up" {
                finding.evidence.push(
                    "a bus that nothing drives would not repeat itself: the chip answers"
                        .to_owned(),
                );
            }
        }
    }

    /// Flipped bits that differ between the reads are noise of reading, not decay. Where none could be placed, so `many` are told.
    fn noisy_flips(&self, decay: &mut Finding, flips: &[(usize, u32, u8)], many: f64) {
        if flips.is_empty() {
            let differ = self.bits.len();
            decay.evidence.push(format!(
                "{differ} bits differ between the {} reads, where about {many:.0} are told as flipped",
                self.reads
            ));
            if 2.0 * differ as f64 > many {
                decay.severity = Severity::Caution;
                decay.means = Some(
                    "As many bits do not hold still from read to read: noise of reading or a contact, rather than cells that fell."
                        .to_owned(),
                );
                decay.act = Some("Mend what the reads show first, read again and settle; only then look at the supply.".to_owned());
            }
            return;
        }
        let noisy = flips.iter().filter(|f| self.bits.contains_key(f)).count();
        decay.evidence.push(format!(
            "{noisy} of them differ between the {} reads, {} read alike in all",
            self.reads,
            flips.len() - noisy
        ));
        if noisy == 0 && self.reads > 1 {
            decay.otherwise.retain(|o| !o.starts_with("a noisy read"));
        } else if 2 * noisy > flips.len() {
            decay.severity = Severity::Caution;
            decay.means = Some(
                "Most of these bits do not hold still: noise of reading, rather than cells that fell.".to_owned(),
            );
            decay.otherwise = vec!["cells on the verge of falling, as the supply sags".to_owned()];
        }
    }

    /// Chips of which more bits differ between reads than any memory lets.
    fn floating(&self, images: &[ChipImage], ids: &[String]) -> Vec<Finding> {
        let mut out = Vec::new();
        for (chip, image) in images.iter().enumerate() {
            let mut by_line = vec![0u64; image.width().into()];
            for (_, _, line) in self.bits.keys().filter(|b| b.0 == chip) {
                by_line[usize::from(*line)] += 1;
            }
            let share = |k: u64| k as f64 / f64::from(image.words().max(1));
            if by_line.iter().any(|k| share(*k) < FLOATING) {
                continue;
            }
            let k: u64 = by_line.iter().sum();
            let id = ids.get(chip).map_or("?", String::as_str);
            let mut f = Finding::new(
                "chip.floating",
                Severity::Damage,
                format!(
                    "{k} of {} bits of {id} differ between the reads, on every data line",
                    image.bits()
                ),
            )
            .at(Place {
                chips: vec![ChipPlace {
                    chip: id.to_owned(),
                    ..ChipPlace::default()
                }],
                ..Place::default()
            })
            .means("Nothing drives these lines while the chip is read: these bits are the bus, not the memory.")
            .act(
                "Check chip select, output enable and supply at the chip's own pins, and that the clip sits; \
                 then read anew.",
            )
            .read_again_first();
            f.evidence.push(format!(
                "reads of a bus that nothing drives differ in {:.0} % of the bits of {} reads, if they are even",
                100.0 * (1.0 - (1.0 - self.reads as f64).exp2()),
                self.reads
            ));
            f.otherwise =
                vec!["a synchronous part whose enable is not cycled for each address".to_owned()];
            out.push(f);
        }
        out
    }

    /// Entries that hold bits in doubt are suspect, and say which parameters.
    fn doubt_entries(&self, entries: &mut [EntryVerdict], layout: &Layout, marks: &Marks) {
        let mut at = entries.iter_mut();
        for (a, area) in layout.areas.iter().enumerate() {
            for (e, verdict) in (0..area.entries()).zip(&mut at) {
                let (kinds, keys) = touched(layout, marks, a, e);
                if kinds.is_empty() {
                    continue;
                }
                let places = &area.places[e * area.bits_per_entry..(e + 1) * area.bits_per_entry];
                let here: Vec<&Dissent> = places
                    .iter()
                    .filter_map(|p| self.bits.get(&(usize::from(p.chip), p.cell, p.line)))
                    .copied()
                    .collect();
                let open = here.iter().filter(|d| d.settled.is_none()).count();
                let doubt: f64 = here.iter().map(|d| d.doubt).sum();
                if open == 0 && doubt < DOUBT {
                    continue;
                }
                let bits = if here.len() == 1 { "bit" } else { "bits" };
                let why = format!("{DIFFER} in {} {bits}, {open} left open", here.len());
                unread::take_back(verdict, open, places.len());
                if matches!(verdict.verdict, Verdict::Sound | Verdict::Blank) {
                    verdict.verdict = Verdict::Suspect;
                    verdict.why.clear();
                }
                if !verdict.why.is_empty() {
                    verdict.why.push_str(", ");
                }
                verdict.why.push_str(&why);
                for key in keys {
                    if !verdict.parameters.contains(&key) {
                        verdict.parameters.push(key);
                    }
                }
            }
        }
    }
}

fn same_chips(a: &Finding, b: &Finding) -> bool {
    let ids =
        |f: &Finding| -> Vec<String> { f.place.chips.iter().map(|c| c.chip.clone()).collect() };
    ids(a) == ids(b)
}

/// A chip that floats holds no noise, pattern or value that says anything: what was made of the bits that chanced to
/// agree gives way.
fn take_place(floating: &Finding, findings: &mut [Finding], found: &mut Vec<Finding>) {
    let by_chance = ["chip.random", "chip.power-up", "chip.dead"];
    let mut floating = floating.clone();
    let taken = findings
        .iter_mut()
        .find(|f| by_chance.contains(&f.code.as_str()) && same_chips(f, &floating));
    match taken {
        Some(taken) => {
            floating.place.entries = std::mem::take(&mut taken.place.entries);
            let mark = taken.evidence.iter().filter(|e| e.starts_with("marked "));
            floating.evidence.extend(mark.cloned());
            *taken = floating;
        }
        None => found.push(floating),
    }
}

/// Bits of a chip that a place names.
fn extent(place: &ChipPlace, image: &ChipImage) -> u64 {
    let lines = match place.data_lines.len() {
        0 => u64::from(image.width()),
        n => n as u64,
    };
    let cells = match place.cells.len() {
        0 => u64::from(image.words()),
        _ => place
            .cells
            .iter()
            .map(|r| u64::from(r.last.saturating_sub(r.first)) + 1)
            .sum(),
    };
    lines * cells
}

/// Whether a place of a chip holds a bit.
fn holds(place: &ChipPlace, cell: u32, line: u8) -> bool {
    (place.data_lines.is_empty() || place.data_lines.contains(&line))
        && (place.cells.is_empty()
            || place
                .cells
                .iter()
                .any(|r| (r.first..=r.last).contains(&cell)))
}

/// Puts the marks of bits on which the reads differ where a picture shows nothing worse.
fn overlay(pictures: &mut [Picture], dissents: &[Picture]) {
    for (picture, over) in pictures.iter_mut().zip(dissents) {
        for (row, over) in picture.rows.iter_mut().zip(&over.rows) {
            row.marks = row
                .marks
                .chars()
                .zip(over.marks.chars())
                .map(|(old, new)| match old {
                    '.' | '?' if new == char::from(MARK) => new,
                    old => old,
                })
                .collect();
        }
    }
}
