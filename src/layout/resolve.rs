//! From the layout as written to the checked form: every code bit gets its place.

use std::collections::BTreeMap;

use super::bind::Names;

use super::document::{self as doc, Document, MAX_LIST};
use super::model::{self, Area, BitPlace, MirrorCopy, Source};
use super::plan::{self, Plan};
use super::problem::{At, CONTENTION, COPY, LOST, Log, NO_HOME, OUTSIDE, Problem, Rule, TOO_LARGE};
use super::wiring::{Miss, Wiring, Words};

/// Most code bits a layout may place: a megabyte of memory.
pub(super) const MAX_PLACES: usize = 1 << 23;

/// What later rules need to know of an area's fields as written.
#[derive(Debug, Default)]
pub(super) struct Fields {
    /// For each bit of an entry, false where it is a second view of a bit that another field owns.
    pub(super) owns: Vec<bool>,
    /// Where each field is written.
    pub(super) at: Vec<At>,
}

impl From<Plan> for Fields {
    fn from(plan: Plan) -> Self {
        Self {
            at: plan.fields.iter().map(|f| f.at).collect(),
            owns: plan.owns,
        }
    }
}

/// Resolves a document; where problems stop it, what is returned is not fit for use.
pub(super) fn resolve(
    document: &Document,
    source: Source,
    log: &mut Log,
) -> (model::Layout, Vec<Fields>) {
    let mut axes: Vec<&str> = Vec::new();
    for axis in document.areas.iter().flat_map(|a| &a.axes) {
        if !axes.contains(&axis.name.as_str()) && axes.len() < MAX_LIST {
            axes.push(&axis.name);
        }
    }
    let mut names = Names {
        chips: &document.chips,
        broken: Vec::with_capacity(document.chips.len()),
        axes,
        areas: document
            .areas
            .iter()
            .map(|a| a.name.value.as_str())
            .collect(),
    };
    let chip_bits: u64 = document
        .chips
        .iter()
        .map(|c| u64::from(c.model.words) * u64::from(c.model.width))
        .sum();
    let mut layout = model::Layout {
        id: document.id.clone(),
        name: document.name.clone(),
        revision: document.revision.clone(),
        notes: document.notes.clone(),
        chips: document.chips.iter().map(|c| c.model.clone()).collect(),
        areas: Vec::with_capacity(document.areas.len()),
        absent: Vec::new(),
        hand_set: Vec::new(),
        bench: document.bench.clone(),
        source,
    };
    if chip_bits > MAX_PLACES as u64 {
        let at = document.chips.first().map_or(At::default(), |c| c.at);
        log.push(Problem::new(
            &TOO_LARGE,
            at,
            "layout",
            format!("the chips have {chip_bits} bits together; this program holds layouts of up to {MAX_PLACES}"),
        ));
        return (layout, Vec::new());
    }
    for chip in &document.chips {
        let before = log.errors();
        names.check_chip(chip, log);
        names.broken.push(log.errors() > before);
    }
    layout.absent = super::absent::absent(document, &names, log);
    let mut room = MAX_PLACES;
    let mut fields = Vec::with_capacity(document.areas.len());
    for area in &document.areas {
        let (resolved, written) = resolve_area(area, &names, &mut room, log);
        layout.areas.push(resolved);
        fields.push(written);
    }
    layout.hand_set = super::absent::hand_set(document, &layout.areas, log);
    (layout, fields)
}

/// Resolves one area, taking its places from `room`; also which of an entry's bits own their place.
fn resolve_area(
    area: &doc::Area,
    names: &Names<'_>,
    room: &mut usize,
    log: &mut Log,
) -> (Area, Fields) {
    let subject = format!("area {}", area.name.value);
    let before = log.errors();
    let chips = names.chips_of(area, log);
    let words = names.words(area, &chips, log);
    let mut sound = log.errors() == before && !names.any_broken(&chips);
    let mut plan = plan::plan(area, &words, log);
    let mut out = Area {
        name: area.name.value.clone(),
        axes: area
            .axes
            .iter()
            .map(|x| model::Axis {
                name: x.name.clone(),
                labels: x.labels.clone(),
            })
            .collect(),
        fields: plan.model_fields(),
        bits_per_entry: plan.bits.len(),
        places: Vec::new(),
        parameters: super::parameters::parameters(area, &plan, log),
        checks: Vec::new(),
        copies: Vec::new(),
    };
    let entries: u64 = area
        .axes
        .iter()
        .fold(1u64, |n, x| n.saturating_mul(x.labels.len() as u64));
    let owned = plan.owns.iter().filter(|o| **o).count() as u64;
    let chip_bits: u64 = chips
        .iter()
        .map(|&i| u64::from(names.chips[i].model.words) * u64::from(names.chips[i].model.width))
        .sum();
    if chips.is_empty() {
        if log.errors() == before && !names.chips.is_empty() {
            log.push(
                Problem::new(
                    &NO_HOME,
                    area.at,
                    subject,
                    format!("no chip holds the area {}", area.name.value),
                )
                .repair("name its chips with `chips`, or list it in the `holds` of one"),
            );
        }
        return (out, plan.into());
    }
    let all = entries.saturating_mul(plan.bits.len() as u64);
    let too_many = entries > *room as u64 || entries.saturating_mul(owned) > chip_bits;
    if too_many || all.saturating_mul(1 + area.copies.len() as u64) > *room as u64 {
        log.push(
            Problem::new(
                &TOO_LARGE,
                area.at,
                subject,
                match entries.checked_mul(owned) {
                    Some(bits) if too_many && bits < 1 << 40 => {
                        format!("{entries} entries of {owned} bits are {bits} bits, and the area's chips have {chip_bits}")
                    }
                    _ => "the axes make more entries than any memory of this kind holds".to_owned(),
                },
            )
            .repair("correct the counts of the axes, or name more chips"),
        );
        return (out, plan.into());
    }
    *room -= usize::try_from(all).unwrap_or(0) * (1 + area.copies.len());
    let before = log.errors();
    let bound = names.bind(area, &chips, &words, log);
    sound &= log.errors() == before;
    let wiring = Wiring {
        words,
        base: area.base,
        axes: area.axes.iter().map(|x| (x.base, x.stride)).collect(),
        chips: bound,
    };
    overlaps(&mut plan, &wiring, area, sound.then_some(names), log);
    if !sound {
        // Every place would be wrong for the one reason already given.
        out.checks = super::checks::checks(area, &out, &plan, &wiring, false, room, log);
        return (out, plan.into());
    }
    let mut misses = Misses::default();
    out.places = places(&out, &plan, &wiring, false, &mut misses);
    report(&misses, area, None, &plan, names, log);
    out.checks = super::checks::checks(area, &out, &plan, &wiring, true, room, log);
    for copy in &area.copies {
        let copied = resolve_copy(copy, area, &out, &plan, &wiring, names, log);
        out.copies.push(copied);
    }
    (out, plan.into())
}

/// Reports bits with two owners inside an entry, with the place of each in the first entry.
fn overlaps(
    plan: &mut Plan,
    wiring: &Wiring,
    area: &doc::Area,
    names: Option<&Names<'_>>,
    log: &mut Log,
) {
    let mut first = wiring.entry(&vec![0; area.axes.len()]);
    for (problem, (unit, bit)) in std::mem::take(&mut plan.overlaps) {
        let place = names.and_then(|names| {
            let place = first.place(unit, bit).ok()?;
            let id = &names.chips.get(usize::from(place.chip))?.model.id;
            Some(format!("{id}:{:#05x}:{}", place.cell, place.line))
        });
        log.push(match place {
            Some(bit) => problem.bit(bit),
            None => problem,
        });
    }
}

fn resolve_copy(
    copy: &doc::Copy,
    area: &doc::Area,
    out: &Area,
    plan: &Plan,
    wiring: &Wiring,
    names: &Names<'_>,
    log: &mut Log,
) -> MirrorCopy {
    let subject = format!("{} copy {}", area.name.value, copy.name);
    if copy.base.is_none() && copy.chips.is_none() {
        log.push(
            Problem::new(
                &COPY,
                copy.at,
                subject.clone(),
                "a copy says where it lives",
            )
            .repair("give the address of its first slot with `at`, or its chips with `chips`"),
        );
    }
    let mut own = wiring.clone();
    own.base = copy.base.unwrap_or(wiring.base);
    let mut sound = true;
    if let Some(chips) = &copy.chips {
        let known: Vec<usize> = chips
            .iter()
            .filter_map(|name| names.chip(name, &subject, log))
            .collect();
        sound = known.len() == chips.len() && !names.any_broken(&known);
        let chips = known;
        let words: Words = wiring.words;
        own.chips = names.bind(area, &chips, &words, log);
    }
    let mut misses = Misses::default();
    let places = places(out, plan, &own, copy.inverted, &mut misses);
    if sound {
        report(&misses, area, Some(copy), plan, names, log);
    }
    MirrorCopy {
        name: copy.name.clone(),
        places,
        policy: copy.policy,
    }
}

/// Bits without a place, counted by cause, each with an example: entry, code bit.
type Misses = BTreeMap<Miss, (usize, usize, usize)>;

fn places(
    area: &Area,
    plan: &Plan,
    wiring: &Wiring,
    invert: bool,
    misses: &mut Misses,
) -> Vec<BitPlace> {
    let entries = area.entries();
    let mut out = Vec::with_capacity(entries * plan.bits.len());
    let mut indices = vec![0usize; area.axes.len()];
    let bits: Vec<(u32, u32, u32, bool)> = plan
        .bits
        .iter()
        .zip(&plan.inverted)
        .map(|(&(unit, bit), &inverted)| {
            let (step, line) = wiring.words.step(bit);
            (unit, step, line, inverted)
        })
        .collect();
    for entry in 0..entries {
        let mut here = wiring.entry(&indices);
        for (i, &(unit, step, line, inverted)) in bits.iter().enumerate() {
            let place = match here.at(unit, step, line) {
                Ok(mut place) => {
                    place.inverted ^= inverted ^ invert;
                    place
                }
                Err(miss) => {
                    misses.entry(miss).or_insert((0, entry, i)).0 += 1;
                    BitPlace {
                        chip: 0,
                        cell: 0,
                        line: 0,
                        inverted: false,
                    }
                }
            };
            out.push(place);
        }
        for (index, axis) in indices.iter_mut().zip(&area.axes).rev() {
            *index += 1;
            if *index < axis.count() {
                break;
            }
            *index = 0;
        }
    }
    out
}

fn report(
    misses: &Misses,
    area: &doc::Area,
    copy: Option<&doc::Copy>,
    plan: &Plan,
    names: &Names<'_>,
    log: &mut Log,
) {
    for (miss, &(count, entry, index)) in misses {
        let (unit, bit) = plan.bits.get(index).copied().unwrap_or((0, 0));
        let field = plan
            .field_of
            .get(index)
            .and_then(|f| plan.fields.get(*f as usize));
        let (name, at) = field.map_or(("a bit", area.at), |f| (f.name.as_str(), f.at));
        let what = format!(
            "{}{} ({}slot {unit} bit {bit})",
            copy.map_or_else(String::new, |c| format!("copy {}: ", c.name)),
            name,
            entry_words(area, entry),
        );
        let also = match count {
            1 => String::new(),
            n => format!("; so have {} other bits", n - 1),
        };
        let mut problem = explain(*miss, &what, &also, area, names);
        problem.at = if problem.at == At::default() {
            at
        } else {
            problem.at
        };
        if problem.at != at {
            problem = problem.also(at, format!("{name} here"));
        }
        if let Some(copy) = copy {
            problem = problem.also(copy.at, "in this copy");
        }
        log.push(problem);
    }
}

/// "preset 12, voice 3, " or nothing where the area has no axes.
fn entry_words(area: &doc::Area, entry: usize) -> String {
    let mut rest = entry;
    let mut parts = Vec::new();
    for axis in area.axes.iter().rev() {
        let n = axis.labels.len().max(1);
        parts.push(format!("{} {}, ", axis.name, axis.labels[rest % n]));
        rest /= n;
    }
    parts.reverse();
    parts.concat()
}

fn explain(miss: Miss, what: &str, also: &str, area: &doc::Area, names: &Names<'_>) -> Problem {
    let subject = format!("area {}", area.name.value);
    let chip = |i: u16| &names.chips[usize::from(i)];
    let new =
        |rule: &'static Rule, at: At, says: String| Problem::new(rule, at, subject.clone(), says);
    match miss {
        Miss::NoHome => new(&NO_HOME, At::default(), format!("no chip answers for {what}{also}"))
            .repair("see that some chip of the area holds this entry, is enabled there, and carries this line of the bus in `data`"),
        Miss::Contention(a, b) => {
            let (a, b) = (chip(a), chip(b));
            new(&CONTENTION, a.at, format!("{} and {} both answer for {what}{also}", a.model.id, b.model.id))
                .label("this chip")
                .also(b.at, "and this chip")
                .repair("split them with `holds` or `enable`, let them carry different lines with `data`, or name the area's `chips`")
        }
        Miss::Outside(c) => {
            let c = chip(c);
            let (low, high) = c.used.as_ref().map_or((0, c.model.words - 1), |u| u.value);
            new(&OUTSIDE, At::default(), format!("{what} lies outside {}, whose cells are {low:#05x} to {high:#05x}{also}", c.model.id))
                .also(c.at, "the chip")
                .repair("correct the slot, `at`, the stride or count of an axis, or the chip's `words` or `used`")
        }
        Miss::Lost(c, counter) => {
            let c = chip(c);
            let name = match counter {
                0 => "the address a",
                1 => "step",
                2 => "slot",
                n => area.axes.get(n - 3).map_or("an axis", |x| x.name.as_str()),
            };
            new(&LOST, c.address_at, format!("for {what}, {name} has a bit set that reaches no pin of {}{also}", c.model.id))
                .repair("list the bit in `address` or `enable`, or correct what makes the counter that large")
        }
        Miss::Negative => new(&OUTSIDE, At::default(), format!("the address of {what} is not a number from 0 on{also}"))
            .repair("correct `at` or the stride of an axis"),
    }
}
