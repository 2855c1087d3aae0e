//! The formulas, one function each, with where they come from. Nothing here knows parts or instruments.

use super::units::{AmpHours, Amps, Celsius, Farads, HOURS_A_YEAR, Ohms, Seconds, Volts, Years};

/// The current doubles every ten degrees: I(T) = I0 · 2^((T − T0)/10).
///
/// A rule of the trade; the data-sheet pairs of DS2016, DS2064 and LC3564 lie within 15 % of it.
pub fn at_temperature(current: Amps, from: Celsius, to: Celsius) -> Amps {
    current * doublings(from, to)
}

/// How much faster a leak or a loss is at `to` than at `from`.
pub fn doublings(from: Celsius, to: Celsius) -> f64 {
    2f64.powf((to.0 - from.0) / 10.0)
}

/// The current at a temperature from figures at several: logarithmic between two of them, doubling every ten
/// degrees beyond the outermost. `None` without figures.
pub fn current_between(points: &[(Celsius, Amps)], at: Celsius) -> Option<Amps> {
    let below = points
        .iter()
        .filter(|p| p.0.0 <= at.0)
        .max_by(|a, b| a.0.0.total_cmp(&b.0.0));
    let above = points
        .iter()
        .filter(|p| p.0.0 >= at.0)
        .min_by(|a, b| a.0.0.total_cmp(&b.0.0));
    match (below, above) {
        (Some(&(t0, i0)), Some(&(t1, i1))) if t1.0 > t0.0 => {
            Some(i0 * (i1 / i0).powf((at.0 - t0.0) / (t1.0 - t0.0)))
        }
        (Some(&(t, i)), _) | (None, Some(&(t, i))) => Some(at_temperature(i, t, at)),
        (None, None) => None,
    }
}

/// Rate of a loss that takes a share of what is left in a time: k = −ln(1 − share)/time, a year.
pub fn loss_rate(share: f64, time: Years) -> f64 {
    -(1.0 - share).ln() / time.0
}

/// Years until a capacity is used: Ah / (8760 · (1 − duty) · I) (NVRAM application notes). `duty` is the share of
/// the time that the instrument is on and the cell rests.
pub fn capacity_life(capacity: AmpHours, duty: f64, current: Amps) -> Years {
    capacity / (current * (1.0 - duty))
}

/// Storage life over several temperatures: 1 / Σ (tᵢ/T)/SLᵢ (AN1012, 3.2).
pub fn mixed_storage_life(parts: &[(f64, Years)]) -> Years {
    let total: f64 = parts.iter().map(|p| p.0).sum();
    let spent: f64 = parts.iter().map(|(t, life)| t / total / life.0).sum();
    Years(1.0 / spent)
}

/// What is left of a charge after a time under a load and self-discharge: the solution of
/// dQ/dt = −I − kQ, Q(t) = (Q0 + I/k)·e^(−kt) − I/k; k a year.
pub fn charge_left(start: AmpHours, load: Amps, loss: f64, time: Years) -> AmpHours {
    let hourly = loss / HOURS_A_YEAR;
    let hours = time.0 * HOURS_A_YEAR;
    if hourly * hours < 1e-9 {
        return start - load * time;
    }
    let decay = (-hourly * hours).exp();
    AmpHours(start.0 * decay + load.0 * (-hourly * hours).exp_m1() / hourly)
}

/// Time until a charge has fallen to `end`: t = ln((Q0 + I/k)/(Qe + I/k))/k, and (Q0 − Qe)/I without loss.
/// Infinite where neither load nor loss takes anything.
pub fn discharge_time(start: AmpHours, end: AmpHours, load: Amps, loss: f64) -> Years {
    if start.0 <= end.0 {
        return Years(0.0);
    }
    let hourly = loss / HOURS_A_YEAR;
    let used = (start - end).0;
    // ln(1 + x)/k with x = k·(Q0 − Qe)/(I + k·Qe): exact, and stable down to no loss at all.
    let floor = load.0 + hourly * end.0;
    let hours = if hourly > 0.0 {
        (hourly * used / floor).ln_1p() / hourly
    } else {
        used / load.0
    };
    Years(hours / HOURS_A_YEAR)
}

/// Time a capacitor holds: t = C·(V0 − V1)/(I + IL) (electric double layer capacitor technical guide).
pub fn hold_up(capacitance: Farads, from: Volts, to: Volts, load: Amps, leak: Amps) -> Seconds {
    if from.0 <= to.0 {
        return Seconds(0.0);
    }
    Seconds(capacitance.0 * (from - to).0 / (load + leak).0)
}

/// The resistor that keeps a current within a limit: R ≥ (Vs − Vc)/I (lithium thionyl chloride maker's example).
/// Zero where the supply lies below the cell.
pub fn limiting_resistor(supply: Volts, cell: Volts, limit: Amps) -> Ohms {
    ((supply - cell) / limit).max(Ohms(0.0))
}

/// The mean current that uses up a charge budget: share · capacity / time.
pub fn budget_current(capacity: AmpHours, share: f64, time: Years) -> Amps {
    Amps(capacity.0 * share / (time.0 * HOURS_A_YEAR))
}

/// The current through a resistor from a supply into a pack, never below zero.
pub fn charge_current(supply: Volts, drop: Volts, pack: Volts, resistor: Ohms) -> Amps {
    ((supply - drop - pack) / resistor).max(Amps(0.0))
}
