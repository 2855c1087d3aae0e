//! In what order, and which way round, the lines of a word may go: neighbouring bits of a control are neighbours.

use super::super::groups::Group;
use super::super::solve::Solved;

/// An order and polarity of a group's lines.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Turn {
    /// Line of the word bus at each position.
    pub(super) bus: Vec<u32>,
    /// Positions that are inverted.
    pub(super) inverted: Vec<bool>,
}

impl Turn {
    /// A word as it is on the bus.
    pub(super) fn word(&self, value: u64) -> u64 {
        let lines = self.bus.iter().zip(&self.inverted).enumerate();
        lines.fold(0, |word, (position, (line, inverted))| {
            word | ((value >> position & 1) ^ u64::from(*inverted)) << line
        })
    }
}

/// The orders worth trying, the plainest first.
pub(super) fn turns(solved: &Solved, group: &Group) -> Vec<Turn> {
    let n = group.total as usize;
    let straight: Vec<u32> = (0..group.total).collect();
    let mut orders = vec![straight.clone()];
    if (2..=8).contains(&n) {
        orders.push(path(&neighbours(solved, group)));
    }
    let turned = |o: &Vec<u32>| o.iter().map(|l| group.total - 1 - l).collect::<Vec<u32>>();
    orders.extend(orders.clone().iter().map(turned));
    let mut out: Vec<Turn> = Vec::new();
    for inverted in [group.inverted.clone(), vec![false; n], vec![true; n]] {
        for bus in &orders {
            let turn = Turn {
                bus: bus.clone(),
                inverted: inverted.clone(),
            };
            if !out.contains(&turn) {
                out.push(turn);
            }
        }
    }
    out
}

/// How often a control's next higher bit is at the second position when a bit is at the first; and how often it
/// steps from the first position over to the second in the next slot.
struct Neighbours {
    within: Vec<Vec<u32>>,
    across: Vec<Vec<u32>>,
}

fn neighbours(solved: &Solved, group: &Group) -> Neighbours {
    let n = group.total as usize;
    let mut out = Neighbours {
        within: vec![vec![0; n]; n],
        across: vec![vec![0; n]; n],
    };
    for f in solved.found.iter().flatten() {
        let homes: Vec<Option<(u32, usize)>> = f
            .bits
            .iter()
            .map(|b| {
                let c = &solved.columns[b.homes.first()?.column];
                let position = group.position(c.structure, c.line)?;
                Some((
                    group.unit(&solved.structures[c.structure], c.base),
                    position,
                ))
            })
            .collect();
        for pair in homes.windows(2) {
            if let [Some((u, p)), Some((v, q))] = pair {
                if u == v {
                    out.within[*p][*q] += 1;
                } else if u.abs_diff(*v) == 1 {
                    out.across[*p][*q] += 1;
                }
            }
        }
    }
    out
}

/// The order in which most neighbours are side by side, as the line of each position: the best path through all
/// positions, by dynamic programming over the sets visited.
fn path(n: &Neighbours) -> Vec<u32> {
    let lines = n.within.len();
    let mut best: (u32, Vec<u32>) = (0, (0..lines as u32).collect());
    for start in 0..lines {
        let mut score = vec![vec![None::<(u32, usize)>; lines]; 1 << lines];
        score[1 << start][start] = Some((0, start));
        for set in 0..1usize << lines {
            for last in 0..lines {
                let Some((s, _)) = score[set][last] else {
                    continue;
                };
                for next in (0..lines).filter(|k| set >> k & 1 == 0) {
                    let with = s + n.within[last][next] * 2;
                    let to = &mut score[set | 1 << next][next];
                    if to.is_none_or(|t| t.0 < with) {
                        *to = Some((with, last));
                    }
                }
            }
        }
        for end in 0..lines {
            let Some((s, _)) = score[(1 << lines) - 1][end] else {
                continue;
            };
            let s = s + n.across[end][start];
            if s <= best.0 {
                continue;
            }
            let (mut set, mut at) = ((1usize << lines) - 1, end);
            let mut bus = vec![0; lines];
            for line in (0..lines as u32).rev() {
                bus[at] = line;
                let from = score[set][at].map_or(at, |f| f.1);
                set &= !(1 << at);
                at = from;
            }
            best = (s, bus);
        }
    }
    best.1
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Positions 2, 0, 3, 1 carry lines 0 to 3; three pairs seen, and one step into the next slot.
    #[test]
    fn neighbours_give_the_order() {
        let mut n = Neighbours {
            within: vec![vec![0; 4]; 4],
            across: vec![vec![0; 4]; 4],
        };
        n.within[2][0] = 3;
        n.within[0][3] = 1;
        n.within[3][1] = 2;
        n.across[1][2] = 1;
        assert_eq!(path(&n), vec![1, 3, 0, 2]);
        let turn = Turn {
            bus: path(&n),
            inverted: vec![false, true, false, false],
        };
        // Positions 0 and 2 high: lines 1 and 0; position 1 is low and inverted: line 3.
        assert_eq!(turn.word(0b0101), 0b1011);
    }
}
