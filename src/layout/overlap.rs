//! Every bit has one owner across entries, areas, copies and what is absent.

use std::collections::HashMap;

use super::document::Document;
use super::model::{BitPlace, FieldOwner, Layout};
use super::owners::{Owner, each_claim};
use super::problem::{At, IDLE, Log, OVERLAP, Problem};
use super::resolve::Fields;

/// Reports bits with two owners, once for each pair of owners, and chips with none.
///
/// Second views of a bit inside an entry were judged there.
pub(super) fn check(document: &Document, layout: &Layout, fields: &[Fields], log: &mut Log) {
    let mut taken: Vec<Bits> = layout
        .chips
        .iter()
        .map(|c| Bits::new(c.words as usize * usize::from(c.width)))
        .collect();
    let mut twice: HashMap<(u16, u32, u8), Vec<Owner>> = HashMap::new();
    // The quick pass over places alone: nothing is remembered but which bits are taken.
    let mut take = |place: &BitPlace| -> bool {
        let Some(chip) = layout.chips.get(usize::from(place.chip)) else {
            return false;
        };
        let at = place.cell as usize * usize::from(chip.width) + usize::from(place.line);
        taken[usize::from(place.chip)].set(at)
    };
    for (area, written) in layout.areas.iter().zip(fields) {
        if area.bits_per_entry == 0 {
            continue;
        }
        let homes = std::iter::once(&area.places).chain(area.copies.iter().map(|c| &c.places));
        for places in homes {
            for entry in places.chunks(area.bits_per_entry) {
                for (place, owns) in entry.iter().zip(&written.owns) {
                    if *owns && take(place) && twice.len() < MAX_TWICE {
                        twice.insert((place.chip, place.cell, place.line), Vec::new());
                    }
                }
            }
        }
        let own = area
            .checks
            .iter()
            .flat_map(|c| &c.instances)
            .filter(|i| i.entry.is_none());
        for place in own.flat_map(|i| &i.stored) {
            if take(place) && twice.len() < MAX_TWICE {
                twice.insert((place.chip, place.cell, place.line), Vec::new());
            }
        }
    }
    for (chip, cells, lines) in &layout.absent {
        let width = layout.chips.get(usize::from(*chip)).map_or(0, |c| c.width);
        for cell in cells.clone() {
            for line in (0..width).filter(|l| lines & (1 << l) != 0) {
                let place = BitPlace {
                    chip: *chip,
                    cell,
                    line,
                    inverted: false,
                };
                // Absent twice is still absent once.
                let at = cell as usize * usize::from(width) + usize::from(line);
                let Some(bits) = taken.get(usize::from(*chip)) else {
                    continue;
                };
                if bits.get(at) && twice.len() < MAX_TWICE {
                    twice.insert((place.chip, place.cell, place.line), Vec::new());
                }
            }
        }
    }
    if !twice.is_empty() {
        name_them(document, layout, fields, twice, log);
    }
    for (chip, (written, bits)) in layout.chips.iter().zip(document.chips.iter().zip(&taken)) {
        if bits.none() {
            log.push(
                Problem::new(&IDLE, written.at, format!("chip {}", chip.id), format!("nothing claims any bit of {}", chip.id))
                    .repair("name the chip in an area's `chips`, describe what it holds, or waive this while it is unknown"),
            );
        }
    }
}

/// Enough examples to find every pair of owners in practice.
const MAX_TWICE: usize = 4096;

/// The slow pass: who owns the bits that were taken twice.
fn name_them(
    document: &Document,
    layout: &Layout,
    fields: &[Fields],
    mut twice: HashMap<(u16, u32, u8), Vec<Owner>>,
    log: &mut Log,
) {
    each_claim(layout, |place, owner| {
        if let Owner::Field {
            area, field, bit, ..
        } = owner
        {
            let first = layout.areas[area].fields[field].first;
            let written = fields.get(area);
            let own = written.and_then(|f| f.owns.get(first + usize::from(bit)));
            if own == Some(&false) {
                return;
            }
        }
        if let Some(owners) = twice.get_mut(&(place.chip, place.cell, place.line))
            && owners.len() < 4
        {
            owners.push(owner);
        }
    });
    let mut bits: Vec<_> = twice.into_iter().collect();
    bits.sort_unstable_by_key(|(bit, _)| *bit);
    let mut pairs: Vec<(String, usize)> = Vec::new();
    let mut seen: HashMap<String, usize> = HashMap::new();
    let mut found: Vec<Problem> = Vec::new();
    for ((chip, cell, line), owners) in bits {
        let [a, b, ..] = owners[..] else { continue };
        let (name_a, at_a) = describe(&a, (chip, cell, line), document, layout, fields);
        let (name_b, at_b) = describe(&b, (chip, cell, line), document, layout, fields);
        let key = format!("{at_a:?}{at_b:?}");
        if let Some(&i) = seen.get(&key) {
            pairs[i].1 += 1;
            continue;
        }
        seen.insert(key, pairs.len());
        let id = &layout.chips[usize::from(chip)].id;
        pairs.push((id.clone(), 1));
        found.push(
            Problem::new(
                &OVERLAP,
                at_b,
                subject(&b, layout),
                format!("{name_a} and {name_b} both own {id}:{cell:#05x}:{line}"),
            )
            .also(at_a, format!("{name_a} here"))
            .bit(format!("{id}:{cell:#05x}:{line}"))
            .repair(advice(&a, &b, document, layout)),
        );
    }
    for (mut problem, (_, count)) in found.into_iter().zip(pairs) {
        if count > 1 {
            problem.says += &format!(", and {} more bits", count - 1);
        }
        log.push(problem);
    }
}

fn subject(owner: &Owner, layout: &Layout) -> String {
    match *owner {
        Owner::Field { area, .. } | Owner::AreaCheck { area, .. } => {
            format!("area {}", layout.areas[area].name)
        }
        Owner::Absent => "absent".to_owned(),
    }
}

/// A claim in words, and where it is written.
fn describe(
    owner: &Owner,
    bit: (u16, u32, u8),
    document: &Document,
    layout: &Layout,
    fields: &[Fields],
) -> (String, At) {
    match *owner {
        Owner::Absent => (
            "an absent cell".to_owned(),
            absent_at(bit, document, layout),
        ),
        Owner::AreaCheck { area, check, .. } => {
            let a = &layout.areas[area];
            (
                format!("{} of {}", a.checks[check].key, a.name),
                document.areas[area].checks[check].stored_at,
            )
        }
        Owner::Field {
            area,
            entry,
            field,
            bit,
            copy,
        } => {
            let a = &layout.areas[area];
            let what = match a.fields[field].owner {
                FieldOwner::Parameter(p) => a.parameters[p].key.as_str(),
                FieldOwner::Check(c) => a.checks[c].key.as_str(),
                FieldOwner::Constant(_) => "a constant",
                FieldOwner::Reserved => "a reserved part",
            };
            let (copied, at) = match copy {
                Some(c) => (
                    format!(" in the copy {}", a.copies[c].name),
                    document.areas[area].copies[c].at,
                ),
                None => (String::new(), fields[area].at[field]),
            };
            (
                format!("{what} bit {bit} ({}){copied}", a.entry_label(entry)),
                at,
            )
        }
    }
}

/// Where a bit is said to be absent: in an `[[absent]]`, or by the chip itself.
fn absent_at((chip, cell, line): (u16, u32, u8), document: &Document, layout: &Layout) -> At {
    let Some(c) = layout.chips.get(usize::from(chip)) else {
        return At::default();
    };
    let said = document.absent.iter().find(|a| {
        let cells = a.cells.as_ref().map_or((0, u32::MAX), |r| r.value);
        let lines = a.lines.as_ref();
        a.chip.value == c.id
            && (cells.0..=cells.1).contains(&cell)
            && lines.is_none_or(|l| l.value.contains(&i64::from(line)))
    });
    said.map_or(document.chips[usize::from(chip)].at, |a| a.at)
}

/// What most likely makes two entries meet.
fn advice(a: &Owner, b: &Owner, document: &Document, layout: &Layout) -> String {
    if let (
        Owner::Field {
            area: x,
            entry: i,
            copy: None,
            ..
        },
        Owner::Field {
            area: y,
            entry: j,
            copy: None,
            ..
        },
    ) = (a, b)
    {
        if x == y && i != j {
            let area = &layout.areas[*x];
            let axes: Vec<&str> = area
                .axes
                .iter()
                .zip(area.indices(*i).iter().zip(area.indices(*j)))
                .filter(|(_, (p, q))| **p != *q)
                .map(|(axis, _)| axis.name.as_str())
                .collect();
            let still = document.areas[*x]
                .axes
                .iter()
                .any(|w| axes.contains(&w.name.as_str()) && w.stride == 0);
            return match still {
                true => format!(
                    "two positions of {} meet: give the axis a `stride`, or let a pin be driven by its counter",
                    axes.join(" and ")
                ),
                false => format!(
                    "two positions of {} meet: the stride is smaller than an entry, or a counter bit drives no pin",
                    axes.join(" and ")
                ),
            };
        }
        if x == y {
            return "two slots of one entry meet: see that every bit of slot and step that changes drives a pin".to_owned();
        }
        return format!(
            "the areas {} and {} meet: correct `at`, a stride or a count",
            layout.areas[*x].name, layout.areas[*y].name
        );
    }
    "correct `at`, the bits, or what is said to be absent".to_owned()
}

/// A set of bits.
struct Bits(Vec<u64>);

impl Bits {
    fn new(n: usize) -> Self {
        Self(vec![0; n.div_ceil(64)])
    }

    fn get(&self, i: usize) -> bool {
        self.0.get(i / 64).is_some_and(|w| w >> (i % 64) & 1 != 0)
    }

    /// Sets a bit; true where it was set before.
    fn set(&mut self, i: usize) -> bool {
        let Some(word) = self.0.get_mut(i / 64) else {
            return false;
        };
        let bit = 1u64 << (i % 64);
        let was = *word & bit != 0;
        *word |= bit;
        was
    }

    fn none(&self) -> bool {
        self.0.iter().all(|w| *w == 0)
    }
}
