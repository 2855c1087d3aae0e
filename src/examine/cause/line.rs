//! Data lines: stuck at a level (SAF), or bridged to another line (BF, wired-AND or wired-OR).

use std::sync::Arc;

use super::{Cause, FAULT, Names, Scene, Shared, finding, otherwise, sample};
use crate::evidence::one_of;
use crate::finding::Finding;
use crate::image::ChipImage;

/// A fault of one chip's data lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line {
    /// A line always reads this level.
    Stuck {
        /// Index of the chip.
        chip: usize,
        /// The line.
        line: u8,
        /// The level it reads.
        level: bool,
    },
    /// Two lines read alike.
    Bridged {
        /// Index of the chip.
        chip: usize,
        /// The lines, lower first.
        lines: (u8, u8),
        /// True where a 0 on either pulls both down (wired-AND), false for wired-OR.
        low_wins: bool,
    },
}

impl Cause for Line {
    fn code(&self) -> &'static str {
        match self {
            Line::Stuck { .. } => "line.stuck",
            Line::Bridged { .. } => "line.bridged",
        }
    }

    fn length(&self, chips: &[ChipImage]) -> f64 {
        let all: usize = chips.iter().map(|c| usize::from(c.width())).sum();
        match self {
            // An open or dirty contact is the commonest of line faults (common practice, no source).
            Line::Stuck { .. } => FAULT - 1.0 + one_of(2 * all),
            Line::Bridged { chip, .. } => {
                let w = chips.get(*chip).map_or(1, |c| usize::from(c.width()));
                // Neighbouring pins or not: no prior is stated, since boards route lines in any order.
                FAULT + one_of(chips.len()) + one_of(w * (w - 1))
            }
        }
    }

    fn forward(&self, chips: &mut [ChipImage]) {
        match *self {
            Line::Stuck { chip, line, level } => {
                let Some(image) = chips.get_mut(chip) else {
                    return;
                };
                image.edit(|_, v, k| {
                    let m = 1 << line;
                    (if level { v | m } else { v & !m }, k | m)
                });
            }
            Line::Bridged {
                chip,
                lines: (a, b),
                low_wins,
            } => {
                let Some(image) = chips.get_mut(chip) else {
                    return;
                };
                image.edit(|_, v, k| {
                    let (m, both) = ((1u8 << a), (1u8 << a) | (1 << b));
                    let (va, vb) = (v >> a & 1, v >> b & 1);
                    let (ka, kb) = (k & m != 0, k & (1 << b) != 0);
                    let bit = match (ka, kb) {
                        (true, true) if low_wins => Some(va & vb),
                        (true, true) => Some(va | vb),
                        // An unknown partner is taken to go along.
                        (true, false) => Some(va),
                        (false, true) => Some(vb),
                        (false, false) => None,
                    };
                    match bit {
                        Some(1) => (v | both, k | both),
                        Some(_) => (v & !both, k | both),
                        None => (v & !both, k & !both),
                    }
                });
            }
        }
    }

    fn undo(&self, chips: &mut [ChipImage], plausible: bool) {
        match *self {
            Line::Stuck { chip, line, .. } => {
                let Some(image) = chips.get_mut(chip) else {
                    return;
                };
                image.edit(|_, v, k| (v & !(1 << line), k & !(1 << line)));
            }
            Line::Bridged {
                chip,
                lines: (a, b),
                low_wins,
            } => {
                let Some(image) = chips.get_mut(chip) else {
                    return;
                };
                image.edit(|_, v, k| {
                    let (ma, mb) = (1u8 << a, 1u8 << b);
                    let both = ma | mb;
                    let sure = if low_wins {
                        v & both == both
                    } else {
                        v & both == 0
                    };
                    if plausible {
                        (v & !mb, k & !mb)
                    } else if sure {
                        (v, k)
                    } else {
                        (v & !both, k & !both)
                    }
                });
            }
        }
    }

    fn guesses(&self) -> bool {
        matches!(self, Line::Bridged { .. })
    }

    fn reconcile(&self, truth: &mut [ChipImage], seen: &[ChipImage]) {
        let Line::Bridged {
            chip,
            lines: (a, b),
            low_wins,
        } = *self
        else {
            return;
        };
        let (Some(image), Some(seen)) = (truth.get_mut(chip), seen.get(chip)) else {
            return;
        };
        let both = (1u8 << a) | (1 << b);
        image.edit(|cell, v, k| {
            let c = cell as usize;
            let (s, known) = (seen.values()[c] & both, seen.known()[c] & both == both);
            // Both read 0 although both should hold 1 (or the other way): one of them was changed.
            if known && low_wins && s == 0 && v & both == both {
                (v & !(1 << a), k)
            } else if known && !low_wins && s == both && v & both == 0 {
                (v | 1 << a, k)
            } else {
                (v, k)
            }
        });
    }

    fn chips(&self) -> Vec<usize> {
        match self {
            Line::Stuck { chip, .. } | Line::Bridged { chip, .. } => vec![*chip],
        }
    }

    fn tell(&self, names: &Names) -> Finding {
        match *self {
            Line::Stuck { chip, line, level } => {
                let mut place = names.place(chip);
                place.data_lines = vec![line];
                let level = u8::from(level);
                let f = finding(
                    self.code(),
                    place,
                    format!("{}: data line D{line} reads {level} in every cell", names.of(chip)),
                )
                .means("That line's bits say nothing about the memory; the other lines can be trusted.")
                .act("Reseat the clip or socket and clean that pin, then read again. If it stays, measure the line for a short to a rail before suspecting the chip.")
                .read_again_first();
                otherwise(
                    f,
                    &[
                        "the pin is open and the reader's input rests at that level",
                        "the chip's own output is dead",
                    ],
                )
            }
            Line::Bridged {
                chip,
                lines: (a, b),
                low_wins,
            } => {
                let mut place = names.place(chip);
                place.data_lines = vec![a, b];
                let wins = if low_wins { 0 } else { 1 };
                let f = finding(
                    self.code(),
                    place,
                    format!(
                        "{}: data lines D{a} and D{b} always read alike, {wins} winning",
                        names.of(chip)
                    ),
                )
                .means("Where the two should differ, one of them is wrong; the rest can be trusted.")
                .act("Look for solder, leakage residue or a bent clip pin between the two lines, then read again.")
                .read_again_first();
                otherwise(f, &["a shorted buffer behind the two lines"])
            }
        }
    }
}

/// Share of dissenting cells above which a line does not look stuck or bridged at all.
const LOOSE: f64 = 0.05;

pub(super) fn propose(scene: &Scene, out: &mut Vec<Shared>) {
    for (chip, image) in scene.seen.iter().enumerate() {
        let width = image.width();
        let mut zeros = [0u32; 8];
        let mut ones = [0u32; 8];
        let mut differ = [[0u32; 8]; 8];
        let mut both = [[0u32; 8]; 8];
        for cell in sample(image.words()) {
            let (v, k) = (image.values()[cell as usize], image.known()[cell as usize]);
            for a in 0..width {
                if k >> a & 1 == 0 {
                    continue;
                }
                let va = v >> a & 1;
                ones[usize::from(a)] += u32::from(va);
                zeros[usize::from(a)] += u32::from(va ^ 1);
                for b in a + 1..width {
                    if k >> b & 1 == 1 {
                        both[usize::from(a)][usize::from(b)] += 1;
                        differ[usize::from(a)][usize::from(b)] += u32::from(va ^ (v >> b & 1));
                    }
                }
            }
        }
        for a in 0..width {
            let i = usize::from(a);
            let n = ones[i] + zeros[i];
            if n == 0 {
                continue;
            }
            for (level, against) in [(false, ones[i]), (true, zeros[i])] {
                if f64::from(against) <= LOOSE * f64::from(n) {
                    out.push(Arc::new(Line::Stuck {
                        chip,
                        line: a,
                        level,
                    }));
                }
            }
            for b in a + 1..width {
                let j = usize::from(b);
                let loose = LOOSE * f64::from(both[i][j]);
                if both[i][j] == 0 || f64::from(differ[i][j]) > loose {
                    continue;
                }
                for low_wins in [true, false] {
                    out.push(Arc::new(Line::Bridged {
                        chip,
                        lines: (a, b),
                        low_wins,
                    }));
                }
            }
        }
    }
}
