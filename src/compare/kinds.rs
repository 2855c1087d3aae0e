//! What kind of owner each bit has, quickly: for counting changes and mismatches.

use crate::layout::model::{FieldOwner, Layout};

/// The kind of a bit's owner.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Kind {
    /// No claim at all: kept bit for bit.
    Unknown,
    /// A parameter's.
    Parameter,
    /// A stored check's.
    Check,
    /// A declared constant's.
    Constant,
    /// Claimed as meaning nothing known.
    Reserved,
    /// A mirrored copy's.
    Copy,
    /// Does not exist, or is tied off.
    Absent,
}

/// The kind of every bit, chip by chip, at `cell * width + line`.
pub fn of(layout: &Layout) -> Vec<Vec<Kind>> {
    let mut kinds: Vec<Vec<Kind>> = layout
        .chips
        .iter()
        .map(|c| vec![Kind::Unknown; c.words as usize * usize::from(c.width)])
        .collect();
    let mut set = |chip: u16, cell: u32, line: u8, kind: Kind| {
        let chip = usize::from(chip);
        let Some(width) = layout.chips.get(chip).map(|c| usize::from(c.width)) else {
            return;
        };
        if let Some(at) = kinds[chip].get_mut(cell as usize * width + usize::from(line)) {
            *at = kind;
        }
    };
    for (chip, cells, lines) in &layout.absent {
        for cell in cells.clone() {
            for line in (0..8).filter(|l| lines >> l & 1 == 1) {
                set(*chip, cell, line, Kind::Absent);
            }
        }
    }
    for area in &layout.areas {
        for copy in &area.copies {
            for p in &copy.places {
                set(p.chip, p.cell, p.line, Kind::Copy);
            }
        }
        for check in &area.checks {
            for p in check.instances.iter().flat_map(|i| &i.stored) {
                set(p.chip, p.cell, p.line, Kind::Check);
            }
        }
        for (f, field) in area.fields.iter().enumerate() {
            let kind = match field.owner {
                FieldOwner::Parameter(_) => Kind::Parameter,
                FieldOwner::Check(_) => Kind::Check,
                FieldOwner::Constant(_) => Kind::Constant,
                FieldOwner::Reserved => Kind::Reserved,
            };
            for entry in 0..area.entries() {
                for p in area.field_places(entry, f) {
                    set(p.chip, p.cell, p.line, kind);
                }
            }
        }
    }
    kinds
}
