//! The search for the preset structure: which hypotheses are tried, and in what order.

use rayon::prelude::*;

use super::cells::Experiment;
use super::dictionary::Dictionary;
use super::rng::Random;
use super::space::{Contents, Pins, Places, PresetMap, Probe, Space, Tally};

/// A hypothesis that passed the quick test.
#[derive(Clone, Debug)]
pub(crate) struct Candidate {
    pub(crate) map: PresetMap,
    pub(crate) score: f64,
}

/// Below this many standard deviations nothing is worth a closer look.
const WORTH: f64 = 4.5;
/// How many hypotheses get one.
const KEEP: usize = 24;

pub(crate) struct Searcher<'a> {
    pub(crate) space: &'a Space,
    pub(crate) contents: &'a [Contents],
    pub(crate) experiment: &'a Experiment<'a>,
    pub(crate) dictionary: &'a Dictionary,
}

impl Searcher<'_> {
    fn presets(&self) -> usize {
        self.experiment.panel().presets
    }

    /// Every base of the space, or an even random sample of them.
    fn bases(&self, columns: usize) -> Vec<u32> {
        let len = self.space.len();
        let want = columns / usize::from(self.space.width);
        if len as usize <= want {
            return (0..len).collect();
        }
        let mut random = Random::new(u64::from(len));
        let mut all: Vec<u32> = (0..len).collect();
        random.shuffle(&mut all);
        all.truncate(want);
        all
    }

    fn best(mut found: Vec<Candidate>) -> Vec<Candidate> {
        found.sort_by(|a, b| b.score.total_cmp(&a.score));
        found.truncate(KEEP);
        found
    }

    /// Equal steps of any size, upwards, downwards and in Gray order.
    pub(crate) fn stepped(&self) -> Vec<Candidate> {
        let n = self.presets() as u32;
        if n < 2 {
            return Vec::new();
        }
        let probe = Probe::new(self.experiment, self.dictionary, |_| true, |_| true);
        if !probe.useful() {
            return Vec::new();
        }
        let bases = self.bases(1 << 15);
        let len = self.space.len();
        let up: Vec<u32> = (0..n).collect();
        let down: Vec<u32> = (0..n).rev().collect();
        let gray: Vec<u32> = (0..n).map(|p| p ^ p >> 1).collect();
        let orders = [
            (up, "counting up"),
            (down, "counting down"),
            (gray, "in Gray order"),
        ];
        let found: Vec<Candidate> = (1..=len / (n - 1))
            .into_par_iter()
            .flat_map_iter(|stride| {
                let (probe, bases) = (&probe, &bases);
                orders.iter().filter_map(move |(order, says)| {
                    let top = order.iter().max().copied().unwrap_or(0);
                    if top * stride >= len {
                        return None;
                    }
                    let map =
                        PresetMap::stepped(stride, order, format!("{says} in steps of {stride}"));
                    let t = probe.tally(self.contents, self.space.width, bases, |b, p| {
                        let a = b + map.offset[p];
                        (a < len).then_some(a)
                    });
                    let score = probe.score(t);
                    (score > WORTH).then_some(Candidate { map, score })
                })
            })
            .collect();
        Self::best(found)
    }

    /// Equal steps under address lines that are swapped or inverted.
    pub(crate) fn stepped_behind_pins(&self) -> Vec<Candidate> {
        let n = self.presets() as u32;
        let bits = self.space.bits();
        let len = self.space.len();
        if n < 2 || !(2..=12).contains(&bits) || len != 1 << bits {
            return Vec::new();
        }
        let probe = Probe::new(self.experiment, self.dictionary, |_| true, |_| true);
        if !probe.useful() {
            return Vec::new();
        }
        let bases = self.bases(1 << 13);
        let straight = Pins::straight(bits);
        let order: Vec<u32> = (0..n).collect();
        // A small change of the wiring leaves much of a wrong hypothesis right, so changes can be made one at a time.
        let test = |pins: Pins, stride: u32, bases: &[u32]| {
            let mut map = PresetMap::stepped(stride, &order, "");
            map.pins = pins;
            let places = Places::of(&map, len);
            let t = probe.tally(self.contents, self.space.width, bases, |b, p| {
                places.cell(b, p)
            });
            let score = probe.score(t);
            Candidate { map, score }
        };
        let few = &bases[..bases.len().div_ceil(2)];
        let strides: Vec<u32> = (1..=(len - 1) / (n - 1))
            .filter(|s| strides_allowed(*s, len))
            .collect();
        let mut first: Vec<Candidate> = strides
            .par_iter()
            .flat_map_iter(|&stride| {
                let mut all = vec![straight.clone()];
                all.extend(straight.changes(true));
                all.into_iter()
                    .map(move |p| test(p, stride, few))
                    .collect::<Vec<_>>()
            })
            .collect();
        first.sort_by(|a, b| b.score.total_cmp(&a.score));
        first.truncate(400);
        let mut first: Vec<Candidate> = first
            .into_par_iter()
            .map(|c| test(c.map.pins, c.map.stride, &bases))
            .collect();
        first.sort_by(|a, b| b.score.total_cmp(&a.score));
        first.truncate(16);
        let mut climbed: Vec<Candidate> = first
            .into_par_iter()
            .map(|mut at| {
                for _ in 0..6 {
                    let next = (at.map.pins.changes(true).into_iter())
                        .map(|p| test(p, at.map.stride, &bases))
                        .max_by(|a, b| a.score.total_cmp(&b.score));
                    match next {
                        Some(next) if next.score > at.score + 0.5 => at = next,
                        _ => break,
                    }
                }
                at
            })
            .filter(|c| c.score > WORTH)
            .collect();
        climbed.dedup_by(|a, b| a.map == b.map);
        for c in &mut climbed {
            c.map.says = format!(
                "steps of {} behind swapped or inverted address lines",
                c.map.stride
            );
        }
        Self::best(climbed)
    }

    /// Preset bits on address lines of their own.
    pub(crate) fn wired(&self) -> Vec<Candidate> {
        let order = (0..self.preset_bits()).collect();
        self.wired_from(&Tuples::new(self.space.bits(), order, false, false))
    }

    /// A counter on address lines of its own that counts in Gray code.
    pub(crate) fn wired_gray(&self) -> Vec<Candidate> {
        let order: Vec<usize> = (0..self.preset_bits()).collect();
        if order.len() < 2 {
            return Vec::new();
        }
        self.wired_from(&Tuples::new(self.space.bits(), order, true, false))
    }

    /// Preset bits on address lines of their own, one of which turns a second line too.
    pub(crate) fn wired_crossed(&self) -> Vec<Candidate> {
        let m = self.preset_bits();
        let mut found = Vec::new();
        if m > 6 || self.space.bits() > 13 {
            return found;
        }
        for crossed in 0..m {
            let order = (0..m).filter(|j| *j != crossed).chain([crossed]).collect();
            found.extend(self.wired_from(&Tuples::new(self.space.bits(), order, false, true)));
        }
        Self::best(found)
    }

    fn preset_bits(&self) -> usize {
        self.presets().next_power_of_two().trailing_zeros() as usize
    }

    fn wired_from(&self, tuples: &Tuples) -> Vec<Candidate> {
        let m = tuples.order.len();
        if self.space.len() != 1 << self.space.bits() || m == 0 || m > self.space.bits() as usize {
            return Vec::new();
        }
        // Presets that only the first few preset bits tell apart.
        let within = |depth: usize| tuples.order[..depth].iter().fold(0usize, |o, b| o | 1 << b);
        let probe_at = |depth: usize| {
            let (inside, newest) = (within(depth), 1usize << tuples.order[depth - 1]);
            Probe::new(
                self.experiment,
                self.dictionary,
                |p| p & !inside == 0,
                |p| p & newest != 0,
            )
        };
        let mut depth = m.min(3);
        let mut probe = probe_at(depth);
        while !probe.useful() && depth < m.min(6) {
            depth += 1;
            probe = probe_at(depth);
        }
        if !probe.useful() {
            return Vec::new();
        }
        let bases = self.bases((96usize << m).clamp(1 << 10, 1 << 14));
        let test = |probe: &Probe, deltas: &[u32], bases: &[u32]| {
            let map = tuples.map(deltas, self.presets());
            probe.score(probe.tally(self.contents, self.space.width, bases, |b, p| {
                Some(b ^ map[p])
            }))
        };
        let mut beam: Vec<(f64, Vec<u32>)> = Vec::new();
        let mut next = tuples.prefixes(depth);
        loop {
            // A rough look first where there are many.
            if next.len() > 5000 {
                let few = &bases[..bases.len().min(1 << 11) / 4];
                let mut rough: Vec<(f64, Vec<u32>)> = next
                    .into_par_iter()
                    .map(|d| (test(&probe, &d, few), d))
                    .collect();
                rough.sort_by(|a, b| b.0.total_cmp(&a.0));
                rough.truncate(3000);
                next = rough.into_iter().map(|r| r.1).collect();
            }
            beam.clear();
            beam.par_extend(next.into_par_iter().map(|d| (test(&probe, &d, &bases), d)));
            beam.sort_by(|a, b| b.0.total_cmp(&a.0));
            if depth == m {
                break;
            }
            beam.truncate(if self.space.bits() <= 10 { 5000 } else { 1000 });
            depth += 1;
            probe = probe_at(depth);
            next = beam.iter().flat_map(|(_, d)| tuples.extended(d)).collect();
        }
        beam.into_iter()
            .filter(|(score, _)| *score > WORTH)
            .take(KEEP)
            .map(|(score, deltas)| Candidate {
                map: PresetMap::wired(&tuples.sorted(&deltas), self.presets(), tuples.says()),
                score,
            })
            .collect()
    }

    /// The score of a given map here: for trying what was found in another chip.
    pub(crate) fn score(&self, map: &PresetMap) -> f64 {
        Self::score_of_all(std::slice::from_ref(self), map)
    }

    /// The score of a given map in several memories of one size.
    pub(crate) fn score_of_all(all: &[Self], map: &PresetMap) -> f64 {
        let Some(first) = all.first() else { return 0.0 };
        let probe = Probe::new(first.experiment, first.dictionary, |_| true, |_| true);
        if !probe.useful() {
            return 0.0;
        }
        let places = Places::of(map, first.space.len());
        let tally = |s: &Self| {
            let bases = s.bases(1 << 14);
            let width = s.space.width;
            probe.tally(s.contents, width, &bases, |b, p| places.cell(b, p))
        };
        let add = |a: Tally, b: Tally| Tally {
            columns: a.columns + b.columns,
            exact: a.exact + b.exact,
            near: a.near + b.near,
        };
        probe.score(all.iter().map(tally).fold(Tally::default(), add))
    }
}

/// Strides behind swapped lines: in large memories only those of whole bytes' multiples a programmer would choose.
fn strides_allowed(stride: u32, len: u32) -> bool {
    len <= 4096 || stride.is_power_of_two() || stride >= 8
}

/// Ordered choices of address deltas for the preset bits.
struct Tuples {
    lines: Vec<u32>,
    /// The preset bits in the order they are given lines.
    order: Vec<usize>,
    gray: bool,
    /// The last preset bit turns two lines at once.
    crossed: bool,
}

impl Tuples {
    fn new(bits: u32, order: Vec<usize>, gray: bool, crossed: bool) -> Self {
        Self {
            lines: (0..bits).map(|b| 1 << b).collect(),
            order,
            gray,
            crossed,
        }
    }

    fn says(&self) -> &'static str {
        match (self.gray, self.crossed) {
            (true, _) => "a Gray counter on address lines of its own",
            (_, true) => "address lines of its own, one of which turns a second line",
            _ => "address lines of its own",
        }
    }

    /// What each preset turns, as far as the deltas go.
    fn map(&self, deltas: &[u32], presets: usize) -> Vec<u32> {
        (0..presets)
            .map(|p| {
                let turned = deltas
                    .iter()
                    .zip(&self.order)
                    .filter(|(_, bit)| p >> **bit & 1 == 1);
                turned.fold(0, |o, (d, _)| o ^ d)
            })
            .collect()
    }

    /// Deltas by preset bit.
    fn sorted(&self, deltas: &[u32]) -> Vec<u32> {
        let mut out = vec![0; deltas.len()];
        for (d, &bit) in deltas.iter().zip(&self.order) {
            out[bit] = *d;
        }
        out
    }

    fn prefixes(&self, depth: usize) -> Vec<Vec<u32>> {
        let mut out = vec![Vec::new()];
        for _ in 0..depth {
            out = out
                .iter()
                .flat_map(|d: &Vec<u32>| self.extended(d))
                .collect();
        }
        out
    }

    /// All ways to give the next preset bit its lines.
    fn extended(&self, deltas: &[u32]) -> Vec<Vec<u32>> {
        let with = |d: u32| {
            let mut v = deltas.to_vec();
            v.push(d);
            v
        };
        if self.gray {
            // Binary bit j turns the lines of Gray bits j and j - 1.
            let (mut used, mut last) = (0u32, 0u32);
            for d in deltas {
                last ^= d;
                used |= last;
            }
            return self
                .lines
                .iter()
                .filter(|l| used & **l == 0)
                .map(|l| with(l ^ last))
                .collect();
        }
        let used = deltas.iter().fold(0, |u, d| u | d);
        let free = self.lines.iter().filter(|l| used & **l == 0);
        if self.crossed && deltas.len() + 1 == self.order.len() {
            return free
                .flat_map(|a| {
                    self.lines
                        .iter()
                        .filter(move |b| *b != a)
                        .map(move |b| a | b)
                })
                .map(with)
                .collect();
        }
        free.map(|l| with(*l)).collect()
    }
}
