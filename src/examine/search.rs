//! Weighing explanations and searching for the best: causes are added one at a time while each pays for itself.

use std::borrow::Cow;

use super::bare;
use super::cause::{self, Cause, Scene, Shared};
use super::content::{Content, Told};
use super::field::Terms;
use super::given::Before;
use super::misses::{changed_bits, compare, fill, misses};
use crate::codec::Memory;
use crate::evidence::marked;
use crate::image::ChipImage;

/// Bits to say that single bits flipped at all, before saying which.
const FLIPS: f64 = 12.0;
/// Bits to say that another bank was loaded over the earlier one.
const REPLACED: f64 = 10.0;
/// Share of what the earlier bank takes to tell from which edits are so many that another bank is weighed.
const OTHER: f64 = 0.5;
/// Explanations followed further at each step.
const BEAM: usize = 2;
/// Most causes at once.
const DEPTH: usize = 3;
/// Bits of a reading from which fewer candidates are weighed, to stay quick.
const LARGE: u64 = 100_000;
/// Candidates weighed in full at each step.
const WEIGHED: usize = 12;
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
    /// Number of bits seen against the prediction.
    pub flips: u64,
    /// The contents as far as they can be told; lost bits unknown, or as before where there is an earlier reading.
    pub truth: Vec<ChipImage>,
    /// Entries edited since the earlier reading, by area.
    pub edited: Vec<Vec<usize>>,
}

/// What everything is weighed against.
pub(super) struct Bench<'a> {
    pub seen: &'a [ChipImage],
    pub earlier: Option<&'a [ChipImage]>,
    pub content: Option<&'a Content<'a>>,
    pub before: Option<&'a Before<'a>>,
}

/// The explanations found at one step that may still matter: those close to the best, and the best few of the others.
struct Kept {
    found: Vec<Explanation>,
    /// Bits beyond which nothing is worth keeping.
    ceiling: f64,
}

/// Explanations kept at each step, besides those close to the best.
const KEPT: usize = 8;
/// An explanation this many bits behind is neither named as a rival nor followed.
const BEHIND: f64 = 12.0;

impl Kept {
    fn new(ceiling: f64) -> Self {
        Self {
            found: Vec::new(),
            ceiling,
        }
    }

    /// Bits beyond which a further explanation need not be told to its end.
    fn limit(&self) -> f64 {
        let last = self.found.get(KEPT - 1).map_or(f64::INFINITY, |e| e.bits);
        last.min(self.ceiling)
    }

    fn add(&mut self, e: Option<Explanation>) {
        if let Some(e) = e {
            let at = self.found.partition_point(|o| o.bits <= e.bits);
            self.found.insert(at, e);
            self.found.truncate(KEPT);
        }
    }
}

impl Bench<'_> {
    /// Weighs a list of causes.
    pub(super) fn weigh(&self, causes: Vec<Shared>) -> Explanation {
        let spare = causes.clone();
        self.weigh_within(causes, f64::INFINITY)
            .unwrap_or_else(|| self.unexplained(spare))
    }

    /// What is left where nothing could be told: the causes with nothing to go by.
    fn unexplained(&self, causes: Vec<Shared>) -> Explanation {
        Explanation {
            causes,
            bits: f64::INFINITY,
            as_edits: f64::INFINITY,
            flips: 0,
            truth: self.seen.to_vec(),
            edited: Vec::new(),
        }
    }

    /// Weighs a list of causes; nothing where they take more bits than the limit.
    fn weigh_within(&self, causes: Vec<Shared>, limit: f64) -> Option<Explanation> {
        let prior: f64 = causes.iter().map(|c| c.length(self.seen)).sum();
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
            let plain = self.close(causes.clone(), truth, bits, Vec::new());
            let same = self.close(causes, earlier.to_vec(), 0.0, Vec::new());
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
                let e = self.close(causes.clone(), images, given.bits, given.entries);
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
            let mut e = self.close(causes, truth, plain.bits, plain.entries);
            e.as_edits += saved;
            if e.bits <= limit && best.as_ref().is_none_or(|b| e.bits < b.bits) {
                let others = best.map_or(f64::INFINITY, |b| b.as_edits);
                e.as_edits = e.as_edits.min(others);
                best = Some(e);
            }
        }
        best
    }

    /// Bits seen that the causes leave open.
    fn left_open(&self, causes: &[Shared], truth: &[ChipImage]) -> f64 {
        let mut predicted = truth.to_vec();
        for cause in causes {
            cause.forward(&mut predicted);
        }
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
            let e = self.close(causes, truth, bits, Vec::new());
            return (e.bits <= limit).then_some(e);
        };
        let memory = memory_of(content, &truth).ok()?;
        let told = content.tell_within(&memory, terms(&causes), limit);
        if told.bits > limit {
            return None;
        }
        let e = self.close(causes, truth, told.bits, Vec::new());
        (e.bits <= limit).then_some(e)
    }

    /// Without an earlier reading: the same explanation with scattered flips taken back where redundancy shows
    /// them, if that is the better one.
    fn refined(&self, plain: Explanation) -> Explanation {
        let (Some(content), None) = (self.content, self.earlier) else {
            return plain;
        };
        let Ok(memory) = memory_of(content, &plain.truth) else {
            return plain;
        };
        let terms = terms(&plain.causes);
        let told = content.tell_within(&memory, terms, f64::INFINITY);
        let smooth = content.smoothed(&memory, &told);
        let Ok(images) = smooth.images() else {
            return plain;
        };
        let prior: f64 = plain.causes.iter().map(|c| c.length(self.seen)).sum();
        let bits = content.tell_within(&smooth, terms, f64::INFINITY).bits + prior;
        let smooth = self.close(plain.causes.clone(), images, bits, Vec::new());
        if smooth.bits < plain.bits {
            smooth
        } else {
            plain
        }
    }

    /// Without an earlier reading, where the strain of cells only says roughly where a cause begins: the same explanation
    /// with its newest cause moved while that helps.
    fn moved(&self, plain: Explanation) -> Explanation {
        let mut best = plain;
        while self.earlier.is_none() {
            let Some((newest, others)) = best.causes.split_first() else {
                break;
            };
            let near = newest.neighbours().into_iter().filter_map(|cause| {
                let mut causes = vec![cause];
                causes.extend(others.iter().cloned());
                self.weigh_within(causes, best.bits)
            });
            match near.min_by(|a, b| a.bits.total_cmp(&b.bits)) {
                Some(nearer) if nearer.bits < best.bits => best = nearer,
                _ => break,
            }
        }
        best
    }

    /// Bits an explanation spends on anything but its causes: no further cause can save more.
    fn left_over(&self, e: &Explanation) -> f64 {
        e.bits - e.causes.iter().map(|c| c.length(self.seen)).sum::<f64>()
    }

    /// Adds what the causes predict wrongly or leave open.
    fn close(
        &self,
        causes: Vec<Shared>,
        truth: Vec<ChipImage>,
        bits: f64,
        edited: Vec<Vec<usize>>,
    ) -> Explanation {
        let mut predicted = truth.clone();
        for cause in &causes {
            cause.forward(&mut predicted);
        }
        let loose: Vec<usize> = causes.iter().flat_map(|c| c.loose()).collect();
        let (mut k, mut open, mut all, mut own) = (0u64, 0u64, 0u64, 0.0);
        for (chip, (p, s)) in predicted.iter().zip(self.seen).enumerate() {
            let found = compare(p, s);
            open += found.open;
            if loose.contains(&chip) {
                own += marked(found.judged, found.missed);
            } else {
                all += found.judged;
                k += found.missed;
            }
        }
        let exceptions = if k == 0 {
            0.0
        } else {
            FLIPS + marked(all, k) + cause::RARE * k as f64 / all.max(1) as f64
        };
        let bits = bits + exceptions + own + open as f64;
        Explanation {
            causes,
            bits,
            as_edits: bits,
            flips: k,
            truth,
            edited,
        }
    }

    /// The bits seen against an explanation's prediction, as `(chip, cell, line)`.
    pub(super) fn flips(&self, e: &Explanation) -> Vec<(usize, u32, u8)> {
        let mut out = Vec::new();
        if e.flips == 0 {
            return out;
        }
        let mut predicted = e.truth.clone();
        for cause in &e.causes {
            cause.forward(&mut predicted);
        }
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

    /// The explanations found, best first. The first entry is what to report; the explanation without any cause is
    /// among them.
    pub(super) fn search(&self, told: Option<&Told>) -> Vec<Explanation> {
        let sound = self.refined(self.weigh(Vec::new()));
        let mut all = vec![sound.clone()];
        let mut beam = vec![sound];
        let mut pool: Vec<Shared> = Vec::new();
        for depth in 0..DEPTH {
            // That another bank was loaded may tell two faults better than one of them does alone: causes are added to
            // what changed as edits.
            let floor = beam.first().map_or(f64::INFINITY, |b| b.as_edits);
            if beam
                .first()
                .is_none_or(|b| self.left_over(b) < cause::FAULT)
            {
                break;
            }
            let mut kept = Kept::new(floor + BEHIND);
            for known in &beam {
                let fresh = self.propose(known, told);
                if depth == 0 {
                    pool.clone_from(&fresh);
                }
                for cause in fresh {
                    self.consider_joined(&cause, known, &mut kept);
                    let mut causes = vec![cause];
                    causes.extend(known.causes.iter().cloned());
                    self.consider(causes, &mut kept);
                }
                if depth > 0 {
                    // Without an earlier reading a rearrangement beside another cause proves nothing.
                    let beside = |p: &&Shared| {
                        !contains(&known.causes, p) && (self.earlier.is_some() || !p.rearranges())
                    };
                    for cause in pool.iter().filter(beside) {
                        let mut causes = known.causes.clone();
                        causes.push(cause.clone());
                        self.consider(causes, &mut kept);
                    }
                }
            }
            let mut found = kept.found;
            for e in found.iter_mut().take(BEAM) {
                *e = self.refined(self.moved(e.clone()));
            }
            found.sort_by(|a, b| a.bits.total_cmp(&b.bits));
            if depth == 0 {
                // Only causes that help at all are worth combining.
                pool = found
                    .iter()
                    .filter(|e| e.bits < floor)
                    .flat_map(|e| e.causes.clone())
                    .collect();
            }
            all.extend(found.iter().cloned());
            let better = found.first().is_some_and(|e| e.bits < floor);
            if !better {
                break;
            }
            found.truncate(BEAM);
            beam = found;
        }
        all.sort_by(|a, b| a.bits.total_cmp(&b.bits));
        // One that was moved to where another stood, or found in another order.
        all.dedup_by(|a, b| a.bits == b.bits && named(a) == named(b));
        all
    }

    /// Weighs a list of causes as far as it can still matter. Where the best one leaves less to be told than any
    /// further cause costs, only what comes close to it matters.
    fn consider(&self, causes: Vec<Shared>, kept: &mut Kept) {
        let e = self.weigh_within(causes, kept.limit());
        if let Some(e) = &e
            && self.left_over(e) < cause::FAULT
        {
            kept.ceiling = kept.ceiling.min(e.bits + BEHIND);
        }
        kept.add(e);
    }

    /// Where a stretch of cells would be added to another, one stretch over both is weighed too.
    fn consider_joined(&self, cause: &Shared, known: &Explanation, kept: &mut Kept) {
        let Some(stretch) = cause.stretch() else {
            return;
        };
        for (i, other) in known.causes.iter().enumerate() {
            if let Some(both) = other.stretch().and_then(|o| stretch.joined(&o)) {
                let mut causes = known.causes.clone();
                causes[i] = std::sync::Arc::new(both);
                self.consider(causes, kept);
            }
        }
    }

    /// Causes worth weighing beside those already accepted.
    fn propose(&self, known: &Explanation, told: Option<&Told>) -> Vec<Shared> {
        let mut seen = self.seen.to_vec();
        for cause in known.causes.iter().rev() {
            cause.undo(&mut seen, false);
        }
        let mut strain = Vec::new();
        let mut strained = false;
        let mut fresh = Vec::new();
        if self.earlier.is_none()
            && let (Some(content), Some(told)) = (self.content, told)
            && let Ok(memory) = memory_of(content, &seen)
        {
            let now = if known.causes.is_empty() {
                Cow::Borrowed(told)
            } else {
                Cow::Owned(content.tell(&memory))
            };
            strained = now.surprise > 5.0;
            if strained || known.causes.is_empty() {
                strain = content.strain(&memory, &now);
            }
            if strained && known.causes.is_empty() {
                fresh.extend(self.slips(content, &seen, &strain, &now));
            }
        }
        let scene = Scene {
            seen: &seen,
            expected: self.earlier,
            layout: self.content.map(|c| c.layout),
            held: self.content.map(|c| c.shape.held.as_slice()),
            strain: &strain,
            strained,
            further: !known.causes.is_empty(),
        };
        fresh.extend(cause::candidates(&scene));
        fresh.retain(|c| !contains(&known.causes, c));
        match self.earlier {
            Some(earlier) => self.most_promising(fresh, known, earlier),
            None => {
                let bits: u64 = self.seen.iter().map(ChipImage::bits).sum();
                fresh.truncate(if bits > LARGE {
                    2 * WEIGHED
                } else {
                    32 * WEIGHED
                });
                fresh
            }
        }
    }

    /// With an earlier reading a forward prediction tells quickly which causes bring what is seen closer.
    fn most_promising(
        &self,
        fresh: Vec<Shared>,
        known: &Explanation,
        earlier: &[ChipImage],
    ) -> Vec<Shared> {
        let miss = |first: Option<&Shared>| {
            let mut images = earlier.to_vec();
            if let Some(c) = first {
                c.forward(&mut images);
            }
            for c in &known.causes {
                c.forward(&mut images);
            }
            let chips = images.iter().zip(self.seen);
            chips
                .map(|(p, s)| compare(p, s))
                .fold((0, 0), |sum, c| (sum.0 + c.missed, sum.1 + c.open))
        };
        let wrong = |(missed, _): (u64, u64)| missed as f64;
        // A third for each bit left open: of those half would differ by chance.
        let ranking = |m: (u64, u64)| wrong(m) + m.1 as f64 / 3.0;
        let base = miss(None);
        // What explains only a little of what is wrong, or far less than the best does, can wait until the rest is
        // explained.
        let little = wrong(base) * cause::LITTLE;
        // A cause that leaves bits open cannot be ranked with the others by its misses, only among its like.
        let (open, placed): (Vec<Shared>, Vec<Shared>) = fresh.into_iter().partition(|c| c.open());
        let mut ranked: Vec<(f64, Shared)> = placed
            .into_iter()
            .map(|c| (ranking(miss(Some(&c))), c))
            .collect();
        let most = ranked
            .iter()
            .map(|r| ranking(base) - r.0)
            .fold(0.0, f64::max);
        let little = little.max(most / 3.0);
        ranked.retain(|r| r.0 + 3.0 < ranking(base) && r.0 + little <= ranking(base));
        let mut open: Vec<(f64, Shared)> = open
            .into_iter()
            .map(|c| (miss(Some(&c)), c))
            .filter(|r| wrong(r.0) + little <= wrong(base))
            .map(|(m, c)| (ranking(m), c))
            .collect();
        open.sort_by(|a, b| a.0.total_cmp(&b.0));
        let bits: u64 = self.seen.iter().map(ChipImage::bits).sum();
        let most = if bits > LARGE { 3 } else { 10 } * WEIGHED;
        let open = open.into_iter().take(most).map(|r| r.1);
        ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
        let ranked = ranked.into_iter().take(WEIGHED).map(|r| r.1);
        ranked.chain(open).collect()
    }

    fn slips(
        &self,
        content: &Content,
        seen: &[ChipImage],
        strain: &[Vec<f32>],
        told: &Told,
    ) -> Vec<Shared> {
        let mut out: Vec<Shared> = Vec::new();
        for chip in 0..seen.len() {
            for late in [true, false] {
                let mut shifted = seen.to_vec();
                cause::Order::Slipped(chip, 0, late).undo(&mut shifted, false);
                let Ok(memory) = memory_of(content, &shifted) else {
                    continue;
                };
                let slipped = content.strain(&memory, told);
                if let Some(order) =
                    cause::slip_by_strain(chip, &strain[chip], &slipped[chip], late)
                {
                    out.push(std::sync::Arc::new(order));
                    let whole = cause::Order::Slipped(chip, 0, late);
                    if order != whole {
                        out.push(std::sync::Arc::new(whole));
                    }
                }
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

/// The causes of an explanation, in whatever order they were found.
fn named(e: &Explanation) -> Vec<String> {
    let mut out: Vec<String> = e.causes.iter().map(|c| format!("{c:?}")).collect();
    out.sort_unstable();
    out
}

fn contains(causes: &[Shared], cause: &Shared) -> bool {
    if causes.is_empty() {
        return false;
    }
    let text = format!("{cause:?}");
    causes.iter().any(|c| format!("{c:?}") == text)
}

pub(super) fn memory_of(
    content: &Content,
    chips: &[ChipImage],
) -> Result<Memory, crate::codec::CodecError> {
    let images: Vec<&ChipImage> = chips.iter().collect();
    Memory::of_images(content.layout, &images)
}
