//! Single changes to the structure of an area: where it starts, its steps, the order along its axes, its pins.

use super::{Evidence, Tally, Unproved};
use crate::codec::{Memory, setting};
use crate::layout::model::{Area, BitPlace};

/// A change to where things are.
enum Change {
    /// Every cell further on.
    Start(i64),
    /// Cells further on for each step along an axis.
    Step(usize, i64),
    /// Two neighbours along an axis exchanged.
    Exchange(usize, usize),
    /// An address line of a chip inverted.
    AddressTurned(u16, u32),
    /// Two address lines of a chip exchanged.
    AddressSwapped(u16, u32, u32),
    /// A data line of a chip inverted.
    DataTurned(u16, u8),
    /// Two data lines of a chip exchanged.
    DataSwapped(u16, u8, u8),
}

/// Tries every change to the structure of an area.
pub(super) fn structure(evidence: &Evidence, a: usize) -> Unproved {
    let area = &evidence.layout.areas[a];
    let mut row = Unproved::new(area, "(structure)");
    for change in changes(evidence, area) {
        let noticed = notices(evidence, a, &change);
        row.change(noticed, || change.says(evidence, area));
    }
    row
}

fn changes(evidence: &Evidence, area: &Area) -> Vec<Change> {
    let mut out = vec![Change::Start(-1), Change::Start(1)];
    for (x, axis) in area.axes.iter().enumerate() {
        if axis.count() > 1 {
            out.extend([Change::Step(x, -1), Change::Step(x, 1)]);
            out.extend((1..axis.count()).map(|i| Change::Exchange(x, i)));
        }
    }
    let mut chips: Vec<u16> = area.places.iter().map(|p| p.chip).collect();
    chips.sort_unstable();
    chips.dedup();
    for c in chips {
        let chip = &evidence.layout.chips[usize::from(c)];
        let lines = chip.words.next_power_of_two().trailing_zeros();
        out.extend((0..lines).map(|l| Change::AddressTurned(c, l)));
        let pairs = |n: u32| (0..n).flat_map(|i| (0..i).map(move |j| (j, i)));
        out.extend(pairs(lines).map(|(i, j)| Change::AddressSwapped(c, i, j)));
        out.extend((0..chip.width).map(|l| Change::DataTurned(c, l)));
        out.extend(
            pairs(u32::from(chip.width)).map(|(i, j)| Change::DataSwapped(c, i as u8, j as u8)),
        );
    }
    out
}

impl Change {
    fn says(&self, evidence: &Evidence, area: &Area) -> String {
        let id = |c: &u16| &evidence.layout.chips[usize::from(*c)].id;
        match self {
            Change::Start(by) => format!("the area starts {by:+} cell"),
            Change::Step(x, by) => {
                format!("{by:+} cell from one {} to the next", area.axes[*x].name)
            }
            Change::Exchange(x, i) => {
                let axis = &area.axes[*x];
                format!(
                    "{} {} and {} exchanged",
                    axis.name,
                    axis.labels[i - 1],
                    axis.labels[*i]
                )
            }
            Change::AddressTurned(c, l) => format!("A{l} of {} inverted", id(c)),
            Change::AddressSwapped(c, i, j) => format!("A{i} and A{j} of {} exchanged", id(c)),
            Change::DataTurned(c, l) => format!("D{l} of {} inverted", id(c)),
            Change::DataSwapped(c, i, j) => format!("D{i} and D{j} of {} exchanged", id(c)),
        }
    }

    /// The entry that an entry becomes.
    fn entry(&self, area: &Area, entry: usize) -> usize {
        let Change::Exchange(x, i) = self else {
            return entry;
        };
        let mut at = area.indices(entry);
        if at[*x] == *i {
            at[*x] -= 1;
        } else if at[*x] == i - 1 {
            at[*x] += 1;
        }
        area.entry(&at).unwrap_or(entry)
    }

    /// The bit that a place of an entry becomes; `None` outside the chip.
    fn bit(
        &self,
        evidence: &Evidence,
        memory: &Memory,
        at: &[usize],
        mut place: BitPlace,
    ) -> Option<bool> {
        let words = i64::from(evidence.layout.chips[usize::from(place.chip)].words);
        let shift = |cell: u32, by: i64| {
            let cell = i64::from(cell) + by;
            (0..words).contains(&cell).then_some(cell as u32)
        };
        let swap = |v: u32, i: u32, j: u32| {
            if (v >> i ^ v >> j) & 1 == 1 {
                v ^ (1 << i | 1 << j)
            } else {
                v
            }
        };
        match self {
            Change::Start(by) => place.cell = shift(place.cell, *by)?,
            Change::Step(x, by) => place.cell = shift(place.cell, by * at[*x] as i64)?,
            Change::Exchange(..) => {}
            Change::AddressTurned(c, l) if *c == place.chip => {
                place.cell = shift(place.cell ^ 1 << l, 0)?;
            }
            Change::AddressSwapped(c, i, j) if *c == place.chip => {
                place.cell = shift(swap(place.cell, *i, *j), 0)?;
            }
            Change::DataTurned(c, l) if (*c, *l) == (place.chip, place.line) => {
                place.inverted = !place.inverted;
            }
            Change::DataSwapped(c, i, j) if *c == place.chip => {
                if place.line == *i {
                    place.line = *j;
                } else if place.line == *j {
                    place.line = *i;
                }
            }
            _ => {}
        }
        memory.bit(place)
    }

    /// A code as the changed layout would read it; `None` where a bit is unknown or outside.
    fn code(
        &self,
        evidence: &Evidence,
        memory: &Memory,
        at: &[usize],
        places: &[BitPlace],
    ) -> Option<u64> {
        places.iter().enumerate().try_fold(0, |code, (k, p)| {
            Some(code | u64::from(self.bit(evidence, memory, at, *p)?) << k)
        })
    }
}

/// Whether a change would be noticed: by what was dialled, by a check that no longer holds, or by illegal codes.
fn notices(evidence: &Evidence, a: usize, change: &Change) -> bool {
    let area = &evidence.layout.areas[a];
    if dialled(evidence, a, change) || checks(evidence, a, change) {
        return true;
    }
    if evidence.plan.is_some() && evidence.dialled[a].iter().any(|d| !d.is_empty()) {
        return false;
    }
    evidence.memories.iter().any(|m| {
        (0..area.entries()).any(|entry| {
            let other = change.entry(area, entry);
            let at = area.indices(other);
            area.parameters.iter().any(|p| {
                p.fields.clone().any(|f| {
                    let width = area.fields[f].width;
                    let (code, known) = m.gather(area.field_places(entry, f));
                    known.count_ones() == u32::from(width)
                        && setting::legal(p, width, code)
                        && change
                            .code(evidence, m, &at, area.field_places(other, f))
                            .is_some_and(|c| !setting::legal(p, width, c))
                })
            })
        })
    })
}

fn dialled(evidence: &Evidence, a: usize, change: &Change) -> bool {
    let area = &evidence.layout.areas[a];
    let mut tally = Tally::default();
    for d in evidence.dialled[a].iter().flatten() {
        let m = &evidence.memories[d.memory];
        let places = area.field_places(d.entry, d.field);
        let (code, known) = m.gather(places);
        if (known.count_ones() as usize) < places.len() {
            continue;
        }
        let other = change.entry(area, d.entry);
        let at = area.indices(other);
        let is = change.code(evidence, m, &at, area.field_places(other, d.field));
        // Outside the chip it reads as nothing.
        tally.count(d.setting, code == d.want, is == Some(d.want));
    }
    tally.shows()
}

/// A check of an entry that holds and would not.
fn checks(evidence: &Evidence, a: usize, change: &Change) -> bool {
    let area = &evidence.layout.areas[a];
    evidence.memories.iter().any(|m| {
        area.checks.iter().any(|check| {
            check.instances.iter().any(|instance| {
                let Some(entry) = instance.entry else {
                    return false;
                };
                use crate::codec::checks::{Verdict, compute_over, verdict};
                if verdict(check, instance, m) != Verdict::Holds {
                    return false;
                }
                let at = area.indices(change.entry(area, entry));
                let code = |places: &[BitPlace]| change.code(evidence, m, &at, places);
                let words: Option<Vec<(u64, u8)>> = instance
                    .words
                    .iter()
                    .map(|w| Some((code(w)?, w.len().min(64) as u8)))
                    .collect();
                let (Some(words), Some(stored)) = (words, code(&instance.stored)) else {
                    return false;
                };
                compute_over(&check.method, check.width, &words).is_some_and(|c| c != stored)
            })
        })
    })
}
