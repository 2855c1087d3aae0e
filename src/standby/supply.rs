//! The answers about what holds the memory besides the battery, what charges a pack, and what must not flow into a
//! primary cell.

use super::model::Model;
use super::physics;
use super::report::{Answer, Verdict};
use super::setup::Setup;
use super::units::{self, Amps, Celsius, Ohms, Range, Seconds, Volts, Years, figures};

/// Margin at the pin that is comfortable. Common practice, no source: what a meter and a cold morning may hide.
pub(super) const MARGIN: Volts = Volts(0.2);

/// Time a hold-up capacitor should give for a swap: the quick one, and the comfortable one. Common practice.
const SWAP: (Seconds, Seconds) = (Seconds(300.0), Seconds(1800.0));

pub(super) fn hold_up(setup: &Setup) -> Option<Answer> {
    let (farads, kind) = setup.hold_up.as_ref()?;
    let leak = kind.leak_per_farad.range(|per| Amps(per * farads.0));
    let capacitance = Range::new(*farads, *farads * (1.0 - kind.tolerance.value));
    // It is charged to what the battery and the blocking part leave at the pin, the supply having been off.
    let start = Model::new(setup).pin_fresh();
    let load = setup.peak_load();
    let hold = |c, v0, i, il| physics::hold_up(c, v0, setup.retention, i, il);
    let time = Range::new(
        hold(
            capacitance.typical,
            start.typical,
            load.typical,
            leak.typical,
        ),
        hold(capacitance.worst, start.worst, load.worst, leak.worst),
    );
    let verdict = Verdict::of_large(time, SWAP.0, SWAP.1);
    let says = match verdict {
        Verdict::Good => {
            "Long enough for an unhurried swap; use the keep-alive supply all the same."
        }
        Verdict::Tight => {
            "It may be enough for a quick swap. Do not rely on it: use the keep-alive supply."
        }
        _ => "Not enough for a swap: use the keep-alive supply.",
    };
    Some(
        Answer::new("hold-up", "how long the hold-up capacitor holds", time)
            .by(
                "t = Ch·(V0 − Vr)/(I + Ilc)",
                format!(
                    "{farads}·({} − {})/({} + {})",
                    start.typical, setup.retention, load.typical, leak.typical
                ),
            )
            .judged(verdict, says),
    )
}

pub(super) fn keep_alive(setup: &Setup) -> Answer {
    let keep = setup.keep_alive;
    let (drop, load) = (setup.drop(), setup.peak_load());
    let total = keep.resistor + setup.series;
    let pin = load.with(drop, |i, vf| keep.supply - vf - i * total);
    let margin = pin.map(|v| v - setup.retention);
    let most = ((keep.supply - drop.worst - setup.retention) / total).max(Amps(0.0));
    let verdict = Verdict::of_large(margin, Volts(0.0), MARGIN);
    let slip = keep.supply / keep.resistor;
    let pack = setup.battery.fresh().typical;
    let back = (pack - keep.supply) / keep.resistor;
    let meanwhile = if back.0 > 0.0 {
        format!(
            " While both are connected a full pack pushes {back} back into it: keep that short."
        )
    } else {
        String::new()
    };
    let says = match verdict {
        Verdict::Bad => {
            "It does not hold this memory: take a smaller resistor or a higher voltage.".to_owned()
        }
        _ => format!(
            "{margin} above what the memory needs; it carries up to {most}, and a slip shorts no more than {slip}.{meanwhile}"
        ),
    };
    Answer::new("keep-alive", "at the pin on the keep-alive supply", pin)
        .by(
            "V = Vk − Vf − I·(Rk + R)",
            format!(
                "{} − {} − {}·{total}",
                keep.supply, drop.typical, load.typical
            ),
        )
        .judged(verdict, says)
}

pub(super) fn charging(setup: &Setup, resistor: Ohms) -> Vec<Answer> {
    let Some(charge) = &setup.battery.chemistry.charge else {
        return Vec::new();
    };
    let capacity = setup.battery.capacity.typical;
    let pack = Volts(charge.volts) * setup.battery.cells;
    let current = physics::charge_current(setup.supply, Volts(0.0), pack, resistor);
    // An emptied pack takes most.
    let empty = physics::charge_current(setup.supply, Volts(0.0), setup.battery.end(), resistor);
    let rate = current.0 / capacity.0;
    let (low, high) = charge.trickle;
    let share = |rate: f64| {
        if rate > 0.0 {
            format!("C/{}", figures(1.0 / rate))
        } else {
            "nothing".to_owned()
        }
    };
    let (verdict, says) = if rate > high {
        (
            Verdict::Bad,
            format!(
                "{} for ever: more than {}, it overcharges the pack.",
                share(rate),
                share(high)
            ),
        )
    } else if rate < low {
        (
            Verdict::Tight,
            format!(
                "{}: less than {}, it may not make up for self-discharge.",
                share(rate),
                share(low)
            ),
        )
    } else {
        (
            Verdict::Good,
            format!(
                "{}: within {} to {}, it may last for ever.",
                share(rate),
                share(low),
                share(high)
            ),
        )
    };
    let mut answers = vec![
        Answer::new(
            "charge.current",
            "lasting charge with the instrument on",
            Range::new(current, empty),
        )
        .by(
            "Ic = (Vs − n·Vch)/Rc",
            format!("({} − {pack})/{resistor}", setup.supply),
        )
        .judged(
            verdict,
            format!("{says} An empty pack takes {empty} at first."),
        ),
    ];
    let headroom = setup.supply - pack;
    if headroom.0 > 0.0 {
        let (least, most) = (
            physics::limiting_resistor(setup.supply, pack, Amps(capacity.0 * high)),
            physics::limiting_resistor(setup.supply, pack, Amps(capacity.0 * low)),
        );
        let mut answer = Answer::new(
            "charge.resistor",
            "charging resistor that fits",
            Range::new(most, least),
        )
        .by(
            "Rc = (Vs − n·Vch)/(C·rate)",
            format!(
                "({} − {pack})/({capacity}·{} to {})",
                setup.supply,
                figures(low),
                figures(high)
            ),
        )
        .judged(
            if resistor.0 < least.0 {
                Verdict::Bad
            } else {
                Verdict::Figure
            },
            format!("{resistor} is fitted."),
        );
        answer.shown = format!("{least} to {most}");
        answers.push(answer);
    }
    let lost = Amps(setup.loss().typical * capacity.0 / units::HOURS_A_YEAR);
    let need = setup.mean_load().typical + lost;
    let gain = current * charge.efficiency;
    if gain.0 > 0.0 {
        let hours = need.0 / gain.0 * 168.0;
        let full = Seconds(capacity.0 / gain.0 * 3600.0);
        let verdict = if setup.duty * 168.0 >= hours {
            Verdict::Good
        } else {
            Verdict::Tight
        };
        answers.push(
            Answer::new(
                "charge.balance",
                "time on that keeps it full",
                Range::exactly(Seconds(hours * 3600.0)),
            )
            .by(
                "a week · (I + k·C)/(η·Ic)",
                format!(
                    "168 h·({} + {lost})/({}·{current})",
                    setup.mean_load().typical,
                    charge.efficiency
                ),
            )
            .judged(
                verdict,
                format!(
                    "So long a week; it is on for {} h. An empty pack takes {full} to fill.",
                    figures(setup.duty * 168.0)
                ),
            ),
        );
    }
    answers
}

pub(super) fn reverse(setup: &Setup, model: &Model, unanswered: &mut Vec<String>) -> Vec<Answer> {
    let battery = &setup.battery;
    let mut answers = Vec::new();
    // The least voltage of the battery lets most through: its nominal plateau, as makers reckon.
    let cell = battery.chemistry.curve.at(0.5) * battery.cells;
    if setup.blocking.leak.is_none() {
        let current = setup.supply - cell;
        answers.push(
            Answer::new("reverse.block", "voltage that would charge the cell", Range::exactly(current))
                .by("Vs − n·Vc", format!("{} − {cell}", setup.supply))
                .judged(
                    if current.0 > 0.0 { Verdict::Bad } else { Verdict::Good },
                    "No blocking part: the supply charges a cell that must never be charged. Fit one first.",
                ),
        );
        return answers;
    }
    match battery.reverse {
        Some(limit) => answers.push(reverse_resistor(setup, cell, limit)),
        None => unanswered.push(format!(
            "the resistor that protects the {} if the blocking part fails: no limit was found for it; say --reverse-limit from its data sheet",
            battery.name
        )),
    }
    let (Some(leak), Some(budget)) = (&setup.blocking.leak, &battery.chemistry.charge_budget)
    else {
        return answers;
    };
    let warmth = Range::new(setup.profile.mean(), setup.profile.hottest())
        .map(|t| physics::doublings(Celsius(25.0), t));
    let leak = leak.range(Amps).with(warmth, |i, w| i * w);
    let life = model
        .life()
        .with(setup.storage_life(), |a, b| a.min(b))
        .typical;
    let on = Years(life.0 * setup.duty);
    let taken = leak.map(|i| i * on);
    let allowed = battery.capacity.worst * budget.share;
    let mean = physics::budget_current(battery.capacity.worst, budget.share, on.max(Years(1e-6)));
    let verdict = if taken.worst.0 <= allowed.0 {
        Verdict::Good
    } else if taken.typical.0 <= allowed.0 {
        Verdict::Tight
    } else {
        Verdict::Bad
    };
    let says = match verdict {
        Verdict::Good => "Within what the cell bears.",
        Verdict::Tight => {
            "Within it usually; a leaky specimen or a hot case goes beyond. A low-leakage part is safer."
        }
        _ => "More than the cell bears: fit a part that leaks less.",
    };
    answers.push(
        Answer::new(
            "reverse.leak",
            "charge that leaks into the cell in its life",
            taken,
        )
        .by(
            "Q = Il·8760 h·d·life",
            format!(
                "{}·8760 h·{:.3}·{}; allowed {} % of C = {allowed}, or {mean} while on",
                leak.typical,
                setup.duty,
                life,
                figures(budget.share * 100.0)
            ),
        )
        .judged(verdict, says),
    );
    answers
}

fn reverse_resistor(setup: &Setup, cell: Volts, limit: Amps) -> Answer {
    let least = physics::limiting_resistor(setup.supply, cell, limit);
    // The resistor may eat what lies between the cell's plateau and the retention voltage, less a margin.
    let (drop, load) = (setup.drop().worst, setup.peak_load().worst);
    let plateau = setup.battery.chemistry.curve.at(0.8) - Volts(setup.battery.chemistry.curve.sag);
    let spare = plateau * setup.battery.cells - drop - setup.retention - MARGIN;
    let most = (spare / load).max(Ohms(0.0));
    let fault =
        physics::charge_current(setup.supply, Volts(0.0), cell, setup.series.max(Ohms(1e-3)));
    let window = if most.0 >= least.0 {
        format!("Anything from {least} to {most} fits the memory as well.")
    } else {
        format!(
            "But the memory bears only {most}: take a higher voltage or a second diode instead."
        )
    };
    let (verdict, says) = if setup.blocking.second_line {
        (
            Verdict::Good,
            "Two parts in series: when one fails the other still blocks.".to_owned(),
        )
    } else if setup.series.0 >= least.0 {
        (
            Verdict::Good,
            format!(
                "With {} fitted a failed blocking part pushes {fault}, at most {limit} is allowed.",
                setup.series
            ),
        )
    } else if setup.series.0 > 0.0 {
        (
            Verdict::Bad,
            format!(
                "With {} fitted a failed blocking part pushes {fault}; at most {limit} is allowed. {window}",
                setup.series
            ),
        )
    } else {
        (
            Verdict::Bad,
            format!(
                "No resistor is fitted: a failed blocking part charges the cell unchecked. {window}"
            ),
        )
    };
    Answer::new(
        "reverse.resistor",
        "least resistor in case the blocking part fails",
        Range::exactly(least),
    )
    .by(
        "R >= (Vs − n·Vc)/Ir",
        format!("({} − {cell})/{limit}", setup.supply),
    )
    .judged(verdict, says)
}
