//! A hypothesis looked at closely: where its columns start, and how much of the memory it explains.

use rayon::prelude::*;

use super::cells::Experiment;
use super::dictionary::{AGAINST, Dictionary};
use super::shifted::{Carried, Shift};
use super::space::{Contents, Places, PresetMap, Space, pivots};

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
    /// How far a reading that holds every setting one preset further back bears it out.
    pub(crate) carried: Carried,
}

/// What speaks for a base.
#[derive(Clone, Copy, Debug, Default)]
struct Weight {
    /// Logarithm of the odds that its columns are words of controls.
    words: f64,
    /// The same, that what changed in it is what the next preset held.
    carried: f64,
    /// Columns that read as words of controls, and those that are not constant over the end-stop settings.
    hits: usize,
    moving: usize,
}

impl Weight {
    fn all(self) -> f64 {
        self.words + self.carried
    }
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
            carried: Carried::default(),
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
    let len = space.len();
    let telling = dictionary.telling();
    let rows: Vec<(usize, usize)> = dictionary
        .saves
        .iter()
        .map(|&s| {
            (
                experiment.plan.saves[s].reading,
                experiment.plan.saves[s].preset,
            )
        })
        .collect();
    let full = dictionary.mask();
    // Bits that changed from one reading to another; a bit that never did holds no preset, where there are several.
    let changed: Vec<u8> = match contents {
        [first, rest @ ..] if !rest.is_empty() => (0..len as usize)
            .map(|x| {
                let differs =
                    |c: &Contents| (c.value[x] ^ first.value[x]) & c.known[x] & first.known[x];
                rest.iter().fold(0, |o, c| o | differs(c))
            })
            .collect(),
        _ => vec![u8::MAX; len as usize],
    };
    // Nothing speaks for or against cells that nothing was written to.
    let live: Vec<bool> = (0..len as usize)
        .map(|x| changed[x] != 0 || shift.is_some_and(|s| s.moved(contents, x)))
        .collect();
    let places = Places::of(map, len);
    let lines = usize::from(space.width);
    let all = u8::MAX >> (8 - lines.min(8));
    let whole = (contents.iter()).all(|c| c.known.iter().all(|k| k & all == all));
    // Weight of each base that lies inside the space with all presets; `None` where it does not.
    let weigh = |cells: &mut Vec<usize>, base: u32| -> Option<Weight> {
        cells.clear();
        for preset in 0..map.offset.len() {
            cells.push(places.cell(base, preset)? as usize);
        }
        if !cells.iter().any(|c| live[*c]) {
            return Some(Weight::default());
        }
        let written = (rows.iter()).fold(0, |o, (_, preset)| o | changed[cells[*preset]]);
        let words = by_line(&rows, |(reading, preset)| {
            contents[reading].value[cells[preset]]
        });
        let known = match whole {
            true => [full; 8],
            false => by_line(&rows, |(reading, preset)| {
                contents[reading].known[cells[preset]]
            }),
        };
        let mut weight = 0.0;
        let (mut hits, mut moving) = (0, 0);
        for (line, (w, known)) in words.iter().zip(&known).enumerate().take(lines) {
            let w = w & known;
            if written >> line & 1 == 0 {
                continue;
            }
            if w == 0 || w == *known || known.count_ones() * 2 < full.count_ones() {
                continue;
            }
            moving += 1;
            match dictionary.distance(w, *known, telling.len()) {
                Some(d) => {
                    weight += telling[d as usize];
                    hits += 1;
                }
                None => weight -= AGAINST,
            }
        }
        Some(Weight {
            words: weight,
            carried: shift.map_or(0.0, |s| s.borne_out(contents, cells, space.width)),
            hits,
            moving,
        })
    };
    let weights: Vec<Option<Weight>> = (0..len).into_par_iter().map_init(Vec::new, weigh).collect();
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

/// What cells hold, a word a line: bit `i` of it is that of row `i`.
fn by_line(rows: &[(usize, usize)], cell: impl Fn((usize, usize)) -> u8) -> [u128; 8] {
    let mut out = [0u128; 8];
    for (at, eight) in rows.chunks(8).enumerate() {
        let mut bytes = [0u8; 8];
        for (byte, row) in bytes.iter_mut().zip(eight) {
            *byte = cell(*row);
        }
        for (out, line) in out.iter_mut().zip(turned(bytes)) {
            *out |= u128::from(line) << (8 * at);
        }
    }
    out
}

/// Eight bytes turned: bit `j` of byte `i` becomes bit `i` of byte `j`.
fn turned(bytes: [u8; 8]) -> [u8; 8] {
    let mut all = u64::from_le_bytes(bytes);
    for (by, mask) in [
        (7, 0x00aa_00aa_00aa_00aa),
        (14, 0x0000_cccc_0000_cccc),
        (28, 0x0000_0000_f0f0_f0f0),
    ] {
        let swapped = (all ^ all >> by) & mask;
        all ^= swapped ^ swapped << by;
    }
    all.to_le_bytes()
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
    let mut classes = vec![0.0; 1 << pivots.len()];
    for (base, w) in weights.iter().enumerate() {
        if let Some(w) = w {
            classes[gather(base as u32, pivots) as usize] += w.all();
        }
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
            for (base, w) in weights.iter().enumerate() {
                let Some(w) = w else { continue };
                let base = base as u32;
                let class = (gather(base, pivots) ^ undone(&turned, base)) as usize;
                halves[(base >> line & 1) as usize][class] += w.all();
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

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: byte 0 is 0b11, byte 3 is 0x80; so line 0 holds bit 0 alone, as line 1, and line 7 bit 3.
    #[test]
    fn bytes_turn() {
        assert_eq!(
            turned([3, 0, 0, 0x80, 0, 0, 0, 0]),
            [1, 1, 0, 0, 0, 0, 0, 8]
        );
        let rows: Vec<(usize, usize)> = (0..9).map(|i| (0, i)).collect();
        let lines = by_line(&rows, |(_, i)| if i == 8 { 0x81 } else { 1 });
        assert_eq!(lines, [0x1ff, 0, 0, 0, 0, 0, 0, 0x100]);
    }
}
