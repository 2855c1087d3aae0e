//! A bank, perhaps edited by hand, put back onto the codes of a reading.
//!
//! Everything wrong is reported at once, and then nothing is applied.

use std::collections::{HashMap, HashSet};

use super::{Bank, BankArea, BankEntry, BankValue, Code, shown_codes};
use crate::blame::{Blame, Who};
use crate::codec::{Codes, low_mask, setting};
use crate::layout::model::{Area, BitPlace, Coding, Layout, Parameter};

/// One thing in a bank that cannot be put onto a reading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BankProblem {
    /// Where: area, entry and key as far as they are known.
    pub place: String,
    /// What is wrong and what was expected.
    pub says: String,
}

/// A bank that cannot be put onto a reading, with every reason.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ApplyError {
    /// The bank was decoded by another layout.
    #[error("the bank was decoded by layout {found}, the reading's layout is {expected}")]
    OtherLayout {
        /// Id in the bank.
        found: String,
        /// Id of the layout in use.
        expected: String,
    },
    /// Values that cannot be written.
    #[error("{} in the bank cannot be written:{}", count(.0.len()), each(.0))]
    Values(Vec<BankProblem>),
}

fn count(n: usize) -> String {
    if n == 1 {
        "1 value".to_owned()
    } else {
        format!("{n} values")
    }
}

fn each(problems: &[BankProblem]) -> String {
    problems
        .iter()
        .map(|p| format!("\n  {}: {}", p.place, p.says))
        .collect()
}

impl Blame for ApplyError {
    fn who(&self) -> Who {
        match self {
            ApplyError::OtherLayout { .. } => Who::Caller,
            ApplyError::Values(_) => Who::File,
        }
    }

    fn hint(&self) -> Option<String> {
        Some(match self {
            ApplyError::OtherLayout { expected, .. } => {
                format!(
                    "decode the reading by {expected} again, or name the bank's own layout with --layout"
                )
            }
            ApplyError::Values(_) => {
                "mend the bank file and run the command again; nothing was written".to_owned()
            }
        })
    }
}

/// What putting a bank onto codes came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Applied {
    /// How many values changed.
    pub changed: usize,
    /// Values of which the bank does not know all that the codes show.
    pub kept: Vec<Kept>,
    /// Bits that changed of values which the bank says were not simply read, with what it says: "mended".
    pub carried: Vec<(String, Vec<BitPlace>)>,
}

/// A value of which a bank does not know all that the reading shows: the reading's bits stay, and nobody has said that they
/// are right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    /// "area, entry: key".
    pub place: String,
    /// The bits that the reading shows and the bank does not know.
    pub bits: Vec<BitPlace>,
}

/// Puts a bank's values onto codes; what the bank leaves out stays.
///
/// A value may give its code, its setting, or both; where both are given they must agree, since the setting
/// is only a view of the code. Values marked as not applying, and bits marked as unknown, are left alone.
///
/// # Errors
/// With every problem at once; then nothing was changed.
pub fn apply(bank: &Bank, layout: &Layout, codes: &mut Codes) -> Result<Applied, ApplyError> {
    let writes = writes(bank, layout)?;
    let mut out = Applied::default();
    for write in &writes {
        let &Write {
            area: a,
            entry,
            field,
            code,
            known,
            origin,
        } = write;
        let area = &layout.areas[a];
        let (held, held_known) = codes.areas[a].get(entry, field);
        if held_known & !known != 0 {
            let key = area.parameters.iter().find(|p| p.fields.contains(&field));
            let key = key.map_or("", |p| p.key.as_str());
            let place = format!("{}, {}: {key}", area.name, area.entry_label(entry));
            let bits = bits_of(area, entry, field, held_known & !known);
            match out.kept.last_mut().filter(|last| last.place == place) {
                Some(last) => last.bits.extend(bits),
                None => out.kept.push(Kept {
                    place,
                    bits: bits.collect(),
                }),
            }
        }
        if (held, held_known) != (code, known) {
            out.changed += 1;
            if let Some(origin) = origin {
                let other = known & (!held_known | (held ^ code));
                let bits = bits_of(area, entry, field, other).collect();
                out.carried.push((origin.to_owned(), bits));
            }
            let merged = (held & !known) | (code & known);
            codes.areas[a].set_partly(entry, field, merged, held_known | known);
        }
    }
    if !out.kept.is_empty() {
        // Parameters may share bits: what one of them gives is known.
        let given = writes.iter().flat_map(|w| {
            let bits = bits_of(&layout.areas[w.area], w.entry, w.field, w.known);
            bits.map(|p| (p.chip, p.cell, p.line))
        });
        let given: HashSet<(u16, u32, u8)> = given.collect();
        for value in &mut out.kept {
            let open = |p: &BitPlace| !given.contains(&(p.chip, p.cell, p.line));
            value.bits.retain(open);
        }
        out.kept.retain(|value| !value.bits.is_empty());
    }
    Ok(out)
}

/// The places of the bits of a field that a mask has.
fn bits_of(
    area: &Area,
    entry: usize,
    field: usize,
    mask: u64,
) -> impl Iterator<Item = BitPlace> + '_ {
    let places = area.field_places(entry, field).iter().take(64).enumerate();
    places.filter_map(move |(k, p)| (mask >> k & 1 == 1).then_some(*p))
}

/// The bank in the order of its layout, whatever order a person left it in: every area, every entry, every parameter.
/// What the bank leaves out has neither code nor setting.
///
/// # Errors
/// As [`apply`]: with everything in it that no reading of the layout could take.
pub fn arranged(bank: &Bank, layout: &Layout) -> Result<Bank, ApplyError> {
    writes(bank, layout)?;
    let mut out = bank.clone();
    out.areas = layout
        .areas
        .iter()
        .map(|area| {
            let given = bank.areas.iter().find(|b| b.name == area.name);
            let by_labels: HashMap<&[String], &BankEntry> = given
                .iter()
                .flat_map(|b| &b.entries)
                .map(|e| (e.at.as_slice(), e))
                .collect();
            let entry = |e: usize| {
                let at = super::labels(area, e);
                let given = by_labels.get(at.as_slice());
                let value = |(p, parameter): (usize, &Parameter)| {
                    let values = given.map_or(&[][..], |e| &e.parameters);
                    // As a rule it stands where the layout has it.
                    let here = values.get(p).filter(|v| *v.key == *parameter.key);
                    let named = || values.iter().find(|v| *v.key == *parameter.key);
                    here.or_else(named).cloned().unwrap_or_else(|| BankValue {
                        key: parameter.key.as_str().into(),
                        code: None,
                        setting: None,
                        known: None,
                        origin: None,
                        applies: true,
                    })
                };
                BankEntry {
                    parameters: area.parameters.iter().enumerate().map(value).collect(),
                    at,
                }
            };
            BankArea {
                name: area.name.clone(),
                axes: area.axes.iter().map(|x| x.name.clone()).collect(),
                entries: (0..area.entries()).map(entry).collect(),
            }
        })
        .collect();
    Ok(out)
}

/// What a bank asks for of one field.
struct Write<'b> {
    area: usize,
    entry: usize,
    field: usize,
    code: u64,
    /// Mask of the bits that the bank knows.
    known: u64,
    /// What the bank says of where the value came from.
    origin: Option<&'b str>,
}

fn writes<'b>(bank: &'b Bank, layout: &Layout) -> Result<Vec<Write<'b>>, ApplyError> {
    if bank.layout.id != layout.id {
        return Err(ApplyError::OtherLayout {
            found: bank.layout.id.clone(),
            expected: layout.id.clone(),
        });
    }
    let mut problems = Vec::new();
    let mut writes: Vec<Write> = Vec::new();
    let mut problem = |place: &str, says: String| {
        problems.push(BankProblem {
            place: place.to_owned(),
            says,
        });
    };
    let mut areas = std::collections::BTreeSet::new();
    for bank_area in &bank.areas {
        let Some(a) = layout.areas.iter().position(|x| x.name == bank_area.name) else {
            let names: Vec<&str> = layout.areas.iter().map(|x| x.name.as_str()).collect();
            problem(
                &bank_area.name,
                format!("no such area; the layout has {}", names.join(", ")),
            );
            continue;
        };
        let area = &layout.areas[a];
        if !areas.insert(a) {
            problem(&area.name, "this area stands twice in the bank".to_owned());
            continue;
        }
        if !area.axes.iter().map(|x| &x.name).eq(&bank_area.axes) {
            let names: Vec<&str> = area.axes.iter().map(|x| x.name.as_str()).collect();
            problem(
                &area.name,
                format!(
                    "its entries are counted by {} in the bank, and by {} in the layout",
                    bank_area.axes.join(", "),
                    names.join(", ")
                ),
            );
            continue;
        }
        let positions: Vec<HashMap<&str, usize>> = area
            .axes
            .iter()
            .map(|x| (x.labels.iter().enumerate().map(|(i, l)| (l.as_str(), i))).collect())
            .collect();
        let entry_at = |labels: &[String]| {
            if labels.len() != positions.len() {
                return None;
            }
            let indices = positions.iter().zip(labels).map(|(p, l)| p.get(l.as_str()));
            area.entry(
                &indices
                    .map(Option::<&usize>::copied)
                    .collect::<Option<Vec<_>>>()?,
            )
        };
        let mut seen = std::collections::BTreeSet::new();
        for bank_entry in &bank_area.entries {
            let place = format!("{} {}", area.name, bank_entry.at.join("/"));
            let Some(entry) = entry_at(&bank_entry.at) else {
                problem(&place, "no such entry in the layout".to_owned());
                continue;
            };
            if !seen.insert(entry) {
                problem(&place, "this entry stands twice in the bank".to_owned());
                continue;
            }
            let mut keys = std::collections::BTreeSet::new();
            for value in &bank_entry.parameters {
                let place = format!("{place} {}", value.key);
                let Some(p) = area.parameter(&value.key) else {
                    problem(&place, "no such parameter in the layout".to_owned());
                    continue;
                };
                if !keys.insert(p) {
                    problem(
                        &place,
                        "this parameter stands twice in the entry".to_owned(),
                    );
                    continue;
                }
                if !value.applies {
                    continue;
                }
                let parameter = &area.parameters[p];
                match wanted(area, parameter, value) {
                    Err(says) => problem(&place, says),
                    Ok(all) => {
                        for (field, (code, known)) in parameter.fields.clone().zip(all) {
                            writes.push(Write {
                                area: a,
                                entry,
                                field,
                                code,
                                known,
                                origin: value.origin.as_deref(),
                            });
                        }
                    }
                }
            }
        }
    }
    match problems.is_empty() {
        true => Ok(writes),
        false => Err(ApplyError::Values(problems)),
    }
}

/// The code and known mask of each field a value asks for.
fn wanted(area: &Area, p: &Parameter, value: &BankValue) -> Result<Vec<(u64, u64)>, String> {
    let widths: Vec<u8> = p.fields.clone().map(|f| area.fields[f].width).collect();
    let codes: Vec<u64> = match (&value.code, &value.setting) {
        (None, None) => return Err("neither code nor setting is given".to_owned()),
        (None, Some(text)) => from_setting(p, &widths, text)?,
        (Some(code), text) => {
            let codes = code.all().to_vec();
            if codes.len() != widths.len() {
                return Err(format!(
                    "{} codes where {} are expected",
                    codes.len(),
                    widths.len()
                ));
            }
            for (code, &width) in codes.iter().zip(&widths) {
                if *code > low_mask(width) {
                    return Err(format!(
                        "code {code} does not fit {width} bits (0 to {})",
                        low_mask(width)
                    ));
                }
            }
            if let (Some(text), None) = (text, &value.known) {
                let reads = shown_codes(area, p, &codes);
                if **text != *reads {
                    return Err(format!(
                        "the code reads {reads:?} but the setting says {text:?}; change both, or leave one out"
                    ));
                }
            }
            codes
        }
    };
    let known: Vec<u64> = match &value.known {
        None => widths.iter().map(|&w| low_mask(w)).collect(),
        Some(mask) if mask.all().len() == widths.len() => mask.all().to_vec(),
        Some(Code::One(_) | Code::Text(_)) => {
            return Err("the mask of known bits has another length than the code".to_owned());
        }
    };
    Ok(codes.into_iter().zip(known).collect())
}

fn from_setting(p: &Parameter, widths: &[u8], text: &str) -> Result<Vec<u64>, String> {
    match &p.coding {
        Coding::Text(set) => {
            let width = widths.first().copied().unwrap_or(0);
            setting::parse_text(&p.key, set, width, widths.len(), text)
        }
        _ => setting::parse(p, widths.first().copied().unwrap_or(0), text).map(|code| vec![code]),
    }
    .map_err(|e| e.to_string())
}
