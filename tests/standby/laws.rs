//! Laws of scale, of order and of dimension, for any figures.

use cellkeep::standby::model::Model;
use cellkeep::standby::physics::{
    charge_left, discharge_time, hold_up, limiting_resistor, mixed_storage_life,
};
use cellkeep::standby::units::{AmpHours, Amps, Celsius, Farads, Ohms, Volts, Years};
use cellkeep::standby::{Profile, Request, Setup};
use proptest::prelude::*;

use super::{coin, pack, tables};

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs()).max(1e-12)
}

prop_compose! {
    fn microamps()(log in -2.0..3.0f64) -> Amps { Amps(10f64.powf(log) * 1e-6) }
}

prop_compose! {
    fn charge()(log in -2.0..0.7f64) -> AmpHours { AmpHours(10f64.powf(log)) }
}

fn request(rechargeable: bool, load: Amps, capacity: AmpHours, celsius: f64, ohms: f64) -> Request {
    let base = if rechargeable { pack() } else { coin() };
    Request {
        current: Some(load),
        capacity: Some(capacity),
        series: Some(Ohms(ohms)),
        profile: Some(Profile::constant(Celsius(celsius)).expect("within bounds")),
        ..base
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// Twice the charge and twice the load is the same time; so is any factor: time depends on their ratio.
    #[test]
    fn time_depends_on_charge_over_load(q in charge(), i in microamps(), k in 0.0..3.0f64, share in 0.0..0.9f64, f in 0.1..10.0f64) {
        let time = |f: f64| discharge_time(q * f, q * (share * f), i * f, k).0;
        prop_assert!(near(time(1.0), time(f)));
    }

    /// Without self-discharge the general formula is the plain one, and it meets it from below.
    #[test]
    fn no_loss_is_the_plain_formula(q in charge(), i in microamps(), k in 1e-12..3.0f64) {
        let plain = q / i;
        let without = discharge_time(q, AmpHours(0.0), i, 0.0);
        let with = discharge_time(q, AmpHours(0.0), i, k);
        prop_assert!(near(plain.0, without.0));
        prop_assert!(with.0 <= plain.0 * (1.0 + 1e-9));
        let hardly = discharge_time(q, AmpHours(0.0), i, 1e-12);
        prop_assert!((hardly.0 / plain.0 - 1.0).abs() < 1e-6);
    }

    /// The two directions of the same solution agree: what is left after the time to an end is that end.
    #[test]
    fn charge_and_time_are_inverse(q in charge(), i in microamps(), k in 0.0..3.0f64, share in 0.0..0.99f64) {
        let end = q * share;
        let left = charge_left(q, i, k, discharge_time(q, end, i, k));
        prop_assert!((left.0 - end.0).abs() <= q.0 * 1e-6, "{} {}", left.0, end.0);
    }

    /// A capacitor holds twice as long at twice the capacitance, half as long at twice the currents, and the same
    /// when volts and currents both double.
    #[test]
    fn hold_up_scales(c in 1e-4..1.0f64, v in 0.1..3.0f64, i in microamps(), il in microamps(), f in 0.1..10.0f64) {
        let time = |c: f64, v: f64, f: f64| hold_up(Farads(c), Volts(v + 2.0), Volts(2.0), i * f, il * f).0;
        prop_assert!(near(time(c * f, v, 1.0), time(c, v, 1.0) * f));
        prop_assert!(near(time(c, v, f), time(c, v, 1.0) / f));
        let both = hold_up(Farads(c), Volts(v * f), Volts(0.0), i * f, il * f).0;
        prop_assert!(near(both, hold_up(Farads(c), Volts(v), Volts(0.0), i, il).0));
        prop_assert_eq!(hold_up(Farads(c), Volts(2.0), Volts(2.0 + v), i, il).0, 0.0);
    }

    /// The current through the resistor that the limit asks for is the limit: volts over ohms are amperes.
    #[test]
    fn the_limiting_resistor_limits(supply in 3.7..15.0f64, cell in 1.0..3.6f64, limit in microamps()) {
        let r = limiting_resistor(Volts(supply), Volts(cell), limit);
        prop_assert!(near(((Volts(supply) - Volts(cell)) / r).0, limit.0));
        prop_assert_eq!(limiting_resistor(Volts(cell), Volts(supply), limit).0, 0.0);
    }

    /// A mixed storage life lies between the shortest and the longest, and how the hours are split in lines does
    /// not matter.
    #[test]
    fn mixed_storage_lies_between(a in 1.0..40.0f64, b in 1.0..40.0f64, hours in 1.0..8759.0f64) {
        let mixed = mixed_storage_life(&[(hours, Years(a)), (8760.0 - hours, Years(b))]).0;
        prop_assert!(mixed >= a.min(b) - 1e-9 && mixed <= a.max(b) + 1e-9);
        let split = mixed_storage_life(&[
            (hours / 2.0, Years(a)),
            (8760.0 - hours, Years(b)),
            (hours / 2.0, Years(a)),
        ]);
        prop_assert!(near(mixed, split.0));
        prop_assert!(near(mixed_storage_life(&[(1.0, Years(a)), (3.0, Years(a))]).0, a));
    }

    /// The worst case is never better than the usual one, in any answer of the model.
    #[test]
    fn the_worst_case_is_the_worst(r in any::<bool>(), i in microamps(), q in charge(), t in -10.0..60.0f64, ohms in 0.0..5e3f64) {
        let tables = tables();
        let Ok(setup) = Setup::resolve(&request(r, i, q, t, ohms), None, &tables) else { return Ok(()) };
        let model = Model::new(&setup);
        prop_assert!(model.life().worst.0 <= model.life().typical.0 * (1.0 + 1e-9));
        prop_assert!(model.pin_fresh().worst.0 <= model.pin_fresh().typical.0);
        prop_assert!(model.end_point().worst.0 >= model.end_point().typical.0);
        prop_assert!(model.usable().worst <= model.usable().typical);
        prop_assert!(setup.storage_life().worst.0 <= setup.storage_life().typical.0);
        prop_assert!(setup.drop().worst.0 >= setup.drop().typical.0);
    }

    /// More load, more heat, a larger resistor or a smaller cell never make it last longer.
    #[test]
    fn nothing_bad_helps(r in any::<bool>(), i in microamps(), q in charge(), t in 0.0..50.0f64, ohms in 0.0..2e3f64, more in 1.01..3.0f64) {
        let tables = tables();
        let life = |request: &Request| {
            Setup::resolve(request, None, &tables).map(|s| Model::new(&s).life().typical.0)
        };
        let Ok(base) = life(&request(r, i, q, t, ohms)) else { return Ok(()) };
        let limit = base * (1.0 + 1e-9);
        for worse in [
            request(r, i * more, q, t, ohms),
            request(r, i, q / more, t, ohms),
            request(r, i, q, t, ohms * more + 1.0),
            request(r, i * more, q, t + 10.0, ohms),
        ] {
            if let Ok(years) = life(&worse) {
                prop_assert!(years <= limit, "{} {}", years, base);
            }
        }
    }

    /// The curve over the years falls, ends below what it starts with, and reaches the end point when the model
    /// says that it does.
    #[test]
    fn the_curve_falls_to_its_end(r in any::<bool>(), i in microamps(), q in charge(), t in 0.0..50.0f64) {
        let tables = tables();
        let Ok(setup) = Setup::resolve(&request(r, i, q, t, 220.0), None, &tables) else { return Ok(()) };
        let model = Model::new(&setup);
        let curve = model.curve(60);
        for pair in curve.windows(2) {
            prop_assert!(pair[1].pin.typical <= pair[0].pin.typical + 1e-12);
            prop_assert!(pair[1].margin.worst <= pair[0].margin.worst + 1e-12);
            prop_assert!(pair[1].left.typical <= pair[0].left.typical + 1e-12);
        }
        let life = model.life().typical;
        let end = model.at(life);
        prop_assert!((1.0 - end.left.typical - model.usable().typical).abs() < 1e-6);
        if model.usable().typical > 0.0 {
            prop_assert!(end.margin.typical >= -1e-6);
        } else {
            // Even the fresh cell lies below what the memory needs: no life, and no margin.
            prop_assert!(life.0 == 0.0 && end.margin.typical <= 1e-6);
        }
    }

    /// What is printed is read back as the same, within the three figures that are printed.
    #[test]
    fn quantities_print_and_parse(log in -11.0..5.0f64) {
        let value = 10f64.powf(log);
        let back: Amps = Amps(value).to_string().parse().expect("a current");
        prop_assert!((back.0 / value - 1.0).abs() < 6e-3, "{} {}", Amps(value), back.0);
        let back: Ohms = Ohms(value).to_string().parse().expect("a resistance");
        prop_assert!((back.0 / value - 1.0).abs() < 6e-3);
        let back: AmpHours = AmpHours(value).to_string().parse().expect("a charge");
        prop_assert!((back.0 / value - 1.0).abs() < 6e-3);
    }

    /// Whatever is typed, reading a quantity or a profile ends without a panic.
    #[test]
    fn any_text_is_read_or_refused(text in "\\PC{0,12}") {
        let _ = text.parse::<Amps>();
        let _ = text.parse::<Ohms>();
        let _ = text.parse::<Volts>();
        let _ = Profile::parse(&text);
    }
}

/// A year in which the hot hours are split differently is the same year.
#[test]
fn profiles_are_shares_of_a_year() {
    let a = Profile::parse("600h@40,rest@20").expect("a year");
    let b = Profile::parse("300@40, 8160h@20C, 300h@40 °C").expect("a year");
    assert!(near(a.mean().0, b.mean().0));
    // By hand: (600·40 + 8160·20)/8760 = 21.36986.
    assert!((a.mean().0 - 21.369_863).abs() < 1e-6);
    assert_eq!((a.coldest(), a.hottest()), (Celsius(20.0), Celsius(40.0)));
}
