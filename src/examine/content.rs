//! How many bits it takes to tell a bank that is sound: the model of plausible contents under a layout.
//!
//! A sound bank keeps the layout's promises (legal codes, constants, checks, mirrored copies), its voices mostly
//! agree, presets are repeated or blank, unclaimed cells hold long runs, and each parameter has its habits. What
//! breaks with that is expensive to tell, and a fault that explains the breaks is cheaper.

use std::collections::HashMap;
use std::sync::Arc;

use super::alike::{Mode, Rows, digest, kinds, sources};
use super::field::{BROKEN, FieldModel, Terms, estimated};
use super::shape::{BLOCK, Kind, Shape, verified};
use crate::codec::{
    AreaCodes, CheckPlan, Codec, LEANINGS, Memory, Open, checks, leaning, low_mask,
};
use crate::evidence::{at_rate, marked, one_of};
use crate::layout::model::{Check, Layout};

/// The model, compiled for one layout.
pub(crate) struct Content<'a> {
    pub layout: &'a Layout,
    pub codec: Arc<Codec>,
    pub shape: Shape,
    /// Every check, by area.
    pub checks: Arc<Vec<Vec<CheckPlan>>>,
    /// Of how many presets and checks one is told.
    pub step: usize,
}

/// Whether neighbouring cells all hold this level on a line, as far as can be seen at a glance.
fn stands(block: &[u32], values: &[u8], known: Option<&[u8]>, line: u8, level: bool) -> bool {
    let (Some(first), Some(last)) = (block.first(), block.last()) else {
        return true;
    };
    let range = *first as usize..*last as usize + 1;
    if known.is_some() || range.len() != block.len() {
        return false;
    }
    let cells = &values[range];
    if level {
        cells.iter().fold(0xff, |all, v| all & v) & line != 0
    } else {
        cells.iter().fold(0, |any, v| any | v) & line == 0
    }
}

/// A bank told.
#[derive(Clone, Debug)]
pub(crate) struct Told {
    /// Bits altogether.
    pub bits: f64,
    /// Of those, bits spent on broken promises.
    pub surprise: f64,
    /// The models learned, by area and field.
    pub models: Vec<Vec<Option<FieldModel>>>,
    /// How each entry was told, by area.
    pub modes: Vec<Vec<Mode>>,
    /// For each entry the voice of its preset that the others are told by, by area.
    pub references: Vec<Vec<usize>>,
}

impl<'a> Content<'a> {
    pub(crate) fn new(layout: &'a Layout) -> Self {
        Self {
            layout,
            codec: Arc::new(Codec::new(layout)),
            shape: Shape::new(layout),
            checks: Arc::new(
                layout
                    .areas
                    .iter()
                    .map(|a| a.checks.iter().map(|c| CheckPlan::new(layout, c)).collect())
                    .collect(),
            ),
            step: 1,
        }
    }

    /// The model of one of so many presets, checks and unclaimed blocks: told at a glance, to rank what is then told in
    /// full.
    pub(crate) fn thinned(&self, step: usize) -> Self {
        Self {
            layout: self.layout,
            codec: Arc::clone(&self.codec),
            shape: self.shape.thinned(step),
            checks: Arc::clone(&self.checks),
            step,
        }
    }

    /// Tells a whole bank. Unknown bits cost nothing, but what a mirrored copy still holds is told as what it is a
    /// copy of: losing one of two equal copies must not pay.
    pub(crate) fn tell(&self, memory: &Memory) -> Told {
        self.tell_within(memory, Terms::SOUND, f64::INFINITY)
    }

    /// As [`Content::tell`], on the terms given; broken off once it takes more bits than the limit: what is told then
    /// is too little, but more than the limit.
    pub(crate) fn tell_within(&self, memory: &Memory, terms: Terms, limit: f64) -> Told {
        self.tell_judged(memory, memory, terms, limit)
    }

    /// As [`Content::tell_within`], where of the contents only a part is sure: checks are judged by that.
    pub(crate) fn tell_judged(
        &self,
        memory: &Memory,
        sure: &Memory,
        terms: Terms,
        limit: f64,
    ) -> Told {
        let judged = self.completed(sure);
        let mut told = Told {
            bits: 0.0,
            surprise: 0.0,
            models: Vec::new(),
            modes: Vec::new(),
            references: Vec::new(),
        };
        let promises = self.promises(&judged, terms);
        told.surprise += promises.0;
        told.bits += promises.0 + promises.1;
        if told.bits > limit {
            return told;
        }
        let memory = self.completed(memory);
        let areas = || {
            let codes = self.codec.decode(&memory);
            for (a, codes) in codes.areas.iter().enumerate() {
                if told.bits > limit {
                    return told;
                }
                self.tell_area((a, codes), terms, limit, &mut told);
            }
            told
        };
        let (mut told, spare) = rayon::join(areas, || self.spare(&memory, terms));
        told.bits += spare;
        told
    }

    fn tell_area(
        &self,
        (a, codes): (usize, &AreaCodes),
        terms: Terms,
        limit: f64,
        told: &mut Told,
    ) {
        let shape = &self.shape.areas[a];
        let mut modes = vec![Mode::Own; shape.entries];
        let (mut compared, mut differing) = (0u64, 0u64);
        // Entries by a digest of their values; equality is checked.
        let mut seen: HashMap<u64, usize> = HashMap::new();
        let mut distinct: Vec<usize> = Vec::new();
        // How entries are told, model voices and the others counted apart.
        let mut counts = [[0u64; 4]; 2];
        // Values told on their own: (field, code, known).
        let mut own: Vec<Vec<(u64, u64)>> = (0..shape.fields.len())
            .map(|_| Vec::with_capacity(shape.entries))
            .collect();
        let rows = Rows::new(shape, codes);
        let (order, references, mut naming) = self.model_voices(a, &rows);
        let tail = if self.step == 1 {
            self.tail(a, codes)
        } else {
            None
        };
        told.bits += 1.0 + tail.map_or(0.0, |_| one_of(shape.entries));
        for e in order {
            let key = rows.of(e);
            let digest = digest(key);
            if key.iter().all(|(_, known)| *known == 0) {
                continue;
            }
            if tail.is_some_and(|t| shape.first_voice[e] > t) {
                continue;
            }
            let blank = shape.blank(key);
            let first = references[e];
            let (same, differ) = if first == e {
                (0, 0)
            } else {
                rows.likeness(e, first)
            };
            modes[e] = if blank {
                Mode::Blank
            } else if differ * 3 <= same && same > 0 {
                compared += same + differ;
                differing += differ;
                told.bits += std::mem::take(&mut naming[first]);
                Mode::Voice
            } else if let Some(earlier) = seen.get(&digest)
                && rows.of(*earlier) == key
            {
                Mode::Repeat(*earlier)
            } else if let Some(earlier) = self.covered(a, &rows, key, &distinct) {
                Mode::Repeat(earlier)
            } else {
                Mode::Own
            };
            if !matches!(modes[e], Mode::Repeat(_)) {
                distinct.push(e);
            }
            let counts = &mut counts[usize::from(first != e)];
            match modes[e] {
                Mode::Own => {
                    counts[0] += 1;
                    for (f, v) in shape.values.iter().zip(key) {
                        own[*f].push(*v);
                    }
                }
                Mode::Voice => {
                    counts[1] += 1;
                    let model = rows.of(first);
                    for ((f, (code, known)), (c, k)) in shape.values.iter().zip(key).zip(model) {
                        if (code ^ c) & known & k != 0 {
                            own[*f].push((*code, *known));
                        } else if *known & !k != 0 {
                            own[*f].push((code & !k, known & !k));
                        }
                    }
                }
                Mode::Repeat(_) => counts[2] += 1,
                Mode::Blank => counts[3] += 1,
            }
            seen.entry(digest).or_insert(e);
        }
        for counts in &counts {
            told.bits += kinds(counts);
        }
        told.bits += sources(&modes);
        if let Some(t) = tail {
            let mode = match modes[t] {
                Mode::Blank => Mode::Blank,
                _ => Mode::Repeat(t),
            };
            let entries = (0..shape.entries).filter(|e| shape.first_voice[*e] > t);
            entries.for_each(|e| modes[e] = mode);
        }
        told.bits += if differing == 0 {
            1.0
        } else {
            1.0 + marked(compared, differing)
        };
        let models = shape
            .fields
            .iter()
            .enumerate()
            .map(|(f, field)| match field.kind {
                Kind::Value(_) => {
                    if told.bits > limit {
                        return None;
                    }
                    let field = field.with_still(terms.still);
                    let model = FieldModel::learn(&field, terms, own[f].iter().copied());
                    told.bits += model.total;
                    told.surprise += model.surprise(&field, terms, own[f].len() as u64);
                    Some(model)
                }
                Kind::Constant(value) => {
                    let all = (0..shape.entries).map(|e| codes.get(e, f));
                    let (mut n, mut k, mut judged, mut wrong) = (0, 0, 0, 0);
                    for (code, known) in all {
                        let off = (code ^ value) & known;
                        n += u64::from(known != 0);
                        k += u64::from(off != 0);
                        judged += u64::from(known.count_ones());
                        wrong += u64::from(off.count_ones());
                    }
                    let bits = terms.contradicted((n, k), (judged, wrong), 1);
                    told.bits += bits;
                    told.surprise += bits;
                    None
                }
                Kind::Reserved => {
                    let all = (0..shape.entries).map(|e| codes.get(e, f));
                    let model = FieldModel::learn(field, terms, all);
                    told.bits += model.total.min(model.stands(terms));
                    Some(model)
                }
                Kind::Skipped => None,
            })
            .collect();
        told.models.push(models);
        told.modes.push(modes);
        told.references.push(references);
    }

    /// Bits for failed checks and differing mirrored copies, and bits for checks that cannot be computed.
    pub(crate) fn promises(&self, memory: &Memory, terms: Terms) -> (f64, f64) {
        let (mut surprise, mut raw) = (0.0, 0.0);
        for (a, area) in self.layout.areas.iter().enumerate() {
            for (c, check) in self.verified(a) {
                let (mut n, mut k, mut rests_on) = (0, 0, 0);
                let mut open = [0.0; LEANINGS.len()];
                for (i, instance) in check.instances.iter().enumerate().step_by(self.step) {
                    rests_on = rests_on.max(instance.words.bits().len() + instance.stored.len());
                    match self.checks[a][c].verdict(i, memory) {
                        checks::Verdict::Holds => n += 1,
                        checks::Verdict::Fails { .. } => {
                            n += 1;
                            k += 1;
                            surprise += f64::from(check.width);
                        }
                        checks::Verdict::Undecided => match self.checks[a][c].open(i, memory) {
                            Open::Fits { bits, stored } => {
                                // Where it says nothing there is nothing to keep.
                                n += u64::from(bits[0] + 0.5 < f64::from(stored));
                                open.iter_mut().zip(bits).for_each(|(o, b)| *o += b);
                            }
                            Open::Broken(stored) => {
                                n += 1;
                                k += 1;
                                surprise += f64::from(stored);
                            }
                        },
                    }
                }
                raw += leaning(open);
                surprise += terms.failed(n, k, rests_on, check.width);
            }
            for copy in area.copies.iter().filter(|c| verified(c.policy)) {
                let (mut n, mut k) = (0, 0);
                for (p, q) in area.places.iter().zip(&copy.places) {
                    match (memory.bit(*p), memory.bit(*q)) {
                        (Some(x), Some(y)) => {
                            n += 1;
                            k += u64::from(x != y);
                        }
                        (None, Some(_)) => raw += 1.0,
                        _ => {}
                    }
                }
                surprise += terms.contradicted((n, k), (n, k), 2);
            }
        }
        (surprise, raw)
    }

    /// Bits for what nothing claims: each line as blocks that stand still and blocks that move, starting from the
    /// chip's fill. Where bits flipped, what moves in a block may be flips of what stands still.
    fn spare(&self, memory: &Memory, terms: Terms) -> f64 {
        let mut bits = 0.0;
        for spare in &self.shape.spare {
            let fill = self.layout.chips[spare.chip].fill.unwrap_or(0) >> spare.line & 1 == 1;
            let values = memory.cells(spare.chip);
            let known = memory.known_cells(spare.chip);
            let line = 1u8 << spare.line;
            let mut last = fill;
            let (mut blocks, mut moving) = (0u64, 0u64);
            for block in spare.cells.chunks(BLOCK) {
                let (mut n, mut ones, mut steps) = (0u32, 0u32, 0u32);
                let begun = last;
                if !stands(block, values, known, line, last) {
                    for cell in block.iter().map(|c| *c as usize) {
                        if known.is_some_and(|k| k[cell] & line == 0) {
                            continue;
                        }
                        let b = values[cell] & line != 0;
                        n += 1;
                        ones += u32::from(b);
                        steps += u32::from(last != b);
                        last = b;
                    }
                }
                // A block of unknown cells counts as standing still: losing it must not pay.
                blocks += 1;
                if steps > 0 || last != begun {
                    moving += 1;
                    // Unknown cells are told at the rate of the others: a loss at the edge of a lively stretch
                    // must not pay either.
                    let whole = block.len() as u32;
                    let scaled = |k: u32| (k * whole).div_ceil(n.max(1)).min(whole);
                    let moves = estimated(whole, scaled(ones)).min(estimated(whole, scaled(steps)));
                    let against = if begun { n - ones } else { ones };
                    let flips = match terms.flipped {
                        0.0 => f64::INFINITY,
                        share => at_rate(u64::from(whole), u64::from(scaled(against)), share),
                    };
                    if flips < moves {
                        last = begun;
                    }
                    bits += moves.min(flips) + 1.0;
                }
            }
            bits += marked(blocks, moving).min(1.0 + 3.0 * moving as f64 + 0.1 * blocks as f64);
        }
        bits
    }

    /// Bits each entry costs beyond what nonsense of the same size would, field by field, spread over the cells
    /// it lies in: where a stretch of cells adds up to much, it is not what a sound bank holds there.
    pub(crate) fn strain(&self, memory: &Memory, told: &Told) -> Vec<Vec<f32>> {
        let codes = self.codec.decode(memory);
        let mut out: Vec<Vec<f32>> = self
            .layout
            .chips
            .iter()
            .map(|c| vec![0.0; c.words as usize])
            .collect();
        for (a, area) in self.layout.areas.iter().enumerate() {
            let shape = &self.shape.areas[a];
            let codes = &codes.areas[a];
            for e in 0..shape.entries {
                let mode = told.modes[a][e];
                for (f, field) in shape.fields.iter().enumerate() {
                    let (code, known) = codes.get(e, f);
                    if known == 0 {
                        continue;
                    }
                    let raw = f64::from(known.count_ones());
                    let bits = match (field.kind, &told.models[a][f]) {
                        (Kind::Skipped, _) => continue,
                        (Kind::Constant(value), _) => {
                            if (code ^ value) & known == 0 {
                                0.0
                            } else {
                                BROKEN
                            }
                        }
                        (_, Some(model)) => {
                            let own = model.bits(field, code, known);
                            match mode {
                                Mode::Own => own,
                                Mode::Voice => {
                                    let (c, k) = codes.get(told.references[a][e], f);
                                    if (code ^ c) & known & k == 0 {
                                        0.1
                                    } else {
                                        4.0 + own
                                    }
                                }
                                Mode::Repeat(_) | Mode::Blank => 0.1,
                            }
                        }
                        (_, None) => continue,
                    };
                    let places = area.field_places(e, f);
                    let share = ((bits - raw) / places.len().max(1) as f64) as f32;
                    for p in places {
                        out[usize::from(p.chip)][p.cell as usize] += share;
                    }
                }
            }
            for (c, check) in self.verified(a) {
                for (i, instance) in check.instances.iter().enumerate() {
                    if matches!(
                        self.checks[a][c].verdict(i, memory),
                        checks::Verdict::Fails { .. }
                    ) {
                        let places = instance.words.bits();
                        let share = (BROKEN / places.len().max(1) as f64) as f32;
                        for p in places {
                            out[usize::from(p.chip)][p.cell as usize] += share;
                        }
                    }
                }
            }
        }
        out
    }

    /// The chance that none of so many bits of an entry flipped whose checks hold, where this share of all bits flipped.
    pub(crate) fn unharmed(&self, a: usize, entry: usize, bits: usize, flipped: f64) -> f64 {
        let whole = (1.0 - flipped).powi(i32::try_from(bits).unwrap_or(i32::MAX));
        let checked = self
            .verified(a)
            .filter(|(_, c)| c.instances.iter().any(|i| i.entry == Some(entry)));
        let width: i32 = checked.map(|(_, c)| i32::from(c.width)).sum();
        whole / (whole + (1.0 - whole) * 0.5f64.powi(width))
    }

    /// The checks of an area that are to be verified, with their place among its checks.
    pub(crate) fn verified(&self, a: usize) -> impl Iterator<Item = (usize, &'a Check)> {
        let checks = self.layout.areas[a].checks.iter().enumerate();
        checks.filter(|(_, c)| verified(c.policy))
    }

    /// The full mask of a field.
    pub(crate) fn full(&self, a: usize, f: usize) -> u64 {
        low_mask(self.shape.areas[a].fields[f].width)
    }
}
