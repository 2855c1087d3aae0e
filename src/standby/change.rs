//! What happens when the chemistry is changed: first what the circuit, left as it is, would do to the new battery.

use super::answers::of_battery;
use super::error::StandbyError;
use super::model::Model;
use super::physics;
use super::report::{Answer, Change, Verdict};
use super::setup::Setup;
use super::tables::{Chemistry, Tables};
use super::units::{Amps, Range, Volts, figures};

/// A change with the chemistry it leads to.
pub(super) struct Changed {
    pub(super) change: Change,
    pub(super) chemistry: Option<Chemistry>,
}

/// Works out a change to another battery.
pub(super) fn change(setup: &Setup, key: &str, tables: &Tables) -> Result<Changed, StandbyError> {
    let new = setup.with_battery(key, tables)?;
    let (was, will) = (&setup.battery.chemistry, &new.battery.chemistry);
    let mut todo = Vec::new();
    let mut answers = Vec::new();
    match (was.rechargeable, will.rechargeable) {
        (true, false) => {
            answers.extend(primary_in_charger(setup, &new));
            todo.push(
                "Take out the charging resistor, or the diode that bypasses the blocking part, so that no current can reach the new cell.".to_owned(),
            );
            todo.push(format!(
                "Check that the blocking part ({}) lies between the new cell and the memory, its bar towards the memory.",
                setup.blocking.name
            ));
            if let Some(limit) = new.battery.reverse {
                let cell = will.curve.at(0.5) * new.battery.cells;
                let least = physics::limiting_resistor(new.supply, cell, limit);
                if new.series.0 < least.0 && !new.blocking.second_line {
                    todo.push(format!(
                        "Put a resistor of at least {least} in series with the new cell, for the day the blocking part fails short (now {}).",
                        new.series
                    ));
                }
            }
            todo.push(
                "With the new cell's holder still empty and the instrument on, measure across its contacts through 1 kΩ: no current may flow towards plus.".to_owned(),
            );
        }
        (true, true) => {
            if let Some(answer) = pack_in_charger(setup, &new) {
                if answer.verdict == Verdict::Bad {
                    todo.push(
                        "Replace the charging resistor by one that the new pack stands (see \"charging resistor that fits\").".to_owned(),
                    );
                }
                answers.push(answer);
            }
        }
        (false, true) => todo.push(
            "The circuit has no way to charge a pack: it would have to be added by someone who designs such things. Without it the pack is empty after its self-discharge.".to_owned(),
        ),
        (false, false) => {}
    }
    if new.battery.fresh().typical.0 > new.supply.0 {
        todo.push(format!(
            "The new battery has {} fresh, more than the supply of {}: it would feed the board while the instrument is on. Fit a lower voltage.",
            new.battery.fresh().typical, new.supply
        ));
    }
    todo.push(
        "Fit a holder or a tagged cell, away from the boards, and mark its polarity.".to_owned(),
    );
    todo.push("Write type and date on it, and note it in the job.".to_owned());
    let mut unanswered = Vec::new();
    answers.extend(of_battery(&new, &mut unanswered));
    todo.extend(unanswered.into_iter().map(|u| format!("Find out {u}.")));
    let figures = new
        .figures
        .iter()
        .filter(|f| !setup.figures.contains(f))
        .cloned()
        .collect();
    Ok(Changed {
        change: Change {
            key: key.to_ascii_lowercase(),
            to: new.battery.name.clone(),
            rechargeable: will.rechargeable,
            todo,
            answers,
            figures,
            curve: Model::new(&new).curve(120),
        },
        chemistry: Some(will.clone()),
    })
}

/// A primary cell put where a pack was, nothing else changed.
fn primary_in_charger(setup: &Setup, new: &Setup) -> Option<Answer> {
    let resistor = setup.charging?;
    let cell = new.battery.chemistry.curve.at(0.5) * new.battery.cells;
    let current = physics::charge_current(setup.supply, Volts(0.0), cell, resistor);
    let verdict = if current.0 > 0.0 {
        Verdict::Bad
    } else {
        Verdict::Good
    };
    let says = if current.0 > 0.0 {
        "Left as it is, the circuit charges the new cell whenever the instrument is on. A primary cell must never be charged."
    } else {
        "The supply does not reach the new battery's voltage; a fault might. Take the charging path out all the same."
    };
    Some(
        Answer::new(
            "change.as-is",
            "into the new cell, were nothing else changed",
            Range::exactly(current),
        )
        .by(
            "(Vs − n·Vc)/Rc",
            format!("({} − {cell})/{resistor}", setup.supply),
        )
        .judged(verdict, says),
    )
}

/// A pack of another chemistry on the old pack's charging resistor.
fn pack_in_charger(setup: &Setup, new: &Setup) -> Option<Answer> {
    let (resistor, charge) = (setup.charging?, new.battery.chemistry.charge.as_ref()?);
    let pack = Volts(charge.volts) * new.battery.cells;
    let current = physics::charge_current(setup.supply, Volts(0.0), pack, resistor);
    let rate = current.0 / new.battery.capacity.typical.0;
    let most = Amps(new.battery.capacity.typical.0 * charge.trickle.1);
    let (verdict, says) = if rate > charge.trickle.1 {
        (
            Verdict::Bad,
            format!(
                "C/{} for ever, where this chemistry stands {most}: a charger made for the old pack overcharges it.",
                figures(1.0 / rate)
            ),
        )
    } else {
        (
            Verdict::Good,
            format!("The old charging resistor suits it: at most {most} is allowed."),
        )
    };
    Some(
        Answer::new(
            "change.as-is",
            "lasting charge on the old resistor",
            Range::exactly(current),
        )
        .by(
            "(Vs − n·Vch)/Rc",
            format!("({} − {pack})/{resistor}", setup.supply),
        )
        .judged(verdict, says),
    )
}
