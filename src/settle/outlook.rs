//! What further reads are expected to bring.
//!
//! They will show the noise better than it is known today, and the average over all that it may be foretells little: where
//! noise and shaky bits explain the votes alike, one further read settles either all or next to nothing. So the noise is taken
//! as so many kinds, all equally likely by the votes seen; each is a part of all that it may be, so that even what is rare
//! counts by what it leaves. For each the votes to come are worked out as if it were so, the kinds are weighed anew by them, as
//! settling will, and what is then left wrong or open is counted. Told are the average, the chance that less than one bit is
//! left, and how much is left on average otherwise; as many reads are asked for as bring the average under one. More reads
//! settle more of noise; of shaky bits they first show more, so that the average need not fall.
//!
//! All this is by the model's own prior, to which a chip without one shaky bit is nothing unusual. Of chips that all have some
//! the chance is too high, and more is left.

use std::collections::HashMap;

use super::vote::{Chances, Noise, Vote, left};

/// Kinds of noise that are told apart.
const KINDS: u32 = 24;
/// Most outcomes kept apart while those of several chips are added up.
const OUTCOMES: usize = 96;
/// Numbers of further reads that are looked at.
const LOOKED_AT: [u32; 15] = [0, 1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 32, 40];

/// A chip's noise, the kinds it may turn out to be, and its votes with the number of bits that showed each.
pub(super) struct ChipVotes {
    noise: Noise,
    kinds: Vec<Noise>,
    votes: Vec<(Vote, u64)>,
}

impl ChipVotes {
    /// Takes a chip's noise and votes.
    pub(super) fn new(noise: Noise, votes: Vec<(Vote, u64)>) -> Self {
        let kinds = noise.kinds(KINDS);
        Self {
            noise,
            kinds,
            votes,
        }
    }
}

/// Further reads that are soon made.
const SOON: u32 = 10;
/// Part of the best chance that comes near to it.
const NEAR: f64 = 0.9;
/// A chance that is hardly one.
const HARDLY: f64 = 0.1;

/// What is foretold of some further reads, in bits.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Outcome {
    /// Settled wrongly, on average over what the noise may be.
    pub(super) wrong: f64,
    /// Left open, likewise.
    pub(super) open: f64,
    /// Chance that less than one bit is wrong or open.
    pub(super) enough: f64,
    /// Bits wrong or open where it is not enough, on average; 0 where that cannot be.
    pub(super) otherwise: f64,
}

/// What further reads of several chips are expected to bring.
pub(super) struct Outlook<'n> {
    chips: Vec<ChipOutlook<'n>>,
    doubt: f64,
    /// What was foretold already, by the number of further reads.
    foretold: HashMap<u32, Outcome>,
}

struct ChipOutlook<'n> {
    today: Chances<'n>,
    kinds: Vec<Chances<'n>>,
    votes: &'n [(Vote, u64)],
}

impl<'n> Outlook<'n> {
    /// The outlook of these chips, where dissent over a vote more doubtful than `doubt` is left open.
    pub(super) fn of(chips: &'n [ChipVotes], doubt: f64) -> Self {
        let chips = chips
            .iter()
            .map(|chip| ChipOutlook {
                today: Chances::of(&chip.noise),
                kinds: chip.kinds.iter().map(Chances::of).collect(),
                votes: &chip.votes,
            })
            .collect();
        Self {
            chips,
            doubt,
            foretold: HashMap::new(),
        }
    }

    /// What is left after `more` further reads.
    pub(super) fn after(&mut self, more: u32) -> Outcome {
        if let Some(known) = self.foretold.get(&more) {
            return *known;
        }
        let outcome = self.foretell(more);
        self.foretold.insert(more, outcome);
        outcome
    }

    fn foretell(&mut self, more: u32) -> Outcome {
        let mut sum = Outcome::default();
        // What is wrong or open in all chips, with the chance of it: chips have their own noise.
        let mut all = vec![(0.0, 1.0)];
        for chip in &mut self.chips {
            let outcomes = chip.after(more, self.doubt);
            let chance = 1.0 / outcomes.len().max(1) as f64;
            for (wrong, open) in &outcomes {
                sum.wrong += wrong * chance;
                sum.open += open * chance;
            }
            let both = all.iter().flat_map(|(left, p)| {
                let of_chip = outcomes.iter();
                of_chip.map(move |(wrong, open)| (left + wrong + open, p * chance))
            });
            all = fewer(both.collect());
        }
        let (enough, not): (Vec<_>, Vec<_>) = all.into_iter().partition(|(left, _)| *left < 1.0);
        let chance = |of: &[(f64, f64)]| of.iter().fold(0.0, |sum, o| sum + o.1);
        sum.enough = f64::min(chance(&enough), 1.0);
        if !not.is_empty() {
            sum.otherwise = not.iter().map(|(left, p)| left * p).sum::<f64>() / chance(&not);
        }
        sum
    }

    /// The least number of further reads, of a few looked at from `least` to 40, after which `enough` holds of what is
    /// foretold, with that.
    pub(super) fn reads(
        &mut self,
        least: u32,
        enough: impl Fn(&Outcome) -> bool,
    ) -> Option<(u32, Outcome)> {
        LOOKED_AT
            .into_iter()
            .filter(|n| *n >= least)
            .map(|more| (more, self.after(more)))
            .find(|(_, outcome)| enough(outcome))
    }

    /// How many further reads, of a few from `least` to 10, come near to the best chance that there is of settling everything, with
    /// what is foretold of them; nothing where there hardly is one.
    pub(super) fn likely(&mut self, least: u32) -> Option<(u32, Outcome)> {
        let looked_at = LOOKED_AT.into_iter().filter(|n| (least..=SOON).contains(n));
        let all: Vec<(u32, Outcome)> = looked_at.map(|more| (more, self.after(more))).collect();
        let best = all.iter().map(|(_, o)| o.enough).fold(0.0, f64::max);
        let mut near = all.into_iter();
        near.find(|(_, o)| best > HARDLY && o.enough >= NEAR * best)
    }
}

impl ChipOutlook<'_> {
    /// Bits settled wrongly and left open after `more` further reads, for each kind of noise.
    fn after(&mut self, more: u32, doubt: f64) -> Vec<(f64, f64)> {
        if more == 0 {
            return vec![self.today.forecast(self.votes, 0, doubt)];
        }
        let today: Vec<f64> = self
            .kinds
            .iter_mut()
            .map(|kind| {
                let votes = self.votes.iter();
                votes
                    .filter(|(v, _)| v.known > 0)
                    .map(|(v, bits)| *bits as f64 * log(kind, *v))
                    .sum()
            })
            .collect();
        // Whichever kind it is, the votes to come are of the same numbers of reads.
        let mut logs: HashMap<Vote, Vec<f64>> = HashMap::new();
        (0..self.kinds.len())
            .map(|so| {
                let to_come = self.kinds[so].foreseen(self.votes, more);
                let mut likely: Vec<f64> = today.iter().map(|today| -today).collect();
                for ((n, w), bits) in &to_come {
                    let vote = Vote::of(*n, *w);
                    let kinds = &mut self.kinds;
                    let of_kinds = logs
                        .entry(vote)
                        .or_insert_with(|| kinds.iter_mut().map(|kind| log(kind, vote)).collect());
                    for (sum, log) in likely.iter_mut().zip(of_kinds) {
                        *sum += bits * *log;
                    }
                }
                let weights = weighed(&likely);
                left(&to_come, doubt, |vote| self.wrong(vote, &weights))
            })
            .collect()
    }

    /// Chance that the majority of a vote is wrong, by the kinds so weighed.
    fn wrong(&mut self, vote: Vote, weights: &[f64]) -> f64 {
        let (mut right, mut wrong) = (0.0, 0.0);
        for (kind, weight) in self.kinds.iter_mut().zip(weights) {
            right += weight * kind.at(vote.known, vote.minority);
            wrong += weight * kind.at(vote.known, vote.known - vote.minority);
        }
        wrong / (right + wrong).max(f64::MIN_POSITIVE)
    }
}

/// How likely each kind is, where today all are equally likely, by the natural logarithms of how much likelier votes make it.
fn weighed(logs: &[f64]) -> Vec<f64> {
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    logs.iter().map(|l| (l - most).exp()).collect()
}

/// Natural logarithm of the chance of a vote, whichever side is the truth.
fn log(kind: &mut Chances, vote: Vote) -> f64 {
    let chance: f64 = vote.wrongs().map(|w| kind.at(vote.known, w)).sum();
    chance.max(1e-300).ln()
}

/// The same outcomes, with the chance of each, as no more than [`OUTCOMES`]: neighbours are put together.
fn fewer(mut outcomes: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    outcomes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let at_once = outcomes.len().div_ceil(OUTCOMES);
    outcomes
        .chunks(at_once.max(1))
        .map(|some| {
            let chance: f64 = some.iter().map(|o| o.1).sum();
            let left: f64 = some.iter().map(|o| o.0 * o.1).sum();
            (left / chance.max(f64::MIN_POSITIVE), chance)
        })
        .collect()
}

#[cfg(test)]
#[path = "outlook/simulated.rs"]
mod simulated;

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn votes(of: &[(u32, u32, u64)]) -> Vec<(Vote, u64)> {
        let vote = |&(known, minority, bits)| (Vote { known, minority }, bits);
        of.iter().map(vote).collect()
    }

    fn outlook(of: &[(u32, u32, u64)], more: u32) -> Outcome {
        let votes = votes(of);
        let chips = [ChipVotes::new(Noise::learn(&votes), votes)];
        Outlook::of(&chips, 0.01).after(more)
    }

    /// Three reads with 25 flips each of 16384 bits: of the 75 bits that dissent a part f is of shaky bits, S = 150 f of them. The
    /// votes are as likely for every f, so that ln(f / (1 - f)) is even, from ln(16384e-8 / 150) = -13.7 to ln(75 / (3 * 16384e-8))
    /// = 11.9. By a fourth read a fifth of S are ties, 0.075 S settled wrongly as one against three and 0.0125 S agree and are wrong,
    /// beside 75 q = 0.11 ties of noise: less than one bit up to S = 3.1, of which the chance is (13.7 - 3.9) / 25.6 = 0.384. From
    /// about f = 0.1 on one vote against three is in doubt, and 100 - 10 f bits are open, about 92; below that two or so. A ninth of
    /// the rest lies below, so that about 83 are left otherwise.
    #[test]
    fn one_read_settles_all_or_next_to_nothing() {
        let votes = [(3, 0, 16309), (3, 1, 75)];
        let after = outlook(&votes, 1);
        assert!((after.enough - 0.384).abs() < 1.0 / 24.0, "{after:?}");
        assert!((after.otherwise - 83.0).abs() < 5.0, "{after:?}");
        // By three reads a seventh of S are ties and two in seven are two against four: one bit from S = 2.3 on.
        let three = outlook(&votes, 3);
        assert!((three.enough - 0.37).abs() < 1.0 / 24.0, "{three:?}");
    }

    /// Four reads with 25 flips each of 16384 bits and no tie. Of S shaky bits a fifth would be ties (12 times the integral of
    /// q^2 (1-q)^2 from 0 to 1/2, that is 6 * 2! 2! / 5!), and what dissents is otherwise noise, whatever S is. So ln S, even
    /// before, is weighed by e^(-S/5) from 16384e-8 up: in all ln(5 / 1.64e-4) - 0.577 = 9.75, and the mean of S is 5 / 9.75.
    /// After a fifth read 2/15 of S are two against three and open, 0.03 of S one against four and wrong, 0.012 agree and are
    /// wrong, beside 100 q = 0.15 bits of noise that dissent twice: one bit or more from S = 4.9 on. The chance of that is
    /// E1(4.9 / 5) / 9.75 = 0.227 / 9.75, so that 0.977 is the chance of less; and it is told in steps of a 24th.
    #[test]
    fn four_reads_have_told_noise_from_shaky_bits() {
        let after = outlook(&[(4, 0, 16284), (4, 1, 100)], 1);
        assert!((after.enough - 0.977).abs() < 1.0 / 24.0, "{after:?}");
        // 2/15 of 0.51, and the noise where it is in doubt.
        assert!((0.06..0.25).contains(&after.open), "{after:?}");
    }

    #[test]
    fn outcomes_put_together_keep_their_chance_and_mean() {
        let many: Vec<(f64, f64)> = (0..1000).map(|n| (f64::from(n), 0.001)).collect();
        let few = fewer(many);
        assert!(few.len() <= OUTCOMES);
        let chance: f64 = few.iter().map(|o| o.1).sum();
        let mean: f64 = few.iter().map(|o| o.0 * o.1).sum();
        assert!((chance - 1.0).abs() < 1e-9 && (mean - 499.5).abs() < 1e-6);
    }
}
