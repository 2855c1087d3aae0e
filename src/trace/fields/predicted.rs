//! What a control's bits should show under a hypothesis, setting by setting, and how well columns agree with it.

use std::cell::OnceCell;

use super::super::cells::Experiment;
use super::super::columns::Column;
use super::super::plan::Purpose;
use super::super::signal::{self, Hypothesis, Noise};
use super::QUIET;

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
const TOGETHER: usize = 16;

/// Columns to be scored, so many together.
pub(super) struct Blocks {
    blocks: Vec<Block>,
    /// How often nearly all of them were known, setting by setting.
    known: Vec<f32>,
    /// What each column is worth as nobody's.
    coins: Vec<f64>,
}

/// How often some columns were 1, setting by setting.
struct Block {
    ones: Vec<[f32; TOGETHER]>,
    /// How often they were known, where that is not as usual.
    known: Option<Vec<[f32; TOGETHER]>>,
}

impl Blocks {
    pub(super) fn of(columns: &[Column], coins: &[f64], some: &[usize], settings: usize) -> Self {
        let usual = some.first().map_or(&[][..], |c| &columns[*c].known);
        let block = |block: &[usize]| {
            let of = |counts: fn(&Column) -> &[f32]| -> Vec<[f32; TOGETHER]> {
                let mut out = vec![[0.0; TOGETHER]; settings];
                for (i, c) in block.iter().enumerate() {
                    for (out, count) in out.iter_mut().zip(counts(&columns[*c])) {
                        out[i] = *count;
                    }
                }
                out
            };
            let as_usual = block.iter().all(|c| columns[*c].known == usual);
            Block {
                ones: of(|c| &c.ones),
                known: (!as_usual).then(|| of(|c| &c.known)),
            }
        };
        Self {
            blocks: some.chunks(TOGETHER).map(block).collect(),
            known: usual.to_vec(),
            coins: some.iter().map(|c| coins[*c]).collect(),
        }
    }

    /// The odds of every column against nobody's, and whether it is inverted, as [`Prediction::odds`].
    pub(super) fn odds(&self, p: &Prediction) -> Vec<(f64, bool)> {
        let mut out = Vec::with_capacity(self.coins.len());
        // A bit that is 1 tells this beyond one that is 0; and straight and inverted tell so much together.
        let chances = || p.one.iter().zip(&p.zero);
        let more: Vec<f32> = chances().map(|(one, zero)| one - zero).collect();
        let usual = self.known.iter().zip(chances());
        let usual = usual.fold((0.0f32, 0.0f32), |(zeros, both), (known, (one, zero))| {
            (zeros + known * zero, both + known * (one + zero))
        });
        for (block, coins) in self.blocks.iter().zip(self.coins.chunks(TOGETHER)) {
            let (mut straight, mut all) = ([usual.0; TOGETHER], [usual.1; TOGETHER]);
            if let Some(known) = &block.known {
                (straight, all) = ([0.0; TOGETHER], [0.0; TOGETHER]);
                for (known, (one, zero)) in known.iter().zip(chances()) {
                    for i in 0..TOGETHER {
                        straight[i] += known[i] * zero;
                        all[i] += known[i] * (one + zero);
                    }
                }
            }
            for (ones, more) in block.ones.iter().zip(&more) {
                for i in 0..TOGETHER {
                    straight[i] += ones[i] * more;
                }
            }
            for ((coin, straight), all) in coins.iter().zip(straight).zip(all) {
                let turned = all - straight;
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

/// A way in which a lane could be coded, with one of the noises that its dial may have.
pub(super) struct Coding {
    pub(super) h: Hypothesis,
    pub(super) noise: Noise,
    /// What it takes to tell it among its like.
    pub(super) price: f64,
    /// Bit 0 first.
    pub(super) predicted: Vec<Prediction>,
}

/// All ways in which a lane could be coded: a list of each, by the noises of its dial. Each is worked out once, when it is
/// first asked for.
pub(super) struct Codings<'a> {
    experiment: &'a Experiment<'a>,
    pub(super) lane: usize,
    noise: Noise,
    usual: OnceCell<Vec<Vec<Coding>>>,
    offset: OnceCell<Vec<Vec<Coding>>>,
}

impl<'a> Codings<'a> {
    pub(super) fn of(experiment: &'a Experiment, lane: usize, noise: Noise) -> Self {
        Self {
            experiment,
            lane,
            noise,
            usual: OnceCell::new(),
            offset: OnceCell::new(),
        }
    }

    /// Those that are common.
    pub(super) fn usual(&self) -> &[Vec<Coding>] {
        let lane = self.experiment.lanes[self.lane];
        let all = || self.all(signal::hypotheses(self.experiment.panel(), lane), 0.0);
        self.usual.get_or_init(all)
    }

    /// Those that count from another number than nought.
    pub(super) fn offset(&self) -> &[Vec<Coding>] {
        let lane = self.experiment.lanes[self.lane];
        self.offset.get_or_init(|| {
            let all = signal::offset_hypotheses(self.experiment.panel(), lane);
            let price = (all.len().max(1) as f64).ln();
            self.all(all, price)
        })
    }

    fn all(&self, all: Vec<Hypothesis>, price: f64) -> Vec<Vec<Coding>> {
        // One dial may be noisier than another: each coding is taken with the noise that suits it best.
        let control = self.experiment.lanes[self.lane].control;
        let mut steps = vec![(self.noise.step, 0.0)];
        if !self.experiment.panel().controls[control].exact() {
            steps.extend([QUIET, signal::EVEN].map(|step| (step, self.noise.apart)));
        }
        let with = |h: Hypothesis| {
            let coding = |&(step, more): &(f64, f64)| {
                let noise = Noise { step, ..self.noise };
                Coding {
                    h,
                    noise,
                    price: price + more,
                    predicted: predictions(self.experiment, self.lane, h, noise),
                }
            };
            steps.iter().map(coding).collect()
        };
        all.into_iter().map(with).collect()
    }
}
