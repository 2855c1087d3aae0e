//! Who owns a bit: the inverse of the places, and what every chip's bits add up to.

use schemars::JsonSchema;
use serde::Serialize;

use super::model::{BitPlace, FieldOwner, Layout};

/// What a bit of a chip is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Class {
    /// Nobody claims it; it is kept as it is.
    Unknown,
    /// A parameter's.
    Parameter,
    /// A check's.
    Check,
    /// A constant's.
    Constant,
    /// Known to mean nothing.
    Reserved,
    /// In a copy of an area.
    Mirror,
    /// It does not exist.
    Absent,
}

impl Class {
    /// The word used in listings.
    pub fn word(self) -> &'static str {
        match self {
            Class::Unknown => "unknown",
            Class::Parameter => "parameter",
            Class::Check => "check",
            Class::Constant => "constant",
            Class::Reserved => "reserved",
            Class::Mirror => "mirror",
            Class::Absent => "absent",
        }
    }
}

/// One claim on a bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Owner {
    /// A bit of a field of an entry.
    Field {
        /// Index of the area.
        area: usize,
        /// Index of the entry.
        entry: usize,
        /// Index of the field.
        field: usize,
        /// Bit of the field, 0 the least significant.
        bit: u8,
        /// Index of the copy it is in; `None` for the area itself.
        copy: Option<usize>,
    },
    /// A bit of a check that covers a whole area.
    AreaCheck {
        /// Index of the area.
        area: usize,
        /// Index of the check.
        check: usize,
        /// Bit of the check.
        bit: u8,
    },
    /// The bit does not exist.
    Absent,
}

/// Numbers of bits of one chip by what they are; they add up to the chip's bits.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Coverage {
    /// The chip's id.
    pub chip: String,
    /// All its bits: words × width.
    pub bits: u64,
    /// Bits of parameters.
    pub parameter: u64,
    /// Bits of checks.
    pub check: u64,
    /// Bits of constants.
    pub constant: u64,
    /// Bits known to mean nothing.
    pub reserved: u64,
    /// Bits of copies.
    pub mirror: u64,
    /// Bits that do not exist.
    pub absent: u64,
    /// Bits nobody claims.
    pub unknown: u64,
}

impl Coverage {
    /// The sum of all classes, which is [`Coverage::bits`].
    pub fn total(&self) -> u64 {
        self.parameter
            + self.check
            + self.constant
            + self.reserved
            + self.mirror
            + self.absent
            + self.unknown
    }
}

/// Every claim of a layout, in order: areas with their copies and checks, then what is absent.
pub(super) fn each_claim(layout: &Layout, mut claim: impl FnMut(&BitPlace, Owner)) {
    for (a, area) in layout.areas.iter().enumerate() {
        let homes = std::iter::once((None, &area.places)).chain(
            area.copies
                .iter()
                .enumerate()
                .map(|(i, c)| (Some(i), &c.places)),
        );
        for (copy, places) in homes {
            if area.bits_per_entry == 0 || places.is_empty() {
                continue;
            }
            for (entry, bits) in places.chunks(area.bits_per_entry).enumerate() {
                for (f, field) in area.fields.iter().enumerate() {
                    let end = field.first + usize::from(field.width);
                    let here = bits.get(field.first..end).unwrap_or_default();
                    for (bit, place) in (0u8..).zip(here) {
                        let owner = Owner::Field {
                            area: a,
                            entry,
                            field: f,
                            bit,
                            copy,
                        };
                        claim(place, owner);
                    }
                }
            }
        }
        for (c, check) in area.checks.iter().enumerate() {
            for instance in check.instances.iter().filter(|i| i.entry.is_none()) {
                for (bit, place) in (0u8..).zip(&instance.stored) {
                    claim(
                        place,
                        Owner::AreaCheck {
                            area: a,
                            check: c,
                            bit,
                        },
                    );
                }
            }
        }
    }
    for (chip, cells, lines) in &layout.absent {
        for cell in cells.clone() {
            for line in (0..8).filter(|l| lines & (1 << l) != 0) {
                let place = BitPlace {
                    chip: *chip,
                    cell,
                    line,
                    inverted: false,
                };
                claim(&place, Owner::Absent);
            }
        }
    }
}

impl Owner {
    /// What kind of bit it makes.
    pub fn class(&self, layout: &Layout) -> Class {
        match *self {
            Owner::Field { copy: Some(_), .. } => Class::Mirror,
            Owner::Field { area, field, .. } => {
                let owner = layout
                    .areas
                    .get(area)
                    .and_then(|a| a.fields.get(field))
                    .map(|f| f.owner);
                match owner {
                    Some(FieldOwner::Parameter(_)) => Class::Parameter,
                    Some(FieldOwner::Check(_)) => Class::Check,
                    Some(FieldOwner::Constant(_)) => Class::Constant,
                    Some(FieldOwner::Reserved) => Class::Reserved,
                    None => Class::Unknown,
                }
            }
            Owner::AreaCheck { .. } => Class::Check,
            Owner::Absent => Class::Absent,
        }
    }
}

/// What every bit of every chip is.
#[derive(Clone, Debug)]
pub struct Classes {
    chips: Vec<(u8, Vec<Class>)>,
}

impl Classes {
    /// Sorts out the bits of a layout.
    pub fn new(layout: &Layout) -> Self {
        let mut chips: Vec<(u8, Vec<Class>)> = layout
            .chips
            .iter()
            .map(|c| {
                let bits = c.words as usize * usize::from(c.width);
                (c.width, vec![Class::Unknown; bits])
            })
            .collect();
        each_claim(layout, |place, owner| {
            let class = owner.class(layout);
            if let Some((width, bits)) = chips.get_mut(usize::from(place.chip)) {
                let at = place.cell as usize * usize::from(*width) + usize::from(place.line);
                // A bit that two show is a parameter's with its alias, or two exclusive parameters': one class.
                if let Some(bit) = bits.get_mut(at).filter(|b| **b == Class::Unknown) {
                    *bit = class;
                }
            }
        });
        Self { chips }
    }

    /// What a bit is; `None` outside the chips.
    pub fn of(&self, chip: usize, cell: u32, line: u8) -> Option<Class> {
        let (width, bits) = self.chips.get(chip)?;
        if line >= *width {
            return None;
        }
        bits.get(cell as usize * usize::from(*width) + usize::from(line))
            .copied()
    }
}

/// What each chip's bits add up to.
pub fn coverage(layout: &Layout) -> Vec<Coverage> {
    let classes = Classes::new(layout);
    layout
        .chips
        .iter()
        .zip(&classes.chips)
        .map(|(chip, (_, bits))| {
            let mut out = Coverage {
                chip: chip.id.clone(),
                bits: bits.len() as u64,
                ..Coverage::default()
            };
            for class in bits {
                *match class {
                    Class::Unknown => &mut out.unknown,
                    Class::Parameter => &mut out.parameter,
                    Class::Check => &mut out.check,
                    Class::Constant => &mut out.constant,
                    Class::Reserved => &mut out.reserved,
                    Class::Mirror => &mut out.mirror,
                    Class::Absent => &mut out.absent,
                } += 1;
            }
            out
        })
        .collect()
}

/// Who owns each bit of the chips, for asking many times.
#[derive(Clone, Debug)]
pub struct Owners {
    /// For each chip its width and, for each bit, a range of `claims`.
    chips: Vec<(u8, Vec<u32>)>,
    claims: Vec<Owner>,
}

impl Owners {
    /// Turns the places of a layout round.
    pub fn new(layout: &Layout) -> Self {
        // Counting sort by bit: starts[i]..starts[i + 1] are the claims on bit i.
        let mut chips: Vec<(u8, Vec<u32>)> = layout
            .chips
            .iter()
            .map(|c| {
                let bits = c.words as usize * usize::from(c.width);
                (c.width, vec![0; bits + 1])
            })
            .collect();
        let slot = |chips: &[(u8, Vec<u32>)], place: &BitPlace| -> Option<(usize, usize)> {
            let (width, starts) = chips.get(usize::from(place.chip))?;
            let at = place.cell as usize * usize::from(*width) + usize::from(place.line);
            (place.line < *width && at + 1 < starts.len()).then_some((usize::from(place.chip), at))
        };
        each_claim(layout, |place, _| {
            if let Some((chip, at)) = slot(&chips, place) {
                chips[chip].1[at] += 1;
            }
        });
        let mut total = 0;
        for (_, starts) in &mut chips {
            for start in starts.iter_mut() {
                let n = *start;
                *start = total;
                total += n;
            }
        }
        let mut next = chips.clone();
        let mut claims = vec![Owner::Absent; total as usize];
        each_claim(layout, |place, owner| {
            if let Some((chip, at)) = slot(&chips, place) {
                let position = &mut next[chip].1[at];
                if let Some(claim) = claims.get_mut(*position as usize) {
                    *claim = owner;
                }
                *position += 1;
            }
        });
        Self { chips, claims }
    }

    /// The claims on a bit: none where it is unknown or outside, several where parameters share it.
    pub fn of(&self, chip: usize, cell: u32, line: u8) -> &[Owner] {
        let range = self.chips.get(chip).and_then(|(width, starts)| {
            let at = cell as usize * usize::from(*width) + usize::from(line);
            let (a, b) = (starts.get(at)?, starts.get(at + 1)?);
            (line < *width).then_some(*a as usize..*b as usize)
        });
        range.and_then(|r| self.claims.get(r)).unwrap_or_default()
    }
}
