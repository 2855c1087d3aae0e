//! Which sum, CRC or parity makes every entry hold: a search over methods, ranges and orders of the lines.
//!
//! A check is believed for its evidence: the number of bits by which what is stored agrees with what the check asks
//! for, beyond what a column of that bias would by chance, less the bits it takes to name the hypothesis among all
//! that were tried. What fits as well is kept beside the choice as a set.

use std::collections::HashSet;

use super::groups::Group;
use super::solve::Solved;
use crate::layout::model::Method;

mod dependent;
mod generator;
mod orders;
mod polynomial;
mod sums;
mod words;

pub(crate) use dependent::Dependent;
use orders::Turn;
use words::Words;

/// Least evidence, in bits, for a check to be believed: one chance error in 65,536 instruments.
pub(crate) const BELIEVED: f64 = 16.0;

/// How a stored check follows from what it covers.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Kind {
    /// As the layout language names it.
    Named(Method),
    /// The same over the halves of the bytes.
    Halves(Method),
    /// A sum whose carry out of the top is added in again; stored as its complement where true.
    CarryAround { complement: bool },
    /// A CRC that no catalogue names: its generator with the leading one, bytes least significant bit first or not.
    Generator { generator: u64, reflected: bool },
}

/// A check that makes every entry hold.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct FoundCheck {
    /// Index of the group of chips.
    pub(crate) group: usize,
    pub(crate) kind: Kind,
    /// Slot and line of every stored bit, least significant first.
    pub(crate) stored: Vec<(u32, u32)>,
    /// Slots covered, in order.
    pub(crate) over: Vec<u32>,
    /// Bits of evidence.
    pub(crate) evidence: f64,
    /// Different entries it was seen in.
    pub(crate) entries: usize,
    /// Reading and preset of entries in which it does not hold.
    pub(crate) failing: Vec<(usize, usize)>,
    /// Other checks that fit as well.
    pub(crate) also: Vec<(Kind, Vec<u32>)>,
}

/// A hypothesis that holds; units and stored units are indices into the words.
#[derive(Clone, Debug)]
struct Holding {
    turn: usize,
    kind: Kind,
    /// Stored units, the least significant first.
    stored: Vec<usize>,
    width: u8,
    over: Vec<usize>,
    /// Bits of constants that were fitted.
    fitted: f64,
    evidence: f64,
    entries: usize,
    failing: Vec<(usize, usize)>,
}

/// Searches every group; a group whose check shows another order or polarity of its lines takes that over.
pub(crate) fn search(solved: &Solved, groups: &mut [Group]) -> (Vec<FoundCheck>, Vec<Dependent>) {
    let (mut checks, mut dependent) = (Vec::new(), Vec::new());
    for (index, group) in groups.iter_mut().enumerate() {
        let Some(words) = Words::new(solved, group) else {
            continue;
        };
        let turns = orders::turns(solved, group);
        let (c, d) = search_words(&words, turns, group, index);
        checks.extend(c);
        dependent.extend(d);
    }
    (checks, dependent)
}

fn search_words(
    words: &Words,
    mut turns: Vec<Turn>,
    group: &mut Group,
    index: usize,
) -> (Vec<FoundCheck>, Vec<Dependent>) {
    let mut out = Vec::new();
    let mut taken: HashSet<usize> = HashSet::new();
    let in_order = |turns: &[Turn]| turns.iter().map(|t| sums::Turned::of(words, t)).collect();
    let mut turned: Option<Vec<sums::Turned>> = None;
    for width in [2, 1] {
        for at in 0..words.units.len() {
            let units: Vec<usize> = (at..at + width).collect();
            if !words.could_store(&units) || units.iter().any(|u| taken.contains(u)) {
                continue;
            }
            let turned_now = turned.get_or_insert_with(|| in_order(&turns));
            let Some((best, also)) = best(words, &turns, turned_now, &units) else {
                continue;
            };
            // The first check settles how the lines go.
            let turn = turns[best.turn].clone();
            group.bus.clone_from(&turn.bus);
            group.inverted.clone_from(&turn.inverted);
            let slots = |over: &[usize]| over.iter().map(|u| words.units[*u]).collect();
            let stored = (0..usize::from(best.width)).map(|k| {
                let lines = words.lines as usize;
                (words.units[best.stored[k / lines]], (k % lines) as u32)
            });
            taken.extend(units);
            out.push(FoundCheck {
                group: index,
                stored: stored.collect(),
                over: slots(&best.over),
                evidence: best.evidence,
                entries: best.entries,
                failing: best.failing,
                also: also.into_iter().map(|h| (h.kind, slots(&h.over))).collect(),
                kind: best.kind,
            });
            turns = vec![turn];
            turned = None;
        }
    }
    keep_one_of_each_balance(&mut out);
    let mut parities = dependent::parities(words, group, index, &taken);
    // Many a CRC brings the ones of what it covers and of itself to an even number: that is no check of its own.
    let kept: HashSet<u32> = taken.iter().map(|u| words.units[*u]).collect();
    parities.retain(|p| !p.over.iter().any(|slot| kept.contains(slot)));
    let bits: HashSet<(u32, u32)> = out
        .iter()
        .chain(&parities)
        .flat_map(|c| c.stored.clone())
        .collect();
    let dependent = dependent::affine(words, group, index, &bits);
    out.extend(parities);
    (out, dependent)
}

/// Where all words with the check add up to a constant, each of them is the check of the others. The last is taken,
/// as checks follow what they cover (common practice, no source), and the others are told beside it.
fn keep_one_of_each_balance(checks: &mut Vec<FoundCheck>) {
    let whole = |c: &FoundCheck| -> Option<Vec<u32>> {
        let balances = matches!(
            c.kind,
            Kind::Named(Method::SumTwosComplement { .. } | Method::Xor { .. })
        );
        let mut slots: Vec<u32> = c.over.clone();
        slots.extend(c.stored.iter().map(|s| s.0));
        slots.sort_unstable();
        slots.dedup();
        balances.then_some(slots)
    };
    let mut i = 0;
    while i < checks.len() {
        let later = whole(&checks[i])
            .and_then(|w| (i + 1..checks.len()).find(|&j| whole(&checks[j]).as_ref() == Some(&w)));
        match later {
            Some(j) => {
                let one = checks.remove(i);
                checks[j - 1].also.push((one.kind, one.over));
            }
            None => i += 1,
        }
    }
}

/// The best of all hypotheses for a check kept in these units, and what fits as well.
fn best(
    words: &Words,
    turns: &[Turn],
    turned: &[sums::Turned],
    units: &[usize],
) -> Option<(Holding, Vec<Holding>)> {
    let mut holding = sums::sums(words, turns, turned, units);
    if holding.is_empty() {
        holding = generator::crcs(words, turns, units);
    }
    let claimed = |h: &Holding| h.over.iter().filter(|u| words.claimed[**u] != 0).count();
    holding.retain(|h| h.evidence >= BELIEVED);
    holding.sort_by(|a, b| {
        a.fitted
            .total_cmp(&b.fitted)
            .then(claimed(b).cmp(&claimed(a)))
            .then(a.over.len().cmp(&b.over.len()))
            .then(a.turn.cmp(&b.turn))
    });
    let mut all = holding.into_iter();
    let best = all.next()?;
    let mut also: Vec<Holding> = Vec::new();
    for h in all {
        // The same claim in another order of the lines is none; a fitted constant is less than none.
        let said = |o: &Holding| o.kind == h.kind && o.over == h.over;
        if h.fitted <= best.fitted && !said(&best) && !also.iter().any(said) {
            also.push(h);
        }
    }
    Some((best, also))
}

impl FoundCheck {
    /// True where it is one check, held by every entry.
    pub(crate) fn certain(&self) -> bool {
        self.also.is_empty() && self.failing.is_empty()
    }

    /// What it is, in words.
    pub(crate) fn says(&self) -> String {
        says(&self.kind, &self.over)
    }
}

/// What a check comes to, in words.
pub(crate) fn method_says(method: &Method) -> String {
    match method {
        Method::Sum { add: 0 } => "sum".to_owned(),
        Method::Sum { add } => format!("sum plus {add:#x}"),
        Method::SumTwosComplement { add: 0 } => "two's complement of the sum".to_owned(),
        Method::SumTwosComplement { add } => format!("{add:#x} less the sum"),
        Method::SumOnesComplement => "one's complement of the sum".to_owned(),
        Method::Xor { with: 0 } => "exclusive-or".to_owned(),
        Method::Xor { with } => format!("exclusive-or, and of {with:#x}"),
        Method::Crc { name } => crc_name(name),
        Method::Parity { odd: true } => "odd parity".to_owned(),
        Method::Parity { odd: false } => "even parity".to_owned(),
        _ => "check".to_owned(),
    }
}

/// A CRC as the catalogue of parametrised CRC algorithms prints it: "CRC-16/IBM-SDLC" for `CRC_16_IBM_SDLC`.
fn crc_name(name: &str) -> String {
    let mut parts = name.splitn(3, '_');
    match (parts.next(), parts.next(), parts.next()) {
        (Some("CRC"), Some(width), Some(rest)) => {
            format!("CRC-{width}/{}", rest.replace('_', "-"))
        }
        _ => name.to_owned(),
    }
}

/// A check in words.
pub(crate) fn says(kind: &Kind, over: &[u32]) -> String {
    let what = match kind {
        Kind::Named(m) => method_says(m),
        Kind::Halves(m) => format!("{} of the half bytes", method_says(m)),
        Kind::CarryAround { complement: false } => "sum with the carry added in again".to_owned(),
        Kind::CarryAround { complement: true } => {
            "complement of the sum with the carry added in again".to_owned()
        }
        Kind::Generator {
            generator,
            reflected,
        } => format!(
            "CRC of the generator {generator:#x}, bytes {} bit first, start value not settled",
            if *reflected { "lowest" } else { "highest" }
        ),
    };
    format!("{what} of slots {}", runs(over).join(", "))
}

/// Slots as runs: "0..28", "30"; one by one where they go down.
pub(crate) fn runs(over: &[u32]) -> Vec<String> {
    let mut out = Vec::new();
    let mut i = 0;
    while i < over.len() {
        let mut j = i;
        while j + 1 < over.len() && over[j + 1] == over[j] + 1 {
            j += 1;
        }
        out.push(if i == j {
            over[i].to_string()
        } else {
            format!("{}..{}", over[i], over[j])
        });
        i = j + 1;
    }
    out
}

#[cfg(test)]
mod tests;

#[cfg(test)]
mod names {
    /// As the catalogue of parametrised CRC algorithms (reveng) heads its entries; from memory.
    #[test]
    fn a_crc_is_called_as_the_catalogue_does() {
        for (key, name) in [
            ("CRC_16_IBM_SDLC", "CRC-16/IBM-SDLC"),
            ("CRC_8_MAXIM_DOW", "CRC-8/MAXIM-DOW"),
            ("CRC_16_ARC", "CRC-16/ARC"),
        ] {
            assert_eq!(super::crc_name(key), name);
        }
    }
}
