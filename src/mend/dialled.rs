//! How likely a voice is another than the rest of its preset, preset by preset.
//!
//! Some owners dial all voices of a preset together, some each by itself, and many do the one in this preset and the other in
//! that. So every preset has a chance of its own that a voice of it was dialled alone, drawn for all presets from one beta
//! distribution: its mean and its spread are learned from the bank. A narrow one says that presets are all of a kind, a wide one
//! that in each of them all voices go together or none, and then the voices that are left of a preset decide.
//!
//! Contents that several presets hold with all their voices alike may be what nobody filled: then they were never dialled,
//! and a lost voice holds the same as the others whatever the owner's ways are.

/// The two parameters of one beta distribution, and how much it is believed.
#[derive(Clone, Copy, Debug)]
struct Beta {
    another: f64,
    alike: f64,
    weight: f64,
}

/// From what the chances of a bank's presets are drawn: several beta distributions, each as far as the bank bears it out.
#[derive(Clone, Debug)]
pub(super) struct Chances(Vec<Beta>);

/// How many means are tried, spread as the rule of Jeffreys has it: close together near 0 and near 1.
const MEANS: u32 = 16;
/// What the distributions tried count in voices, each twice the one before: far below one, all or none; far above, much the same in
/// each preset.
const COUNTS: [f64; 11] = [
    0.03125, 0.0625, 0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0,
];

/// The product of `n` terms that start here and grow by one.
fn rising(from: f64, n: usize) -> f64 {
    (0..n).map(|i| from + i as f64).product()
}

/// For each number of voices that are another, how well it fits what is left of them: `leaning` has for each voice the chance that it
/// is another if both were as likely before.
fn ways(leaning: &[f64]) -> Vec<f64> {
    let mut ways = vec![1.0];
    for another in leaning {
        let mut next = vec![0.0; ways.len() + 1];
        for (k, way) in ways.iter().enumerate() {
            next[k] += way * (1.0 - another);
            next[k + 1] += way * another;
        }
        ways = next;
    }
    ways
}

impl Beta {
    /// The chance that of `n` voices these `k` are another, and the others not.
    fn chance(&self, k: usize, n: usize) -> f64 {
        rising(self.another, k) * rising(self.alike, n - k) / rising(self.another + self.alike, n)
    }

    /// How well it fits what is left of a preset; `more` voices of it are another besides.
    fn fits(&self, ways: &[f64], more: usize) -> f64 {
        let n = ways.len() - 1 + more;
        let each = ways.iter().enumerate();
        each.map(|(k, way)| way * self.chance(k + more, n)).sum()
    }
}

impl Chances {
    /// Before any preset is seen.
    fn unknown() -> Self {
        let means = (0..MEANS).map(|i| {
            let angle = std::f64::consts::FRAC_PI_2 * (f64::from(i) + 0.5) / f64::from(MEANS);
            angle.sin().powi(2)
        });
        let one = |mean: f64, count: f64| Beta {
            another: mean * count,
            alike: (1.0 - mean) * count,
            weight: 1.0,
        };
        let all = means.flat_map(|mean| COUNTS.map(|count| one(mean, count)));
        Self(all.collect()).weighed()
    }

    /// From presets: for each what is left of its voices beside the one they are compared with, as [`ways`] takes it, and how much
    /// it counts.
    pub(super) fn of(presets: &[(Vec<f64>, f64)]) -> Self {
        let mut chances = Self::unknown();
        for (leaning, counts) in presets {
            let ways = ways(leaning);
            for beta in &mut chances.0 {
                beta.weight *= beta.fits(&ways, 0).powf(*counts);
            }
            chances = chances.weighed();
        }
        chances
    }

    fn weighed(mut self) -> Self {
        let all: f64 = self.0.iter().map(|b| b.weight).sum();
        self.0.iter_mut().for_each(|b| b.weight /= all);
        self
    }

    /// The chance that a voice is another than the one that the voices of its preset are compared with: `own` and `others` say
    /// what is left of it and of the others, as [`ways`] takes it.
    pub(super) fn another(&self, own: f64, others: &[f64]) -> f64 {
        let others = ways(others);
        let all = ways_with(&others, own);
        let of = |b: &Beta| b.weight * own * b.fits(&others, 1) / b.fits(&all, 0);
        self.0.iter().map(of).sum::<f64>().clamp(0.0, 1.0)
    }

    /// The same of one of several voices of a preset.
    pub(super) fn another_of(&self, voices: &[f64], at: usize) -> f64 {
        self.another(voices[at], &[&voices[..at], &voices[at + 1..]].concat())
    }

    /// How much less likely what is left of a preset's voices is than if all of them were certain to be alike.
    pub(super) fn by_hand(&self, leaning: &[f64]) -> f64 {
        let alike: f64 = leaning.iter().map(|another| 1.0 - another).product();
        let ways = ways(leaning);
        let fits: f64 = self.0.iter().map(|b| b.weight * b.fits(&ways, 0)).sum();
        fits / alike
    }
}

/// The ways of one voice more.
fn ways_with(others: &[f64], own: f64) -> Vec<f64> {
    let mut all = vec![0.0; others.len() + 1];
    for (k, way) in others.iter().enumerate() {
        all[k] += way * (1.0 - own);
        all[k + 1] += way * own;
    }
    all
}

/// Presets that hold the same contents, with all voices alike as far as can be seen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Same {
    /// How many they are.
    pub presets: usize,
    /// Of how many.
    pub of: usize,
    /// Whether they are the last ones.
    pub last: bool,
    /// How often a preset is copied from another by hand.
    pub copied: f64,
    /// How much less likely its voices are alike if dialled than if nobody did, as [`Chances::by_hand`] has it.
    pub by_hand: f64,
}

impl Same {
    /// The chance that nobody filled them. Half of all banks have presets that nobody filled (judgement), as often the last ones,
    /// however many, as any, of which each is one with a chance of which nothing is known. Else all but the first are copies.
    pub(super) fn unfilled(&self) -> f64 {
        let (n, k) = (self.of, self.presets);
        let last = if self.last { 1.0 / n as f64 } else { 0.0 };
        let any = Beta {
            another: 0.5,
            alike: 0.5,
            weight: 1.0,
        }
        .chance(k, n);
        let unfilled = 0.5 * (last + any);
        unfilled / (unfilled + self.copied.powi(k as i32 - 1) * self.by_hand)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(another: f64, alike: f64) -> Chances {
        Chances(vec![Beta {
            another,
            alike,
            weight: 1.0,
        }])
    }

    #[test]
    fn one_preset_by_the_rule_of_succession() {
        // Laplace's rule: any chance as likely before, k of n seen: (k + 1) / (n + 2) for the next.
        let any = one(1.0, 1.0);
        for (others, chance) in [
            (vec![], 1.0 / 2.0),
            (vec![0.0], 1.0 / 3.0),
            (vec![0.0, 0.0], 1.0 / 4.0),
            (vec![1.0, 0.0], 2.0 / 4.0),
            (vec![1.0, 1.0, 0.0], 3.0 / 5.0),
        ] {
            let got = any.another(0.5, &others);
            assert!((got - chance).abs() < 1e-12, "{others:?} {got}");
            // A voice of which nothing is left teaches nothing.
            let with = any.another(0.5, &[&others[..], &[0.5]].concat());
            assert!((with - chance).abs() < 1e-12, "{others:?} {with}");
        }
    }

    #[test]
    fn what_is_left_of_a_voice_weighs_in() {
        // Two others alike: 1/4 another. What is left speaks 9 to 1 for alike: 1 * 1 / (1 * 1 + 3 * 9) = 1/28.
        let got = one(1.0, 1.0).another(0.1, &[0.0, 0.0]);
        assert!((got - 1.0 / 28.0).abs() < 1e-12, "{got}");
        // One other voice, of which what is left speaks 3 to 1 for alike, and nothing left of its own. Both are another with 1/3, both
        // alike with 1/3, only the one or only the other with 1/6: (1/4 / 3 + 3/4 / 6) to (1/4 / 6 + 3/4 / 3), or 5 to 7.
        let got = one(1.0, 1.0).another(0.5, &[0.25]);
        assert!((got - 5.0 / 12.0).abs() < 1e-12, "{got}");
    }

    #[test]
    fn all_or_none_is_learned_from_the_bank() {
        // In ten presets the three other voices are alike, in ten they are not: a preset of two alike voices is one of the first.
        let mixed = [vec![(vec![0.0; 3], 1.0); 10], vec![(vec![1.0; 3], 1.0); 10]].concat();
        let together = Chances::of(&mixed).another(0.5, &[0.0]);
        assert!(together < 0.05, "{together}");
        assert!(Chances::of(&mixed).another(0.5, &[1.0]) > 0.95);
        // Half of the voices are another in each of twenty presets: what one voice is says little of the next.
        let each = vec![(vec![0.0, 1.0, 0.0, 1.0], 1.0); 20];
        let any = Chances::of(&each).another(0.5, &[0.0]);
        assert!((0.4..0.5).contains(&any), "{any}");
        // Nearly all alone: that two voices are alike makes a third likelier, but does not decide.
        let alone = vec![(vec![1.0; 3], 1.0); 20];
        let (by, without) = (
            Chances::of(&alone).another(0.5, &[0.0]),
            Chances::of(&alone).another(0.5, &[]),
        );
        assert!(without > 0.97 && by < without && by > 0.2, "{without} {by}");
    }

    #[test]
    fn what_nobody_filled_by_hand() {
        // Two of four presets, not the last: 0.5 * (1/2 * 3/2) * (1/2 * 3/2) / (1 * 2 * 3 * 4) = 0.01171875; copied once in ten and
        // alike by hand one time in five: 0.02.
        let same = Same {
            presets: 2,
            of: 4,
            last: false,
            copied: 0.1,
            by_hand: 0.2,
        };
        let got = same.unfilled();
        assert!((got - 0.011_718_75 / 0.031_718_75).abs() < 1e-12, "{got}");
        // The last two: 0.125 more.
        let last = Same { last: true, ..same }.unfilled();
        assert!((last - 0.136_718_75 / 0.156_718_75).abs() < 1e-12, "{last}");
        // The last eleven of sixteen are hardly copied ten times.
        let tail = Same {
            presets: 11,
            of: 16,
            ..Same { last: true, ..same }
        };
        assert!(tail.unfilled() > 0.999_999);
    }
}
