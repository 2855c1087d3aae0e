//! What the arithmetic works on: the layout's bench facts, what was said on the command line, and the tables, each
//! figure with where it comes from. A measured figure beats a given one, a given one the layout, the layout a table.

use schemars::JsonSchema;
use serde::Serialize;

use crate::layout::model::Chip;

use super::physics;
use super::profile::Profile;
use super::tables::{Blocking, Capacitor, Chemistry, Ground, Memory, Per};
use super::units::{AmpHours, Amps, Celsius, Farads, Ohms, Range, Volts, Years};

/// A figure the answers rest on.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Figure {
    /// The letter the formulas use.
    pub symbol: String,
    /// What it is.
    pub name: String,
    /// The usual value, in `unit`.
    pub typical: f64,
    /// The value at worst, in `unit`.
    pub worst: f64,
    /// The unit, such as "V" or "ohm"; empty for a bare number.
    pub unit: String,
    /// Both values as people read them.
    pub shown: String,
    /// What the figure rests on.
    pub ground: Ground,
    /// The source, to be cited.
    pub source: String,
}

/// A battery as fitted, or as it might be.
#[derive(Clone, Debug, PartialEq)]
pub struct Battery {
    /// Name for people.
    pub name: String,
    /// Its chemistry.
    pub chemistry: Chemistry,
    /// Cells in series.
    pub cells: f64,
    /// Capacity.
    pub capacity: Range<AmpHours>,
    /// The most a failed blocking part may push back.
    pub reverse: Option<Amps>,
    /// The most it gives for long.
    pub continuous: Option<Amps>,
}

impl Battery {
    /// Volts of the fresh battery: usual, and at worst.
    pub fn fresh(&self) -> Range<Volts> {
        let cell = self.chemistry.curve.fresh();
        Range::new(cell, cell - Volts(self.chemistry.curve.sag)).map(|v| v * self.cells)
    }

    /// Volts of the battery at its end point.
    pub fn end(&self) -> Volts {
        self.chemistry.curve.end() * self.cells
    }
}

/// A current measured on the bench.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// The current.
    pub current: Amps,
    /// How warm it was.
    pub celsius: Celsius,
}

/// An auxiliary supply that keeps the memory while the battery is out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KeepAlive {
    /// Its voltage.
    pub supply: Volts,
    /// The resistor it goes through.
    pub resistor: Ohms,
}

/// What the caller says; every field that is `None` comes from the layout or the tables.
#[derive(Clone, Debug, Default)]
pub struct Request {
    /// Key of a size or a chemistry.
    pub battery: Option<String>,
    /// Cells in series.
    pub cells: Option<u32>,
    /// Capacity.
    pub capacity: Option<AmpHours>,
    /// Key of a blocking part.
    pub blocking: Option<String>,
    /// Its drop as measured.
    pub drop: Option<Volts>,
    /// Resistor between battery and memory.
    pub series: Option<Ohms>,
    /// Resistor between supply and battery.
    pub charging: Option<Ohms>,
    /// Supply with the instrument on.
    pub supply: Option<Volts>,
    /// Hold-up capacitor.
    pub hold_up: Option<Farads>,
    /// Key of its kind.
    pub capacitor: Option<String>,
    /// Memory chips: part number and how many.
    pub chips: Vec<(String, u32)>,
    /// Standby current of the whole memory at 25 °C, from a data sheet at hand.
    pub current: Option<Amps>,
    /// Retention voltage.
    pub retention: Option<Volts>,
    /// Standby current as measured.
    pub measured: Option<Measured>,
    /// Temperatures of the year.
    pub profile: Option<Profile>,
    /// Hours a year the instrument is on.
    pub hours_on: Option<f64>,
    /// The most current the battery may be charged with when the blocking part fails.
    pub reverse_limit: Option<Amps>,
    /// Supply for the swap.
    pub keep_alive: Option<KeepAlive>,
}

/// A memory chip's standby current, usual and at worst, at temperatures.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct ChipLoad {
    pub(super) typical: Vec<(Celsius, Amps)>,
    pub(super) worst: Vec<(Celsius, Amps)>,
}

/// Everything the answers need, settled.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The instrument's name, or what stands for it.
    pub title: String,
    /// The battery.
    pub battery: Battery,
    /// The blocking part.
    pub blocking: Blocking,
    /// Its drop as measured.
    pub measured_drop: Option<Volts>,
    /// Resistor between battery and memory; 0 Ω where there is none.
    pub series: Ohms,
    /// Resistor between supply and battery.
    pub charging: Option<Ohms>,
    /// Supply with the instrument on.
    pub supply: Volts,
    /// Hold-up capacitor, and what is known of its kind.
    pub hold_up: Option<(Farads, Capacitor)>,
    /// Retention voltage.
    pub retention: Volts,
    /// Standby current as measured.
    pub measured: Option<Measured>,
    /// Temperatures of the year.
    pub profile: Profile,
    /// Share of the time the instrument is on.
    pub duty: f64,
    /// Supply for the swap.
    pub keep_alive: KeepAlive,
    /// Every figure used, with its source.
    pub figures: Vec<Figure>,
    pub(super) chips: Vec<ChipLoad>,
}

impl Setup {
    /// The standby current by the tables at a temperature, whatever was measured.
    pub fn expected(&self, at: Celsius) -> Range<Amps> {
        let sum = |pick: fn(&ChipLoad) -> &Vec<(Celsius, Amps)>| {
            self.chips
                .iter()
                .filter_map(|c| physics::current_between(pick(c), at))
                .sum::<Amps>()
        };
        let typical = sum(|c| &c.typical);
        Range::new(typical, sum(|c| &c.worst).max(typical))
    }

    /// Whether the tables, the layout or the caller tell what the memory should draw.
    pub fn expects(&self) -> bool {
        !self.chips.is_empty()
    }

    /// The standby current at a temperature: from the measured one where there is one.
    pub fn load(&self, at: Celsius) -> Range<Amps> {
        match self.measured {
            Some(m) => Range::exactly(physics::at_temperature(m.current, m.celsius, at)),
            None => self.expected(at),
        }
    }

    /// The mean standby current over the year.
    pub fn mean_load(&self) -> Range<Amps> {
        Range::new(
            Amps(self.profile.average(|t| self.load(t).typical.0)),
            Amps(self.profile.average(|t| self.load(t).worst.0)),
        )
    }

    /// The standby current that the voltage arithmetic uses: the mean, and at worst the hottest.
    pub fn peak_load(&self) -> Range<Amps> {
        Range::new(
            self.mean_load().typical,
            self.load(self.profile.hottest()).worst,
        )
    }

    /// The drop of the blocking part at standby: at the mean temperature, and at worst at the hottest day's current
    /// through the coldest junction.
    pub fn drop(&self) -> Range<Volts> {
        match self.measured_drop {
            Some(drop) => Range::exactly(drop),
            None => self.blocking.drop(
                self.peak_load(),
                Range::new(self.profile.mean(), self.profile.coldest()),
            ),
        }
    }

    /// Self-discharge over the year, the rate a year.
    pub fn loss(&self) -> Range<f64> {
        let loss = &self.battery.chemistry.loss;
        let time = match loss.per {
            Per::Month => Years(1.0 / 12.0),
            Per::Year => Years(1.0),
        };
        let warmth = self
            .profile
            .average(|t| physics::doublings(Celsius(loss.celsius), t));
        Range::new(loss.typical, loss.worst).map(|share| physics::loss_rate(share, time) * warmth)
    }

    /// Storage life over the year's temperatures; it halves with the table's step above the table's temperature and
    /// is not prolonged below it.
    pub fn storage_life(&self) -> Range<Years> {
        let storage = &self.battery.chemistry.storage;
        let at = |years: f64, t: Celsius| {
            let above = (t.0 - storage.celsius).max(0.0);
            Years(years * 0.5f64.powf(above / storage.halves_every))
        };
        Range::new(storage.typical, storage.worst).map(|years| {
            let parts: Vec<(f64, Years)> = self
                .profile
                .shares()
                .map(|(share, t)| (share, at(years, t)))
                .collect();
            physics::mixed_storage_life(&parts)
        })
    }
}

impl ChipLoad {
    pub(super) fn of_table(memory: &Memory) -> Self {
        Self::of(
            memory
                .standby
                .iter()
                .map(|s| (s.microamps, s.celsius, s.worst)),
        )
    }

    pub(super) fn of_layout(chip: &Chip) -> Option<Self> {
        if chip.standby.is_empty() {
            return None;
        }
        Some(Self::of(
            chip.standby
                .iter()
                .map(|s| (s.microamps, s.celsius, s.worst)),
        ))
    }

    /// Where only one kind of figure is known, it stands for both.
    fn of(points: impl Iterator<Item = (f64, f64, bool)>) -> Self {
        let (mut typical, mut worst) = (Vec::new(), Vec::new());
        for (microamps, celsius, is_worst) in points {
            let list = if is_worst { &mut worst } else { &mut typical };
            list.push((Celsius(celsius), Amps(microamps * 1e-6)));
        }
        if typical.is_empty() {
            typical.clone_from(&worst);
        } else if worst.is_empty() {
            worst.clone_from(&typical);
        }
        Self { typical, worst }
    }
}
