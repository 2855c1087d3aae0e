//! The belief in each code a damaged field may hold.

use crate::codec::low_mask;

/// What one source says of a field.
#[derive(Clone, Debug)]
pub(super) struct Says {
    /// The source in words: "earlier reading R holds".
    pub who: String,
    /// The code it holds.
    pub code: u64,
    /// The bits it knows.
    pub known: u64,
    /// Chance that it holds the truth rather than any plausible code.
    pub reliable: f64,
}

/// Belief over codes. What is missing to one is the chance of all codes that are not listed.
#[derive(Clone, Debug)]
pub(super) struct Belief {
    /// `(code, chance)`, the likeliest first.
    pub codes: Vec<(u64, f64)>,
}

/// What is believed of a field before anything is seen of it.
#[derive(Clone, Debug)]
pub(super) struct Prior {
    /// `(code, chance)`.
    codes: Vec<(u64, f64)>,
    /// Where not all codes are listed, the chance of each of those that are not, and the field's bits.
    others: Option<(f64, u64)>,
}

/// Most lost bits of a field whose every completion is listed, where its codes are too many to count.
const OPEN: u32 = 10;

impl Prior {
    /// All codes a field may hold, with their chances.
    pub(super) fn listed(codes: Vec<(u64, f64)>) -> Self {
        Self {
            codes,
            others: None,
        }
    }

    /// The prior of a field with too many codes to count, each as unlikely as any. Listed are those that what is seen leaves,
    /// where they are few, and what the sources hold.
    pub(super) fn too_wide(width: u8, seen: Seen, says: &[Says]) -> Self {
        let full = low_mask(width);
        let (any, open) = (f64::from(width).exp2().recip(), full & !seen.firm);
        let mut codes = vec![seen.code & full];
        codes.extend(says.iter().map(|s| s.code | seen.code & full & !s.known));
        if open.count_ones() <= OPEN {
            let mut rest = open;
            loop {
                codes.push(seen.code & seen.firm | rest);
                if rest == 0 {
                    break;
                }
                rest = (rest - 1) & open;
            }
        }
        codes.sort_unstable();
        codes.dedup();
        Self {
            codes: codes.into_iter().map(|c| (c, any)).collect(),
            others: Some((any, full)),
        }
    }

    /// The chance that these bits of a code agree by chance.
    fn by_chance(&self, mask: u64, code: u64) -> f64 {
        if self.others.is_some() {
            return f64::from(mask.count_ones()).exp2().recip();
        }
        let same = self.codes.iter().filter(|(c, _)| (c ^ code) & mask == 0);
        same.map(|p| p.1).sum::<f64>().max(1e-9)
    }

    /// How much what is seen and said speaks for all the codes that are not listed. They agree with no source that knows all
    /// bits that are open, and with the others as chance has it.
    fn unlisted(&self, seen: Seen, sources: &[(&Says, f64)]) -> f64 {
        let Some((any, full)) = self.others else {
            return 0.0;
        };
        let (doubtful, rate) = seen.doubtful;
        let open = full & !seen.firm;
        let lost = (open & !doubtful).count_ones() as i32;
        // Every code that agrees with the firm bits.
        let all = 2f64.powi(lost) * (1.0 + odds(rate)).powi((open & doubtful).count_ones() as i32);
        let agree = |c: &&(u64, f64)| (c.0 ^ seen.code) & seen.firm == 0;
        let listed: f64 = self
            .codes
            .iter()
            .filter(agree)
            .map(|c| seen.given(c.0))
            .sum();
        let said = |(s, by_chance): &(&Says, f64)| {
            by_chance
                * if open & !s.known == 0 {
                    1.0 - s.reliable
                } else {
                    1.0
                }
        };
        any * (all - listed).max(0.0) * sources.iter().map(said).product::<f64>()
    }
}

fn odds(chance: f64) -> f64 {
    chance / (1.0 - chance)
}

/// What is seen of the field itself.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    /// The code read; lost bits read 0.
    pub code: u64,
    /// Bits that were read and may be believed.
    pub firm: u64,
    /// Chance that a firm bit is flipped all the same.
    pub flip: f64,
    /// Bits that look flipped, beside the firm ones, and the chance of a flip where they are.
    pub doubtful: (u64, f64),
    /// Whether the code cannot be: then its bits flipped, or the whole of it is nonsense.
    pub impossible: bool,
}

/// Chance that a code that cannot be is nonsense as a whole rather than a code with flipped bits.
const NONSENSE: f64 = 0.5;

impl Seen {
    /// How likely what is seen is, up to a factor, where a code is the truth.
    fn given(&self, code: u64) -> f64 {
        let wrong = ((code ^ self.code) & self.firm).count_ones() as i32;
        if self.impossible {
            let bits = f64::from(self.firm.count_ones());
            // At least one bit flipped, each as likely as any.
            let flipped = odds(self.flip).powi((wrong - 1).max(0)) / bits.max(1.0);
            return (1.0 - NONSENSE) * flipped + NONSENSE * (-bits).exp2();
        }
        let (doubtful, rate) = self.doubtful;
        let turned = ((code ^ self.code) & doubtful).count_ones() as i32;
        odds(self.flip).powi(wrong) * odds(rate).powi(turned)
    }
}

/// Codes kept of a belief.
const KEPT: usize = 64;

impl Belief {
    /// Bayes' rule: the prior of each code, what is seen, and what each source says.
    pub(super) fn of(prior: &Prior, seen: Seen, sources: &[Says]) -> Self {
        let sources: Vec<(&Says, f64)> = sources
            .iter()
            .map(|s| (s, prior.by_chance(s.known, s.code)))
            .collect();
        let codes: Vec<(u64, f64)> = prior
            .codes
            .iter()
            .map(|&(code, chance)| {
                let mut w = chance * seen.given(code);
                for (s, by_chance) in &sources {
                    let same = (code ^ s.code) & s.known == 0;
                    w *= (1.0 - s.reliable) * by_chance + if same { s.reliable } else { 0.0 };
                }
                (code, w)
            })
            .collect();
        let mut belief = Self { codes };
        belief.normalise(prior.unlisted(seen, &sources));
        belief.codes.truncate(KEPT);
        belief
    }

    /// Chances that are worked out already.
    pub(super) fn sorted(codes: Vec<(u64, f64)>) -> Self {
        let mut belief = Self { codes };
        belief.sort();
        belief
    }

    fn sort(&mut self) {
        let by = |a: &(u64, f64), b: &(u64, f64)| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0));
        self.codes.sort_by(by);
    }

    /// Makes chances of weights; `unlisted` is the weight of the codes that are not listed.
    fn normalise(&mut self, unlisted: f64) {
        let total = self.codes.iter().map(|c| c.1).sum::<f64>() + unlisted;
        if total > 0.0 {
            self.codes.iter_mut().for_each(|c| c.1 /= total);
        }
        self.sort();
    }

    /// The likeliest code and its chance.
    pub(super) fn best(&self) -> Option<(u64, f64)> {
        self.codes.first().copied()
    }
}

/// Chance that a check fails though all it covers is right, since the stored check may have suffered unnoticed. That it holds
/// though something is wrong has one chance in 2^width.
pub(super) const STRAY: f64 = 1e-3;
/// Most combinations of codes tried against a check.
const COMBINATIONS: usize = 1024;

/// Brings beliefs in line with a check over all their fields: `holds` says whether it does for a choice of codes.
///
/// With up to three fields every likely combination is tried; with more, only the likeliest one.
pub(super) fn check(beliefs: &mut [&mut Belief], width: u8, mut holds: impl FnMut(&[u64]) -> bool) {
    if beliefs.is_empty() || beliefs.iter().any(|b| b.codes.is_empty()) {
        return;
    }
    if beliefs.len() <= 3 {
        let each = match beliefs.len() {
            1 => KEPT,
            2 => 32,
            _ => 10,
        };
        together(beliefs, each, width, &mut holds);
        return;
    }
    let best: Vec<u64> = beliefs.iter().map(|b| b.codes[0].0).collect();
    let all_right: f64 = beliefs.iter().map(|b| b.codes[0].1).product();
    let by_chance = f64::from(width).exp2().recip();
    let right = if holds(&best) {
        all_right / (all_right + (1.0 - all_right) * by_chance)
    } else {
        all_right * STRAY / (all_right * STRAY + (1.0 - all_right))
    };
    for b in beliefs {
        let p = b.codes[0].1;
        // Given that not all are right, this one is right with what is left of its chance.
        let otherwise = if all_right < 1.0 {
            ((p - all_right) / (1.0 - all_right)).max(0.0)
        } else {
            p
        };
        let new = right + (1.0 - right) * otherwise;
        let scale = if p < 1.0 {
            (1.0 - new) / (1.0 - p)
        } else {
            0.0
        };
        for (i, c) in b.codes.iter_mut().enumerate() {
            c.1 = if i == 0 { new } else { c.1 * scale };
        }
        b.sort();
    }
}

fn together(
    beliefs: &mut [&mut Belief],
    each: usize,
    width: u8,
    holds: &mut impl FnMut(&[u64]) -> bool,
) {
    let n = beliefs.len();
    let sizes: Vec<usize> = beliefs.iter().map(|b| b.codes.len().min(each)).collect();
    let mut sums: Vec<Vec<f64>> = sizes.iter().map(|s| vec![0.0; *s]).collect();
    let all: usize = sizes.iter().product();
    let mut codes = vec![0; n];
    for combination in 0..all.min(COMBINATIONS) {
        let mut rest = combination;
        let mut at = vec![0; n];
        let mut chance = 1.0;
        for i in 0..n {
            at[i] = rest % sizes[i];
            rest /= sizes[i];
            codes[i] = beliefs[i].codes[at[i]].0;
            chance *= beliefs[i].codes[at[i]].1;
        }
        let weight = chance * if holds(&codes) { 1.0 } else { STRAY };
        for i in 0..n {
            sums[i][at[i]] += weight;
        }
    }
    // Codes that were not tried: with them the check holds as chance has it.
    let by_chance = f64::from(width).exp2().recip();
    let untried = by_chance + (1.0 - by_chance) * STRAY;
    let tried: Vec<f64> = beliefs
        .iter()
        .zip(&sizes)
        .map(|(b, size)| b.codes[..*size].iter().map(|c| c.1).sum())
        .collect();
    for i in 0..n {
        let others: f64 = (0..n).filter(|j| *j != i).map(|j| tried[j]).product();
        let b = &mut beliefs[i];
        b.codes.truncate(sizes[i]);
        let weights = b.codes.iter().zip(&sums[i]);
        let weights: Vec<f64> = weights
            .map(|(c, sum)| sum + c.1 * (1.0 - others).max(0.0) * untried)
            .collect();
        if weights.iter().sum::<f64>() <= 0.0 {
            continue;
        }
        for (c, w) in b.codes.iter_mut().zip(weights) {
            c.1 = w;
        }
        b.normalise((1.0 - tried[i]).max(0.0) * untried);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const FLAT: [(u64, f64); 4] = [(0, 0.25), (1, 0.25), (2, 0.25), (3, 0.25)];

    fn flat() -> Prior {
        Prior::listed(FLAT.to_vec())
    }

    fn nothing() -> Seen {
        Seen {
            code: 0,
            firm: 0,
            flip: 0.001,
            doubtful: (0, 0.5),
            impossible: false,
        }
    }

    #[test]
    fn an_edit_of_one_bit_may_look_like_a_flip() {
        // Read as 3, held as 2 before by a source that is right nine times in ten. The last bit flips once in a hundred:
        // flipped 0.25 * (0.9 + 0.1 / 4) * 0.01 / 0.99, edited 0.25 * 0.1 / 4; the first is 27.2 % of both.
        let says = Says {
            who: String::new(),
            code: 2,
            known: 3,
            reliable: 0.9,
        };
        let seen = Seen {
            code: 3,
            firm: 2,
            flip: 1e-9,
            doubtful: (1, 0.01),
            impossible: false,
        };
        let belief = Belief::of(&flat(), seen, &[says]);
        assert_eq!(belief.codes[0].0, 3);
        assert!((belief.codes[1].1 - 0.272).abs() < 1e-3, "{belief:?}");
    }

    #[test]
    fn one_source_by_hand() {
        // Reliable with 0.6, else any of four: right with (0.6 + 0.4/4) = 0.7.
        let says = Says {
            who: String::new(),
            code: 2,
            known: 3,
            reliable: 0.6,
        };
        let (code, p) = Belief::of(&flat(), nothing(), &[says]).best().unwrap();
        assert_eq!(code, 2);
        assert!((p - 0.7).abs() < 1e-9, "{p}");
    }

    #[test]
    fn a_code_that_cannot_be_need_not_be_one_flip_away() {
        // Read as 7 where only 0 to 3 can be: 3 is one flip away, 0 all three. A source sure to 99 % holds 0. Flipped, 3 bits:
        // 3 has 0.5 / 3 + 0.5 / 8 = 0.2292, 0 has 0.0625. With the source 0 has (0.99 + 0.01 / 4) * 0.0625 = 0.06203 and 3
        // 0.01 / 4 * 0.2292 = 0.00057; 1 and 2 are two flips away, 0.0025 * 0.0627 = 0.00016 each: 98.6 %.
        let says = Says {
            who: String::new(),
            code: 0,
            known: 7,
            reliable: 0.99,
        };
        let seen = Seen {
            code: 7,
            firm: 7,
            flip: 0.001,
            doubtful: (0, 0.5),
            impossible: true,
        };
        let (code, p) = Belief::of(&flat(), seen, &[says]).best().unwrap();
        assert_eq!(code, 0);
        assert!((p - 0.986).abs() < 1e-3, "{p}");
    }

    #[test]
    fn firm_bits_rule_out_the_rest() {
        let seen = Seen {
            code: 2,
            firm: 2,
            flip: 1e-9,
            doubtful: (0, 0.5),
            impossible: false,
        };
        let belief = Belief::of(&flat(), seen, &[]);
        assert!((belief.codes[0].1 - 0.5).abs() < 1e-6);
        assert_eq!(belief.codes[0].0 & 2, 2);
    }

    #[test]
    fn a_check_decides_between_two_codes() {
        let mut belief = Belief {
            codes: vec![(5, 0.5), (6, 0.5)],
        };
        check(&mut [&mut belief], 8, |codes| codes[0] == 6);
        assert_eq!(belief.codes[0].0, 6);
        assert!(belief.codes[0].1 > 0.998);
    }

    #[test]
    fn a_wide_field_may_hold_what_nobody_names() {
        // 16 bits, two of them lost. The earlier reading holds a code that differs in three bits that can be read: it was edited, and
        // each of the four codes that fit is as likely as the others.
        let seen = Seen {
            code: 0b1000_0000,
            firm: 0xfffc,
            flip: 1e-4,
            doubtful: (0, 0.5),
            impossible: false,
        };
        let earlier = |code| Says {
            who: String::new(),
            code,
            known: 0xffff,
            reliable: 0.9,
        };
        let says = [earlier(0b0001_1001)];
        let belief = Belief::of(&Prior::too_wide(16, seen, &says), seen, &says);
        let p = belief.best().unwrap().1;
        assert!((p - 0.25).abs() < 1e-3, "{belief:?}");
        // One that fits agrees in 14 bits, as no code by chance does.
        let says = [earlier(0b1000_0001)];
        let belief = Belief::of(&Prior::too_wide(16, seen, &says), seen, &says);
        assert_eq!(belief.best().unwrap().0, 0b1000_0001);
        assert!(belief.best().unwrap().1 > 0.999, "{belief:?}");
        // All of it lost, and one source sure to 60 %: right with 60 %, whatever else is not listed.
        let says = [Says {
            reliable: 0.6,
            ..earlier(0b1000_0001)
        }];
        let belief = Belief::of(&Prior::too_wide(16, nothing(), &says), nothing(), &says);
        let p = belief.best().unwrap().1;
        assert!((p - 0.6).abs() < 1e-3, "{belief:?}");
    }

    #[test]
    fn a_check_that_holds_does_not_prove_what_was_tried() {
        // Of two fields with 256 codes each, any as likely, the 32 first are tried: 1,024 of 65,536 pairs. Of these four hold
        // a check of 8 bits by chance, as 256 of all pairs do: each of the four has some two chances in 256 then.
        let flat = || Belief {
            codes: (0..64).map(|c| (c, 1.0 / 256.0)).collect(),
        };
        let (mut a, mut b) = (flat(), flat());
        check(&mut [&mut a, &mut b], 8, |codes| {
            codes[0] == codes[1] && codes[0] < 4
        });
        let p = a.best().unwrap().1;
        assert!(p < 0.02, "{p}");
    }
}
