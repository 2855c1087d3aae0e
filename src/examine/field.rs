//! How the codes of one field are told: the model of one parameter over all presets.

use std::sync::LazyLock;

use super::shape::FieldShape;
use crate::evidence::{at_rate, marked};

/// Bits a single broken promise of the layout costs when the reading is taken for sound: an illegal code, a wrong
/// constant, a failed check. One in about sixteen thousand.
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
    /// Codes seen, for fields narrow enough to count.
    counts: Vec<u32>,
    seen: u32,
    /// Ones seen on each bit, and times it was known.
    columns: Vec<(u32, u32)>,
    way: Way,
    uniform: f64,
    /// Bits to tell all the instances it was learned from, illegal codes included.
    pub total: f64,
    /// Illegal codes seen.
    pub illegal: u64,
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

/// Widest field whose codes are counted.
const COUNTED: u8 = 12;

/// Bits to say that a column never changes, and to which value it is stuck. A switch nobody uses is common, an
/// unused upper bit less so, a still bit inside a moving value rare.
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
            columns: vec![(0, 0); usize::from(width)],
            way: Way::Uniform,
            uniform: shape.legal_codes.log2(),
            total: 0.0,
            illegal: 0,
        };
        let mut partly = Vec::new();
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
                partly.push((code, known));
            }
        }
        m.choose(shape);
        m.total += m.surprise(shape, terms, u64::from(m.seen));
        m.total += partly
            .iter()
            .map(|(code, known)| m.column_bits(*code, *known))
            .sum::<f64>();
        m
    }

    /// Bits for the illegal codes among `n`. A flip leads to an illegal code as often as any other code is one.
    pub(crate) fn surprise(&self, shape: &FieldShape, terms: Terms, n: u64) -> f64 {
        let illegal = 1.0 - shape.legal_codes * (-f64::from(shape.width)).exp2();
        terms.broken(n, self.illegal, usize::from(shape.width), illegal)
    }

    fn choose(&mut self, shape: &FieldShape) {
        let n = f64::from(self.seen);
        let mut best = (Way::Uniform, self.uniform * n + 0.5);
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
                let bits = ln / std::f64::consts::LN_2 + 3.5;
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
        if let Some(code) = self.only_code(n) {
            // A parameter nobody uses rests at zero more often than anywhere else.
            let bits = if code == 0 { 2.0 } else { 3.0 + self.uniform };
            if bits < best.1 {
                best = (Way::Still(code), bits);
            }
        }
        (self.way, self.total) = best;
    }

    /// The code that every instance holds, if there is one.
    fn only_code(&self, n: f64) -> Option<u64> {
        let mut code = 0;
        for (b, (ones, known)) in self.columns.iter().enumerate() {
            if f64::from(*known) != n || (*ones != 0 && ones != known) {
                return None;
            }
            code |= u64::from(*ones > 0) << b;
        }
        (n > 0.0).then_some(code)
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

    /// Bits to tell one instance, having learned the others.
    pub(crate) fn bits(&self, shape: &FieldShape, code: u64, known: u64) -> f64 {
        if known != crate::codec::low_mask(shape.width) {
            return self.column_bits(code, known);
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
    pub(crate) fn chances(&self, shape: &FieldShape) -> Vec<(u64, f64)> {
        (0..self.counts.len() as u64)
            .filter(|c| shape.legal(*c))
            .map(|c| {
                let known = crate::codec::low_mask(shape.width);
                (c, (-self.bits(shape, c, known)).exp2())
            })
            .collect()
    }
}
