//! Writes what was found as a layout file, each claim with its evidence.

use std::fmt::Write as _;

use super::codes::Code;
use super::explain::{Explained, gather};
use super::fields::{Bit, Found};
use super::groups::{self, Group, Spot, slot_lines};
use super::panel::PanelControl;
use super::solution::{CERTAIN, FoundField, Solution};

pub(crate) mod check;
mod text;

use text::{meaning, negated, order_text, pieces};

/// What is less likely than this is not written: it would be read as if something spoke for it.
const SHOWN: f64 = 0.05;

/// How many other places of a bit a note names.
const MOST_OTHERS: usize = 4;

struct Writer<'a> {
    solution: &'a Solution<'a>,
    groups: &'a [Group],
}

/// The layout file.
pub(crate) fn layout_toml(solution: &Solution, id: &str) -> String {
    let w = Writer {
        solution,
        groups: &solution.groups,
    };
    w.write(id)
}

impl Writer<'_> {
    fn structures(&self) -> &[Explained] {
        &self.solution.solved.structures
    }

    fn spot(&self, column: usize, inverted: bool) -> Option<Spot> {
        let column = &self.solution.solved.columns[column];
        groups::spot(self.groups, self.structures(), column, inverted)
    }

    fn write(&self, id: &str) -> String {
        let panel = &self.solution.solved.experiment.plan.panel;
        let mut t = String::new();
        let plan = self.solution.solved.experiment.plan;
        let _ = writeln!(
            t,
            "# {}: traced from {} settings in {} readings.",
            panel.name,
            plan.settings.len(),
            plan.readings()
        );
        let _ = writeln!(
            t,
            "# \"traced\" is shown by what the bits held; \"guessed\" is the likeliest of what remains possible.\n"
        );
        let _ = writeln!(
            t,
            "cellkeep = 1\nid       = {id:?}\nname     = {:?}\nrevision = \"1\"",
            panel.name
        );
        for (i, chip) in self.solution.solved.experiment.chips.iter().enumerate() {
            let _ = writeln!(
                t,
                "\n[[chip]]\nid       = {:?}\nwords    = {}\nwidth    = {}",
                chip.id, chip.words, chip.width
            );
            if let Some((s, at)) = self
                .structures()
                .iter()
                .enumerate()
                .find_map(|(s, e)| e.space.chips.iter().position(|c| *c == i).map(|at| (s, at)))
            {
                self.pins(&mut t, s, at);
                let _ = writeln!(t, "evidence = \"traced\"");
            }
        }
        for (g, group) in self.groups.iter().enumerate() {
            self.area(&mut t, g, group);
        }
        t
    }

    /// Address, enable and data pins of a chip.
    fn pins(&self, t: &mut String, structure: usize, chip: usize) {
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
        let _ = writeln!(t, "# {} of {}", panel_word(self), e.map.says);
        if e.map.xor {
            let signals = self.wired_signals(e);
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
                format!("\"{not}q.{}\"", group.bus[position])
            })
            .collect();
        let _ = writeln!(t, "data     = [{}]", data.join(", "));
    }

    /// What drives each address line of a space whose presets are wired to lines.
    fn wired_signals(&self, e: &Explained) -> Vec<String> {
        let pivots = &e.map.lines;
        let slots = slot_lines(e);
        let base = |slot: u32| {
            // The base with these slot bits.
            e.bases
                .iter()
                .copied()
                .find(|b| gather(*b, &slots) == slot)
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
                for (i, slot) in slots.iter().enumerate() {
                    let turns = if *slot == line {
                        true
                    } else {
                        pivots.contains(&line) && (base(1 << i) ^ origin) >> line & 1 == 1
                    };
                    if turns {
                        terms.push(format!("slot.{i}"));
                    }
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

    fn area(&self, t: &mut String, g: usize, group: &Group) {
        let panel = &self.solution.solved.experiment.plan.panel;
        let e = &self.structures()[group.structures[0]];
        let ids: Vec<String> = group
            .structures
            .iter()
            .flat_map(|s| &self.structures()[*s].space.chips)
            .map(|c| format!("{:?}", self.solution.solved.experiment.chips[*c].id))
            .collect();
        let _ = writeln!(
            t,
            "\n[[area]]\nname  = {:?}\nchips = [{}]",
            group.name,
            ids.join(", ")
        );
        let n = panel.presets;
        if e.map.xor {
            let order = order_text(&e.map.counters(), 1);
            let _ = writeln!(t, "axes  = {{ {} = {{ count = {n}{order} }} }}", panel.axis);
        } else {
            let order = order_text(&e.map.offset, e.map.stride);
            let _ = writeln!(
                t,
                "at    = {}\naxes  = {{ {} = {{ count = {n}, stride = {}{order} }} }}",
                group.at, panel.axis, e.map.stride
            );
        }
        let _ = writeln!(t, "lines = {}", group.total);
        let mut taken: Vec<(u32, u32)> = Vec::new();
        for (f, field) in self
            .solution
            .solved
            .found
            .iter()
            .flatten()
            .zip(&self.solution.fields)
        {
            self.field(t, g, f, field, &mut taken);
        }
        check::checks(t, self.solution, g);
    }

    /// The key of a control, with its voice or character.
    fn key(&self, field: &FoundField) -> String {
        let panel = &self.solution.solved.experiment.plan.panel;
        let mut key = panel.controls[field.control].key.clone();
        if let Some(v) = field.voice {
            let _ = write!(key, ".voice-{}", v + 1);
        }
        if let Some(c) = field.character {
            let _ = write!(key, ".character-{}", c + 1);
        }
        key
    }

    fn field(
        &self,
        t: &mut String,
        g: usize,
        f: &Found,
        field: &FoundField,
        taken: &mut Vec<(u32, u32)>,
    ) {
        let panel = &self.solution.solved.experiment.plan.panel;
        let control = &panel.controls[field.control];
        // Bits above all that its positions set need no place.
        let idle = field.bits.iter().rev().take_while(|b| b.idle).count();
        let bits = || f.bits.iter().zip(&field.bits).rev().skip(idle);
        let spot = |bit: &Bit| {
            let first = bit.homes.first()?;
            self.spot(first.column, first.inverted)
        };
        let top = bits().next().and_then(|(bit, _)| spot(bit));
        if top.is_some_and(|t| t.group == g)
            && (field.sure < SHOWN || bits().next().is_some_and(|(_, b)| b.sure < SHOWN))
        {
            let _ = writeln!(
                t,
                "\n# {}: no bit follows it better than chance would; left out.",
                self.key(field)
            );
            return;
        }
        // From the top down to the first bit that has no home here, or is not shown.
        let mut spots: Vec<Spot> = Vec::new();
        let mut copies = Vec::new();
        for (bit, found) in bits() {
            let Some(first) = spot(bit).filter(|_| found.sure >= SHOWN) else {
                break;
            };
            if first.group != g || taken.contains(&(first.unit, first.line)) {
                break;
            }
            taken.push((first.unit, first.line));
            spots.push(first);
            for m in &bit.homes[1..] {
                if let Some(s) = self.spot(m.column, m.inverted)
                    && s.group == g
                    && !taken.contains(&(s.unit, s.line))
                {
                    taken.push((s.unit, s.line));
                    copies.push(s);
                }
            }
        }
        if spots.is_empty() {
            return;
        }
        let missing = f.bits.len() - idle - spots.len();
        let turned: Vec<bool> = spots.iter().map(|s| s.turned).collect();
        let mut code = field.code;
        let inverted = if turned.iter().all(|x| *x) {
            true
        } else if turned.iter().all(|x| !x) {
            false
        } else if turned[0] != turned[1..][0]
            && turned[1..].iter().all(|x| *x == turned[1])
            && f.table.is_none()
            && let Some(other) = top_turned(code, f.hypothesis.code, control)
        {
            code = other;
            turned[1]
        } else {
            let _ = writeln!(
                t,
                "\n# {}: its bits differ in polarity in a way no code explains; left out.",
                control.key
            );
            return;
        };
        let key = self.key(field);
        let sure = field.sure.min(
            spots
                .iter()
                .zip(field.bits.iter().rev().skip(idle))
                .map(|(_, b)| b.sure)
                .fold(1.0, f64::min),
        );
        let certain = sure >= CERTAIN && missing == 0;
        let mut label = control.shown().to_owned();
        if let Some(v) = field.voice {
            let _ = write!(label, " (voice {})", v + 1);
        }
        if let Some(c) = field.character {
            let _ = write!(label, " (character {})", c + 1);
        }
        let _ = writeln!(t, "\n[[area.parameter]]\nkey = {key:?}\nlabel = {label:?}");
        if let Some(group) = &control.group {
            let _ = writeln!(t, "group = {group:?}");
        }
        let _ = writeln!(t, "bits = [{}]", pieces(&spots));
        if inverted {
            let _ = writeln!(t, "inverted = true");
        }
        meaning(t, control, f, code, spots.len() + idle);
        let mut note = format!(
            "sure to {:.1} % by {} settings",
            (sure * 1000.0).floor() / 10.0,
            self.solution.solved.experiment.plan.settings.len()
        );
        if missing > 0 {
            let _ = write!(note, "; {missing} lower bit(s) not found");
        }
        if !certain && let Some(r) = f.rival {
            let _ = write!(note, "; next best reading: {}", r.says());
        }
        for (k, bit) in field.bits.iter().enumerate() {
            let others = bit.could_be.iter().map(|h| self.solution.home(h));
            let others: Vec<String> = others.take(MOST_OTHERS).collect();
            if !others.is_empty() {
                let _ = write!(note, "; bit {k} could be {} as well", others.join(" or "));
            }
        }
        let _ = writeln!(
            t,
            "evidence = {:?}\nnote = {note:?}",
            if certain { "traced" } else { "guessed" }
        );
        for s in copies {
            let _ = writeln!(
                t,
                "\n[[area.reserved]]\nbits = [\"{}.{}\"]\nnote = {:?}",
                s.unit,
                s.line,
                format!("always equals a bit of {key}, or its complement")
            );
        }
    }
}

/// The coding whose top bit alone is the other way round than this one's, if there is one.
fn top_turned(word: &str, code: Code, control: &PanelControl) -> Option<&'static str> {
    match code {
        Code::Value if control.low.is_some_and(|low| low < 0) => Some("offset-binary"),
        _ if word == "unsigned" && !matches!(code, Code::Plus(_)) => Some("twos-complement"),
        _ => None,
    }
}

fn panel_word(w: &Writer) -> String {
    format!("{}s", w.solution.solved.experiment.plan.panel.axis)
}
