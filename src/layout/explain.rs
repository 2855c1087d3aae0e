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
                    .bits()
                    .iter()
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

/// Places in few words, the most significant bit first, ! where inverted: `IC1:0x025:7..4` is a run of lines,
/// `CH12:0x02d..0x028:0` a line along cells, `IC1:0x100..0x10b:7..0` several cells with all those lines.
pub fn runs(bits: &[PlacedBit]) -> String {
    let mut rows: Vec<Run<'_>> = Vec::new();
    for bit in bits {
        if rows.last_mut().is_none_or(|row| !row.take_line(bit)) {
            rows.push(Run::new(bit));
        }
    }
    let mut blocks: Vec<Run<'_>> = Vec::new();
    for row in rows {
        if blocks.last_mut().is_none_or(|block| !block.take_row(&row)) {
            blocks.push(row);
        }
    }
    let shown: Vec<String> = blocks.iter().map(Run::show).collect();
    shown.join(" ")
}

/// Bits that follow each other along lines, cells, or both.
struct Run<'b> {
    first: &'b PlacedBit,
    cells: (u32, u32),
    lines: (u8, u8),
}

impl<'b> Run<'b> {
    fn new(bit: &'b PlacedBit) -> Self {
        Self {
            first: bit,
            cells: (bit.cell, bit.cell),
            lines: (bit.line, bit.line),
        }
    }

    fn same_kind(&self, bit: &PlacedBit) -> bool {
        self.first.chip == bit.chip && self.first.inverted == bit.inverted
    }

    /// Takes the next line of the same cell.
    fn take_line(&mut self, bit: &PlacedBit) -> bool {
        let fits = self.same_kind(bit)
            && self.cells.1 == bit.cell
            && follows((self.lines.0.into(), self.lines.1.into()), bit.line.into());
        if fits {
            self.lines.1 = bit.line;
        }
        fits
    }

    /// Takes the same lines of the next cell.
    fn take_row(&mut self, row: &Run<'_>) -> bool {
        let fits = self.same_kind(row.first)
            && self.lines == row.lines
            && follows(
                (self.cells.0.into(), self.cells.1.into()),
                row.cells.0.into(),
            );
        if fits {
            self.cells.1 = row.cells.1;
        }
        fits
    }

    fn show(&self) -> String {
        let mark = if self.first.inverted { "!" } else { "" };
        let cells = match self.cells {
            (a, b) if a == b => format!("{a:#05x}"),
            (a, b) => format!("{a:#05x}..{b:#05x}"),
        };
        let lines = match self.lines {
            (a, b) if a == b => a.to_string(),
            (a, b) => format!("{a}..{b}"),
        };
        format!("{mark}{}:{cells}:{lines}", self.first.chip)
    }
}

/// True where `next` goes on from a run's first and last in the same direction by one.
fn follows((first, last): (i64, i64), next: i64) -> bool {
    let step = next - last;
    step.abs() == 1 && (first == last || (last - first).signum() == step)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bits(places: &[(u32, u8, bool)]) -> Vec<PlacedBit> {
        places
            .iter()
            .map(|&(cell, line, inverted)| PlacedBit {
                bit: 0,
                chip: "U1".to_owned(),
                cell,
                line,
                inverted,
            })
            .collect()
    }

    #[test]
    fn runs_go_on_in_one_direction() {
        let serial = bits(&[(9, 0, true), (8, 0, true), (7, 0, true), (8, 0, true)]);
        assert_eq!(runs(&serial), "!U1:0x009..0x007:0 !U1:0x008:0");
        let bytes = bits(&[
            (5, 7, false),
            (5, 6, false),
            (6, 7, false),
            (6, 6, false),
            (6, 5, false),
        ]);
        assert_eq!(runs(&bytes), "U1:0x005:7..6 U1:0x006:7..5");
        let text = bits(&[
            (5, 1, false),
            (5, 0, false),
            (6, 1, false),
            (6, 0, false),
            (7, 1, false),
            (7, 0, false),
        ]);
        assert_eq!(runs(&text), "U1:0x005..0x007:1..0");
        assert_eq!(runs(&[]), "");
    }
}
