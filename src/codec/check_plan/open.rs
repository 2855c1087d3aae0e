//! What a check still says where some of the bits it rests on are unknown.
//!
//! An unknown bit of a sum changes it by its own place value or not at all, so the bits of the sum below the lowest
//! unknown one are certain, and those above follow how many of the unknown bits are set. An exclusive-or is certain
//! wherever no bit of its own place is unknown.

use super::{CheckPlan, InstancePlan, Word};
use crate::codec::{Memory, low_mask};
use crate::layout::model::Method;

/// Shares of the unknown bits of words that are set, each of which a check is weighed with: controls at rest are mostly 0.
pub(crate) const LEANINGS: [f64; 3] = [0.5, 0.2, 0.8];

/// What a check with unknown bits says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Open {
    /// Some values of the unknown bits make it hold.
    Fits {
        /// Bits to tell the known bits of the stored code, by the share of the unknown bits of words that are set
        /// ([`LEANINGS`]).
        bits: [f64; LEANINGS.len()],
        /// Known bits of the stored code: what they take where the check says nothing.
        stored: u32,
    },
    /// No values of the unknown bits make it hold. Holds the known bits of the stored code.
    Broken(u32),
}

/// The bits of the cheapest leaning, and those that say which, of checks told together.
pub(crate) fn leaning(bits: [f64; LEANINGS.len()]) -> f64 {
    let least = bits.into_iter().fold(f64::INFINITY, f64::min);
    if bits.iter().all(|b| *b == least) {
        least
    } else {
        least + (LEANINGS.len() as f64).log2()
    }
}

/// Unknown bits from which only what is certain of a sum is told: so many spread it over all its values.
const SPREAD: u32 = 128;

impl CheckPlan {
    /// What an instance says of its stored code where it is not decided.
    pub(crate) fn open(&self, instance: usize, memory: &Memory) -> Open {
        let Some(plan) = self.instances.get(instance) else {
            return Open::Fits {
                bits: [0.0; LEANINGS.len()],
                stored: 0,
            };
        };
        let (stored, sure) = plan.read_part(&plan.stored, memory);
        let known = sure.count_ones();
        let bits = if plan.outside {
            None
        } else {
            match self.method {
                Method::Sum { add } => Some(self.sum(plan, memory, add, false)),
                Method::SumTwosComplement { add } => Some(self.sum(plan, memory, add, true)),
                Method::SumOnesComplement => Some(self.sum(plan, memory, u64::MAX, true)),
                Method::Xor { with } => Some(xor(
                    plan,
                    memory,
                    with,
                    (stored, sure & low_mask(self.width)),
                )),
                _ => None,
            }
        };
        match bits {
            None => Open::Fits {
                bits: [f64::from(known); LEANINGS.len()],
                stored: known,
            },
            Some(None) => Open::Broken(known),
            Some(Some(bits)) => Open::Fits {
                bits: bits.map(|b| b.min(f64::from(known))),
                stored: known,
            },
        }
    }

    /// Bits to tell the known bits of a stored sum, or of one that with the sum makes `add`; nothing where none fits.
    fn sum(
        &self,
        plan: &InstancePlan,
        memory: &Memory,
        add: u64,
        complement: bool,
    ) -> Option<[f64; LEANINGS.len()]> {
        let width = usize::from(self.width.min(64));
        let mut places = [0u32; 64];
        let mut total = 0u64;
        for word in &plan.words {
            let (code, known) = plan.read_part(word, memory);
            total = total.wrapping_add(code);
            let mut unknown = low_mask(word.width) & !known;
            while unknown != 0 {
                places[unknown.trailing_zeros() as usize] += 1;
                unknown &= unknown - 1;
            }
        }
        let (stored, sure) = plan.read_part(&plan.stored, memory);
        let unsure = low_mask(self.width) & !sure;
        // What the unknown bits must come to: those of the words, and those stored taken away or added.
        let wanted = if complement {
            add.wrapping_sub(total).wrapping_sub(stored)
        } else {
            stored.wrapping_sub(add).wrapping_sub(total)
        };
        let of_words: u32 = places[..width].iter().sum();
        if of_words > SPREAD {
            let lowest = (0..width)
                .find(|p| places[*p] > 0 || unsure >> p & 1 == 1)
                .unwrap_or(width);
            let certain = wanted & low_mask(lowest as u8) == 0;
            let bits = (width - lowest) as f64 - f64::from(unsure.count_ones());
            return certain.then_some([bits; LEANINGS.len()]);
        }
        let told = LEANINGS.map(|lean| {
            // The chances of each carry into the next place, from a carry of minus one on.
            let mut carries = vec![0.0, 1.0];
            for (p, unknown) in places[..width].iter().enumerate() {
                let mut step = set_bits(*unknown, lean);
                let stored = unsure >> p & 1 == 1;
                if stored {
                    // Of a stored bit nothing is known. It counts with the words' or the other way.
                    step.push(0.0);
                    let plain = step.clone();
                    for (k, chance) in step.iter_mut().enumerate() {
                        *chance = (plain[k] + if k > 0 { plain[k - 1] } else { 0.0 }) / 2.0;
                    }
                }
                let taken = i64::from(stored && !complement);
                carries = carried(&carries, &step, taken, wanted >> p & 1 == 1);
            }
            let chance: f64 = carries.iter().sum();
            (-chance.log2() - f64::from(unsure.count_ones())).max(0.0)
        });
        told[0].is_finite().then_some(told)
    }
}

/// The chances of each number of set bits out of `n`.
fn set_bits(n: u32, lean: f64) -> Vec<f64> {
    let mut out = vec![(1.0 - lean).powi(n as i32)];
    for k in 0..n {
        let last = out[k as usize];
        out.push(last * f64::from(n - k) / f64::from(k + 1) * lean / (1.0 - lean));
    }
    out
}

/// Bits to tell the known bits of a stored exclusive-or; nothing where one of them is certain to be another.
fn xor(
    plan: &InstancePlan,
    memory: &Memory,
    with: u64,
    (stored, sure): (u64, u64),
) -> Option<[f64; LEANINGS.len()]> {
    let (mut code, mut open) = (with, 0);
    for word in &plan.words {
        let (value, known) = plan.read_part(word, memory);
        code ^= value;
        open |= low_mask(word.width) & !known;
    }
    let bits = f64::from((sure & open).count_ones());
    ((code ^ stored) & sure & !open == 0).then_some([bits; LEANINGS.len()])
}

/// The chances of the carries out of a place, those into it given, and the chances of what is added there, from minus
/// `taken` (none or one) on; what comes out at the place must be `bit`.
fn carried(carries: &[f64], step: &[f64], taken: i64, bit: bool) -> Vec<f64> {
    let mut out = vec![0.0; (carries.len() + step.len()) / 2 + 2];
    for (i, carry) in carries.iter().enumerate().filter(|c| *c.1 > 0.0) {
        for (k, chance) in step.iter().enumerate() {
            let sum = i as i64 - 1 + k as i64 - taken - i64::from(bit);
            if sum % 2 == 0 {
                out[(sum / 2 + 1) as usize] += carry * chance;
            }
        }
    }
    out
}

impl InstancePlan {
    /// A word's code as far as it is known, and the mask of its known bits.
    fn read_part(&self, word: &Word, memory: &Memory) -> (u64, u64) {
        let (mut code, mut sure) = (0, 0);
        for run in &self.runs[word.runs.clone()] {
            let (value, known) = memory.byte(run.at);
            let known = known >> run.shift & run.mask;
            let bits = (value >> run.shift ^ run.invert) & known;
            code |= u64::from(bits) << run.to;
            sure |= u64::from(known) << run.to;
        }
        (code, sure)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]
    use super::*;
    use crate::codec::checks;
    use crate::image::ChipImage;
    use crate::layout::model::{Check, CheckInstance, Layout, Policy};

    /// A check of eight bits over six bytes of one chip, its code in the byte after them.
    fn plain(method: Method) -> (Layout, Check) {
        let layout = crate::layout::load("tessaly-nine").expect("a shipped layout");
        let byte = |cell: u32| -> Vec<_> {
            let place = |line| crate::layout::model::BitPlace {
                chip: 0,
                cell,
                line,
                inverted: line == 2,
            };
            (0..8).map(place).collect()
        };
        let check = Check {
            key: "check".to_owned(),
            method,
            width: 8,
            policy: Policy::Update,
            instances: vec![CheckInstance {
                entry: None,
                words: (0..6).map(byte).collect(),
                stored: byte(6),
            }],
        };
        (layout, check)
    }

    /// The share of the values of the unknown bits that make a check hold, counted one by one by the plain way.
    #[test]
    fn chances_are_those_that_counting_gives() {
        let mut state = 0x9e37_79b9_7f4a_7c15u64;
        let mut next = move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            state
        };
        let methods = [
            Method::Sum { add: 3 },
            Method::SumTwosComplement { add: 0 },
            Method::SumOnesComplement,
            Method::Xor { with: 0x5a },
        ];
        let (mut fitting, mut breaking) = (0, 0);
        for method in methods {
            let (layout, check) = plain(method);
            let plan = CheckPlan::new(&layout, &check);
            for round in 0..40 {
                let cells: Vec<u8> = (0..layout.chips[0].words).map(|_| next() as u8).collect();
                let image = ChipImage::from_cells(8, &cells).unwrap();
                let mut memory = Memory::of_images(&layout, &[&image]).unwrap();
                let instance = &check.instances[0];
                if round % 2 == 0 {
                    let code = checks::compute(&check, instance, &memory).unwrap();
                    memory.scatter(&instance.stored, code);
                }
                // One line of all seven bytes, or any eight bits.
                let all: Vec<_> = instance.words.bits().to_vec();
                let all: Vec<_> = all.iter().chain(&instance.stored).copied().collect();
                let line = (next() % 8) as u8;
                let lost: Vec<_> = if round % 4 < 2 {
                    all.iter().filter(|p| p.line == line).copied().collect()
                } else {
                    (0..8)
                        .map(|i| all[(7 * i + next() as usize % 7) % all.len()])
                        .collect()
                };
                let mut holds = 0u32;
                for value in 0..1u64 << lost.len() {
                    memory.scatter(&lost, value);
                    let verdict = checks::verdict(&check, instance, &memory);
                    holds += u32::from(verdict == checks::Verdict::Holds);
                }
                let mut seen = memory.images().unwrap();
                for p in &lost {
                    seen[0].set_bit(p.cell, p.line, None);
                }
                let memory = Memory::of_images(&layout, &[&seen[0]]).unwrap();
                let unsure = lost.iter().filter(|p| instance.stored.contains(p)).count();
                let share = f64::from(holds) / f64::from(1u32 << lost.len());
                match plan.open(0, &memory) {
                    Open::Broken(_) => {
                        breaking += 1;
                        assert_eq!(holds, 0, "{check:?} {lost:?}");
                    }
                    Open::Fits { bits, stored } => {
                        fitting += 1;
                        assert_eq!(stored as usize, 8 - unsure);
                        let counted = (-share.log2() - unsure as f64).min(f64::from(stored));
                        let told = bits[0];
                        assert!(
                            (told - counted).abs() < 1e-9,
                            "{check:?} {lost:?}: {told} {counted}"
                        );
                    }
                }
            }
        }
        assert!(fitting > 40 && breaking > 10, "{fitting} {breaking}");
    }
}
