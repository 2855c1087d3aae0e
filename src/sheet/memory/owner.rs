//! Whose each bit is, turned round from the layout: from a place in a chip to its owner.

use crate::layout::model::{BitPlace, FieldOwner, Layout};

/// What a bit is for, for colour and hatching.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(super) enum Kind {
    /// A parameter of an area.
    Parameter,
    /// A check of an area.
    Check,
    /// A constant.
    Constant,
    /// Claimed as meaning nothing known.
    Reserved,
    /// A second home of an area's bits.
    Copy,
    /// Tied off or not there.
    Absent,
    /// Not described by the layout.
    Unclaimed,
}

impl Kind {
    /// The word in the legend.
    pub(super) fn word(self) -> &'static str {
        match self {
            Kind::Parameter => "settings",
            Kind::Check => "checks",
            Kind::Constant => "constants",
            Kind::Reserved => "reserved",
            Kind::Copy => "mirrored copy",
            Kind::Absent => "not there, or tied off",
            Kind::Unclaimed => "not described",
        }
    }
}

/// The owner of a bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Owner {
    pub(super) kind: Kind,
    /// Index of the area; 0 where there is none.
    pub(super) area: u16,
    /// Index of the entry in its area.
    pub(super) entry: u32,
}

/// No owner known.
const NOBODY: Owner = Owner {
    kind: Kind::Unclaimed,
    area: 0,
    entry: 0,
};

/// The owners of every bit of every chip.
pub(super) struct Owners {
    /// By chip: one owner a bit, cell by cell, line 0 first.
    bits: Vec<Vec<Owner>>,
    widths: Vec<u8>,
}

impl Owners {
    pub(super) fn of(layout: &Layout) -> Self {
        let bits = layout
            .chips
            .iter()
            .map(|c| vec![NOBODY; c.words as usize * usize::from(c.width)])
            .collect();
        let mut owners = Self {
            bits,
            widths: layout.chips.iter().map(|c| c.width).collect(),
        };
        for (chip, cells, lines) in &layout.absent {
            for cell in cells.clone() {
                for line in (0..8).filter(|l| lines >> l & 1 == 1) {
                    let place = BitPlace {
                        chip: *chip,
                        cell,
                        line,
                        inverted: false,
                    };
                    owners.set(
                        place,
                        Owner {
                            kind: Kind::Absent,
                            ..NOBODY
                        },
                    );
                }
            }
        }
        for (a, area) in layout.areas.iter().enumerate() {
            let owner = |kind, entry: usize| Owner {
                kind,
                area: a as u16,
                entry: entry as u32,
            };
            for copy in &area.copies {
                for (i, place) in copy.places.iter().enumerate() {
                    owners.set(*place, owner(Kind::Copy, i / area.bits_per_entry.max(1)));
                }
            }
            for entry in 0..area.entries() {
                for (f, field) in area.fields.iter().enumerate() {
                    let kind = match field.owner {
                        FieldOwner::Parameter(_) => Kind::Parameter,
                        FieldOwner::Check(_) => Kind::Check,
                        FieldOwner::Constant(_) => Kind::Constant,
                        FieldOwner::Reserved => Kind::Reserved,
                    };
                    for place in area.field_places(entry, f) {
                        owners.set(*place, owner(kind, entry));
                    }
                }
            }
            for instance in area.checks.iter().flat_map(|c| &c.instances) {
                for place in &instance.stored {
                    owners.set(*place, owner(Kind::Check, instance.entry.unwrap_or(0)));
                }
            }
        }
        owners
    }

    fn set(&mut self, place: BitPlace, owner: Owner) {
        let chip = usize::from(place.chip);
        let width = usize::from(self.widths.get(chip).copied().unwrap_or(1));
        let bit = place.cell as usize * width + usize::from(place.line);
        if let Some(slot) = self.bits.get_mut(chip).and_then(|b| b.get_mut(bit)) {
            *slot = owner;
        }
    }

    /// The owner of a bit of a chip.
    pub(super) fn get(&self, chip: usize, cell: u32, line: u8) -> Owner {
        let width = usize::from(self.widths.get(chip).copied().unwrap_or(1));
        let bit = cell as usize * width + usize::from(line);
        let owner = self.bits.get(chip).and_then(|b| b.get(bit));
        owner.copied().unwrap_or(NOBODY)
    }
}
