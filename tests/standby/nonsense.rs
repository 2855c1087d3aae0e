//! Nonsense is refused with the reason, and the reason names the figure.

use cellkeep::blame::{Blame, Who};
use cellkeep::standby::units::{AmpHours, Amps, Celsius, Farads, Ohms, Volts};
use cellkeep::standby::{KeepAlive, Profile, Request, Setup, StandbyError, answer};

use super::{coin, measured, setup, tables};

fn refused(request: Request) -> StandbyError {
    Setup::resolve(&request, None, &tables()).expect_err("nonsense")
}

#[test]
fn impossible_figures() {
    let nan = f64::NAN;
    for (request, says) in [
        (
            Request {
                capacity: Some(AmpHours(-0.1)),
                ..coin()
            },
            "the capacity is -100 mAh; it must be above zero",
        ),
        (
            Request {
                capacity: Some(AmpHours(nan)),
                ..coin()
            },
            "the capacity is NaN Ah; it must be above zero",
        ),
        (
            Request {
                capacity: Some(AmpHours(500.0)),
                ..coin()
            },
            "the capacity is 500 Ah; a memory battery has less than 100 Ah",
        ),
        (
            Request {
                current: Some(Amps(0.0)),
                ..coin()
            },
            "the standby current is 0 A; it must be above zero",
        ),
        (
            Request {
                measured: measured(-1.0, 25.0),
                ..coin()
            },
            "the measured current is -1 µA; it must be above zero",
        ),
        (
            Request {
                measured: measured(2e6, 25.0),
                ..coin()
            },
            "the measured current is 2 A; over 1 A is a short circuit, not a standby current",
        ),
        (
            Request {
                series: Some(Ohms(-1.0)),
                ..coin()
            },
            "the series resistor is -1 Ω; it cannot lie below zero",
        ),
        (
            Request {
                supply: Some(Volts(0.0)),
                ..coin()
            },
            "the supply is 0.00 V; it must be above zero",
        ),
        (
            Request {
                supply: Some(Volts(230.0)),
                ..coin()
            },
            "the supply is 230.00 V; a memory's supply lies below 24 V",
        ),
        (
            Request {
                hold_up: Some(Farads(-0.1)),
                ..coin()
            },
            "the hold-up capacitor is -100 mF; it must be above zero",
        ),
        (
            Request {
                retention: Some(Volts(12.0)),
                ..coin()
            },
            "the retention voltage is 12.00 V; static memory keeps its contents down to something between 0.5 and 5 V",
        ),
        (
            Request {
                hours_on: Some(9000.0),
                ..coin()
            },
            "the time the instrument is on is 9000 hours a year; a year has 8760 hours",
        ),
        (
            Request {
                cells: Some(0),
                ..coin()
            },
            "the number of cells is 0; a memory battery has from 1 to 12",
        ),
        (
            Request {
                reverse_limit: Some(Amps(0.0)),
                ..coin()
            },
            "the reverse current limit is 0 A; it must be above zero",
        ),
        (
            Request {
                keep_alive: Some(KeepAlive {
                    supply: Volts(9.0),
                    resistor: Ohms(1e3),
                }),
                ..coin()
            },
            "the keep-alive supply is 9.00 V; it must not lie above the memory's own supply",
        ),
    ] {
        let error = refused(request);
        assert_eq!(error.to_string(), says);
        assert_eq!(error.who(), Who::Caller);
    }
}

#[test]
fn a_drop_above_the_cell() {
    let error = refused(Request {
        drop: Some(Volts(3.5)),
        ..coin()
    });
    assert_eq!(
        error.to_string(),
        "the blocking part drops 3.50 V, but a fresh battery has only 3.20 V"
    );
    assert!(error.hint().is_some_and(|h| h.contains("measure the drop")));
}

#[test]
fn temperatures_of_an_oven() {
    let error = Profile::constant(Celsius(400.0)).expect_err("an oven");
    assert!(
        error
            .to_string()
            .starts_with("the temperature is 400 °C; from -40 to 100 °C")
    );
    assert!(Profile::constant(Celsius(f64::NAN)).is_err());
    assert!(
        refused(Request {
            measured: measured(1.0, 400.0),
            ..coin()
        })
        .to_string()
        .contains("400 °C")
    );
}

#[test]
fn profiles_that_are_no_year() {
    for (text, says) in [
        ("600h@40", "comes to 600 hours"),
        ("9000h@40,rest@20", "comes to 9000 hours"),
        ("rest@20,rest@30", "more than one rest"),
        ("600h", "without @"),
        ("-5h@20,rest@20", "\"-5h\" for hours"),
        ("", "without @"),
        ("600h@cold,rest@20", "not a temperature"),
        ("600h@500,rest@20", "500 °C"),
    ] {
        let error = Profile::parse(text).expect_err(text).to_string();
        assert!(error.contains(says), "{text}: {error}");
    }
}

#[test]
fn unknown_and_missing_things() {
    for (request, says) in [
        (
            Request {
                battery: Some("aaaa".into()),
                ..coin()
            },
            "there is no battery \"aaaa\" in the tables",
        ),
        (
            Request {
                blocking: Some("valve".into()),
                ..coin()
            },
            "there is no blocking part \"valve\" in the tables",
        ),
        (
            Request {
                chips: vec![("9999".into(), 1)],
                ..coin()
            },
            "there is no memory chip \"9999\" in the tables",
        ),
        (
            Request {
                hold_up: Some(Farads(0.1)),
                capacitor: Some("jar".into()),
                ..coin()
            },
            "there is no capacitor \"jar\" in the tables",
        ),
        (
            Request {
                battery: None,
                ..coin()
            },
            "the battery is not known",
        ),
        (
            Request {
                current: None,
                ..coin()
            },
            "what the memory draws is not known",
        ),
        (
            Request {
                battery: Some("nicd".into()),
                ..coin()
            },
            "the number of cells in series is not known",
        ),
        (
            Request {
                battery: Some("nicd".into()),
                cells: Some(3),
                ..coin()
            },
            "the battery's capacity is not known",
        ),
    ] {
        let error = refused(request);
        assert_eq!(error.to_string(), says);
        assert!(error.hint().is_some(), "{says}");
    }
    assert!(answer(&setup(&coin()), Some("no-such"), &tables()).is_err());
}

#[test]
fn broken_tables() {
    for (text, says) in [
        ("nonsense = 1", "unknown field"),
        (
            "[memory.X]\nname = \"x\"\nretention = { volts = 2.0, from = [] }\nstandby = []",
            "names no source",
        ),
        (
            "[memory.X]\nname = \"x\"\nretention = { volts = 2.0, from = [\"hearsay\"] }\nstandby = []",
            "the source \"hearsay\", which is not listed",
        ),
        (
            "[memory.X]\nname = \"x\"\nretention = { volts = 2.0, from = [\"memory\"] }\nstandby = []",
            "standby currents above 0",
        ),
        (
            "[size.x]\nname = \"x\"\nchemistry = \"dilithium\"\ncells = 1\ncapacity = { typical = 1, worst = 1, from = [\"memory\"] }",
            "\"dilithium\", which is not listed",
        ),
    ] {
        let error = tables().with(text, "my-tables.toml").expect_err(text);
        assert!(error.to_string().starts_with("my-tables.toml: "), "{error}");
        assert!(error.to_string().contains(says), "{error}");
        assert_eq!(error.who(), Who::File);
    }
}
