//! Columns: one bit of an entry, followed through all presets of all readings.

use super::cells::{Cells, Experiment};
use super::explain::Explained;

/// One bit of an entry over all saves.
#[derive(Clone, Debug)]
pub(crate) struct Column {
    /// Index of the structure it belongs to.
    pub(crate) structure: usize,
    /// Its base in that structure.
    pub(crate) base: u32,
    pub(crate) line: u8,
    /// Chip and cell of preset 1.
    pub(crate) chip: usize,
    pub(crate) cell: u32,
    /// One a save: 0, 1, or 2 where unknown.
    pub(crate) rows: Vec<u8>,
    /// How often it was 1 in the saves of each setting that count, and how often it was known.
    pub(crate) ones: Vec<f32>,
    pub(crate) known: Vec<f32>,
    /// It changed from one reading to another in some preset, or there is one reading only: a bit that is never
    /// written holds no control.
    pub(crate) written: bool,
}

impl Column {
    /// The value where it held one throughout.
    pub(crate) fn constant(&self) -> Option<bool> {
        let seen0 = self.rows.contains(&0);
        let seen1 = self.rows.contains(&1);
        match (seen0, seen1) {
            (true, false) => Some(false),
            (false, true) => Some(true),
            _ => None,
        }
    }

    /// True where it may be a bit of a control that was moved.
    pub(crate) fn moves(&self) -> bool {
        self.written && self.constant().is_none()
    }

    /// Whether two columns hold the same in every save (`Some(false)`), or the complement (`Some(true)`), but for what
    /// a damaged cell may do.
    pub(crate) fn alike(&self, other: &Column) -> Option<bool> {
        let known = self.rows.iter().zip(&other.rows);
        let known = known.filter(|(a, b)| **a < 2 && **b < 2);
        let (mut same, mut all) = (0, 0);
        for (a, b) in known {
            all += 1;
            same += usize::from(a == b);
        }
        let off = same.min(all - same);
        (all > 3 && off * 32 <= all).then_some(same < all - same)
    }

    /// Counts the saves that are to be believed.
    pub(crate) fn count(&mut self, experiment: &Experiment, bad: &[bool]) {
        self.ones.iter_mut().for_each(|x| *x = 0.0);
        self.known.iter_mut().for_each(|x| *x = 0.0);
        for (s, save) in experiment.saves.iter().enumerate() {
            if bad[s] || self.rows[s] == 2 {
                continue;
            }
            self.known[save.setting] += 1.0;
            self.ones[save.setting] += f32::from(self.rows[s]);
        }
        // Copies of one setting share its slips and say nothing new about order: they count for one look.
        for (one, known) in self.ones.iter_mut().zip(&mut self.known) {
            if *known > 1.0 {
                *one /= *known;
                *known = 1.0;
            }
        }
    }
}

/// True where every cell that changed from one reading to another lies in some column: then a bit that no column shows
/// is none. With one reading nothing can be said.
pub(crate) fn cover(experiment: &Experiment, structures: &[Explained]) -> bool {
    let mut seen: Vec<Vec<bool>> = experiment
        .chips
        .iter()
        .map(|c| vec![false; c.words as usize])
        .collect();
    for e in structures {
        for &base in &e.bases {
            for preset in 0..e.map.offset.len() {
                if let Some(address) = e.map.cell(base, preset, e.space.len()) {
                    let (chip, cell) = e.space.place(address);
                    seen[chip][cell as usize] = true;
                }
            }
        }
    }
    let readings = experiment.plan.readings();
    let quiet = |(chip, seen): (&Cells, &Vec<bool>)| {
        seen.iter().enumerate().all(|(cell, seen)| {
            let differ = |r: usize| {
                let known = chip.known[0][cell] & chip.known[r][cell];
                (chip.values[0][cell] ^ chip.values[r][cell]) & known != 0
            };
            *seen || !(1..readings).any(differ)
        })
    };
    readings > 1 && experiment.chips.iter().zip(&seen).all(quiet)
}

/// All columns of the structures found.
pub(crate) fn columns(experiment: &Experiment, structures: &[Explained]) -> Vec<Column> {
    let settings = experiment.plan.settings.len();
    let readings = experiment.plan.readings();
    let mut out = Vec::new();
    for (structure, e) in structures.iter().enumerate() {
        let len = e.space.len();
        for &base in &e.bases {
            for line in 0..e.space.width {
                let mut rows = Vec::with_capacity(experiment.saves.len());
                for save in &experiment.saves {
                    let bit = e.map.cell(base, save.preset, len).map_or(2, |a| {
                        let (chip, cell) = e.space.place(a);
                        experiment.chips[chip].bit(save.reading, cell, line)
                    });
                    rows.push(bit);
                }
                let Some(first) = e.map.cell(base, 0, len) else {
                    continue;
                };
                let (chip, cell) = e.space.place(first);
                let rewritten = |p: usize| {
                    let Some((chip, cell)) = e.map.cell(base, p, len).map(|a| e.space.place(a))
                    else {
                        return false;
                    };
                    let chip = &experiment.chips[chip];
                    let mut first = None;
                    (0..readings).any(|r| {
                        let known = chip.known[r][cell as usize] >> line & 1 == 1;
                        let bit = chip.values[r][cell as usize] >> line & 1;
                        known && *first.get_or_insert(bit) != bit
                    })
                };
                let written = readings < 2 || (0..e.map.offset.len()).any(rewritten);
                let mut column = Column {
                    structure,
                    base,
                    line,
                    chip,
                    cell,
                    rows,
                    ones: vec![0.0; settings],
                    known: vec![0.0; settings],
                    written,
                };
                column.count(experiment, &vec![false; experiment.saves.len()]);
                out.push(column);
            }
        }
    }
    out
}
