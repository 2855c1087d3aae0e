//! What decoding notices.

use super::{BankCheck, Decoded, applies, failing_checks, shown};
use crate::codec::{Codes, Memory, setting};
use crate::finding::{Finding, Place, Severity};
use crate::layout::model::{Area, BitPlace, FieldOwner, Layout, Parameter, Policy};
use crate::reading::{MADE_TO_FIT, Reading};

/// What decoding notices: checks that fail, codes that are not legal, constants that differ, copies that differ.
pub fn findings(decoded: &Decoded<'_>) -> Vec<Finding> {
    let (layout, memory, codes) = (decoded.layout, &decoded.memory, &decoded.codes);
    let mut found = failed_checks(decoded);
    for (a, area) in layout.areas.iter().enumerate() {
        illegal_codes(area, codes, a, &mut found);
        constants(area, codes, a, &mut found);
        unknown(area, codes, a, &mut found);
        copies(area, memory, &mut found);
    }
    found.extend(made_to_fit(layout, &decoded.reading));
    found
}

/// The checks and copies that were made to agree with a value a person entered while mending. That they agree is no proof:
/// they would, whatever was entered. The reading has its chips in the layout's order.
pub fn made_to_fit(layout: &Layout, reading: &Reading) -> Vec<Finding> {
    let mut runs = reading.chips.iter().flat_map(|c| &c.provenance);
    if !runs.any(|r| r.origin.verb == MADE_TO_FIT) {
        return Vec::new();
    }
    let made = |places: &[BitPlace]| reading.ever(MADE_TO_FIT, places);
    let finding = |what: String, entries: Vec<String>| {
        let says = format!(
            "{what} made to fit what was entered by hand while mending: {}",
            listed(&entries)
        );
        Finding::new("check.made-to-fit", Severity::Caution, says)
            .at(Place {
                entries,
                ..Place::default()
            })
            .means("It agrees because it was made to, and would with any value entered there: it is no proof of these presets.")
            .act("Hold them against something else: another read, an earlier reading, or the sound itself.")
    };
    let mut found = Vec::new();
    for area in &layout.areas {
        for check in &area.checks {
            let of = check.instances.iter();
            let of = of.filter(|i| made(&i.stored));
            let entries: Vec<String> = of.map(|i| whose(area, i.entry)).collect();
            if !entries.is_empty() {
                found.push(finding(
                    format!("{}: check {} was", area.name, check.key),
                    entries,
                ));
            }
        }
        for copy in &area.copies {
            let mut entries: Vec<String> = Vec::new();
            let each = area.bits_per_entry.max(1);
            for (entry, places) in copy.places.chunks(each).enumerate() {
                if made(places) {
                    entries.push(area.entry_label(entry));
                }
            }
            if !entries.is_empty() {
                found.push(finding(
                    format!("{}: copy {} was", area.name, copy.name),
                    entries,
                ));
            }
        }
    }
    found
}

/// The entry that a check belongs to, in words.
fn whose(area: &Area, entry: Option<usize>) -> String {
    entry.map_or_else(|| format!("all of {}", area.name), |e| area.entry_label(e))
}

/// One finding a check, with every entry it fails in.
fn failed_checks(decoded: &Decoded<'_>) -> Vec<Finding> {
    let layout = decoded.layout;
    let mut found = Vec::new();
    let failing = failing_checks(decoded);
    for area in &layout.areas {
        for check in &area.checks {
            let own = |decided: bool| -> Vec<&BankCheck> {
                let is_it = |c: &&BankCheck| {
                    c.area == area.name && c.key == check.key && c.stored.is_some() == decided
                };
                failing.iter().filter(is_it).collect()
            };
            let whom = |c: &BankCheck| {
                c.entry
                    .clone()
                    .unwrap_or_else(|| format!("all of {}", area.name))
            };
            let place = |checks: &[&BankCheck]| Place {
                entries: checks.iter().map(|c| whom(c)).collect(),
                ..Place::default()
            };
            let of = check.instances.len();
            let failed = own(true);
            if let Some(first) = failed.first() {
                let says = format!(
                    "{}: check {} fails in {} of {of}: {}",
                    area.name,
                    check.key,
                    failed.len(),
                    listed(&place(&failed).entries),
                );
                let mut finding = Finding::new("check.mismatch", Severity::Damage, says)
                    .at(place(&failed))
                    .means("something the check covers, or the check itself, is not what the instrument wrote")
                    .act("read the chip again; if the reads agree, run examine");
                let (stored, computed) = (first.stored.unwrap_or(0), first.computed.unwrap_or(0));
                finding.evidence.push(format!(
                    "{}: stored {stored:#x}, its words ask for {computed:#x}",
                    whom(first)
                ));
                found.push(finding);
            }
            let undecided = own(false);
            if !undecided.is_empty() {
                let says = format!(
                    "{}: check {} covers unknown bits in {} of {of}: {}",
                    area.name,
                    check.key,
                    undecided.len(),
                    listed(&place(&undecided).entries),
                );
                found.push(
                    Finding::new("check.undecided", Severity::Caution, says).at(place(&undecided)),
                );
            }
        }
    }
    found
}

/// At most six names, and how many more.
fn listed(names: &[String]) -> String {
    const SHOWN: usize = 6;
    let shown = names
        .iter()
        .take(SHOWN)
        .cloned()
        .collect::<Vec<_>>()
        .join("; ");
    match names.len().checked_sub(SHOWN) {
        Some(more) if more > 0 => format!("{shown}; and {more} more"),
        _ => shown,
    }
}

fn illegal_codes(area: &Area, codes: &Codes, a: usize, found: &mut Vec<Finding>) {
    for (p, parameter) in area.parameters.iter().enumerate() {
        let mut entries = Vec::new();
        let mut example = String::new();
        for entry in 0..area.entries() {
            let illegal = parameter.fields.clone().any(|field| {
                codes.areas[a]
                    .code(entry, field)
                    .is_some_and(|code| !setting::legal(parameter, area.fields[field].width, code))
            });
            if illegal && applies(area, codes, a, entry, p) {
                if entries.is_empty() {
                    example = shown(area, codes, a, entry, p);
                }
                entries.push(area.entry_label(entry));
            }
        }
        if !entries.is_empty() {
            let says = format!(
                "{}: {} of {} entries hold a code that is not legal, first {}: {example}",
                parameter.key,
                entries.len(),
                area.entries(),
                entries[0],
            );
            found.push(
                Finding::new("code.illegal", Severity::Caution, says)
                    .at(Place {
                        entries,
                        parameters: vec![parameter.key.clone()],
                        ..Place::default()
                    })
                    .means("the panel cannot have produced it: damage, or a layout that is not quite right"),
            );
        }
    }
}

/// Values with bits that nobody knows: the reading lacks them, or reads did not agree.
fn unknown(area: &Area, codes: &Codes, a: usize, found: &mut Vec<Finding>) {
    let mut place = Place::default();
    let mut values = 0;
    for entry in 0..area.entries() {
        let lacking = |p: &&Parameter| {
            let whole = |field: usize| codes.areas[a].code(entry, field).is_some();
            !p.fields.clone().all(whole)
        };
        let mut here = 0;
        for parameter in area.parameters.iter().filter(lacking) {
            here += 1;
            if !place.parameters.contains(&parameter.key) {
                place.parameters.push(parameter.key.clone());
            }
        }
        if here > 0 {
            values += here;
            place.entries.push(area.entry_label(entry));
        }
    }
    if values > 0 {
        let whose = match place.entries.len() {
            n if n == area.entries() => "in every entry".to_owned(),
            n => format!(
                "in {n} of {} entries: {}",
                area.entries(),
                listed(&place.entries)
            ),
        };
        let says = format!(
            "{}: {values} values have unknown bits and read '?', {whose}",
            area.name
        );
        found.push(
            Finding::new("value.unknown", Severity::Caution, says)
                .at(place)
                .act("`cellkeep mend` says what they most likely were"),
        );
    }
}

fn constants(area: &Area, codes: &Codes, a: usize, found: &mut Vec<Finding>) {
    for (f, field) in area.fields.iter().enumerate() {
        let FieldOwner::Constant(value) = field.owner else {
            continue;
        };
        let wrong: Vec<usize> = (0..area.entries())
            .filter(|&e| codes.areas[a].code(e, f).is_some_and(|code| code != value))
            .collect();
        if let Some(&first) = wrong.first() {
            let (code, _) = codes.areas[a].get(first, f);
            let says = format!(
                "{}: a constant of {value:#x} differs in {} of {} entries, first {}: {code:#x}",
                area.name,
                wrong.len(),
                area.entries(),
                area.entry_label(first),
            );
            found.push(
                Finding::new("constant.differs", Severity::Caution, says).at(Place {
                    entries: wrong.iter().map(|&e| area.entry_label(e)).collect(),
                    ..Place::default()
                }),
            );
        }
    }
}

fn copies(area: &Area, memory: &Memory, found: &mut Vec<Finding>) {
    for copy in area.copies.iter().filter(|c| c.policy != Policy::Keep) {
        let mut entries: Vec<usize> = Vec::new();
        let mut bits = 0;
        for (i, (&original, &mirror)) in area.places.iter().zip(&copy.places).enumerate() {
            let (one, other) = (memory.bit(original), memory.bit(mirror));
            if one.is_some() && other.is_some() && one != other {
                bits += 1;
                let entry = i / area.bits_per_entry.max(1);
                if entries.last() != Some(&entry) {
                    entries.push(entry);
                }
            }
        }
        if bits > 0 {
            let says = format!(
                "{}: copy {} differs from the original in {bits} bits of {} entries",
                area.name,
                copy.name,
                entries.len(),
            );
            found.push(
                Finding::new("copy.differs", Severity::Damage, says).at(Place {
                    entries: entries.iter().map(|&e| area.entry_label(e)).collect(),
                    ..Place::default()
                }),
            );
        }
    }
}
