//! What the votes of several reads are worth: a model of how often a bit reads wrong, written down once.
//!
//! The model. Each bit has its own chance `q` of reading wrong in any one read, independent between reads and
//! never above one half. Most bits share one small chance `q0` (noise); a share `s` of the bits is *shaky*, each
//! with a `q` of its own, equally likely anywhere between 0 and 1/2. Neither `q0` nor `s` is known: both are
//! equally likely on a logarithmic scale from 1e-8 up (`q0` to 0.1, `s` to 1), and what the reads show weighs
//! them. Three reads cannot tell noise from a few shaky cells; the average over both keeps the answer honest until
//! more reads can.
//!
//! The chance that `w` of `n` reads of one bit are wrong is therefore
//!
//! > C(n,w) ( (1 − s) q0^w (1 − q0)^(n−w) + s · 2 ∫₀^½ q^w (1 − q)^(n−w) dq )
//!
//! where the integral is an incomplete beta function, for whole numbers a sum of binomials. The average over
//! `q0` and `s` is taken numerically (`integrate`).
//!
//! By three reads alone the two cannot be told apart at all: one read of three that dissents is the likeliest vote of a
//! noisy bit and of a shaky one. Then each explains the votes as well as the other, and of the shaky bits that dissent
//! (5/32) / (5/32 + 11/32) = 5/16 have a wrong majority; so that where dissent is scattered over a chip the doubt of one vote
//! against two is about half of 5/16. A prior against shaky bits would have to be of thirty to one to settle them
//! (5/16 / 31 = 0.01), and there is no ground for one; the fourth read tells, since of shaky bits a third would be ties.
//!
//! What no repetition can show is a bit that reads *steadily* wrong: an open pin passes every repeat.

use std::collections::{BTreeMap, HashMap};
use std::f64::consts::LN_2;

use super::integrate::points;
use crate::evidence::log2_choose;

/// How many bits were seen with a given vote: `known` reads had an opinion and `minority` of them dissented.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Vote {
    /// Reads in which the bit is known.
    pub known: u32,
    /// Reads that disagree with the majority; at most half of `known`.
    pub minority: u32,
}

impl Vote {
    /// A bit that nobody has read yet.
    pub const NONE: Vote = Vote {
        known: 0,
        minority: 0,
    };

    /// The vote of which `wrong` of `known` reads are on one side.
    pub(super) fn of(known: u32, wrong: u32) -> Self {
        Self {
            known,
            minority: wrong.min(known - wrong),
        }
    }

    /// How many reads may be wrong: the minority, or else the majority.
    pub(super) fn wrongs(self) -> impl Iterator<Item = u32> {
        let other = self.known - self.minority;
        std::iter::once(self.minority).chain((other != self.minority).then_some(other))
    }
}

/// Least noise and least share of shaky bits.
const LEAST: f64 = 1e-8;
/// Most noise.
const MOST_NOISE: f64 = 0.1;

/// The noise model, weighed by the votes seen.
#[derive(Clone, Debug)]
pub struct Noise {
    /// `(q0, s, weight)`; the weights add up to 1.
    points: Vec<(f64, f64, f64)>,
}

fn choose(n: u32, k: u32) -> f64 {
    log2_choose(n.into(), k.into()).exp2()
}

/// Chance that `wrong` of `n` reads of a shaky bit are wrong: 2 C(n,w) B(1/2; w + 1, n − w + 1), which is the chance
/// of more than `wrong` heads in n + 1 throws of a coin, times 2 / (n + 1).
fn shaky(n: u32, wrong: u32) -> f64 {
    let heads: f64 = (wrong + 1..=n + 1)
        .map(|j| (log2_choose(u64::from(n) + 1, j.into()) - f64::from(n + 1)).exp2())
        .sum();
    2.0 * heads / f64::from(n + 1)
}

/// Of shaky bits read `n` times, two or more: how many are wrong in every read for each on which the reads differ.
pub(super) fn steady(n: u32) -> f64 {
    let differ: f64 = (1..n).map(|w| shaky(n, w)).sum();
    shaky(n, n) / differ.max(f64::MIN_POSITIVE)
}

/// One vote as the likelihood needs it, with how many bits showed it.
struct Term {
    bits: f64,
    vote: Vote,
    log_choose: f64,
    shaky: f64,
}

impl Term {
    fn of(vote: Vote, bits: u64) -> Self {
        Self {
            bits: bits as f64,
            vote,
            log_choose: log2_choose(vote.known.into(), vote.minority.into()) * LN_2,
            shaky: vote.wrongs().map(|w| shaky(vote.known, w)).sum(),
        }
    }

    /// Natural logarithm of the chance of these votes, whichever side is the truth.
    fn log(&self, q0: f64, s: f64) -> f64 {
        let (right, wrong) = ((-q0).ln_1p(), q0.ln());
        let n = self.vote.known;
        let noise: f64 = self
            .vote
            .wrongs()
            .map(|w| (self.log_choose + f64::from(w) * wrong + f64::from(n - w) * right).exp())
            .sum();
        self.bits * ((1.0 - s) * noise + s * self.shaky).max(1e-300).ln()
    }
}

impl Noise {
    /// Weighs the model by votes, each with the number of bits that showed it.
    pub fn learn(votes: &[(Vote, u64)]) -> Self {
        let terms: Vec<Term> = votes
            .iter()
            .filter(|(v, bits)| v.known > 0 && *bits > 0)
            .map(|(v, bits)| Term::of(*v, *bits))
            .collect();
        let found = points((LEAST.ln(), MOST_NOISE.ln()), (LEAST.ln(), 0.0), |q0, s| {
            let (q0, s) = (q0.exp(), s.exp().min(1.0));
            terms.iter().map(|t| t.log(q0, s)).sum()
        });
        Self {
            points: found
                .into_iter()
                .map(|p| (p.x.exp(), p.y.exp().min(1.0), p.weight))
                .collect(),
        }
    }

    /// Chance that the majority of this vote is wrong. One half for a tie or a bit nobody read.
    pub fn wrong(&self, vote: Vote) -> f64 {
        Chances::of(self).wrong(vote)
    }

    /// Of bits with these votes, after `more` further reads: how many will be settled wrongly and how many left
    /// open, when dissent over a vote more doubtful than `doubt` is left open.
    pub fn forecast(&self, votes: &[(Vote, u64)], more: u32, doubt: f64) -> (f64, f64) {
        Chances::of(self).forecast(votes, more, doubt)
    }

    /// This noise as so many kinds of it, all equally likely, from plain noise to shaky bits: each is what is likely of a part,
    /// so that their average is this noise, its unlikely ends included.
    pub(super) fn kinds(&self, how_many: u32) -> Vec<Noise> {
        let mut points = self.points.clone();
        points.sort_by(|a, b| (a.1 / a.0).total_cmp(&(b.1 / b.0)));
        let each = 1.0 / f64::from(how_many);
        let mut kinds: Vec<Vec<(f64, f64, f64)>> = vec![Vec::new()];
        let mut room = each;
        for (q0, s, mut weight) in points {
            while weight > room && kinds.len() < how_many as usize {
                if let Some(kind) = kinds.last_mut() {
                    kind.push((q0, s, room * f64::from(how_many)));
                }
                kinds.push(Vec::new());
                weight -= room;
                room = each;
            }
            if let Some(kind) = kinds.last_mut() {
                kind.push((q0, s, weight * f64::from(how_many)));
            }
            room -= weight;
        }
        kinds.into_iter().map(|points| Noise { points }).collect()
    }
}

/// The chances of votes under a noise model, worked out once for each number of reads.
pub(super) struct Chances<'a> {
    noise: &'a Noise,
    /// For `n` reads, the chance that 0, 1, … n of them are wrong.
    by_reads: HashMap<u32, Vec<f64>>,
}

impl<'a> Chances<'a> {
    pub(super) fn of(noise: &'a Noise) -> Self {
        Self {
            noise,
            by_reads: HashMap::new(),
        }
    }

    fn reads(&mut self, n: u32) -> &[f64] {
        self.by_reads.entry(n).or_insert_with(|| {
            let mut out = vec![0.0; n as usize + 1];
            let mut share = 0.0;
            for &(q0, s, weight) in &self.noise.points {
                share += weight * s;
                let mut term = weight * (1.0 - s) * (1.0 - q0).powi(n as i32);
                for o in &mut out {
                    *o += term;
                    term *= q0 / (1.0 - q0);
                }
            }
            for (wrong, o) in (0u32..).zip(&mut out) {
                *o = *o * choose(n, wrong) + share * shaky(n, wrong);
            }
            out
        })
    }

    /// Chance that `wrong` of `n` reads are wrong.
    pub(super) fn at(&mut self, n: u32, wrong: u32) -> f64 {
        self.reads(n)[wrong as usize]
    }

    fn wrong(&mut self, vote: Vote) -> f64 {
        let Vote { known, minority } = vote;
        if 2 * minority >= known {
            return 0.5;
        }
        let (right, wrong) = (self.at(known, minority), self.at(known, known - minority));
        if right + wrong > 0.0 {
            wrong / (right + wrong)
        } else {
            0.5
        }
    }

    /// How many bits are to be expected, of those with these votes, once `more` further reads were made: by their vote
    /// then, so many of whose reads are wrong.
    pub(super) fn foreseen(
        &mut self,
        votes: &[(Vote, u64)],
        more: u32,
    ) -> BTreeMap<(u32, u32), f64> {
        let mut out = BTreeMap::new();
        for &(vote, bits) in votes {
            let n = vote.known;
            let seen: f64 = vote.wrongs().map(|w| self.at(n, w)).sum();
            if seen <= 0.0 {
                continue;
            }
            for w in vote.wrongs() {
                for f in 0..=more {
                    // Given that w + f of all reads are wrong, the chance that w of them are among the first n.
                    let here = choose(n, w) * choose(more, f) / choose(n + more, w + f);
                    let chance = bits as f64 * here * self.at(n + more, w + f) / seen;
                    *out.entry((n + more, w + f)).or_insert(0.0) += chance;
                }
            }
        }
        out
    }

    pub(super) fn forecast(&mut self, votes: &[(Vote, u64)], more: u32, doubt: f64) -> (f64, f64) {
        let to_come = self.foreseen(votes, more);
        left(&to_come, doubt, |vote| self.wrong(vote))
    }
}

/// Of bits with these votes, known from how many reads and in how many of them wrong: how many are settled wrongly and how
/// many left open, `wrong` being the chance that a majority is wrong.
pub(super) fn left(
    votes: &BTreeMap<(u32, u32), f64>,
    doubt: f64,
    mut wrong: impl FnMut(Vote) -> f64,
) -> (f64, f64) {
    let mut sum = (0.0, 0.0);
    for (&(n, w), bits) in votes {
        let vote = Vote::of(n, w);
        let tie = 2 * vote.minority == n;
        if tie || (vote.minority > 0 && wrong(vote) > doubt) {
            sum.1 += bits;
        } else if 2 * w > n {
            sum.0 += bits;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn vote(known: u32, minority: u32) -> Vote {
        Vote { known, minority }
    }

    #[test]
    fn chances_of_all_votes_add_up_to_one() {
        let noise = Noise {
            points: vec![(0.01, 0.02, 1.0)],
        };
        for n in 1..12 {
            let total: f64 = Chances::of(&noise).reads(n).iter().sum();
            assert!((total - 1.0).abs() < 1e-9, "{n}: {total}");
        }
    }

    #[test]
    fn a_shaky_bit_by_hand() {
        // One read: 2 * integral of q from 0 to 1/2 = 1/4. Two wrong of three: 2 * 3 * integral of q^2 - q^3
        // = 6 * (1/24 - 1/64) = 5/32.
        assert!((shaky(1, 1) - 0.25).abs() < 1e-12);
        assert!((shaky(3, 2) - 5.0 / 32.0).abs() < 1e-12);
        // Both of two wrong: 2 * 1/24 = 1/12; one of two: 2 * 2 * (1/8 - 1/24) = 1/3.
        assert!((steady(2) - 0.25).abs() < 1e-12);
    }

    #[test]
    fn plain_noise_by_hand() {
        // With no shaky bits and q = 0.1, two against one is wrong with q^2(1-q) / (q^2(1-q) + q(1-q)^2) = q.
        let noise = Noise {
            points: vec![(0.1, 0.0, 1.0)],
        };
        assert!((noise.wrong(vote(3, 1)) - 0.1).abs() < 1e-9);
        // One against none, and two further reads. The first is wrong with q; then the bit is settled wrongly
        // where both agree with it (q^3 of q^3 + (1-q)^3 is below the doubt allowed) and left open otherwise,
        // unless no read was wrong.
        let (wrong, open) = noise.forecast(&[(vote(1, 0), 1)], 2, 0.01);
        assert!((wrong - 0.1f64.powi(3)).abs() < 1e-12, "{wrong}");
        let (all_right, all_wrong) = (0.9f64.powi(3), 0.1f64.powi(3));
        assert!(
            (open - (1.0 - all_right - all_wrong)).abs() < 1e-12,
            "{open}"
        );
    }

    #[test]
    fn no_further_read_changes_nothing() {
        let votes = [(vote(3, 0), 4000), (vote(3, 1), 20)];
        let noise = Noise::learn(&votes);
        let (wrong, open) = noise.forecast(&votes, 0, 0.5);
        let now = 4000.0 * noise.wrong(vote(3, 0)) + 20.0 * noise.wrong(vote(3, 1));
        assert!((wrong - now).abs() < 1e-9 && open == 0.0, "{wrong} {now}");
    }

    /// By the definition of an average: whatever is linear in the chances is the same of the kinds together.
    #[test]
    fn kinds_are_equally_likely_and_average_to_the_noise() {
        let noise = Noise::learn(&[(vote(3, 0), 4000), (vote(3, 1), 20)]);
        let kinds = noise.kinds(24);
        assert_eq!(kinds.len(), 24);
        for kind in &kinds {
            let weight: f64 = kind.points.iter().map(|p| p.2).sum();
            assert!((weight - 1.0).abs() < 1e-9, "{weight}");
        }
        for (n, w) in [(3, 1), (3, 2), (13, 6)] {
            let of_kinds = kinds.iter().map(|k| Chances::of(k).at(n, w));
            let (mean, all) = (of_kinds.sum::<f64>() / 24.0, Chances::of(&noise).at(n, w));
            assert!((mean / all - 1.0).abs() < 1e-9, "{n} {w}: {mean} {all}");
        }
    }

    #[test]
    fn a_tie_decides_nothing() {
        let noise = Noise::learn(&[(vote(2, 0), 1000)]);
        assert_eq!(noise.wrong(vote(2, 1)), 0.5);
    }
}
