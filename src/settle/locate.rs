//! Dissent is located before it is voted on: what do the dissenting votes share?
//!
//! Each candidate (a data pin, an address pin, one read, one chip, one board) says "my votes dissent at a rate
//! of their own". It is named when telling the dissent that way takes markedly fewer bits than one rate for
//! everything.

use crate::evidence::{marked, one_of};
use crate::finding::{ChipPlace, Finding, Place, Severity};
use crate::image::ChipImage;

/// Bits it takes to name a contact or supply fault before naming which: the prior, about one reading in sixty.
const PRIOR: f64 = 6.0;

/// What the dissenting votes of a chip share.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Shared {
    /// One data pin.
    DataLine(u8),
    /// One address pin: the dissenting reads saw the cell whose address differs in that bit.
    AddressLine(u8),
    /// One read out of all.
    Read(usize),
    /// The whole chip, against the others.
    Chip,
}

/// A located fault of one chip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Located {
    /// Index of the chip.
    pub chip: usize,
    /// What is shared.
    pub shared: Shared,
    /// Bits saved against one rate for everything.
    pub saved: f64,
    /// Dissenting votes it explains, and all of them.
    pub of: (u64, u64),
}

/// The minority votes of one chip: one bit set for every read, cell and line where that read dissents.
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
}

/// The best explanation of each chip's dissent, where one beats mere noise.
pub(super) fn locate(images: &[Vec<&ChipImage>], majority: &[ChipImage]) -> Vec<Located> {
    let dissents: Vec<Dissents> = images
        .iter()
        .zip(majority)
        .map(|(i, m)| Dissents::of(i, m))
        .collect();
    let mut out = Vec::new();
    for (chip, d) in dissents.iter().enumerate() {
        let total = d.votes();
        if total < 2 {
            continue;
        }
        let reads = d.by_read.len();
        let words = majority[chip].words() as u64;
        let trials = words * reads as u64 * u64::from(d.width);
        let plain = marked(trials, total);
        let mut best: Option<Located> = None;
        let mut offer = |shared, length: f64, explains| {
            let saved = plain - length - PRIOR;
            if saved > 0.0 && best.is_none_or(|b| saved > b.saved) {
                best = Some(Located {
                    chip,
                    shared,
                    saved,
                    of: (explains, total),
                });
            }
        };
        let split = |part: u64, k: u64| marked(part, k) + marked(trials - part, total - k);
        if d.width > 1 {
            for line in 0..d.width {
                let k = d.count(|_, _| 1 << line);
                let length = split(words * reads as u64, k) + one_of(d.width.into());
                offer(Shared::DataLine(line), length, k);
            }
        }
        if reads > 2 {
            for read in 0..reads {
                let k = d.count(|r, _| if r == read { 0xff } else { 0 });
                let length = split(words * u64::from(d.width), k) + one_of(reads);
                offer(Shared::Read(read), length, k);
            }
        }
        for (shared, length, k) in alias(d, &majority[chip], images[chip].as_slice()) {
            offer(shared, length, k);
        }
        if dissents.len() > 1 {
            let (rest, rest_trials) =
                dissents
                    .iter()
                    .zip(majority)
                    .enumerate()
                    .fold((0, 0), |(k, n), (i, (d, m))| {
                        if i == chip {
                            (k, n)
                        } else {
                            (k + d.votes(), n + m.bits() * d.by_read.len() as u64)
                        }
                    });
            let together = marked(trials + rest_trials, total + rest);
            let apart = marked(trials, total) + marked(rest_trials, rest) + one_of(dissents.len());
            offer(Shared::Chip, plain - (together - apart), total);
        }
        out.extend(best);
    }
    out
}

/// An address pin that sometimes fails makes a read see another cell: whole words are explained at once.
fn alias(d: &Dissents, majority: &ChipImage, images: &[&ChipImage]) -> Vec<(Shared, f64, u64)> {
    let words = majority.words() as usize;
    let lines = words.next_power_of_two().trailing_zeros();
    let mut out = Vec::new();
    for line in 0..lines {
        let (mut events, mut other, mut explained) = (0u64, 0u64, 0u64);
        for (r, cells) in d.by_read.iter().enumerate() {
            for (c, &bits) in cells.iter().enumerate() {
                if bits == 0 {
                    continue;
                }
                let from = c ^ (1 << line);
                let aliased = from < words
                    && majority.known()[from] == majority.mask()
                    && (images[r].values()[c] ^ majority.values()[from]) & images[r].known()[c]
                        == 0;
                if aliased {
                    events += 1;
                    explained += u64::from(bits.count_ones());
                } else {
                    other += u64::from(bits.count_ones());
                }
            }
        }
        if events < 2 {
            continue;
        }
        let trials = (words * d.by_read.len()) as u64;
        let length = marked(trials, events)
            + marked(trials * u64::from(d.width), other)
            + one_of(lines as usize);
        out.push((Shared::AddressLine(line as u8), length, explained));
    }
    out
}

/// The finding of a located fault.
pub(super) fn finding(l: &Located, chip: &str, read: &dyn Fn(usize) -> String) -> Finding {
    let mut place = ChipPlace {
        chip: chip.to_owned(),
        ..ChipPlace::default()
    };
    let (k, n) = l.of;
    let (code, what, act, otherwise): (_, String, &str, &[&str]) = match l.shared {
        Shared::DataLine(line) => {
            place.data_lines = vec![line];
            (
                "dissent.data-line",
                format!("{k} of {n} dissenting bits of {chip} are on data line D{line}"),
                "Reseat the clip and clean that pin, look for another driver on the line, then read again.",
                &["another part driving the same line (contention)"],
            )
        }
        Shared::AddressLine(line) => {
            place.address_lines = vec![line];
            (
                "dissent.address-line",
                format!(
                    "{k} of {n} dissenting bits of {chip} are what the cell with A{line} inverted holds"
                ),
                "The contact of that address pin comes and goes: reseat the clip, clean the pin, read again.",
                &["a cracked track or socket on that pin"],
            )
        }
        Shared::Read(r) => (
            "dissent.read",
            format!(
                "{k} of {n} dissenting bits of {chip} come from one read, {}",
                read(r)
            ),
            "Something moved during that read: leave it out, or read once more in its place.",
            &["the supply dipped for a moment"],
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
            chips: vec![place],
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
    f
}
