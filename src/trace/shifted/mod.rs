//! What a reading shows that holds every setting of another one preset further back.
//!
//! A preset's cells then hold what its successor's held before. So each changed bit points at the place where the
//! successor keeps the same bit, and the way from a preset to the next shows by correlation, without trying orders or
//! words: as an exclusive-or of address lines (by Walsh-Hadamard transforms), as a step (by counting), or, where
//! presets follow a table, as the set of places they lie on, through which the contents can then be walked.

mod linear;
mod ordered;
mod pins;
mod stepped;
mod tabled;
mod walk;

use super::abreast::{ABREAST, Bits, Counts};
use super::cells::Experiment;
use super::signal;
use super::space::{Contents, Places, PresetMap, Space};

/// A pair of readings of which the second holds each setting one preset further back.
#[derive(Clone, Debug)]
pub(crate) struct Shift {
    pub(crate) first: usize,
    pub(crate) second: usize,
    /// The setting of each preset in the first reading.
    pub(crate) settings: Vec<usize>,
    /// For each class of settings ([`Experiment::classes`]) that a column may mean something in: for each preset whether what
    /// the next one held is of it, and the logarithm of the share of controls that are.
    classes: Vec<(Vec<bool>, f64)>,
    /// About what bits each preset then holds: every dial taken for one of six bits.
    rows: Vec<Vec<u64>>,
}

impl Shift {
    /// The pair that a plan contains, if one.
    pub(crate) fn of(experiment: &Experiment) -> Option<Self> {
        let plan = experiment.plan;
        let second = plan.shifted()?;
        // A setting dialled anew is the same setting.
        let same = |setting: usize| {
            let positions = &plan.settings[setting].positions;
            plan.settings.iter().position(|s| s.positions == *positions)
        };
        let mut settings = vec![0; plan.panel.presets];
        for s in experiment.saves.iter().filter(|s| s.reading + 1 == second) {
            settings[s.preset] = same(s.setting)?;
        }
        let next = |p: usize| settings[(p + 1) % settings.len()];
        let of_class = |(class, means): (usize, &Vec<bool>)| {
            let lanes = (0..experiment.lanes.len()).filter(|l| experiment.class(*l) == class);
            let share = lanes.count() as f64 / experiment.lanes.len() as f64;
            let carried = (0..settings.len()).map(|p| means[next(p)]).collect();
            (share > 0.0).then(|| (carried, share.ln()))
        };
        let classes = experiment.classes().iter().enumerate();
        Some(Self {
            first: second - 1,
            second,
            classes: classes.filter_map(of_class).collect(),
            rows: settings.iter().map(|s| about(experiment, *s)).collect(),
            settings,
        })
    }
}

/// Chance that a changed bit is not what the next preset held although the map is right: slips, noise.
const STRAY: f64 = 0.05;
/// What a data line tells against a base at most.
const LINE_AGAINST: f64 = 1.0;

/// So many changed bits, of which 85 in 100 are what the next preset held, are no chance where half would be: by more than
/// nine standard deviations.
const PLENTY: u32 = 160;

/// How far the settings go from preset to preset as a map says.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Carried {
    /// Steps from a preset to the next in which something changed, and those in which most of it is what the next held.
    steps: usize,
    kept: usize,
    /// Bits that changed: in the whole memory, where the map goes, and those that are what the next preset held.
    all: u32,
    there: u32,
    agree: u32,
    /// From a part of the presets to the next nothing is carried on.
    parted: bool,
}

impl Carried {
    /// True where all of the memory that changed follows the map, from every preset to the next, with hardly a bit that
    /// does not: by chance that comes to no map.
    pub(crate) fn throughout(&self) -> bool {
        self.steps >= 2
            && self.kept == self.steps
            && self.agree >= 32
            && self.there * 10 >= self.all * 9
            && self.agree * 50 >= self.there * 49
    }

    /// True where not a bit does not.
    pub(crate) fn wholly(&self) -> bool {
        self.throughout() && self.agree == self.there
    }

    /// True where nearly all does, as where each preset holds a check that goes over more than the plan sets.
    pub(crate) fn nearly(&self) -> bool {
        self.steps >= 2
            && self.kept == self.steps
            && self.agree >= 32
            && self.there * 10 >= self.all * 9
            && self.agree * 100 >= self.there * 96
    }

    /// True where so much of it does, nearly everywhere and from most presets to the next, that the rest is slips and noise.
    /// Lines that are exchanged or inverted move half of all addresses, and half of what is moved differs by chance: a
    /// map that has them wrong comes to three in four.
    pub(crate) fn through_slips(&self) -> bool {
        self.mostly()
            && !self.parted
            && self.agree >= PLENTY
            && self.there * 10 >= self.all * 9
            && self.agree * 20 >= self.there * 17
    }

    /// True where most of it does, and it goes nearly everywhere.
    pub(crate) fn largely(&self) -> bool {
        self.agree >= 32 && self.there * 10 >= self.all * 9 && self.agree * 10 >= self.there * 9
    }

    /// True where more of it does than could be chance.
    pub(crate) fn partly(&self) -> bool {
        self.agree >= 32 && self.agree * 4 >= self.there * 3
    }

    /// True where another map carries on no more steps than a few: a save that slipped breaks the step to its preset and the one
    /// from it, whatever the bits.
    pub(crate) fn but_for_slips(&self, other: &Self) -> bool {
        const FEW: usize = 2;
        self.steps > 0 && self.kept + FEW >= other.kept
    }

    /// Logarithm of the odds against chance that so many changed bits are what the next preset held.
    pub(crate) fn odds(&self) -> f64 {
        let (of, agree) = (f64::from(self.there), f64::from(self.agree));
        if self.agree * 2 <= self.there {
            return 0.0;
        }
        let off = (1.0 - agree / of).max(0.02);
        of * (std::f64::consts::LN_2 + off * off.ln() + (1.0 - off) * (1.0 - off).ln())
    }

    /// True where most steps follow the map, but not those from a half, quarter or eighth of the presets to the next: as
    /// where chips hold a part of the presets each and a map takes what else they hold for the rest.
    pub(crate) fn parted(&self) -> bool {
        self.parted
    }

    /// True where most steps follow the map, or none are seen.
    pub(crate) fn mostly(&self) -> bool {
        self.kept * 4 >= self.steps * 3
    }
}

impl Shift {
    /// Bits that the second reading changed.
    pub(crate) fn changed(&self, contents: &[Contents]) -> u32 {
        let (a, b) = (&contents[self.first], &contents[self.second]);
        (0..a.value.len())
            .map(|x| changed(a, b, x).count_ones())
            .sum()
    }

    /// Logarithm of the odds that what changed in the cells of all presets, one after the other, is what the next preset
    /// held: in one data line, for 64 bases. `values` and `known` are what each preset's cell holds and what is known of
    /// it, before and after, a bit a base. What means something only sometimes stands still elsewhere, so that each base is
    /// taken for one of the controls that it suits best.
    pub(crate) fn borne_out(&self, values: [&[u64]; 2], known: [&[u64]; 2]) -> [f64; ABREAST] {
        let mut out = [f64::NEG_INFINITY; ABREAST];
        for (means, share) in &self.classes {
            let odds = self.borne_out_where(means, values, known);
            for (out, odds) in out.iter_mut().zip(odds) {
                *out = out.max(odds + share);
            }
        }
        out.map(|odds| match odds {
            f64::NEG_INFINITY => 0.0,
            // A line of something else, or of a noisy dial, must not outweigh many that are carried on.
            _ => odds.max(-LINE_AGAINST),
        })
    }

    /// The same for what means something in the presets whose next one is so marked; without bound, and infinitely low where
    /// nothing that changed agrees.
    fn borne_out_where(
        &self,
        means: &[bool],
        values: [&[u64]; 2],
        known: [&[u64]; 2],
    ) -> [f64; ABREAST] {
        let n = values[0].len();
        let (mut agree, mut differ) = (Counts::default(), Counts::default());
        for first in (0..n).step_by(8) {
            let (mut same, mut other) = ([0u64; 8], [0u64; 8]);
            for ((same, other), p) in same.iter_mut().zip(&mut other).zip(first..n) {
                if !means[p] {
                    continue;
                }
                let next = (p + 1) % n;
                // Not only what changed, nothing may differ; but much that never changes is alike.
                *other = known[1][p] & known[0][next] & (values[1][p] ^ values[0][next]);
                let changed = (values[0][p] ^ values[1][p]) & known[0][p] & known[1][p];
                *same = changed & known[0][next] & !*other;
            }
            agree.add(same);
            differ.add(other);
        }
        let mut out = [f64::NEG_INFINITY; ABREAST];
        if agree.any() == 0 {
            return out;
        }
        let (for_it, against) = ((2.0 * (1.0 - STRAY)).ln(), (2.0 * STRAY).ln());
        for (out, (agree, differ)) in out
            .iter_mut()
            .zip(agree.each().into_iter().zip(differ.each()))
        {
            if agree > 0 {
                *out = f64::from(agree) * for_it + f64::from(differ) * against;
            }
        }
        out
    }

    /// How far a map with these bases is borne out.
    pub(crate) fn carried(
        &self,
        space: &Space,
        contents: &[Contents],
        map: &PresetMap,
        bases: &[u32],
    ) -> Carried {
        let (a, b) = (&contents[self.first], &contents[self.second]);
        let (len, n) = (space.len(), self.settings.len());
        let mut out = Carried {
            all: self.changed(contents),
            ..Carried::default()
        };
        // Where windows of bases overlap, a cell is reached by several ways; one of them must be right.
        let mut same = vec![0u8; len as usize];
        let mut reached = vec![0u8; len as usize];
        let places = Places::of(map, len);
        let way = |base: u32, p: usize| {
            let x = places.cell(base, p)? as usize;
            Some((x, places.cell(base, (p + 1) % n)? as usize))
        };
        let ways = || bases.iter().flat_map(|b| (0..n).map(move |p| (*b, p)));
        for (x, y) in ways().filter_map(|(b, p)| way(b, p)) {
            let mask = changed(a, b, x) & a.known[y];
            reached[x] |= mask;
            same[x] |= mask & !(b.value[x] ^ a.value[y]);
        }
        let sum = |cells: &[u8]| cells.iter().map(|c| c.count_ones()).sum();
        (out.there, out.agree) = (sum(&reached), sum(&same));
        let mut steps = vec![(0u32, 0u32); n];
        for (base, p) in ways() {
            if let Some((x, _)) = way(base, p) {
                steps[p].0 += reached[x].count_ones();
                steps[p].1 += same[x].count_ones();
            }
        }
        // Half of what changed agrees by chance; so the line is drawn midway between that and what agrees in all.
        let least = 0.25 + 0.5 * f64::from(out.agree) / f64::from(out.there.max(1));
        let moved = || (0..n).filter(|p| steps[*p].0 > 0);
        let kept = |p: &usize| f64::from(steps[*p].1) >= least * f64::from(steps[*p].0);
        out.steps = moved().count();
        out.kept = moved().filter(kept).count();
        out.parted = parted(n, moved, kept);
        out
    }
}

/// True where the steps from a half, quarter or eighth of the presets to the next are not kept, most of them, and most of
/// the others are.
fn parted<I: Iterator<Item = usize>>(
    presets: usize,
    moved: impl Fn() -> I,
    kept: impl Fn(&usize) -> bool,
) -> bool {
    let whole = presets.next_power_of_two();
    [2, 4, 8]
        .map(|parts| whole / parts)
        .into_iter()
        .any(|part| {
            let ends = |p: &usize| (p + 1).is_multiple_of(part) || p + 1 == presets;
            let count = |end: bool| {
                let some = || moved().filter(|p| ends(p) == end);
                (some().filter(&kept).count(), some().count())
            };
            let ((over, all_over), (within, all_within)) = (count(true), count(false));
            part > 1 && all_over >= 2 && over * 4 <= all_over && within * 4 >= all_within * 3
        })
}

/// Lines of a cell that are known in both readings and differ.
fn changed(a: &Contents, b: &Contents, x: usize) -> u8 {
    (a.value[x] ^ b.value[x]) & a.known[x] & b.known[x]
}

/// About what bits a setting gives.
fn about(experiment: &Experiment, setting: usize) -> Vec<u64> {
    let panel = experiment.panel();
    let positions = &experiment.plan.settings[setting].positions;
    let mut bits = Vec::new();
    for (lane, &position) in experiment.lanes.iter().zip(positions) {
        let h = signal::hypotheses(panel, *lane)
            .into_iter()
            .find(|h| h.width == 6 || panel.controls[lane.control].exact());
        let Some(h) = h else { continue };
        let code = signal::code(h, panel, *lane, position);
        bits.extend((0..h.width).map(|k| code >> k & 1));
    }
    bits.chunks(64)
        .map(|c| c.iter().enumerate().fold(0, |w, (i, b)| w | b << i))
        .collect()
}

/// One data line of one memory, before and after, and what is known of it in both.
struct Plane {
    before: Vec<bool>,
    after: Vec<bool>,
    /// Known in both and changed.
    changed: Vec<u32>,
    /// The same three packed.
    packed: [Bits; 3],
}

/// Memories of one size that are thought to be addressed alike.
pub(crate) struct Shifted {
    planes: Vec<Plane>,
    len: u32,
    bits: u32,
    /// Changed bits in all.
    total: f64,
    shift: Shift,
}

/// How many maps of a kind are handed on.
const HAND_ON: usize = 8;

impl Shifted {
    /// The memories of a pool, each with all its readings.
    pub(crate) fn new(shift: Shift, pool: &[(&[Contents], u8)]) -> Option<Self> {
        let len = pool.first()?.0.first()?.value.len();
        let mut planes = Vec::new();
        for (contents, width) in pool {
            let (a, b) = (&contents[shift.first], &contents[shift.second]);
            for line in 0..*width {
                let bit = |c: &Contents, x: usize| c.value[x] >> line & 1 == 1;
                let known = |x: usize| a.known[x] & b.known[x] & 1 << line != 0;
                let before: Vec<bool> = (0..len).map(|x| bit(a, x)).collect();
                let after: Vec<bool> = (0..len).map(|x| bit(b, x)).collect();
                let changed: Vec<bool> = (0..len)
                    .map(|x| known(x) && before[x] != after[x])
                    .collect();
                let packed = [&before, &after, &changed].map(|b| Bits::of(b.iter().copied()));
                planes.push(Plane {
                    changed: (0..len as u32).filter(|x| changed[*x as usize]).collect(),
                    before,
                    after,
                    packed,
                });
            }
        }
        let total: usize = planes.iter().map(|p| p.changed.len()).sum();
        (total >= 8).then_some(Self {
            planes,
            len: len as u32,
            bits: len.next_power_of_two().trailing_zeros(),
            total: total as f64,
            shift,
        })
    }

    fn presets(&self) -> usize {
        self.shift.settings.len()
    }

    /// Number of address bits that count presets.
    fn preset_bits(&self) -> usize {
        self.presets().next_power_of_two().trailing_zeros() as usize
    }

    /// True where address lines may carry preset bits.
    fn could_be_wired(&self) -> bool {
        let m = self.preset_bits() as u32;
        self.len == 1 << self.bits && m <= self.bits && m > 0
    }

    /// Maps that follow a rule.
    pub(crate) fn by_rule(&self) -> Vec<PresetMap> {
        let mut out = Vec::new();
        if self.could_be_wired() {
            out = self.linear(&self.across(), self.preset_bits());
        }
        out.extend(self.stepped());
        out
    }

    /// Maps that are Gray counters in equal steps, or whose order is a table.
    pub(crate) fn by_table(&self) -> Vec<PresetMap> {
        let mut out = self.stepped_otherwise();
        out.extend(self.stepped_in_order());
        if self.could_be_wired() {
            out.extend(self.tabled(&self.across(), self.preset_bits()));
        }
        out.dedup();
        out
    }
}

/// In how many bits two rows differ.
fn apart(a: &[u64], b: &[u64]) -> u32 {
    a.iter().zip(b).map(|(a, b)| (a ^ b).count_ones()).sum()
}

#[cfg(test)]
mod tests {
    use super::{Carried, Shift, parted};

    /// By hand: eight presets hold 0 and 1 in turn, and every other one means something, so that it holds what the next one
    /// held: 1 where it was 0, four times. The others stand still, each unlike the next. Taken for what always means something
    /// four agree and four do not, 4 ln 1.9 - 4 ln 10 < -1; taken for what one control in two is, 4 ln 1.9 + ln 1/2 = 1.874.
    /// The second base never changed: nothing speaks for or against it.
    #[test]
    fn what_stands_still_where_it_means_nothing_is_borne_out() {
        let before = [0u64, 1, 0, 1, 0, 1, 0, 1];
        let after = [1u64; 8];
        let shift = |classes: &[(Vec<bool>, f64)]| Shift {
            first: 0,
            second: 1,
            settings: (0..8).collect(),
            classes: classes.to_vec(),
            rows: Vec::new(),
        };
        let every_other = (0..8).map(|p| p % 2 == 0).collect();
        let always = (vec![true; 8], 0.5f64.ln());
        let known = [u64::MAX; 8];
        let odds = |classes: &[_]| {
            let all = shift(classes).borne_out([&before, &after], [&known, &known]);
            (all[0], all[1])
        };
        assert_eq!(odds(&[(vec![true; 8], 0.0)]), (-1.0, 0.0));
        let (first, second) = odds(&[always, (every_other, 0.5f64.ln())]);
        assert!((first - 1.874).abs() < 0.001, "{first}");
        assert_eq!(second, 0.0);
    }

    /// By hand: of sixteen presets in four chips the steps from the fourth, eighth, twelfth and sixteenth leave a chip; of
    /// twelve in two chips of eight those from the eighth and the twelfth. One slip breaks the steps to and from a preset.
    #[test]
    fn steps_that_leave_a_chip() {
        let broken = |presets: usize, at: &[usize]| {
            parted(presets, || 0..presets, |p| !at.contains(&(p + 1)))
        };
        assert!(broken(16, &[4, 8, 12, 16]));
        assert!(broken(16, &[4, 8, 12, 16, 6]));
        assert!(broken(12, &[8, 12]));
        assert!(!broken(16, &[]));
        assert!(!broken(16, &[5, 6]));
        assert!(!broken(16, &[8]));
        // Nothing is carried on anywhere.
        let all: Vec<usize> = (1..=16).collect();
        assert!(!broken(16, &all));
    }

    /// By hand: one slip in sixteen presets breaks two steps, and half of their bits agree by chance: 1000 - 125 / 2 is 937.
    /// Two lines exchanged move half of all addresses, and half of what they hold agrees: 750 of 1000.
    #[test]
    fn what_slips_break_and_what_wrong_lines_do() {
        let right = Carried {
            steps: 16,
            kept: 14,
            all: 1000,
            there: 1000,
            agree: 937,
            parted: false,
        };
        assert!(right.through_slips() && !right.throughout() && !right.nearly());
        let not = |c: Carried| !c.through_slips();
        assert!(not(Carried {
            agree: 750,
            ..right
        }));
        assert!(not(Carried { kept: 11, ..right }));
        assert!(not(Carried {
            parted: true,
            ..right
        }));
        assert!(not(Carried { all: 1200, ..right }));
        // 85 in 100 of too few.
        let few = Carried {
            all: 100,
            there: 100,
            agree: 85,
            ..right
        };
        assert!(not(few));
    }
}
