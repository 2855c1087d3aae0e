//! Planes of bits as SVG paths: a run of bits is one stroke.

use std::collections::BTreeMap;
use std::fmt::Write;

/// Bits of a plane collected into one path a class, row by row.
pub(super) struct Paths<K> {
    paths: BTreeMap<K, Path>,
}

#[derive(Default)]
struct Path {
    data: String,
    /// The run being drawn: row, first column, columns.
    run: Option<(u32, u32, u32)>,
    /// Where the pen is: row and column.
    pen: Option<(u32, u32)>,
}

impl Path {
    fn flush(&mut self) {
        let Some((row, from, count)) = self.run.take() else {
            return;
        };
        // Writing to a string cannot fail.
        let _ = match self.pen {
            Some((r, at)) if r == row => write!(self.data, "m{} 0h{count}", from - at),
            _ => write!(self.data, "M{from} {row}h{count}"),
        };
        self.pen = Some((row, from + count));
    }
}

impl<K: Ord> Paths<K> {
    pub(super) fn new() -> Self {
        Self {
            paths: BTreeMap::new(),
        }
    }

    /// Adds a bit; bits come row by row, each row from left to right.
    pub(super) fn add(&mut self, class: K, column: u32, row: u32) {
        let path = self.paths.entry(class).or_default();
        match &mut path.run {
            Some((r, from, count)) if *r == row && *from + *count == column => *count += 1,
            _ => {
                path.flush();
                path.run = Some((row, column, 1));
            }
        }
    }

    /// The finished paths.
    pub(super) fn finish(self) -> impl Iterator<Item = (K, String)> {
        self.paths.into_iter().map(|(class, mut path)| {
            path.flush();
            (class, path.data)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_join_and_gaps_move_the_pen() {
        let mut paths = Paths::new();
        for (column, row) in [(0, 0), (1, 0), (4, 0), (2, 3)] {
            paths.add((), column, row);
        }
        let all: Vec<_> = paths.finish().collect();
        assert_eq!(all, [((), "M0 0h2m2 0h1M2 3h1".to_owned())]);
    }
}
