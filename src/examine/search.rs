//! Searching for the best explanation: causes are added one at a time while each pays for itself.

use std::sync::Arc;

use rayon::prelude::*;

use super::cause::{self, Region, Shared};
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
/// Most bits that telling one bit of the memory otherwise saves, on average over a stretch of them (judgement).
const A_BIT: f64 = 8.0;
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
                let mut others = causes.iter().enumerate().filter(|c| c.0 != i);
                if !others.any(|c| meet(other, c.1)) {
                    lists.push(causes);
                }
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
        let (sound, first) = if self.earlier.is_some() {
            let sound = self.refined(self.sound(told));
            let first = self.propose(&sound, told.map(AsRef::as_ref));
            (sound, first)
        } else {
            // What is worth weighing beside nothing does not depend on what nothing leaves to be told.
            let nothing = self.unexplained(Vec::new());
            rayon::join(
                || self.refined(self.sound(told)),
                || self.propose(&nothing, told.map(AsRef::as_ref)),
            )
        };
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
                self.consider_stretches(fresh, known, &mut kept);
                if depth > 0 {
                    // Without an earlier reading a rearrangement beside another cause proves nothing.
                    let beside = |p: &&Shared| {
                        !contains(&known.causes, p) && (self.earlier.is_some() || !p.rearranges())
                    };
                    let beside = pool.iter().filter(beside);
                    let lists: Vec<_> = beside.flat_map(|p| added(p, known, false)).collect();
                    self.consider(&lists, &mut kept);
                }
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

    /// Weighs further causes beside known ones. Of stretches that begin and end nearly alike the first is weighed, and the
    /// others where so little can make them as good as the best.
    fn consider_stretches(&self, fresh: Vec<Shared>, known: &Explanation, kept: &mut Kept) {
        let mut lists = Vec::with_capacity(fresh.len());
        let mut leaders: Vec<(Region, usize)> = Vec::new();
        let mut near = Vec::new();
        for cause in fresh {
            let stretch = cause.stretch();
            let leader = stretch.as_ref().and_then(|stretch| {
                let leaders = leaders.iter().rev();
                let mut close = leaders.filter_map(|(l, at)| Some((*at, l.nearly(stretch)?)));
                close.next()
            });
            if let Some((at, apart)) = leader {
                near.push((at, self.worth(&cause, apart), cause));
                continue;
            }
            lists.extend(added(&cause, known, true));
            if let (Some(stretch), Some(at)) = (stretch, lists.len().checked_sub(1)) {
                leaders.push((stretch, at));
            }
        }
        let least = self.consider(&lists, kept);
        let best = kept.found.first().map_or(f64::INFINITY, |b| b.bits);
        near.retain(|(at, worth, _)| least[*at] - worth <= best + BEHIND);
        let near = near.iter();
        let lists: Vec<_> = near.flat_map(|n| added(&n.2, known, true)).collect();
        self.consider(&lists, kept);
    }

    /// Most bits that may be saved by telling so many cells of a cause's chips otherwise.
    fn worth(&self, cause: &Shared, cells: u32) -> f64 {
        let chips = cause.chips();
        let images = chips.iter().filter_map(|c| self.seen.get(*c));
        let width: u32 = images.map(|c| u32::from(c.width())).sum();
        f64::from(cells * width) * A_BIT
    }

    /// Weighs lists of causes as far as they can still matter, a few at once. Where the best one leaves less to be told
    /// than any further cause costs, only what comes close to it matters. Says how many bits each list takes at least.
    fn consider(&self, lists: &[Vec<Shared>], kept: &mut Kept) -> Vec<f64> {
        let mut least = Vec::with_capacity(lists.len());
        for batch in lists.chunks(AT_ONCE) {
            let limit = kept.limit();
            let weighed: Vec<Option<Explanation>> = batch
                .par_iter()
                .map(|causes| self.weigh_within(causes.clone(), limit))
                .collect();
            for e in weighed {
                least.push(e.as_ref().map_or(limit, |e| e.bits));
                if let Some(e) = &e
                    && self.left_over(e) < cause::FAULT
                {
                    kept.ceiling = kept.ceiling.min(e.bits + BEHIND);
                }
                kept.add(e);
            }
        }
        least
    }
}

/// The lists of causes to weigh where one is added to known ones, `first` before them or after them. Where a stretch of cells
/// is added to another, one stretch over both is weighed too; if the two meet, it alone.
fn added(cause: &Shared, known: &Explanation, first: bool) -> Vec<Vec<Shared>> {
    let mut out = Vec::new();
    let mut meet = false;
    let stretch = cause.stretch();
    for (i, other) in known.causes.iter().enumerate() {
        let (Some(stretch), Some(known_stretch)) = (&stretch, other.stretch()) else {
            continue;
        };
        let Some(both) = stretch.joined(&known_stretch) else {
            continue;
        };
        let meets = stretch.meets(&known_stretch);
        meet |= meets;
        // After those known only what meets them is worth joining: others were joined when they were proposed.
        if both != known_stretch && (first || meets) {
            let mut causes = known.causes.clone();
            causes[i] = Arc::new(both);
            out.push(causes);
        }
    }
    if !meet {
        let mut causes = known.causes.clone();
        causes.insert(if first { 0 } else { causes.len() }, cause.clone());
        out.push(causes);
    }
    out
}

/// Whether both causes are stretches that one stretch over both tells better.
fn meet(a: &Shared, b: &Shared) -> bool {
    matches!((a.stretch(), b.stretch()), (Some(a), Some(b)) if a.meets(&b))
}

/// The causes of an explanation, in whatever order they were found.
fn named(e: &Explanation) -> Vec<String> {
    let mut out: Vec<String> = e.causes.iter().map(|c| format!("{c:?}")).collect();
    out.sort_unstable();
    out
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::examine::cause::{Filler, Order};

    fn noise(first: u32, last: u32) -> Shared {
        Arc::new(Region {
            chips: vec![0],
            first,
            last,
            filler: Filler::Noise,
        })
    }

    fn explained(causes: &[Shared]) -> Explanation {
        Explanation {
            causes: causes.to_vec(),
            bits: 0.0,
            as_edits: 0.0,
            surprise: 0.0,
            flips: 0,
            truth: Vec::new(),
            edits: crate::examine::many::Edited::default(),
            told: None,
        }
    }

    fn lists(cause: &Shared, known: &[Shared]) -> Vec<Vec<String>> {
        let added = added(cause, &explained(known), true);
        let named = |causes: &Vec<Shared>| causes.iter().map(|c| format!("{c:?}")).collect();
        added.iter().map(named).collect()
    }

    fn names(causes: &[Shared]) -> Vec<String> {
        causes.iter().map(|c| format!("{c:?}")).collect()
    }

    #[test]
    fn stretches_that_meet_are_weighed_as_one() {
        let known = [noise(16, 31)];
        // Side by side, overlapping: the one over both, by itself.
        assert_eq!(
            lists(&noise(32, 40), &known),
            [names(&[noise(16, 40)])],
            "side by side"
        );
        assert_eq!(lists(&noise(8, 20), &known), [names(&[noise(8, 31)])]);
        // Within: nothing new.
        assert!(lists(&noise(20, 24), &known).is_empty());
        // Apart: the one over both, and the two.
        assert_eq!(
            lists(&noise(33, 40), &known),
            [
                names(&[noise(16, 40)]),
                names(&[noise(33, 40), noise(16, 31)])
            ]
        );
    }

    #[test]
    fn other_causes_are_added_before_those_known() {
        let inverted: Shared = Arc::new(Order::Inverted(0));
        let known = [noise(16, 31)];
        assert_eq!(
            lists(&inverted, &known),
            [names(&[inverted.clone(), noise(16, 31)])]
        );
    }

    #[test]
    fn ends_a_thirty_second_apart_are_nearly_alike() {
        let region = |first, last| Region {
            chips: vec![0],
            first,
            last,
            filler: Filler::Noise,
        };
        // 64 cells: two cells apart are few, three are not.
        assert_eq!(region(0, 63).nearly(&region(1, 64)), Some(2));
        assert_eq!(region(0, 63).nearly(&region(2, 64)), None);
        let other = Region {
            chips: vec![1],
            ..region(0, 63)
        };
        assert_eq!(region(0, 63).nearly(&other), None);
    }
}
