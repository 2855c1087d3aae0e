//! CRCs: by the generator that the differences of entries share, then by the names of the catalogue.

use rayon::prelude::*;

use super::orders::Turn;
use super::polynomial::Polynomial;
use super::words::{Words, exceptions};
use super::{BELIEVED, Holding, Kind};
use crate::codec::checks::compute_over;
use crate::layout::crcs::{CATALOGUE, Crc};
use crate::layout::model::Method;

/// Bytes covered by a CRC that is tried.
struct Cover {
    over: Vec<usize>,
    /// Stored units in the order their bytes follow the message.
    trailer: Vec<usize>,
    reflected: bool,
}

/// All CRCs that hold; they take bytes, so only words of eight lines have any.
pub(super) fn crcs(words: &Words, turns: &[Turn], units: &[usize]) -> Vec<Holding> {
    if words.lines != 8 || !words.counted {
        return Vec::new();
    }
    let covers = covers(words, units);
    // What differs between entries does not depend on polarity, only on the order of the lines.
    let mut orders: Vec<&Vec<u32>> = Vec::new();
    for t in turns {
        if !orders.contains(&&t.bus) {
            orders.push(&t.bus);
        }
    }
    let tried = (covers.len() * orders.len() * turns.len()) as f64;
    let mut out = Vec::new();
    for bus in orders {
        let plain = Turn {
            bus: bus.clone(),
            inverted: vec![false; 8],
        };
        let rows: Vec<Vec<u64>> = words
            .values
            .iter()
            .map(|row| row.iter().map(|v| plain.word(*v)).collect())
            .collect();
        let of = |cover: &Cover| {
            let Some(generator) = common(&rows, cover, words.entries.len()) else {
                return Vec::new();
            };
            let mut named = Vec::new();
            for (t, turn) in turns.iter().enumerate().filter(|(_, t)| t.bus == *bus) {
                named.extend(names(words, turn, t, cover, tried));
            }
            if named.is_empty() && generator.degree() == 8 * units.len() {
                named.extend(unnamed(words, &rows, cover, &generator, turns, bus, tried));
            }
            named
        };
        let found: Vec<Vec<Holding>> = covers.par_iter().map(of).collect();
        out.extend(found.into_iter().flatten());
    }
    out
}

/// Ranges up to the check, from behind it, of the whole entry, of what controls have; in entries of up to 64 slots also
/// from any slot up to the check, and in those of up to 32 all that begin or end in one of these places. Each forwards
/// and backwards, its bytes either bit first, the check's bytes in either order.
fn covers(words: &Words, units: &[usize]) -> Vec<Cover> {
    let last = words.units.len() - 1;
    let (begins, ends) = (words.begins(units), words.ends(units));
    let mut ranges: Vec<(usize, usize)> = Vec::new();
    for b in begins {
        ranges.extend(ends.iter().map(|e| (b, *e)));
    }
    // The longer the entry the fewer ranges that begin or end anywhere: each costs a greatest common divisor.
    for u in 0..=last {
        if last < 64 {
            ranges.push((u, ends[2]));
        }
        if last < 32 {
            ranges.extend(ends.iter().map(|e| (u, *e)));
            ranges.extend(begins.iter().map(|b| (*b, u)));
        }
    }
    ranges.retain(|(from, to)| to > from);
    ranges.sort_unstable();
    ranges.dedup();
    let mut out = Vec::new();
    for (from, to) in ranges {
        let forward: Vec<usize> = (from..=to).filter(|u| !units.contains(u)).collect();
        if forward.len() < 2 {
            continue;
        }
        let backward: Vec<usize> = forward.iter().rev().copied().collect();
        for over in [forward, backward] {
            for reflected in [false, true] {
                out.push(Cover {
                    over: over.clone(),
                    trailer: units.to_vec(),
                    reflected,
                });
                if units.len() > 1 {
                    out.push(Cover {
                        over: over.clone(),
                        trailer: units.iter().rev().copied().collect(),
                        reflected,
                    });
                }
            }
        }
    }
    out
}

fn difference(rows: &[Vec<u64>], cover: &Cover, a: usize, b: usize) -> Polynomial {
    let places = cover.over.iter().chain(&cover.trailer);
    let bytes = places.map(|u| (rows[*u][a] ^ rows[*u][b]) as u8);
    Polynomial::from_bytes(bytes.map(|byte| match cover.reflected {
        true => byte.reverse_bits(),
        false => byte,
    }))
}

/// What the differences of entries have in common, if that could be a generator. Two groups of entries are tried, so
/// that one damaged entry does not hide it.
fn common(rows: &[Vec<u64>], cover: &Cover, entries: usize) -> Option<Polynomial> {
    let width = 8 * cover.trailer.len();
    for start in [0, entries / 2] {
        let mut found: Option<Polynomial> = None;
        let mut used = 0;
        for e in (1..entries).map(|i| (start + i) % entries) {
            let d = difference(rows, cover, start, e);
            if d.is_zero() {
                continue;
            }
            let g = match found {
                None => d.gcd(Polynomial::from_bits(std::iter::empty())),
                Some(f) => f.gcd(d),
            };
            if g.degree() < width {
                found = None;
                break;
            }
            found = Some(g);
            used += 1;
            if used == 6 {
                break;
            }
        }
        if found.is_some() && used >= 3 {
            return found;
        }
    }
    None
}

/// Entries in which a CRC of the catalogue does not hold; `None` where it fails in too many.
fn names(words: &Words, turn: &Turn, t: usize, cover: &Cover, tried: f64) -> Vec<Holding> {
    let width = 8 * cover.trailer.len() as u8;
    // The last byte of the trailer is the low one where the highest bit goes first.
    let mut low_first = cover.trailer.clone();
    if !cover.reflected {
        low_first.reverse();
    }
    let allowed = words.entries.len() / 20;
    let mut out = Vec::new();
    for (name, crc) in CATALOGUE {
        let reflected = match crc {
            Crc::W8(a) => a.refin,
            Crc::W16(a) => a.refin,
            Crc::W32(a) => a.refin,
            Crc::W64(a) => a.refin,
        };
        if crc.width() != width || reflected != cover.reflected {
            continue;
        }
        let method = Method::Crc {
            name: (*name).to_owned(),
        };
        let mut fails = Vec::new();
        for e in 0..words.entries.len() {
            let bytes: Vec<(u64, u8)> = cover
                .over
                .iter()
                .map(|u| (turn.word(words.values[*u][e]), 8))
                .collect();
            let stored = low_first
                .iter()
                .enumerate()
                .fold(0, |s, (i, u)| s | turn.word(words.values[*u][e]) << (8 * i));
            if compute_over(&method, width, &bytes) != Some(stored) {
                fails.push(e);
                if fails.len() > allowed {
                    break;
                }
            }
        }
        if fails.len() > allowed {
            continue;
        }
        let tried = tried * CATALOGUE.len() as f64;
        out.extend(holding(
            words,
            t,
            Kind::Named(method),
            &low_first,
            cover,
            &fails,
            (0.0, tried),
        ));
    }
    out
}

fn unnamed(
    words: &Words,
    rows: &[Vec<u64>],
    cover: &Cover,
    generator: &Polynomial,
    turns: &[Turn],
    bus: &[u32],
    tried: f64,
) -> Option<Holding> {
    let n = words.entries.len();
    let fails: Vec<usize> = (1..n)
        .filter(|e| {
            let d = difference(rows, cover, 0, *e);
            !d.is_zero() && d.gcd(generator.clone()).degree() < generator.degree()
        })
        .collect();
    if fails.len() > n / 20 {
        return None;
    }
    let turn = turns.iter().position(|t| t.bus == bus)?;
    let mut low_first = cover.trailer.clone();
    if !cover.reflected {
        low_first.reverse();
    }
    let kind = Kind::Generator {
        generator: generator.low(),
        reflected: cover.reflected,
    };
    // Generator and start value are fitted.
    let fitted = 2.0 * generator.degree() as f64;
    holding(
        words,
        turn,
        kind,
        &low_first,
        cover,
        &fails,
        (fitted, tried),
    )
}

fn holding(
    words: &Words,
    turn: usize,
    kind: Kind,
    low_first: &[usize],
    cover: &Cover,
    fails: &[usize],
    (fitted, tried): (f64, f64),
) -> Option<Holding> {
    let width = 8 * low_first.len() as u8;
    let stored: Vec<(usize, u64)> = low_first.iter().map(|u| (*u, 0xff)).collect();
    let (surprise, entries) = words.surprise(&stored, &cover.over, fails);
    let evidence = surprise
        - fitted
        - tried.log2()
        - exceptions(fails.len(), words.entries.len())
        - fails.len() as f64 * f64::from(width);
    (evidence >= BELIEVED).then(|| Holding {
        turn,
        kind,
        stored: low_first.to_vec(),
        width,
        over: cover.over.clone(),
        fitted,
        evidence,
        entries,
        failing: fails.iter().map(|e| words.entries[*e]).collect(),
    })
}
