//! What a layout says about its bits, prepared once for telling readings.

use std::borrow::Cow;

use crate::codec::setting::{blank_code, legal};
use crate::layout::model::{Area, FieldOwner, Layout, Policy};

/// What a field is, to the model of plausible banks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A parameter's value, by its index.
    Value(usize),
    /// Must hold this code.
    Constant(u64),
    /// Means nothing known.
    Reserved,
    /// Told elsewhere: a check, an alias, bits that another field told first.
    Skipped,
}

/// One field.
#[derive(Clone, Debug)]
pub(crate) struct FieldShape {
    pub kind: Kind,
    pub width: u8,
    /// Which codes are legal, for widths up to [`TABLED`]; every code is where it is absent.
    pub legal: Option<Vec<bool>>,
    /// Number of legal codes.
    pub legal_codes: f64,
    /// Whether the value comes from a converter behind a knob or slider.
    pub knob: bool,
    /// A bit that tells nothing, since the converter never moves it.
    pub still: Option<u8>,
    /// The layout's code of a blank entry.
    pub blank: Option<u64>,
    /// What is written where an entry is emptied: the blank code, or the lowest setting.
    pub empty: u64,
}

/// Widest field whose legal codes are tabled.
const TABLED: u8 = 12;

impl FieldShape {
    /// The field with one bit, from the top, that tells nothing: where the converter's own code is stored.
    pub(crate) fn with_still(&self, from_top: Option<u8>) -> Cow<'_, Self> {
        match from_top {
            Some(t) if self.knob && self.legal.is_none() && self.width > t => Cow::Owned(Self {
                still: Some(self.width - 1 - t),
                legal_codes: self.legal_codes / 2.0,
                ..self.clone()
            }),
            _ => Cow::Borrowed(self),
        }
    }

    pub(crate) fn legal(&self, code: u64) -> bool {
        match &self.legal {
            Some(table) => table.get(code as usize).copied().unwrap_or(false),
            None => true,
        }
    }
}

/// One area.
#[derive(Clone, Debug)]
pub(crate) struct AreaShape {
    pub fields: Vec<FieldShape>,
    /// Indices of the fields that hold values.
    pub values: Vec<usize>,
    pub entries: usize,
    /// For each entry the first of the entries that differ from it only in the voice; itself for the first.
    pub first_voice: Vec<usize>,
}

impl AreaShape {
    /// Whether values, each with the mask of its known bits, are those of a blank entry.
    pub(crate) fn blank(&self, values: &[(u64, u64)]) -> bool {
        !values.is_empty()
            && self.values.iter().zip(values).all(|(f, (code, known))| {
                let blank = self.fields[*f].blank;
                blank.is_some_and(|b| b & known == *code)
            })
    }

    /// Whether values, each with the mask of its known bits, are those that emptying an entry leaves.
    pub(crate) fn emptied(&self, values: &[(u64, u64)]) -> bool {
        values.len() > 1 && self.not_empty(values).next().is_none()
    }

    /// The fields whose values, each with the mask of its known bits, are not those that emptying an entry leaves.
    pub(crate) fn not_empty(&self, values: &[(u64, u64)]) -> impl Iterator<Item = usize> {
        let values = self.values.iter().zip(values);
        values
            .filter(|(f, (code, known))| (self.fields[**f].empty ^ code) & known != 0)
            .map(|(f, _)| *f)
    }

    /// Whether an entry was emptied, but for a few values that may have been set after that.
    pub(crate) fn mostly_emptied(&self, values: &[(u64, u64)]) -> bool {
        values.len() > 1 && self.not_empty(values).count() * MOSTLY <= values.len()
    }

    /// The entries of each preset, its voices, first voice first.
    pub(crate) fn presets(&self) -> Vec<Vec<usize>> {
        let mut groups: Vec<Vec<usize>> = vec![Vec::new(); self.entries];
        for (e, first) in self.first_voice.iter().enumerate() {
            groups[*first].push(e);
        }
        groups.retain(|g| !g.is_empty());
        groups
    }
}

/// The bits of one data line of one chip that nothing claims, in address order.
#[derive(Clone, Debug)]
pub(crate) struct Spare {
    pub chip: usize,
    pub line: u8,
    pub cells: Vec<u32>,
}

/// One value in so many may be set in an entry that counts as emptied (common practice, no source).
const MOSTLY: usize = 3;

/// Unclaimed cells told together.
pub(crate) const BLOCK: usize = 64;

/// Name of the axis along which entries are expected to agree.
pub(crate) const VOICE: &str = "voice";

impl AreaShape {
    fn new(area: &Area) -> Self {
        let mut taken = vec![false; area.bits_per_entry];
        let fields: Vec<FieldShape> = area
            .fields
            .iter()
            .map(|f| {
                let range = f.first..f.first + usize::from(f.width);
                let free = range.clone().all(|b| !taken[b]);
                let mut shape = FieldShape {
                    kind: Kind::Skipped,
                    width: f.width,
                    legal: None,
                    legal_codes: f64::from(f.width).exp2(),
                    knob: false,
                    still: None,
                    blank: None,
                    empty: 0,
                };
                if !free {
                    return shape;
                }
                taken[range].fill(true);
                match f.owner {
                    FieldOwner::Parameter(p) => {
                        let parameter = &area.parameters[p];
                        if parameter.alias_of.is_some() {
                            return shape;
                        }
                        shape.kind = Kind::Value(p);
                        shape.blank = parameter.blank;
                        shape.empty = blank_code(parameter, f.width);
                        shape.knob = matches!(
                            parameter.control,
                            crate::layout::model::Control::Knob
                                | crate::layout::model::Control::Slider
                        ) && f.width >= 4;
                        if f.width <= TABLED && parameter.when.is_none() {
                            let table: Vec<bool> = (0..1u64 << f.width)
                                .map(|code| legal(parameter, f.width, code))
                                .collect();
                            let count = table.iter().filter(|l| **l).count();
                            if count > 0 && count < table.len() {
                                shape.legal_codes = count as f64;
                                shape.legal = Some(table);
                            }
                        }
                    }
                    FieldOwner::Constant(value) => shape.kind = Kind::Constant(value),
                    FieldOwner::Reserved => shape.kind = Kind::Reserved,
                    FieldOwner::Check(_) => {}
                }
                shape
            })
            .collect();
        let voice = area.axes.iter().position(|a| a.name == VOICE);
        let first_voice = (0..area.entries())
            .map(|e| {
                let Some(axis) = voice else { return e };
                let mut indices = area.indices(e);
                indices[axis] = 0;
                area.entry(&indices).unwrap_or(e)
            })
            .collect();
        Self {
            values: (0..fields.len())
                .filter(|f| matches!(fields[*f].kind, Kind::Value(_)))
                .collect(),
            fields,
            entries: area.entries(),
            first_voice,
        }
    }
}

/// A whole layout.
#[derive(Clone, Debug)]
pub(crate) struct Shape {
    pub areas: Vec<AreaShape>,
    pub spare: Vec<Spare>,
    /// For each chip and cell, the lines that nothing claims.
    pub unclaimed: Vec<Vec<u8>>,
    /// For each chip and cell, whether an area or a copy of one keeps something there.
    pub held: Vec<Vec<bool>>,
}

impl Shape {
    pub(crate) fn new(layout: &Layout) -> Self {
        let unclaimed = unclaimed(layout);
        Self {
            areas: layout.areas.iter().map(AreaShape::new).collect(),
            spare: spare(layout, &unclaimed),
            unclaimed,
            held: held(layout),
        }
    }

    /// The shape with one of so many blocks of the cells that nothing claims.
    pub(crate) fn thinned(&self, step: usize) -> Self {
        let mut out = self.clone();
        for spare in &mut out.spare {
            let blocks = spare.cells.chunks(BLOCK).step_by(step);
            spare.cells = blocks.flatten().copied().collect();
        }
        out
    }
}

fn held(layout: &Layout) -> Vec<Vec<bool>> {
    let mut out: Vec<Vec<bool>> = layout
        .chips
        .iter()
        .map(|c| vec![false; c.words as usize])
        .collect();
    let areas = layout.areas.iter();
    for place in areas.flat_map(|a| {
        let copies = a.copies.iter().flat_map(|c| &c.places);
        a.places.iter().chain(copies)
    }) {
        let chip = out.get_mut(usize::from(place.chip));
        if let Some(cell) = chip.and_then(|c| c.get_mut(place.cell as usize)) {
            *cell = true;
        }
    }
    out
}

fn unclaimed(layout: &Layout) -> Vec<Vec<u8>> {
    let mut out: Vec<Vec<u8>> = layout
        .chips
        .iter()
        .map(|c| vec![(0xffu16 >> (8 - c.width.min(8))) as u8; c.words as usize])
        .collect();
    let mut claim = |chip: u16, cell: u32, mask: u8| {
        let chip = out.get_mut(usize::from(chip));
        if let Some(m) = chip.and_then(|c| c.get_mut(cell as usize)) {
            *m &= !mask;
        }
    };
    for area in &layout.areas {
        let stored = area
            .checks
            .iter()
            .flat_map(|c| c.instances.iter().flat_map(|i| &i.stored));
        let copies = area.copies.iter().flat_map(|c| &c.places);
        for p in area.places.iter().chain(copies).chain(stored) {
            claim(p.chip, p.cell, 1 << p.line);
        }
    }
    for (chip, cells, lines) in &layout.absent {
        for cell in cells.clone() {
            claim(*chip, cell, *lines);
        }
    }
    out
}

fn spare(layout: &Layout, unclaimed: &[Vec<u8>]) -> Vec<Spare> {
    let mut out = Vec::new();
    for (chip, c) in layout.chips.iter().enumerate() {
        for line in 0..c.width {
            let cells: Vec<u32> = (0..c.words)
                .filter(|cell| unclaimed[chip][*cell as usize] & (1 << line) != 0)
                .collect();
            if !cells.is_empty() {
                out.push(Spare { chip, line, cells });
            }
        }
    }
    out
}

/// Whether a check is to be verified at all.
pub(crate) fn verified(policy: Policy) -> bool {
    policy != Policy::Keep
}
