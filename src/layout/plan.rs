//! The fields of one entry: which slot and bit of the word each code bit is, before any chip is looked at.
//! Overlaps inside an entry show here, once for all entries.

use std::collections::{HashMap, HashSet};

use super::document::{self as doc, Area};
use super::fields::Placed;
use super::model::{Field, FieldOwner};
use super::notation::Piece;
use super::problem::{ALIAS, At, CONSTANT, Log, OVERLAP, Problem, TOO_LARGE, TWICE, WIDTH, WORD};
use super::wiring::Words;

/// A field before its bits have places.
#[derive(Debug)]
pub(super) struct Planned {
    pub(super) owner: FieldOwner,
    /// Slot and bit of the word, least significant code bit first.
    pub(super) bits: Vec<(u32, u32)>,
    pub(super) inverted: bool,
    pub(super) at: At,
    /// What messages call it: `filter.cutoff`.
    pub(super) name: String,
}

/// The fields of an entry.
#[derive(Debug, Default)]
pub(super) struct Plan {
    pub(super) fields: Vec<Planned>,
    /// Fields of each parameter.
    pub(super) of_parameter: Vec<std::ops::Range<usize>>,
    /// The field of each check that entries store.
    pub(super) of_check: Vec<Option<usize>>,
    /// Slot and bit of every code bit, in the order of the model.
    pub(super) bits: Vec<(u32, u32)>,
    pub(super) inverted: Vec<bool>,
    /// True for the code bit that owns its bit of the word; false for a second view of it.
    pub(super) owns: Vec<bool>,
    /// For each code bit the field it is in.
    pub(super) field_of: Vec<u32>,
    /// Bits with two owners, each with the slot and bit of an example; not yet reported, so that the physical bit
    /// can be named.
    pub(super) overlaps: Vec<(Problem, (u32, u32))>,
}

/// Most code bits of one entry.
pub(super) const MAX_ENTRY_BITS: usize = 1 << 20;

impl Plan {
    /// The fields as the model has them.
    pub(super) fn model_fields(&self) -> Vec<Field> {
        let mut first = 0;
        self.fields
            .iter()
            .map(|f| {
                let field = Field {
                    owner: f.owner,
                    width: u8::try_from(f.bits.len()).unwrap_or(64),
                    first,
                };
                first += f.bits.len();
                field
            })
            .collect()
    }
}

/// Puts pieces together, least significant bit first; problems are reported and the bits that exist returned.
pub(super) fn assemble(
    pieces: &[Placed<Piece>],
    words: &Words,
    subject: &str,
    log: &mut Log,
) -> Vec<(u32, u32)> {
    let mut bits = Vec::new();
    for piece in pieces.iter().rev() {
        let unit = piece.value.unit.unwrap_or(0);
        let top = piece.value.from.max(piece.value.to);
        if top >= words.word {
            log.push(
                Problem::new(
                    &WORD,
                    piece.at,
                    subject,
                    format!("bit {top} is outside the word, which has bits 0 to {}", words.word - 1),
                )
                .repair("correct the bit, or state the word's bits with `word` (and the bus with `lines`) in the area"),
            );
        }
        for bit in piece.value.bits_up().filter(|b| *b < words.word) {
            if bits.contains(&(unit, bit)) {
                log.push(Problem::new(
                    &TWICE,
                    piece.at,
                    subject,
                    format!("slot {unit} bit {bit} is used twice in one value"),
                ));
                return bits;
            }
            bits.push((unit, bit));
        }
        if bits.len() > 64 {
            log.push(Problem::new(
                &WIDTH,
                piece.at,
                subject,
                "a value has at most 64 bits",
            ));
            return Vec::new();
        }
    }
    bits
}

/// Plans an area's entry.
pub(super) fn plan(area: &Area, words: &Words, log: &mut Log) -> Plan {
    let mut plan = Plan::default();
    for (i, p) in area.parameters.iter().enumerate() {
        let subject = format!("{} {}", area.name.value, p.key.value);
        let bits = assemble(&p.pieces, words, &subject, log);
        let from = plan.fields.len();
        let (chars, every) = p.text.as_ref().map_or((1, 0), |t| (t.chars, t.every));
        for c in 0..chars {
            let bits = bits
                .iter()
                .map(|(unit, bit)| (unit.saturating_add(c.saturating_mul(every)), *bit))
                .collect();
            plan.push(
                FieldOwner::Parameter(i),
                bits,
                p.inverted,
                p.bits_at,
                p.key.value.clone(),
            );
        }
        plan.of_parameter.push(from..plan.fields.len());
    }
    for (i, c) in area.checks.iter().enumerate() {
        let field = (!c.per_area).then(|| {
            let subject = format!("{} {}", area.name.value, c.key.value);
            let bits = assemble(&c.stored, words, &subject, log);
            plan.push(
                FieldOwner::Check(i),
                bits,
                c.inverted,
                c.stored_at,
                c.key.value.clone(),
            );
            plan.fields.len() - 1
        });
        plan.of_check.push(field);
    }
    for c in &area.constants {
        let subject = format!("area {} constant", area.name.value);
        let bits = assemble(&c.pieces, words, &subject, log);
        if bits.len() < 64 && c.value.value >> bits.len() != 0 {
            log.push(
                Problem::new(
                    &CONSTANT,
                    c.value.at,
                    subject,
                    format!("{} does not fit into {} bits", c.value.value, bits.len()),
                )
                .also(c.at, "the constant"),
            );
        }
        plan.push(
            FieldOwner::Constant(c.value.value),
            bits,
            false,
            c.at,
            "a constant".to_owned(),
        );
    }
    for r in &area.reserved {
        let subject = format!("area {} reserved", area.name.value);
        // Pieces of a reserved part need not make one code, so each is a field of its own.
        for piece in &r.pieces {
            let bits = assemble(std::slice::from_ref(piece), words, &subject, log);
            plan.push(
                FieldOwner::Reserved,
                bits,
                false,
                piece.at,
                "a reserved part".to_owned(),
            );
        }
        for slots in &r.slots {
            for unit in slots.value.0..=slots.value.1 {
                if plan.bits.len() > MAX_ENTRY_BITS {
                    break;
                }
                let bits = (0..words.word).map(|b| (unit, b)).collect();
                plan.push(
                    FieldOwner::Reserved,
                    bits,
                    false,
                    slots.at,
                    "a reserved part".to_owned(),
                );
            }
        }
    }
    if plan.bits.len() > MAX_ENTRY_BITS {
        log.push(Problem::new(
            &TOO_LARGE,
            area.at,
            format!("area {}", area.name.value),
            format!("an entry has more than {MAX_ENTRY_BITS} bits"),
        ));
        return Plan::default();
    }
    overlaps(&mut plan, area, log);
    plan
}

impl Plan {
    fn push(
        &mut self,
        owner: FieldOwner,
        bits: Vec<(u32, u32)>,
        inverted: bool,
        at: At,
        name: String,
    ) {
        let field = u32::try_from(self.fields.len()).unwrap_or(u32::MAX);
        if self.bits.len() <= MAX_ENTRY_BITS {
            self.bits.extend(&bits);
            self.inverted.extend(bits.iter().map(|_| inverted));
            self.owns.extend(bits.iter().map(|_| true));
            self.field_of.extend(bits.iter().map(|_| field));
        }
        self.fields.push(Planned {
            owner,
            bits,
            inverted,
            at,
            name,
        });
    }
}

/// Every bit has one owner, unless one is an alias of the other or a selector keeps them apart.
fn overlaps(plan: &mut Plan, area: &Area, log: &mut Log) {
    let conditions = conditions(area);
    // An alias of a key that does not exist is reported where keys are looked up.
    let keys: HashSet<&str> = area
        .parameters
        .iter()
        .map(|p| p.key.value.as_str())
        .collect();
    let alias_target = |field: usize| -> Option<&Placed<String>> {
        match plan.fields[field].owner {
            FieldOwner::Parameter(p) => area.parameters[p].alias_of.as_ref(),
            _ => None,
        }
    };
    let mut owners: HashMap<(u32, u32), Vec<usize>> = HashMap::with_capacity(plan.bits.len());
    let mut reported: HashMap<(usize, usize), ()> = HashMap::new();
    let mut owns = std::mem::take(&mut plan.owns);
    let mut found = Vec::new();
    // Aliases come last, so that the bits they show are known.
    for pass in [false, true] {
        let mut index = 0;
        for (f, field) in plan.fields.iter().enumerate() {
            let target = alias_target(f);
            let dangling = target.is_some_and(|t| !keys.contains(t.value.as_str()));
            if target.is_some() != pass || dangling {
                index += field.bits.len();
                continue;
            }
            for bit in &field.bits {
                let there = owners.entry(*bit).or_default();
                if let Some(own) = owns.get_mut(index) {
                    *own = there.is_empty();
                }
                index += 1;
                if let Some(target) = target {
                    let shows = there.iter().any(|o| {
                        matches!(plan.fields[*o].owner, FieldOwner::Parameter(p)
                            if area.parameters[p].key.value == target.value)
                    });
                    if !shows && reported.insert((f, f), ()).is_none() {
                        log.push(
                            Problem::new(
                                &ALIAS,
                                field.at,
                                format!("{} {}", area.name.value, field.name),
                                format!("slot {} bit {} is no bit of {}", bit.0, bit.1, target.value),
                            )
                            .also(target.at, "said to be an alias here")
                            .repair("an alias shows only bits of the parameter it names, which is not itself an alias; drop `alias_of` or correct `bits`"),
                        );
                    }
                    continue;
                }
                for &other in there.iter() {
                    if exclusive(&plan.fields[other], field, &conditions)
                        || reported.insert((other, f), ()).is_some()
                    {
                        continue;
                    }
                    let first = &plan.fields[other];
                    let problem = Problem::new(
                            &OVERLAP,
                            field.at,
                            format!("{} {}", area.name.value, field.name),
                            format!(
                                "{} and {} both own slot {} bit {}",
                                first.name, field.name, bit.0, bit.1
                            ),
                        )
                        .label(format!("{} here", field.name))
                        .also(first.at, format!("{} here", first.name))
                        .repair("correct the bits of one; or say `alias_of` where both show the same, or give both a `when` with different values of one selector");
                    found.push((problem, *bit));
                }
                there.push(f);
            }
        }
    }
    plan.owns = owns;
    plan.overlaps = found;
}

/// For each parameter the selectors it depends on, directly or through its selector, with the values as written.
fn conditions(area: &Area) -> Vec<Vec<(String, Vec<String>)>> {
    let by_key: HashMap<&str, &doc::Parameter> = area
        .parameters
        .iter()
        .map(|p| (p.key.value.as_str(), p))
        .collect();
    area.parameters
        .iter()
        .map(|p| {
            let mut out: Vec<(String, Vec<String>)> = Vec::new();
            let mut current = Some(p);
            while let Some(when) = current.and_then(|p| p.when.as_ref()) {
                if out.len() == 16 || out.iter().any(|(k, _)| *k == when.key.value) {
                    break;
                }
                let selector = by_key.get(when.key.value.as_str()).copied();
                let is = when
                    .is
                    .iter()
                    .map(|v| {
                        super::parameters::selector_number(selector, &v.value)
                            .map_or_else(|| v.value.clone(), |n| n.to_string())
                    })
                    .collect();
                out.push((when.key.value.clone(), is));
                current = selector;
            }
            out
        })
        .collect()
}

fn exclusive(a: &Planned, b: &Planned, conditions: &[Vec<(String, Vec<String>)>]) -> bool {
    let (FieldOwner::Parameter(a), FieldOwner::Parameter(b)) = (a.owner, b.owner) else {
        return false;
    };
    conditions[a].iter().any(|(key, is)| {
        conditions[b]
            .iter()
            .any(|(k, other)| k == key && is.iter().all(|v| !other.contains(v)))
    })
}
