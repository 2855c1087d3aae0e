//! Weighing explanations: the prior of the causes, what they leave of the contents to be told, and the exceptions.

use std::sync::Arc;

use super::bare;
use super::cause::{self, Shared};
use super::content::{Content, Told};
use super::field::Terms;
use super::given::Before;
use super::many::Edited;
use super::misses::{changed_bits, compare, fill, misses};
use crate::codec::Memory;
use crate::evidence::{marked, one_of};
use crate::image::ChipImage;

/// Bits to say that single bits flipped at all, before saying which (common practice, no source).
const FLIPS: f64 = 12.0;
/// Bits by which a cause is rarer where no earlier reading vouches for the contents: no model of what is plausible fits
/// every owner.
const UNVOUCHED: f64 = 6.0;
/// Bits to say that another bank was loaded over the earlier one (common practice, no source).
const REPLACED: f64 = 10.0;
/// Share of what the earlier bank takes to tell from which edits are so many that another bank is weighed.
const OTHER: f64 = 0.5;
/// Prices at which changes are taken as flips rather than edits: so many bits above what one flip costs where all
/// changed bits are flips. The fewer of them are, the dearer each is.
const PRICES: [f64; 3] = [0.0, 2.5, 6.0];

/// Causes that together explain what is seen, with what they leave to be said.
#[derive(Clone, Debug)]
pub(super) struct Explanation {
    /// The causes in the order they act on the contents.
    pub causes: Vec<Shared>,
    /// Bits altogether.
    pub bits: f64,
    /// Bits where all that changed is told as edits and flips, even if another bank tells it better.
    pub as_edits: f64,
    /// Of those, bits spent on broken promises of the layout, where there is no earlier reading.
    pub surprise: f64,
    /// Number of bits seen against the prediction.
    pub flips: u64,
    /// The contents as far as they can be told; lost bits unknown, or as before where there is an earlier reading.
    pub truth: Vec<ChipImage>,
    /// What was edited since the earlier reading.
    pub edits: Edited,
    /// The contents as they were told, where they were told by themselves.
    pub told: Option<Arc<Told>>,
}

/// What everything is weighed against.
pub(super) struct Bench<'a> {
    pub seen: &'a [ChipImage],
    pub earlier: Option<&'a [ChipImage]>,
    pub content: Option<&'a Content<'a>>,
    pub before: Option<&'a Before<'a>>,
}

impl Bench<'_> {
    /// Weighs a list of causes.
    pub(super) fn weigh(&self, causes: Vec<Shared>) -> Explanation {
        let spare = causes.clone();
        self.weigh_within(causes, f64::INFINITY)
            .unwrap_or_else(|| self.unexplained(spare))
    }

    /// What is left where nothing could be told: the causes with nothing to go by.
    pub(super) fn unexplained(&self, causes: Vec<Shared>) -> Explanation {
        Explanation {
            causes,
            bits: f64::INFINITY,
            as_edits: f64::INFINITY,
            surprise: 0.0,
            flips: 0,
            truth: self.seen.to_vec(),
            edits: Edited::default(),
            told: None,
        }
    }

    /// The explanation without any cause; `told` is the reading told by itself.
    pub(super) fn sound(&self, told: Option<&Arc<Told>>) -> Explanation {
        match (self.earlier, self.content, told) {
            (None, Some(_), Some(told)) => {
                self.told_alone(Vec::new(), self.seen.to_vec(), Arc::clone(told))
            }
            _ => self.weigh(Vec::new()),
        }
    }

    fn told_alone(
        &self,
        causes: Vec<Shared>,
        truth: Vec<ChipImage>,
        told: Arc<Told>,
    ) -> Explanation {
        let mut e = self.close(causes, truth, told.bits, Edited::default());
        e.surprise = told.surprise;
        e.told = Some(told);
        e
    }

    /// Bits to name causes and their places.
    fn prior(&self, causes: &[Shared]) -> f64 {
        let unvouched = match (self.earlier, self.content) {
            (None, Some(_)) => UNVOUCHED,
            _ => 0.0,
        };
        causes.iter().map(|c| c.length(self.seen) + unvouched).sum()
    }

    /// Weighs a list of causes; nothing where they take more bits than the limit.
    pub(super) fn weigh_within(&self, mut causes: Vec<Shared>, limit: f64) -> Option<Explanation> {
        // What the memory kept faithfully happened before anything happened to the memory.
        causes.sort_by_key(|c| c.still().is_none());
        let prior = self.prior(&causes);
        let limit = limit - prior;
        if limit < 0.0 {
            return None;
        }
        let mut truth = self.seen.to_vec();
        for cause in causes.iter().rev() {
            cause.undo(&mut truth, self.earlier.is_none());
        }
        let mut best = match self.earlier {
            Some(earlier) => {
                if let (Some(content), false) = (self.content, causes.is_empty()) {
                    content.mirror(&mut truth);
                }
                // What a mirrored copy still shows is seen.
                let known = (!causes.is_empty()).then(|| truth.clone());
                fill(&mut truth, earlier);
                for (i, cause) in causes.iter().enumerate() {
                    let chips = cause.chips();
                    let alone = causes.iter().enumerate().all(|(j, other)| {
                        i == j || !other.chips().iter().any(|c| chips.contains(c))
                    });
                    if alone {
                        cause.reconcile(&mut truth, self.seen);
                    }
                }
                self.weigh_given(causes, truth, known.as_deref(), earlier, limit)
            }
            None => self.weigh_alone(causes, truth, limit),
        }?;
        best.bits += prior;
        best.as_edits += prior;
        Some(best)
    }

    fn weigh_given(
        &self,
        causes: Vec<Shared>,
        truth: Vec<ChipImage>,
        known: Option<&[ChipImage]>,
        earlier: &[ChipImage],
        limit: f64,
    ) -> Option<Explanation> {
        let (Some(before), Some(content)) = (self.before, self.content) else {
            let bits = bare::tell_given(&truth, earlier);
            let plain = self.close(causes.clone(), truth, bits, Edited::default());
            let same = self.close(causes, earlier.to_vec(), 0.0, Edited::default());
            let best = if plain.bits < same.bits { plain } else { same };
            return (best.bits <= limit).then_some(best);
        };
        // What the causes leave open is told bit by bit, whatever else is told.
        let open = if causes.is_empty() {
            0.0
        } else {
            self.left_open(&causes, &truth)
        };
        if open > limit {
            return None;
        }
        let memory = memory_of(content, &truth).ok()?;
        let known = known.and_then(|k| memory_of(content, k).ok());
        let now = before.now(memory, known);
        let changes = before.changes(&now);
        let (changed, all) = changed_bits(&truth, earlier);
        let mut best: Option<Explanation> = None;
        let within =
            |best: &Option<Explanation>| best.as_ref().map_or(limit, |b| b.bits.min(limit)) - open;
        if changed > 0 {
            let one = (all as f64 / changed as f64).log2();
            for above in PRICES {
                let within = within(&best);
                let Some(given) = before.tell(&now, &changes, Some(one + above), within) else {
                    continue;
                };
                let Ok(images) = given.edited.images() else {
                    continue;
                };
                let e = self.close(causes.clone(), images, given.bits, given.edits);
                if e.bits <= limit && best.as_ref().is_none_or(|b| e.bits < b.bits) {
                    best = Some(e);
                }
            }
        }
        let within = within(&best);
        let mut plain = before.tell(&now, &changes, None, within);
        let mut saved = 0.0;
        let another = OTHER * before.told.bits;
        if plain.as_ref().map_or(within, |p| p.bits) > another {
            // Where nearly everything is new, another bank is told better by itself than as edits of the former.
            let told = REPLACED
                + content
                    .tell_within(now.memory(), Terms::SOUND, within - REPLACED)
                    .bits;
            if plain.is_none() && told <= within {
                plain = before.tell(&now, &changes, None, f64::INFINITY);
            }
            if let Some(plain) = &mut plain {
                saved = (plain.bits - told).max(0.0);
                plain.bits -= saved;
            }
        }
        if let Some(plain) = plain {
            let mut e = self.close(causes, truth, plain.bits, plain.edits);
            e.as_edits += saved;
            if e.bits <= limit && best.as_ref().is_none_or(|b| e.bits < b.bits) {
                let others = best.map_or(f64::INFINITY, |b| b.as_edits);
                e.as_edits = e.as_edits.min(others);
                best = Some(e);
            }
        }
        best
    }

    /// What causes make of contents. Cells that the layout says are no memory are as they are seen: they show nothing of the
    /// chip, however they read.
    fn predicted(&self, causes: &[Shared], truth: &[ChipImage]) -> Vec<ChipImage> {
        let mut out = truth.to_vec();
        for cause in causes {
            cause.forward(&mut out);
        }
        let absent = self.content.map_or(&[][..], |c| &c.layout.absent);
        for (chip, cells, lines) in absent {
            let chip = usize::from(*chip);
            let (Some(image), Some(seen)) = (out.get_mut(chip), self.seen.get(chip)) else {
                continue;
            };
            if lines & seen.mask() != seen.mask() {
                continue;
            }
            for cell in cells.clone() {
                if let (Some(v), Some(k)) = (
                    seen.values().get(cell as usize),
                    seen.known().get(cell as usize),
                ) {
                    image.set_cell(cell, *v, *k);
                }
            }
        }
        out
    }

    /// Bits seen that the causes leave open.
    fn left_open(&self, causes: &[Shared], truth: &[ChipImage]) -> f64 {
        let predicted = self.predicted(causes, truth);
        let chips = predicted.iter().zip(self.seen);
        let open: u64 = chips.map(|(p, s)| compare(p, s).open).sum();
        open as f64
    }

    fn weigh_alone(
        &self,
        causes: Vec<Shared>,
        truth: Vec<ChipImage>,
        limit: f64,
    ) -> Option<Explanation> {
        let Some(content) = self.content else {
            let bits = bare::tell(&truth);
            let e = self.close(causes, truth, bits, Edited::default());
            return (e.bits <= limit).then_some(e);
        };
        let memory = memory_of(content, &truth).ok()?;
        let told = tell_alone(content, self.seen, &causes, &memory, limit);
        if told.bits > limit {
            return None;
        }
        let e = self.told_alone(causes, truth, Arc::new(told));
        (e.bits <= limit).then_some(e)
    }

    /// Without an earlier reading: the same explanation with scattered flips taken back where redundancy shows
    /// them, if that is the better one.
    pub(super) fn refined(&self, plain: Explanation) -> Explanation {
        let (Some(content), None) = (self.content, self.earlier) else {
            return plain;
        };
        let Ok(memory) = memory_of(content, &plain.truth) else {
            return plain;
        };
        let told = plain.told.clone().unwrap_or_else(|| {
            let told = tell_alone(content, self.seen, &plain.causes, &memory, f64::INFINITY);
            Arc::new(told)
        });
        let smooth = content.smoothed(&memory, &told);
        if smooth == memory {
            return plain;
        }
        let Ok(images) = smooth.images() else {
            return plain;
        };
        let prior = self.prior(&plain.causes);
        let told = tell_alone(content, self.seen, &plain.causes, &smooth, f64::INFINITY);
        let bits = told.bits + prior;
        let mut smooth = self.close(plain.causes.clone(), images, bits, Edited::default());
        if smooth.bits < plain.bits {
            smooth.surprise = told.surprise;
            smooth
        } else {
            plain
        }
    }

    /// Bits an explanation spends on anything but its causes: no further cause can save more.
    pub(super) fn left_over(&self, e: &Explanation) -> f64 {
        e.bits - self.prior(&e.causes)
    }

    /// Adds what the causes predict wrongly or leave open.
    fn close(
        &self,
        causes: Vec<Shared>,
        truth: Vec<ChipImage>,
        bits: f64,
        edits: Edited,
    ) -> Explanation {
        let predicted = self.predicted(&causes, &truth);
        let loose: Vec<usize> = causes.iter().flat_map(|c| c.loose()).collect();
        let (mut k, mut open, mut all, mut own) = (0u64, 0u64, 0u64, 0.0);
        let mut each = Vec::new();
        for (chip, (p, s)) in predicted.iter().zip(self.seen).enumerate() {
            let found = compare(p, s);
            open += found.open;
            if loose.contains(&chip) {
                own += marked(found.judged, found.missed);
            } else {
                all += found.judged;
                k += found.missed;
                each.push((found.judged, found.missed));
            }
        }
        let exceptions = if k == 0 {
            0.0
        } else {
            // All over, or in one chip more often than elsewhere: its own supply sagged.
            let one = each
                .iter()
                .filter(|c| c.1 > 0)
                .map(|(n, on)| one_of(2 * each.len()) + marked(*n, *on) + marked(all - n, k - on));
            let told = one.fold(marked(all, k), f64::min);
            FLIPS + told + cause::RARE * k as f64 / all.max(1) as f64
        };
        let bits = bits + exceptions + own + open as f64;
        Explanation {
            causes,
            bits,
            as_edits: bits,
            surprise: 0.0,
            flips: k,
            truth,
            edits,
            told: None,
        }
    }

    /// The bits seen against an explanation's prediction, as `(chip, cell, line)`.
    pub(super) fn flips(&self, e: &Explanation) -> Vec<(usize, u32, u8)> {
        let mut out = Vec::new();
        if e.flips == 0 {
            return out;
        }
        let predicted = self.predicted(&e.causes, &e.truth);
        let loose: Vec<usize> = e.causes.iter().flat_map(|c| c.loose()).collect();
        for (chip, (p, s)) in predicted.iter().zip(self.seen).enumerate() {
            if loose.contains(&chip) {
                continue;
            }
            for (cell, miss) in misses(p, s).enumerate().filter(|m| m.1 != 0) {
                let lines = (0..s.width()).filter(|l| miss >> l & 1 == 1);
                out.extend(lines.map(|line| (chip, cell as u32, line)));
            }
        }
        out
    }
}

/// On what terms contents are told under these causes.
pub(super) fn terms(causes: &[Shared]) -> Terms {
    Terms {
        still: causes.iter().find_map(|c| c.still()),
        flipped: causes.iter().map(|c| c.flipped()).fold(0.0, f64::max),
    }
}

/// Tells contents from one reading alone under these causes: of a line that may be either of two, checks know neither.
pub(super) fn tell_alone(
    content: &Content,
    seen: &[ChipImage],
    causes: &[Shared],
    memory: &Memory,
    limit: f64,
) -> Told {
    let terms = terms(causes);
    if causes.iter().any(|c| c.guesses()) {
        let mut sure = seen.to_vec();
        for cause in causes.iter().rev() {
            cause.undo(&mut sure, false);
        }
        if let Ok(sure) = memory_of(content, &sure) {
            return content.tell_judged(memory, &memory.masked(&sure), terms, limit);
        }
    }
    content.tell_within(memory, terms, limit)
}

pub(super) fn memory_of(
    content: &Content,
    chips: &[ChipImage],
) -> Result<Memory, crate::codec::CodecError> {
    let images: Vec<&ChipImage> = chips.iter().collect();
    Memory::of_images(content.layout, &images)
}
