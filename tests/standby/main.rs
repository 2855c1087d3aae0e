//! The arithmetic of backup supply against published worked examples and data sheets, and laws that hold for any
//! figures.

#![allow(clippy::expect_used, clippy::panic)]

mod command;
mod laws;
mod nonsense;
mod plan;
mod published;
mod report;

use cellkeep::standby::units::{AmpHours, Amps, Ohms};
use cellkeep::standby::{Measured, Report, Request, Setup, Tables, answer};

/// The built-in tables.
fn tables() -> Tables {
    Tables::built_in().expect("the built-in tables are sound")
}

/// A lithium coin cell behind a Schottky diode and 1 kΩ, on a memory that draws 1 µA.
fn coin() -> Request {
    Request {
        battery: Some("cr2032".to_owned()),
        blocking: Some("schottky".to_owned()),
        series: Some(Ohms(1e3)),
        current: Some(Amps(1e-6)),
        ..Request::default()
    }
}

/// A nickel-cadmium pack of 3 cells, 100 mAh, on the same memory.
fn pack() -> Request {
    Request {
        battery: Some("nicd".to_owned()),
        cells: Some(3),
        capacity: Some(AmpHours(0.1)),
        series: Some(Ohms(220.0)),
        current: Some(Amps(1e-6)),
        ..Request::default()
    }
}

fn measured(microamps: f64, celsius: f64) -> Option<Measured> {
    Some(Measured {
        current: Amps(microamps * 1e-6),
        celsius: cellkeep::standby::units::Celsius(celsius),
    })
}

fn setup(request: &Request) -> Setup {
    Setup::resolve(request, None, &tables()).expect("a sound request")
}

fn report(request: &Request) -> Report {
    answer(&setup(request), None, &tables()).expect("a sound request")
}

/// Asserts that two numbers agree to a share of the second.
#[track_caller]
fn close(got: f64, want: f64, share: f64) {
    assert!(
        (got - want).abs() <= want.abs() * share,
        "{got} is not {want} within {share}"
    );
}
