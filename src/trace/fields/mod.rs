//! Which columns are which bits of which control.
//!
//! Every control has, for each way it could be coded and each width, a prediction for every bit in every setting.
//! A column is scored against each prediction by likelihood, relative to a bit that is tossed like a coin; a control
//! takes the coding that explains most of the columns that follow it, and a column goes to the best of its claimants.
//! What is left close to another reading stays a set, not a choice.

mod look;
mod predicted;
mod rivals;

use rayon::prelude::*;

use look::{Claim, Look, claims, score};
pub(crate) use predicted::coins;
use predicted::{Coding, Codings, predictions};
pub(crate) use rivals::Rivals;

use super::cells::Experiment;
use super::columns::Column;
use super::signal::{Code, Hypothesis, Noise};

/// A column as a bit of a control.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Match {
    pub(crate) column: usize,
    pub(crate) inverted: bool,
    /// Logarithm of the odds against a coin.
    pub(crate) odds: f64,
    /// By how much that beats the next reading of the same column, or the next column for the same bit.
    pub(crate) margin: f64,
}

/// One bit of a control.
#[derive(Clone, Debug, Default)]
pub(crate) struct Bit {
    /// Its homes: one, or one a copy.
    pub(crate) homes: Vec<Match>,
    /// Placed by its neighbours alone: likely, not shown by the settings.
    pub(crate) by_neighbours: bool,
    /// Columns that it could be, where it has no home.
    pub(crate) could_be: Vec<usize>,
}

/// What was found of one lane.
#[derive(Clone, Debug)]
pub(crate) struct Found {
    pub(crate) lane: usize,
    pub(crate) hypothesis: Hypothesis,
    /// Bit 0 first.
    pub(crate) bits: Vec<Bit>,
    /// For a selector whose codes follow no rule: the code of every position, where it was seen.
    pub(crate) table: Option<Vec<Option<u64>>>,
    /// Logarithm of the odds against the next coding.
    pub(crate) margin: f64,
    /// The next coding.
    pub(crate) rival: Option<Hypothesis>,
    /// Codings that come near, the best first.
    pub(crate) near: Vec<Hypothesis>,
    /// How noisy this dial is.
    pub(crate) noise: Noise,
}

impl Found {
    /// True where every bit has a home.
    pub(crate) fn whole(&self) -> bool {
        self.bits.iter().all(|b| !b.homes.is_empty())
    }
}

/// Least odds for a column to be considered as a bit at all.
const WORTH: f64 = 5.0;
/// By how much bits of one control that is met exactly differ in what they lack: a miss, not two.
const ALIKE: f64 = 6.0;
/// What a hypothesis loses for a bit that no column shows.
pub(crate) const MISSING: f64 = 6.0;
/// What it loses beside for one that no column shows although all that was written lies in some column.
pub(crate) const HIDDEN: f64 = 8.0;
/// What it loses for a column that follows the control between the end stops and is none of its bits.
pub(crate) const UNEXPLAINED: f64 = 6.0;
/// What a bit that shows in the sweeps alone gains where it lies beside the control's other bits.
const NEIGHBOUR: f64 = 2.0;

/// How often a dial that is set with care reads one step low, or high.
pub(crate) const QUIET: f64 = 0.01;

/// What it takes to tell a column among those there are.
pub(crate) const CHOICE: f64 = 6.0;

/// What a bit may be worth and still go unseen: what is below the least odds is lost among chance.
pub(crate) const UNSEEN: f64 = 4.0;

/// What a coding loses for being seldom used on a dial; common practice, no source.
pub(crate) fn rare(code: Code) -> f64 {
    match code {
        Code::Binary | Code::Value | Code::Ascii | Code::AsciiLess32 => 0.0,
        Code::Gray | Code::Bcd | Code::OneHot => 1.0,
        Code::SignMagnitude | Code::Plus(_) => 2.0,
        Code::Ones => 4.0,
    }
}

/// A hypothesis with its matches: column, bit, inverted, odds.
#[derive(Clone)]
pub(crate) struct Scored {
    pub(crate) h: Hypothesis,
    pub(crate) noise: Noise,
    pub(crate) score: f64,
    /// What it loses further where all that was written lies in some column, for bits that none shows.
    pub(crate) hidden: f64,
    pub(crate) matches: Vec<(usize, u32, bool, f64)>,
}

/// A bit's best home and the copies of it first. Copies hold the same, or its complement, in every save; any other column
/// is another that it could be.
fn sort_homes(columns: &[Column], bit: &mut Bit) {
    bit.homes.sort_by(|a, b| b.odds.total_cmp(&a.odds));
    let Some(first) = bit.homes.first().copied() else {
        return;
    };
    let copy = |m: &Match| columns[m.column].alike(&columns[first.column]).is_some();
    let (mut homes, others): (Vec<Match>, Vec<Match>) =
        bit.homes.iter().copied().partition(|m| copy(m));
    let next = others.iter().map(|m| m.odds).fold(f64::MIN, f64::max);
    for home in &mut homes {
        home.margin = home.margin.min(first.odds - next);
    }
    bit.homes = homes;
    bit.could_be = others.iter().map(|m| m.column).collect();
}

/// Finds the bits of every lane among the columns. `covered`: everything that was written lies in some column.
pub(crate) fn assign(
    experiment: &Experiment,
    columns: &[Column],
    covered: bool,
    noise: Noise,
) -> Vec<Option<Found>> {
    let lanes = experiment.lanes.len();
    let varying: Vec<usize> = (0..columns.len()).filter(|&c| columns[c].moves()).collect();
    let coins = coins(experiment, columns, noise);
    let claims = claims(experiment, columns, &varying, noise);
    // Who may look at a column: everybody at first, then only those to whom it is not clearly somebody else's.
    let mut owners: Vec<Vec<usize>> = vec![Vec::new(); columns.len()];
    let mut chosen: Vec<Option<Chosen>> = (0..lanes).map(|_| None).collect();
    let mut looked: Vec<(Codings, Option<Vec<Claim>>)> = (0..lanes)
        .map(|lane| (Codings::of(experiment, lane, noise), None))
        .collect();
    let mut rivals = Rivals::new(experiment, columns.len());
    for _ in 0..4 {
        chosen.par_iter_mut().zip(&mut looked).enumerate().for_each(
            |(lane, (chosen, (codings, looked)))| {
                let other = |o: &usize| *o != lane && !experiment.excludes(*o, lane);
                let free = |c: &&Claim| !owners[c.column].iter().any(other);
                let mine: Vec<Claim> = claims[lane].iter().filter(free).copied().collect();
                // What has not changed comes out as it did.
                if looked.as_ref() != Some(&mine) {
                    let coins = &coins[experiment.class(lane)];
                    *chosen = choose(experiment, columns, coins, codings, &mine, covered);
                    *looked = Some(mine);
                }
            },
        );
        rivals = Rivals::new(experiment, columns.len());
        for (lane, c) in chosen.iter().enumerate() {
            for &(column, _, _, odds) in c.iter().flat_map(|c| &c.scored.matches) {
                rivals.claim(column, odds, lane);
            }
        }
        owners = rivals.owners(3.0);
    }
    chosen
        .into_iter()
        .enumerate()
        .map(|(lane, c)| {
            let Chosen {
                scored,
                margin,
                rival,
                near,
            } = c?;
            let mut bits = vec![Bit::default(); scored.h.width as usize];
            for &(column, k, inverted, odds) in &scored.matches {
                if !rivals.wins(column, lane, odds) {
                    continue;
                }
                bits[k as usize].homes.push(Match {
                    column,
                    inverted,
                    odds,
                    margin: odds - rivals.next(column, lane, 0.0),
                });
            }
            if bits.iter().all(|b| b.homes.is_empty()) {
                return None;
            }
            let mut found = Found {
                lane,
                hypothesis: scored.h,
                bits,
                table: None,
                margin,
                rival,
                near,
                noise: scored.noise,
            };
            for bit in &mut found.bits {
                sort_homes(columns, bit);
            }
            margins(
                experiment,
                columns,
                &coins[experiment.class(lane)],
                &mut found,
            );
            Some(found)
        })
        .collect()
}

/// The coding that explains most of a lane's columns.
pub(crate) struct Chosen {
    pub(crate) scored: Scored,
    /// Its margin over the next.
    pub(crate) margin: f64,
    /// The next.
    pub(crate) rival: Option<Hypothesis>,
    /// Codings that come near, the best first.
    pub(crate) near: Vec<Hypothesis>,
}

/// Scores every coding of a lane.
fn choose(
    experiment: &Experiment,
    columns: &[Column],
    coins: &[f64],
    codings: &Codings,
    mine: &[Claim],
    covered: bool,
) -> Option<Chosen> {
    let look = Look::of(experiment, columns, coins, codings.lane, mine);
    let suited = |with: &Vec<Coding>| {
        let tried = with.iter().map(|coding| score(experiment, &look, coding));
        let best = tried.max_by(|a, b| a.score.total_cmp(&b.score));
        best.filter(|s| !s.matches.is_empty())
    };
    let mut all: Vec<Scored> = codings.usual().iter().filter_map(suited).collect();
    // Where a usual coding shows in every bit and leaves nothing over, there is no reason for another.
    let best = all.iter().max_by(|a, b| a.score.total_cmp(&b.score));
    if !best.is_some_and(|s| look.explained_by(s)) {
        all.extend(codings.offset().iter().filter_map(suited));
    }
    best_of(all, covered)
}

/// Codings within these odds of the best are worth another look.
const NEAR: f64 = 30.0;
/// How many of them get one.
const MOST_NEAR: usize = 8;

/// The best of several codings of a lane.
pub(crate) fn best_of(mut all: Vec<Scored>, covered: bool) -> Option<Chosen> {
    all.sort_by(|a, b| b.score.total_cmp(&a.score));
    let first = all.first()?;
    // The next coding that reads the same columns otherwise, weights counted from the top.
    let shape = |s: &Scored| {
        let mut v: Vec<(usize, i64, bool)> = s
            .matches
            .iter()
            .map(|m| (m.0, i64::from(s.h.width) - i64::from(m.1), m.2))
            .collect();
        v.sort_unstable();
        (s.h.code, v)
    };
    let top = shape(first);
    let otherwise = |s: &&Scored| {
        let other = shape(s);
        other.1 != top.1 || (other.0 != top.0 && s.h.width > 1)
    };
    // Where all that was written lies in some column, what needs more bits that none shows is the less likely for it.
    let more = |s: &Scored| if covered { s.hidden } else { 0.0 };
    let as_rival = |s: &Scored| s.score - (more(s) - more(first)).max(0.0);
    let rivals = all[1..].iter().filter(otherwise);
    let rival = rivals.max_by(|a, b| as_rival(a).total_cmp(&as_rival(b)));
    // Nor may there well be further bits that nothing shows.
    let wider = all[1..].iter().filter(|s| s.h.width > first.h.width);
    let wider = wider.map(|s| s.score - more(s));
    let next = wider.chain(rival.map(as_rival)).max_by(f64::total_cmp);
    let margin = first.score - next.unwrap_or(0.0);
    let rival = rival.map(|r| r.h);
    let near = all.iter().take_while(|s| s.score > first.score - NEAR);
    let near = near.take(MOST_NEAR).map(|s| s.h).collect();
    Some(Chosen {
        scored: all.swap_remove(0),
        margin,
        rival,
        near,
    })
}

/// How far each match is from being read as another bit of the same control.
fn margins(experiment: &Experiment, columns: &[Column], coins: &[f64], found: &mut Found) {
    let predicted = predictions(experiment, found.lane, found.hypothesis, found.noise);
    for k in 0..found.bits.len() {
        for m in 0..found.bits[k].homes.len() {
            let home = found.bits[k].homes[m];
            let own = predicted[k]
                .odds(&columns[home.column], coins[home.column])
                .0;
            for (other, p) in predicted.iter().enumerate() {
                if other == k {
                    continue;
                }
                let (odds, _) = p.odds(&columns[home.column], coins[home.column]);
                let h = &mut found.bits[k].homes[m];
                h.margin = h.margin.min(own - odds);
            }
        }
    }
}
