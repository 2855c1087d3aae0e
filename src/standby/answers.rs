//! The answers, in the order of the job: what should be measured, how long it lives, what holds it meanwhile, and
//! what must not flow backwards.

use crate::caution;

use super::change;
use super::error::StandbyError;
use super::model::Model;
use super::physics;
use super::report::{Answer, Report, Verdict};
use super::setup::Setup;
use super::supply::{MARGIN, charging, hold_up, keep_alive, reverse};
use super::tables::Tables;
use super::units::{Amps, Celsius, Range, Volts, Years, figures};

/// Years a primary cell should last: less than the first is bad, the second is comfortable. Common practice, no
/// source: a battery is expected to be looked at every five years.
const LIFE: (Years, Years) = (Years(2.0), Years(5.0));

/// Time a full pack should hold with the instrument off. Common practice, no source: a season in a store room.
const OFF_TIME: (Years, Years) = (Years(1.0 / 12.0), Years(0.25));

/// Points of the curve over the years.
const STEPS: usize = 120;

/// Works out every answer the setup allows; `change_to` is the key of another battery.
///
/// # Errors
/// When that battery is not in the tables, or cannot stand in this circuit at all.
pub fn answer(
    setup: &Setup,
    change_to: Option<&str>,
    tables: &Tables,
) -> Result<Report, StandbyError> {
    let model = Model::new(setup);
    let mut unanswered = Vec::new();
    let mut answers = vec![memory(setup)];
    answers.extend(health(setup));
    answers.extend(of_battery(setup, &mut unanswered));
    answers.push(leak(setup));
    match &setup.hold_up {
        Some(_) => answers.extend(hold_up(setup)),
        None => unanswered.push(
            "how long the hold-up capacitor holds: say --hold-up \"0.1 F\", or that there is none"
                .to_owned(),
        ),
    }
    answers.push(keep_alive(setup));
    let change = change_to
        .map(|key| change::change(setup, key, tables))
        .transpose()?;
    let verdict = answers.iter().map(|a| a.verdict).max();
    let mut cautions = vec!["mains", "polarity", "tags", "static"];
    let chemistries = [
        Some(&setup.battery.chemistry),
        change.as_ref().and_then(|c| c.chemistry.as_ref()),
    ];
    for chemistry in chemistries.into_iter().flatten() {
        if !chemistry.rechargeable {
            cautions.push("primary-lithium");
        }
        if chemistry.aqueous_alkali {
            cautions.push("alkaline-leak");
        }
    }
    cautions.extend(["short", "live-swap", "disposal"]);
    Ok(Report {
        title: setup.title.clone(),
        battery: setup.battery.name.clone(),
        verdict: verdict.unwrap_or(Verdict::Figure),
        answers,
        unanswered,
        figures: setup.figures.clone(),
        curve: model.curve(STEPS),
        retention_volts: setup.retention.0,
        storage_years: setup.storage_life().map(|y| y.0),
        from_full: setup.battery.chemistry.rechargeable,
        change: change.map(|c| c.change),
        cautions: caution::pick(&cautions),
    })
}

/// The answers that depend on the battery, for the one fitted and for one that might be.
pub(super) fn of_battery(setup: &Setup, unanswered: &mut Vec<String>) -> Vec<Answer> {
    let model = Model::new(setup);
    let mut answers = voltages(setup, &model);
    answers.extend(life(setup, &model));
    if setup.battery.chemistry.rechargeable {
        match setup.charging {
            Some(resistor) => answers.extend(charging(setup, resistor)),
            None => unanswered.push(
                "how fast the pack is charged: say --charge-resistor, the resistor between supply and pack".to_owned(),
            ),
        }
    } else {
        answers.extend(reverse(setup, &model, unanswered));
    }
    answers
}

fn memory(setup: &Setup) -> Answer {
    let load = Range::new(setup.mean_load().typical, setup.peak_load().worst);
    let (mean, hottest) = (setup.profile.mean(), setup.profile.hottest());
    let across = load.map(|i| i * setup.series);
    let meter = if setup.series.0 > 0.0 {
        format!(" Across the {} resistor that is {across}.", setup.series)
    } else {
        " Put 1 kΩ in series to measure it: 1 mV is 1 µA.".to_owned()
    };
    Answer::new("memory.current", "what the memory draws", load)
        .by(
            "I(T) = I(T0)·2^((T − T0)/10 °C), summed over the chips",
            format!("mean of the year at {mean}; worst at {hottest}"),
        )
        .judged(
            Verdict::Figure,
            format!("This is what the cell gives with the instrument off.{meter}"),
        )
}

fn health(setup: &Setup) -> Option<Answer> {
    let measured = setup.measured?;
    if !setup.expects() {
        return None;
    }
    let expected = setup.expected(measured.celsius);
    let excess = (measured.current - expected.worst).max(Amps(0.0));
    let times = measured.current / expected.typical;
    let (verdict, says) = if measured.current.0 <= expected.worst.0.max(expected.typical.0 * 2.0) {
        (
            Verdict::Good,
            "The memory is healthy: it draws what its data sheets allow.".to_owned(),
        )
    } else if measured.current.0 <= expected.worst.0 * 3.0 {
        (
            Verdict::Tight,
            format!(
                "It draws {times:.1} times the usual. Clean the board, then measure again chip by chip."
            ),
        )
    } else {
        (
            Verdict::Bad,
            format!(
                "Something leaks {excess} beyond what the chips may draw. Suspect electrolyte on the board, a tired capacitor at the battery, a chip; lift them one by one."
            ),
        )
    };
    Some(
        Answer::new(
            "memory.health",
            "standby current against what is usual",
            Range::exactly(measured.current),
        )
        .by(
            "I measured against I expected at the same temperature",
            format!(
                "{} against {expected} at {}",
                measured.current, measured.celsius
            ),
        )
        .judged(verdict, says),
    )
}

fn voltages(setup: &Setup, model: &Model) -> Vec<Answer> {
    let (drop, load) = (setup.drop(), setup.peak_load());
    let n = setup.battery.cells;
    let fresh = model.pin_fresh();
    let margin = fresh.map(|v| v - setup.retention);
    let verdict = Verdict::of_large(margin, Volts(0.0), MARGIN);
    let says = match verdict {
        Verdict::Bad => format!(
            "Even a fresh battery does not hold the {} the memory needs.",
            setup.retention
        ),
        Verdict::Tight => format!(
            "Only {} above the {} the memory needs, at worst.",
            margin.worst, setup.retention
        ),
        _ => format!("{margin} above the {} the memory needs.", setup.retention),
    };
    let cell = setup.battery.chemistry.curve.fresh();
    let pin = Answer::new(
        "pin.fresh",
        "at the memory's pin with a fresh battery",
        fresh,
    )
    .by(
        "V = n·Vc − Vf − I·R",
        format!(
            "{}·{cell} − {} − {}·{}",
            figures(n),
            drop.typical,
            load.typical,
            setup.series
        ),
    )
    .judged(verdict, says);
    let end = model.end_point();
    let usable = model.usable();
    let floor = setup.battery.end();
    let verdict = if usable.worst >= 0.8 {
        Verdict::Good
    } else if usable.typical <= 0.0 {
        Verdict::Bad
    } else {
        Verdict::Tight
    };
    let why = if end.worst.0 > floor.0 {
        format!("above the cell's own end point of {floor}, because of what is dropped on the way")
    } else {
        "the battery's own end point; the memory would be content with less".to_owned()
    };
    let dips = if setup.battery.chemistry.passivates {
        " A new cell of this kind dips at its first load: load it for a minute before it is trusted."
    } else {
        ""
    };
    let end = Answer::new("pin.end", "battery voltage at which to change it", end)
        .by(
            "Vb = max(Vr + Vf + I·R, n·Ve)",
            format!(
                "max({} + {} + {}·{}, {floor})",
                setup.retention, drop.typical, load.typical, setup.series
            ),
        )
        .judged(
            verdict,
            format!(
                "That is {why}. {} % of the charge can be used (worst {} %).{dips}",
                figures(usable.typical * 100.0),
                figures(usable.worst * 100.0)
            ),
        );
    vec![pin, end]
}

fn life(setup: &Setup, model: &Model) -> Vec<Answer> {
    let by_charge = model.life();
    let plain = model.life_by_capacity();
    let storage = setup.storage_life();
    let capacity = setup.battery.capacity.typical * model.usable().typical;
    let load = setup.mean_load().typical;
    let duty = setup.duty;
    let storage_answer = Answer::new("life.storage", "storage life of the battery", storage).by(
        "1 / Σ (tᵢ/T)/SLᵢ (AN1012)",
        setup
            .profile
            .shares()
            .map(|(share, t)| format!("at {t} for {} % of the time", figures(share * 100.0)))
            .collect::<Vec<_>>()
            .join(", "),
    );
    let cell = &setup.battery.chemistry;
    let beyond = setup.profile.hottest().0 > cell.celsius.high
        || setup.profile.coldest().0 < cell.celsius.low;
    if cell.rechargeable {
        let verdict = Verdict::of_large(by_charge, OFF_TIME.0, OFF_TIME.1);
        let says = match verdict {
            Verdict::Good => {
                "Self-discharge, not the memory, empties it; switch the instrument on before that."
            }
            Verdict::Tight => {
                "Tell the owner how often the instrument must be switched on, and for how long."
            }
            _ => "It does not keep the presets over a month's rest.",
        };
        let off = Answer::new("life.off", "from full, with the instrument off", by_charge)
            .by(
                "t = ln(1 + k·C·u/(I + k·C·(1 − u)))/k",
                format!("usable charge C·u = {capacity}, load {load}"),
            )
            .judged(verdict, says);
        let says = if beyond {
            "It lives outside the temperatures it is made for: fit another kind."
        } else {
            "After that the pack is worn or leaks, whatever its charge: date it and replace it in time."
        };
        let verdict = if beyond {
            Verdict::Bad
        } else {
            Verdict::Figure
        };
        return vec![off, storage_answer.judged(verdict, says)];
    }
    let life = by_charge.with(storage, |a, b| a.min(b));
    let rules = if storage.typical.0 < by_charge.typical.0 {
        "Storage life rules"
    } else {
        "The charge rules"
    };
    let verdict = if beyond {
        Verdict::Bad
    } else {
        Verdict::of_large(life, LIFE.0, LIFE.1)
    };
    let advice = match verdict {
        _ if beyond => "it lives outside the temperatures it is made for: fit another kind.",
        Verdict::Good => "write the date on the cell and look at it after five years.",
        Verdict::Tight => "write an earlier date on the cell, or fit a larger one.",
        _ => "find the leak, or fit another battery.",
    };
    vec![
        Answer::new("life.capacity", "life by charge alone", plain)
            .by(
                "t = C·u / (8760 h · (1 − d) · I)",
                format!("{capacity} / (8760 h · {:.3} · {load})", 1.0 - duty),
            )
            .judged(Verdict::Figure, "As if the cell lost nothing by itself."),
        Answer::new(
            "life.discharge",
            "life by charge with self-discharge",
            by_charge,
        )
        .by(
            "t = ln(1 + k·C·u/(I' + k·C·(1 − u)))/k, I' = (1 − d)·I",
            format!("usable charge C·u = {capacity}, load {load}"),
        )
        .judged(
            Verdict::Figure,
            "Until the pin reaches the retention voltage or the cell its end point.",
        ),
        storage_answer.judged(
            Verdict::Figure,
            "After that a cell may fail whatever its charge.",
        ),
        Answer::new("life", "expected life", life)
            .by(
                "t = min(charge, storage)",
                format!("min({}, {})", by_charge.typical, storage.typical),
            )
            .judged(verdict, format!("{rules}: {advice}")),
    ]
}

fn leak(setup: &Setup) -> Answer {
    let model = Model::new(setup);
    let storage = setup.storage_life();
    let cap = |life: Range<Years>| {
        if setup.battery.chemistry.rechargeable {
            life
        } else {
            life.with(storage, |a, b| a.min(b))
        }
    };
    let with_leak = |extra: Amps| {
        // Everything that leaks doubles with the same ten degrees.
        let warmth = setup
            .profile
            .average(|t| physics::doublings(Celsius(25.0), t));
        setup.mean_load().map(|i| i + extra * warmth)
    };
    match setup.measured {
        Some(m) if setup.expects() => {
            let healthy = Range::new(
                Amps(setup.profile.average(|t| setup.expected(t).typical.0)),
                Amps(setup.profile.average(|t| setup.expected(t).worst.0)),
            );
            let should = cap(model.life_with(healthy));
            let does = cap(model.life());
            let lost = should.with(does, |a, b| (a - b).max(Years(0.0)));
            let lost = Range::new(lost.typical, lost.worst.max(lost.typical));
            Answer::new("leak.cost", "what the leak costs", lost)
                .by(
                    "life as it should be − life as measured",
                    format!("{} − {}", should.typical, does.typical),
                )
                .judged(
                    if lost.typical.0 > should.typical.0 * 0.5 {
                        Verdict::Bad
                    } else {
                        Verdict::Figure
                    },
                    format!(
                        "Measured {} where {} is usual.",
                        m.current,
                        setup.expected(m.celsius).typical
                    ),
                )
        }
        _ => {
            let extra = Amps(10e-6);
            let left = cap(model.life_with(with_leak(extra)));
            Answer::new("leak.cost", "if something leaked 10 µA more", left)
                .by(
                    "the same with I + 10 µA at 25 °C",
                    format!("without it {}", cap(model.life()).typical),
                )
                .judged(
                    Verdict::Figure,
                    "Measure the standby current after the swap and give it with --measured: it beats every table.",
                )
        }
    }
}
