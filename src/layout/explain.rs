//! Where a value lives, and who owns a bit, in words.

use schemars::JsonSchema;
use serde::Serialize;

use super::model::{Area, BitPlace, Coding, FieldOwner, Layout};
use super::owners::{Class, Owner, Owners};
use crate::document::Document;

/// One code bit and its place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct PlacedBit {
    /// The code bit, 0 the least significant.
    pub bit: u8,
    /// The chip's id.
    pub chip: String,
    /// The chip's own cell address.
    pub cell: u32,
    /// Data line, 0 is D0.
    pub line: u8,
    /// The cell holds the complement.
    pub inverted: bool,
}

/// Where one value lives.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ValuePlace {
    /// The area.
    pub area: String,
    /// The entry as labelled.
    pub entry: String,
    /// Key of the parameter or check.
    pub key: String,
    /// What it is: parameter or check.
    pub what: String,
    /// The panel's label; empty for a check.
    pub label: String,
    /// Name of the copy these bits are in; absent for the area itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copy: Option<String>,
    /// Its bits, the most significant first; characters of a text one after the other.
    pub bits: Vec<PlacedBit>,
}

/// Who owns one bit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct BitOwners {
    /// The chip's id.
    pub chip: String,
    /// The cell.
    pub cell: u32,
    /// The data line.
    pub line: u8,
    /// What the bit is: parameter, check, constant, reserved, mirror, absent or unknown.
    pub class: String,
    /// Its owners; several where an alias shows it too or a selector decides.
    pub owners: Vec<BitOwner>,
    /// Checks that count it in, each with the entry it belongs to.
    pub checks: Vec<String>,
}

/// One owner of a bit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct BitOwner {
    /// The area.
    pub area: String,
    /// The entry as labelled; absent where it belongs to the whole area.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entry: Option<String>,
    /// Key of the parameter or check; "constant" or "reserved".
    pub key: String,
    /// Bit of the value, 0 the least significant.
    pub bit: u8,
    /// Character of a text, from 0.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub character: Option<usize>,
    /// The cell holds the complement.
    pub inverted: bool,
    /// Name of the copy it is in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copy: Option<String>,
    /// The selector that decides whether it means this, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub when: Option<String>,
    /// True where it shows the bits of another parameter.
    pub alias: bool,
}

/// What `layout map --explain` answers.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Explained {
    /// The layout's id.
    pub layout: String,
    /// Where a value lives, one a home of it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub values: Vec<ValuePlace>,
    /// Who owns a bit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bit: Option<BitOwners>,
}

impl Document for Explained {
    const KIND: &'static str = "layout-explanation";
    const VERSION: u32 = 1;
}

fn placed(layout: &Layout, bit: u8, place: &BitPlace) -> PlacedBit {
    PlacedBit {
        bit,
        chip: chip_id(layout, place),
        cell: place.cell,
        line: place.line,
        inverted: place.inverted,
    }
}

fn chip_id(layout: &Layout, place: &BitPlace) -> String {
    layout
        .chips
        .get(usize::from(place.chip))
        .map_or_else(String::new, |c| c.id.clone())
}

/// Where fields of an entry live, in the area and in each copy of it.
fn homes(
    layout: &Layout,
    area: &Area,
    entry: usize,
    fields: std::ops::Range<usize>,
) -> Vec<(Option<String>, Vec<PlacedBit>)> {
    let sets = std::iter::once((None, &area.places)).chain(
        area.copies
            .iter()
            .map(|c| (Some(c.name.clone()), &c.places)),
    );
    sets.map(|(copy, places)| {
        let mut bits = Vec::new();
        for field in area.fields.get(fields.clone()).unwrap_or_default() {
            let at = entry * area.bits_per_entry + field.first;
            let here = places
                .get(at..at + usize::from(field.width))
                .unwrap_or_default();
            bits.extend(
                (0..64u8)
                    .zip(here)
                    .rev()
                    .map(|(bit, place)| placed(layout, bit, place)),
            );
        }
        (copy, bits)
    })
    .collect()
}

/// Where a parameter of an entry lives: in the area, then in each copy. Indices out of range give nothing.
pub fn parameter_places(
    layout: &Layout,
    area: usize,
    parameter: usize,
    entry: usize,
) -> Vec<ValuePlace> {
    let Some(a) = layout.areas.get(area) else {
        return Vec::new();
    };
    let Some(p) = a.parameters.get(parameter).filter(|_| entry < a.entries()) else {
        return Vec::new();
    };
    homes(layout, a, entry, p.fields.clone())
        .into_iter()
        .map(|(copy, bits)| ValuePlace {
            area: a.name.clone(),
            entry: a.entry_label(entry),
            key: p.key.clone(),
            what: "parameter".to_owned(),
            label: p.label.clone(),
            copy,
            bits,
        })
        .collect()
}

/// Where a check is stored: that of an entry, or the area's one.
pub fn check_places(layout: &Layout, area: usize, check: usize, entry: usize) -> Vec<ValuePlace> {
    let Some(a) = layout.areas.get(area) else {
        return Vec::new();
    };
    let Some(c) = a.checks.get(check) else {
        return Vec::new();
    };
    let value = |entry: String, copy, bits| ValuePlace {
        area: a.name.clone(),
        entry,
        key: c.key.clone(),
        what: "check".to_owned(),
        label: String::new(),
        copy,
        bits,
    };
    let field = a
        .fields
        .iter()
        .position(|f| f.owner == FieldOwner::Check(check));
    match field {
        Some(f) if entry < a.entries() => homes(layout, a, entry, f..f + 1)
            .into_iter()
            .map(|(copy, bits)| value(a.entry_label(entry), copy, bits))
            .collect(),
        Some(_) => Vec::new(),
        None => c
            .instances
            .iter()
            .map(|i| {
                let bits = (0..64u8)
                    .zip(&i.stored)
                    .rev()
                    .map(|(bit, p)| placed(layout, bit, p));
                value(format!("all of {}", a.name), None, bits.collect())
            })
            .collect(),
    }
}

/// Who owns a bit; `None` outside the chips.
pub fn bit_owners(
    layout: &Layout,
    owners: &Owners,
    chip: usize,
    cell: u32,
    line: u8,
) -> Option<BitOwners> {
    let c = layout.chips.get(chip)?;
    if cell >= c.words || line >= c.width {
        return None;
    }
    let claims = owners.of(chip, cell, line);
    let class = claims.first().map_or(Class::Unknown, |o| o.class(layout));
    Some(BitOwners {
        chip: c.id.clone(),
        cell,
        line,
        class: class.word().to_owned(),
        owners: claims.iter().filter_map(|o| owner(layout, o)).collect(),
        checks: counted_in(layout, chip, cell, line),
    })
}

fn owner(layout: &Layout, owner: &Owner) -> Option<BitOwner> {
    match *owner {
        Owner::Absent => None,
        Owner::AreaCheck { area, check, bit } => {
            let a = layout.areas.get(area)?;
            let c = a.checks.get(check)?;
            let place = c.instances.first()?.stored.get(usize::from(bit))?;
            Some(BitOwner {
                area: a.name.clone(),
                entry: None,
                key: c.key.clone(),
                bit,
                character: None,
                inverted: place.inverted,
                copy: None,
                when: None,
                alias: false,
            })
        }
        Owner::Field {
            area,
            entry,
            field,
            bit,
            copy,
        } => {
            let a = layout.areas.get(area)?;
            let f = a.fields.get(field)?;
            let places = match copy {
                Some(i) => &a.copies.get(i)?.places,
                None => &a.places,
            };
            let place = places.get(entry * a.bits_per_entry + f.first + usize::from(bit))?;
            let parameter = match f.owner {
                FieldOwner::Parameter(p) => a.parameters.get(p),
                _ => None,
            };
            let key = match f.owner {
                FieldOwner::Parameter(p) => a.parameters.get(p)?.key.clone(),
                FieldOwner::Check(c) => a.checks.get(c)?.key.clone(),
                FieldOwner::Constant(_) => "constant".to_owned(),
                FieldOwner::Reserved => "reserved".to_owned(),
            };
            Some(BitOwner {
                area: a.name.clone(),
                entry: Some(a.entry_label(entry)),
                key,
                bit,
                character: parameter
                    .filter(|p| matches!(p.coding, Coding::Text(_)))
                    .map(|p| field - p.fields.start),
                inverted: place.inverted,
                copy: copy.and_then(|i| a.copies.get(i)).map(|c| c.name.clone()),
                when: parameter.and_then(|p| condition(a, p)),
                alias: parameter.is_some_and(|p| p.alias_of.is_some()),
            })
        }
    }
}

/// "when kind is 2 or 3".
fn condition(area: &Area, parameter: &super::model::Parameter) -> Option<String> {
    let when = parameter.when.as_ref()?;
    let selector = area.parameters.get(when.parameter)?;
    let is: Vec<String> = when.is.iter().map(i64::to_string).collect();
    Some(format!("when {} is {}", selector.key, is.join(" or ")))
}

fn counted_in(layout: &Layout, chip: usize, cell: u32, line: u8) -> Vec<String> {
    let mut out = Vec::new();
    for area in &layout.areas {
        for check in &area.checks {
            for instance in &check.instances {
                let hit = instance
                    .words
                    .iter()
                    .flatten()
                    .any(|p| usize::from(p.chip) == chip && p.cell == cell && p.line == line);
                if hit {
                    let whose = match instance.entry {
                        Some(entry) => area.entry_label(entry),
                        None => format!("all of {}", area.name),
                    };
                    out.push(format!("{} ({whose})", check.key));
                }
            }
        }
    }
    out
}

/// Places in few words, the most significant bit first: `CH12:0x02d..0x028:0`, `IC1:0x025:7..4`, `!` where inverted.
pub fn runs(bits: &[PlacedBit]) -> String {
    let mut out: Vec<String> = Vec::new();
    let mut i = 0;
    while let Some(first) = bits.get(i) {
        let mut last = first;
        let mut along: Option<(i64, i64)> = None;
        let mut j = i + 1;
        while let Some(next) = bits.get(j) {
            let step = (
                i64::from(next.cell) - i64::from(last.cell),
                i64::from(next.line) - i64::from(last.line),
            );
            let fits = next.chip == first.chip
                && next.inverted == first.inverted
                && matches!(step, (0, 1 | -1) | (1 | -1, 0))
                && along.is_none_or(|a| a == step);
            if !fits {
                break;
            }
            along = Some(step);
            last = next;
            j += 1;
        }
        let mark = if first.inverted { "!" } else { "" };
        let cell = |c: u32| format!("{c:#05x}");
        let (cells, lines) = match along {
            Some((0, _)) => (cell(first.cell), format!("{}..{}", first.line, last.line)),
            Some(_) => (
                format!("{}..{}", cell(first.cell), cell(last.cell)),
                first.line.to_string(),
            ),
            None => (cell(first.cell), first.line.to_string()),
        };
        out.push(format!("{mark}{}:{cells}:{lines}", first.chip));
        i = j;
    }
    out.join(" ")
}
