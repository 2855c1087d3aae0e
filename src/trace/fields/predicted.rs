//! What a control's bits should show under a hypothesis, setting by setting, and how well columns agree with it.

use super::super::cells::Experiment;
use super::super::columns::Column;
use super::super::plan::Purpose;
use super::super::signal::{self, Hypothesis, Noise};

/// Logarithms of the chances of one bit, a setting each; nought for both where the control means nothing.
pub(super) struct Prediction {
    pub(super) one: Vec<f32>,
    pub(super) zero: Vec<f32>,
    /// The bit should not move between the end stops.
    pub(super) still: bool,
}

impl Prediction {
    /// The odds against a coin that a column of this bit may be expected to have (natural logarithm).
    pub(super) fn worth(&self) -> f64 {
        let told = |(one, zero): (&f32, &f32)| {
            if *one == 0.0 && *zero == 0.0 {
                return 0.0;
            }
            f64::from(one.exp() * one + zero.exp() * zero) + std::f64::consts::LN_2
        };
        self.one.iter().zip(&self.zero).map(told).sum()
    }

    pub(super) fn odds(&self, column: &Column, coin: f64) -> (f64, bool) {
        let (mut straight, mut turned) = (0.0f32, 0.0f32);
        for d in 0..self.one.len() {
            let (one, zero) = (column.ones[d], column.known[d] - column.ones[d]);
            straight += one * self.one[d] + zero * self.zero[d];
            turned += zero * self.one[d] + one * self.zero[d];
        }
        if straight >= turned {
            (f64::from(straight) - coin, false)
        } else {
            (f64::from(turned) - coin, true)
        }
    }
}

/// Columns that are scored together.
const TOGETHER: usize = 8;

/// Columns to be scored, so many together: how often each was 1, and 0, setting by setting.
pub(super) struct Blocks {
    /// Settings of a block one after the other.
    counts: Vec<([f32; TOGETHER], [f32; TOGETHER])>,
    settings: usize,
    /// What each column is worth as nobody's.
    coins: Vec<f64>,
}

impl Blocks {
    pub(super) fn of(columns: &[Column], coins: &[f64], some: &[usize], settings: usize) -> Self {
        let mut counts = Vec::new();
        for block in some.chunks(TOGETHER) {
            for d in 0..settings {
                let (mut ones, mut zeros) = ([0.0; TOGETHER], [0.0; TOGETHER]);
                for ((one, zero), c) in ones.iter_mut().zip(&mut zeros).zip(block) {
                    *one = columns[*c].ones[d];
                    *zero = columns[*c].known[d] - columns[*c].ones[d];
                }
                counts.push((ones, zeros));
            }
        }
        Self {
            counts,
            settings,
            coins: some.iter().map(|c| coins[*c]).collect(),
        }
    }

    /// The odds of every column against nobody's, and whether it is inverted, as [`Prediction::odds`].
    pub(super) fn odds(&self, p: &Prediction) -> Vec<(f64, bool)> {
        let mut out = Vec::with_capacity(self.coins.len());
        let blocks = self.counts.chunks(self.settings.max(1));
        for (block, coins) in blocks.zip(self.coins.chunks(TOGETHER)) {
            let (mut straight, mut turned) = ([0.0f32; TOGETHER], [0.0f32; TOGETHER]);
            for ((ones, zeros), (one, zero)) in block.iter().zip(p.one.iter().zip(&p.zero)) {
                for i in 0..TOGETHER {
                    straight[i] += ones[i] * one + zeros[i] * zero;
                    turned[i] += zeros[i] * one + ones[i] * zero;
                }
            }
            for ((coin, straight), turned) in coins.iter().zip(straight).zip(turned) {
                out.push(match straight >= turned {
                    true => (f64::from(straight) - coin, false),
                    false => (f64::from(turned) - coin, true),
                });
            }
        }
        out
    }
}

/// What a column would be worth as nobody's bit: tossed like a coin, or still, over end stops and sweeps apart. For each
/// class of settings over those.
pub(crate) fn coins(experiment: &Experiment, columns: &[Column], noise: Noise) -> Vec<Vec<f64>> {
    let classes = experiment.classes().iter();
    classes
        .map(|class| coins_over(experiment, columns, noise, class))
        .collect()
}

fn coins_over(
    experiment: &Experiment,
    columns: &[Column],
    noise: Noise,
    class: &[bool],
) -> Vec<f64> {
    let (hit, miss) = ((1.0 - noise.slip).ln(), noise.slip.ln());
    columns
        .iter()
        .map(|c| {
            let mut coin = 0.0;
            for ends in [true, false] {
                let (mut ones, mut known) = (0.0, 0.0);
                for (d, s) in experiment.plan.settings.iter().enumerate() {
                    if class[d] && (s.purpose == Purpose::Ends) == ends {
                        ones += f64::from(c.ones[d]);
                        known += f64::from(c.known[d]);
                    }
                }
                let most = ones.max(known - ones);
                let still = most * hit + (known - most) * miss - std::f64::consts::LN_2;
                coin += still.max(-known * std::f64::consts::LN_2);
            }
            coin
        })
        .collect()
}

/// The chances of every bit of a control under a hypothesis.
pub(super) fn predictions(
    experiment: &Experiment,
    lane: usize,
    h: Hypothesis,
    noise: Noise,
) -> Vec<Prediction> {
    // Few chances are different.
    let mut known: Vec<(f64, f32, f32)> = Vec::new();
    let mut logarithms = move |p: f64| match known.iter().find(|k| k.0 == p) {
        Some(k) => (k.1, k.2),
        None => {
            let (one, zero) = (p.ln() as f32, (1.0 - p).ln() as f32);
            known.push((p, one, zero));
            (one, zero)
        }
    };
    let means = &experiment.classes()[experiment.class(lane)];
    signal::chances(h, experiment.plan, lane, experiment.lanes[lane], noise)
        .into_iter()
        .map(|row| {
            let ends = row
                .iter()
                .zip(&experiment.plan.settings)
                .zip(means)
                .filter(|((_, s), means)| **means && s.purpose == Purpose::Ends);
            let (low, high) = ends.fold((1.0f64, 0.0f64), |(l, h), ((p, _), _)| {
                (l.min(*p), h.max(*p))
            });
            let told = row.iter().zip(means).map(|(p, means)| match means {
                true => logarithms(*p),
                false => (0.0, 0.0),
            });
            let (one, zero) = told.unzip();
            Prediction {
                still: high - low < 0.2,
                one,
                zero,
            }
        })
        .collect()
}
