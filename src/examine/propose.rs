//! Which causes are worth weighing beside those already accepted. It saves time only: weighing decides.

use std::borrow::Cow;
use std::sync::Arc;

use rayon::prelude::*;

use super::cause::{self, Cause, Order, Scene, Shared};
use super::content::{Content, Told};
use super::misses::compare;
use super::spent::Spent;
use super::weigh::{Bench, Explanation, memory_of, tell_alone};
use crate::image::ChipImage;

/// Bits of a reading from which fewer candidates are weighed, to stay quick.
const LARGE: u64 = 100_000;
/// Candidates weighed in full at each step.
const WEIGHED: usize = 12;
/// Bits of a reading that are told to rank candidates at a glance.
const GLANCE: u64 = 16_384;
/// Candidates told at a glance at once, whatever the machine.
const GLANCED: usize = 16;
/// Bits by which the rough account of what a cause saves may be too low.
const UNSURE: f64 = 10.0;
/// Dear stretches of a chip that are proposed.
const DEAR: usize = 12;
/// Bits spent on broken promises from which putting contents in another order is worth trying.
pub(super) const STRAINED: f64 = 5.0;
/// Times the start of a slip is looked for, each time by what was learned from the last.
const ROUNDS: usize = 3;

impl Bench<'_> {
    /// Causes worth weighing beside those already accepted.
    pub(super) fn propose(&self, known: &Explanation, told: Option<&Told>) -> Vec<Shared> {
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
            strained = now.surprise > STRAINED;
            if strained || known.causes.is_empty() {
                strain = content.strain(&memory, &now);
            }
            if strained && known.causes.is_empty() && !self.large() {
                fresh.extend(self.slips(content, &strain, &now));
            }
        }
        let spent = Spent::of(self, known, &seen);
        let dear: Vec<Vec<(u32, u32)>> = match &spent {
            Some(spent) => (0..seen.len()).map(|c| self.dear(spent, c)).collect(),
            None => Vec::new(),
        };
        let scene = Scene {
            seen: &seen,
            dear: &dear,
            expected: self.earlier,
            layout: self.content.map(|c| c.layout),
            held: self.content.map(|c| c.shape.held.as_slice()),
            strain: &strain,
            strained,
            crossings: !self.large(),
            further: !known.causes.is_empty(),
        };
        fresh.extend(cause::candidates(&scene));
        fresh.retain(|c| !contains(&known.causes, c));
        match self.earlier {
            Some(earlier) => self.most_promising(fresh, known, earlier, (&seen, spent.as_ref())),
            None if self.large() && known.causes.is_empty() => {
                self.at_a_glance(fresh, &seen, WEIGHED)
            }
            None if self.large() => self.at_a_glance(fresh, &seen, WEIGHED / 2),
            // Told in full is told soon.
            None if fresh.len() <= 32 * WEIGHED => fresh,
            None => self.at_a_glance(fresh, &seen, 4 * WEIGHED),
        }
    }

    /// Stretches of a chip on which more is spent than noise would take, those that save most first.
    fn dear(&self, spent: &Spent, chip: usize) -> Vec<(u32, u32)> {
        let mut found = spent.stretches(chip, f64::from(self.seen[chip].width()));
        found.sort_by(|a, b| b.2.total_cmp(&a.2));
        let found = found.into_iter().take(DEAR);
        found.map(|(first, last, _)| (first, last)).collect()
    }

    /// The likeliest crossings of lines of a large reading without an earlier one, for when what else was weighed
    /// leaves promises broken.
    pub(super) fn crossings(&self) -> Vec<Shared> {
        let Some(content) = self.content else {
            return Vec::new();
        };
        let unclaimed = content.shape.unclaimed.iter().zip(&content.layout.chips);
        let unclaimed: Vec<Vec<(u32, u8)>> = unclaimed
            .map(|(cells, chip)| {
                let whole = (0xffu16 >> (8 - chip.width.min(8))) as u8;
                let cells = (0..).zip(cells).filter(|c| *c.1 == whole);
                cells.map(|c| (c.0, chip.fill.unwrap_or(0))).collect()
            })
            .collect();
        let crossings = cause::crossings(self.seen, &unclaimed);
        self.at_a_glance(crossings, self.seen, WEIGHED / 2)
    }

    /// The slips of a large reading without an earlier one.
    pub(super) fn slipped(&self, told: &Told) -> Vec<Shared> {
        match self.content.map(|c| (c, memory_of(c, self.seen))) {
            Some((content, Ok(memory))) => {
                self.slips(content, &content.strain(&memory, told), told)
            }
            _ => Vec::new(),
        }
    }

    /// Whether the reading is so large that fewer candidates are weighed.
    pub(super) fn large(&self) -> bool {
        self.bits() > LARGE
    }

    fn bits(&self) -> u64 {
        self.seen.iter().map(ChipImage::bits).sum()
    }

    /// The likeliest causes where there are more than are weighed in full, by telling a part of the contents.
    fn at_a_glance(&self, mut fresh: Vec<Shared>, seen: &[ChipImage], most: usize) -> Vec<Shared> {
        let Some(content) = self.content.filter(|_| fresh.len() > most) else {
            fresh.truncate(most);
            return fresh;
        };
        let step = (self.bits() / GLANCE).max(1);
        let thin = content.thinned(step as usize);
        let bits = |cause: &Shared, limit: f64| {
            let mut truth = seen.to_vec();
            cause.undo(&mut truth, true);
            let memory = memory_of(&thin, &truth).ok()?;
            let causes = std::slice::from_ref(cause);
            let length = cause.length(self.seen);
            let limit = (limit - length) / step as f64;
            let told = tell_alone(&thin, seen, causes, &memory, limit);
            (told.bits <= limit).then_some(told.bits * step as f64 + length)
        };
        // Noise leaves everything open: that it saves telling says nothing.
        let (mut out, placed): (Vec<Shared>, Vec<Shared>) =
            fresh.into_iter().partition(|c| c.open());
        let mut ranked: Vec<(f64, Shared)> = Vec::new();
        for batch in placed.chunks(GLANCED) {
            // What takes more than the last of the best so far is not among them.
            let last = ranked.get(most - 1).map_or(f64::INFINITY, |r| r.0);
            let batch = batch.par_iter();
            let found = batch.filter_map(|c| Some((bits(c, last)?, Arc::clone(c))));
            ranked.extend(found.collect::<Vec<_>>());
            ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
            ranked.truncate(most);
        }
        out.extend(ranked.into_iter().map(|r| r.1));
        out
    }

    /// With an earlier reading a forward prediction tells quickly which causes bring what is seen closer.
    fn most_promising(
        &self,
        mut fresh: Vec<Shared>,
        known: &Explanation,
        earlier: &[ChipImage],
        (seen, spent): (&[ChipImage], Option<&Spent>),
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
        // Among edits what was done is little beside what they changed: what a cause saves of the bits spent tells of it.
        let worth = |c: &Shared| {
            let spent = spent.filter(|s| s.alike || c.stretch().is_some())?;
            let saved = spent.saves(c, seen, earlier) - c.length(self.seen);
            (saved > -UNSURE).then_some(saved)
        };
        let promising = fresh.par_iter();
        let promising = promising.filter_map(|c| Some((worth(c)?, Arc::clone(c))));
        let mut promising: Vec<(f64, Shared)> = promising.collect();
        promising.sort_by(|a, b| b.0.total_cmp(&a.0));
        promising.truncate(WEIGHED);
        let promising: Vec<Shared> = promising.into_iter().map(|p| p.1).collect();
        fresh.retain(|c| !promising.iter().any(|p| Arc::ptr_eq(p, c)));
        // A cause that leaves bits open cannot be ranked with the others by its misses, only among its like.
        let (open, placed): (Vec<Shared>, Vec<Shared>) = fresh.into_iter().partition(|c| c.open());
        let mut ranked: Vec<(f64, Shared)> = placed
            .into_par_iter()
            .map(|c| (ranking(miss(Some(&c))), c))
            .collect();
        let most = ranked
            .iter()
            .map(|r| ranking(base) - r.0)
            .fold(0.0, f64::max);
        let little = little.max(most / 3.0);
        ranked.retain(|r| r.0 + 3.0 < ranking(base) && r.0 + little <= ranking(base));
        let mut open: Vec<(f64, Shared)> = open
            .into_par_iter()
            .map(|c| (miss(Some(&c)), c))
            .filter(|r| wrong(r.0) + little <= wrong(base))
            .map(|(m, c)| (ranking(m), c))
            .collect();
        open.sort_by(|a, b| a.0.total_cmp(&b.0));
        let most = if self.large() { 3 } else { 10 } * WEIGHED;
        let open = open.into_iter().take(most);
        let open = open.map(|r| r.1);
        ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
        let ranked = ranked.into_iter().take(WEIGHED).map(|r| r.1);
        promising.into_iter().chain(ranked).chain(open).collect()
    }

    /// Streams slipped from somewhere on, for each chip and direction.
    fn slips(&self, content: &Content, strain: &[Vec<f32>], told: &Told) -> Vec<Shared> {
        let ways: Vec<(usize, bool)> = (0..strain.len())
            .flat_map(|chip| [(chip, true), (chip, false)])
            .collect();
        let found = ways.into_par_iter().flat_map_iter(|(chip, late)| {
            let whole = Order::Slipped(chip, 0, late);
            let found = self.slip(content, whole, &strain[chip], told);
            let plain = (found != Some(whole)).then_some(whole);
            found.into_iter().chain(plain)
        });
        found.map(|o| Arc::new(o) as Shared).collect()
    }

    /// Where a slip begins, by the strain of the cells straight and slipped; looked for again by what the contents
    /// teach once the slip is undone.
    fn slip(&self, content: &Content, whole: Order, strain: &[f32], told: &Told) -> Option<Order> {
        let (chip, late) = match whole {
            Order::Slipped(chip, _, late) => (chip, late),
            _ => return None,
        };
        let undone = |order: Order| {
            let mut images = self.seen.to_vec();
            order.undo(&mut images, false);
            memory_of(content, &images).ok()
        };
        let slipped = undone(whole)?;
        let straight = memory_of(content, self.seen).ok()?;
        let mut found = cause::slip_by_strain(
            chip,
            strain,
            content.strain(&slipped, told).get(chip)?,
            late,
        );
        if found.is_none() && self.large() {
            return None;
        }
        for _ in 1..ROUNDS {
            let told = content.tell(&undone(found.unwrap_or(whole))?);
            let (x, y) = (
                content.strain(&straight, &told),
                content.strain(&slipped, &told),
            );
            let again = cause::slip_by_strain(chip, x.get(chip)?, y.get(chip)?, late);
            if again.is_none() || again == found {
                break;
            }
            found = again;
        }
        found
    }
}

pub(super) fn contains(causes: &[Shared], cause: &Shared) -> bool {
    if causes.is_empty() {
        return false;
    }
    let text = format!("{cause:?}");
    causes.iter().any(|c| format!("{c:?}") == text)
}
