//! Dissent is located before it is voted on: what do the dissenting votes share?
//!
//! Each candidate (a data pin, an address pin, one read or a moment of it, some cells, one chip, what several chips share)
//! says "my votes dissent at a rate of their own, and more often". It is named when telling the dissent that way takes markedly fewer bits
//! than one rate for everything. Two reads show pins and chips, and not which of the two is wrong.

use super::together;
use crate::evidence::{marked, one_of};
use crate::finding::{CellRun, ChipPlace, Finding, Place, Severity};
use crate::image::ChipImage;

/// Bits it takes to name a contact or supply fault before naming which: the prior, about one reading in sixty.
pub(super) const PRIOR: f64 = 6.0;

/// What the dissenting votes of a chip share.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Shared {
    /// One data pin.
    DataLine(u8),
    /// One address pin: the dissenting reads saw the cell whose address differs in that bit.
    AddressLine(u8),
    /// One read out of all.
    Read(usize),
    /// A run of cells of one read, both ends inclusive: a moment while it was read.
    Stretch {
        /// The read.
        read: usize,
        /// First cell.
        first: u32,
        /// Last cell.
        last: u32,
    },
    /// A run of cells, both ends inclusive, in more than one read.
    Cells {
        /// First cell.
        first: u32,
        /// Last cell.
        last: u32,
    },
    /// Whole chips, against the others.
    Chip,
}

impl Shared {
    /// Whether it is one pin.
    pub(super) fn is_line(self) -> bool {
        matches!(self, Shared::DataLine(_) | Shared::AddressLine(_))
    }

    /// Whether it is a run of a few of so many cells.
    pub(super) fn is_some_cells_of(self, words: u32) -> bool {
        matches!(self, Shared::Cells { first, last } if 4 * (last - first) < words)
    }

    /// The read concerned, where it is one.
    pub(super) fn read(self) -> Option<usize> {
        match self {
            Shared::Read(read) | Shared::Stretch { read, .. } => Some(read),
            _ => None,
        }
    }
}

/// A located fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Located {
    /// Indices of the chips; several where they share more than each has by itself.
    pub chips: Vec<usize>,
    /// What is shared.
    pub shared: Shared,
    /// Bits saved against one rate for everything.
    pub saved: f64,
    /// Dissenting votes it explains, and all of them.
    pub of: (u64, u64),
}

/// The minority votes of one chip: one bit set for every read, cell and line where that read dissents.
#[derive(Clone)]
pub(super) struct Dissents {
    /// `by_read[r][cell]` has a bit for each dissenting line.
    pub by_read: Vec<Vec<u8>>,
    pub width: u8,
}

impl Dissents {
    pub(super) fn of(images: &[&ChipImage], majority: &ChipImage) -> Self {
        let by_read = images
            .iter()
            .map(|image| {
                (0..image.words() as usize)
                    .map(|c| {
                        (image.values()[c] ^ majority.values()[c])
                            & image.known()[c]
                            & majority.known()[c]
                    })
                    .collect()
            })
            .collect();
        Self {
            by_read,
            width: majority.width(),
        }
    }

    /// Takes the dissent of a data line out.
    fn clear(&mut self, line: u8) {
        for cell in self.by_read.iter_mut().flatten() {
            *cell &= !(1 << line);
        }
    }

    fn count(&self, keep: impl Fn(usize, usize) -> u8) -> u64 {
        let mut n = 0;
        for (r, cells) in self.by_read.iter().enumerate() {
            for (c, d) in cells.iter().enumerate() {
                n += u64::from((d & keep(r, c)).count_ones());
            }
        }
        n
    }

    pub(super) fn votes(&self) -> u64 {
        self.count(|_, _| 0xff)
    }

    fn words(&self) -> u64 {
        self.by_read.first().map_or(0, |r| r.len() as u64)
    }

    /// Votes that could have dissented.
    pub(super) fn trials(&self) -> u64 {
        self.words() * self.by_read.len() as u64 * u64::from(self.width)
    }

    /// Bits to tell the dissent when a part of the votes, `k` of which dissent, has a rate of its own.
    fn apart(&self, part: u64, k: u64) -> f64 {
        marked(part, k) + marked(self.trials() - part, self.votes() - k)
    }

    /// Dissenting votes of one read.
    pub(super) fn of_read(&self, read: usize) -> u64 {
        self.count(|r, _| if r == read { 0xff } else { 0 })
    }

    /// Bits to tell the dissent as that of one read.
    pub(super) fn length_of_read(&self, read: usize) -> f64 {
        self.apart(self.words() * u64::from(self.width), self.of_read(read))
            + one_of(self.by_read.len())
    }

    /// The run of cells of a read that tells its dissent best.
    pub(super) fn stretch(&self, read: usize) -> Option<Stretch> {
        let cells = self.by_read.get(read)?;
        let votes: Vec<u64> = cells.iter().map(|d| d.count_ones().into()).collect();
        self.run(&votes, 1, one_of(self.by_read.len()))
    }

    /// The run of cells that tells the dissent of all reads best.
    pub(super) fn cells(&self) -> Option<Stretch> {
        let of_cell = |c: usize| -> u64 {
            let reads = self.by_read.iter();
            reads.map(|r| u64::from(r[c].count_ones())).sum()
        };
        let votes: Vec<u64> = (0..self.words() as usize).map(of_cell).collect();
        self.run(&votes, self.by_read.len() as u64, 0.0)
    }

    /// The run of cells that tells dissenting votes best, given by cell, where so many reads vote on each; `named` is
    /// what it takes to name the reads.
    fn run(&self, votes: &[u64], reads: u64, named: f64) -> Option<Stretch> {
        const ENDS: usize = 48;
        let odd: Vec<usize> = (0..votes.len()).filter(|c| votes[*c] != 0).collect();
        let step = odd.len().div_ceil(ENDS).max(1);
        let named = named + 2.0 * one_of(votes.len());
        let mut best: Option<Stretch> = None;
        for i in (0..odd.len()).step_by(step) {
            let mut k = 0u64;
            for (n, cell) in odd[i..].iter().enumerate() {
                k += votes[*cell];
                if n == 0 || (n % step != 0 && i + n + 1 != odd.len()) {
                    continue;
                }
                let part = (cell - odd[i] + 1) as u64 * u64::from(self.width) * reads;
                let length = self.apart(part, k) + named;
                // A part that dissents less than the rest is no fault.
                let more = self.dissents_more(part, k);
                if more && best.as_ref().is_none_or(|b| length < b.length) {
                    best = Some(Stretch {
                        first: odd[i] as u32,
                        last: *cell as u32,
                        length,
                        votes: k,
                    });
                }
            }
        }
        best
    }

    /// Whether a read dissents markedly more in some cells than each of the others does: that reads are not equally
    /// noisy is no fault of one.
    fn is_worst(&self, read: usize, from: usize, to: usize) -> bool {
        let each = (to - from) as u64 * u64::from(self.width);
        let of = |cells: &[u8]| -> u64 {
            let cells = cells.iter().take(to).skip(from);
            cells.map(|c| u64::from(c.count_ones())).sum()
        };
        let (mut own, mut next) = (0, 0);
        for (r, cells) in self.by_read.iter().enumerate() {
            if r == read {
                own = of(cells);
            } else {
                next = of(cells).max(next);
            }
        }
        let apart = marked(each, own) + marked(each, next);
        own > next && marked(2 * each, own + next) - apart > PRIOR
    }

    /// Whether a part of the votes, `k` of which dissent, dissents more often than the rest.
    pub(super) fn dissents_more(&self, part: u64, k: u64) -> bool {
        let (rest, others) = (self.trials() - part, self.votes() - k);
        u128::from(k) * u128::from(rest) > u128::from(others) * u128::from(part)
    }
}

/// A run of cells with what it tells.
pub(super) struct Stretch {
    /// First cell.
    pub first: u32,
    /// Last cell.
    pub last: u32,
    /// Bits to tell the dissent so.
    pub length: f64,
    /// Dissenting votes within.
    pub votes: u64,
}

/// The best explanation of each chip's dissent, where one beats mere noise, and what several chips share.
pub(super) fn locate(
    images: &[Vec<&ChipImage>],
    majority: &[ChipImage],
    boards: &[Vec<usize>],
) -> Vec<Located> {
    let dissents: Vec<Dissents> = images
        .iter()
        .zip(majority)
        .map(|(i, m)| Dissents::of(i, m))
        .collect();
    let mut out = Vec::new();
    for (chip, d) in dissents.iter().enumerate() {
        out.extend(within(chip, d, &majority[chip], &images[chip]));
    }
    together::moments(&dissents, &mut out);
    together::worse_than_others(&dissents, boards, &mut out);
    out.sort_by_key(|l| l.chips.first().copied());
    out
}

/// What explains one chip's dissent: a data pin and then others beside it, or else an address pin or a read.
fn within(chip: usize, d: &Dissents, majority: &ChipImage, images: &[&ChipImage]) -> Vec<Located> {
    let total = d.votes();
    let mut rest = d.clone();
    let mut out: Vec<Located> = Vec::new();
    while let Some(mut best) = best(chip, &rest, majority, images) {
        best.of.1 = total;
        match best.shared {
            Shared::DataLine(line) => {
                rest.clear(line);
                out.push(best);
            }
            _ => {
                if out.is_empty() {
                    out.push(best);
                }
                break;
            }
        }
    }
    out
}

/// The best explanation of dissent by a pin or a read.
fn best(chip: usize, d: &Dissents, majority: &ChipImage, images: &[&ChipImage]) -> Option<Located> {
    let total = d.votes();
    if total < 2 {
        return None;
    }
    let trials = d.trials();
    let reads = d.by_read.len();
    let plain = marked(trials, total);
    let mut best: Option<Located> = None;
    let mut offer = |shared, length: f64, explains| {
        let saved = plain - length - PRIOR;
        if saved > 0.0 && best.as_ref().is_none_or(|b| saved > b.saved) {
            best = Some(Located {
                chips: vec![chip],
                shared,
                saved,
                of: (explains, total),
            });
        }
    };
    if d.width > 1 {
        for line in 0..d.width {
            let k = d.count(|_, _| 1 << line);
            let part = d.words() * reads as u64;
            if d.dissents_more(part, k) {
                let length = d.apart(part, k) + one_of(d.width.into());
                offer(Shared::DataLine(line), length, k);
            }
        }
    }
    if reads > 2 {
        for read in 0..reads {
            let k = d.of_read(read);
            if d.is_worst(read, 0, d.words() as usize) {
                offer(Shared::Read(read), d.length_of_read(read), k);
            }
            if let Some(s) = d.stretch(read)
                && d.is_worst(read, s.first as usize, s.last as usize + 1)
            {
                let (first, last) = (s.first, s.last);
                offer(Shared::Stretch { read, first, last }, s.length, s.votes);
            }
        }
    }
    if let Some(s) = d.cells() {
        let (first, last) = (s.first, s.last);
        offer(Shared::Cells { first, last }, s.length, s.votes);
    }
    for (shared, length, k) in alias(d, majority, images) {
        offer(shared, length, k);
    }
    best
}

/// An address pin that sometimes fails makes a read see the partner of a cell, the one whose address differs in that
/// bit; where the open pin always reads one level, only in cells of the other level. A cell of which every read shows
/// what its partner holds tells nothing. In the others each read has seen the cell itself or its partner, and that is
/// told at a rate of its own, whichever of the two more reads have seen; but a cell of which more reads have seen the
/// partner must be named, since their majority speaks against it.
fn alias(d: &Dissents, majority: &ChipImage, images: &[&ChipImage]) -> Vec<(Shared, f64, u64)> {
    let words = majority.words() as usize;
    let lines = words.next_power_of_two().trailing_zeros();
    let dissent =
        |c: usize| -> u64 { d.by_read.iter().map(|r| u64::from(r[c].count_ones())).sum() };
    let of_cell: Vec<u64> = (0..words).map(dissent).collect();
    let all: u64 = of_cell.iter().sum();
    // Bits to tell what a cell holds of which the majority shows what its partner holds: anything but that.
    let other_contents = (f64::from(majority.width()).exp2() - 1.0).log2();
    let mut out = Vec::new();
    for line in 0..lines {
        let mut levels = [Seen::default(); 2];
        for c in 0..words {
            let partner = c ^ (1 << line);
            let known = |c: usize| majority.known()[c] == majority.mask();
            if partner >= words || !known(partner) || !known(c) {
                continue;
            }
            let there = majority.values()[partner];
            let level = &mut levels[(c >> line) & 1];
            let alike = majority.values()[c] == there;
            level.alike += u64::from(alike);
            let whole = images.iter().filter(|i| i.known()[c] == i.mask());
            let seen: Vec<u8> = whole.map(|i| i.values()[c]).collect();
            let Some(other) = seen.iter().copied().find(|v| *v != there) else {
                continue;
            };
            let own = if alike { other } else { majority.values()[c] };
            let strange = seen.iter().filter(|v| **v != there && **v != own);
            let strange: u64 = strange.map(|v| u64::from((v ^ own).count_ones())).sum();
            level.outvoted += u64::from(alike);
            level.reads += seen.len() as u64;
            level.partner += seen.iter().filter(|v| **v == there).count() as u64;
            level.explained += of_cell[c].saturating_sub(strange);
        }
        let both = levels[0].and(levels[1]);
        let best = [levels[0], levels[1], both]
            .into_iter()
            .filter(|seen| seen.partner >= 2)
            .map(|seen| {
                let length = marked(seen.reads, seen.partner)
                    + marked(seen.alike, seen.outvoted)
                    + seen.outvoted as f64 * other_contents
                    + marked(d.trials(), all - seen.explained)
                    + one_of(3)
                    + one_of(lines as usize);
                (length, seen.explained)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0));
        out.extend(best.map(|(length, k)| (Shared::AddressLine(line as u8), length, k)));
    }
    out
}

/// Cells that hold other than their partners do, at one level of an address pin.
#[derive(Clone, Copy, Default)]
struct Seen {
    /// Reads of them.
    reads: u64,
    /// Those that saw the partner.
    partner: u64,
    /// Dissenting bits that are explained.
    explained: u64,
    /// Cells whose majority is what the partner holds, and those of them that some read says hold other.
    alike: u64,
    outvoted: u64,
}

impl Seen {
    fn and(self, other: Self) -> Self {
        Self {
            reads: self.reads + other.reads,
            partner: self.partner + other.partner,
            explained: self.explained + other.explained,
            alike: self.alike + other.alike,
            outvoted: self.outvoted + other.outvoted,
        }
    }
}

/// The finding of a located fault; `ids` are the chips' ids, `read` names a read.
pub(super) fn finding(l: &Located, ids: &[&str], read: &dyn Fn(usize) -> String) -> Finding {
    let names: Vec<&str> = l
        .chips
        .iter()
        .filter_map(|c| ids.get(*c).copied())
        .collect();
    let chip = names.join(", ");
    let mut chips: Vec<ChipPlace> = names
        .iter()
        .map(|id| ChipPlace {
            chip: (*id).to_owned(),
            ..ChipPlace::default()
        })
        .collect();
    let (k, n) = l.of;
    let several = names.len() > 1;
    let (code, what, act, otherwise): (_, String, &str, &[&str]) = match l.shared {
        Shared::DataLine(line) => {
            chips.iter_mut().for_each(|c| c.data_lines = vec![line]);
            (
                "dissent.data-line",
                format!("{k} of {n} dissenting bits of {chip} are on data line D{line}"),
                "Reseat the clip and clean that pin, look for another driver on the line, then read again.",
                &["another part driving the same line (contention)"],
            )
        }
        Shared::AddressLine(line) => {
            chips.iter_mut().for_each(|c| c.address_lines = vec![line]);
            (
                "dissent.address-line",
                format!(
                    "{k} of {n} dissenting bits of {chip} are what the cell with A{line} inverted holds"
                ),
                "The contact of that address pin comes and goes: reseat the clip, clean the pin, read again.",
                &["a cracked track or socket on that pin"],
            )
        }
        Shared::Read(_) | Shared::Stretch { .. } => {
            let name = l.shared.read().map_or_else(String::new, read);
            let mut what =
                format!("{k} of {n} dissenting bits of {chip} come from one read, {name}");
            if let Shared::Stretch { first, last, .. } = l.shared {
                what.push_str(&format!(", from cell {first:#06x} to {last:#06x}"));
                for c in &mut chips {
                    c.cells = vec![CellRun { first, last }];
                }
            }
            if several {
                (
                    "dissent.supply",
                    what,
                    "What these chips share gave way for a moment: check supply, ground and reset, and leave that \
                     read out or read once more in its place.",
                    &[
                        "the clip or cable moved",
                        "the instrument's own logic woke up and drove the bus",
                    ],
                )
            } else {
                (
                    "dissent.read",
                    what,
                    "Something moved during that read: leave it out, or read once more in its place.",
                    &["the supply dipped for a moment"],
                )
            }
        }
        Shared::Cells { first, last } => {
            for c in &mut chips {
                c.cells = vec![CellRun { first, last }];
            }
            (
                "dissent.cells",
                format!(
                    "{k} of {n} dissenting bits of {chip} lie in its cells {first:#06x} to {last:#06x}, whichever the read"
                ),
                "Check that chip's supply and enable at its own pins, then read afresh.",
                &[
                    "these cells no longer hold",
                    "something else drives the bus at these addresses",
                ],
            )
        }
        Shared::Chip if several => (
            "dissent.supply",
            format!("{chip} dissent far more than the other chips: {n} bits"),
            "Look for what these chips share: supply and ground of their board, its connector, its enable.",
            &["each of these chips has a bad contact of its own"],
        ),
        Shared::Chip => (
            "dissent.chip",
            format!("{chip} dissents far more than the other chips: {n} bits"),
            "Check that chip's ground, supply and enable at its own pins before reading again.",
            &[
                "the chip itself is failing",
                "its socket or the clip on it is dirty",
            ],
        ),
    };
    let mut f = Finding::new(code, Severity::Caution, what)
        .at(Place {
            chips,
            ..Place::default()
        })
        .act(act)
        .means("These votes are not independent, so a majority of them proves nothing.");
    f.evidence = vec![format!(
        "explained in {:.0} fewer bits than scattered noise",
        l.saved
    )];
    f.otherwise = otherwise.iter().map(|s| (*s).to_owned()).collect();
    f.sure = Some(1.0 / (1.0 + (-l.saved).exp2()));
    // What happened to one chip during one read is over.
    f.read_again_first = several || l.shared.read().is_none();
    f
}
