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
