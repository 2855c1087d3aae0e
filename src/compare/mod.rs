//! Two readings of one layout, compared in labelled terms.
//!
//! What changed is said by preset, voice and parameter, with the code and setting before and after and the
//! physical bits; and by chip and line. Presets that were moved, swapped or copied are recognised, so that a
//! re-sorted bank is not shown as a flood of changes. Bits the layout calls absent are left out.

mod groups;
mod render;
pub mod verify;

pub use render::{listing, sentence, unified};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::bank::{self, Code, Decoded, LayoutRef};
use crate::codec::coding;
use crate::document::Document;
use crate::layout::model::{Area, BitPlace, Coding, Parameter, Scale};
use crate::layout::owners::{Class, Classes};

/// Codes at most this far apart are a small step: a re-save of the same knob, not a new setting.
pub const SMALL_STEP: u64 = 2;

/// What changed between two readings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// The layout both were read by.
    pub layout: LayoutRef,
    /// Totals.
    pub totals: Totals,
    /// Presets that were moved, swapped, copied or blanked.
    pub moves: Vec<Move>,
    /// Areas with changes, in the order of the layout.
    pub areas: Vec<AreaChanges>,
    /// Chips with changed or incomparable bits.
    pub chips: Vec<ChipChanges>,
}

impl Document for Comparison {
    const KIND: &'static str = "comparison";
    const VERSION: u32 = 1;
}

impl Comparison {
    /// Whether nothing differs and everything could be compared.
    pub fn is_clean(&self) -> bool {
        self.totals.bits == 0 && self.totals.incomparable_bits == 0
    }
}

/// Totals of a comparison.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Totals {
    /// Entries with a changed parameter.
    pub entries: usize,
    /// Of those, entries explained by a move, swap, copy or blanking.
    pub explained_entries: usize,
    /// Changed parameters, in entries that no move explains.
    pub parameters: usize,
    /// Of those, small steps.
    pub small_steps: usize,
    /// Changed bits of any kind but absent.
    pub bits: u64,
    /// Of those, bits of parameters.
    pub parameter_bits: u64,
    /// Of those, bits of checks.
    pub check_bits: u64,
    /// Of those, bits of mirrored copies; records before 2026-11 counted them among the others.
    #[serde(default)]
    pub copy_bits: u64,
    /// Of those, bits that the layout gives no meaning: unknown, reserved, constants.
    pub other_bits: u64,
    /// Bits known in one reading but not in the other.
    pub incomparable_bits: u64,
    /// Bits known in neither reading, absent ones apart.
    #[serde(default)]
    pub unknown_bits: u64,
}

/// How an entry came to hold what it holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum MoveKind {
    /// It holds what the other held, and the other holds something else now.
    Moved,
    /// The two have exchanged contents.
    Swapped,
    /// It holds what the other held and still holds.
    Copied,
    /// It was emptied.
    Blanked,
}

/// A preset, or one voice of it, that holds what another held.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Move {
    /// What happened.
    pub kind: MoveKind,
    /// The areas it happened in.
    pub areas: Vec<String>,
    /// The place as a person names it: "preset 12".
    pub to: String,
    /// Where the contents were before; absent when blanked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<String>,
}

/// An area's changed entries.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AreaChanges {
    /// The area's name.
    pub name: String,
    /// Changed entries.
    pub entries: Vec<EntryChanges>,
}

/// One changed entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EntryChanges {
    /// Index of the entry in the area.
    pub entry: usize,
    /// The entry as a person names it.
    pub label: String,
    /// True when a move, swap, copy or blanking explains the whole entry.
    pub explained: bool,
    /// The changed parameters.
    pub parameters: Vec<ParameterChange>,
}

/// How far a parameter went.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Step {
    /// One or two codes: what re-saving an unmoved knob can do.
    Small,
    /// Further.
    Jump,
    /// Another position of a switch, or another text.
    Switched,
    /// Known in one reading only.
    Incomparable,
}

/// One side of a change.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Side {
    /// The code, or one a character; unknown bits read 0.
    pub code: Code,
    /// What a person reads; `?` where a bit is unknown, `-` where a selector gives the parameter no meaning.
    pub setting: String,
}

/// One changed parameter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ParameterChange {
    /// The parameter's key.
    pub key: String,
    /// What the panel says.
    pub label: String,
    /// Before.
    pub before: Side,
    /// After.
    pub after: Side,
    /// How far it went.
    pub step: Step,
    /// The difference in codes, for one-number parameters known on both sides.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<i64>,
    /// How the later reading came to its value, where it was not simply read: "mended", "entered by hand", "edited".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
    /// The physical bits that differ.
    pub bits: Vec<BitChange>,
}

impl ParameterChange {
    /// A side's code in digits, one number a character of a text; `?` where a bit of it is unknown.
    pub fn code_of(&self, side: &Side) -> String {
        if self.step == Step::Incomparable && side.setting == "?" {
            return "?".to_owned();
        }
        let codes: Vec<String> = side.code.all().iter().map(u64::to_string).collect();
        codes.join(" ")
    }
}

/// One physical bit that differs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BitChange {
    /// The chip's id.
    pub chip: String,
    /// The chip's own cell address.
    pub cell: u32,
    /// Data line, 0 is D0.
    pub line: u8,
    /// The cell's bit before, as it lies in the chip; absent when unknown.
    pub before: Option<bool>,
    /// The cell's bit after.
    pub after: Option<bool>,
}

/// What changed in one chip.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ChipChanges {
    /// The chip's id.
    pub chip: String,
    /// Changed bits by data line, D0 first.
    pub by_line: Vec<u64>,
    /// Cells with a changed bit.
    pub cells: u64,
    /// Bits compared: known in both and not absent.
    pub compared_bits: u64,
    /// Bits known in one reading only.
    pub incomparable_bits: u64,
}

/// Compares two decoded readings of the same layout, the first being the earlier.
///
/// # Panics
/// When they were decoded by layouts of another shape.
pub fn compare(before: &Decoded<'_>, after: &Decoded<'_>) -> Comparison {
    let layout = before.layout;
    let mut totals = Totals::default();
    let chips = chip_changes(before, after, &Classes::new(layout), &mut totals);
    let recognised = groups::recognise(before, after);
    let origins = bank::Origins::of(after);
    let mut areas = Vec::new();
    for (a, area) in layout.areas.iter().enumerate() {
        let mut entries = Vec::new();
        for entry in 0..area.entries() {
            let parameters: Vec<ParameterChange> = (0..area.parameters.len())
                .filter_map(|p| {
                    let change = parameter_change(before, after, a, entry, p)?;
                    let origin = origins.of_parameter(area, &area.parameters[p], entry);
                    Some(ParameterChange {
                        origin: origin.map(str::to_owned),
                        ..change
                    })
                })
                .collect();
            if parameters.is_empty() {
                continue;
            }
            let explained = recognised.explained.contains(&(a, entry));
            totals.entries += 1;
            if explained {
                totals.explained_entries += 1;
            } else {
                totals.parameters += parameters.len();
                let small = |c: &&ParameterChange| c.step == Step::Small;
                totals.small_steps += parameters.iter().filter(small).count();
            }
            entries.push(EntryChanges {
                entry,
                label: area.entry_label(entry),
                explained,
                parameters,
            });
        }
        if !entries.is_empty() {
            areas.push(AreaChanges {
                name: area.name.clone(),
                entries,
            });
        }
    }
    Comparison {
        layout: LayoutRef::of(layout),
        totals,
        moves: recognised.moves,
        areas,
        chips,
    }
}

fn chip_changes(
    before: &Decoded<'_>,
    after: &Decoded<'_>,
    classes: &Classes,
    totals: &mut Totals,
) -> Vec<ChipChanges> {
    let mut chips = Vec::new();
    for (c, chip) in before.layout.chips.iter().enumerate() {
        let (one, other) = (
            &before.reading.chips[c].image,
            &after.reading.chips[c].image,
        );
        let mut changes = ChipChanges {
            chip: chip.id.clone(),
            by_line: vec![0; usize::from(chip.width)],
            cells: 0,
            compared_bits: 0,
            incomparable_bits: 0,
        };
        for cell in 0..chip.words {
            let mut touched = false;
            for line in 0..chip.width {
                let class = classes.of(c, cell, line);
                if class == Some(Class::Absent) {
                    continue;
                }
                match (one.bit(cell, line), other.bit(cell, line)) {
                    (Some(x), Some(y)) => {
                        changes.compared_bits += 1;
                        if x != y {
                            touched = true;
                            changes.by_line[usize::from(line)] += 1;
                            totals.bits += 1;
                            match class {
                                Some(Class::Parameter) => totals.parameter_bits += 1,
                                Some(Class::Check) => totals.check_bits += 1,
                                Some(Class::Mirror) => totals.copy_bits += 1,
                                _ => totals.other_bits += 1,
                            }
                        }
                    }
                    (None, None) => totals.unknown_bits += 1,
                    _ => changes.incomparable_bits += 1,
                }
            }
            changes.cells += u64::from(touched);
        }
        totals.incomparable_bits += changes.incomparable_bits;
        if changes.cells > 0 || changes.incomparable_bits > 0 {
            chips.push(changes);
        }
    }
    chips
}

fn parameter_change(
    before: &Decoded<'_>,
    after: &Decoded<'_>,
    a: usize,
    entry: usize,
    p: usize,
) -> Option<ParameterChange> {
    let area = &before.layout.areas[a];
    let parameter = &area.parameters[p];
    let same = parameter.fields.clone().all(|field| {
        before.codes.areas[a].get(entry, field) == after.codes.areas[a].get(entry, field)
    });
    // An alias shows another parameter's bits: the change is told once, under the other's name.
    if same || parameter.alias_of.is_some() {
        return None;
    }
    let applied = bank::applies(area, &before.codes, a, entry, p)
        || bank::applies(area, &after.codes, a, entry, p);
    if !applied {
        return None;
    }
    let (step, by) = step(area, parameter, before, after, a, entry);
    Some(ParameterChange {
        key: parameter.key.clone(),
        label: parameter.label.clone(),
        before: side(before, area, a, entry, p),
        after: side(after, area, a, entry, p),
        step,
        by,
        origin: None,
        bits: bit_changes(before, after, area, entry, parameter),
    })
}

fn side(decoded: &Decoded<'_>, area: &Area, a: usize, entry: usize, p: usize) -> Side {
    let parameter = &area.parameters[p];
    let codes: Vec<u64> = parameter
        .fields
        .clone()
        .map(|field| decoded.codes.areas[a].get(entry, field).0)
        .collect();
    Side {
        code: match codes.as_slice() {
            [code] if !matches!(parameter.coding, Coding::Text(_)) => Code::One(*code),
            _ => Code::Text(codes),
        },
        setting: if bank::applies(area, &decoded.codes, a, entry, p) {
            bank::shown(area, &decoded.codes, a, entry, p)
        } else {
            "-".to_owned()
        },
    }
}

fn step(
    area: &Area,
    parameter: &Parameter,
    before: &Decoded<'_>,
    after: &Decoded<'_>,
    a: usize,
    entry: usize,
) -> (Step, Option<i64>) {
    let field = parameter.fields.start;
    let known = parameter.fields.clone().all(|f| {
        before.codes.areas[a].code(entry, f).is_some()
            && after.codes.areas[a].code(entry, f).is_some()
    });
    if !known {
        return (Step::Incomparable, None);
    }
    if matches!(parameter.coding, Coding::Text(_)) {
        return (Step::Switched, None);
    }
    let width = area.fields[field].width;
    let number = |d: &Decoded<'_>| {
        let (code, _) = d.codes.areas[a].get(entry, field);
        coding::number(&parameter.coding, width, code)
    };
    let by = number(before)
        .zip(number(after))
        .and_then(|(x, y)| y.checked_sub(x));
    let step = match (&parameter.scale, by) {
        (Scale::Steps(_) | Scale::OnOff, _) => Step::Switched,
        (_, Some(by)) if by.unsigned_abs() <= SMALL_STEP => Step::Small,
        _ => Step::Jump,
    };
    (step, by)
}

fn bit_changes(
    before: &Decoded<'_>,
    after: &Decoded<'_>,
    area: &Area,
    entry: usize,
    parameter: &Parameter,
) -> Vec<BitChange> {
    let mut bits = Vec::new();
    for field in parameter.fields.clone() {
        // Most significant first, as codes are written.
        for &place in area.field_places(entry, field).iter().rev() {
            let (x, y) = (cell_bit(before, place), cell_bit(after, place));
            if x != y {
                bits.push(BitChange {
                    chip: before.layout.chips[usize::from(place.chip)].id.clone(),
                    cell: place.cell,
                    line: place.line,
                    before: x,
                    after: y,
                });
            }
        }
    }
    bits
}

/// The bit as it lies in the chip, not inverted.
fn cell_bit(decoded: &Decoded<'_>, place: BitPlace) -> Option<bool> {
    let chip = decoded.reading.chips.get(usize::from(place.chip))?;
    chip.image.bit(place.cell, place.line)
}
