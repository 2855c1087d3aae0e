//! Lines that hold still in some reads and carry contents in others.
//!
//! A dead chip and a stuck line read alike every time, so that two bad reads agree and outvote a good one. They are
//! looked for before there is any vote: a line that does not move proves nothing against a read in which it does.

use super::locate::{Located, Shared};
use super::outlier::ODD;
use crate::finding::{ChipPlace, Finding, Place, Severity};
use crate::image::ChipImage;

/// Least cells by which a line must move in a read to carry contents there: more than stray flips.
const CONTENTS: u64 = 16;
/// A line is still where it moves in less than this part of the cells in which it moves elsewhere.
const STILL: u64 = 32;
/// A read shows contents where the line moves in at least this part of the most.
const LIVELY: u64 = 4;

/// A part of a chip that some reads show still and others moving.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Still {
    /// The chip's place in the reading.
    pub chip: usize,
    /// What does not move.
    pub what: What,
    /// Reads in which it does not move.
    pub in_reads: Vec<usize>,
    /// Reads in which it does.
    pub moves_in: Vec<usize>,
}

/// What does not move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum What {
    /// All data lines: the chip is dead.
    Chip,
    /// Some data lines, one bit each.
    Lines(u8),
    /// An address line: every cell holds what its partner across that line holds.
    Address(u8),
}

impl Still {
    /// Whether so many reads show contents that the others can be left out.
    pub(super) fn is_outvoted(&self) -> bool {
        self.moves_in.len() > self.in_reads.len()
    }

    /// The data lines concerned, of a chip so wide.
    fn lines(&self, image: &ChipImage) -> u8 {
        match self.what {
            What::Lines(lines) => lines,
            What::Chip | What::Address(_) => image.mask(),
        }
    }

    /// What to leave out of a vote: the data lines of the reads that do not move, or nothing where they are too many.
    pub(super) fn leave_out(&self, images: &mut [Vec<ChipImage>]) {
        if self.is_outvoted() {
            self.mask(images, &self.in_reads);
        }
    }

    /// What to leave out while other faults are looked for: the still reads, or all of them where they are too many.
    pub(super) fn hide(&self, images: &mut [Vec<ChipImage>]) {
        if self.is_outvoted() {
            self.mask(images, &self.in_reads);
        } else {
            let all: Vec<usize> = self
                .in_reads
                .iter()
                .chain(&self.moves_in)
                .copied()
                .collect();
            self.mask(images, &all);
        }
    }

    fn mask(&self, images: &mut [Vec<ChipImage>], reads: &[usize]) {
        let Some(chip) = images.get_mut(self.chip) else {
            return;
        };
        for read in reads {
            if let Some(image) = chip.get_mut(*read) {
                let lines = self.lines(image);
                image.edit(|_, value, known| (value, known & !lines));
            }
        }
    }

    /// The fault over which there is no vote; nothing where the still reads are left out.
    pub(super) fn located(&self, images: &[Vec<&ChipImage>]) -> Vec<Located> {
        if self.is_outvoted() {
            return Vec::new();
        }
        let Some(image) = images.get(self.chip).and_then(|c| c.first()) else {
            return Vec::new();
        };
        let at = |shared| Located {
            chips: vec![self.chip],
            shared,
            saved: 0.0,
            of: (0, 0),
        };
        match self.what {
            What::Address(line) => vec![at(Shared::AddressLine(line))],
            What::Chip | What::Lines(_) => (0..image.width())
                .filter(|line| self.lines(image) >> line & 1 == 1)
                .map(|line| at(Shared::DataLine(line)))
                .collect(),
        }
    }

    /// What does not move, in words, of the chip called so.
    fn words(&self, id: &str) -> String {
        match self.what {
            What::Chip => format!("all cells of {id} read alike"),
            What::Address(line) => {
                format!("address line A{line} of {id} does not move: its halves are copies")
            }
            What::Lines(lines) => {
                let names: Vec<String> = (0..8)
                    .filter(|line| lines >> line & 1 == 1)
                    .map(|line| format!("D{line}"))
                    .collect();
                match names.as_slice() {
                    [one] => format!("data line {one} of {id} does not move"),
                    _ => format!("data lines {} of {id} do not move", names.join(", ")),
                }
            }
        }
    }

    /// The finding; `ids` are the chips' ids, `read` names a read.
    pub(super) fn finding(&self, ids: &[&str], read: &dyn Fn(usize) -> String) -> Finding {
        let id = ids.get(self.chip).copied().unwrap_or_default();
        let names = |reads: &[usize]| -> String {
            let names: Vec<String> = reads.iter().map(|r| read(*r)).collect();
            names.join(", ")
        };
        let (still, moving) = (names(&self.in_reads), names(&self.moves_in));
        let mut says = format!("in {still} {}; {moving} ", self.words(id));
        says.push_str(if self.moves_in.len() == 1 {
            "alone shows contents there"
        } else {
            "show contents there"
        });
        let mut place = ChipPlace {
            chip: id.to_owned(),
            ..ChipPlace::default()
        };
        let (code, act) = match self.what {
            What::Chip => (
                "dissent.chip",
                "Check that chip's seat, supply and enable at its own pins, then read afresh.",
            ),
            What::Lines(lines) => {
                place.data_lines = (0..8).filter(|line| lines >> line & 1 == 1).collect();
                (
                    "dissent.data-line",
                    "Reseat the clip and clean that pin, look for what holds the line, then read afresh.",
                )
            }
            What::Address(line) => {
                place.address_lines = vec![line];
                (
                    "dissent.address-line",
                    "Reseat the clip and clean that address pin, then read afresh.",
                )
            }
        };
        let f = Finding::new(code, Severity::Caution, says)
            .at(Place {
                chips: vec![place],
                ..Place::default()
            })
            .read_again_first();
        if self.is_outvoted() {
            f.means("What does not move says nothing of what the cells hold: those reads are left out there.")
                .act("Check how that chip sat and its contacts; read it again if that read should count.")
        } else {
            f.means(
                "What does not move agrees with itself however often it is read, so a majority of it proves nothing.",
            )
            .act(act)
        }
    }
}

/// What moves in some reads and not in others; `chips` is by chip, then by read.
pub(super) fn find(chips: &[Vec<&ChipImage>]) -> Vec<Still> {
    let mut out = Vec::new();
    for (chip, reads) in chips.iter().enumerate() {
        let Some(first) = reads.first() else {
            continue;
        };
        let mut of_chip: Vec<Still> = Vec::new();
        for line in 0..first.width() {
            let Some((in_reads, moves_in)) = split(reads, |image| levels(image, line)) else {
                continue;
            };
            match of_chip.iter_mut().find(|s| s.in_reads == in_reads) {
                Some(Still {
                    what: What::Lines(lines),
                    ..
                }) => *lines |= 1 << line,
                _ => of_chip.push(Still {
                    chip,
                    what: What::Lines(1 << line),
                    in_reads,
                    moves_in,
                }),
            }
        }
        for still in &mut of_chip {
            if still.what == What::Lines(first.mask()) || dead(reads, still) {
                still.what = What::Chip;
            }
        }
        if of_chip.is_empty() {
            for line in 0..first.words().next_power_of_two().trailing_zeros() {
                if let Some((in_reads, moves_in)) = split(reads, |i| partners(i, line)) {
                    of_chip.push(Still {
                        chip,
                        what: What::Address(line as u8),
                        in_reads,
                        moves_in,
                    });
                }
            }
            // Of blank memory no address line moves. What most reads show moving is left to the vote.
            of_chip.retain(|s| !s.is_outvoted() && !dead(reads, s));
            if of_chip.len() > 1 {
                of_chip.clear();
            }
        }
        out.extend(of_chip);
    }
    out
}

/// Whether no line of the chip moves in those reads, the lines that carry nothing in the others included.
fn dead(reads: &[&ChipImage], still: &Still) -> bool {
    still
        .in_reads
        .iter()
        .all(|r| reads.get(*r).is_some_and(|image| image.is_blank()))
}

/// What of a chip moves in a good read and not in an odd one, in words.
pub(super) fn beside(
    chips: &[Vec<&ChipImage>],
    ids: &[&str],
    odd: usize,
    good: usize,
) -> Option<String> {
    let two: Vec<Vec<&ChipImage>> = chips.iter().map(|c| vec![c[odd], c[good]]).collect();
    let still: Vec<String> = find(&two)
        .iter()
        .filter(|s| s.in_reads == [0])
        .map(|s| s.words(ids.get(s.chip).copied().unwrap_or_default()))
        .collect();
    (!still.is_empty()).then(|| still.join(", "))
}

/// For each place at which a line could move, whether it does; nothing where the read does not know it.
type Moves = Vec<Option<bool>>;

/// Where a data line is not at the level it has most often.
fn levels(image: &ChipImage, line: u8) -> Moves {
    let bits: Vec<Option<bool>> = (0..image.words()).map(|c| image.bit(c, line)).collect();
    let ones = bits.iter().filter(|b| **b == Some(true)).count();
    let known = bits.iter().flatten().count();
    let rest = 2 * ones > known;
    bits.into_iter().map(|b| b.map(|b| b != rest)).collect()
}

/// Where a cell and its partner across an address line differ.
fn partners(image: &ChipImage, line: u32) -> Moves {
    let words = image.words();
    (0..words)
        .filter(|c| c >> line & 1 == 0 && c | 1 << line < words)
        .map(|c| {
            let (a, b) = (c as usize, (c | 1 << line) as usize);
            let both = image.known()[a] & image.known()[b];
            (both == image.mask()).then(|| image.values()[a] != image.values()[b])
        })
        .collect()
}

/// The reads in which a line is still and those in which it moves, where there are both and nothing in between.
fn split(
    reads: &[&ChipImage],
    moves: impl Fn(&ChipImage) -> Moves,
) -> Option<(Vec<usize>, Vec<usize>)> {
    let all: Vec<Moves> = reads.iter().map(|image| moves(image)).collect();
    let count = |m: &Moves| m.iter().filter(|b| **b == Some(true)).count() as u64;
    let counts: Vec<u64> = all.iter().map(count).collect();
    let top = counts.iter().copied().max().unwrap_or(0);
    if top < CONTENTS {
        return None;
    }
    let (mut still, mut lively) = (Vec::new(), Vec::new());
    for (read, (moves, n)) in all.iter().zip(&counts).enumerate() {
        if moves.iter().flatten().count() * 2 < moves.len() {
            continue;
        }
        if n * STILL <= top {
            still.push(read);
        } else if n * LIVELY >= top {
            lively.push(read);
        } else {
            return None;
        }
    }
    let contents = |read: &usize| all.get(*read).is_some_and(has_contents);
    let agree = |a: &usize, b: &usize| {
        let both = || {
            all[*a]
                .iter()
                .zip(&all[*b])
                .filter_map(|(x, y)| Some(((*x)?, (*y)?)))
        };
        let differ = both().filter(|(x, y)| x != y).count();
        // What is the more frequent level may be the other one where there are about as many of both.
        differ.min(both().count() - differ) as u64 * 2 <= top
    };
    let borne_out = match lively.as_slice() {
        [] => false,
        [one] => contents(one),
        [first, others @ ..] => contents(first) && others.iter().any(|o| agree(first, o)),
    };
    (borne_out && !still.is_empty()).then_some((still, lively))
}

/// Whether moves are too many for stray flips, or lie side by side as stray flips do not.
fn has_contents(moves: &Moves) -> bool {
    let known = moves.iter().flatten().count() as f64;
    let n = moves.iter().filter(|m| **m == Some(true)).count() as f64;
    let side_by_side = moves
        .windows(2)
        .filter(|w| matches!(w, [Some(true), Some(true)]))
        .count() as f64;
    n > ODD * known || side_by_side > 8.0 + 4.0 * n * n / known.max(1.0)
}
