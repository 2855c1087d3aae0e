//! Single bits that follow from others: parity over ranges of slots, and any affine function over GF(2).

use std::collections::HashSet;

use super::super::groups::Group;
use super::words::Words;
use super::{BELIEVED, FoundCheck, Kind};
use crate::layout::model::Method;

/// A bit that is the exclusive-or of bits of controls, or its complement.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Dependent {
    /// Index of the group of chips.
    pub(crate) group: usize,
    /// Slot and line of the bit.
    pub(crate) bit: (u32, u32),
    /// The bits it follows from.
    pub(crate) of: Vec<(u32, u32)>,
    /// The complement of their exclusive-or.
    pub(crate) turned: bool,
    /// Bits of evidence.
    pub(crate) evidence: f64,
}

/// Entries looked at: a column of them fits into one word.
const ROWS: usize = 128;

/// A line of a unit over the entries, and the mask of entries.
struct Columns<'a> {
    words: &'a Words,
    rows: usize,
}

impl Columns<'_> {
    fn new(words: &Words) -> Columns<'_> {
        Columns {
            words,
            rows: words.entries.len().min(ROWS),
        }
    }

    fn all(&self) -> u128 {
        if self.rows == ROWS {
            u128::MAX
        } else {
            (1 << self.rows) - 1
        }
    }

    fn of(&self, unit: usize, line: u32) -> u128 {
        let rows = self.words.values[unit][..self.rows].iter().enumerate();
        rows.fold(0, |c, (e, v)| c | u128::from(v >> line & 1) << e)
    }

    /// In how many ways the lines of some units and one line more differ from entry to entry: the dimension of what
    /// they hold, over GF(2), less what is constant. Any sum of lines is constant by chance once in two to that power,
    /// however many entries there are, for counting codes that are dialled depend on each other.
    fn independent(&self, over: &[usize], own: (usize, u32)) -> usize {
        let mut basis = Vec::new();
        reduce_into(&mut basis, self.all(), 0);
        for &unit in over {
            for line in 0..self.words.lines {
                reduce_into(&mut basis, self.of(unit, line), 0);
            }
        }
        reduce_into(&mut basis, self.of(own.0, own.1), 0);
        basis.len() - 1
    }

    /// Moving lines that belong to no control and are in no check.
    fn open(&self, group: &Group, taken: impl Fn(usize, u32) -> bool) -> Vec<(usize, u32)> {
        let mut out = Vec::new();
        for u in 0..self.words.units.len() {
            let open = self.words.moving[u] & !self.words.claimed[u];
            out.extend(
                (0..self.words.lines)
                    .filter(|l| open >> l & 1 == 1 && !taken(u, group.bus[*l as usize]))
                    .map(|l| (u, l)),
            );
        }
        out
    }
}

/// Bits that make the number of ones in a range of slots even, or odd.
pub(super) fn parities(
    words: &Words,
    group: &Group,
    index: usize,
    taken: &HashSet<usize>,
) -> Vec<FoundCheck> {
    let columns = Columns::new(words);
    let all = columns.all();
    let open = columns.open(group, |u, _| taken.contains(&u));
    let count = words.units.len();
    let mut prefix = vec![0u128];
    let mut moving = vec![0u32];
    for u in 0..count {
        let lines = (0..words.lines).fold(0, |x, l| x ^ columns.of(u, l));
        prefix.push(prefix[u] ^ lines);
        moving.push(moving[u] + words.moving[u].count_ones());
    }
    let candidates = open.len().max(1);
    let mut out = Vec::new();
    for (u, line) in open {
        let ranges = words.ranges(&[u]);
        let tried = (ranges.len() * candidates) as f64;
        let own = columns.of(u, line);
        let mut holding: Vec<(usize, FoundCheck)> = Vec::new();
        for &(from, to) in &ranges {
            let within = (from..=to).contains(&u);
            // Two moving bits beside its own, or it is a copy.
            if moving[to + 1] - moving[from] < 2 + u32::from(within) {
                continue;
            }
            let parity = prefix[to + 1] ^ prefix[from] ^ if within { 0 } else { own };
            if parity != 0 && parity != all {
                continue;
            }
            let over: Vec<usize> = (from..=to).collect();
            let (surprise, entries) = words.surprise(&[(u, 1 << line)], &over, &[]);
            let ways = columns.independent(&over, (u, line)) as f64;
            let evidence = surprise.min(ways) - tried.log2() - 1.0;
            // Inverted lines turn the parity.
            let lines = group.inverted.iter().filter(|i| **i).count() * over.len();
            let outside = !within && group.inverted[line as usize];
            let odd = (parity == all) != ((lines + usize::from(outside)) % 2 == 1);
            if evidence >= BELIEVED {
                let covered = over.iter().filter(|u| words.claimed[**u] != 0).count();
                holding.push((
                    covered,
                    FoundCheck {
                        group: index,
                        kind: Kind::Named(Method::Parity { odd }),
                        stored: vec![(words.units[u], group.bus[line as usize])],
                        over: over.iter().map(|u| words.units[*u]).collect(),
                        evidence,
                        entries,
                        failing: Vec::new(),
                        also: Vec::new(),
                    },
                ));
            }
        }
        holding.sort_by_key(|(covered, c)| (std::cmp::Reverse(*covered), c.over.len()));
        let mut all = holding.into_iter().map(|(_, c)| c);
        if let Some(mut best) = all.next() {
            best.also = all.map(|c| (c.kind, c.over)).collect();
            out.push(best);
        }
    }
    out
}

/// Open bits that are affine functions of the bits of controls in some window of slots, where there are enough
/// entries to tell that from chance.
pub(super) fn affine(
    words: &Words,
    group: &Group,
    index: usize,
    taken: &HashSet<(u32, u32)>,
) -> Vec<Dependent> {
    let columns = Columns::new(words);
    let open = columns.open(group, |u, line| taken.contains(&(words.units[u], line)));
    let different: HashSet<Vec<u64>> = (0..columns.rows)
        .map(|e| words.values.iter().map(|row| row[e]).collect())
        .collect();
    let bits: Vec<(usize, u32)> = (0..words.units.len())
        .flat_map(|u| (0..words.lines).map(move |l| (u, l)))
        .filter(|(u, l)| (words.claimed[*u] & words.moving[*u]) >> l & 1 == 1)
        .collect();
    let tried = (bits.len() * open.len().max(1)) as f64;
    let mut out: Vec<Dependent> = Vec::new();
    // Every window of as many bits as the entries can settle.
    let spare = different.len() as f64 - BELIEVED - tried.log2() - 2.0;
    let size = (spare.max(0.0) as usize).min(100).min(bits.len());
    if size < 2 {
        return Vec::new();
    }
    for window in bits.windows(size).step_by((size / 4).max(1)) {
        let mut basis: Vec<Member> = Vec::new();
        reduce_into(&mut basis, columns.all(), 1 << 127);
        for (i, (u, l)) in window.iter().enumerate() {
            reduce_into(&mut basis, columns.of(*u, *l), 1 << i);
        }
        for &(u, line) in &open {
            let spot = (words.units[u], group.bus[line as usize]);
            if out.iter().any(|d| d.bit == spot) {
                continue;
            }
            let (rest, terms) = reduce(&basis, columns.of(u, line), 0);
            let of: Vec<(usize, u32)> = (0..window.len())
                .filter(|i| terms >> i & 1 == 1)
                .map(|i| window[i])
                .collect();
            if rest != 0 || of.len() < 2 {
                continue;
            }
            let mut over: Vec<usize> = window.iter().map(|(u, _)| *u).collect();
            over.dedup();
            let (surprise, _) = words.surprise(&[(u, 1 << line)], &over, &[]);
            let evidence = surprise - basis.len() as f64 - tried.log2();
            if evidence < BELIEVED {
                continue;
            }
            let inverted = |l: u32| group.inverted[l as usize];
            let turns = of.iter().filter(|(_, l)| inverted(*l)).count();
            out.push(Dependent {
                group: index,
                bit: spot,
                of: of
                    .iter()
                    .map(|(u, l)| (words.units[*u], group.bus[*l as usize]))
                    .collect(),
                turned: (terms >> 127 & 1 == 1) != ((turns + usize::from(inverted(line))) % 2 == 1),
                evidence,
            });
        }
    }
    out
}

/// A member of a basis.
struct Member {
    /// Its uppermost bit, which no other member has.
    top: u128,
    column: u128,
    /// The bits taken for it.
    terms: u128,
}

/// A column less what the basis has of it, and the bits taken for that.
fn reduce(basis: &[Member], mut column: u128, mut terms: u128) -> (u128, u128) {
    for member in basis {
        if column & member.top != 0 {
            column ^= member.column;
            terms ^= member.terms;
        }
    }
    (column, terms)
}

/// Adds a column to a basis, where it is none yet.
fn reduce_into(basis: &mut Vec<Member>, column: u128, term: u128) {
    let (column, terms) = reduce(basis, column, term);
    if column == 0 {
        return;
    }
    let top = 1 << (127 - column.leading_zeros());
    for member in basis.iter_mut() {
        if member.column & top != 0 {
            member.column ^= column;
            member.terms ^= terms;
        }
    }
    basis.push(Member { top, column, terms });
}
