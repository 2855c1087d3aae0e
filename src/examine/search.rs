//! Weighing explanations and searching for the best: causes are added one at a time while each pays for itself.

use super::bare;
use super::cause::{self, Cause, Scene, Shared};
use super::content::{Content, Told};
use super::given::Before;
use crate::codec::Memory;
use crate::evidence::marked;
use crate::image::ChipImage;

/// Bits to say that single bits flipped at all, before saying which.
const FLIPS: f64 = 12.0;
/// Bits to say that all bits flipped, falling in proportion to the share that did: the prior of the share is an
/// exponential with a mean of one in a hundred.
const RARE: f64 = 144.0;
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
    /// Bits seen against the prediction: flips as `(chip, cell, line)`.
    pub flips: Vec<(usize, u32, u8)>,
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

impl Bench<'_> {
    /// Weighs a list of causes.
    pub(super) fn weigh(&self, causes: Vec<Shared>) -> Explanation {
        let mut truth = self.seen.to_vec();
        for cause in causes.iter().rev() {
            cause.undo(&mut truth, self.earlier.is_none());
        }
        let prior: f64 = causes.iter().map(|c| c.length(self.seen)).sum();
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
                self.weigh_given(causes, truth, known.as_deref(), earlier)
            }
            None => self.weigh_alone(causes, truth),
        };
        best.bits += prior;
        best
    }

    fn weigh_given(
        &self,
        causes: Vec<Shared>,
        truth: Vec<ChipImage>,
        known: Option<&[ChipImage]>,
        earlier: &[ChipImage],
    ) -> Explanation {
        let mut options = Vec::new();
        match (self.before, self.content) {
            (Some(before), Some(content)) => {
                let Ok(memory) = memory_of(content, &truth) else {
                    return self.close(causes, truth, 0.0, Vec::new());
                };
                let known = known.and_then(|k| memory_of(content, k).ok());
                let now = before.now(memory, known.as_ref());
                let (changed, all) = changed_bits(&truth, earlier);
                let plain = before.tell(&now, None);
                // Where nearly everything is new, another bank is told better by itself than as edits of the former.
                let other = (plain.bits > OTHER * before.told.bits)
                    .then(|| REPLACED + content.tell(now.memory()).bits);
                if changed > 0 {
                    let one = (all as f64 / changed as f64).log2();
                    for above in PRICES {
                        let given = before.tell(&now, Some(one + above));
                        if let Ok(images) = given.edited.images() {
                            options.push((images, given.bits, given.entries));
                        }
                    }
                }
                let replaced = other.filter(|bits| *bits < plain.bits);
                options.push((truth, replaced.unwrap_or(plain.bits), plain.entries));
            }
            _ => {
                options.push((earlier.to_vec(), 0.0, Vec::new()));
                let bits = bare::tell_given(&truth, earlier);
                options.push((truth, bits, Vec::new()));
            }
        }
        options
            .into_iter()
            .map(|(truth, bits, edited)| self.close(causes.clone(), truth, bits, edited))
            .min_by(|a, b| a.bits.total_cmp(&b.bits))
            .unwrap_or_else(|| self.close(causes, self.seen.to_vec(), 0.0, Vec::new()))
    }

    fn weigh_alone(&self, causes: Vec<Shared>, truth: Vec<ChipImage>) -> Explanation {
        let Some(content) = self.content else {
            let bits = bare::tell(&truth);
            return self.close(causes, truth, bits, Vec::new());
        };
        let Ok(memory) = memory_of(content, &truth) else {
            return self.close(causes, truth, 0.0, Vec::new());
        };
        let told = content.tell_still(&memory, causes.iter().find_map(|c| c.still()));
        self.close(causes, truth, told.bits, Vec::new())
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
        let still = plain.causes.iter().find_map(|c| c.still());
        let told = content.tell_still(&memory, still);
        let smooth = content.smoothed(&memory, &told);
        let Ok(images) = smooth.images() else {
            return plain;
        };
        let prior: f64 = plain.causes.iter().map(|c| c.length(self.seen)).sum();
        let bits = content.tell_still(&smooth, still).bits + prior;
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
            let near = newest.neighbours().into_iter().map(|cause| {
                let mut causes = vec![cause];
                causes.extend(others.iter().cloned());
                self.weigh(causes)
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
        let mut flips = Vec::new();
        let (mut open, mut all, mut own) = (0u64, 0u64, 0.0);
        for (chip, (p, s)) in predicted.iter().zip(self.seen).enumerate() {
            let (mut judged, mut missed) = (0u64, 0u64);
            let is_loose = loose.contains(&chip);
            for cell in 0..s.values().len().min(p.values().len()) {
                let known = s.known()[cell];
                open += u64::from((known & !p.known()[cell]).count_ones());
                judged += u64::from((known & p.known()[cell]).count_ones());
                let miss = (s.values()[cell] ^ p.values()[cell]) & known & p.known()[cell];
                missed += u64::from(miss.count_ones());
                for line in 0..s.width() {
                    if miss >> line & 1 == 1 && !is_loose {
                        flips.push((chip, cell as u32, line));
                    }
                }
            }
            if is_loose {
                own += marked(judged, missed);
            } else {
                all += judged;
            }
        }
        let k = flips.len() as u64;
        let exceptions = if k == 0 {
            0.0
        } else {
            FLIPS + marked(all, k) + RARE * k as f64 / all.max(1) as f64
        };
        Explanation {
            causes,
            bits: bits + exceptions + own + open as f64,
            flips,
            truth,
            edited,
        }
    }

    /// The explanations found, best first. The first entry is what to report; the explanation without any cause is
    /// among them.
    pub(super) fn search(&self, told: Option<&Told>) -> Vec<Explanation> {
        let sound = self.refined(self.weigh(Vec::new()));
        let mut all = vec![sound.clone()];
        let mut beam = vec![sound];
        let mut pool: Vec<Shared> = Vec::new();
        for depth in 0..DEPTH {
            let mut found: Vec<Explanation> = Vec::new();
            let floor = beam.first().map_or(f64::INFINITY, |b| b.bits);
            if beam
                .first()
                .is_none_or(|b| self.left_over(b) < cause::FAULT)
            {
                break;
            }
            for known in &beam {
                let fresh = self.propose(known, told);
                if depth == 0 {
                    pool.clone_from(&fresh);
                }
                for cause in fresh {
                    let mut causes = vec![cause];
                    causes.extend(known.causes.iter().cloned());
                    found.push(self.weigh(causes));
                }
                if depth > 0 {
                    // Without an earlier reading a rearrangement beside another cause proves nothing.
                    let beside = |p: &&Shared| {
                        !contains(&known.causes, p) && (self.earlier.is_some() || !p.rearranges())
                    };
                    for cause in pool.iter().filter(beside) {
                        let mut causes = known.causes.clone();
                        causes.push(cause.clone());
                        found.push(self.weigh(causes));
                    }
                }
            }
            found.sort_by(|a, b| a.bits.total_cmp(&b.bits));
            for e in found.iter_mut().take(BEAM) {
                *e = self.refined(self.moved(e.clone()));
            }
            found.sort_by(|a, b| a.bits.total_cmp(&b.bits));
            if depth == 0 {
                // Only causes that help at all are worth combining.
                pool = found
                    .iter()
                    .take(8)
                    .filter(|e| e.bits < floor)
                    .flat_map(|e| e.causes.clone())
                    .collect();
            }
            all.extend(found.iter().take(12).cloned());
            let better = found.first().is_some_and(|e| e.bits < floor);
            if !better {
                break;
            }
            found.truncate(BEAM);
            beam = found;
        }
        all.sort_by(|a, b| a.bits.total_cmp(&b.bits));
        all
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
            let now = content.tell(&memory);
            strained = now.surprise > 5.0;
            if strained || known.causes.is_empty() {
                strain = content.strain(&memory, &now);
            }
            if strained && known.causes.is_empty() {
                fresh.extend(self.slips(content, &seen, &strain, &now));
            }
            let _ = told;
        }
        let scene = Scene {
            seen: &seen,
            expected: self.earlier,
            layout: self.content.map(|c| c.layout),
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
            mismatch(&images, self.seen)
        };
        let base = miss(None);
        // A cause that leaves bits open cannot be ranked with the others by its misses, only among its like.
        let (open, placed): (Vec<Shared>, Vec<Shared>) = fresh.into_iter().partition(|c| c.open());
        let mut open: Vec<(f64, Shared)> = open.into_iter().map(|c| (miss(Some(&c)), c)).collect();
        open.sort_by(|a, b| a.0.total_cmp(&b.0));
        let open = open.into_iter().take(2 * WEIGHED).map(|r| r.1);
        let mut ranked: Vec<(f64, Shared)> = placed
            .into_iter()
            .map(|c| (miss(Some(&c)), c))
            .filter(|r| r.0 + 3.0 < base)
            .collect();
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

/// Known bits that differ, with a third for each bit left open: of those half would differ by chance.
fn mismatch(predicted: &[ChipImage], seen: &[ChipImage]) -> f64 {
    let mut miss = 0.0;
    for (p, s) in predicted.iter().zip(seen) {
        let (mut wrong, mut open) = (0u32, 0u32);
        for cell in 0..s.values().len().min(p.values().len()) {
            let known = s.known()[cell];
            wrong += ((s.values()[cell] ^ p.values()[cell]) & known & p.known()[cell]).count_ones();
            open += (known & !p.known()[cell]).count_ones();
        }
        miss += f64::from(wrong) + f64::from(open) / 3.0;
    }
    miss
}

/// Known bits that differ, and all known bits.
fn changed_bits(now: &[ChipImage], before: &[ChipImage]) -> (u64, u64) {
    let (mut changed, mut all) = (0, 0);
    for (n, b) in now.iter().zip(before) {
        for cell in 0..n.values().len().min(b.values().len()) {
            let known = n.known()[cell] & b.known()[cell];
            all += u64::from(known.count_ones());
            changed += u64::from(((n.values()[cell] ^ b.values()[cell]) & known).count_ones());
        }
    }
    (changed, all)
}

fn contains(causes: &[Shared], cause: &Shared) -> bool {
    let text = format!("{cause:?}");
    causes.iter().any(|c| format!("{c:?}") == text)
}

/// Fills unknown bits from an earlier reading.
pub(super) fn fill(chips: &mut [ChipImage], earlier: &[ChipImage]) {
    for (chip, before) in chips.iter_mut().zip(earlier) {
        chip.edit(|cell, v, k| {
            let c = cell as usize;
            let (bv, bk) = (before.values()[c], before.known()[c]);
            (v & k | bv & bk & !k, k | bk)
        });
    }
}

pub(super) fn memory_of(
    content: &Content,
    chips: &[ChipImage],
) -> Result<Memory, crate::codec::CodecError> {
    let images: Vec<&ChipImage> = chips.iter().collect();
    Memory::of_images(content.layout, &images)
}
