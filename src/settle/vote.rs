//! What the votes of several reads are worth: a model of how often a bit reads wrong, written down once.
//!
//! The model. Each bit has its own chance `q` of reading wrong in any one read, independent between reads and
//! never above one half. Most bits share one small chance `q0` (noise); a share `s` of the bits is *shaky*, with
//! `q` anywhere between 0 and 1/2. Neither `q0` nor `s` is known: both are equally likely on a logarithmic scale
//! from 1e-8 up (`q0` to 0.1, `s` to 1), and what the reads show weighs them. Three reads cannot tell noise from
//! a few shaky cells; the average over both keeps the answer honest until more reads can.
//!
//! What no repetition can show is a bit that reads *steadily* wrong: an open pin passes every repeat.

/// How many bits were seen with a given vote: `known` reads had an opinion and `minority` of them dissented.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Vote {
    /// Reads in which the bit is known.
    pub known: u32,
    /// Reads that disagree with the majority; at most half of `known`.
    pub minority: u32,
}

/// Points of the grid along each unknown.
const POINTS: usize = 25;
/// Points the shaky chance is averaged over.
const SHAKY: usize = 32;

/// The noise model, weighed by the votes seen.
#[derive(Clone, Debug)]
pub struct Noise {
    /// `(q0, s, weight)`; the weights add up to 1.
    grid: Vec<(f64, f64, f64)>,
}

fn choose(n: u32, k: u32) -> f64 {
    crate::evidence::log2_choose(u64::from(n), u64::from(k)).exp2()
}

/// Chance of exactly `wrong` of `n` reads being wrong, for noise chance `q0` and shaky share `s`.
fn wrong_reads(n: u32, wrong: u32, q0: f64, s: f64) -> f64 {
    let at = |q: f64| q.powi(wrong as i32) * (1.0 - q).powi((n - wrong) as i32);
    let shaky: f64 = (0..SHAKY)
        .map(|i| at((i as f64 + 0.5) / (2.0 * SHAKY as f64)))
        .sum::<f64>()
        / SHAKY as f64;
    choose(n, wrong) * ((1.0 - s) * at(q0) + s * shaky)
}

/// Chance of a vote, whichever side is the truth.
fn seen(vote: Vote, q0: f64, s: f64) -> f64 {
    let one = wrong_reads(vote.known, vote.minority, q0, s);
    if 2 * vote.minority == vote.known {
        one
    } else {
        one + wrong_reads(vote.known, vote.known - vote.minority, q0, s)
    }
}

fn steps(high: f64) -> impl Iterator<Item = f64> {
    let (low, high) = (1e-8f64.ln(), high.ln());
    (0..POINTS).map(move |i| (low + (high - low) * i as f64 / (POINTS - 1) as f64).exp())
}

impl Noise {
    /// Weighs the model by votes, each with the number of bits that showed it.
    pub fn learn(votes: &[(Vote, u64)]) -> Self {
        let mut grid: Vec<(f64, f64, f64)> = Vec::with_capacity(POINTS * POINTS);
        for q0 in steps(0.1) {
            for s in steps(1.0) {
                let log: f64 = votes
                    .iter()
                    .filter(|(v, n)| v.known > 0 && *n > 0)
                    .map(|(v, n)| *n as f64 * seen(*v, q0, s).max(1e-300).ln())
                    .sum();
                grid.push((q0, s, log));
            }
        }
        let most = grid.iter().map(|g| g.2).fold(f64::NEG_INFINITY, f64::max);
        for g in &mut grid {
            g.2 = (g.2 - most).exp();
        }
        let total: f64 = grid.iter().map(|g| g.2).sum();
        for g in &mut grid {
            g.2 /= total;
        }
        grid.retain(|g| g.2 > 1e-9);
        Self { grid }
    }

    /// Chance that the majority of this vote is wrong. One half for a tie or a bit nobody read.
    pub fn wrong(&self, vote: Vote) -> f64 {
        if vote.known == 0 || 2 * vote.minority >= vote.known {
            return 0.5;
        }
        let (mut wrong, mut all) = (0.0, 0.0);
        for &(q0, s, w) in &self.grid {
            // Weighed once more by how well a grid point explains this very vote: it was seen.
            wrong += w * wrong_reads(vote.known, vote.known - vote.minority, q0, s);
            all += w * seen(vote, q0, s);
        }
        if all > 0.0 { wrong / all } else { 0.5 }
    }

    /// Of `bits` bits read `reads` times, how many would be settled wrongly and how many left unsettled, when
    /// votes more doubtful than `doubt` are left open.
    pub fn forecast(&self, bits: u64, reads: u32, doubt: f64) -> (f64, f64) {
        let (mut wrong, mut open) = (0.0, 0.0);
        for minority in 0..=reads / 2 {
            let vote = Vote {
                known: reads,
                minority,
            };
            let chance: f64 = self
                .grid
                .iter()
                .map(|&(q0, s, w)| w * seen(vote, q0, s))
                .sum();
            let p = self.wrong(vote);
            if p <= doubt {
                wrong += p * chance;
            } else {
                open += chance;
            }
        }
        (wrong * bits as f64, open * bits as f64)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn chances_of_all_votes_add_up_to_one() {
        for n in 1..8 {
            let total: f64 = (0..=n / 2)
                .map(|minority| seen(Vote { known: n, minority }, 0.01, 0.02))
                .sum();
            assert!((total - 1.0).abs() < 1e-9, "{n}: {total}");
        }
    }

    #[test]
    fn plain_noise_by_hand() {
        // With no shaky bits and q = 0.1, two against one is wrong with q^2(1-q) / (q^2(1-q) + q(1-q)^2) = q.
        let noise = Noise {
            grid: vec![(0.1, 0.0, 1.0)],
        };
        let p = noise.wrong(Vote {
            known: 3,
            minority: 1,
        });
        assert!((p - 0.1).abs() < 1e-9);
    }

    #[test]
    fn a_tie_decides_nothing() {
        let noise = Noise::learn(&[(
            Vote {
                known: 2,
                minority: 0,
            },
            1000,
        )]);
        let tie = Vote {
            known: 2,
            minority: 1,
        };
        assert_eq!(noise.wrong(tie), 0.5);
    }
}
