//! Sums, exclusive-or and their complements over every range of slots.

use super::orders::Turn;
use super::words::{Words, exceptions};
use super::{BELIEVED, Holding, Kind};
use crate::codec::low_mask;
use crate::layout::model::Method;

/// How what is stored and the plain sum of what is covered go together.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Family {
    Sum,
    Complement,
    Xor,
    HalvesSum,
    HalvesComplement,
    Around,
    AroundComplement,
}

const FAMILIES: [Family; 7] = [
    Family::Sum,
    Family::Complement,
    Family::Xor,
    Family::HalvesSum,
    Family::HalvesComplement,
    Family::Around,
    Family::AroundComplement,
];

/// Everything of a range that a family may ask for, added up to each unit.
struct Prefixes {
    sum: Vec<Vec<u64>>,
    xor: Vec<Vec<u64>>,
    halves: Vec<Vec<u64>>,
}

impl Prefixes {
    fn of(rows: &[Vec<u64>]) -> Self {
        let entries = rows.first().map_or(0, Vec::len);
        let mut out = Self {
            sum: vec![vec![0; entries]],
            xor: vec![vec![0; entries]],
            halves: vec![vec![0; entries]],
        };
        for (u, row) in rows.iter().enumerate() {
            let with = |before: &[u64], f: fn(u64, u64) -> u64| -> Vec<u64> {
                before.iter().zip(row).map(|(b, v)| f(*b, *v)).collect()
            };
            let sum = with(&out.sum[u], |b, v| b + v);
            let xor = with(&out.xor[u], |b, v| b ^ v);
            let halves = with(&out.halves[u], |b, v| b + (v >> 4) + (v & 15));
            out.sum.push(sum);
            out.xor.push(xor);
            out.halves.push(halves);
        }
        out
    }
}

/// A stored check with the range tried for it.
struct Range<'a> {
    rows: &'a [Vec<u64>],
    prefixes: &'a Prefixes,
    from: usize,
    to: usize,
    stored: &'a [usize],
    width: u8,
    lines: u32,
}

impl Range<'_> {
    fn stored(&self, e: usize) -> u64 {
        let low = self.stored.iter().enumerate();
        low.fold(0, |s, (i, u)| {
            s | self.rows[*u][e] << (i as u32 * self.lines)
        }) & low_mask(self.width)
    }

    fn inside(&self) -> impl Iterator<Item = usize> + '_ {
        let within = |u: &usize| (self.from..=self.to).contains(u);
        self.stored.iter().copied().filter(within)
    }

    fn sum(&self, e: usize) -> u64 {
        let p = &self.prefixes.sum;
        let own: u64 = self.inside().map(|u| self.rows[u][e]).sum();
        p[self.to + 1][e] - p[self.from][e] - own
    }

    fn halves(&self, e: usize) -> u64 {
        let p = &self.prefixes.halves;
        let half = |v: u64| (v >> 4) + (v & 15);
        let own: u64 = self.inside().map(|u| half(self.rows[u][e])).sum();
        p[self.to + 1][e] - p[self.from][e] - own
    }

    fn xor(&self, e: usize) -> u64 {
        let p = &self.prefixes.xor;
        let own = self.inside().fold(0, |x, u| x ^ self.rows[u][e]);
        p[self.to + 1][e] ^ p[self.from][e] ^ own
    }

    /// What must be the same in every entry if the family is right.
    fn constant(&self, family: Family, e: usize) -> u64 {
        let stored = self.stored(e);
        let mask = low_mask(self.width);
        match family {
            Family::Sum => stored.wrapping_sub(self.sum(e)) & mask,
            Family::Complement => stored.wrapping_add(self.sum(e)) & mask,
            Family::Xor => stored ^ self.xor(e),
            Family::HalvesSum => stored.wrapping_sub(self.halves(e)) & mask,
            Family::HalvesComplement => stored.wrapping_add(self.halves(e)) & mask,
            // Modulo 2^width - 1 a carry out of the top is added in again.
            Family::Around => (stored + mask - self.sum(e) % mask) % mask,
            Family::AroundComplement => ((mask ^ stored) + mask - self.sum(e) % mask) % mask,
        }
    }
}

/// What is stored in an order of the lines, and all of it added up.
pub(super) struct Turned {
    rows: Vec<Vec<u64>>,
    prefixes: Prefixes,
}

impl Turned {
    pub(super) fn of(words: &Words, turn: &Turn) -> Self {
        let row = |row: &Vec<u64>| row.iter().map(|v| turn.word(*v)).collect();
        let rows: Vec<Vec<u64>> = words.values.iter().map(row).collect();
        Self {
            prefixes: Prefixes::of(&rows),
            rows,
        }
    }
}

/// All sums that hold; `turned`: the words in each order of the lines.
pub(super) fn sums(
    words: &Words,
    turns: &[Turn],
    turned: &[Turned],
    units: &[usize],
) -> Vec<Holding> {
    let mut out = Vec::new();
    let ranges = words.ranges(units);
    let tried = (ranges.len() * turns.len() * FAMILIES.len() * 4) as f64;
    for (t, (turn, turned)) in turns.iter().zip(turned).enumerate() {
        let Turned { rows, prefixes } = turned;
        let mut low_first: Vec<Vec<usize>> = vec![units.to_vec()];
        if units.len() > 1 {
            low_first.push(units.iter().rev().copied().collect());
        }
        for stored in &low_first {
            for width in widths(words, turn, stored) {
                for &(from, to) in &ranges {
                    let range = Range {
                        rows,
                        prefixes,
                        from,
                        to,
                        stored,
                        width,
                        lines: words.lines,
                    };
                    if to + 1 - from < 2 + range.inside().count() {
                        continue;
                    }
                    for family in FAMILIES {
                        // An exclusive-or is the same in any order; its constant takes up the polarity.
                        let plain =
                            family != Family::Xor || (t == 0 && u32::from(width) == words.lines);
                        let halves = matches!(family, Family::HalvesSum | Family::HalvesComplement);
                        if plain && (!halves || words.lines == 8) {
                            out.extend(holds(words, &range, family, t, tried));
                        }
                    }
                }
            }
        }
    }
    out
}

/// Bits a check in these units may have: all of them, or fewer where the top lines stand still.
fn widths(words: &Words, turn: &Turn, stored: &[usize]) -> Vec<u8> {
    let all = words.lines as usize * stored.len();
    let moving = stored.iter().enumerate().fold(0u64, |m, (i, u)| {
        let mask = words.moving[*u];
        let lines = turn.bus.iter().enumerate();
        lines.fold(m, |m, (position, line)| {
            m | (mask >> position & 1) << (*line as usize + i * words.lines as usize)
        })
    });
    let used = 64 - moving.leading_zeros() as usize;
    if used < all && used + 1 >= all.min(8) {
        vec![all as u8, used as u8]
    } else {
        vec![all as u8]
    }
}

fn holds(words: &Words, range: &Range, family: Family, turn: usize, tried: f64) -> Option<Holding> {
    let n = words.entries.len();
    // A quick look: of three entries two must agree.
    let look = [0, n / 3, 2 * n / 3].map(|e| range.constant(family, e));
    let constant = if look[0] == look[1] || look[0] == look[2] {
        look[0]
    } else if look[1] == look[2] {
        look[1]
    } else {
        return None;
    };
    let around = matches!(family, Family::Around | Family::AroundComplement);
    if around && constant != 0 {
        return None;
    }
    let allowed = n / 20;
    let mut fails = Vec::new();
    for e in 0..n {
        if range.constant(family, e) != constant {
            fails.push(e);
            if fails.len() > allowed {
                return None;
            }
        }
    }
    let mask = low_mask(range.width);
    let (kind, fitted) = match family {
        Family::Sum => (Kind::Named(Method::Sum { add: constant }), constant != 0),
        Family::Complement if constant == mask => (Kind::Named(Method::SumOnesComplement), false),
        Family::Complement => (
            Kind::Named(Method::SumTwosComplement { add: constant }),
            constant != 0,
        ),
        Family::Xor => (
            Kind::Named(Method::Xor { with: constant }),
            constant != 0 && constant != mask,
        ),
        Family::HalvesSum => (Kind::Halves(Method::Sum { add: constant }), constant != 0),
        Family::HalvesComplement => (
            Kind::Halves(if constant == mask {
                Method::SumOnesComplement
            } else {
                Method::SumTwosComplement { add: constant }
            }),
            constant != 0 && constant != mask,
        ),
        Family::Around => (Kind::CarryAround { complement: false }, false),
        Family::AroundComplement => (Kind::CarryAround { complement: true }, false),
    };
    let over: Vec<usize> = (range.from..=range.to)
        .filter(|u| !range.stored.contains(u))
        .collect();
    let stored: Vec<(usize, u64)> = range
        .stored
        .iter()
        .map(|u| (*u, low_mask(words.lines as u8)))
        .collect();
    let (surprise, entries) = words.surprise(&stored, &over, &fails);
    let fitted = if fitted { f64::from(range.width) } else { 0.0 };
    let evidence = surprise
        - fitted
        - tried.log2()
        - exceptions(fails.len(), n)
        - fails.len() as f64 * f64::from(range.width);
    (evidence >= BELIEVED).then(|| Holding {
        turn,
        kind,
        stored: range.stored.to_vec(),
        width: range.width,
        over,
        fitted,
        evidence,
        entries,
        failing: fails.iter().map(|e| words.entries[*e]).collect(),
    })
}
