//! Chips that follow one preset structure, put together as one area with a word bus.

use super::columns::Column;
use super::explain::{Explained, gather};
use super::fields::Found;

/// Chips whose preset structure is the same: they share an area.
#[derive(Clone, Debug)]
pub(crate) struct Group {
    pub(crate) name: String,
    pub(crate) structures: Vec<usize>,
    /// First position of each structure's data lines.
    pub(crate) lines: Vec<u32>,
    pub(crate) total: u32,
    /// Address of the first slot, where addresses are counted.
    pub(crate) at: u32,
    /// Line of the word bus at each position; as they come unless something shows another order.
    pub(crate) bus: Vec<u32>,
    /// Positions whose data pin is written as inverted.
    pub(crate) inverted: Vec<bool>,
}

/// A code bit in the terms of an area: slot and line of the word bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Spot {
    pub(crate) group: usize,
    pub(crate) structure: usize,
    pub(crate) unit: u32,
    pub(crate) line: u32,
    /// Against the data pin as written.
    pub(crate) turned: bool,
}

impl Group {
    /// Position of a structure's data line among the group's.
    pub(crate) fn position(&self, structure: usize, line: u8) -> Option<usize> {
        let at = self.structures.iter().position(|s| *s == structure)?;
        Some((self.lines[at] + u32::from(line)) as usize)
    }

    /// Slot of a base, by the structure it belongs to.
    pub(crate) fn unit(&self, structure: &Explained, base: u32) -> u32 {
        if structure.map.xor {
            gather(base, &slot_lines(structure)) ^ structure.turned
        } else {
            base - self.at
        }
    }
}

/// Where a column is, and whether it is against its pin when it holds a bit `inverted`.
pub(crate) fn spot(
    groups: &[Group],
    structures: &[Explained],
    column: &Column,
    inverted: bool,
) -> Option<Spot> {
    let group = groups
        .iter()
        .position(|g| g.structures.contains(&column.structure))?;
    let g = &groups[group];
    let position = g.position(column.structure, column.line)?;
    Some(Spot {
        group,
        structure: column.structure,
        unit: g.unit(&structures[column.structure], column.base),
        line: g.bus[position],
        turned: inverted != g.inverted[position],
    })
}

/// The groups, their data lines as they come, inverted where most of what was found on them is.
pub(crate) fn groups(
    structures: &[Explained],
    columns: &[Column],
    found: &[Option<Found>],
) -> Vec<Group> {
    let mut out: Vec<Group> = Vec::new();
    for (i, e) in structures.iter().enumerate() {
        let width = u32::from(e.space.width);
        let same = |g: &&mut Group| {
            let o = &structures[g.structures[0]].map;
            let like = if e.map.xor {
                o.xor && o.counters() == e.map.counters()
            } else {
                !o.xor && o.offset == e.map.offset
            };
            like && g.total + width <= 64
        };
        let first = e.bases.first().copied().unwrap_or(0);
        match out.iter_mut().find(same) {
            Some(g) => {
                g.structures.push(i);
                g.lines.push(g.total);
                g.total += width;
                g.at = g.at.min(first);
            }
            None => out.push(Group {
                name: String::new(),
                structures: vec![i],
                lines: vec![0],
                total: width,
                at: first,
                bus: Vec::new(),
                inverted: Vec::new(),
            }),
        }
    }
    let many = out.len() > 1;
    for (i, g) in out.iter_mut().enumerate() {
        g.name = if many {
            format!("presets-{}", i + 1)
        } else {
            "presets".to_owned()
        };
        if structures[g.structures[0]].map.xor {
            g.at = 0;
        }
        g.bus = (0..g.total).collect();
        g.inverted = inversions(g, columns, found);
    }
    out
}

fn inversions(group: &Group, columns: &[Column], found: &[Option<Found>]) -> Vec<bool> {
    let mut votes = vec![0i64; group.total as usize];
    for f in found.iter().flatten() {
        for m in f.bits.iter().flat_map(|b| &b.homes) {
            let c = &columns[m.column];
            if let Some(p) = group.position(c.structure, c.line) {
                votes[p] += if m.inverted { 1 } else { -1 };
            }
        }
    }
    votes.into_iter().map(|n| n > 0).collect()
}

/// The address lines of a space that carry no preset bit, in the order of the slot's bits.
pub(crate) fn slot_lines(e: &Explained) -> Vec<u32> {
    if !e.slots.is_empty() {
        return e.slots.clone();
    }
    (0..e.space.bits())
        .filter(|l| !e.map.lines.contains(l))
        .collect()
}
