//! What drives the pins of each chip, as the layout language writes it.

use std::fmt::Write as _;

use super::Writer;
use super::text::negated;
use crate::trace::explain::gather;
use crate::trace::groups::slot_lines;
use crate::trace::voice_axis::{Apart, Board, VoiceAxis};

impl Writer<'_> {
    /// The voice axis that a structure is under, with its board.
    fn board(&self, structure: usize) -> Option<(&VoiceAxis, &Board)> {
        let axes = self.solution.voices.iter().flatten();
        let boards = axes.flat_map(|a| a.boards.iter().map(move |b| (a, b)));
        let mut boards = boards.filter(|(_, b)| b.structures.contains(&structure));
        boards.next()
    }

    /// Which voices a chip holds, where each board keeps a part of them.
    fn holds(&self, t: &mut String, structure: usize) {
        let Some((_, board)) = self.board(structure).filter(|(axis, _)| axis.split()) else {
            return;
        };
        let voices: Vec<String> = board.voices.iter().map(|v| (v.0 + 1).to_string()).collect();
        let _ = writeln!(t, "holds    = {{ voice = [{}] }}", voices.join(", "));
    }

    /// The line of the bus that a data line carries, where each board keeps a part of the voices: then the lines of all
    /// boards are the same.
    pub(super) fn board_line(&self, structure: usize, line: u8) -> Option<u32> {
        let (_, board) = self.board(structure).filter(|(axis, _)| axis.split())?;
        let before = board.structures.iter().take_while(|s| **s != structure);
        let widths = before.map(|s| u32::from(self.structures()[*s].space.width));
        Some(widths.sum::<u32>() + u32::from(line))
    }

    /// What each bit of the voice's counter turns of the slot.
    fn voice_lines(&self, structure: usize) -> &[u32] {
        match self.board(structure) {
            Some((axis, _)) => match &axis.apart {
                Apart::Lines(lines) => lines,
                Apart::Stride(_) => &[],
            },
            None => &[],
        }
    }

    /// Address, enable and data pins of a chip.
    pub(super) fn pins(&self, t: &mut String, structure: usize, chip: usize) {
        let e = &self.structures()[structure];
        let chip_lines = e.space.words.next_power_of_two().trailing_zeros();
        let Some(group) = self
            .groups
            .iter()
            .find(|g| g.structures.contains(&structure))
        else {
            return;
        };
        let at = group
            .structures
            .iter()
            .position(|s| *s == structure)
            .unwrap_or(0);
        let axis = &self.solution.solved.experiment.plan.panel.axis;
        let _ = writeln!(t, "# how {axis}s lie: {}", e.map.says);
        self.holds(t, structure);
        if e.map.xor {
            let signals = self.wired_signals(structure);
            let quoted = |s: &[String]| {
                s.iter()
                    .map(|s| format!("{s:?}"))
                    .collect::<Vec<_>>()
                    .join(", ")
            };
            let _ = writeln!(
                t,
                "address  = [{}]",
                quoted(&signals[..chip_lines as usize])
            );
            let enable: Vec<String> = signals[chip_lines as usize..]
                .iter()
                .enumerate()
                .map(|(b, s)| {
                    if chip >> b & 1 == 1 {
                        s.clone()
                    } else {
                        negated(s)
                    }
                })
                .collect();
            if !enable.is_empty() {
                let _ = writeln!(t, "enable   = [{}]", quoted(&enable));
            }
        } else if !e.map.pins.pins.is_empty() {
            let mut pins = vec![String::new(); e.map.pins.pins.len()];
            for (bit, &pin) in e.map.pins.pins.iter().enumerate() {
                let not = if e.map.pins.invert >> pin & 1 == 1 {
                    "!"
                } else {
                    ""
                };
                pins[usize::from(pin)] = format!("\"{not}a.{bit}\"");
            }
            let _ = writeln!(t, "address  = [{}]", pins.join(", "));
        } else if e.space.chips.len() > 1 {
            // Several chips in a row: the address bits above the chip's own choose it.
            let bits = (e.space.chips.len() as u32)
                .next_power_of_two()
                .trailing_zeros();
            let enable: Vec<String> = (0..bits)
                .map(|b| {
                    format!(
                        "\"{}a.{}\"",
                        if chip >> b & 1 == 1 { "" } else { "!" },
                        chip_lines + b
                    )
                })
                .collect();
            let _ = writeln!(t, "enable   = [{}]", enable.join(", "));
        }
        let data: Vec<String> = (0..e.space.width)
            .map(|l| {
                let position = (group.lines[at] + u32::from(l)) as usize;
                let not = if group.inverted[position] { "!" } else { "" };
                let line = self.board_line(structure, l);
                format!("\"{not}q.{}\"", line.unwrap_or(group.bus[position]))
            })
            .collect();
        let _ = writeln!(t, "data     = [{}]", data.join(", "));
    }

    /// What drives each address line of a space whose presets are wired to lines.
    fn wired_signals(&self, structure: usize) -> Vec<String> {
        let e = &self.structures()[structure];
        let by_voice = self.voice_lines(structure);
        let pivots = &e.map.lines;
        let slots = slot_lines(e);
        let base = |slot: u32| {
            // The base with these slot bits.
            e.bases
                .iter()
                .copied()
                .find(|b| gather(*b, &slots) ^ e.turned == slot)
                .unwrap_or(0)
        };
        let axis = &self.solution.solved.experiment.plan.panel.axis;
        let origin = base(0);
        (0..e.space.bits())
            .map(|line| {
                let mut terms: Vec<String> = Vec::new();
                for (j, d) in e.map.deltas.iter().enumerate() {
                    if d >> line & 1 == 1 {
                        terms.push(format!("{axis}.{j}"));
                    }
                }
                let turns = |i: usize| match slots[i] == line {
                    true => true,
                    false => pivots.contains(&line) && (base(1 << i) ^ origin) >> line & 1 == 1,
                };
                for (k, bits) in by_voice.iter().enumerate() {
                    let turned = (0..slots.len()).filter(|i| bits >> i & 1 == 1 && turns(*i));
                    if turned.count() % 2 == 1 {
                        terms.push(format!("voice.{k}"));
                    }
                }
                for i in (0..slots.len()).filter(|i| turns(*i)) {
                    terms.push(format!("slot.{i}"));
                }
                let text = if terms.is_empty() {
                    "0".to_owned()
                } else {
                    terms.join(" ^ ")
                };
                if origin >> line & 1 == 1 {
                    negated(&text)
                } else {
                    text
                }
            })
            .collect()
    }
}
