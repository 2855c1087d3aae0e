//! The tables of cells, blocking parts, capacitors and memory chips: data files with a source for every figure.
//!
//! The built-in tables are `tables/*.toml`. A bench adds its own in the same form; an entry of the same key
//! replaces the built-in one.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::error::StandbyError;
use super::units::{Amps, Celsius, Range, Volts};

mod check;

/// What a figure rests on, from best to worst.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Ground {
    /// Measured on the bench and given to the command.
    Measured,
    /// Given to the command.
    Given,
    /// Stated by the instrument's layout.
    Layout,
    /// Read in a published document.
    Published,
    /// Common practice of the trade, no source.
    Practice,
    /// Recalled from memory, unchecked.
    Memory,
    /// Assumed because nothing was said.
    Assumed,
}

impl Ground {
    /// The words used in listings.
    pub fn word(self) -> &'static str {
        match self {
            Ground::Measured => "measured",
            Ground::Given => "given",
            Ground::Layout => "layout",
            Ground::Published => "published",
            Ground::Practice => "common practice, no source",
            Ground::Memory => "from memory",
            Ground::Assumed => "assumed",
        }
    }
}

/// A document, or the admission that there is none.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// What it is.
    pub kind: Ground,
    /// How to cite it.
    pub text: String,
}

/// Keys of [`Tables::source`].
pub type Sources = Vec<String>;

/// A cell's voltage over its charge.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Curve {
    /// Share of the charge used (0 to 1) and volts a cell, the share rising and the volts falling.
    pub points: Vec<(f64, f64)>,
    /// Volts below the curve in the worst case.
    pub sag: f64,
    /// Sources.
    pub from: Sources,
}

impl Curve {
    /// Volts a cell after a share of the charge is used; the ends hold beyond the curve.
    pub fn at(&self, used: f64) -> Volts {
        Volts(interpolate(&self.points, used))
    }

    /// Volts of a fresh cell.
    pub fn fresh(&self) -> Volts {
        self.at(0.0)
    }

    /// The end point.
    pub fn end(&self) -> Volts {
        self.at(1.0)
    }

    /// The share of the charge that is used when the cell has fallen to a voltage: 0 where even a fresh cell lies
    /// below it, 1 where the end point lies above it.
    pub fn used_at(&self, volts: Volts) -> f64 {
        if self.fresh().0 <= volts.0 {
            return 0.0;
        }
        for pair in self.points.windows(2) {
            let ((u0, v0), (u1, v1)) = (pair[0], pair[1]);
            if v1 <= volts.0 {
                return u0 + (u1 - u0) * (v0 - volts.0) / (v0 - v1);
            }
        }
        1.0
    }
}

/// Linear interpolation, constant beyond the ends; 0 for an empty table.
fn interpolate(points: &[(f64, f64)], x: f64) -> f64 {
    let (Some(&(x_first, y_first)), Some(&(_, y_last))) = (points.first(), points.last()) else {
        return 0.0;
    };
    if x <= x_first {
        return y_first;
    }
    for pair in points.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        if x <= x1 {
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0);
        }
    }
    y_last
}

/// The time over which a loss is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Per {
    /// A twelfth of a year.
    Month,
    /// A year.
    Year,
}

/// Self-discharge: the share of what is left that is lost in a time.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Loss {
    /// Usual share.
    pub typical: f64,
    /// Share at worst.
    pub worst: f64,
    /// The time it is lost in.
    pub per: Per,
    /// The temperature it holds at.
    pub celsius: f64,
    /// Sources.
    pub from: Sources,
}

/// Years a cell stays fit, at the temperature to which they hold; not prolonged below it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Storage {
    /// Usual value.
    pub typical: f64,
    /// Value at worst.
    pub worst: f64,
    /// Degrees Celsius.
    pub celsius: f64,
    /// Degrees above it in which the life halves.
    #[serde(default = "ten")]
    pub halves_every: f64,
    /// Sources.
    pub from: Sources,
}

/// The rule of the trade where a chemistry has no figure of its own.
fn ten() -> f64 {
    10.0
}

/// A figure with its spread.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Spread {
    /// Usual value.
    pub typical: f64,
    /// Value at worst.
    pub worst: f64,
    /// Sources.
    pub from: Sources,
}

impl Spread {
    /// As a range of a quantity.
    pub fn range<T>(&self, quantity: impl Fn(f64) -> T) -> Range<T> {
        Range::new(quantity(self.typical), quantity(self.worst))
    }
}

/// A single figure.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct One {
    /// The value.
    pub value: f64,
    /// Sources.
    pub from: Sources,
}

/// A range of temperatures.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Between {
    /// Lowest, degrees Celsius.
    pub low: f64,
    /// Highest, degrees Celsius.
    pub high: f64,
    /// Sources.
    pub from: Sources,
}

/// How a rechargeable pack is charged.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Charging {
    /// Full charge: share of the capacity an hour.
    pub full: f64,
    /// Hours a full charge takes.
    pub hours: f64,
    /// Lasting charge: lowest and highest share of the capacity an hour.
    pub trickle: (f64, f64),
    /// Share of the charge that is kept.
    pub efficiency: f64,
    /// Volts a cell while charging.
    pub volts: f64,
    /// Sources.
    pub from: Sources,
}

/// A share of a primary cell's capacity that it may be charged with in all its life.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Budget {
    /// The share, 0 to 1.
    pub share: f64,
    /// Sources.
    pub from: Sources,
}

/// A cell chemistry.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chemistry {
    /// Name for people.
    pub name: String,
    /// It may be charged.
    #[serde(default)]
    pub rechargeable: bool,
    /// A leak is caustic potash.
    #[serde(default)]
    pub aqueous_alkali: bool,
    /// The first load finds the voltage low for a while.
    #[serde(default)]
    pub passivates: bool,
    /// Voltage over charge.
    pub curve: Curve,
    /// Self-discharge.
    pub loss: Loss,
    /// Years a cell stays fit.
    pub storage: Storage,
    /// Temperatures it is made for.
    pub celsius: Between,
    /// How it is charged; rechargeable chemistries only.
    pub charge: Option<Charging>,
    /// What charge it bears; primary chemistries only.
    pub charge_budget: Option<Budget>,
}

/// A size a chemistry comes in.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Size {
    /// Key of the chemistry.
    pub chemistry: String,
    /// Name for people.
    pub name: String,
    /// Cells in series.
    pub cells: u32,
    /// Milliampere-hours.
    pub capacity: Spread,
    /// Milliamperes it stands.
    pub continuous: Option<One>,
    /// Milliamperes a failed blocking part may push back.
    pub reverse: Option<One>,
}

/// A diode's drop: amperes and volts at 25 °C.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Drop {
    /// Usual drop.
    pub typical: Vec<(f64, f64)>,
    /// Drop at worst.
    pub worst: Vec<(f64, f64)>,
    /// Sources.
    pub from: Sources,
}

/// A blocking part.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Blocking {
    /// Name for people.
    pub name: String,
    /// Forward drop.
    pub drop: Drop,
    /// Volts a degree Celsius.
    pub slope: f64,
    /// Amperes backwards at 25 °C; a part without this figure does not block.
    pub leak: Option<Spread>,
    /// It protects the cell even when one of its parts has failed short.
    #[serde(default)]
    pub second_line: bool,
}

impl Blocking {
    /// The forward drop at a current and a temperature: on a logarithmic scale of current, since a junction's drop
    /// is linear in the logarithm of its current; extended beyond the table by the nearest slope, never below 0 V.
    pub fn drop(&self, current: Range<Amps>, celsius: Range<Celsius>) -> Range<Volts> {
        let one = |table: &[(f64, f64)], amps: Amps, celsius: Celsius| {
            let junction = log_extended(table, amps.0.max(1e-12));
            Volts((junction + self.slope * (celsius.0 - 25.0)).max(0.0))
        };
        Range::new(
            one(&self.drop.typical, current.typical, celsius.typical),
            one(&self.drop.worst, current.worst, celsius.worst),
        )
    }
}

fn log_extended(points: &[(f64, f64)], x: f64) -> f64 {
    match points {
        [] => 0.0,
        [(_, y)] => *y,
        _ => {
            let last = points.len() - 1;
            let at = points.iter().position(|(px, _)| x <= *px).unwrap_or(last);
            let ((x0, y0), (x1, y1)) = (points[at.max(1) - 1], points[at.max(1)]);
            y0 + (y1 - y0) * (x / x0).ln() / (x1 / x0).ln()
        }
    }
}

/// A kind of capacitor.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Capacitor {
    /// Name for people.
    pub name: String,
    /// Amperes a farad.
    pub leak_per_farad: Spread,
    /// Share of the capacitance that may be missing.
    pub tolerance: One,
    /// Years until it is worn.
    pub years: Spread,
}

/// A retention voltage.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Retention {
    /// Volts.
    pub volts: f64,
    /// Sources.
    pub from: Sources,
}

/// A standby current of a memory family.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Standby {
    /// Microamperes.
    pub microamps: f64,
    /// Degrees Celsius.
    pub celsius: f64,
    /// A data sheet's maximum.
    #[serde(default)]
    pub worst: bool,
    /// Sources.
    pub from: Sources,
}

/// A memory chip.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Memory {
    /// Name for people.
    pub name: String,
    /// Other part numbers.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// The least voltage that keeps the contents.
    pub retention: Retention,
    /// Standby currents.
    pub standby: Vec<Standby>,
}

/// All tables.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Tables {
    /// Documents by key.
    pub source: BTreeMap<String, Source>,
    /// Chemistries by key.
    pub chemistry: BTreeMap<String, Chemistry>,
    /// Sizes by key.
    pub size: BTreeMap<String, Size>,
    /// Blocking parts by key.
    pub blocking: BTreeMap<String, Blocking>,
    /// Capacitors by key.
    pub capacitor: BTreeMap<String, Capacitor>,
    /// Memory chips by part number.
    pub memory: BTreeMap<String, Memory>,
}

impl Tables {
    /// The tables that come with the program.
    ///
    /// # Errors
    /// Never in a released program: a test reads them.
    pub fn built_in() -> Result<Self, StandbyError> {
        let mut tables = Self::default();
        for (text, origin) in [
            (include_str!("tables/sources.toml"), "the built-in sources"),
            (include_str!("tables/cells.toml"), "the built-in cells"),
            (include_str!("tables/parts.toml"), "the built-in parts"),
        ] {
            tables.merge(text, origin)?;
        }
        tables.check("the built-in tables")?;
        Ok(tables)
    }

    /// The same tables with those of another text; entries of the same key are replaced.
    ///
    /// # Errors
    /// When the text is not such tables, or says something impossible.
    pub fn with(mut self, text: &str, origin: &str) -> Result<Self, StandbyError> {
        self.merge(text, origin)?;
        self.check(origin)?;
        Ok(self)
    }

    fn merge(&mut self, text: &str, origin: &str) -> Result<(), StandbyError> {
        let more: Tables = toml::from_str(text).map_err(|error| StandbyError::Table {
            origin: origin.to_owned(),
            says: crate::document::in_words(error.to_string().trim_end()),
        })?;
        self.source.extend(more.source);
        self.chemistry.extend(more.chemistry);
        self.size.extend(more.size);
        self.blocking.extend(more.blocking);
        self.capacitor.extend(more.capacitor);
        self.memory.extend(more.memory);
        Ok(())
    }

    /// The memory chip of a part number, letter case ignored.
    pub fn memory(&self, part: &str) -> Option<(&str, &Memory)> {
        let by_key = |(key, _): &(&String, &Memory)| key.eq_ignore_ascii_case(part);
        let by_alias = |(_, memory): &(&String, &Memory)| {
            memory.aliases.iter().any(|a| a.eq_ignore_ascii_case(part))
        };
        self.memory
            .iter()
            .find(by_key)
            .or_else(|| self.memory.iter().find(by_alias))
            .map(|(key, memory)| (key.as_str(), memory))
    }

    /// The weakest ground among sources, and how to cite them.
    pub fn cite(&self, from: &[String]) -> (Ground, String) {
        let sources: Vec<&Source> = from.iter().filter_map(|k| self.source.get(k)).collect();
        let ground = sources.iter().map(|s| s.kind).max();
        // That part of it is from memory is told by the ground; the documents are what is cited.
        let mut text: Vec<&str> = sources
            .iter()
            .filter(|s| s.kind != Ground::Memory)
            .map(|s| s.text.as_str())
            .collect();
        if text.is_empty() {
            text = sources.iter().map(|s| s.text.as_str()).collect();
        }
        (ground.unwrap_or(Ground::Assumed), text.join("; "))
    }
}
