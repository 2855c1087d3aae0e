//! A checked layout: the only form that travels on to the codec and everything above it.
//!
//! Whatever notation the file used, here every code bit has its place: chip, cell, data line, and whether the
//! cell holds it inverted. A value of this type has passed every rule of `layout check`: each bit has one owner,
//! every place lies inside its chip, every name resolves.

use std::ops::{Range, RangeInclusive};
use std::sync::Arc;

use crate::digest;

pub use crate::image::Packing;

/// Where one code bit lives.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct BitPlace {
    /// Index into [`Layout::chips`].
    pub chip: u16,
    /// The chip's own cell address.
    pub cell: u32,
    /// Data line, 0 is D0.
    pub line: u8,
    /// The cell holds the complement of the code bit.
    pub inverted: bool,
}

/// How well a claim of the layout is supported.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Evidence {
    /// A guess, to be confirmed.
    Guessed,
    /// Found by experiment on an instrument.
    Traced,
    /// Read off a schematic.
    Schematic,
    /// Published by whoever built it.
    Documented,
    /// Nothing is said.
    #[default]
    Unstated,
}

/// One memory chip.
#[derive(Clone, Debug, PartialEq)]
pub struct Chip {
    /// The name printed on the board; unique in the layout.
    pub id: String,
    /// Other names its file may carry.
    pub aliases: Vec<String>,
    /// The board it sits on.
    pub board: Option<String>,
    /// Where on the board.
    pub position: Option<String>,
    /// Part number as a trade term: 6116, 5101.
    pub part: Option<String>,
    /// Number of cells.
    pub words: u32,
    /// Number of data lines, 1 to 8.
    pub width: u8,
    /// How files hold it, unless the reading says otherwise.
    pub packing: Packing,
    /// Retention voltage in volts.
    pub retention_volts: Option<f64>,
    /// Standby currents in microamps, each with the temperature in degrees Celsius it holds at.
    pub standby: Vec<StandbyCurrent>,
    /// The code of a cell never written, for images made from scratch; 0 to `2^width - 1`.
    pub fill: Option<u8>,
    /// What the claims about this chip rest on.
    pub evidence: Evidence,
}

/// A standby current of a chip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandbyCurrent {
    /// Microamps.
    pub microamps: f64,
    /// At this temperature, degrees Celsius.
    pub celsius: f64,
    /// True for a data sheet's maximum, false for its typical value.
    pub worst: bool,
}

/// What an area repeats over: preset, voice, step.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Axis {
    /// "preset", "voice", "step", or the author's word.
    pub name: String,
    /// One label an index, as a person counts: "1", "A4".
    pub labels: Vec<String>,
}

impl Axis {
    /// How many positions the axis has.
    pub fn count(&self) -> usize {
        self.labels.len()
    }
}

/// What a run of code bits in an entry belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum FieldOwner {
    /// Index into [`Area::parameters`].
    Parameter(usize),
    /// Index into [`Area::checks`].
    Check(usize),
    /// Must always hold this code.
    Constant(u64),
    /// Claimed by the author as meaning nothing known; kept as it is.
    Reserved,
}

/// A run of at most 64 code bits that every entry of an area has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Field {
    /// Whose bits they are.
    pub owner: FieldOwner,
    /// Number of bits, 1 to 64.
    pub width: u8,
    /// Index of the field's bit 0 (least significant) within the entry's bits.
    pub first: usize,
}

/// How a code stands for a number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Coding {
    /// The code is the number.
    Unsigned,
    /// Two's complement.
    TwosComplement,
    /// One's complement.
    OnesComplement,
    /// Sign in the top bit, magnitude below.
    SignMagnitude,
    /// The number plus half the range.
    OffsetBinary,
    /// Binary-coded decimal, most significant digit in the top nibble.
    Bcd,
    /// Binary-coded decimal, least significant digit in the top nibble.
    BcdReversed,
    /// Reflected Gray code.
    Gray,
    /// Exactly one bit set; the number is that bit's index.
    OneHot,
    /// A character set: the character of each code, `None` where the code stands for none.
    Text(Vec<Option<char>>),
}

/// How a number is shown to a person: the setting.
#[derive(Clone, Debug, PartialEq)]
pub enum Scale {
    /// The number itself.
    Number,
    /// A panel dial: the lowest number reads `low`, the highest `high`, linearly.
    Dial {
        /// Reading at the lowest number.
        low: f64,
        /// Reading at the highest number.
        high: f64,
    },
    /// A physical quantity, linear in the number.
    Linear {
        /// Value at the lowest number.
        low: f64,
        /// Value at the highest number.
        high: f64,
        /// Unit, empty for none.
        unit: String,
    },
    /// A physical quantity whose logarithm is linear in the number.
    Log {
        /// Value at the lowest number, above 0.
        low: f64,
        /// Value at the highest number, above 0.
        high: f64,
        /// Unit, empty for none.
        unit: String,
    },
    /// A physical quantity by table, one value a number from the lowest on.
    Table {
        /// The values.
        values: Vec<f64>,
        /// Unit, empty for none.
        unit: String,
    },
    /// Named positions of a stepped switch, by number; numbers without a name are illegal.
    Steps(Vec<(i64, String)>),
    /// Off is 0, on is 1.
    OnOff,
    /// A note name; number 0 is this MIDI note (60 is C4).
    Note {
        /// MIDI note number of number 0.
        base: i64,
    },
}

/// What the control on the panel is, for drawing and for tracing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Control {
    /// A rotary knob.
    #[default]
    Knob,
    /// A slider.
    Slider,
    /// A two-position switch.
    Switch,
    /// A stepped selector.
    Selector,
    /// A number shown on a display.
    Number,
    /// A name.
    Text,
}

/// When a parameter means something: the selector holds one of these numbers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct When {
    /// Index of the selecting parameter in [`Area::parameters`].
    pub parameter: usize,
    /// Numbers of the selector for which this parameter applies.
    pub is: Vec<i64>,
}

/// One named value of an area.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameter {
    /// Stable key, dotted lower case: "filter.cutoff".
    pub key: String,
    /// What the panel says.
    pub label: String,
    /// Heading it is grouped under, as the panel groups it.
    pub group: Option<String>,
    /// Its fields in [`Area::fields`]: one, or one a character of a text.
    pub fields: Range<usize>,
    /// How codes stand for numbers.
    pub coding: Coding,
    /// How numbers are shown.
    pub scale: Scale,
    /// Legal numbers, inclusive.
    pub range: RangeInclusive<i64>,
    /// What the panel has.
    pub control: Control,
    /// The selector that gives it meaning, if any.
    pub when: Option<When>,
    /// Index of the parameter whose bits this one shows in another way.
    pub alias_of: Option<usize>,
    /// The code of an empty entry.
    pub blank: Option<u64>,
    /// What the claim rests on.
    pub evidence: Evidence,
    /// A remark of the author.
    pub note: Option<String>,
}

/// How a check is computed over its input words.
#[derive(Clone, Debug, PartialEq)]
pub enum Method {
    /// The sum of the words, plus `add`, modulo 2^width.
    Sum {
        /// Added before the sum is taken.
        add: u64,
    },
    /// The two's complement of that sum, so that words and check add up to `add`.
    SumTwosComplement {
        /// What words and check add up to.
        add: u64,
    },
    /// The one's complement of the sum.
    SumOnesComplement,
    /// Exclusive-or of the words and of `with`.
    Xor {
        /// Exclusive-ored in.
        with: u64,
    },
    /// A catalogued CRC over the words as bytes, by its name in the `crc` catalogue: "CRC_16_XMODEM".
    Crc {
        /// Catalogue name.
        name: String,
    },
    /// The complement of the words, which must be as many bits as the check.
    ComplementCopy,
    /// One bit that makes the number of ones, itself included, even or odd.
    Parity {
        /// True for odd parity.
        odd: bool,
    },
    /// Always this code.
    Fixed {
        /// The signature.
        value: u64,
    },
}

/// What encoding does with a check.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Policy {
    /// Recompute it after an edit, but only where the check held before or its words changed.
    Update,
    /// Never write it; say when it fails.
    Verify,
    /// Never write it and do not verify it.
    Keep,
}

/// A check per entry or per area.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// Stable key.
    pub key: String,
    /// How it is computed.
    pub method: Method,
    /// Number of bits of the stored check, 1 to 64.
    pub width: u8,
    /// What encoding does with it.
    pub policy: Policy,
    /// One a covered scope: every entry, or the whole area once.
    pub instances: Vec<CheckInstance>,
}

/// One stored check with everything it covers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CheckInstance {
    /// The entry it belongs to; `None` when it covers the whole area.
    pub entry: Option<usize>,
    /// Input words in order, each with its bits least significant first.
    pub words: CoveredWords,
    /// Where the check is stored, least significant bit first.
    pub stored: Vec<BitPlace>,
}

/// The words a check covers, each with the places of its bits, least significant first.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CoveredWords {
    bits: Vec<BitPlace>,
    /// Where each word ends among the bits; the instances of a check mostly share it.
    ends: Arc<[u32]>,
}

impl CoveredWords {
    /// Puts words together from their bits in order and the end of each word among them, in rising order.
    pub(crate) fn new(bits: Vec<BitPlace>, ends: Arc<[u32]>) -> Self {
        Self { bits, ends }
    }

    /// The bits of all words in order.
    pub fn bits(&self) -> &[BitPlace] {
        &self.bits
    }

    /// Number of words.
    pub fn len(&self) -> usize {
        self.ends.len()
    }

    /// True where nothing is covered.
    pub fn is_empty(&self) -> bool {
        self.ends.is_empty()
    }

    /// The bits of a word by its index.
    pub fn get(&self, word: usize) -> Option<&[BitPlace]> {
        let end = *self.ends.get(word)? as usize;
        let from = word.checked_sub(1).map_or(0, |w| self.ends[w] as usize);
        self.bits.get(from..end)
    }

    /// Each word's bits.
    pub fn iter(&self) -> impl Iterator<Item = &[BitPlace]> {
        let mut from = 0;
        self.ends.iter().map(move |&end| {
            let word = self.bits.get(from..end as usize).unwrap_or_default();
            from = end as usize;
            word
        })
    }
}

impl FromIterator<Vec<BitPlace>> for CoveredWords {
    fn from_iter<I: IntoIterator<Item = Vec<BitPlace>>>(words: I) -> Self {
        let mut bits = Vec::new();
        let mut ends = Vec::new();
        for word in words {
            bits.extend(word);
            ends.push(u32::try_from(bits.len()).unwrap_or(u32::MAX));
        }
        Self::new(bits, ends.into())
    }
}

/// A second home of an area's bits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MirrorCopy {
    /// The author's name for it.
    pub name: String,
    /// Same shape as [`Area::places`].
    pub places: Vec<BitPlace>,
    /// What encoding does with it; verified on decode unless `Keep`.
    pub policy: Policy,
}

/// A part of memory with one structure.
#[derive(Clone, Debug, PartialEq)]
pub struct Area {
    /// Name, unique in the layout: "presets".
    pub name: String,
    /// Axes, the first varying slowest.
    pub axes: Vec<Axis>,
    /// Fields of one entry.
    pub fields: Vec<Field>,
    /// Number of code bits of one entry.
    pub bits_per_entry: usize,
    /// Place of every code bit: `places[entry * bits_per_entry + field.first + k]` is bit `k` of the field.
    pub places: Vec<BitPlace>,
    /// Parameters in panel order.
    pub parameters: Vec<Parameter>,
    /// Checks.
    pub checks: Vec<Check>,
    /// Mirrored copies.
    pub copies: Vec<MirrorCopy>,
}

impl Area {
    /// Number of entries: the product of the axes' counts.
    pub fn entries(&self) -> usize {
        self.axes.iter().map(Axis::count).product()
    }

    /// The places of a field's bits in an entry, least significant first.
    pub fn field_places(&self, entry: usize, field: usize) -> &[BitPlace] {
        let f = &self.fields[field];
        let at = entry * self.bits_per_entry + f.first;
        &self.places[at..at + usize::from(f.width)]
    }

    /// The index along each axis of an entry.
    pub fn indices(&self, entry: usize) -> Vec<usize> {
        let mut rest = entry;
        let mut out = vec![0; self.axes.len()];
        for (i, axis) in self.axes.iter().enumerate().rev() {
            out[i] = rest % axis.count();
            rest /= axis.count();
        }
        out
    }

    /// The entry at an index along each axis; `None` where one is out of range.
    pub fn entry(&self, indices: &[usize]) -> Option<usize> {
        if indices.len() != self.axes.len() {
            return None;
        }
        let mut entry = 0;
        for (axis, &i) in self.axes.iter().zip(indices) {
            if i >= axis.count() {
                return None;
            }
            entry = entry * axis.count() + i;
        }
        Some(entry)
    }

    /// The entry as a person names it: "preset 12, voice 3", or the area's name where it has no axes.
    pub fn entry_label(&self, entry: usize) -> String {
        if self.axes.is_empty() {
            return self.name.clone();
        }
        let parts: Vec<String> = self
            .axes
            .iter()
            .zip(self.indices(entry))
            .map(|(axis, i)| format!("{} {}", axis.name, axis.labels[i]))
            .collect();
        parts.join(", ")
    }

    /// The parameter of a key.
    pub fn parameter(&self, key: &str) -> Option<usize> {
        self.parameters.iter().position(|p| p.key == key)
    }
}

/// A control whose position memory does not hold.
#[derive(Clone, Debug, PartialEq)]
pub struct HandSet {
    /// Stable key.
    pub key: String,
    /// What the panel says.
    pub label: String,
    /// Heading on the panel.
    pub group: Option<String>,
    /// Labels of what it is noted per ("voice" 1 to 4); empty when once per instrument.
    pub per: Option<Axis>,
    /// What it is.
    pub control: Control,
    /// How its position is written down.
    pub scale: Scale,
    /// Legal numbers, inclusive.
    pub range: RangeInclusive<i64>,
    /// A remark of the author.
    pub note: Option<String>,
}

/// Facts for the bench that are not about one chip.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bench {
    /// The battery fitted: a key of the chemistry table, such as "nicd".
    pub battery: Option<String>,
    /// Cells in series.
    pub cells: Option<u32>,
    /// Capacity in milliamp-hours.
    pub capacity_mah: Option<f64>,
    /// Blocking part: a key of the parts table, such as "silicon".
    pub blocking: Option<String>,
    /// Series resistor between battery and memory, in ohms.
    pub series_ohms: Option<f64>,
    /// Charging resistor between supply and battery, in ohms.
    pub charge_ohms: Option<f64>,
    /// Hold-up capacitor in farads.
    pub hold_up_farads: Option<f64>,
    /// The supply rail with the instrument on, in volts.
    pub supply_volts: Option<f64>,
    /// Ways the instrument itself can save its memory: "tape", "sysex".
    pub exits: Vec<String>,
    /// How the logic is held still for a read in circuit.
    pub hold_logic: Option<String>,
    /// Remarks.
    pub notes: Vec<String>,
}

/// Where a layout came from.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Source {
    /// How it was found: "built in", or the path as given.
    pub origin: String,
    /// The text, kept so that it can be archived beside a reading.
    pub text: String,
    /// Texts of the layouts it extends, nearest first, each with its id.
    pub extends: Vec<(String, String)>,
    /// What tells it from any other, lower-case hex: SHA-256 of the text, or where it extends others of the digests of all
    /// these texts, its own first, a line each.
    pub sha256: String,
}

impl Source {
    /// Whether a digest on record is that of this layout. Records of former versions of this program have that of its own
    /// text alone, and what it extended then cannot be told from them.
    pub fn is(&self, recorded: &str) -> bool {
        recorded.eq_ignore_ascii_case(&self.sha256)
            || (!self.extends.is_empty()
                && recorded.eq_ignore_ascii_case(&digest::sha256(self.text.as_bytes())))
    }
}

/// A checked layout.
#[derive(Clone, Debug, PartialEq)]
pub struct Layout {
    /// Stable id, lower-case with hyphens: "aldermoor-four".
    pub id: String,
    /// Name for people.
    pub name: String,
    /// The author's revision.
    pub revision: String,
    /// Remarks of the author.
    pub notes: Option<String>,
    /// Chips in the order of the file.
    pub chips: Vec<Chip>,
    /// Areas in the order of the file.
    pub areas: Vec<Area>,
    /// Bits that do not exist or are tied off, as `(chip, cells, lines mask)`.
    pub absent: Vec<(u16, RangeInclusive<u32>, u8)>,
    /// Controls that memory does not hold.
    pub hand_set: Vec<HandSet>,
    /// Facts for the bench.
    pub bench: Bench,
    /// Where it came from.
    pub source: Source,
}

impl Layout {
    /// The area of a name.
    pub fn area(&self, name: &str) -> Option<&Area> {
        self.areas.iter().find(|a| a.name == name)
    }

    /// The chip of an id or alias, letter case ignored.
    pub fn chip(&self, name: &str) -> Option<usize> {
        self.chips.iter().position(|c| {
            c.id.eq_ignore_ascii_case(name)
                || c.aliases.iter().any(|a| a.eq_ignore_ascii_case(name))
        })
    }
}
