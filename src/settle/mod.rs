//! Settling: one reading out of several reads of the same chips.
//!
//! Reads are aligned, an odd one out is set aside, what the dissent shares is named, and only then
//! is there a vote, weighed by the model in [`vote`]. A bit that the votes leave in doubt becomes unknown.

mod agreement;
mod align;
mod integrate;
mod locate;
mod outlier;
mod outlook;
mod reach;
mod report;
mod still;
mod together;
pub mod vote;

use crate::blame::{Blame, Who};
use crate::finding::{Finding, Severity};
use crate::image::ChipImage;
use crate::layout::model::Layout;
use crate::reading::{ChipReading, Origin, Reading};

pub use locate::{Located, Shared};
use outlier::Strangers;
use outlook::{ChipVotes, Outlook};
use reach::{Histograms, Reach};
pub use report::{Agreement, Dissent, Forecast, Likely, ReadReport, Settlement};
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
                SettleError::Chips { .. } => "give reads of one instrument with their files named alike, or name the chips: CHIP=FILE,CHIP=FILE",
                SettleError::Shape { .. } => {
                    "read that chip again with the same part chosen on the programmer"
                }
            }
            .to_owned(),
        )
    }
}

/// The verb of what settling leaves in a reading's provenance.
pub const SETTLED: &str = "settled";

/// Numbers of further reads for which the outcome is foretold.
const SOME_READS: [u32; 5] = [1, 2, 3, 5, 10];

/// How to settle.
#[derive(Clone, Copy, Debug)]
pub struct Rules {
    /// A bit whose majority is wrong with more than this chance becomes unknown; 0 to 0.5.
    pub doubt: f64,
    /// Vote even over a located contact, supply or contention fault. A read that is odd as a whole is set aside all the same.
    pub over_faults: bool,
    /// Set no read aside, however odd.
    pub keep_odd: bool,
}

impl Default for Rules {
    fn default() -> Self {
        Self {
            doubt: 0.01,
            over_faults: false,
            keep_odd: false,
        }
    }
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
    let given = reads;
    let like_first = layout.map(|layout| align::absent_like_first(reads, layout));
    let reads = like_first.as_deref().unwrap_or(reads);
    let chips = align::align(reads)?;
    let ids: Vec<&str> = reads[0].1.chips.iter().map(|c| c.id.as_str()).collect();
    let judged = align::without_absent(&chips, &ids, layout);
    let judged = align::views(&judged);
    let aside = match rules.keep_odd {
        true => vec![None; reads.len()],
        false => outlier::set_aside(&judged, &ids, &still::find(&judged)),
    };
    let used: Vec<usize> = (0..reads.len()).filter(|r| aside[*r].is_none()).collect();
    let of_used = |of: &[Vec<&ChipImage>]| -> Vec<Vec<ChipImage>> {
        of.iter()
            .map(|c| used.iter().map(|r| c[*r].clone()).collect())
            .collect()
    };
    let (mut images, mut sound) = (of_used(&chips), of_used(&judged));
    let strangers = outlier::of_two(&align::views(&sound), &ids);
    let mut stills = still::find(&align::views(&sound));
    for still in &stills {
        still.leave_out(&mut images);
        still.hide(&mut sound);
    }
    let (images, sound) = (align::views(&images), align::views(&sound));
    let truth: Vec<ChipImage> = sound.iter().map(|c| most_likely(c)).collect();
    let boards = align::boards(&reads[0].1, layout);
    let mut located = locate::locate(&sound, &truth, &boards);
    let strangers = strangers.filter(|s| {
        // One bad pin, or some cells, may well make two reads differ by more than noise does.
        let is_local = |l: &Located| {
            let words = truth.get(l.chips[0]).map_or(0, ChipImage::words);
            l.shared.is_line() || l.shared.is_some_cells_of(words)
        };
        s.is_explained() || (stills.is_empty() && !located.iter().any(is_local))
    });
    if strangers.as_ref().is_some_and(Strangers::is_explained) {
        located.clear();
        stills.clear();
    }
    let faults: Vec<Located> = located
        .iter()
        .cloned()
        .chain(stills.iter().flat_map(|s| s.located(&images)))
        .collect();
    let name_of = |r: usize| {
        used.get(r)
            .map_or_else(String::new, |r| reads[*r].0.clone())
    };

    let mut report = Settlement {
        reads: given
            .iter()
            .zip(&aside)
            .map(|((name, read), why)| ReadReport {
                name: name.clone(),
                set_aside: why.clone(),
                chips: read.digests(),
            })
            .collect(),
        chips: Vec::new(),
        agreement: agreement::agreement(&images, &ids, layout),
        dissents: Vec::new(),
        findings: outlier::findings(reads, &aside),
        settled: 0,
        unsettled: 0,
        agreed_unknown: 0,
        once: 0,
        expected_wrong: 0.0,
        comparable: true,
        without_a_read: !rules.over_faults && faults.iter().any(|l| l.shared.read().is_some()),
        voted_over: rules.over_faults && !faults.is_empty(),
        forecast: Vec::new(),
        afresh: !rules.over_faults && faults.iter().any(|l| l.shared.read().is_none()),
        further_reads: None,
        further_reads_to_settle: None,
        likely: None,
    };
    if let Some(strangers) = &strangers {
        report.comparable = false;
        let names = [name_of(0), name_of(1)];
        report
            .findings
            .push(strangers.finding([&names[0], &names[1]]));
    }
    report.findings.extend(outlier::all_blank(&images));
    report.findings.extend(of_reads(reads));
    for s in &stills {
        report.findings.push(s.finding(&ids, &name_of));
    }
    for l in &located {
        report.findings.push(locate::finding(l, &ids, &name_of));
    }
    let mut out = reads[used[0]].1.clone();
    let faults_of: Vec<Vec<&Located>> = (0..images.len())
        .map(|chip| {
            let here = |l: &&Located| l.chips.contains(&chip) && !rules.over_faults;
            faults.iter().filter(here).collect()
        })
        .collect();
    let reaches: Vec<Reach> = images
        .iter()
        .zip(&faults_of)
        .map(|(images, faults)| Reach::of(faults, images))
        .collect();
    let votes: Vec<Histograms> = images
        .iter()
        .zip(&reaches)
        .map(|(images, reach)| Histograms::of(images, reach))
        .collect();
    let all_sound: Histogram = votes.iter().flat_map(|v| v.sound.clone()).collect();
    let mut chips = Vec::new();
    for (chip, votes) in votes.into_iter().enumerate() {
        let (images, reach) = (&images[chip], &reaches[chip]);
        // Chips have their own noise: a bad clip on one says nothing about the next. Of a chip without one sound line
        // the others are all there is to go by.
        let noise = Noise::learn(if votes.sound.is_empty() {
            &all_sound
        } else {
            &votes.sound
        });
        let once_mended = if votes.sound.is_empty() {
            noise.clone()
        } else {
            Noise::learn(&reach.once_mended(votes.sound.clone()))
        };
        let noises = Noises {
            faulty: Noise::learn(&votes.faulty),
            dissent: noise,
            agreed: once_mended,
        };
        vote_chip(
            images,
            &mut out.chips[chip],
            &noises,
            reach,
            rules,
            &mut report,
        );
        chips.push(if report.afresh {
            ChipVotes::new(noises.agreed, vec![(Vote::NONE, images[0].bits())])
        } else {
            ChipVotes::new(noises.dissent, votes.sound)
        });
    }
    report.chips = out.digests();
    if report.comparable && !report.voted_over && !all_sound.is_empty() {
        foretell(&mut report, &chips, rules);
    }
    if report.once > 0 && report.comparable {
        report.findings.push(read_once(report.once));
    }
    if report.unsettled > 0 {
        let open = left_open(&report, faults.is_empty());
        report.findings.push(open);
    }
    Ok((out, report))
}

/// Foretells what further reads would bring.
fn foretell(report: &mut Settlement, chips: &[ChipVotes], rules: Rules) {
    // One read by itself is no vote.
    let least = if report.afresh {
        2
    } else {
        u32::from(report.once > 0)
    };
    let mut outlook = Outlook::of(chips, rules.doubt);
    report.forecast = SOME_READS
        .into_iter()
        .filter(|reads| *reads >= least)
        .map(|reads| {
            let after = outlook.after(reads);
            Forecast {
                reads,
                wrong: after.wrong,
                open: after.open,
                enough: after.enough,
                otherwise: after.otherwise,
            }
        })
        .collect();
    let number = |found: Option<(u32, _)>| found.map(|(reads, _)| reads);
    report.further_reads = number(outlook.reads(least, |o| o.wrong < 1.0));
    report.further_reads_to_settle = number(outlook.reads(least, |o| o.wrong + o.open < 1.0));
    report.likely = outlook.likely(least).map(|(reads, after)| Likely {
        reads,
        chance: after.enough,
    });
}

/// The finding about bits that one read alone knows.
fn read_once(bits: u64) -> Finding {
    let says = match bits {
        1 => "1 bit was read once only".to_owned(),
        n => format!("{n} bits were read once only"),
    };
    Finding::new("settle.once", Severity::Caution, says)
        .means("They are taken as that read has them; no other read bears them out.")
        .act("Read those chips again in full, and settle all reads together.")
}

/// The finding about bits left unknown.
fn left_open(report: &Settlement, no_fault: bool) -> Finding {
    let says = match report.unsettled {
        1 => "1 bit could not be settled and is unknown in the result".to_owned(),
        n => format!("{n} bits could not be settled and are unknown in the result"),
    };
    let mut open = Finding::new("settle.open", Severity::Caution, says);
    if report.agreed_unknown > 0 {
        open = open.means(format!(
            "All reads agree on {} of them: what a fault may have hit in every read alike is not borne out by that. \
             --vote-over-faults takes it as the reads have it.",
            report.agreed_unknown
        ));
    }
    open.act(if report.afresh {
        "Mend what the findings name, then read afresh and settle the fresh reads by themselves."
    } else if report.without_a_read {
        "Settle without the read that the findings name, or with another in its place."
    } else if no_fault {
        "Read again, and settle all reads together; a cell that never settles does not hold still."
    } else {
        "The votes leave them in doubt: mend what the findings name and read afresh, or allow more with --doubt."
    })
}

/// What was found while the reads were taken in; what several have is told once.
fn of_reads(reads: &[(String, Reading)]) -> Vec<Finding> {
    let mut told: Vec<(Finding, Vec<&str>)> = Vec::new();
    for (name, read) in reads {
        for f in &read.findings {
            match told.iter_mut().find(|(other, _)| other == f) {
                Some((_, names)) => names.push(name),
                None => told.push((f.clone(), vec![name])),
            }
        }
    }
    told.into_iter()
        .map(|(mut f, names)| {
            f.says = format!("{}: {}", names.join(", "), f.says);
            f
        })
        .collect()
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

/// By what noise bits of a chip are judged.
struct Noises {
    /// Bits that a fault gives a noise of their own.
    faulty: Noise,
    /// Other bits on which the reads differ.
    dissent: Noise,
    /// Other bits on which they agree, those left out that a fault may have hit in every read.
    agreed: Noise,
}

fn vote_chip(
    images: &[&ChipImage],
    out: &mut ChipReading,
    noises: &Noises,
    reach: &Reach,
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
            let dissent = vote.minority > 0;
            let faulty = reach.is_faulty(cell, line);
            let doubt = *doubts.entry((faulty, vote)).or_insert_with(|| {
                let noise = match (faulty, dissent) {
                    (true, _) => &noises.faulty,
                    (false, true) => &noises.dissent,
                    (false, false) => &noises.agreed,
                };
                noise.wrong(vote)
            });
            let hidden = !dissent && vote.known > 0 && reach.hides(cell, line);
            let open = ones == zeros
                || hidden
                || (dissent && (doubt > rules.doubt || reach.taints(cell, line)));
            let bit = (!open).then_some(ones > zeros);
            if dissent || hidden {
                let why = match hidden {
                    true => format!(
                        "every read saw {}, and a fault may have hit each",
                        u8::from(ones > zeros)
                    ),
                    false => format!("{zeros} reads saw 0, {ones} saw 1"),
                };
                let origin = Origin {
                    verb: SETTLED.to_owned(),
                    why,
                    from: None,
                };
                out.set_bit(cell, line, bit, &origin);
            } else {
                out.image.set_bit(cell, line, bit);
            }
            report.once += u64::from(vote.known == 1);
            report.agreed_unknown += u64::from(hidden);
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
