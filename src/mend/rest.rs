//! Damaged bits that belong to no parameter: checks, constants, copies, reserved bits, and what the layout gives to
//! nothing. They are as much of the memory as the others, and are proposed or itemised like them.

use std::collections::HashMap;

use super::checked::{check_label, raw};
use super::damage::lines;
use super::gather::Bench;
use super::rivals::{Another, mixed_bit};
use super::sources::Source;
use super::witness::Witness;
use super::{BitsProposal, Loss, MendPlan, cells};
use crate::codec::Memory;
use crate::examine::Kind;
use crate::layout::model::{Area, BitPlace, CheckInstance, FieldOwner, Policy};

/// Experience of agreement before anything is compared: agreements, and comparisons. Below 99 % by itself.
pub(super) const EXPECTED: (f64, f64) = (39.6, 41.0);

type Key = (u16, u32, u8);

fn key(p: &BitPlace) -> Key {
    (p.chip, p.cell, p.line)
}

/// Whose a bit is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Owner {
    /// A parameter's, or one that follows what is mended.
    Elsewhere,
    /// Always this, as it lies in the chip.
    Constant {
        area: usize,
        entry: usize,
        bit: bool,
    },
    /// A stored check's: area, check, instance.
    Check(usize, usize, usize),
    /// A mirrored copy's of the original at this place: area, copy.
    Copy {
        area: usize,
        copy: usize,
        entry: usize,
        original: BitPlace,
        inverted: bool,
    },
    /// Meaning nothing known, in an entry.
    Reserved { area: usize, entry: usize },
    /// In no area.
    Nobody,
}

/// Kinds of bits that are compared with each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Class {
    Reserved(usize),
    Check(usize),
    Nobody,
}

/// One damaged bit with what is known of it.
#[derive(Clone, Debug, PartialEq)]
struct Bit {
    place: BitPlace,
    area: String,
    entry: String,
    what: String,
    value: Option<(bool, f64, String)>,
}

impl Bench<'_> {
    /// Proposals and losses for damaged bits outside of parameters, by the chance of the cause named and by the others. Returns what is firm with what is proposed.
    pub(super) fn tell_rest(&self, rivals: (f64, &[Another]), plan: &mut MendPlan) -> Memory {
        let owners = self.owners();
        let mut rates = HashMap::new();
        let bits: Vec<Bit> = self
            .damaged
            .bits()
            .filter_map(|p| {
                let owner = owners.get(&key(&p)).copied().unwrap_or(Owner::Nobody);
                let mut bit = self.rest_bit(p, owner, &mut rates)?;
                bit.value = bit.value.and_then(|(value, chance, why)| {
                    let chance = mixed_bit((p, value, chance), rivals);
                    (chance > 0.5).then_some((value, chance, why))
                });
                Some(bit)
            })
            .collect();
        let mut memory = self.firm.clone();
        for bit in &bits {
            if let Some((value, _, _)) = bit.value {
                memory.set_bit(bit.place, value);
            }
        }
        for run in runs(&bits) {
            self.tell_run(&run, plan);
        }
        memory
    }

    fn owners(&self) -> HashMap<Key, Owner> {
        let mut out = HashMap::new();
        let layout = self.content.layout;
        let mut own = |p: &BitPlace, owner: Owner| {
            if self.damaged.has(p) {
                out.entry(key(p)).or_insert(owner);
            }
        };
        for (a, area) in layout.areas.iter().enumerate() {
            let shape = &self.content.shape.areas[a];
            for (f, field) in shape.fields.iter().enumerate() {
                for entry in 0..shape.entries {
                    for (k, p) in area.field_places(entry, f).iter().enumerate() {
                        own(
                            p,
                            match (field.kind, &area.fields[f].owner) {
                                (Kind::Value(_), _) | (_, FieldOwner::Parameter(_)) => {
                                    Owner::Elsewhere
                                }
                                (Kind::Constant(code), _) => Owner::Constant {
                                    area: a,
                                    entry,
                                    bit: (code >> k & 1 == 1) != p.inverted,
                                },
                                (_, FieldOwner::Check(_)) => continue,
                                _ => Owner::Reserved { area: a, entry },
                            },
                        );
                    }
                }
            }
            for (c, check) in area.checks.iter().enumerate() {
                for (i, instance) in check.instances.iter().enumerate() {
                    for p in &instance.stored {
                        let follows = self.follows(check, instance);
                        own(
                            p,
                            if follows {
                                Owner::Elsewhere
                            } else {
                                Owner::Check(a, c, i)
                            },
                        );
                    }
                }
            }
            for (c, copy) in area.copies.iter().enumerate() {
                for (at, (original, p)) in area.places.iter().zip(&copy.places).enumerate() {
                    let follows = copy.policy == Policy::Update && self.damaged.has(original);
                    own(
                        p,
                        match follows {
                            true => Owner::Elsewhere,
                            false => Owner::Copy {
                                area: a,
                                copy: c,
                                entry: at / area.bits_per_entry.max(1),
                                original: *original,
                                inverted: p.inverted,
                            },
                        },
                    );
                }
            }
        }
        out
    }

    fn rest_bit(
        &self,
        place: BitPlace,
        owner: Owner,
        rates: &mut HashMap<(usize, Class), f64>,
    ) -> Option<Bit> {
        let layout = self.content.layout;
        let area = |a: usize| -> &Area { &layout.areas[a] };
        let bit = |area: &str, entry: String, what: String, value| Bit {
            place,
            area: area.to_owned(),
            entry,
            what,
            value,
        };
        Some(match owner {
            Owner::Elsewhere => return None,
            Owner::Constant {
                area: a,
                entry,
                bit: value,
            } => {
                let why = "the layout has it always so".to_owned();
                let value = Some((value, 0.9999, why));
                bit(
                    &area(a).name,
                    area(a).entry_label(entry),
                    "constant".to_owned(),
                    value,
                )
            }
            Owner::Check(a, c, i) => {
                let check = &area(a).checks[c];
                let instance: &CheckInstance = &check.instances[i];
                let (what, entry) = check_label(area(a), check, instance);
                let value = match (check.policy, self.must_be(check, instance)) {
                    (Policy::Update, Some((code, chance))) => {
                        let why = "what it covers is sound and asks for it".to_owned();
                        raw(&instance.stored, code, &place).map(|v| (v, chance, why))
                    }
                    _ => self.held(
                        place,
                        Class::Check(a),
                        instance.entry.map(|e| (a, e)),
                        rates,
                    ),
                };
                bit(&area(a).name, entry, what, value)
            }
            Owner::Copy {
                area: a,
                copy,
                entry,
                original,
                inverted,
            } => {
                let what = format!("copy {:?}", area(a).copies[copy].name);
                let why = "the original holds it".to_owned();
                let value = self.firm.bit(original).map(|v| v != inverted);
                let value = value.map(|v| self.copied(a, (place, v), why));
                bit(&area(a).name, area(a).entry_label(entry), what, value)
            }
            Owner::Reserved { area: a, entry } => {
                let value = self.held(place, Class::Reserved(a), Some((a, entry)), rates);
                bit(
                    &area(a).name,
                    area(a).entry_label(entry),
                    "reserved bits".to_owned(),
                    value,
                )
            }
            Owner::Nobody => {
                let value = self.held(place, Class::Nobody, None, rates);
                let what = "bits that the layout gives to nothing".to_owned();
                bit("-", String::new(), what, value)
            }
        })
    }

    /// What another reading of the same instrument holds in a bit, and the chance that it still is so.
    fn held(
        &self,
        place: BitPlace,
        class: Class,
        entry: Option<(usize, usize)>,
        rates: &mut HashMap<(usize, Class), f64>,
    ) -> Option<(bool, f64, String)> {
        let of = |w: Witness| {
            let known = |(_, s): &(usize, &Source)| s.witness == w && s.memory.bit(place).is_some();
            self.sources.iter().enumerate().find(known)
        };
        let (at, source) = of(Witness::Earlier).or_else(|| of(Witness::Read))?;
        let value = source.memory.bit(place)?;
        let rate = *rates
            .entry((at, class))
            .or_insert_with(|| self.rate(source, class));
        let still = self.not_changed(place, rate);
        let chance = match entry {
            Some((a, e)) => {
                let same = |f| Some(source.codes.areas[a].get(e, f));
                let here = self.here(a, e, source.reliable[a], same);
                here * still + (1.0 - here) * 0.5
            }
            None => still,
        };
        (chance > 0.5).then(|| (value, chance, source.who.clone()))
    }

    /// What a bit of a copy of area `a` is by its original, and the chance of it: where an earlier reading held it so too, both
    /// would have to be wrong.
    fn copied(&self, a: usize, (place, bit): (BitPlace, bool), why: String) -> (bool, f64, String) {
        let earlier = self.sources.iter().find(|s| s.witness == Witness::Earlier);
        let same = earlier.filter(|s| s.memory.bit(place) == Some(bit));
        match same {
            Some(s) => {
                let (right, wrong) = (
                    self.copies * s.reliable[a],
                    (1.0 - self.copies) * (1.0 - s.reliable[a]),
                );
                let chance = self.not_changed(place, right / (right + wrong));
                (bit, chance, format!("{why}, and {}", s.who))
            }
            None => (bit, self.not_changed(place, self.copies), why),
        }
    }

    /// The chance that a bit is as it was: so many agree, and where one looks flipped it did or was changed on purpose.
    fn not_changed(&self, place: BitPlace, rate: f64) -> f64 {
        if !self.edits_are_told || self.undone.bit(place).is_none() {
            return rate;
        }
        let (turned, changed) = (rate * self.turned, (1.0 - rate) * (1.0 - self.turned));
        turned / (turned + changed)
    }

    /// How often a source holds what is read, over the sound bits of a class.
    fn rate(&self, source: &Source, class: Class) -> f64 {
        let layout = self.content.layout;
        let (mut same, mut n) = EXPECTED;
        let mut compare = |p: BitPlace| {
            if let (Some(x), Some(y)) = (self.firm.bit(p), source.memory.bit(p)) {
                n += 1.0;
                same += f64::from(u8::from(x == y));
            }
        };
        match class {
            Class::Nobody => {
                for (chip, cells) in self.content.shape.unclaimed.iter().enumerate() {
                    for (cell, mask) in cells.iter().enumerate() {
                        for line in lines(*mask) {
                            compare(BitPlace {
                                chip: chip as u16,
                                cell: cell as u32,
                                line,
                                inverted: false,
                            });
                        }
                    }
                }
            }
            Class::Reserved(a) => {
                let area = &layout.areas[a];
                let reserved = |f: &usize| area.fields[*f].owner == FieldOwner::Reserved;
                for f in (0..area.fields.len()).filter(reserved) {
                    for e in 0..area.entries() {
                        area.field_places(e, f)
                            .iter()
                            .copied()
                            .for_each(&mut compare);
                    }
                }
            }
            Class::Check(a) => {
                for check in &layout.areas[a].checks {
                    let stored = check.instances.iter().flat_map(|i| &i.stored);
                    stored.copied().for_each(&mut compare);
                }
            }
        }
        same / n
    }

    /// Cells with alike bits, as one proposal or loss.
    fn tell_run(&self, run: &[&[Bit]], plan: &mut MendPlan) {
        let (Some(first), Some(last)) = (run.first().and_then(|c| c.first()), run.last()) else {
            return;
        };
        let last = last[0].place.cell;
        let mask = run[0].iter().fold(0u8, |m, b| m | 1 << b.place.line);
        let chip = &self.content.layout.chips[usize::from(first.place.chip)].id;
        let Some((_, chance, why)) = &first.value else {
            let bits: usize = run.iter().map(|c| c.len()).sum();
            let cells = cells(first.place.cell, last);
            plan.losses.push(Loss {
                area: first.area.clone(),
                entry: if first.entry.is_empty() {
                    format!("chip {chip}")
                } else {
                    first.entry.clone()
                },
                parameter: first.what.clone(),
                lost: match bits {
                    1 => format!("1 bit in {chip} {cells}"),
                    n => format!("{n} bits in {chip} {cells}"),
                },
            });
            return;
        };
        let bytes = |of: &dyn Fn(&Bit) -> Option<bool>| -> String {
            let cells: Vec<String> = run
                .iter()
                .map(|cell| {
                    let bits: Option<u8> = cell
                        .iter()
                        .try_fold(0, |v, b| Some(v | u8::from(of(b)?) << b.place.line));
                    bits.map_or("??".to_owned(), |v| format!("{v:02x}"))
                })
                .collect();
            cells.join(" ")
        };
        let value = bytes(&|b| b.value.as_ref().map(|v| v.0));
        let one = chance.powi(mask.count_ones() as i32);
        plan.bits.push(BitsProposal {
            accept: false,
            what: match (first.area.as_str(), first.entry.as_str()) {
                ("-", _) => first.what.clone(),
                (area, entry) => format!("{area}, {entry}: {}", first.what),
            },
            chip: chip.clone(),
            first: first.place.cell,
            last,
            lines: lines(mask),
            now: bytes(&|b| self.read.bit(b.place)),
            proposed: value.clone(),
            value,
            probability: ((one * 1e4).round() / 1e4).min(0.9999),
            evidence: vec![why.clone()],
        });
    }
}

/// Bits by cell, and neighbouring cells that are alike in all but the values together.
fn runs(bits: &[Bit]) -> Vec<Vec<&[Bit]>> {
    let alike = |a: &Bit, b: &Bit| {
        let of = |b: &Bit| b.value.as_ref().map(|v| (v.1, v.2.clone()));
        (&a.area, &a.entry, &a.what, of(a)) == (&b.area, &b.entry, &b.what, of(b))
            && a.place.chip == b.place.chip
    };
    let cells: Vec<&[Bit]> = bits
        .chunk_by(|a, b| a.place.cell == b.place.cell && alike(a, b))
        .collect();
    let mask = |c: &[Bit]| c.iter().fold(0u8, |m, b| m | 1 << b.place.line);
    cells
        .chunk_by(|a, b| {
            alike(&a[0], &b[0]) && mask(a) == mask(b) && a[0].place.cell + 1 == b[0].place.cell
        })
        .map(<[&[Bit]]>::to_vec)
        .collect()
}
