//! What the answers say about a job, by hand arithmetic on the figures of the tables.

use cellkeep::document::{schema, to_json};
use cellkeep::standby::tables::Ground;
use cellkeep::standby::units::{AmpHours, Amps, Ohms, Volts};
use cellkeep::standby::{Report, Request, Verdict, answer};

use super::{close, coin, measured, pack, report, setup, tables};

fn typical(report: &Report, key: &str) -> f64 {
    report
        .answer(key)
        .and_then(|a| a.typical)
        .unwrap_or_else(|| panic!("no {key}"))
}

fn verdict(report: &Report, key: &str) -> Verdict {
    report
        .answer(key)
        .map(|a| a.verdict)
        .unwrap_or_else(|| panic!("no {key}"))
}

/// 3.20 V − 0.09 V (BAT54 at 1 µA, from memory) − 1 µA · 1 kΩ = 3.109 V.
#[test]
fn the_pin_by_hand() {
    let report = report(&coin());
    close(typical(&report, "pin.fresh"), 3.109, 1e-6);
    // 2.0 + 0.09 + 0.001 = 2.091 V; between 93 % (2.55 V) and 100 % (2.0 V) of the curve.
    close(typical(&report, "pin.end"), 2.091, 1e-6);
    let share = 0.93 + 0.07 * (2.55 - 2.091) / 0.55;
    // 225 mAh · share / (1 µA · (8760 − 300) h) in years.
    close(
        typical(&report, "life.capacity"),
        0.225 * share / 1e-6 / 8460.0,
        1e-3,
    );
    // Storage life rules: ten years at 25 °C.
    close(typical(&report, "life"), 10.0, 1e-9);
    assert_eq!(verdict(&report, "life"), Verdict::Good);
}

/// A pack behind two diodes: 3·1.35 − 2·0.27 V, and a resistor of 1 kΩ with 10 µA takes another 10 mV.
#[test]
fn two_diodes_and_a_resistor() {
    let request = Request {
        blocking: Some("silicon-pair".into()),
        series: Some(Ohms(1e3)),
        current: Some(Amps(1e-6)),
        ..pack()
    };
    close(
        typical(&report(&request), "pin.fresh"),
        4.05 - 0.54 - 0.001,
        1e-6,
    );
}

/// (5 V − 3·1.45 V)/220 Ω = 2.95 mA, C/34: within C/50 to C/10 for nickel-cadmium of 100 mAh; the same resistor gives
/// a nickel-metal hydride pack more than its 0.03 C.
#[test]
fn charging_and_what_a_change_does_to_it() {
    let base = report(&pack());
    close(typical(&base, "charge.current"), 0.65 / 220.0, 1e-6);
    assert_eq!(verdict(&base, "charge.current"), Verdict::Good);
    let changed = answer(&setup(&pack()), Some("nimh-pack"), &tables()).expect("known");
    let change = changed.change.expect("asked for");
    assert_eq!(change.answers[0].key, "change.as-is");
    assert_eq!(change.answers[0].verdict, Verdict::Bad);
    assert!(change.todo[0].contains("Replace the charging resistor"));
}

/// A primary cell in a pack's place would be charged by (5 − 2.92) V / 220 Ω = 9.45 mA: never.
#[test]
fn lithium_in_a_packs_place_is_never_left_as_it_is() {
    let report = answer(&setup(&pack()), Some("cr2032"), &tables()).expect("known");
    let change = report.change.as_ref().expect("asked for");
    let first = &change.answers[0];
    close(first.typical.expect("finite"), 2.08 / 220.0, 1e-6);
    assert_eq!(first.verdict, Verdict::Bad);
    assert!(change.todo[0].starts_with("Take out the charging resistor"));
    for key in [
        "primary-lithium",
        "mains",
        "polarity",
        "alkaline-leak",
        "tags",
        "static",
        "disposal",
    ] {
        assert!(report.cautions.iter().any(|c| c.key == key), "{key}");
    }
}

/// The protecting resistor: 25 mA for a coin cell, and 1 kΩ suffices; 100 µA for thionyl chloride, and it does not.
#[test]
fn protecting_resistors() {
    let coin_report = report(&coin());
    // (5 − 2.92)/25 mA: the plateau of our curve in place of the guide's 3 V.
    close(typical(&coin_report, "reverse.resistor"), 83.2, 1e-6);
    assert_eq!(verdict(&coin_report, "reverse.resistor"), Verdict::Good);
    let thionyl = report(&Request {
        battery: Some("er14250".into()),
        ..coin()
    });
    close(typical(&thionyl, "reverse.resistor"), 14_200.0, 1e-6);
    assert_eq!(verdict(&thionyl, "reverse.resistor"), Verdict::Bad);
    let bare = report(&Request {
        blocking: Some("none".into()),
        ..coin()
    });
    assert_eq!(verdict(&bare, "reverse.block"), Verdict::Bad);
    // A cylinder stands 2 µA of reverse current at most: more than a megohm.
    let cr2 = report(&Request {
        battery: Some("cr2".into()),
        ..coin()
    });
    assert!(typical(&cr2, "reverse.resistor") > 1e6);
    let own = report(&Request {
        reverse_limit: Some(Amps(10e-3)),
        ..coin()
    });
    close(typical(&own, "reverse.resistor"), 208.0, 1e-6);
}

/// A Schottky diode that leaks 0.5 µA while the instrument is on half the time for ten years: 22 mAh, where a coin
/// cell bears 3 % of 220 mAh = 6.6 mAh. A low-leakage diode is no trouble.
#[test]
fn leak_into_the_cell() {
    let hours = Some(4380.0);
    let schottky = report(&Request {
        hours_on: hours,
        ..coin()
    });
    close(typical(&schottky, "reverse.leak"), 0.5e-6 * 43_800.0, 1e-6);
    assert_eq!(verdict(&schottky, "reverse.leak"), Verdict::Bad);
    let low = report(&Request {
        hours_on: hours,
        blocking: Some("low-leakage".into()),
        ..coin()
    });
    assert_eq!(verdict(&low, "reverse.leak"), Verdict::Good);
}

/// Repair lists: about 1 µA is good, 260 µA was found on a bad unit. A measured value beats the table.
#[test]
fn health_of_the_memory() {
    let chips = Request {
        chips: vec![("6116".into(), 1)],
        current: None,
        ..coin()
    };
    let good = report(&Request {
        measured: measured(0.6, 25.0),
        ..chips.clone()
    });
    assert_eq!(verdict(&good, "memory.health"), Verdict::Good);
    let bad = report(&Request {
        measured: measured(260.0, 25.0),
        ..chips.clone()
    });
    assert_eq!(verdict(&bad, "memory.health"), Verdict::Bad);
    assert_eq!(verdict(&bad, "life"), Verdict::Bad);
    close(typical(&bad, "memory.current"), 260e-6, 1e-9);
    // Ten years of storage life would be; 225 mAh at 260 µA is five weeks: about 9.9 years are lost.
    close(typical(&bad, "leak.cost"), 9.9, 0.01);
    // Measured warm, it is less at 25 °C: half for ten degrees.
    let warm = report(&Request {
        measured: measured(1.0, 35.0),
        ..chips
    });
    close(typical(&warm, "memory.current"), 0.5e-6, 1e-9);
}

/// Two AA cells through 10 kΩ: 3.0 − 0.09 − 1 µA · 11 kΩ = 2.899 V. A memory that draws 200 µA falls to nothing.
#[test]
fn keep_alive_supply() {
    close(typical(&report(&coin()), "keep-alive"), 2.899, 1e-6);
    let leaky = report(&Request {
        measured: measured(200.0, 25.0),
        ..coin()
    });
    assert_eq!(verdict(&leaky, "keep-alive"), Verdict::Bad);
}

/// Every figure tells what it rests on; a figure from memory says so; what was given is not dressed up.
#[test]
fn every_figure_has_a_ground() {
    let report = report(&Request {
        hold_up: Some(cellkeep::standby::units::Farads(0.1)),
        ..coin()
    });
    for figure in &report.figures {
        assert!(!figure.source.is_empty(), "{}", figure.name);
        assert!(!figure.symbol.is_empty() && !figure.shown.is_empty());
    }
    let of = |symbol: &str| {
        report
            .figures
            .iter()
            .find(|f| f.symbol == symbol)
            .map(|f| f.ground)
    };
    assert_eq!(of("I"), Some(Ground::Given));
    assert_eq!(of("C"), Some(Ground::Published));
    assert_eq!(of("Vf"), Some(Ground::Memory));
    assert_eq!(of("Vs"), Some(Ground::Assumed));
    for answer in &report.answers {
        assert!(!answer.formula.is_empty() && !answer.worked.is_empty() && !answer.says.is_empty());
    }
}

/// The document has the fields its schema requires.
#[test]
fn the_document_meets_its_schema() {
    let report = answer(&setup(&pack()), Some("er14250"), &tables()).expect("known");
    let value: serde_json::Value =
        serde_json::from_str(&to_json(&report).expect("JSON")).expect("JSON");
    assert_eq!(value["kind"], "standby");
    let schema = schema::<Report>();
    for key in schema["required"].as_array().expect("a list") {
        assert!(value.get(key.as_str().expect("text")).is_some(), "{key}");
    }
}

/// A bench's own table replaces and adds entries.
#[test]
fn tables_of_the_bench() {
    let text = "[source.sheet]\nkind = \"published\"\ntext = \"a data sheet at hand\"\n[memory.77S88]\nname = \"1K x 8\"\nretention = { volts = 1.2, from = [\"sheet\"] }\nstandby = [{ microamps = 3, celsius = 25, worst = true, from = [\"sheet\"] }]";
    let tables = tables().with(text, "mine").expect("sound");
    let request = Request {
        chips: vec![("77s88".into(), 2)],
        current: None,
        ..coin()
    };
    let setup = cellkeep::standby::Setup::resolve(&request, None, &tables).expect("sound");
    assert_eq!(setup.retention, Volts(1.2));
    close(setup.mean_load().typical.0, 6e-6, 1e-9);
    assert_eq!(setup.battery.capacity.worst, AmpHours(0.22));
}
