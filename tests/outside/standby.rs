//! Battery life against an independent numerical integration (scipy's `solve_ivp`), which reads the same tables and
//! shares no arithmetic with the program.

#![allow(clippy::expect_used, clippy::panic)]

mod tools;

use std::path::Path;

use cellkeep::standby::units::{Amps, Ohms, Volts};
use cellkeep::standby::{Profile, Request, Setup, Tables, answer};
use serde_json::{Value as Json, json};
use tools::ask;

fn integrate(cases: &[Json]) -> Vec<Json> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let answer = ask(
        "standby.py",
        &[&root.join("src/standby/tables")],
        &json!(cases),
    );
    serde_json::from_value(answer).expect("a list")
}

/// Battery, blocking part, standby current, resistor, hours on, profile, and the cycle it is cut into: short against
/// the life, so that where in the cycle the end falls does not matter.
type Case = (
    &'static str,
    &'static str,
    f64,
    f64,
    f64,
    &'static [(f64, f64)],
    f64,
);

const ROOM: &[(f64, f64)] = &[(8760.0, 25.0)];
const STAGE: &[(f64, f64)] = &[(600.0, 50.0), (8160.0, 22.0)];
const LOFT: &[(f64, f64)] = &[(2000.0, 38.0), (2760.0, 20.0), (4000.0, 5.0)];

const CASES: &[Case] = &[
    ("cr2032", "schottky", 5e-6, 1e3, 300.0, ROOM, 240.0),
    ("cr2032", "silicon", 3e-6, 10e3, 2000.0, STAGE, 240.0),
    ("cr2450", "silicon", 8e-6, 1e3, 0.0, LOFT, 240.0),
    ("br2032", "low-leakage", 4e-6, 1e3, 300.0, LOFT, 240.0),
    ("cr123a", "schottky", 30e-6, 100.0, 300.0, STAGE, 240.0),
    ("er14250", "silicon", 20e-6, 15e3, 300.0, STAGE, 240.0),
    ("er10450", "silicon-pair", 12e-6, 22e3, 1000.0, LOFT, 240.0),
    ("aa-pair", "schottky", 40e-6, 1e3, 300.0, STAGE, 240.0),
    ("aa-three", "silicon", 60e-6, 1e3, 300.0, LOFT, 240.0),
    ("nicd-pack", "silicon", 1e-6, 1e3, 300.0, STAGE, 24.0),
    ("nicd-pack", "schottky", 20e-6, 220.0, 300.0, LOFT, 12.0),
    ("nimh-pack", "schottky", 5e-6, 220.0, 300.0, ROOM, 24.0),
    ("nimh-button", "silicon", 50e-6, 470.0, 300.0, STAGE, 24.0),
    // The drop leaves a fresh cell below what the memory needs: no life at all.
    ("aa-pair", "silicon-pair", 1e-3, 1e3, 300.0, ROOM, 24.0),
];

#[test]
fn life_with_self_discharge_and_a_temperature_profile() {
    let cases: Vec<Json> = CASES
        .iter()
        .map(|(battery, blocking, amps, ohms, hours_on, profile, cycle)| {
            json!({
                "battery": battery, "blocking": blocking, "amps": amps, "ohms": ohms, "hours_on": hours_on,
                "profile": profile, "cycle_hours": cycle, "retention": 2.0,
            })
        })
        .collect();
    let integrated = integrate(&cases);
    assert_eq!(integrated.len(), CASES.len());
    let tables = Tables::built_in().expect("sound tables");
    let mut lives = 0;
    for ((battery, blocking, amps, ohms, hours_on, profile, _), want) in
        CASES.iter().zip(integrated)
    {
        let text: Vec<String> = profile.iter().map(|(h, t)| format!("{h}h@{t}")).collect();
        let request = Request {
            battery: Some((*battery).to_owned()),
            blocking: Some((*blocking).to_owned()),
            current: Some(Amps(*amps)),
            series: Some(Ohms(*ohms)),
            hours_on: Some(*hours_on),
            retention: Some(Volts(2.0)),
            profile: Some(Profile::parse(&text.join(",")).expect("a year")),
            ..Request::default()
        };
        let setup = Setup::resolve(&request, None, &tables).expect("sound");
        let report = answer(&setup, None, &tables).expect("sound");
        let got = |key: &str| report.answer(key).and_then(|a| a.typical);
        let years = got("life.discharge").or(got("life.off")).expect("a life");
        let (pin, want_pin) = (
            got("pin.fresh").expect("a voltage"),
            want["pin"].as_f64().expect("a number"),
        );
        assert!(
            (pin - want_pin).abs() < 1e-6,
            "{battery} pin {pin}, integrated {want_pin}"
        );
        let want = want["years"].as_f64().expect("a number");
        assert!(
            (years - want).abs() <= 0.005 * want,
            "{battery} {blocking}: {years} years, integrated {want}"
        );
        lives += usize::from(want > 0.0);
    }
    assert_eq!(lives, CASES.len() - 1, "only the last case has no life");
}
