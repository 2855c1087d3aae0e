//! What a reading says twice: what a mirrored copy still holds, and the least change that makes a single reading
//! keep the layout's promises: what scattered decay would have altered, as far as redundancy in the reading itself
//! can show it.

use std::borrow::Cow;
use std::collections::HashMap;

use super::alike::Mode;
use super::content::{Content, Told};
use super::shape::{Kind, verified};
use crate::codec::{Memory, checks};
use crate::image::ChipImage;
use crate::layout::model::BitPlace;

/// Most failed checks searched for a single flip that satisfies them: more than that is not scattered decay, or
/// too much of it to be told from this reading.
const MOST_CHECKS: usize = 6;

impl Content<'_> {
    /// The contents with bits that are lost in the original but known in a copy taken from there.
    pub(super) fn completed<'m>(&self, memory: &'m Memory) -> Cow<'m, Memory> {
        let mut out = Cow::Borrowed(memory);
        for area in &self.layout.areas {
            for copy in area.copies.iter().filter(|c| verified(c.policy)) {
                for (p, q) in area.places.iter().zip(&copy.places) {
                    if out.bit(*p).is_none()
                        && let Some(bit) = out.bit(*q)
                    {
                        out.to_mut().set_bit(*p, bit);
                    }
                }
            }
        }
        out
    }

    /// Puts what only one of an area and its mirrored copy still shows into the other: whoever saves writes both.
    pub(crate) fn mirror(&self, chips: &mut [ChipImage]) {
        let mut copy_bit = |from: &BitPlace, to: &BitPlace| {
            let bit = |p: &BitPlace| chips.get(usize::from(p.chip))?.bit(p.cell, p.line);
            let (shown, lost) = (bit(from), bit(to).is_none());
            if let (Some(chip), Some(_), true) = (chips.get_mut(usize::from(to.chip)), shown, lost)
            {
                chip.set_bit(to.cell, to.line, shown);
            }
        };
        for area in &self.layout.areas {
            for copy in area.copies.iter().filter(|c| verified(c.policy)) {
                for (p, q) in area.places.iter().zip(&copy.places) {
                    copy_bit(p, q);
                    copy_bit(q, p);
                }
            }
        }
    }

    /// The contents with single flips taken back where agreeing voices, constants, mirrored copies or checks
    /// show them.
    pub(super) fn smoothed(&self, memory: &Memory, told: &Told) -> Memory {
        let mut out = memory.clone();
        self.smooth_voices(memory, told, &mut out);
        for (a, area) in self.layout.areas.iter().enumerate() {
            for (f, field) in self.shape.areas[a].fields.iter().enumerate() {
                if let Kind::Constant(value) = field.kind {
                    for e in 0..self.shape.areas[a].entries {
                        let places = area.field_places(e, f);
                        let (now, known) = out.gather(places);
                        if ((now ^ value) & known).count_ones() == 1 {
                            for (k, p) in places.iter().enumerate() {
                                if known >> k & 1 == 1 {
                                    out.set_bit(*p, value >> k & 1 == 1);
                                }
                            }
                        }
                    }
                }
            }
        }
        // Bits of the original that a copy contradicts, with the copy's bit.
        let mut disputed: HashMap<(u16, u32, u8), BitPlace> = HashMap::new();
        for (a, area) in self.layout.areas.iter().enumerate() {
            for copy in area.copies.iter().filter(|c| verified(c.policy)) {
                for (p, q) in area.places.iter().zip(&copy.places) {
                    if let (Some(x), Some(y)) = (out.bit(*p), out.bit(*q))
                        && x != y
                    {
                        disputed.insert((p.chip, p.cell, p.line), *q);
                    }
                }
                self.smooth_copy(a, &copy.places, told, &mut out);
            }
        }
        let mut tried = 0;
        for a in 0..self.layout.areas.len() {
            for (c, check) in self.verified(a) {
                let plan = &self.checks[a][c];
                for (i, instance) in check.instances.iter().enumerate() {
                    if tried < MOST_CHECKS
                        && let checks::Verdict::Fails { .. } = plan.verdict(i, &out)
                    {
                        tried += 1;
                        // Only where no other bit would do as well: a guess is worth nothing.
                        let mut flips = plan.single_flips(i, instance, &out);
                        if flips.len() > 1 {
                            flips.retain(|p| disputed.contains_key(&(p.chip, p.cell, p.line)));
                        }
                        if let [one] = flips.as_slice()
                            && let Some(b) = out.bit(*one)
                        {
                            out.set_bit(*one, !b);
                            if let Some(q) = disputed.get(&(one.chip, one.cell, one.line)) {
                                out.set_bit(*q, !b);
                            }
                        }
                    }
                }
            }
        }
        out
    }

    /// Where a mirrored copy differs, the likelier of the two codes is taken for both; of two alike, the original.
    fn smooth_copy(&self, a: usize, copies: &[BitPlace], told: &Told, out: &mut Memory) {
        let (area, shape) = (&self.layout.areas[a], &self.shape.areas[a]);
        for e in 0..shape.entries {
            for (f, field) in shape.fields.iter().enumerate() {
                let places = area.field_places(e, f);
                let from = e * area.bits_per_entry + area.fields[f].first;
                let Some(others) = copies.get(from..from + places.len()) else {
                    continue;
                };
                let ((x, kx), (y, ky)) = (out.gather(places), out.gather(others));
                let differ = (x ^ y) & kx & ky;
                if differ == 0 {
                    continue;
                }
                let bits = |code| {
                    let model = told.models[a][f].as_ref();
                    model.map_or(0.0, |m| m.bits(field, code, kx & ky))
                };
                let (right, wrong) = if bits(y) < bits(x) {
                    (others, places)
                } else {
                    (places, others)
                };
                for (p, q) in right.iter().zip(wrong) {
                    if let (Some(bit), Some(_)) = (out.bit(*p), out.bit(*q)) {
                        out.set_bit(*q, bit);
                    }
                }
            }
        }
    }

    /// The share of flipped bits that breaks as many checks as fail; nothing where none fails. Where every check of a
    /// kind fails, half an instance is taken to hold: so many flips at least.
    pub(super) fn flipped_share(&self, memory: &Memory) -> Option<f64> {
        let (mut share, mut weight) = (0.0, 0.0);
        for a in 0..self.layout.areas.len() {
            for (c, check) in self.verified(a) {
                let (mut n, mut k, mut bits) = (0.0f64, 0.0, 0);
                for (i, instance) in check.instances.iter().enumerate() {
                    let verdict = self.checks[a][c].verdict(i, memory);
                    n += f64::from(u8::from(verdict != checks::Verdict::Undecided));
                    k += f64::from(u8::from(matches!(verdict, checks::Verdict::Fails { .. })));
                    bits = bits.max(instance.words.bits().len() + instance.stored.len());
                }
                if n > 0.0 && bits > 0 {
                    // Of what breaks a check this share shows.
                    let shows = 1.0 - (-f64::from(check.width)).exp2();
                    let whole = (1.0 - k / n / shows).max(0.5 / n);
                    share += n * (1.0 - whole.powf(1.0 / bits as f64));
                    weight += n;
                }
            }
        }
        (share > 0.0).then(|| share / weight)
    }

    fn smooth_voices(&self, memory: &Memory, told: &Told, out: &mut Memory) {
        let codes = self.codec.decode(memory);
        for (a, area) in self.layout.areas.iter().enumerate() {
            let shape = &self.shape.areas[a];
            let agrees =
                |e: &usize| *e == told.references[a][*e] || told.modes[a][*e] == Mode::Voice;
            let mut groups = shape.presets();
            groups.iter_mut().for_each(|g| g.retain(agrees));
            for group in groups.iter().filter(|g| g.len() > 1) {
                for f in &shape.values {
                    let seen: Vec<(usize, u64)> = group
                        .iter()
                        .filter_map(|e| Some((*e, codes.areas[a].code(*e, *f)?)))
                        .collect();
                    let Some((common, votes)) = seen
                        .iter()
                        .map(|(_, c)| (*c, seen.iter().filter(|s| s.1 == *c).count()))
                        .max_by_key(|c| c.1)
                    else {
                        continue;
                    };
                    if votes * 2 <= seen.len() {
                        continue;
                    }
                    for (e, code) in &seen {
                        if (code ^ common).count_ones() == 1 {
                            for (k, p) in area.field_places(*e, *f).iter().enumerate() {
                                out.set_bit(*p, common >> k & 1 == 1);
                            }
                        }
                    }
                }
            }
        }
    }
}
