//! From plan and readings to a found layout: structure, columns, fields, noise, slips.

use super::cells::{Experiment, TraceError};
use super::columns::{self, Column};
use super::dials;
use super::dictionary::Dictionary;
use super::exchanges;
use super::explain::Explained;
use super::fields::{self, Found};
use super::hints;
use super::signal::{self, Code, Noise};
use super::standing;
use super::structures::structures;
use super::tables;
use super::untold::{self, Noticed};

/// Everything found, before it is written down.
pub(crate) struct Solved<'a> {
    pub(crate) experiment: Experiment<'a>,
    pub(crate) structures: Vec<Explained>,
    pub(crate) columns: Vec<Column>,
    pub(crate) found: Vec<Option<Found>>,
    /// Saves of dials whose code is known, and those whose code is one off.
    pub(crate) stepped: (f64, f64),
    /// Saves that do not hold what the plan says, with the setting they hold instead, if one.
    pub(crate) bad_saves: Vec<(usize, Option<usize>)>,
    /// Saves of one reading that hold each other's settings: taken as what they hold where all then fits as well or
    /// better, and else among the saves that do not hold what the plan says.
    pub(crate) exchanged: Vec<[exchanges::Holds; 2]>,
    /// Conditions that the panel file does not tell and the settings speak for: those reckoned with and, where they are
    /// less sure, those that may be.
    pub(crate) noticed: Vec<Noticed>,
    /// Dials off their mark: setting, lane, and the position they seem to have stood at.
    pub(crate) off_mark: Vec<(usize, usize, String)>,
    /// Dials off their mark in one save alone: save, lane, position.
    pub(crate) off_in_save: Vec<(usize, usize, String)>,
}

/// Solves; where presets were plainly saved in each other's places, once more with each taken as what it holds.
pub(crate) fn solve(experiment: Experiment<'_>) -> Result<Solved<'_>, TraceError> {
    /// Most times that further pairs are looked for.
    const ROUNDS: usize = 2;
    let mut solved = once(experiment)?;
    for _ in 0..ROUNDS {
        let pairs = exchanges::plain(&solved);
        if pairs.is_empty() {
            break;
        }
        let mut experiment = solved.experiment.clone();
        for [(a, of_a), (b, of_b)] in &pairs {
            (experiment.saves[*a].setting, experiment.saves[*b].setting) = (*of_a, *of_b);
        }
        let Ok(mut again) = once(experiment) else {
            break;
        };
        if again.shown() < solved.shown() {
            break;
        }
        again.doubt_orders_of(&solved);
        again.exchanged = [std::mem::take(&mut solved.exchanged), pairs].concat();
        solved = again;
    }
    Ok(with_untold(solved))
}

/// Solves again with each control that plainly means something only sometimes looked for where it does.
fn with_untold(mut solved: Solved) -> Solved {
    /// Times that more is noticed by what was noticed.
    const ROUNDS: usize = 3;
    for _ in 0..ROUNDS {
        let (mut sure, mut perhaps): (Vec<Noticed>, Vec<Noticed>) = untold::notice(&solved)
            .into_iter()
            .partition(Noticed::written);
        let mut better = with(&solved, &sure);
        // What is not found when it is looked for so is not written so.
        let lost = |again: &Solved, n: &Noticed| !untold::borne_out(again, n);
        if let Some(again) = &better {
            let (not, is) = sure.into_iter().partition(|n| lost(again, n));
            sure = is;
            if !Vec::is_empty(&not) {
                perhaps.extend(not.into_iter().map(Noticed::doubted));
                better = with(&solved, &sure);
            }
        }
        let Some(mut again) = better else {
            let doubted = sure.into_iter().map(Noticed::doubted);
            solved.noticed.extend(doubted.chain(perhaps));
            break;
        };
        if !solved.exchanged.is_empty() {
            again.doubt_orders_of(&solved);
        }
        again.exchanged = std::mem::take(&mut solved.exchanged);
        again.noticed = [std::mem::take(&mut solved.noticed), sure].concat();
        solved = again;
    }
    solved
}

/// Solves again with what was noticed, if anything; `None` where that shows less.
fn with<'a>(solved: &Solved<'a>, noticed: &[Noticed]) -> Option<Solved<'a>> {
    if noticed.is_empty() {
        return None;
    }
    let mut experiment = solved.experiment.clone();
    for n in noticed {
        untold::suppose(&mut experiment, n);
    }
    let again = once(experiment).ok()?;
    (again.shown() >= solved.shown()).then_some(again)
}

impl Solved<'_> {
    /// The condition of a control that nobody told and that is reckoned with.
    pub(crate) fn noticed_of(&self, control: usize) -> Option<&Noticed> {
        let mut of = self.noticed.iter().filter(|n| n.control == control);
        of.find(|n| n.written())
    }

    /// Where the order of presets is a table, presets in each other's places there look much like presets that were saved in
    /// each other's places: taking saves as what they hold must not make an order surer that was in doubt before.
    fn doubt_orders_of(&mut self, before: &Solved) {
        for e in self.structures.iter_mut().filter(|e| e.map.tabled()) {
            let like = |b: &&Explained| b.space == e.space && b.doubt.is_some();
            if let Some(b) = before.structures.iter().find(like) {
                e.sure = match e.doubt {
                    Some(_) => e.sure.min(b.sure),
                    None => b.sure,
                };
                e.doubt.clone_from(&b.doubt);
            }
        }
    }

    /// Bits of controls with a place that what they held shows.
    fn shown(&self) -> usize {
        /// Odds (natural logarithm) of a bit that is shown.
        const SHOWN: f64 = 8.0;
        let bits = self.found.iter().flatten().flat_map(|f| &f.bits);
        let shown = |m: &super::fields::Match| m.odds.min(m.margin) > SHOWN;
        bits.filter(|b| b.homes.iter().any(shown)).count()
    }
}

/// Solves, with every save taken as holding what the experiment says.
fn once(experiment: Experiment<'_>) -> Result<Solved<'_>, TraceError> {
    let dictionary = Dictionary::new(&experiment);
    let mut structures = structures(&experiment, &dictionary);
    if structures.is_empty() {
        return Err(TraceError::NothingFound(
            "no chip shows the end-stop settings of the plan under any preset structure tried"
                .to_owned(),
        ));
    }
    let mut columns = columns::columns(&experiment, &structures);
    let covered = columns::cover(&experiment, &structures);
    let assign = |columns: &[Column], noise| fields::assign(&experiment, columns, covered, noise);
    let mut noise = Noise::START;
    let mut bad = vec![false; experiment.saves.len()];
    let mut found = assign(&columns, noise);
    if standing::settle_order(&experiment, &mut structures, &columns, &found) {
        columns = columns::columns(&experiment, &structures);
        found = assign(&columns, noise);
    }
    // Without the saves that are bad the fields show better, and better fields show further saves that are bad.
    let mut bad_saves = Vec::new();
    for _ in 0..3 {
        let found_bad = self::bad_saves(&experiment, &columns, &found);
        if found_bad.len() == bad_saves.len() {
            break;
        }
        bad.fill(false);
        for (s, _) in &found_bad {
            bad[*s] = true;
        }
        bad_saves = found_bad;
        for c in &mut columns {
            c.count(&experiment, &bad);
        }
        found = assign(&columns, noise);
    }
    let usual = usual(&experiment, &found);
    if usual != noise {
        found = assign(&columns, usual);
    }
    found = dials::settle(&experiment, &columns, found, &bad, covered, usual);
    let stepped = measure(&experiment, &columns, &found, &bad);
    noise = told(stepped, noise);
    contradict(&experiment, &columns, &mut found, &bad);
    tables::tables(&experiment, &columns, &mut found, noise);
    standing::weigh(&experiment, &mut structures, &columns, &found);
    let off_mark = off_mark(&experiment, &columns, &found, &bad);
    let off_in_save = hints::off_in_save(&experiment, &columns, &found, &bad);
    Ok(Solved {
        experiment,
        structures,
        columns,
        found,
        stepped,
        bad_saves,
        exchanged: Vec::new(),
        noticed: Vec::new(),
        off_mark,
        off_in_save,
    })
}

/// Saves most of whose bits are not what the plan says, and what they hold instead.
fn bad_saves(
    experiment: &Experiment,
    columns: &[Column],
    found: &[Option<Found>],
) -> Vec<(usize, Option<usize>)> {
    let expected = standing::expected(experiment, found);
    let off = |save, setting| exchanges::agreement(columns, &expected, save, setting);
    let exchanged = exchanges::exchanged(experiment, columns, &expected);
    let mut out = Vec::new();
    for (s, save) in experiment.saves.iter().enumerate() {
        if let Some((_, holds)) = exchanged.iter().flatten().find(|(e, _)| *e == s) {
            out.push((s, Some(*holds)));
            continue;
        }
        let here = off(s, save.setting);
        if here.bad() || here.all >= 12 && here.wrong * 6 > here.all {
            let other = (0..experiment.plan.settings.len())
                .map(|d| (off(s, d), d))
                .filter(|(a, _)| a.all >= 12 && a.wrong * 20 < a.all)
                .min_by_key(|(a, _)| a.wrong)
                .map(|(_, d)| d);
            out.push((s, other));
        }
    }
    out
}

/// Most that a bit's margin is worth where a save that is to be believed contradicts it.
const CONTRADICTED: f64 = 4.0;

/// Leaves open the bits that a save contradicts: a dial off its mark, or a preset that lies elsewhere for these cells.
fn contradict(
    experiment: &Experiment,
    columns: &[Column],
    found: &mut [Option<Found>],
    bad: &[bool],
) {
    let contradicted = |e: &standing::Expected| {
        let saves = experiment.saves.iter().zip(&columns[e.column].rows);
        saves.zip(bad).any(|((save, row), bad)| {
            let sure = e.sure[save.setting];
            !bad && *row != 2 && sure.is_some_and(|one| one != (*row == 1))
        })
    };
    let mut open = vec![false; columns.len()];
    for e in standing::expected(experiment, found) {
        open[e.column] |= contradicted(&e);
    }
    let homes = found.iter_mut().flatten().flat_map(|f| &mut f.bits);
    for m in homes.flat_map(|b| &mut b.homes).filter(|m| open[m.column]) {
        m.margin = m.margin.min(CONTRADICTED);
    }
}

/// How noisy dials are in this instrument, by what suited each best.
fn usual(experiment: &Experiment, found: &[Option<Found>]) -> Noise {
    let dials = found.iter().flatten().filter(|f| {
        let control = &experiment.panel().controls[experiment.lanes[f.lane].control];
        !control.exact() && f.hypothesis.width > 2
    });
    let steps: Vec<f64> = dials.map(|f| f.noise.step).collect();
    if steps.len() < 4 {
        return Noise::START;
    }
    Noise {
        step: steps.iter().sum::<f64>() / steps.len() as f64,
        // Other dials have told by now what is usual.
        apart: 4.0,
        ..Noise::START
    }
}

/// How often dials were read, and how often one step high or low, from the fields whose every bit is known.
fn measure(
    experiment: &Experiment,
    columns: &[Column],
    found: &[Option<Found>],
    bad: &[bool],
) -> (f64, f64) {
    let (mut exact, mut one) = (0.0f64, 0.0f64);
    for f in found.iter().flatten() {
        let control = &experiment.panel().controls[experiment.lanes[f.lane].control];
        if control.exact() || f.hypothesis.width < 3 || f.hypothesis.code != Code::Binary {
            continue;
        }
        let top = f.hypothesis.width as usize;
        // Without its lowest bit a field still shows steps, at half the rate.
        let low = if f.bits[0].homes.is_empty() { 1 } else { 0 };
        if f.bits[low..top].iter().any(|b| b.homes.is_empty()) {
            continue;
        }
        for (s, save) in experiment.saves.iter().enumerate() {
            if bad[s] || !experiment.means(f.lane, save.setting) {
                continue;
            }
            let position = experiment.plan.settings[save.setting].positions[f.lane];
            let want = signal::code(
                f.hypothesis,
                experiment.panel(),
                experiment.lanes[f.lane],
                position,
            );
            let read = code_in_save(columns, f, s, low);
            let Some(read) = read else { continue };
            if low == 1 {
                if read != want >> 1 {
                    one += 2.0;
                } else {
                    exact += 1.0;
                }
                continue;
            }
            match read.abs_diff(want) {
                0 => exact += 1.0,
                1 => one += 1.0,
                _ => {}
            }
        }
    }
    (exact + one, one)
}

/// Least number of saves by which noise is measured.
pub(crate) const MEASURED: f64 = 8.0;

/// The noise that goes with what was measured.
pub(crate) fn told((all, one): (f64, f64), start: Noise) -> Noise {
    if all < MEASURED {
        return start;
    }
    Noise {
        step: ((one + 0.2) / (all + 0.4) / 2.0).clamp(0.004, signal::EVEN),
        ..start
    }
}

/// The code a lane holds in a save, bits below `low` left out.
pub(crate) fn code_in_save(columns: &[Column], f: &Found, save: usize, low: usize) -> Option<u64> {
    let mut code = 0;
    for (k, bit) in f.bits.iter().enumerate().skip(low) {
        let home = bit.homes.first()?;
        let row = columns[home.column].rows[save];
        if row == 2 {
            return None;
        }
        code |= u64::from((row == 1) != home.inverted) << (k - low);
    }
    Some(code)
}

/// Dials that stood elsewhere than the plan says, as far as presets do hold the setting.
fn off_mark(
    experiment: &Experiment,
    columns: &[Column],
    found: &[Option<Found>],
    bad: &[bool],
) -> Vec<(usize, usize, String)> {
    let mut out = Vec::new();
    for f in found.iter().flatten() {
        if f.table.is_some() || !f.whole() {
            continue;
        }
        let lane = experiment.lanes[f.lane];
        for (d, setting) in experiment.plan.settings.iter().enumerate() {
            if !experiment.means(f.lane, d) {
                continue;
            }
            let want = signal::step_at(
                f.hypothesis,
                experiment.panel(),
                lane,
                setting.positions[f.lane],
            );
            let mut seen = Vec::new();
            for (s, save) in experiment.saves.iter().enumerate() {
                if save.setting == d && !bad[s] {
                    let code = code_in_save(columns, f, s, 0);
                    seen.push(
                        code.and_then(|c| {
                            signal::step_of(f.hypothesis, experiment.panel(), lane, c)
                        }),
                    );
                }
            }
            let off = |s: &Option<i64>| {
                s.is_some_and(|s| (s - want).abs() > 2 || (f.hypothesis.width < 3 && s != want))
            };
            if !seen.is_empty()
                && seen.iter().all(off)
                && let Some(Some(step)) = seen.first()
            {
                out.push((
                    d,
                    f.lane,
                    signal::shown(f.hypothesis, experiment.panel(), lane, *step),
                ));
            }
        }
    }
    out
}
