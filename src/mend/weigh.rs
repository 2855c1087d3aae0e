//! The belief in each code a damaged field may hold.

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

/// Belief over codes, adding up to one.
#[derive(Clone, Debug)]
pub(super) struct Belief {
    /// `(code, chance)`, the likeliest first.
    pub codes: Vec<(u64, f64)>,
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
        let odds = |flip: f64| flip / (1.0 - flip);
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
    pub(super) fn of(prior: &[(u64, f64)], seen: Seen, sources: &[Says]) -> Self {
        let chance_of = |mask: u64, code: u64| -> f64 {
            prior
                .iter()
                .filter(|(c, _)| (c ^ code) & mask == 0)
                .map(|p| p.1)
                .sum::<f64>()
                .max(1e-9)
        };
        let by_chance: Vec<f64> = sources.iter().map(|s| chance_of(s.known, s.code)).collect();
        let mut codes: Vec<(u64, f64)> = prior
            .iter()
            .map(|&(code, chance)| {
                let mut w = chance * seen.given(code);
                for (s, by_chance) in sources.iter().zip(&by_chance) {
                    let same = (code ^ s.code) & s.known == 0;
                    w *= (1.0 - s.reliable) * by_chance + if same { s.reliable } else { 0.0 };
                }
                (code, w)
            })
            .collect();
        normalise(&mut codes);
        codes.truncate(KEPT);
        Self { codes }
    }

    /// The likeliest code and its chance.
    pub(super) fn best(&self) -> Option<(u64, f64)> {
        self.codes.first().copied()
    }
}

fn normalise(codes: &mut [(u64, f64)]) {
    let total: f64 = codes.iter().map(|c| c.1).sum();
    if total > 0.0 {
        for c in codes.iter_mut() {
            c.1 /= total;
        }
    }
    codes.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
}

/// Chance that a check holds though one of its words is wrong: one in 2^width; and that it fails though all are
/// right, since the stored check may have suffered unnoticed.
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
        together(beliefs, each, &mut holds);
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
        normalise(&mut b.codes);
    }
}

fn together(beliefs: &mut [&mut Belief], each: usize, holds: &mut impl FnMut(&[u64]) -> bool) {
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
    for (b, sums) in beliefs.iter_mut().zip(&sums) {
        if sums.iter().sum::<f64>() <= 0.0 {
            continue;
        }
        b.codes.truncate(sums.len());
        for (c, s) in b.codes.iter_mut().zip(sums) {
            c.1 = *s;
        }
        normalise(&mut b.codes);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const FLAT: [(u64, f64); 4] = [(0, 0.25), (1, 0.25), (2, 0.25), (3, 0.25)];

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
        let belief = Belief::of(&FLAT, seen, &[says]);
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
        let (code, p) = Belief::of(&FLAT, nothing(), &[says]).best().unwrap();
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
        let (code, p) = Belief::of(&FLAT, seen, &[says]).best().unwrap();
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
        let belief = Belief::of(&FLAT, seen, &[]);
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
}
