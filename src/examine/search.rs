//! Searching for the best explanation: causes are added one at a time while each pays for itself.

use std::sync::Arc;

use rayon::prelude::*;

use super::cause::{self, Shared};
use super::content::Told;
use super::propose::{STRAINED, contains};
use super::weigh::{Bench, Explanation};

/// Explanations followed further at each step.
const BEAM: usize = 2;
/// Most causes at once.
const DEPTH: usize = 3;
/// The explanations found at one step that may still matter: those close to the best, and the best few of the others.
struct Kept {
    found: Vec<Explanation>,
    /// Bits beyond which nothing is worth keeping.
    ceiling: f64,
}

/// Lists of causes weighed at once, whatever the machine: what is found must not depend on it.
const AT_ONCE: usize = 4;
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
    /// Without an earlier reading, where the strain of cells only says roughly where a cause begins: the same explanation
    /// with its newest cause moved while that helps.
    fn moved(&self, plain: Explanation) -> Explanation {
        let mut best = plain;
        while self.earlier.is_none() {
            let Some((newest, others)) = best.causes.split_first() else {
                break;
            };
            let near = newest.neighbours().into_par_iter().filter_map(|cause| {
                let mut causes = vec![cause];
                causes.extend(others.iter().cloned());
                self.weigh_within(causes, best.bits)
            });
            let near: Vec<Explanation> = near.collect();
            match near.into_iter().min_by(|a, b| a.bits.total_cmp(&b.bits)) {
                Some(nearer) if nearer.bits < best.bits => best = nearer,
                _ => break,
            }
        }
        best
    }

    /// An explanation by several causes with one of them replaced by another that helps by itself, if that is better:
    /// what was the best cause alone need not be the best beside another.
    fn replaced(&self, e: &Explanation, pool: &[Shared]) -> Option<Explanation> {
        if e.causes.len() < 2 {
            return None;
        }
        let mut lists = Vec::new();
        for i in 0..e.causes.len() {
            for other in pool.iter().filter(|p| !contains(&e.causes, p)) {
                let mut causes = e.causes.clone();
                causes[i] = other.clone();
                lists.push(causes);
            }
        }
        let mut best: Option<Explanation> = None;
        for batch in lists.chunks(AT_ONCE) {
            let limit = best.as_ref().map_or(e.bits, |b| b.bits);
            let weighed = batch.par_iter();
            let weighed = weighed.map(|causes| self.weigh_within(causes.clone(), limit));
            for found in weighed.collect::<Vec<_>>() {
                let limit = best.as_ref().map_or(e.bits, |b| b.bits);
                best = found.filter(|f| f.bits < limit).or(best);
            }
        }
        best
    }

    /// The explanations found, best first. The first entry is what to report; the explanation without any cause is
    /// among them.
    pub(super) fn search(&self, told: Option<&Arc<Told>>) -> Vec<Explanation> {
        // What is worth weighing beside nothing does not depend on what nothing leaves to be told.
        let nothing = self.unexplained(Vec::new());
        let (sound, first) = rayon::join(
            || self.refined(self.sound(told)),
            || self.propose(&nothing, told.map(AsRef::as_ref)),
        );
        let mut all = vec![sound.clone()];
        let mut beam = vec![sound];
        let mut pool: Vec<Shared> = Vec::new();
        let width = if self.earlier.is_none() && self.large() {
            1
        } else {
            BEAM
        };
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
                let fresh = if depth == 0 {
                    pool.clone_from(&first);
                    first.clone()
                } else {
                    self.propose(known, told.map(AsRef::as_ref))
                };
                let mut lists = Vec::with_capacity(fresh.len());
                for cause in fresh {
                    lists.extend(joined(&cause, known));
                    let mut causes = vec![cause];
                    causes.extend(known.causes.iter().cloned());
                    lists.push(causes);
                }
                if depth > 0 {
                    // Without an earlier reading a rearrangement beside another cause proves nothing.
                    let beside = |p: &&Shared| {
                        !contains(&known.causes, p) && (self.earlier.is_some() || !p.rearranges())
                    };
                    for cause in pool.iter().filter(beside) {
                        let mut causes = known.causes.clone();
                        causes.push(cause.clone());
                        lists.push(causes);
                    }
                }
                self.consider(&lists, &mut kept);
            }
            if depth == 0
                && self.earlier.is_none()
                && self.large()
                && let (Some(sound), Some(told)) = (beam.first(), told)
            {
                self.consider_orders(sound, told, &mut kept);
            }
            let mut found = kept.found;
            let near = found.first().map_or(floor, |b| b.bits) + BEHIND;
            for e in found.iter_mut().take(width) {
                if e.bits <= near {
                    *e = self.refined(self.moved(e.clone()));
                }
            }
            if let Some(e) = found.first().and_then(|e| self.replaced(e, &pool)) {
                found.insert(0, e);
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
            found.truncate(width);
            beam = found;
        }
        all.sort_by(|a, b| a.bits.total_cmp(&b.bits));
        // One that was moved to where another stood, or found in another order.
        all.dedup_by(|a, b| a.bits == b.bits && named(a) == named(b));
        all
    }

    /// Slips and crossed lines of a large reading, which take long to weigh: only where what was weighed before leaves most of
    /// the broken promises unexplained, or takes a stretch that breaks them for noise.
    fn consider_orders(&self, sound: &Explanation, told: &Told, kept: &mut Kept) {
        let unexplained = |kept: &Kept| {
            let best = kept.found.first().unwrap_or(sound);
            let noise = best.causes.iter().any(|c| c.stretch().is_some());
            noise || best.surprise > STRAINED.max(sound.surprise / 2.0)
        };
        if sound.surprise > STRAINED && unexplained(kept) {
            let slips: Vec<_> = self.slipped(told).into_iter().map(|c| vec![c]).collect();
            self.consider(&slips, kept);
        }
        if sound.surprise > STRAINED && unexplained(kept) {
            let crossings: Vec<_> = self.crossings().into_iter().map(|c| vec![c]).collect();
            self.consider(&crossings, kept);
        }
    }

    /// Weighs lists of causes as far as they can still matter, a few at once. Where the best one leaves less to be told
    /// than any further cause costs, only what comes close to it matters.
    fn consider(&self, lists: &[Vec<Shared>], kept: &mut Kept) {
        for batch in lists.chunks(AT_ONCE) {
            let limit = kept.limit();
            let weighed: Vec<Option<Explanation>> = batch
                .par_iter()
                .map(|causes| self.weigh_within(causes.clone(), limit))
                .collect();
            for e in weighed {
                if let Some(e) = &e
                    && self.left_over(e) < cause::FAULT
                {
                    kept.ceiling = kept.ceiling.min(e.bits + BEHIND);
                }
                kept.add(e);
            }
        }
    }
}

/// Where a stretch of cells would be added to another, one stretch over both is weighed too.
fn joined(cause: &Shared, known: &Explanation) -> Vec<Vec<Shared>> {
    let Some(stretch) = cause.stretch() else {
        return Vec::new();
    };
    let others = known.causes.iter().enumerate();
    let both = others.filter_map(|(i, other)| Some((i, stretch.joined(&other.stretch()?)?)));
    both.map(|(i, both)| {
        let mut causes = known.causes.clone();
        causes[i] = Arc::new(both);
        causes
    })
    .collect()
}

/// The causes of an explanation, in whatever order they were found.
fn named(e: &Explanation) -> Vec<String> {
    let mut out: Vec<String> = e.causes.iter().map(|c| format!("{c:?}")).collect();
    out.sort_unstable();
    out
}
