//! Who claims a column: a column is one control's, unless no setting gives meaning to both.

use super::super::cells::Experiment;

/// The claims to every column: odds and lane.
pub(crate) struct Rivals<'a> {
    experiment: &'a Experiment<'a>,
    of: Vec<Vec<(f64, usize)>>,
}

impl<'a> Rivals<'a> {
    pub(crate) fn new(experiment: &'a Experiment<'a>, columns: usize) -> Self {
        Self {
            experiment,
            of: vec![Vec::new(); columns],
        }
    }

    pub(crate) fn claim(&mut self, column: usize, odds: f64, lane: usize) {
        self.of[column].push((odds, lane));
    }

    /// The best claim of another lane that means something beside this one.
    fn other(&self, column: usize, lane: usize) -> Option<(f64, usize)> {
        let others = self.of[column].iter().copied();
        let others = others.filter(|(_, l)| *l != lane && !self.experiment.excludes(*l, lane));
        // Of equal ones the first.
        others.reduce(|a, b| {
            if b.0 > a.0 || (b.0 == a.0 && b.1 < a.1) {
                b
            } else {
                a
            }
        })
    }

    /// What the best other claim is worth, or `none`.
    pub(crate) fn next(&self, column: usize, lane: usize, none: f64) -> f64 {
        self.other(column, lane).map_or(none, |o| o.0)
    }

    /// True where nobody has a better claim.
    pub(crate) fn wins(&self, column: usize, lane: usize, odds: f64) -> bool {
        let other = self.other(column, lane);
        other.is_none_or(|(o, l)| odds > o || (odds == o && lane < l))
    }

    /// The lanes whose claim is better than every other's by so much.
    pub(crate) fn owners(&self, by: f64) -> Vec<Vec<usize>> {
        let of = |(column, all): (usize, &Vec<(f64, usize)>)| {
            let clear = |c: &&(f64, usize)| c.0 > self.next(column, c.1, 0.0) + by;
            all.iter().filter(clear).map(|c| c.1).collect()
        };
        self.of.iter().enumerate().map(of).collect()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use crate::image::ChipImage;
    use crate::reading::{ChipReading, Reading};
    use crate::trace::panel::Panel;
    use crate::trace::plan::{Effort, Plan};

    /// The split switch (lane 0) gives meaning to a split point (1) or to a spread (2); the level (3) always has one.
    const PANEL: &str = r#"
name = "Split"
presets = 8
[[control]]
key = "split"
kind = "switch"
[[control]]
key = "point"
kind = "knob"
when = { key = "split", is = ["on"] }
[[control]]
key = "spread"
kind = "knob"
when = { key = "split", is = ["off"] }
[[control]]
key = "level"
kind = "knob"
"#;

    /// By hand. Point (9) and spread (7) never meet, so each is held against level (4) alone, and level against the
    /// better of them: point leads by 5, spread by 3, level is behind.
    #[test]
    fn who_never_meets_is_no_rival() {
        let plan = Plan::with(&Panel::parse(PANEL).unwrap(), Effort::FULL);
        let reading = |r: usize| {
            let cells: Vec<u8> = (0..64).map(|c| (c * 7 + r * 13) as u8).collect();
            let image = ChipImage::from_cells(8, &cells).unwrap();
            Reading::new(vec![ChipReading::new("U1", image)])
        };
        let readings: Vec<Reading> = (0..plan.readings()).map(reading).collect();
        let experiment = Experiment::new(&plan, &readings).unwrap();
        let mut rivals = Rivals::new(&experiment, 2);
        for (odds, lane) in [(9.0, 1), (7.0, 2), (4.0, 3)] {
            rivals.claim(0, odds, lane);
        }
        let next = |lane| rivals.next(0, lane, 0.0);
        assert_eq!([next(1), next(2), next(3)], [4.0, 4.0, 9.0]);
        let wins = |lane, odds| rivals.wins(0, lane, odds);
        assert!(wins(1, 9.0) && wins(2, 7.0) && !wins(3, 4.0));
        // By more than 3 point alone is ahead, by more than 2.5 both.
        assert_eq!(rivals.owners(3.0)[0], [1]);
        assert_eq!(rivals.owners(2.5)[0], [1, 2]);
        // Of equal claims the first wins; where there is no other, what is given stands for it.
        rivals.claim(1, 5.0, 3);
        assert_eq!(rivals.next(1, 3, -1.0), -1.0);
        rivals.claim(1, 5.0, 1);
        assert!(rivals.wins(1, 1, 5.0) && !rivals.wins(1, 3, 5.0));
    }
}
