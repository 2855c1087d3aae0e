//! A stretch of cells overwritten: a glitched entry, or a partial overwrite that ends at a round address.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::{Cause, FAULT, Filler, Names, Scene, Shared, address_lines, finding, otherwise, runs};
use crate::evidence::one_of;
use crate::finding::Finding;
use crate::image::ChipImage;
use crate::layout::model::Layout;

/// A stretch of one chip, or of the chips that make up one word together, that holds something else.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Region {
    /// Indices of the chips: one, or all of those that are written together.
    pub chips: Vec<usize>,
    /// First cell.
    pub first: u32,
    /// Last cell, inclusive.
    pub last: u32,
    /// What it holds: constant or noise.
    pub filler: Filler,
}

/// Longest stretch that counts as a glitch, in cells for each data line: a write pulse at power-on or off hits
/// one cell or a few (common practice, no source).
const GLITCH: u32 = 64;

/// Bits by which stray writes are rarer than faults of lines and chips (common practice, no source).
const RARER: f64 = 4.0;

/// One in so many cells of a stretch is few.
const FEW: u32 = 32;

impl Region {
    fn cells(&self) -> u32 {
        self.last - self.first + 1
    }

    /// One stretch in place of two with the same filler in one chip, from the first cell of either to the last.
    pub(crate) fn joined(&self, other: &Region) -> Option<Region> {
        let alike = (&self.chips, &self.filler) == (&other.chips, &other.filler);
        alike.then(|| Region {
            first: self.first.min(other.first),
            last: self.last.max(other.last),
            ..self.clone()
        })
    }

    /// Whether two stretches with the same filler in the same chips overlap or stand side by side.
    pub(crate) fn meets(&self, other: &Region) -> bool {
        (&self.chips, &self.filler) == (&other.chips, &other.filler)
            && self.first <= other.last.saturating_add(1)
            && other.first <= self.last.saturating_add(1)
    }

    /// The cells that are in one only of two stretches with the same filler, where these are few beside those in both.
    pub(crate) fn nearly(&self, other: &Region) -> Option<u32> {
        let apart = self.first.abs_diff(other.first) + self.last.abs_diff(other.last);
        (self.meets(other) && apart <= self.cells() / FEW).then_some(apart)
    }

    /// Bits saved because noise may have left cells at either end as they were: all the stretches that begin
    /// earlier or end later explain the same, each further cell with a chance of one in `2^width`.
    fn borders(&self, width: u32) -> f64 {
        match self.filler {
            Filler::Constant(_) => 0.0,
            _ => -2.0 * (1.0 - (-f64::from(width)).exp2()).log2(),
        }
    }

    fn short(&self, width: u32) -> bool {
        self.cells() * width <= GLITCH
    }
}

/// Bits to name a boundary: round addresses are cheaper, in proportion to how few of them there are, since loads and
/// clears go by blocks (common practice, no source).
fn boundary(at: u32, lines: u32) -> f64 {
    let round = if at == 0 {
        lines
    } else {
        at.trailing_zeros().min(lines)
    };
    f64::from(lines - round) + (f64::from(lines) + 1.0).log2()
}

impl Cause for Region {
    fn code(&self) -> &'static str {
        if self.cells() <= GLITCH / 4 {
            "entry.glitched"
        } else {
            "region.overwritten"
        }
    }

    fn length(&self, chips: &[ChipImage]) -> f64 {
        let images = || self.chips.iter().filter_map(|c| chips.get(*c));
        let Some(image) = images().next() else {
            return f64::INFINITY;
        };
        let lines = address_lines(image);
        let width: u32 = images().map(|c| u32::from(c.width())).sum();
        let place = if self.short(width) {
            // Where power comes and goes address 0 is hit as often as all others together (common practice, no source).
            let first = if self.first == 0 {
                0.0
            } else {
                f64::from(lines)
            };
            1.0 + first + one_of((GLITCH / width) as usize)
        } else {
            boundary(self.first, lines) + boundary(self.last + 1, lines)
        };
        let filler = match self.filler {
            Filler::Constant(_) => f64::from(width) + 1.0,
            _ => 1.0,
        };
        // One chip or those written with it: with several chips one bit says which.
        let reach = one_of(chips.len()) + if chips.len() > 1 { 1.0 } else { 0.0 };
        FAULT + RARER + reach + place + filler - self.borders(width)
    }

    fn forward(&self, chips: &mut [ChipImage]) {
        let (value, known) = match self.filler {
            Filler::Constant(v) => (v, 0xff),
            _ => (0, 0),
        };
        for chip in &self.chips {
            if let Some(image) = chips.get_mut(*chip) {
                image.fill_cells(self.first..=self.last, value, known);
            }
        }
    }

    fn undo(&self, chips: &mut [ChipImage], _plausible: bool) {
        for chip in &self.chips {
            if let Some(image) = chips.get_mut(*chip) {
                image.fill_cells(self.first..=self.last, 0, 0);
            }
        }
    }

    fn open(&self) -> bool {
        self.filler == Filler::Noise
    }

    fn chips(&self) -> Vec<usize> {
        self.chips.clone()
    }

    fn stretch(&self) -> Option<Region> {
        Some(self.clone())
    }

    fn tell(&self, names: &Names) -> Finding {
        let mut places = self.chips.iter().map(|chip| {
            let mut place = names.place(*chip);
            place.cells = runs(self.first, self.last);
            place
        });
        let ids: Vec<&str> = self.chips.iter().map(|c| names.of(*c)).collect();
        let what = match self.filler {
            Filler::Constant(v) => format!("all {v:#04x}"),
            _ => "nonsense".to_owned(),
        };
        let ids = ids.join(" and ");
        let says = match self.last - self.first {
            0 => format!(
                "{ids}: cell {:#06x} holds {what}, its neighbours are intact",
                self.first
            ),
            _ => format!(
                "{ids}: cells {:#06x} to {:#06x} hold {what}, their neighbours are intact",
                self.first, self.last
            ),
        };
        let first = places.next().unwrap_or_default();
        let mut f = finding(self.code(), first, says).means("What these cells held is lost.");
        f.place.chips.extend(places);
        if self.code() == "entry.glitched" {
            otherwise(
                f.act("A stray write at power-up or power-down: check reset, write enable and the memory-protect switch before restoring."),
                &["the owner saved over it while something was wrong"],
            )
        } else {
            otherwise(
                f.act("A load or clear that was broken off: ask what was done last, and check the tape or transfer path."),
                &["a bank select line failed while the instrument wrote"],
            )
        }
    }
}

/// The stretch with the largest sum, if it is positive.
fn richest(gain: impl Iterator<Item = f64>) -> Option<(u32, u32, f64)> {
    let (mut best, mut sum, mut start) = (None::<(u32, u32, f64)>, 0.0, 0u32);
    for (i, g) in gain.enumerate() {
        if sum <= 0.0 {
            sum = 0.0;
            start = i as u32;
        }
        sum += g;
        if sum > 0.0 && best.is_none_or(|b| sum > b.2) {
            best = Some((start, i as u32, sum));
        }
    }
    best
}

/// Changed cells in clusters, each with its first and last cell: those with the most changed bits for every width of
/// gap that a cluster may have. Of noise written over a stretch, here and there a cell happens to be as it was.
fn clusters(changed: &dyn Fn(usize) -> u32, words: usize) -> Vec<(u32, u32)> {
    const GAPS: [usize; 3] = [2, 4, 8];
    const MOST: usize = 8;
    let at: Vec<usize> = (0..words).filter(|c| changed(*c) > 0).collect();
    let mut out = Vec::new();
    for gap in GAPS {
        let mut found: Vec<(u32, u32, u32)> = Vec::new();
        let mut last_at = None;
        for &c in &at {
            let bits = changed(c);
            match found.last_mut() {
                Some(run) if last_at.is_some_and(|l| c - l <= gap) => {
                    run.0 += bits;
                    run.2 = c as u32;
                }
                _ => found.push((bits, c as u32, c as u32)),
            }
            last_at = Some(c);
        }
        found.sort_by_key(|f| std::cmp::Reverse(f.0));
        for (_, first, last) in found.into_iter().take(MOST) {
            if !out.contains(&(first, last)) {
                out.push((first, last));
            }
        }
    }
    out
}

/// A stretch with the changed cells close by: noise leaves cells at its ends that hardly changed.
fn widened((first, last): (u32, u32), changed: &dyn Fn(usize) -> u32, words: usize) -> (u32, u32) {
    const GAP: usize = 2;
    let (mut first, mut last) = (first as usize, last as usize);
    while let Some(c) = (first.saturating_sub(GAP)..first).find(|c| changed(*c) > 0) {
        first = c;
    }
    while let Some(c) = (last + 1..(last + 1 + GAP).min(words)).rfind(|c| changed(*c) > 0) {
        last = c;
    }
    (first as u32, last as u32)
}

/// The longest run of one value, when it is at least eight cells, as `(first, last, value)`.
fn longest_run(image: &ChipImage, worth: &dyn Fn(u32) -> f64) -> Option<(u32, u32, u8)> {
    let mut best = None::<(f64, u32, u32, u8)>;
    let mut start = 0;
    let mut sum = 0.0;
    for cell in 0..image.words() {
        let c = cell as usize;
        let same = cell > 0
            && image.values()[c] == image.values()[c - 1]
            && image.known()[c] == image.mask();
        if !same {
            start = cell;
            sum = 0.0;
        }
        sum += worth(cell);
        if cell - start >= 7 && sum > best.map_or(0.0, |b| b.0) {
            best = Some((sum, start, cell, image.values()[c]));
        }
    }
    best.map(|b| (b.1, b.2, b.3))
}

/// Ends moved to the nearest rounder addresses inside and outside.
fn rounded(first: u32, last: u32, words: u32) -> Vec<(u32, u32)> {
    let mut out = vec![(first, last)];
    for bits in [2u32, 3, 4, 5, 6, 7, 8, 9, 10] {
        let step = 1u32 << bits;
        let near = |x: u32| (x + step / 2) / step * step;
        let (f, end) = (near(first), near(last + 1));
        let slack = (last - first + 1) / 8 + 2;
        if f < end && end <= words && f.abs_diff(first) <= slack && end.abs_diff(last + 1) <= slack
        {
            for candidate in [(f, end - 1), (first, end - 1), (f, last)] {
                if candidate.0 <= candidate.1 && !out.contains(&candidate) {
                    out.push(candidate);
                }
            }
        }
    }
    out
}

/// The chips that are written together: those in which an entry of the layout lies in the same cells.
fn together(layout: &Layout) -> Vec<Vec<usize>> {
    let mut out: Vec<Vec<usize>> = Vec::new();
    for area in &layout.areas {
        let mut at: BTreeMap<u32, BTreeSet<usize>> = BTreeMap::new();
        for p in area.places.iter().take(area.bits_per_entry) {
            at.entry(p.cell).or_default().insert(usize::from(p.chip));
        }
        for chips in at.into_values().filter(|c| c.len() > 1) {
            let chips: Vec<usize> = chips.into_iter().collect();
            let words = |c: &usize| layout.chips.get(*c).map(|c| c.words);
            let alike = chips.iter().all(|c| words(c) == words(&chips[0]));
            if alike && !out.contains(&chips) {
                out.push(chips);
            }
        }
    }
    out
}

/// Most stretches of chips written together that are weighed.
const MOST: usize = 12;

/// Stretches that changed in several chips written together, beside an earlier reading: the clusters of the cells that changed
/// in any of them.
fn propose_together(scene: &Scene, out: &mut Vec<Shared>) {
    let (Some(expected), Some(layout)) = (scene.expected, scene.layout) else {
        return;
    };
    for chips in together(layout) {
        let Some(words) = chips.iter().map(|c| scene.seen[*c].values().len()).min() else {
            continue;
        };
        let changed = |c: usize| -> u32 {
            let bits = |chip: &usize| {
                let (now, then) = (&scene.seen[*chip], &expected[*chip]);
                let known = now.known()[c] & then.known()[c];
                ((now.values()[c] ^ then.values()[c]) & known).count_ones()
            };
            chips.iter().map(bits).sum()
        };
        let of_areas = |c: usize| {
            let held = |chip: &usize| scene.held.is_none_or(|h| h[*chip][c]);
            if chips.iter().any(held) {
                changed(c)
            } else {
                0
            }
        };
        let mut found = clusters(&of_areas, words);
        // Chips written together are told in the same cells of each.
        let dear = chips.iter().filter_map(|c| scene.dear.get(*c)).flatten();
        found.extend(dear.copied().filter(|d| (d.1 as usize) < words));
        found.sort_unstable();
        found.dedup();
        found.sort_by_key(|(f, l)| {
            std::cmp::Reverse((*f..=*l).map(|c| of_areas(c as usize)).sum::<u32>())
        });
        found.truncate(MOST);
        // Nonsense in one chip alone is weighed as that.
        found.retain(|(f, l)| {
            let changed = |chip: &&usize| {
                let (now, then) = (scene.seen[**chip].values(), expected[**chip].values());
                let range = *f as usize..=*l as usize;
                now[range.clone()] != then[range]
            };
            chips.iter().filter(changed).count() > 1
        });
        let whole = |f: u32, l: u32| f == 0 && l as usize + 1 == words;
        let mut weighed: Vec<(u32, u32)> = found
            .into_iter()
            .flat_map(|(f, l)| rounded(f, l, words as u32))
            .filter(|(f, l)| !whole(*f, *l))
            .collect();
        weighed.sort_unstable();
        weighed.dedup();
        out.extend(weighed.into_iter().map(|(first, last)| {
            Arc::new(Region {
                chips: chips.clone(),
                first,
                last,
                filler: Filler::Noise,
            }) as Shared
        }));
    }
}

pub(super) fn propose(scene: &Scene, out: &mut Vec<Shared>) {
    propose_together(scene, out);
    for (chip, image) in scene.seen.iter().enumerate() {
        let width = f64::from(image.width());
        let mut stretches = Vec::new();
        let mut constant = None;
        // Short clusters of changes: a write pulse ends anywhere, not at a round address.
        let mut clustered: Vec<(u32, u32)> = Vec::new();
        if let Some(expected) = scene.expected {
            let expected = &expected[chip];
            let changed = |c: usize| {
                ((image.values()[c] ^ expected.values()[c])
                    & image.known()[c]
                    & expected.known()[c])
                    .count_ones()
            };
            let gain = |c: usize| {
                let d = f64::from(changed(c));
                d * 1.2 - (width - d) * 0.8
            };
            if (0..image.values().len()).all(|c| changed(c) == 0) {
                continue;
            }
            let words = image.values().len();
            if let Some((first, last, _)) = richest((0..words).map(gain)) {
                stretches.push((first, last));
                stretches.push(widened((first, last), &changed, words));
            }
            // What no area holds is the instrument's own scratch, which every use changes.
            let held = scene.held.and_then(|h| h.get(chip));
            let of_areas = |c: usize| match held {
                Some(held) if !held[c] => 0,
                _ => changed(c),
            };
            let mut found = clusters(&changed, words);
            found.retain(|(f, l)| (*f..=*l).any(|c| of_areas(c as usize) > 0));
            found.extend(clusters(&of_areas, words));
            found.extend(scene.dear.get(chip).into_iter().flatten());
            let found = found.into_iter();
            let (few, many) =
                found.partition(|(f, l)| (l - f + 1) as f64 * width <= f64::from(GLITCH));
            clustered = few;
            stretches.extend::<Vec<_>>(many);
            constant = longest_run(image, &|cell| f64::from(changed(cell as usize)));
        } else if let Some(strain) = scene.strain.get(chip).filter(|s| !s.is_empty()) {
            let strain = strain.iter().map(|s| f64::from(*s));
            stretches.extend(richest(strain).map(|r| (r.0, r.1)));
            constant = longest_run(image, &|cell| {
                f64::from(scene.strain[chip][cell as usize]) + width
            });
        }
        let whole = |f: u32, l: u32| f == 0 && l + 1 == image.words();
        let stretches = stretches.into_iter();
        let mut noisy: Vec<(u32, u32)> = stretches
            .flat_map(|(first, last)| rounded(first, last, image.words()))
            .chain(clustered)
            .filter(|(first, last)| !whole(*first, *last))
            .collect();
        noisy.sort_unstable();
        noisy.dedup();
        for (first, last) in noisy {
            out.push(Arc::new(Region {
                chips: vec![chip],
                first,
                last,
                filler: Filler::Noise,
            }));
        }
        if let Some((first, last, value)) = constant
            && !whole(first, last)
        {
            for (first, last) in rounded(first, last, image.words()) {
                out.push(Arc::new(Region {
                    chips: vec![chip],
                    first,
                    last,
                    filler: Filler::Constant(value),
                }));
            }
        }
    }
}
