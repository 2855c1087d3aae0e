//! Checks: which words each covers, and where each is stored.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use super::crcs;
use super::document::{self as doc, Covers};
use super::fields::nearest;
use super::model::{Area, BitPlace, Check, CheckInstance, CoveredWords, Method};
use super::notation::Over;
use super::plan::{self, Plan};
use super::problem::{
    Log, METHOD, NO_HOME, OVER, Problem, SELF, STORED, TOO_LARGE, UNCOVERED, WORD,
};
use super::wiring::{Miss, Wiring};

/// A word a check covers: slots and bits of an entry, least significant first, with what the entry inverts.
type Word = Vec<(u32, u32, bool)>;

/// The checks of an area; without the places of their bits where its wiring is not `sound`.
pub(super) fn checks(
    area: &doc::Area,
    out: &Area,
    plan: &Plan,
    wiring: &Wiring,
    sound: bool,
    room: &mut usize,
    log: &mut Log,
) -> Vec<Check> {
    let mut checks = Vec::with_capacity(area.checks.len());
    let mut covered: HashSet<(u32, u32)> = HashSet::new();
    let mut all_in_slots = true;
    for (i, c) in area.checks.iter().enumerate() {
        let subject = format!("{} {}", area.name.value, c.key.value);
        let words = words(c, area, plan, wiring, &subject, log);
        all_in_slots &= !matches!(c.covers, Covers::Addresses(_));
        covered.extend(words.iter().flatten().map(|b| (b.0, b.1)));
        let stored = match plan.of_check.get(i).copied().flatten() {
            Some(field) => plan.fields[field].bits.clone(),
            None => {
                let mut bus = wiring.words;
                bus.word = bus.lines;
                plan::assemble(&c.stored, &bus, &subject, log)
            }
        };
        let mut words = words;
        if matches!(c.method, Method::Parity { .. }) && !c.per_area {
            // Parity over whole words counts its own bit in, so leaving the bit out of them says the same.
            for word in &mut words {
                word.retain(|(unit, bit, _)| !stored.contains(&(*unit, *bit)));
            }
        }
        let width = stored.len();
        fits(c, &words, width, &subject, log);
        let mut check = Check {
            key: c.key.value.clone(),
            method: c.method.clone(),
            width: u8::try_from(width).unwrap_or(64),
            policy: c.policy,
            instances: Vec::new(),
        };
        if sound {
            check.instances = instances(
                c, i, out, plan, wiring, &words, &stored, &subject, room, log,
            );
        }
        checks.push(check);
    }
    if all_in_slots && !covered.is_empty() {
        uncovered(area, plan, &covered, log);
    }
    checks
}

/// The words an entry gives to a check.
fn words(
    c: &doc::Check,
    area: &doc::Area,
    plan: &Plan,
    wiring: &Wiring,
    subject: &str,
    log: &mut Log,
) -> Vec<Word> {
    let mut out: Vec<Word> = Vec::new();
    match &c.covers {
        Covers::Nothing | Covers::Addresses(_) => {}
        Covers::Slots(list) => {
            for over in list {
                match over.value {
                    Over::Slots(a, b) => {
                        for unit in a..=b {
                            if out.len() > plan::MAX_ENTRY_BITS {
                                break;
                            }
                            out.push(
                                (0..wiring.words.word)
                                    .map(|bit| (unit, bit, false))
                                    .collect(),
                            );
                        }
                    }
                    Over::Bits(unit, piece) => {
                        if piece.from.max(piece.to) >= wiring.words.word {
                            log.push(Problem::new(
                                &WORD,
                                over.at,
                                subject,
                                format!("the word has bits 0 to {}", wiring.words.word - 1),
                            ));
                            continue;
                        }
                        out.push(piece.bits_up().map(|bit| (unit, bit, false)).collect());
                    }
                }
            }
        }
        Covers::Parameters(keys) => {
            for key in keys {
                let Some(i) = area
                    .parameters
                    .iter()
                    .position(|p| p.key.value == key.value)
                else {
                    let all = area.parameters.iter().map(|p| p.key.value.as_str());
                    let mut problem = Problem::new(
                        &OVER,
                        key.at,
                        subject,
                        format!("no parameter has the key {:?}", key.value),
                    );
                    problem.repair =
                        nearest(&key.value, all).map(|k| format!("did you mean {k:?}?"));
                    log.push(problem);
                    continue;
                };
                let fields = plan.of_parameter.get(i).cloned().unwrap_or(0..0);
                for field in plan.fields.get(fields).unwrap_or_default() {
                    let inverted = field.inverted;
                    out.push(field.bits.iter().map(|(u, b)| (*u, *b, inverted)).collect());
                }
            }
        }
    }
    out
}

/// The method can take these words and makes as many bits as are stored.
fn fits(c: &doc::Check, words: &[Word], width: usize, subject: &str, log: &mut Log) {
    let stored = |says: String| {
        Problem::new(&STORED, c.stored_at, subject, says).also(c.method_at, "the method")
    };
    match &c.method {
        Method::Crc { name } => {
            let Some(crc) = crcs::crc(name) else {
                let all = crcs::CATALOGUE.iter().map(|(n, _)| *n);
                let says = match name.as_str() {
                    "" => "a CRC needs `crc`, its name in the catalogue".to_owned(),
                    _ => format!("the catalogue has no CRC named {name:?}"),
                };
                log.push(Problem::new(&METHOD, c.method_at, subject, says).repair(
                    match nearest(name, all) {
                        Some(near) => format!("did you mean {near:?}?"),
                        None => "names are those of the CRC catalogue, such as CRC_16_ARC, CRC_16_XMODEM, CRC_16_IBM_3740, CRC_8_SMBUS".to_owned(),
                    },
                ));
                return;
            };
            if width != usize::from(crc.width()) {
                log.push(stored(format!(
                    "{name} makes {} bits, and {width} are stored",
                    crc.width()
                )));
            }
            if let Some(word) = words.iter().find(|w| w.len() != 8) {
                log.push(
                    Problem::new(
                        &OVER,
                        c.covers_at,
                        subject,
                        format!(
                            "a CRC takes bytes, and a word of {} bits is covered",
                            word.len()
                        ),
                    )
                    .repair("cover whole 8-bit slots"),
                );
            }
        }
        Method::ComplementCopy => {
            let bits: usize = words.iter().map(Vec::len).sum();
            if !matches!(c.covers, Covers::Addresses(_)) && bits != width {
                log.push(stored(format!("a complement has as many bits as what it covers, {bits}, and {width} are stored")));
            }
        }
        Method::Parity { .. } if width != 1 => {
            log.push(stored(format!("parity is one bit, and {width} are stored")))
        }
        Method::Fixed { value } if width < 64 && value >> width != 0 => {
            log.push(stored(format!("{value:#x} does not fit into {width} bits")));
        }
        Method::Xor { with: extra }
        | Method::Sum { add: extra }
        | Method::SumTwosComplement { add: extra }
            if width < 64 && extra >> width != 0 =>
        {
            log.push(stored(format!("{extra:#x} does not fit into {width} bits")));
        }
        _ => {}
    }
    if width == 0 && !c.stored.is_empty() {
        log.push(Problem::new(
            &STORED,
            c.stored_at,
            subject,
            "no bit is left to store the check in",
        ));
    }
}

#[expect(
    clippy::too_many_arguments,
    reason = "the pieces of one area, taken apart by the caller"
)]
fn instances(
    c: &doc::Check,
    index: usize,
    out: &Area,
    plan: &Plan,
    wiring: &Wiring,
    words: &[Word],
    stored: &[(u32, u32)],
    subject: &str,
    room: &mut usize,
    log: &mut Log,
) -> Vec<CheckInstance> {
    let mut misses: BTreeMap<Miss, (usize, u32, u32)> = BTreeMap::new();
    let entries = out.entries();
    let spans: Vec<(u32, u32)> = match &c.covers {
        Covers::Addresses(spans) => spans.iter().map(|s| s.value).collect(),
        _ => Vec::new(),
    };
    let in_spans: usize = spans.iter().map(|(a, b)| (b - a + 1) as usize).sum();
    let in_words: usize = words.iter().map(Vec::len).sum();
    let per_span = in_spans.saturating_mul(wiring.words.lines as usize);
    let scopes = if c.per_area && !spans.is_empty() {
        1
    } else {
        entries
    };
    let total = in_words.saturating_add(per_span).saturating_mul(scopes);
    if total > *room {
        log.push(Problem::new(
            &TOO_LARGE,
            c.covers_at,
            subject,
            format!("the check covers {total} bits, more than this program takes"),
        ));
        return Vec::new();
    }
    *room -= total;
    if (!spans.is_empty() || c.per_area)
        && !wiring
            .chips
            .iter()
            .all(super::wiring::WiredChip::by_address)
    {
        log.push(
            Problem::new(&OVER, c.covers_at, subject, "addresses alone do not say which cell answers: a pin depends on slot, step or an axis")
                .also(c.stored_at, "stored here")
                .repair("use `over` and `per = \"entry\"`, or write the chips' pins in terms of a"),
        );
        return Vec::new();
    }
    let mut spanned: Vec<BitPlace> = Vec::with_capacity(per_span);
    for (a, b) in spans {
        for address in a..=b {
            for line in 0..wiring.words.lines {
                let place = wiring.at_address(address, line);
                spanned.extend(note(place, address, line, &mut misses));
            }
        }
    }
    let field = plan.of_check.get(index).copied().flatten();
    // A missed bit stops the layout from being used, so the words end where they should in every instance.
    let lengths = words
        .iter()
        .map(Vec::len)
        .chain(std::iter::repeat_n(wiring.words.lines as usize, in_spans));
    let times = if field.is_some() { 1 } else { scopes };
    let ends: Arc<[u32]> = ends(lengths, times).into();
    let covered = sources(out, plan, words);
    let mut result: Vec<CheckInstance> = Vec::with_capacity(field.map_or(1, |_| scopes));
    let mut found: Vec<BitPlace> = Vec::new();
    for entry in 0..scopes {
        let mut here = wiring.entry(&out.indices(entry));
        let places = out
            .places
            .get(entry * out.bits_per_entry..)
            .unwrap_or_default();
        found.reserve(in_words + spanned.len());
        for source in &covered {
            let place = match source.field.and_then(|i| places.get(i)) {
                Some(place) => Some(*place),
                None => {
                    let (unit, bit) = source.at;
                    note(here.place(unit, bit), unit, bit, &mut misses)
                }
            };
            if let Some(mut place) = place {
                place.inverted ^= source.inverted;
                found.push(place);
            }
        }
        found.extend_from_slice(&spanned);
        if let Some(field) = field {
            result.push(CheckInstance {
                entry: Some(entry),
                words: CoveredWords::new(std::mem::take(&mut found), Arc::clone(&ends)),
                stored: out.field_places(entry, field).to_vec(),
            });
        }
    }
    if field.is_none() {
        let stored = stored
            .iter()
            .filter_map(|&(address, line)| {
                let mut place = note(wiring.at_address(address, line), address, line, &mut misses)?;
                place.inverted ^= c.inverted;
                Some(place)
            })
            .collect();
        result.push(CheckInstance {
            entry: None,
            words: CoveredWords::new(found, ends),
            stored,
        });
    }
    for (_, (count, unit, bit)) in misses {
        let and = if count > 1 {
            format!("; so have {} other bits", count - 1)
        } else {
            String::new()
        };
        log.push(
            Problem::new(&NO_HOME, c.covers_at, subject, format!("the check covers slot or address {unit:#x} bit {bit}, which has no place in a chip{and}"))
                .also(c.stored_at, "stored here")
                .repair("correct what is covered, or where it is stored"),
        );
    }
    covers_itself(c, &result, subject, log);
    result
}

/// Where each of so many words ends, the lengths taken so many times over.
fn ends(lengths: impl Iterator<Item = usize> + Clone, times: usize) -> Vec<u32> {
    let mut end = 0;
    let all = std::iter::repeat_n(lengths, times).flatten();
    all.map(|length| {
        end += length;
        // The room of a layout keeps this far below 32 bits.
        u32::try_from(end).unwrap_or(u32::MAX)
    })
    .collect()
}

/// How the place of a covered bit is had.
struct Covered {
    /// Its index among the entry's bits where it is a field's: its place is worked out already.
    field: Option<usize>,
    /// Slot and bit of the word.
    at: (u32, u32),
    /// What is to be inverted of the place found.
    inverted: bool,
}

fn sources(out: &Area, plan: &Plan, words: &[Word]) -> Vec<Covered> {
    let mut of: HashMap<(u32, u32), (usize, bool)> = HashMap::new();
    for (planned, field) in plan.fields.iter().zip(&out.fields) {
        for (k, at) in planned.bits.iter().enumerate() {
            of.insert(*at, (field.first + k, planned.inverted));
        }
    }
    let source = |&(unit, bit, inverted): &(u32, u32, bool)| match of.get(&(unit, bit)) {
        Some(&(field, inverts)) => Covered {
            field: Some(field),
            at: (unit, bit),
            inverted: inverted ^ inverts,
        },
        None => Covered {
            field: None,
            at: (unit, bit),
            inverted,
        },
    };
    words.iter().flatten().map(source).collect()
}

fn note(
    place: Result<BitPlace, Miss>,
    unit: u32,
    bit: u32,
    misses: &mut BTreeMap<Miss, (usize, u32, u32)>,
) -> Option<BitPlace> {
    match place {
        Ok(place) => Some(place),
        Err(miss) => {
            misses.entry(miss).or_insert((0, unit, bit)).0 += 1;
            None
        }
    }
}

/// A check that covers its own bits cannot be computed; one instance shows it for all.
fn covers_itself(c: &doc::Check, instances: &[CheckInstance], subject: &str, log: &mut Log) {
    let Some(instance) = instances.first() else {
        return;
    };
    let own: HashSet<(u16, u32, u8)> = instance
        .stored
        .iter()
        .map(|p| (p.chip, p.cell, p.line))
        .collect();
    let hit = instance
        .words
        .bits()
        .iter()
        .any(|p| own.contains(&(p.chip, p.cell, p.line)));
    if hit {
        log.push(
            Problem::new(&SELF, c.covers_at, subject, "the check covers bits it is stored in")
                .also(c.stored_at, "stored here")
                .repair("leave its own bits out of what it covers; a block whose sum is 0 with its check is `sum-twos-complement` over the rest"),
        );
    }
}

/// Where checks cover most of an entry, what they leave out is probably forgotten.
fn uncovered(area: &doc::Area, plan: &Plan, covered: &HashSet<(u32, u32)>, log: &mut Log) {
    let outside = |i: &usize| {
        let fields = plan.of_parameter.get(*i).cloned().unwrap_or(0..0);
        let bits = plan
            .fields
            .get(fields)
            .unwrap_or_default()
            .iter()
            .flat_map(|f| &f.bits);
        bits.into_iter().any(|b| !covered.contains(b))
    };
    let missed: Vec<usize> = (0..area.parameters.len()).filter(outside).collect();
    if missed.len() * 2 >= area.parameters.len() {
        return;
    }
    for i in missed {
        let p = &area.parameters[i];
        let mut problem = Problem::new(
            &UNCOVERED,
            p.bits_at,
            format!("{} {}", area.name.value, p.key.value),
            format!("no check covers all bits of {}", p.key.value),
        )
        .repair("extend what the check covers, or waive this where it is so");
        if let Some(c) = area.checks.first() {
            problem = problem.also(c.covers_at, "covered here");
        }
        log.push(problem);
    }
}
