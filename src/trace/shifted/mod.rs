//! What a reading shows that holds every setting of another one preset further back.
//!
//! A preset's cells then hold what its successor's held before. So each changed bit points at the place where the
//! successor keeps the same bit, and the way from a preset to the next shows by correlation, without trying orders or
//! words: as an exclusive-or of address lines (by Walsh-Hadamard transforms), as a step (by counting), or, where
//! presets follow a table, as the set of places they lie on, through which the contents can then be walked.

mod linear;
mod pins;
mod stepped;
mod tabled;
mod walk;

use super::cells::Experiment;
use super::signal;
use super::space::{Contents, PresetMap};

/// A pair of readings of which the second holds each setting one preset further back.
#[derive(Clone, Debug)]
pub(crate) struct Shift {
    pub(crate) first: usize,
    pub(crate) second: usize,
    /// The setting of each preset in the first reading.
    pub(crate) settings: Vec<usize>,
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
        for s in plan.saves.iter().filter(|s| s.reading + 1 == second) {
            settings[s.preset] = same(s.setting)?;
        }
        Some(Self {
            first: second - 1,
            second,
            rows: settings.iter().map(|s| about(experiment, *s)).collect(),
            settings,
        })
    }
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
                planes.push(Plane {
                    before: (0..len).map(|x| bit(a, x)).collect(),
                    after: (0..len).map(|x| bit(b, x)).collect(),
                    changed: (0..len)
                        .filter(|&x| known(x) && bit(a, x) != bit(b, x))
                        .map(|x| x as u32)
                        .collect(),
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

    /// Maps that the readings suggest, the plainest first.
    pub(crate) fn maps(&self) -> Vec<PresetMap> {
        let m = self.preset_bits();
        let straight = self.len == 1 << self.bits && m as u32 <= self.bits && m > 0;
        let across = if straight { self.across() } else { Vec::new() };
        let (mut out, mut sure) = (Vec::new(), false);
        if straight {
            (out, sure) = self.linear(&across, m);
        }
        let plain = self.stepped();
        sure |= !plain.is_empty();
        out.extend(plain);
        if !sure {
            out.extend(self.stepped_otherwise());
            if straight {
                out.extend(self.tabled(&across, m));
            }
        }
        out.dedup();
        out
    }
}

/// In how many bits two rows differ.
fn apart(a: &[u64], b: &[u64]) -> u32 {
    a.iter().zip(b).map(|(a, b)| (a ^ b).count_ones()).sum()
}
