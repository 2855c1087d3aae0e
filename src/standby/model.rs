//! The cell over the years: charge, voltage at the memory's pin, margin, and the day it ends.

use schemars::JsonSchema;
use serde::Serialize;

use super::physics;
use super::setup::Setup;
use super::units::{AmpHours, Amps, Range, Volts, Years};

/// One end of the range: usual, or everything against us.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Case {
    capacity: AmpHours,
    /// Mean load of the cell over the year.
    load: Amps,
    /// Self-discharge a year.
    loss: f64,
    /// Drop of blocking part and resistor.
    drop: Volts,
    /// Volts a cell below the curve.
    sag: Volts,
}

/// The cell over the years.
#[derive(Clone, Debug)]
pub struct Model<'a> {
    setup: &'a Setup,
    cases: Range<Case>,
}

/// The state of things at a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, JsonSchema)]
pub struct CurvePoint {
    /// Years since the cell was fitted, or since the pack was full and the instrument was switched off.
    pub years: f64,
    /// Volts at the memory's pin, usual and at worst.
    pub pin: Range<f64>,
    /// Volts above the retention voltage; below zero the presets are at risk.
    pub margin: Range<f64>,
    /// Share of the charge that is left, 0 to 1.
    pub left: Range<f64>,
}

impl<'a> Model<'a> {
    /// The model of a setup. A rechargeable pack is followed from full with the instrument off; a primary cell
    /// rests while the instrument is on.
    pub fn new(setup: &'a Setup) -> Self {
        let duty = if setup.battery.chemistry.rechargeable {
            0.0
        } else {
            setup.duty
        };
        let resistor = setup.peak_load().map(|i| i * setup.series);
        let drop = setup.drop().with(resistor, |vf, vr| vf + vr);
        let (load, loss) = (setup.mean_load(), setup.loss());
        let case = |capacity, load: Amps, loss, drop, sag| Case {
            capacity,
            load: load * (1.0 - duty),
            loss,
            drop,
            sag,
        };
        let capacity = setup.battery.capacity;
        let sag = Volts(setup.battery.chemistry.curve.sag);
        Self {
            setup,
            cases: Range::new(
                case(
                    capacity.typical,
                    load.typical,
                    loss.typical,
                    drop.typical,
                    Volts(0.0),
                ),
                case(capacity.worst, load.worst, loss.worst, drop.worst, sag),
            ),
        }
    }

    /// Volts at the pin after a share of the charge is used.
    fn pin_after(&self, case: Case, used: f64) -> Volts {
        (self.setup.battery.chemistry.curve.at(used) - case.sag) * self.setup.battery.cells
            - case.drop
    }

    /// Volts at the pin with a fresh cell.
    pub fn pin_fresh(&self) -> Range<Volts> {
        self.cases.map(|c| self.pin_after(c, 0.0))
    }

    /// Volts at the pin at the cell's own end point.
    pub fn pin_end(&self) -> Range<Volts> {
        self.cases.map(|c| self.pin_after(c, 1.0))
    }

    /// The battery voltage at which the pin reaches the retention voltage: the end point that counts.
    pub fn end_point(&self) -> Range<Volts> {
        self.cases.map(|c| {
            let needed = self.setup.retention + c.drop;
            needed.max(self.setup.battery.end())
        })
    }

    /// Share of the charge that can be used before that, 0 to 1.
    pub fn usable(&self) -> Range<f64> {
        self.cases.map(|c| self.usable_in(c))
    }

    fn usable_in(&self, case: Case) -> f64 {
        let battery = &self.setup.battery;
        let cell = (self.setup.retention + case.drop) / battery.cells + case.sag;
        battery.chemistry.curve.used_at(cell)
    }

    /// Time until the pin reaches the retention voltage or the cell its end point, by load and self-discharge.
    pub fn life(&self) -> Range<Years> {
        self.cases.map(|c| {
            let end = c.capacity * (1.0 - self.usable_in(c));
            physics::discharge_time(c.capacity, end, c.load, c.loss)
        })
    }

    /// The same without self-discharge: the published formula.
    pub fn life_by_capacity(&self) -> Range<Years> {
        self.cases
            .map(|c| physics::capacity_life(c.capacity * self.usable_in(c), 0.0, c.load))
    }

    /// Life with another load in place of the memory's.
    pub fn life_with(&self, load: Range<Amps>) -> Range<Years> {
        let mut other = self.clone();
        let share = self
            .cases
            .with(self.setup.mean_load(), |c, mean| c.load / mean);
        let loads = load.with(share, |i, share| i * share);
        other.cases = Range::new(
            Case {
                load: loads.typical,
                ..self.cases.typical
            },
            Case {
                load: loads.worst,
                ..self.cases.worst
            },
        );
        other.life()
    }

    /// The cell at a time.
    pub fn at(&self, time: Years) -> CurvePoint {
        let state = self.cases.map(|c| {
            let left = physics::charge_left(c.capacity, c.load, c.loss, time);
            let share = (left / c.capacity).max(0.0);
            // Past its end point a cell has no voltage to count on.
            let pin = if left.0 < -1e-9 * c.capacity.0 {
                Volts(0.0)
            } else {
                self.pin_after(c, 1.0 - share)
            };
            (pin, share)
        });
        CurvePoint {
            years: time.0,
            pin: state.map(|s| s.0.0),
            margin: state.map(|s| (s.0 - self.setup.retention).0),
            left: state.map(|s| s.1),
        }
    }

    /// The curve to a little beyond the usual end, at most 30 years; `steps` + 1 points.
    pub fn curve(&self, steps: usize) -> Vec<CurvePoint> {
        let life = self.life().typical.0;
        let span = (life * 1.1).clamp(0.01, 30.0);
        (0..=steps)
            .map(|i| self.at(Years(span * i as f64 / steps.max(1) as f64)))
            .collect()
    }
}
