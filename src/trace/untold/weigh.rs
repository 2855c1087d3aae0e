//! What a condition that nobody told explains, and what it takes to tell.

use super::super::fields::{CHOICE, rare};
use super::super::panel::Kind;
use super::super::signal::{self, Hypothesis, Noise};
use super::super::solve::{self, Solved};
use super::{Noticed, SEVERAL, lane_of, lanes_of};

/// Selectors with more positions decide of nothing here: few settings would show each.
pub(super) const MOST_POSITIONS: u32 = 16;
/// Chance that a setting holds something else of one control than the plan says: a slip of the hand.
const SLIP: f64 = 0.05;
/// Chance that one bit does, beside that.
const ODD: f64 = 0.004;
/// Of how many controls one means something only sometimes; common practice, no source.
const SELDOM: f64 = 20.0;
/// And where it is known that this one decides of others.
const KNOWN: f64 = 6.0;
/// Sets of positions that are followed up, by what one bit of the control says of them.
const STARTS: usize = 6;
/// How often bits and positions are chosen in turn.
const TURNS: usize = 3;
/// Fewest settings on both sides from which a condition is written.
const LEAST: (usize, usize) = (5, 3);
/// The most that is believed of one that fewer speak for.
const FEW: f64 = 0.85;
/// How far odds are believed, as of fields.
const TEMPER: f64 = 0.7;

/// A switch or selector that could decide.
pub(super) struct Decider {
    pub(super) control: usize,
    /// What it takes to tell it and its positions, natural logarithm.
    pub(super) price: f64,
    pub(super) positions: u32,
}

/// What it takes to tell who decides, of so many, and in which positions.
pub(super) fn price(known: bool, of: usize, span: u32) -> f64 {
    let sets = (f64::from(span + 1).exp2() - 2.0).max(1.0).ln();
    sets + match known {
        true => KNOWN.ln(),
        false => SELDOM.ln() + (of.max(1) as f64).ln(),
    }
}

/// All positions, or some, a bit each.
type Set = u32;

/// Sees what each column is free for.
pub(super) struct Scales<'a> {
    solved: &'a Solved<'a>,
    noise: Noise,
    /// Columns that may be looked at: who holds one plainly in some settings, and what decides of that; `None` where
    /// nobody does.
    free: Vec<Open>,
}

/// A column that some control may look at.
struct Open {
    column: usize,
    /// Where a control holds it that means something only sometimes: what decides, and in which positions.
    taken: Option<(usize, Set)>,
    /// The control of which it is a bit so far.
    of: Option<usize>,
}

/// One bit of a lane in one column, straight or inverted: what each setting says for it.
struct Told {
    /// Index into [`Scales::free`].
    open: usize,
    /// Odds against a coin for each setting.
    odds: Vec<f64>,
}

impl Told {
    /// What each setting says against it at most: the hand slips.
    fn bounded(&self) -> impl Iterator<Item = f64> + '_ {
        self.odds.iter().map(|o| o.max(SLIP.ln()))
    }
}

/// What columns say of a lane's coding.
struct Lane {
    /// A list for each bit, the lowest first.
    bits: Vec<Vec<Told>>,
    /// Columns that may be looked at.
    open: usize,
}

/// What the settings of each position of what decides say of each bit in each column.
type ByPosition = Vec<Vec<[f64; MOST_POSITIONS as usize]>>;

impl Lane {
    /// The same for each position of what decides, which stands so in the settings.
    fn by_position(&self, stands: &[u32]) -> ByPosition {
        let by = |t: &Told| {
            let mut by = [0.0; MOST_POSITIONS as usize];
            for (o, p) in t.bounded().zip(stands) {
                by[*p as usize] += o;
            }
            by
        };
        let of_bit = |told: &Vec<Told>| told.iter().map(by).collect();
        self.bits.iter().map(of_bit).collect()
    }
}

/// A way to read a control.
struct Reading {
    score: f64,
    set: Set,
    /// What each setting says of it in all.
    settings: Vec<f64>,
    /// What each position of what decides says.
    by: Vec<f64>,
    bits: usize,
}

impl<'a> Scales<'a> {
    pub(super) fn new(solved: &'a Solved<'a>, contradicted: &[usize]) -> Self {
        let experiment = &solved.experiment;
        let mut free = Vec::new();
        let mut homes: Vec<Vec<(usize, f64)>> = vec![Vec::new(); solved.columns.len()];
        for f in solved.found.iter().flatten() {
            for m in f.bits.iter().flat_map(|b| &b.homes) {
                homes[m.column].push((f.lane, m.odds));
            }
        }
        for (column, homes) in homes.iter().enumerate() {
            if !solved.columns[column].moves() {
                continue;
            }
            let plain = |h: &&(usize, f64)| h.1 > CHOICE + 1.0 && contradicted[h.0] < SEVERAL;
            let plain: Vec<usize> = homes.iter().filter(plain).map(|h| h.0).collect();
            let conditions = plain.iter().map(|l| experiment.conditions[*l].as_ref());
            let mut taken: Option<(usize, Set)> = None;
            let mut always = false;
            for c in conditions {
                let told = c.map(|c| {
                    let set = c.positions.iter().fold(0, |o, p| o | 1 << p);
                    (experiment.lanes[c.lane].control, set)
                });
                match (told, taken) {
                    (Some((by, set)), None) => taken = Some((by, set)),
                    (Some((by, set)), Some((same, others))) if by == same => {
                        taken = Some((by, set | others));
                    }
                    _ => always = true,
                }
            }
            let of = plain.first().map(|l| experiment.lanes[*l].control);
            free.push(Open {
                column,
                taken,
                of: of.filter(|_| always),
            });
        }
        Self {
            solved,
            noise: Noise {
                slip: ODD,
                ..solve::told(solved.stepped, Noise::START)
            },
            free,
        }
    }

    /// What each bit of a lane's coding would say in each column.
    fn told(&self, lane: usize, h: Hypothesis) -> Lane {
        let experiment = &self.solved.experiment;
        let control = experiment.lanes[lane].control;
        let chances = signal::chances(h, experiment.plan, lane, experiment.lanes[lane], self.noise);
        let mine = |o: &(usize, &Open)| o.1.of.is_none_or(|of| of == control);
        let open: Vec<(usize, &Open)> = self.free.iter().enumerate().filter(mine).collect();
        let of_bit = |chances: &Vec<f64>| {
            let odds = |p: &f64| [(2.0 * p).ln(), (2.0 * (1.0 - p)).ln()];
            let odds: Vec<[f64; 2]> = chances.iter().map(odds).collect();
            let told = |&(open, o): &(usize, &Open)| {
                let column = &self.solved.columns[o.column];
                [false, true].map(|inverted| {
                    let (one, zero) = (usize::from(inverted), usize::from(!inverted));
                    let counts = column.ones.iter().zip(&column.known);
                    let counts = counts.map(|(o, k)| (f64::from(*o), f64::from(*k)));
                    let odds = odds
                        .iter()
                        .zip(counts)
                        .map(|(odds, (ones, known))| ones * odds[one] + (known - ones) * odds[zero])
                        .collect();
                    Told { open, odds }
                })
            };
            open.iter().flat_map(told).collect()
        };
        Lane {
            bits: chances.iter().map(of_bit).collect(),
            open: open.len(),
        }
    }

    /// The best bits of a lane, the uppermost first, by what the settings that count say of each bit and column: what
    /// they say setting by setting, less what it takes to tell them; and how many there are.
    fn choose(
        &self,
        h: Hypothesis,
        lane: &Lane,
        worth: impl Fn(usize, usize) -> f64,
        may: impl Fn(&Open) -> bool,
    ) -> (f64, Vec<f64>, usize) {
        let mut settings = vec![0.0; self.solved.experiment.plan.settings.len()];
        let mut taken: Vec<usize> = Vec::new();
        let mut cost = rare(h.code);
        let any = (2.0 * lane.open.max(1) as f64).ln();
        let mut last: Option<usize> = None;
        for (bit, told) in lane.bits.iter().enumerate().rev() {
            let price = |t: &Told| match last {
                Some(last) if self.beside(last, t.open) => 8f64.ln(),
                _ => any,
            };
            let mine = told
                .iter()
                .enumerate()
                .filter(|(_, t)| !taken.contains(&t.open) && may(&self.free[t.open]));
            let best = mine
                .map(|(i, t)| (worth(bit, i) - price(t), t))
                .max_by(|a, b| a.0.total_cmp(&b.0));
            match best {
                Some((gain, t)) if gain > 0.0 => {
                    cost += price(t);
                    for (s, o) in settings.iter_mut().zip(&t.odds) {
                        *s += o;
                    }
                    taken.push(t.open);
                    last = Some(t.open);
                }
                // What no column shows may not be there; but that speaks against it.
                _ => cost += 1.0,
            }
        }
        let mixed = settings.iter().map(|s| {
            // Either the setting holds what the plan says, or the hand slipped.
            let most = s.max(0.0);
            most + ((1.0 - SLIP) * (s - most).exp() + SLIP * (-most).exp()).ln()
        });
        (cost, mixed.collect(), taken.len())
    }

    /// True where two columns lie beside each other.
    fn beside(&self, a: usize, b: usize) -> bool {
        let (a, b) = (
            &self.solved.columns[self.free[a].column],
            &self.solved.columns[self.free[b].column],
        );
        a.structure == b.structure
            && match a.base == b.base {
                true => a.line.abs_diff(b.line) == 1,
                false => {
                    a.line == b.line
                        && (a.base.abs_diff(b.base) == 1 || (a.base ^ b.base).count_ones() == 1)
                }
            }
    }

    /// The best condition of a control, weighed against all others, against none, and against nothing at all.
    pub(super) fn best(&self, control: usize, deciders: &[Decider]) -> Option<Noticed> {
        let experiment = &self.solved.experiment;
        let lanes = lanes_of(experiment, control);
        let settings = experiment.plan.settings.len();
        if experiment.panel().controls[control].kind == Kind::Text {
            return None;
        }
        // The control as one that always means something, or as nobody's.
        let mut without = 0.0f64;
        let mut best: Option<(Reading, usize)> = None;
        let mut scores: Vec<(f64, usize, Set)> = Vec::new();
        let codings = signal::hypotheses(experiment.panel(), experiment.lanes[lanes[0]]);
        for h in codings {
            let told: Vec<Lane> = lanes.iter().map(|l| self.told(*l, h)).collect();
            let always: f64 = (told.iter())
                .map(|t| {
                    let worth = |bit: usize, i: usize| t.bits[bit][i].bounded().sum();
                    let (cost, mixed, _) = self.choose(h, t, worth, |o| o.taken.is_none());
                    mixed.iter().sum::<f64>() - cost
                })
                .sum();
            without = without.max(always);
            for (d, decider) in deciders.iter().enumerate() {
                let stands: Option<Vec<Vec<u32>>> = (lanes.iter())
                    .map(|l| {
                        let by = lane_of(experiment, decider.control, *l)?;
                        let settings = experiment.plan.settings.iter();
                        Some(settings.map(|s| s.positions[by]).collect())
                    })
                    .collect();
                let Some(stands) = stands else { continue };
                let by: Vec<ByPosition> = (told.iter().zip(&stands))
                    .map(|(told, stands)| told.by_position(stands))
                    .collect();
                for start in starts(decider, &by) {
                    let followed = self.follow(h, decider, &told, &by, &stands, start);
                    let Some(reading) = followed else {
                        continue;
                    };
                    let score = reading.score - decider.price;
                    scores.push((score, decider.control, reading.set));
                    // The next best set is another position more or less.
                    for (p, by) in reading.by.iter().enumerate().filter(|(_, by)| **by != 0.0) {
                        scores.push((score - by.abs(), decider.control, reading.set ^ 1 << p));
                    }
                    if best
                        .as_ref()
                        .is_none_or(|(b, of)| score > b.score - deciders[*of].price)
                    {
                        best = Some((reading, d));
                    }
                }
            }
        }
        let (reading, d) = best?;
        let decider = &deciders[d];
        let score = reading.score - decider.price;
        let other = |s: &&(f64, usize, Set)| (s.1, s.2) != (decider.control, reading.set);
        let next = scores.iter().filter(other).map(|s| s.0);
        let margin = score - next.fold(without, f64::max);
        if margin <= 0.0 || reading.bits == 0 {
            return None;
        }
        let of = lane_of(experiment, decider.control, lanes[0])?;
        let stands = |s: usize| experiment.plan.settings[s].positions[of];
        let (mut within, mut out) = ((0, 0), (0, 0));
        for d in 0..settings {
            let side = match reading.set >> stands(d) & 1 {
                1 => &mut within,
                _ => &mut out,
            };
            side.0 += usize::from(reading.settings[d] > 0.0);
            side.1 += 1;
        }
        let chance = 1.0 / (1.0 + (-TEMPER * margin).exp());
        let few = within.0 < LEAST.0 || out.1 < LEAST.1;
        Some(Noticed {
            control,
            by: decider.control,
            positions: (0..decider.positions)
                .filter(|p| reading.set >> p & 1 == 1)
                .collect(),
            chance: if few { chance.min(FEW) } else { chance },
            bits: margin / std::f64::consts::LN_2,
            within,
            without: out,
        })
    }

    /// Chooses bits by positions and positions by bits, until both stay.
    fn follow(
        &self,
        h: Hypothesis,
        decider: &Decider,
        told: &[Lane],
        says: &[ByPosition],
        stands: &[Vec<u32>],
        start: Set,
    ) -> Option<Reading> {
        let mut set = start;
        let mut out: Option<Reading> = None;
        for _ in 0..TURNS {
            let mut by = vec![0.0; decider.positions as usize];
            let mut first = Vec::new();
            let (mut cost, mut bits) = (0.0, 0);
            for ((told, says), stands) in told.iter().zip(says).zip(stands) {
                let worth = |bit: usize, i: usize| {
                    let by = says[bit][i].iter().enumerate();
                    by.filter(|(p, _)| set >> p & 1 == 1).map(|(_, s)| s).sum()
                };
                let may = |o: &Open| {
                    let others =
                        |(by, taken): (usize, Set)| by == decider.control && taken & set == 0;
                    o.taken.is_none_or(others)
                };
                let (price, mixed, n) = self.choose(h, told, worth, may);
                cost += price;
                bits += n;
                for (m, p) in mixed.iter().zip(stands) {
                    by[*p as usize] += m;
                }
                if first.is_empty() {
                    first = mixed;
                }
            }
            let score = (by.iter().enumerate())
                .filter(|(p, _)| set >> p & 1 == 1)
                .map(|(_, s)| s)
                .sum::<f64>()
                - cost;
            let reading = Reading {
                score,
                set,
                settings: first,
                by,
                bits,
            };
            let next = (reading.by.iter().enumerate())
                .filter(|(_, s)| **s > 0.0)
                .fold(0, |o, (p, _)| o | 1 << p);
            let better = out.as_ref().is_none_or(|o| reading.score > o.score);
            if better && bits > 0 {
                out = Some(reading);
            }
            if next == set || next == 0 {
                break;
            }
            set = next;
        }
        // What it stands at throughout, or nowhere, decides nothing.
        let seen = stands.iter().flatten().fold(0, |o: Set, p| o | 1 << p);
        out.filter(|r| r.set & seen != seen && r.set & seen != 0)
    }
}

/// Sets of positions to begin with: those in which single bits follow, the best first.
fn starts(decider: &Decider, says: &[ByPosition]) -> Vec<Set> {
    if decider.positions == 2 {
        return vec![1, 2];
    }
    let mut sets: Vec<(f64, Set)> = Vec::new();
    for by in says.iter().flatten().flatten() {
        let some = by.iter().enumerate().filter(|(_, s)| **s > 0.0);
        let (worth, set) = some.fold((0.0, 0), |(w, o), (p, s)| (w + s, o | 1 << p));
        match sets.iter_mut().find(|s| s.1 == set) {
            Some(known) => known.0 = known.0.max(worth),
            None => sets.push((worth, set)),
        }
    }
    sets.retain(|s| s.1 != 0);
    sets.sort_by(|a, b| b.0.total_cmp(&a.0));
    sets.truncate(STARTS);
    sets.into_iter().map(|s| s.1).collect()
}
