//! How the codes of one field are told: the model of one parameter over all presets.

use std::sync::LazyLock;

use super::shape::FieldShape;
use crate::evidence::{at_rate, marked};

/// Bits a single broken promise of the layout costs when the reading is taken for sound: an illegal code, a wrong
/// constant, a failed check. One in about sixteen thousand (common practice, no source).
pub(crate) const BROKEN: f64 = 14.0;

/// Share of broken promises from which the layout itself may be wrong about them.
const HABIT: f64 = 0.3;

/// Bits for `k` broken promises out of `n`: one by one, or, where they are many, as one habit of this instrument
/// that the layout has wrong.
pub(crate) fn broken(n: u64, k: u64) -> f64 {
    let each = BROKEN * k as f64;
    if k as f64 <= HABIT * n as f64 {
        each
    } else {
        each.min(20.0 + marked(n, k))
    }
}

/// Bits for `k` failed checks out of `n` of so many bits each: one by one, or as one habit. A check that the layout has wrong
/// fails nearly everywhere; one that the instrument keeps here and not there is rarer than that (common practice, no
/// source).
pub(crate) fn failed(n: u64, k: u64, width: u8) -> f64 {
    let each = BROKEN * k as f64;
    if k as f64 <= HABIT * n as f64 {
        return each;
    }
    let wrong = 20.0 + at_rate(n, k, 1.0 - (-f64::from(width)).exp2());
    each.min(wrong).min(20.0 + PARTLY + marked(n, k))
}

/// Bits by which a check kept in a part of the entries is rarer than one that the layout has wrong.
const PARTLY: f64 = 12.0;

/// On what terms contents are told: what the causes weighed say of how they were kept.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Terms {
    /// The bit of every knob's code, from the top, that tells nothing.
    pub still: Option<u8>,
    /// Share of all bits that flipped, which ones unknown; 0 where none did.
    pub flipped: f64,
}

impl Terms {
    /// As they were set, no bit flipped.
    pub(crate) const SOUND: Self = Self {
        still: None,
        flipped: 0.0,
    };

    /// Bits for `k` broken promises out of `n`, each of which rests on so many bits; `shows` is the share of flips
    /// among them that break it.
    pub(crate) fn broken(self, n: u64, k: u64, bits: usize, shows: f64) -> f64 {
        if self.flipped == 0.0 {
            return broken(n, k);
        }
        let whole = (1.0 - self.flipped).powi(i32::try_from(bits).unwrap_or(i32::MAX));
        at_rate(n, k, (1.0 - whole) * shows)
    }

    /// As [`failed`], on these terms, for checks that rest on so many bits each.
    pub(crate) fn failed(self, n: u64, k: u64, bits: usize, width: u8) -> f64 {
        if self.flipped == 0.0 {
            return failed(n, k, width);
        }
        self.broken(n, k, bits, 1.0 - (-f64::from(width)).exp2())
    }

    /// Bits for `k` broken promises out of `n` that say what single bits are: `wrong` of the bits judged, each
    /// contradicted where one of so many bits flipped.
    pub(crate) fn contradicted(
        self,
        (n, k): (u64, u64),
        (judged, wrong): (u64, u64),
        either: u8,
    ) -> f64 {
        if self.flipped == 0.0 {
            broken(n, k)
        } else {
            at_rate(judged, wrong, self.flipped * f64::from(either))
        }
    }
}

/// The best of several ways to tell a field's codes, chosen over all its instances.
#[derive(Clone, Debug)]
pub(crate) struct FieldModel {
    /// Codes seen in full, for fields narrow enough to count.
    counts: Vec<u32>,
    seen: u32,
    /// Instances of which only some bits are known, those with the same bits known together.
    parts: Vec<Part>,
    /// Ones seen on each bit, and times it was known.
    columns: Vec<(u32, u32)>,
    way: Way,
    uniform: f64,
    /// Bits to tell all the instances it was learned from, illegal codes included.
    pub total: f64,
    /// Illegal codes seen.
    pub illegal: u64,
}

/// Instances with the same bits known: told as a narrower field of those bits, whose habits are those of the whole
/// codes as far as these were seen.
#[derive(Clone, Debug)]
struct Part {
    known: u64,
    seen: u32,
    /// For each code of the known bits how often it was seen in whole codes, and in this part; where codes are counted.
    counts: Vec<(u32, u32)>,
    /// Which codes of the known bits some legal code has, where not all do.
    legal: Option<Vec<bool>>,
    /// How many.
    legal_codes: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Way {
    /// Every legal code alike.
    Uniform,
    /// By how often each code occurs, with this much belief in codes not yet seen.
    Counted(Belief),
    /// Each bit by its own habit.
    Columns,
    /// Always this code.
    Still(u64),
}

/// Most open bits of a code whose every value is counted.
const OPEN: u32 = 5;

/// Widest field whose codes are counted.
const COUNTED: u8 = 12;

/// Bits to say that a column never changes, and to which value it is stuck. A switch nobody uses is common, an
/// unused upper bit less so, a still bit inside a moving value rare (common practice, no source).
fn constant_column(bit: u8, width: u8) -> f64 {
    match width - bit {
        _ if width == 1 => 1.3,
        1 => 3.0,
        2 => 4.0,
        _ => 6.0,
    }
}

/// The natural logarithm of the gamma function, for x above 0.
pub(crate) fn ln_gamma(x: f64) -> f64 {
    // Stirling after shifting the argument up; good to 1e-10 for x > 0.
    let (mut x, mut shift) = (x, 0.0);
    while x < 10.0 {
        shift += x.ln();
        x += 1.0;
    }
    (x - 0.5) * x.ln() - x + 0.918_938_533_204_672_7 + 1.0 / (12.0 * x)
        - 1.0 / (360.0 * x.powi(3))
        - shift
}

/// Arguments up to this are looked up.
const TABLED: usize = 4096;

/// The natural logarithm of the gamma function of `n` plus the belief, for the beliefs used over and over.
fn ln_gamma_above(n: u32, belief: Belief) -> f64 {
    static TABLES: LazyLock<[Vec<f64>; 3]> = LazyLock::new(|| {
        [Belief::One, Belief::Half, Belief::Little].map(|b| {
            let arguments = (0..TABLED).map(|n| n as f64 + b.value());
            arguments.map(ln_gamma).collect()
        })
    });
    match TABLES[belief as usize].get(n as usize) {
        Some(v) => *v,
        None => ln_gamma(f64::from(n) + belief.value()),
    }
}

/// Belief in what was not seen yet, as so many sightings of each thing.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Belief {
    One,
    Half,
    Little,
}

impl Belief {
    fn value(self) -> f64 {
        match self {
            Belief::One => 1.0,
            Belief::Half => 0.5,
            Belief::Little => 0.05,
        }
    }
}

/// Bits to tell `k` ones among `n` in order, by the Krichevsky-Trofimov estimator (both chances start at one half).
pub(crate) fn estimated(n: u32, k: u32) -> f64 {
    if n == 0 {
        return 0.0;
    }
    let half = |n| ln_gamma_above(n, Belief::Half);
    let ln = ln_gamma_above(n, Belief::One) - half(k) - half(n - k) + 2.0 * half(0)
        - ln_gamma_above(0, Belief::One);
    ln / std::f64::consts::LN_2
}

/// The bits of a code that a mask marks, moved together.
fn squeezed(code: u64, mask: u64) -> usize {
    let (mut out, mut at, mut rest) = (0, 0, mask);
    while rest != 0 {
        out |= (code >> rest.trailing_zeros() & 1) << at;
        at += 1;
        rest &= rest - 1;
    }
    out as usize
}

impl Part {
    fn new(known: u64, shape: &FieldShape, counted: bool) -> Self {
        let bits = known.count_ones();
        let table = |legal: &Vec<bool>| {
            let mut out = vec![false; 1 << bits];
            let codes = legal.iter().enumerate().filter(|l| *l.1);
            codes.for_each(|(code, _)| out[squeezed(code as u64, known)] = true);
            out
        };
        let legal = shape.legal.as_ref().map(table);
        Self {
            known,
            seen: 0,
            counts: vec![(0, 0); if counted { 1 << bits } else { 0 }],
            legal_codes: match &legal {
                Some(legal) => legal.iter().filter(|l| **l).count() as f64,
                None => f64::from(bits).exp2(),
            },
            legal,
        }
    }

    /// Bits to tell the part with this much belief in codes not yet seen, the whole codes being known.
    fn counted(&self, whole: u32, belief: Belief) -> f64 {
        let before = f64::from(whole) + self.legal_codes.max(2.0) * belief.value();
        let each = self.counts.iter().filter(|c| c.1 > 0);
        let told: f64 = each
            .map(|(w, n)| ln_gamma_above(w + n, belief) - ln_gamma_above(*w, belief))
            .sum();
        (ln_gamma(before + f64::from(self.seen)) - ln_gamma(before) - told) / std::f64::consts::LN_2
    }
}

impl FieldModel {
    /// Learns from codes, each with the mask of its known bits.
    pub(crate) fn learn(
        shape: &FieldShape,
        terms: Terms,
        codes: impl Iterator<Item = (u64, u64)>,
    ) -> Self {
        let width = shape.width;
        let full = crate::codec::low_mask(width);
        let counted = width <= COUNTED;
        let mut m = Self {
            counts: if counted {
                vec![0; 1 << width]
            } else {
                Vec::new()
            },
            seen: 0,
            parts: Vec::new(),
            columns: vec![(0, 0); usize::from(width)],
            way: Way::Uniform,
            uniform: shape.legal_codes.log2(),
            total: 0.0,
            illegal: 0,
        };
        for (code, known) in codes {
            for (b, column) in m.columns.iter_mut().enumerate() {
                if known >> b & 1 == 1 {
                    column.1 += 1;
                    column.0 += (code >> b & 1) as u32;
                }
            }
            if known == full {
                m.seen += 1;
                if counted {
                    m.counts[code as usize] += 1;
                }
                m.illegal += u64::from(!shape.legal(code));
            } else if known != 0 {
                m.add_part(shape, code, known);
            }
        }
        for part in &mut m.parts {
            for (code, n) in m.counts.iter().enumerate().filter(|c| *c.1 > 0) {
                part.counts[squeezed(code as u64, part.known)].0 += n;
            }
        }
        m.choose(shape);
        let all = m.seen + m.parts.iter().map(|p| p.seen).sum::<u32>();
        m.total += m.surprise(shape, terms, u64::from(all));
        m
    }

    /// Bits for the illegal codes among `n`. A flip leads to an illegal code as often as any other code is one.
    pub(crate) fn surprise(&self, shape: &FieldShape, terms: Terms, n: u64) -> f64 {
        let illegal = 1.0 - shape.legal_codes * (-f64::from(shape.width)).exp2();
        terms.broken(n, self.illegal, usize::from(shape.width), illegal)
    }

    fn add_part(&mut self, shape: &FieldShape, code: u64, known: u64) {
        let at = match self.parts.iter().position(|p| p.known == known) {
            Some(at) => at,
            None => {
                let part = Part::new(known, shape, !self.counts.is_empty());
                self.parts.push(part);
                self.parts.len() - 1
            }
        };
        let (part, code) = (&mut self.parts[at], squeezed(code, known));
        part.seen += 1;
        if let Some(count) = part.counts.get_mut(code) {
            count.1 += 1;
        }
        let legal = part.legal.as_ref();
        self.illegal += u64::from(legal.is_some_and(|l| !l[code]));
    }

    fn choose(&mut self, shape: &FieldShape) {
        let parts = || self.parts.iter();
        let uniform: f64 = parts()
            .map(|p| f64::from(p.seen) * p.legal_codes.log2())
            .sum();
        let n = f64::from(self.seen);
        let mut best = (Way::Uniform, self.uniform * n + uniform + 0.5);
        if !self.counts.is_empty() {
            let m = shape.legal_codes.max(2.0);
            for belief in [Belief::Half, Belief::Little] {
                let one = ln_gamma_above(0, belief);
                let ln = ln_gamma(n + m * belief.value())
                    - ln_gamma(m * belief.value())
                    - self
                        .counts
                        .iter()
                        .filter(|c| **c > 0)
                        .map(|c| ln_gamma_above(*c, belief) - one)
                        .sum::<f64>();
                let told: f64 = parts().map(|p| p.counted(self.seen, belief)).sum();
                let bits = ln / std::f64::consts::LN_2 + told + 3.5;
                if bits < best.1 {
                    best = (Way::Counted(belief), bits);
                }
            }
        }
        let columns: f64 = self
            .columns
            .iter()
            .enumerate()
            .map(|(b, (ones, known))| {
                let told = estimated(*known, *ones) + 0.3;
                if shape.still == Some(b as u8) {
                    0.0
                } else if *ones == 0 || ones == known {
                    told.min(constant_column(b as u8, shape.width))
                } else {
                    told
                }
            })
            .sum::<f64>()
            + 3.5;
        if columns < best.1 {
            best = (Way::Columns, columns);
        }
        if let Some(code) = self.only_code() {
            // A parameter nobody uses rests at zero more often than anywhere else (common practice, no source).
            let known = if self.seen > 0 {
                self.uniform
            } else {
                parts().map(|p| p.legal_codes).fold(2.0, f64::max).log2()
            };
            let bits = if code == 0 { 2.0 } else { 3.0 + known };
            if bits < best.1 {
                best = (Way::Still(code), bits);
            }
        }
        (self.way, self.total) = best;
    }

    /// The code that every instance holds, as far as it is seen, if there is one.
    fn only_code(&self) -> Option<u64> {
        let mut code = 0;
        for (b, (ones, known)) in self.columns.iter().enumerate() {
            if *ones != 0 && ones != known {
                return None;
            }
            code |= u64::from(*ones > 0) << b;
        }
        (self.seen > 0 || !self.parts.is_empty()).then_some(code)
    }

    /// Bits where the field always holds one code and what differs from it are flips; endless where no bit flipped.
    pub(crate) fn stands(&self, terms: Terms) -> f64 {
        if terms.flipped == 0.0 {
            return f64::INFINITY;
        }
        let seen = self
            .columns
            .iter()
            .map(|(_, known)| u64::from(*known))
            .sum();
        let odd = self
            .columns
            .iter()
            .map(|(ones, known)| u64::from(*ones.min(&(known - ones))));
        3.0 + self.columns.len() as f64 + at_rate(seen, odd.sum(), terms.flipped)
    }

    fn column_bits(&self, code: u64, known: u64) -> f64 {
        self.columns
            .iter()
            .enumerate()
            .filter(|(b, _)| known >> b & 1 == 1)
            .map(|(b, (ones, n))| {
                let same = if code >> b & 1 == 1 { *ones } else { n - ones };
                -((f64::from(same) + 0.5) / (f64::from(*n) + 1.0)).log2()
            })
            .sum()
    }

    /// Bits to tell an instance of which only some bits are known.
    fn part_bits(&self, shape: &FieldShape, code: u64, known: u64) -> f64 {
        match (self.way, self.parts.iter().find(|p| p.known == known)) {
            (Way::Uniform, Some(part)) => part.legal_codes.log2(),
            (Way::Counted(belief), Some(part)) => {
                let count = part.counts.get(squeezed(code, known));
                let c = count.map_or(0.0, |(whole, own)| f64::from(whole + own));
                let all = f64::from(self.seen + part.seen);
                let belief = belief.value();
                -((c + belief) / (all + belief * part.legal_codes.max(2.0))).log2()
            }
            (Way::Counted(belief), None) if known.count_ones() + OPEN >= u32::from(shape.width) => {
                // Whatever the open bits may hold.
                let open = crate::codec::low_mask(shape.width) & !known;
                let belief = belief.value();
                let all = f64::from(self.seen) + belief * shape.legal_codes.max(2.0);
                let (mut rest, mut fits) = (open, 0.0);
                loop {
                    let whole = code | rest;
                    let count = self.counts.get(whole as usize).copied().unwrap_or(0);
                    let legal = if shape.legal(whole) { belief } else { 0.0 };
                    fits += f64::from(count) + legal;
                    if rest == 0 {
                        break;
                    }
                    rest = (rest - 1) & open;
                }
                -(fits.max(1e-3) / all).log2()
            }
            _ => self.column_bits(code, known),
        }
    }

    /// Bits to tell one instance, having learned the others.
    pub(crate) fn bits(&self, shape: &FieldShape, code: u64, known: u64) -> f64 {
        if known != crate::codec::low_mask(shape.width) {
            return self.part_bits(shape, code, known);
        }
        let illegal = if shape.legal(code) { 0.0 } else { BROKEN };
        illegal
            + match self.way {
                Way::Uniform => self.uniform,
                Way::Counted(belief) => {
                    let c = f64::from(self.counts.get(code as usize).copied().unwrap_or(0));
                    let m = shape.legal_codes.max(2.0);
                    let belief = belief.value();
                    -((c + belief) / (f64::from(self.seen) + belief * m)).log2()
                }
                Way::Columns => self.column_bits(code, known),
                Way::Still(c) if c == code => 0.5 / f64::from(self.seen.max(1)),
                // Rarer the longer it has stood still, and then any code.
                Way::Still(_) => f64::from(self.seen + 1).log2() + self.uniform,
            }
    }

    /// The chance of each legal code by this model, for fields narrow enough to count.
    ///
    /// A bit that was lost in every instance has shown no habit, however still the others stand: its values are alike.
    pub(crate) fn chances(&self, shape: &FieldShape) -> Vec<(u64, f64)> {
        let known = crate::codec::low_mask(shape.width);
        let shown = self.shown();
        let like = |code: u64| match self.way {
            Way::Still(rests) if (code ^ rests) & shown == 0 => rests,
            _ => code,
        };
        (0..self.counts.len() as u64)
            .filter(|c| shape.legal(*c))
            .map(|c| (c, (-self.bits(shape, like(c), known)).exp2()))
            .collect()
    }

    /// The bits of the field that some instance shows.
    fn shown(&self) -> u64 {
        let seen = self.columns.iter().enumerate().filter(|(_, c)| c.1 > 0);
        seen.fold(0, |mask, (b, _)| mask | 1 << b)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(width: u8, legal: Option<Vec<bool>>) -> FieldShape {
        let all = f64::from(width).exp2();
        FieldShape {
            kind: super::super::shape::Kind::Value(0),
            width,
            legal_codes: legal
                .as_ref()
                .map_or(all, |l| l.iter().filter(|l| **l).count() as f64),
            legal,
            knob: false,
            still: None,
            blank: None,
            empty: 0,
        }
    }

    /// Codes with a mask of known bits.
    fn masked(codes: &[u64], known: u64) -> impl Iterator<Item = (u64, u64)> {
        codes.iter().map(move |c| (c & known, known))
    }

    #[test]
    fn favourites_are_favourites_still_where_a_bit_is_lost() {
        // Two codes by turns, opposite in every bit: one bit tells which, so that 64 of them take 64 bits and a few
        // to learn the two; told bit by bit, the three bits left would take 192.
        let codes: Vec<u64> = (0..64)
            .map(|i| if i % 2 == 0 { 0b0101 } else { 0b1010 })
            .collect();
        let shape = shape(4, None);
        let lost = FieldModel::learn(&shape, Terms::SOUND, masked(&codes, 0b1110));
        assert!(lost.total > 60.0 && lost.total < 80.0, "{}", lost.total);
        // Another of the same is told in about a bit, one never seen in many.
        assert!((lost.bits(&shape, 0b1010, 0b1110) - 1.0).abs() < 0.2);
        assert!(lost.bits(&shape, 0b0010, 0b1110) > 5.0);
    }

    #[test]
    fn what_whole_codes_teach_serves_those_seen_in_part() {
        // Thirty whole codes of one value, then two of which the lowest bit is lost: by the first the others are all
        // but certain.
        let whole = std::iter::repeat_n((0b101u64, 0b111u64), 30);
        let shape = shape(3, None);
        let alone = FieldModel::learn(&shape, Terms::SOUND, whole.clone()).total;
        let both = FieldModel::learn(&shape, Terms::SOUND, whole.chain([(0b100, 0b110); 2])).total;
        assert!(both - alone < 0.5, "{both} {alone}");
    }

    #[test]
    fn losing_bits_never_makes_a_field_longer_to_tell() {
        let codes: Vec<u64> = (0..48u64).map(|i| (i * i + 3 * i) % 29 % 16).collect();
        let shape = shape(4, None);
        let whole = FieldModel::learn(&shape, Terms::SOUND, masked(&codes, 0b1111)).total;
        for known in 1..0b1111 {
            let lost = FieldModel::learn(&shape, Terms::SOUND, masked(&codes, known)).total;
            assert!(lost <= whole, "{known:#06b}: {lost} {whole}");
        }
    }

    #[test]
    fn a_bit_lost_everywhere_has_no_habit() {
        // Always 0b10? where it is seen, the lowest bit never: 0b100 and 0b101 are alike, and likelier than the others.
        let shape = shape(3, None);
        let model = FieldModel::learn(&shape, Terms::SOUND, masked(&[0b100; 64], 0b110));
        let chances = model.chances(&shape);
        let of = |code: u64| chances[code as usize].1;
        assert_eq!(of(0b100), of(0b101));
        assert!(of(0b100) > of(0b010), "{chances:?}");
    }

    #[test]
    fn a_code_that_no_legal_one_completes_is_illegal() {
        // One of three, one-hot: the upper two bits cannot both be set.
        let legal = (0..8u32).map(|c| c.count_ones() == 1).collect();
        let shape = shape(3, Some(legal));
        let seen = [
            (0b100, 0b110),
            (0b010, 0b110),
            (0b110, 0b110),
            (0b000, 0b110),
        ];
        assert_eq!(
            FieldModel::learn(&shape, Terms::SOUND, seen.into_iter()).illegal,
            1
        );
    }
}
