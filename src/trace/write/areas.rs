//! The areas of a layout: for each group of chips the presets, and what each voice has of its own where voices lie alike.

use std::fmt::Write as _;

use super::text::order_text;
use super::{Taken, Writer, check};
use crate::trace::voice_axis::{Apart, VoiceAxis};

/// An area as it is written.
pub(super) struct Area<'a> {
    name: String,
    pub(super) structures: Vec<usize>,
    /// The axis of voices, where it has one.
    pub(super) voices: Option<&'a VoiceAxis>,
}

impl Writer<'_> {
    /// All areas of a group of chips.
    pub(super) fn areas(&self, t: &mut String, g: usize) {
        let group = &self.groups[g];
        let axis = self.solution.voices[g].as_ref();
        let mut taken = Taken::default();
        let experiment = &self.solution.solved.experiment;
        let mut all: Vec<(Area, String)> = Vec::new();
        let hangs = |f: &usize| experiment.conditions[self.found[*f].lane].is_some();
        let mut alone: Vec<usize> = (0..self.found.len()).collect();
        // What decides is written before what it decides of.
        alone.sort_by_key(hangs);
        if let Some(axis) = axis {
            let area = Area {
                name: format!("{}-voices", group.name),
                structures: axis
                    .boards
                    .iter()
                    .flat_map(|b| b.structures.clone())
                    .collect(),
                voices: Some(axis),
            };
            let mut text = String::new();
            let mut members: Vec<&Vec<usize>> = axis.members.iter().collect();
            members.sort_by_key(|m| hangs(&m[0]));
            for member in members {
                let columns: Vec<(usize, usize)> = self.columns(member).collect();
                if !columns
                    .iter()
                    .all(|(c, lane)| taken.free(experiment, *c, *lane))
                {
                    continue;
                }
                let first = *axis.written(member);
                let others = member.iter().copied().filter(|f| *f != first);
                let fields: Vec<usize> = [first].into_iter().chain(others).collect();
                self.field(&mut text, &area, &fields, &mut taken);
                for (column, lane) in columns {
                    taken.take(experiment, column, lane);
                }
                alone.retain(|f| !member.contains(f));
            }
            all.push((area, text));
        }
        // What is kept elsewhere than on the boards of voices, and what of a board is not of all voices.
        let split = axis.filter(|a| a.split()).map_or(&[][..], |a| &a.boards);
        let on_board = |s: &usize| split.iter().any(|b| b.structures.contains(s));
        let rest = group.structures.iter().copied().filter(|s| !on_board(s));
        let mut plain = vec![(group.name.clone(), rest.collect::<Vec<usize>>())];
        for (n, board) in split.iter().enumerate() {
            plain.push((
                format!("{}-board-{}", group.name, n + 1),
                board.structures.clone(),
            ));
        }
        let mut before: Vec<(Area, String)> = Vec::new();
        for (n, (name, structures)) in plain.into_iter().enumerate() {
            let area = Area {
                name,
                structures,
                voices: None,
            };
            let mut text = String::new();
            for f in &alone {
                self.field(&mut text, &area, &[*f], &mut taken);
            }
            if n == 0 {
                check::checks(&mut text, self.solution, g);
            }
            if !text.is_empty() || (axis.is_none() && n == 0) {
                before.push((area, text));
            }
        }
        if let ([], [(only, _)]) = (&before[..], &mut all[..]) {
            only.name = group.name.clone();
        }
        for (area, text) in before.iter().chain(&all) {
            self.head(t, g, area);
            t.push_str(text);
        }
    }

    /// The columns of all homes of fields, with the lane.
    fn columns<'f>(&'f self, fields: &'f [usize]) -> impl Iterator<Item = (usize, usize)> + 'f {
        let found = fields.iter().map(|f| self.found[*f]);
        found.flat_map(|f| {
            let homes = f.bits.iter().flat_map(|b| &b.homes);
            homes.map(|m| (m.column, f.lane))
        })
    }

    /// Name, chips, axes and lines of an area.
    fn head(&self, t: &mut String, g: usize, area: &Area) {
        let panel = &self.solution.solved.experiment.plan.panel;
        let group = &self.groups[g];
        let ids: Vec<String> = area
            .structures
            .iter()
            .flat_map(|s| &self.structures()[*s].space.chips)
            .map(|c| format!("{:?}", self.solution.solved.experiment.chips[*c].id))
            .collect();
        let _ = write!(t, "\n[[area]]");
        if let Some(axis) = area.voices {
            let _ = write!(t, "\n# {}", axis.says());
        }
        let _ = writeln!(t, "\nname  = {:?}\nchips = [{}]", area.name, ids.join(", "));
        let voices = area.voices.map_or_else(String::new, voice_text);
        let e = &self.structures()[group.structures[0]];
        let n = panel.presets;
        if e.map.xor {
            let order = order_text(&e.map.counters(), 1);
            let _ = writeln!(
                t,
                "axes  = {{ {} = {{ count = {n}{order} }}{voices} }}",
                panel.axis
            );
        } else {
            let order = order_text(&e.map.offset, e.map.stride);
            let _ = writeln!(
                t,
                "at    = {}\naxes  = {{ {} = {{ count = {n}, stride = {}{order} }}{voices} }}",
                group.at, panel.axis, e.map.stride
            );
        }
        let lines = match area.structures.first() {
            Some(s) if self.board_line(*s, 0).is_some() => {
                let last = area
                    .structures
                    .iter()
                    .filter_map(|s| self.board_line(*s, self.structures()[*s].space.width - 1));
                last.max().map_or(group.total, |l| l + 1)
            }
            _ => group.total,
        };
        let _ = writeln!(t, "lines = {lines}");
    }
}

/// The axis of voices, beside that of presets.
fn voice_text(axis: &VoiceAxis) -> String {
    let mut voices: Vec<(usize, u32)> = axis.boards.iter().flat_map(|b| b.voices.clone()).collect();
    voices.sort_unstable();
    let mut out = format!(", voice = {{ count = {}", voices.len());
    if let Apart::Stride(stride) = axis.apart
        && stride > 0
    {
        let _ = write!(out, ", stride = {stride}");
    }
    if !axis.split() {
        let order: Vec<u32> = voices.iter().map(|v| v.1).collect();
        out.push_str(&order_text(&order, 1));
    }
    out.push_str(" }");
    out
}
