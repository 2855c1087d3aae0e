//! How far a located fault reaches: which bits there is no vote on, those included on which all reads agree.
//!
//! A fault seldom is wrong both ways alike: an open pin reads one level, a bad address pin the partner cell. What was hit
//! in every read then agrees, and no model of scattered noise foretells how much that is; two reads do not show it at all.
//! But seldom are more bits hit in every read than in some of them only, and those dissent. So agreement over a pin or some
//! cells proves nothing where more than one bit dissents there for a hundred that agree.
//!
//! Of a whole chip that dissents more than the others neither pin nor cells are named: its dissent is scattered, as the model
//! of [`super::vote`] has it, which judges it by the chip's own noise. At worst all that dissents there is of shaky bits, and by
//! the model so many of them are wrong in every read for each on which the reads differ: a quarter after two reads, a
//! sixteenth after three, a hundredth after five. So of a chip a hundredth of the bits that agree is held against that part of
//! those that dissent. How much doubt is allowed of a vote moves none of this: it says nothing of what was never seen to differ.

use std::collections::BTreeMap;

use super::locate::{Located, PRIOR, Shared};
use super::vote::{Vote, steady};
use super::{Histogram, counts, majority};
use crate::evidence::{marked, one_of};
use crate::image::ChipImage;

/// Of the bits that agree in a fault's part, how many it may have hit in every read before their agreement proves nothing.
const HIT: f64 = 0.01;

/// What the faults of one chip reach.
pub(super) struct Reach<'a> {
    faults: &'a [&'a Located],
    /// For each cell, the lines on which a fault may have hit every read, so that their agreement proves nothing.
    hidden: Vec<u8>,
}

impl<'a> Reach<'a> {
    /// The reach of some faults in one chip, `images` being its reads.
    pub(super) fn of(faults: &'a [&'a Located], images: &[&ChipImage]) -> Self {
        let words = images[0].words() as usize;
        let mut hidden = vec![0; words];
        if !faults.is_empty() {
            let votes = Votes::of(images);
            let blamed = faults.iter().fold(0, |lines, f| match f.shared {
                Shared::DataLine(line) => lines | 1 << line,
                _ => lines,
            });
            for fault in faults {
                let Some(part) = part(fault.shared, images) else {
                    continue;
                };
                if votes.prove_nothing(&part) && votes.stands_out(fault, &part, blamed) {
                    let all = hidden.iter_mut().zip(part.lines);
                    all.for_each(|(hidden, lines)| *hidden |= lines);
                }
            }
        }
        Self { faults, hidden }
    }

    /// Whether a fault has to do with the dissent over a bit, so that voting there would be voting over the fault.
    pub(super) fn taints(&self, cell: u32, line: u8) -> bool {
        self.faults.iter().any(|f| match f.shared {
            Shared::DataLine(l) => l == line,
            Shared::Stretch { first, last, .. } | Shared::Cells { first, last } => {
                (first..=last).contains(&cell)
            }
            Shared::AddressLine(_) | Shared::Read(_) | Shared::Chip => true,
        })
    }

    /// Whether a fault may have hit a bit in every read, so that their agreement proves nothing.
    pub(super) fn hides(&self, cell: u32, line: u8) -> bool {
        let lines = self.hidden.get(cell as usize);
        lines.is_some_and(|lines| lines >> line & 1 == 1)
    }

    /// Whether a bit has a noise of its own: the pin of its data line, or its cell, is a located fault.
    pub(super) fn is_faulty(&self, cell: u32, line: u8) -> bool {
        self.faults.iter().any(|f| match f.shared {
            Shared::DataLine(l) => l == line,
            Shared::Cells { first, last } => (first..=last).contains(&cell),
            _ => false,
        })
    }

    /// The votes as they would be without what an address pin explains of their dissent.
    pub(super) fn once_mended(&self, votes: Histogram) -> Histogram {
        let pin = self
            .faults
            .iter()
            .find(|f| matches!(f.shared, Shared::AddressLine(_)));
        let Some((explained, all)) = pin.map(|f| f.of).filter(|of| of.1 > 0) else {
            return votes;
        };
        let mut out: BTreeMap<Vote, u64> = BTreeMap::new();
        for (vote, bits) in votes {
            let stays = if vote.minority > 0 {
                bits * (all - explained.min(all)) / all
            } else {
                bits
            };
            let agreed = Vote {
                known: vote.known,
                minority: 0,
            };
            *out.entry(vote).or_insert(0) += stays;
            *out.entry(agreed).or_insert(0) += bits - stays;
        }
        out.into_iter().collect()
    }
}

/// Part of a chip in which a fault may have hit every read.
struct Part {
    /// For each cell, the lines concerned.
    lines: Vec<u8>,
    /// Whether it was dissent elsewhere in the chip that the fault would have made: of an address pin, in the cells that do
    /// not read as their partners do.
    dissent_elsewhere: bool,
    /// Bits hit in every read for each on which the reads differ, at most.
    steady: f64,
}

/// Where a fault may have hit every read; nothing where it is one read's, since the others bear out what agrees.
fn part(shared: Shared, images: &[&ChipImage]) -> Option<Part> {
    let (words, mask) = (images[0].words(), images[0].mask());
    let lines: Vec<u8> = match shared {
        Shared::DataLine(line) => vec![1 << line; words as usize],
        Shared::Chip => vec![mask; words as usize],
        Shared::Cells { first, last } => {
            let within = |c: u32| (first..=last).contains(&c);
            (0..words)
                .map(|c| if within(c) { mask } else { 0 })
                .collect()
        }
        Shared::AddressLine(line) => alike(images, line)
            .into_iter()
            .map(|alike| if alike { mask } else { 0 })
            .collect(),
        Shared::Stretch { .. } | Shared::Read(_) => return None,
    };
    Some(Part {
        lines,
        dissent_elsewhere: matches!(shared, Shared::AddressLine(_)),
        steady: match shared {
            Shared::Chip => steady(images.len() as u32),
            _ => 1.0,
        },
    })
}

/// Which cells read as their partner across an address line does in some read, in all bits that both show; so do cells
/// without a partner, of which nobody knows what answers. Another cell was seen itself, unless cell and partner were
/// exchanged in every read.
fn alike(images: &[&ChipImage], line: u8) -> Vec<bool> {
    let own = majority(images);
    let (values, known) = (own.values(), own.known());
    let reads_as = |c: usize, of: &ChipImage| {
        let partner = c ^ 1 << line;
        match (of.values().get(partner), of.known().get(partner)) {
            (Some(v), Some(k)) => (values[c] ^ v) & known[c] & k == 0,
            _ => true,
        }
    };
    (0..values.len())
        .map(|c| images.iter().any(|of| reads_as(c, of)))
        .collect()
}

/// On which bits of a chip the reads differ, and on which they agree: a bit a line, by cell.
struct Votes {
    width: u8,
    dissent: Vec<u8>,
    agreed: Vec<u8>,
}

impl Votes {
    fn of(images: &[&ChipImage]) -> Self {
        let words = images[0].words() as usize;
        let seen = |c: usize, level: u8| -> u8 {
            let of = |i: &&ChipImage| (i.values()[c] ^ !level) & i.known()[c];
            images.iter().fold(0, |all, i| all | of(i))
        };
        let both = (0..words).map(|c| (seen(c, 0), seen(c, 0xff)));
        let (dissent, agreed) = both.map(|(a, b)| (a & b, a ^ b)).unzip();
        Self {
            width: images[0].width(),
            dissent,
            agreed,
        }
    }

    /// How many bits are marked, of those in a part.
    fn count(marked: &[u8], part: impl Fn(usize) -> u8) -> u64 {
        let of = |(c, lines): (usize, &u8)| u64::from((lines & part(c)).count_ones());
        marked.iter().enumerate().map(of).sum()
    }

    /// Whether so much dissents by a fault that agreement in its part may be its doing.
    fn prove_nothing(&self, part: &Part) -> bool {
        let within = |c: usize| part.lines[c];
        let dissent = match part.dissent_elsewhere {
            true => Self::count(&self.dissent, |_| 0xff),
            false => Self::count(&self.dissent, within),
        };
        part.steady * dissent as f64 > HIT * Self::count(&self.agreed, within) as f64
    }

    /// Whether the dissent of a pin or of a run of cells stands out with each bit counted once, beside the lines that are
    /// not blamed: a few cells that read this way and that in many reads are many votes, and say nothing of the cells
    /// beside them.
    fn stands_out(&self, fault: &Located, part: &Part, blamed: u8) -> bool {
        let words = self.dissent.len();
        let mask = ((1u16 << self.width) - 1) as u8;
        let (named, beside) = match fault.shared {
            Shared::DataLine(_) => (one_of(self.width.into()), mask & !blamed),
            Shared::Cells { .. } => (2.0 * one_of(words), mask),
            _ => return true,
        };
        let rest = |c: usize| beside & !part.lines[c];
        let bits = |of: &dyn Fn(usize) -> u8| -> u64 {
            (0..words).map(|c| u64::from(of(c).count_ones())).sum()
        };
        let within = |c: usize| part.lines[c];
        let (n, others) = (bits(&within), bits(&rest));
        // A line that holds still in half of the reads was found without counting dissent.
        if fault.of.1 == 0 || others == 0 {
            return true;
        }
        let (k, among) = (
            Self::count(&self.dissent, within),
            Self::count(&self.dissent, rest),
        );
        let apart = marked(n, k) + marked(others, among);
        marked(n + others, k + among) - apart - named > PRIOR
    }
}

/// Votes of one chip, apart by whether their bits have a noise of their own.
pub(super) struct Histograms {
    /// Votes of lines whose pins come and go, and of cells that do; they say nothing about the noise of the others.
    pub(super) faulty: Histogram,
    /// All other votes, without a read that something happened to.
    pub(super) sound: Histogram,
}

impl Histograms {
    /// Sorts the votes of one chip.
    pub(super) fn of(images: &[&ChipImage], reach: &Reach) -> Self {
        let mut reads = images.to_vec();
        if let Some(read) = reach.faults.iter().find_map(|f| f.shared.read()) {
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
                let to = if reach.is_faulty(cell, line) {
                    &mut faulty
                } else {
                    &mut sound
                };
                *to.entry(vote).or_insert(0) += 1;
            }
        }
        Self {
            faulty: faulty.into_iter().collect(),
            sound: sound.into_iter().collect(),
        }
    }
}
