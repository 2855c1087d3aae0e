//! A hypothesis looked at closely: where its columns start, and how much of the memory it explains.

mod weights;

use super::cells::Experiment;
use super::dictionary::Dictionary;
use super::shifted::{Carried, Shift};
use super::space::{Contents, PresetMap, Space, gcd, pivots};
use weights::Weight;

/// The chance that a structure in doubt is right, where nothing says more; so it was on tuning seeds.
pub(crate) const DOUBTED: f64 = 0.9;

/// A preset structure with the bases of its columns.
#[derive(Clone, Debug)]
pub(crate) struct Explained {
    pub(crate) space: Space,
    pub(crate) map: PresetMap,
    /// Bases of the columns: the address of preset 1's cell, as the map counts.
    pub(crate) bases: Vec<u32>,
    /// Logarithm of the odds against chance.
    pub(crate) weight: f64,
    /// Columns that read as words of controls.
    pub(crate) hits: usize,
    /// Columns that are not constant over the end-stop settings.
    pub(crate) moving: usize,
    /// What makes it doubtful, if anything: then nothing that rests on it is certain.
    pub(crate) doubt: Option<String>,
    /// Where it is in doubt, the chance that it is right all the same: nothing that rests on it is surer.
    pub(crate) sure: f64,
    /// How far a reading that holds every setting one preset further back bears it out.
    pub(crate) carried: Carried,
    /// Where presets are on address lines of their own: the lines that carry the slot, its lowest bit first, if not simply
    /// all others from the lowest on; and the bits of the slot that are counted the other way round.
    pub(crate) slots: Vec<u32>,
    pub(crate) turned: u32,
}

impl Explained {
    /// The columns at these bases, with what was counted of each.
    fn of(
        space: &Space,
        map: &PresetMap,
        bases: Vec<u32>,
        weights: &[Option<Weight>],
        weight: f64,
    ) -> Self {
        let counted = || bases.iter().filter_map(|b| weights[*b as usize]);
        Self {
            space: space.clone(),
            map: map.clone(),
            hits: counted().map(|w| w.hits).sum(),
            moving: counted().map(|w| w.moving).sum(),
            doubt: None,
            sure: DOUBTED,
            carried: Carried::default(),
            slots: Vec::new(),
            turned: 0,
            bases,
            weight,
        }
    }
}

/// Looks closely at a map: every base of the space, every save of an end-stop setting.
pub(crate) fn explain(
    experiment: &Experiment,
    dictionary: &Dictionary,
    space: &Space,
    contents: &[Contents],
    map: &PresetMap,
    shift: Option<&Shift>,
) -> Option<Explained> {
    let weights = weights::weights(experiment, dictionary, space, contents, map, shift);
    if map.xor {
        // A preset bit that turns several lines is told by one that carries nothing else.
        let mut maps = vec![map.clone(), map.clone()];
        maps[1].lines = pivots(&map.deltas, true);
        maps.dedup();
        let ways = maps.iter().map(|map| wired_bases(space, map, &weights));
        let more = |a: (f64, Explained), b: (f64, Explained)| if b.0 > a.0 + 1e-6 { b } else { a };
        ways.reduce(more).map(|(_, e)| e)
    } else {
        stepped_bases(space, map, &weights)
    }
}

/// Bits of an address at the given lines, gathered.
pub(crate) fn gather(address: u32, lines: &[u32]) -> u32 {
    lines
        .iter()
        .enumerate()
        .fold(0, |o, (i, l)| o | (address >> l & 1) << i)
}

/// What the lines that turn the origin turn at a base.
fn undone(turned: &[(u32, u32)], base: u32) -> u32 {
    let set = turned.iter().filter(|(line, _)| base >> line & 1 == 1);
    set.fold(0, |o, (_, by)| o ^ by)
}

fn wired_bases(space: &Space, map: &PresetMap, weights: &[Option<Weight>]) -> (f64, Explained) {
    let pivots = &map.lines;
    // Of the bases that anything speaks for: what does, and the class they are of.
    let spoken: Vec<(u32, usize, f64)> = (0..space.len())
        .filter_map(|b| Some((b, weights[b as usize]?.all())))
        .filter(|(_, weight)| *weight != 0.0)
        .map(|(b, weight)| (b, gather(b, pivots) as usize, weight))
        .collect();
    let mut classes = vec![0.0; 1 << pivots.len()];
    for (_, class, weight) in &spoken {
        classes[*class] += weight;
    }
    let best_of = |c: &[f64]| {
        c.iter()
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(b.1))
            .map_or((0, 0.0), |(i, w)| (i as u32, *w))
    };
    let (mut origin, _) = best_of(&classes);
    // A preset line may carry something of the slot as well: then the origin turns with that address line.
    let mut turned: Vec<(u32, u32)> = Vec::new();
    let rest: Vec<u32> = (0..space.bits()).filter(|l| !pivots.contains(l)).collect();
    // The one that gains most first: others that go along with it gain too until it is undone.
    loop {
        let found = rest.iter().flat_map(|&line| {
            let mut halves = [vec![0.0; classes.len()], vec![0.0; classes.len()]];
            for &(base, class, weight) in &spoken {
                let class = class ^ undone(&turned, base) as usize;
                halves[(base >> line & 1) as usize][class] += weight;
            }
            let here = |half: usize| halves[half][origin as usize];
            // Either half may be the one that lies elsewhere.
            [0, 1].map(|half| {
                let (other, weight) = best_of(&halves[half]);
                let better =
                    other != origin && weight > here(half) * 1.5 + 12.0 && here(1 - half) > 0.0;
                better.then_some((weight - here(half), line, other ^ origin, half))
            })
        });
        let most = found.flatten().max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, line, by, half)) = most else {
            break;
        };
        if half == 0 {
            origin ^= by;
        }
        turned.push((line, by));
        if turned.len() >= rest.len() {
            break;
        }
    }
    let bases: Vec<u32> = (0..space.len())
        .filter(|b| gather(*b, pivots) ^ undone(&turned, *b) == origin)
        .filter(|b| weights[*b as usize].is_some())
        .collect();
    let told = || bases.iter().filter_map(|b| weights[*b as usize]);
    let (all, words) = (told().map(Weight::all).sum(), told().map(|w| w.words).sum());
    (all, Explained::of(space, map, bases, weights, words))
}

fn stepped_bases(space: &Space, map: &PresetMap, weights: &[Option<Weight>]) -> Option<Explained> {
    let stride = map.stride as usize;
    let presets = map
        .offset
        .iter()
        .max()
        .map_or(1, |m| *m as usize / stride + 1);
    // The best window of one stride, then further ones that share no cell with it.
    let w: Vec<f64> = weights.iter().map(|w| w.map_or(0.0, Weight::all)).collect();
    let words = weights.iter().map(|w| w.map_or(0.0, |w| w.words));
    let sums = |values: &mut dyn Iterator<Item = f64>| -> Vec<f64> {
        let mut sum = 0.0;
        let sums = values.map(|x| {
            sum += x;
            sum
        });
        std::iter::once(0.0).chain(sums).collect()
    };
    let (all, words) = (sums(&mut w.iter().copied()), sums(&mut words.into_iter()));
    let window = |sums: &[f64], at: usize| sums[(at + stride).min(w.len())] - sums[at];
    let span = stride * presets;
    let mut starts: Vec<usize> = Vec::new();
    let last = weights.iter().rposition(Option::is_some)?;
    let mut taken: Vec<(usize, usize)> = Vec::new();
    // Each window's place is bought with the data.
    let price = (w.len() as f64 / stride as f64).max(2.0).ln();
    loop {
        // `at` may start before the first telling cell; the tightest window is the one that starts at one.
        let best = (0..=last)
            .filter(|&at| w[at] > 0.0)
            .filter(|&at| taken.iter().all(|(f, t)| at + span <= *f || at >= *t))
            .map(|at| (window(&all, at), at))
            .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
        match best {
            Some((x, at)) if x > price => {
                // Place the window so that it ends inside; it is widened to a whole stride below.
                taken.push((at, at + span));
                starts.push(at);
            }
            _ => break,
        }
        if starts.len() > 4096 {
            break;
        }
    }
    if starts.is_empty() {
        return None;
    }
    starts.sort_unstable();
    // Most windows in step with each other: then the others are chance.
    let step_of = |s: usize| s % span;
    let common = starts
        .iter()
        .map(|s| {
            (
                starts
                    .iter()
                    .filter(|o| step_of(**o) == step_of(*s))
                    .count(),
                step_of(*s),
            )
        })
        .max_by_key(|c| c.0);
    if let Some((n, step)) = common
        && n >= 3
        && n * 10 >= starts.len() * 7
    {
        starts.retain(|s| step_of(*s) == step);
    }
    // Windows at a regular pitch: those between them that nothing moved between the end stops belong too.
    let pitch = starts.windows(2).map(|w| w[1] - w[0]).fold(0, gcd);
    let regular = starts.len() >= 3 && pitch >= span;
    if regular {
        // And those beyond, as far as something speaks for them, and one more.
        let (mut from, mut to) = (starts[0], starts[starts.len() - 1]);
        let tells = |at: usize| at <= last && window(&all, at) > 0.0;
        while from >= pitch && tells(from - pitch) {
            from -= pitch;
        }
        while tells(to + pitch) {
            to += pitch;
        }
        from -= pitch * (from / pitch).min(1);
        to = (to + pitch).min(last);
        starts = (from..=to).step_by(pitch).collect();
    }
    // Windows at a pitch are told by the first and the pitch.
    let told = if regular { 2 } else { starts.len() };
    let total = starts.iter().map(|at| window(&words, *at)).sum::<f64>() - price * told as f64;
    let mut bases: Vec<u32> = Vec::new();
    for &s in &starts {
        // The telling cells need not begin the entry: leave out nothing that shares a window of one stride with them.
        let tells: Vec<usize> = (s..(s + stride).min(w.len()))
            .filter(|&b| w[b] > 0.0)
            .collect();
        let end = tells.last().copied().unwrap_or(s);
        let slack = (s + stride - 1).saturating_sub(end);
        let from = s.saturating_sub(slack);
        let overlaps = |b: usize| {
            starts.iter().any(|&o| {
                o != s
                    && b + span > o
                    && b < o + span
                    && b.abs_diff(o) < span
                    && !(s..s + stride).contains(&b)
            })
        };
        let end = (s + stride).min(w.len());
        for (b, weight) in weights.iter().enumerate().take(end).skip(from) {
            if weight.is_some() && !overlaps(b) {
                bases.push(b as u32);
            }
        }
    }
    bases.sort_unstable();
    bases.dedup();
    Some(Explained::of(space, map, bases, weights, total))
}
