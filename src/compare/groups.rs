//! Recognising presets and voices that hold what others held.
//!
//! A *group* is everything an instrument recalls by one position of the first axis: preset 12 with all its voices,
//! over every area that shares the axis. Whole groups are tried first, single entries after.

use std::collections::{HashMap, HashSet};

use super::{Move, MoveKind};
use crate::bank::Decoded;
use crate::codec::{low_mask, setting};
use crate::layout::model::{Area, FieldOwner, Layout};

pub(super) struct Recognised {
    pub(super) moves: Vec<Move>,
    /// `(area, entry)` whose changes a move explains.
    pub(super) explained: HashSet<(usize, usize)>,
}

/// The parameter codes of some entries, one after the other; `None` where a bit is unknown.
type Contents = Vec<u64>;

pub(super) fn recognise(before: &Decoded<'_>, after: &Decoded<'_>) -> Recognised {
    let mut out = Recognised {
        moves: Vec::new(),
        explained: HashSet::new(),
    };
    for family in families(before.layout) {
        whole_groups(before, after, &family, &mut out);
    }
    for (a, area) in before.layout.areas.iter().enumerate() {
        if area.axes.len() >= 2 {
            single_entries(before, after, a, &mut out);
        }
    }
    out
}

/// Areas that share their first axis, so that one number recalls an entry of each.
fn families(layout: &Layout) -> Vec<Vec<usize>> {
    let mut families: Vec<Vec<usize>> = Vec::new();
    for (a, area) in layout.areas.iter().enumerate() {
        let Some(axis) = area.axes.first() else {
            continue;
        };
        if axis.count() < 2 {
            continue;
        }
        let same = |family: &&mut Vec<usize>| layout.areas[family[0]].axes[0] == *axis;
        match families.iter_mut().find(same) {
            Some(family) => family.push(a),
            None => families.push(vec![a]),
        }
    }
    families
}

/// The entries of an area whose index on the first axis is this.
fn entries_of(area: &Area, index: usize) -> std::ops::Range<usize> {
    let each = area.entries() / area.axes[0].count().max(1);
    index * each..(index + 1) * each
}

fn contents(decoded: &Decoded<'_>, a: usize, entries: std::ops::Range<usize>) -> Option<Contents> {
    let area = &decoded.layout.areas[a];
    let mut all = Vec::new();
    for entry in entries {
        for (f, field) in area.fields.iter().enumerate() {
            if matches!(field.owner, FieldOwner::Parameter(_)) {
                all.push(decoded.codes.areas[a].code(entry, f)?);
            }
        }
    }
    Some(all)
}

/// Contents that say nothing about where they came from: every field at one end, or as emptying an entry leaves it.
fn is_blank(area: &Area, contents: &[u64]) -> bool {
    let emptied = setting::emptied(area);
    let fields: Vec<(u8, Option<u64>)> = area
        .fields
        .iter()
        .zip(emptied)
        .filter(|(f, _)| matches!(f.owner, FieldOwner::Parameter(_)))
        .map(|(f, empty)| (f.width, empty))
        .collect();
    let each = |test: &dyn Fn(u64, u8, Option<u64>) -> bool| {
        contents
            .iter()
            .zip(fields.iter().cycle())
            .all(|(&code, &(width, empty))| test(code, width, empty))
    };
    each(&|code, _, _| code == 0)
        || each(&|code, width, _| code == low_mask(width))
        || each(&|code, _, empty| empty.is_none_or(|e| e == code))
}

fn whole_groups(before: &Decoded<'_>, after: &Decoded<'_>, family: &[usize], out: &mut Recognised) {
    let layout = before.layout;
    let axis = &layout.areas[family[0]].axes[0];
    let group = |d: &Decoded<'_>, index: usize| -> Option<Contents> {
        let mut all = Vec::new();
        for &a in family {
            all.extend(contents(d, a, entries_of(&layout.areas[a], index))?);
        }
        Some(all)
    };
    let old: Vec<Option<Contents>> = (0..axis.count()).map(|i| group(before, i)).collect();
    let new: Vec<Option<Contents>> = (0..axis.count()).map(|i| group(after, i)).collect();
    let mut held_by: HashMap<&Contents, Vec<usize>> = HashMap::new();
    for (i, contents) in old.iter().enumerate() {
        if let Some(contents) = contents {
            held_by.entry(contents).or_default().push(i);
        }
    }
    let areas: Vec<String> = family
        .iter()
        .map(|&a| layout.areas[a].name.clone())
        .collect();
    let name = |i: usize| format!("{} {}", axis.name, axis.labels[i]);
    for i in 0..axis.count() {
        let (Some(was), Some(is)) = (&old[i], &new[i]) else {
            continue;
        };
        if was == is {
            continue;
        }
        let few = few_changed(was, is);
        let blank = family.iter().all(|&a| {
            contents(after, a, entries_of(&layout.areas[a], i))
                .is_some_and(|c| is_blank(&layout.areas[a], &c))
        });
        let found = if blank {
            Some((MoveKind::Blanked, None))
        } else {
            held_by
                .get(is)
                .filter(|_| !few)
                .and_then(|holders| nearest(holders, i))
                .map(|j| {
                    let kind = match (&new[j], &old[j]) {
                        (Some(now), _) if now == was => MoveKind::Swapped,
                        (now, then) if now == then => MoveKind::Copied,
                        _ => MoveKind::Moved,
                    };
                    (kind, Some(j))
                })
        };
        let Some((kind, from)) = found else { continue };
        // A swap is told once, at its lower number.
        let told = kind == MoveKind::Swapped && from.is_some_and(|j| j < i);
        if !told {
            out.moves.push(Move {
                kind,
                areas: areas.clone(),
                to: name(i),
                from: from.map(name),
            });
        }
        for &a in family {
            for entry in entries_of(&layout.areas[a], i) {
                out.explained.insert((a, entry));
            }
        }
    }
}

fn single_entries(before: &Decoded<'_>, after: &Decoded<'_>, a: usize, out: &mut Recognised) {
    let area = &before.layout.areas[a];
    let each = |d: &Decoded<'_>| -> Vec<Option<Contents>> {
        (0..area.entries())
            .map(|e| contents(d, a, e..e + 1))
            .collect()
    };
    let (old, new) = (each(before), each(after));
    let mut held_by: HashMap<&Contents, Vec<usize>> = HashMap::new();
    for (i, contents) in old.iter().enumerate() {
        if let Some(contents) = contents {
            held_by.entry(contents).or_default().push(i);
        }
    }
    for i in 0..area.entries() {
        let (Some(was), Some(is)) = (&old[i], &new[i]) else {
            continue;
        };
        if few_changed(was, is) || out.explained.contains(&(a, i)) || is_blank(area, is) {
            continue;
        }
        let Some(j) = held_by.get(is).and_then(|holders| nearest(holders, i)) else {
            continue;
        };
        let kind = match (&new[j], &old[j]) {
            (Some(now), _) if now == was => MoveKind::Swapped,
            (now, then) if now == then => MoveKind::Copied,
            _ => MoveKind::Moved,
        };
        if !(kind == MoveKind::Swapped && j < i) {
            out.moves.push(Move {
                kind,
                areas: vec![area.name.clone()],
                to: area.entry_label(i),
                from: Some(area.entry_label(j)),
            });
        }
        out.explained.insert((a, i));
    }
}

/// Whether less than half of an entry changed. That it now is like another, as the voices of a preset often are, is then no
/// news, and calling it a copy would hide the values that were edited or mended.
fn few_changed(was: &Contents, is: &Contents) -> bool {
    let changed = was.iter().zip(is).filter(|(x, y)| x != y).count();
    changed < 2 || 2 * changed < was.len()
}

/// The holder closest to `i` but not itself.
fn nearest(holders: &[usize], i: usize) -> Option<usize> {
    holders
        .iter()
        .copied()
        .filter(|j| *j != i)
        .min_by_key(|j| j.abs_diff(i))
}
