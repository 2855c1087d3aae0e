//! Settling: one reading out of several reads of the same chips.
//!
//! Reads are aligned, an odd one out is set aside, what the dissent shares is named, and only then
//! is there a vote, weighed by the model in [`vote`]. A bit that the votes leave in doubt becomes unknown.

mod agreement;
mod integrate;
mod locate;
mod outlier;
mod together;
pub mod vote;

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::blame::{Blame, Who};
use crate::document::Document;
use crate::evidence::marked;
use crate::finding::{Finding, Severity};
use crate::image::ChipImage;
use crate::layout::model::Layout;
use crate::reading::{ChipReading, Origin, Reading};

pub use locate::{Located, Shared};
use vote::{Noise, Vote};

/// Why reads could not be settled.
#[derive(Debug, thiserror::Error)]
pub enum SettleError {
    /// Fewer than two reads.
    #[error("settling needs at least two reads of the same chips, and {0} was given")]
    TooFew(usize),
    /// The reads have different chips.
    #[error("{name} has the chips {found}, the first read has {expected}")]
    Chips {
        /// The read's name.
        name: String,
        /// Its chips.
        found: String,
        /// Those of the first read.
        expected: String,
    },
    /// A chip has another shape.
    #[error("{name}: chip {chip} is {found}, in the first read it is {expected}")]
    Shape {
        /// The read's name.
        name: String,
        /// The chip.
        chip: String,
        /// Words × width found.
        found: String,
        /// Words × width of the first read.
        expected: String,
    },
}

impl Blame for SettleError {
    fn who(&self) -> Who {
        match self {
            SettleError::TooFew(_) => Who::Caller,
            SettleError::Chips { .. } | SettleError::Shape { .. } => Who::File,
        }
    }

    fn hint(&self) -> Option<String> {
        Some(
            match self {
                SettleError::TooFew(_) => "read the chips again into another folder and give both",
                SettleError::Chips { .. } => "give reads of one instrument, named alike",
                SettleError::Shape { .. } => {
                    "read that chip again with the same part chosen on the programmer"
                }
            }
            .to_owned(),
        )
    }
}

/// Most further reads that are asked for.
const MOST_READS: u32 = 40;

/// How to settle.
#[derive(Clone, Copy, Debug)]
pub struct Rules {
    /// A bit whose majority is wrong with more than this chance becomes unknown; 0 to 0.5.
    pub doubt: f64,
    /// Vote even over a located contact, supply or contention fault.
    pub over_faults: bool,
}

impl Default for Rules {
    fn default() -> Self {
        Self {
            doubt: 0.01,
            over_faults: false,
        }
    }
}

/// Agreement of one place, counted in bits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Agreement {
    /// The place: a chip, a line, an area.
    pub place: String,
    /// Bits there that at least two reads know.
    pub bits: u64,
    /// Of those, bits on which all reads agree.
    pub agreed: u64,
}

/// A bit on which the reads differ.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Dissent {
    /// The chip's id.
    pub chip: String,
    /// Cell address.
    pub cell: u32,
    /// Data line.
    pub line: u8,
    /// Reads that saw 0.
    pub zeros: u32,
    /// Reads that saw 1.
    pub ones: u32,
    /// What it was settled to; absent where it stays unknown.
    pub settled: Option<u8>,
    /// Chance that the majority is wrong.
    pub doubt: f64,
}

/// One read and what became of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadReport {
    /// Its name as given.
    pub name: String,
    /// Why it was left out of the vote, if it was.
    pub set_aside: Option<String>,
}

/// What settling found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Settlement {
    /// The reads given.
    pub reads: Vec<ReadReport>,
    /// Agreement per chip, data line, address line and area.
    pub agreement: Vec<Agreement>,
    /// Every dissenting bit.
    pub dissents: Vec<Dissent>,
    /// What the dissent shares, and what else was noticed.
    pub findings: Vec<Finding>,
    /// Bits settled against a dissenting vote.
    pub settled: u64,
    /// Bits left unknown.
    pub unsettled: u64,
    /// Settled bits expected to be wrong still, by the model of [`vote`].
    pub expected_wrong: f64,
    /// Whether these look like reads of the same chips; where not, what further reads would do is not foretold.
    #[serde(default = "yes")]
    pub comparable: bool,
    /// Whether a pin, a chip or a supply must be mended first: the further reads are then fresh ones, to be settled
    /// without these.
    #[serde(default)]
    pub afresh: bool,
    /// Further reads that would bring the expected number of wrong bits under one; absent where 40 would not, or
    /// where the reads are not comparable.
    pub further_reads: Option<u32>,
    /// The same for wrong and open bits together.
    pub further_reads_to_settle: Option<u32>,
}

/// Settlements written before the field existed foretold as for comparable reads.
fn yes() -> bool {
    true
}

impl Agreement {
    /// Whether dissent is markedly more frequent here than in a place that holds this one.
    pub fn stands_out(&self, of: &Agreement) -> bool {
        let (here, all) = (self.bits - self.agreed, of.bits - of.agreed);
        let rest = of.bits.saturating_sub(self.bits);
        let saved =
            marked(of.bits, all) - marked(self.bits, here) - marked(rest, all.saturating_sub(here));
        here as f64 * of.bits as f64 > all as f64 * self.bits as f64 && saved > 0.0
    }
}

impl Document for Settlement {
    const KIND: &'static str = "settlement";
    const VERSION: u32 = 1;
}

/// Settles reads, each given with its name.
///
/// # Errors
/// When there are fewer than two, or they are not reads of the same chips.
pub fn settle(
    reads: &[(String, Reading)],
    layout: Option<&Layout>,
    rules: Rules,
) -> Result<(Reading, Settlement), SettleError> {
    let like_first = layout.map(|layout| absent_like_first(reads, layout));
    let reads = like_first.as_deref().unwrap_or(reads);
    let chips = align(reads)?;
    let ids: Vec<&str> = reads[0].1.chips.iter().map(|c| c.id.as_str()).collect();
    let aside = outlier::set_aside(&chips, &ids);
    let used: Vec<usize> = (0..reads.len()).filter(|r| aside[*r].is_none()).collect();
    let images: Vec<Vec<&ChipImage>> = chips
        .iter()
        .map(|c| used.iter().map(|r| c[*r]).collect())
        .collect();
    let truth: Vec<ChipImage> = images.iter().map(|c| most_likely(c)).collect();
    let mut located = locate::locate(&images, &truth, &boards(&reads[0].1, layout));
    let strangers = outlier::of_two(&images, &ids).filter(|s| {
        // One bad pin may well make two reads differ by more than noise does.
        s.relation.is_some() || !located.iter().any(|l| l.shared.is_line())
    });
    if strangers.as_ref().is_some_and(|s| s.relation.is_some()) {
        located.clear();
    }
    let name_of = |r: usize| {
        used.get(r)
            .map_or_else(String::new, |r| reads[*r].0.clone())
    };

    let mut report = Settlement {
        reads: reads
            .iter()
            .zip(&aside)
            .map(|((name, _), why)| ReadReport {
                name: name.clone(),
                set_aside: why.clone(),
            })
            .collect(),
        agreement: agreement::agreement(&images, &ids, layout),
        dissents: Vec::new(),
        findings: outlier::findings(reads, &aside),
        settled: 0,
        unsettled: 0,
        expected_wrong: 0.0,
        comparable: true,
        afresh: !rules.over_faults && located.iter().any(|l| l.shared.read().is_none()),
        further_reads: None,
        further_reads_to_settle: None,
    };
    if let Some(strangers) = &strangers {
        report.comparable = false;
        let names = [name_of(0), name_of(1)];
        report
            .findings
            .push(strangers.finding([&names[0], &names[1]]));
    }
    for (name, read) in reads {
        let told = read.findings.iter().filter(|f| f.severity > Severity::Note);
        report.findings.extend(told.cloned().map(|mut f| {
            f.says = format!("{name}: {}", f.says);
            f
        }));
    }
    for l in &located {
        report.findings.push(locate::finding(l, &ids, &name_of));
    }
    let mut out = reads[used[0]].1.clone();
    let mut chips = Vec::new();
    for (chip, images) in images.iter().enumerate() {
        let fault = located
            .iter()
            .find(|l| l.chips.contains(&chip))
            .filter(|_| !rules.over_faults);
        // Chips have their own noise: a bad clip on one says nothing about the next.
        let votes = histograms(images, fault);
        let noise = Noise::learn(&votes.sound);
        let of_fault = Noise::learn(&votes.faulty);
        let noise_of = |line| match fault {
            Some(f) if f.shared == Shared::DataLine(line) => &of_fault,
            _ => &noise,
        };
        vote_chip(
            images,
            &mut out.chips[chip],
            &noise_of,
            fault,
            rules,
            &mut report,
        );
        let to_go_on_with = if report.afresh {
            vec![(Vote::NONE, images[0].bits())]
        } else {
            votes.sound
        };
        chips.push((noise, to_go_on_with));
    }
    if report.comparable {
        // One read by itself is no vote.
        let least = if report.afresh { 2 } else { 0 };
        let further = |enough: fn(f64, f64) -> bool| {
            Noise::further(&chips, rules.doubt, least..=MOST_READS, enough)
        };
        report.further_reads = further(|wrong, _| wrong < 1.0);
        report.further_reads_to_settle = further(|wrong, open| wrong + open < 1.0);
    }
    if report.unsettled > 0 {
        report.findings.push(
            Finding::new(
                "settle.open",
                Severity::Caution,
                format!(
                    "{} bits could not be settled and are unknown in the result",
                    report.unsettled
                ),
            )
            .act(if report.afresh {
                "Mend what the findings name, then read afresh and settle the fresh reads by themselves."
            } else if located.is_empty() {
                "Read again, and settle all reads together; a cell that never settles does not hold still."
            } else {
                "Read again, and settle without the read that the findings name."
            }),
        );
    }
    Ok((out, report))
}

/// Chips that share a board, as the layout says, by their place in the reading.
fn boards(reading: &Reading, layout: Option<&Layout>) -> Vec<Vec<usize>> {
    let mut boards: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (at, chip) in reading.chips.iter().enumerate() {
        let described = layout.and_then(|l| l.chips.iter().find(|c| c.id == chip.id));
        if let Some(board) = described.and_then(|c| c.board.as_deref()) {
            boards.entry(board).or_default().push(at);
        }
    }
    boards.into_values().filter(|b| b.len() > 1).collect()
}

/// The reads with every absent bit as the first read has it: such bits do not exist, and what floats on the bus in
/// their place is no dissent.
fn absent_like_first(reads: &[(String, Reading)], layout: &Layout) -> Vec<(String, Reading)> {
    let mut reads = reads.to_vec();
    let Some(((_, first), others)) = reads.split_first_mut() else {
        return reads;
    };
    for (chip, cells, lines) in &layout.absent {
        let Some(id) = layout.chips.get(usize::from(*chip)).map(|c| &c.id) else {
            continue;
        };
        let Some(model) = first.chip(id) else {
            continue;
        };
        for (_, other) in others.iter_mut() {
            let Some(image) = other.chips.iter_mut().find(|c| c.id == *id) else {
                continue;
            };
            for cell in cells.clone() {
                for line in (0..8).filter(|line| lines >> line & 1 == 1) {
                    image.image.set_bit(cell, line, model.image.bit(cell, line));
                }
            }
        }
    }
    reads
}

/// The images by chip, then by read, in the order of the first read.
fn align(reads: &[(String, Reading)]) -> Result<Vec<Vec<&ChipImage>>, SettleError> {
    let [(_, first), rest @ ..] = reads else {
        return Err(SettleError::TooFew(0));
    };
    if rest.is_empty() {
        return Err(SettleError::TooFew(1));
    }
    let names = |r: &Reading| {
        let mut ids: Vec<String> = r.chips.iter().map(|c| c.id.clone()).collect();
        ids.sort();
        ids.join(", ")
    };
    let mut out: Vec<Vec<&ChipImage>> = first.chips.iter().map(|c| vec![&c.image]).collect();
    for (name, read) in rest {
        if read.chips.len() != first.chips.len() {
            return Err(SettleError::Chips {
                name: name.clone(),
                found: names(read),
                expected: names(first),
            });
        }
        for (to, chip) in out.iter_mut().zip(&first.chips) {
            let Some(other) = read.chips.iter().find(|c| c.id == chip.id) else {
                return Err(SettleError::Chips {
                    name: name.clone(),
                    found: names(read),
                    expected: names(first),
                });
            };
            let shape = |i: &ChipImage| format!("{} x {}", i.words(), i.width());
            if shape(&other.image) != shape(&chip.image) {
                return Err(SettleError::Shape {
                    name: name.clone(),
                    chip: chip.id.clone(),
                    found: shape(&other.image),
                    expected: shape(&chip.image),
                });
            }
            to.push(&other.image);
        }
    }
    Ok(out)
}

/// Ones and zeros seen at a bit.
fn counts(images: &[&ChipImage], cell: u32, line: u8) -> (u32, u32) {
    let (mut ones, mut zeros) = (0, 0);
    for i in images {
        match i.bit(cell, line) {
            Some(true) => ones += 1,
            Some(false) => zeros += 1,
            None => {}
        }
    }
    (ones, zeros)
}

/// The image that dissent is counted against: the bitwise majority, with ties and bits nobody read unknown. Of two
/// reads it is the first where both know the bit: which one is wrong cannot be said, but where they differ can.
fn most_likely(images: &[&ChipImage]) -> ChipImage {
    let [one, other] = images else {
        return majority(images);
    };
    let mut out = (*one).clone();
    for cell in 0..out.words() {
        for line in 0..out.width() {
            let bit = one.bit(cell, line).or_else(|| other.bit(cell, line));
            out.set_bit(cell, line, bit);
        }
    }
    out
}

/// The bitwise majority; ties and bits nobody read are unknown.
fn majority(images: &[&ChipImage]) -> ChipImage {
    let mut out = images[0].clone();
    for cell in 0..out.words() {
        if images.iter().skip(1).all(|i| {
            let c = cell as usize;
            i.values()[c] == images[0].values()[c] && i.known()[c] == images[0].known()[c]
        }) {
            continue;
        }
        for line in 0..out.width() {
            let (ones, zeros) = counts(images, cell, line);
            out.set_bit(cell, line, (ones != zeros).then_some(ones > zeros));
        }
    }
    out
}

/// Votes, each with the number of bits that showed it.
type Histogram = Vec<(Vote, u64)>;

/// What the votes of one chip tell about its noise.
struct Histograms {
    /// Votes of a line whose pin comes and goes; they say nothing about the noise of the others.
    faulty: Histogram,
    /// All other votes, without a read that something happened to.
    sound: Histogram,
}

fn histograms(images: &[&ChipImage], fault: Option<&Located>) -> Histograms {
    let mut reads = images.to_vec();
    if let Some(read) = fault.and_then(|f| f.shared.read()) {
        reads.remove(read);
    }
    let mut faulty = BTreeMap::new();
    let mut sound = BTreeMap::new();
    for cell in 0..images[0].words() {
        for line in 0..images[0].width() {
            let (ones, zeros) = counts(&reads, cell, line);
            let vote = Vote {
                known: ones + zeros,
                minority: ones.min(zeros),
            };
            let own = fault.is_some_and(|f| f.shared == Shared::DataLine(line));
            let to = if own { &mut faulty } else { &mut sound };
            *to.entry(vote).or_insert(0) += 1;
        }
    }
    Histograms {
        faulty: faulty.into_iter().collect(),
        sound: sound.into_iter().collect(),
    }
}

/// Whether a located fault reaches a bit, so that voting there would be voting over the fault.
fn tainted(fault: &Located, cell: u32, line: u8) -> bool {
    match fault.shared {
        Shared::DataLine(l) => l == line,
        Shared::Stretch { first, last, .. } => (first..=last).contains(&cell),
        Shared::AddressLine(_) | Shared::Read(_) | Shared::Chip => true,
    }
}

fn vote_chip<'n>(
    images: &[&ChipImage],
    out: &mut ChipReading,
    noise_of: &dyn Fn(u8) -> &'n Noise,
    fault: Option<&Located>,
    rules: Rules,
    report: &mut Settlement,
) {
    let mut doubts = std::collections::HashMap::new();
    for cell in 0..out.image.words() {
        for line in 0..out.image.width() {
            let (ones, zeros) = counts(images, cell, line);
            let vote = Vote {
                known: ones + zeros,
                minority: ones.min(zeros),
            };
            let doubt = *doubts
                .entry((line, vote))
                .or_insert_with(|| noise_of(line).wrong(vote));
            let dissent = vote.minority > 0;
            let open = ones == zeros
                || (dissent
                    && (doubt > rules.doubt || fault.is_some_and(|f| tainted(f, cell, line))));
            let bit = (!open).then_some(ones > zeros);
            if dissent {
                let why = format!("{zeros} reads saw 0, {ones} saw 1");
                let origin = Origin {
                    verb: "settled".to_owned(),
                    why,
                    from: None,
                };
                out.set_bit(cell, line, bit, &origin);
            } else {
                out.image.set_bit(cell, line, bit);
            }
            if !open {
                report.expected_wrong += doubt;
                report.settled += u64::from(dissent);
            } else {
                report.unsettled += 1;
            }
            if dissent {
                report.dissents.push(Dissent {
                    chip: out.id.clone(),
                    cell,
                    line,
                    zeros,
                    ones,
                    settled: bit.map(u8::from),
                    doubt,
                });
            }
        }
    }
}
