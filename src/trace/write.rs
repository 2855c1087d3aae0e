//! Writes what was found as a layout file, each claim with its evidence.

use std::cell::RefCell;
use std::collections::HashMap;
use std::fmt::Write as _;

use super::cells::Experiment;
use super::codes::{self, Code};
use super::explain::Explained;
use super::fields::{Bit, Found};
use super::groups::{self, Group, Spot};
use super::panel::{Condition, Kind, Lane, Panel, PanelControl, When};
use super::solution::{CERTAIN, FoundField, SHOWN, Solution, percent};

mod areas;
pub(crate) mod check;
mod pins;
mod text;

use areas::Area;
use text::{meaning, pieces};

/// How many other places of a bit a note names.
const MOST_OTHERS: usize = 4;

struct Writer<'a> {
    solution: &'a Solution<'a>,
    groups: &'a [Group],
    /// The fields found, in the order of the solution's.
    found: Vec<&'a Found>,
    /// Those of them that were written with every bit.
    whole: RefCell<Vec<bool>>,
}

/// The columns that were written, with the lanes they were written for.
#[derive(Default)]
struct Taken(HashMap<usize, Vec<usize>>);

impl Taken {
    /// True where a column is free for a lane: of nobody yet, or of lanes that never mean something beside it.
    fn free(&self, experiment: &Experiment, column: usize, lane: usize) -> bool {
        let mut others = self.0.get(&column).into_iter().flatten();
        others.all(|o| experiment.excludes(*o, lane))
    }

    /// Takes a column for a lane, if it is free.
    fn take(&mut self, experiment: &Experiment, column: usize, lane: usize) -> bool {
        let free = self.free(experiment, column, lane);
        if free {
            self.0.entry(column).or_default().push(lane);
        }
        free
    }
}

/// The layout file.
pub(crate) fn layout_toml(solution: &Solution, id: &str) -> String {
    Writer::of(solution).write(id)
}

/// Of which fields the layout holds every bit: not where one was not found, or lies in another area than the rest, or has
/// a polarity that no code explains.
pub(crate) fn written(solution: &Solution) -> Vec<bool> {
    let w = Writer::of(solution);
    w.write("");
    w.whole.into_inner()
}

impl<'a> Writer<'a> {
    fn of(solution: &'a Solution<'a>) -> Self {
        Self {
            solution,
            groups: &solution.groups,
            found: solution.solved.found.iter().flatten().collect(),
            whole: RefCell::new(vec![false; solution.fields.len()]),
        }
    }
}

impl Writer<'_> {
    fn structures(&self) -> &[Explained] {
        &self.solution.solved.structures
    }

    fn spot(&self, column: usize, inverted: bool) -> Option<Spot> {
        let column = &self.solution.solved.columns[column];
        let spot = groups::spot(self.groups, self.structures(), column, inverted)?;
        let line = self.board_line(column.structure, column.line);
        Some(Spot {
            line: line.unwrap_or(spot.line),
            ..spot
        })
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
        for g in 0..self.groups.len() {
            self.areas(&mut t, g);
        }
        t
    }

    /// The key and the label of a control, with its voice, unless all voices are meant, and its character.
    fn key(&self, field: &FoundField, voices: bool) -> (String, String) {
        let panel = &self.solution.solved.experiment.plan.panel;
        let control = &panel.controls[field.control];
        let (mut key, mut label) = (control.key.clone(), control.shown().to_owned());
        if let Some(v) = field.voice.filter(|_| !voices) {
            let _ = write!(key, ".voice-{}", v + 1);
            let _ = write!(label, " (voice {})", v + 1);
        }
        if let Some(c) = field.character {
            let _ = write!(key, ".character-{}", c + 1);
            let _ = write!(label, " (character {})", c + 1);
        }
        (key, label)
    }

    /// Writes a field, or those of all voices of a control that lie alike: `fields` are their indices, the one whose places
    /// are written first.
    fn field(&self, t: &mut String, area: &Area, fields: &[usize], taken: &mut Taken) {
        let solved = &self.solution.solved;
        let panel = &solved.experiment.plan.panel;
        let (f, field) = (self.found[fields[0]], &self.solution.fields[fields[0]]);
        let control = &panel.controls[field.control];
        let (key, label) = self.key(field, fields.len() > 1);
        let when = solved.experiment.conditions[f.lane].as_ref();
        let selector = when.map(|c| self.selector(c, fields.len() > 1));
        let here = |s: &Spot| area.structures.contains(&s.structure);
        // Bits above all that its positions set need no place.
        let idle = field.bits.iter().rev().take_while(|b| b.idle).count();
        let bits = || f.bits.iter().zip(&field.bits).rev().skip(idle);
        let spot = |bit: &Bit| {
            let first = bit.homes.first()?;
            Some((first.column, self.spot(first.column, first.inverted)?))
        };
        let top = bits().next().and_then(|(bit, _)| spot(bit));
        if top.is_some_and(|(_, t)| here(&t))
            && (field.sure < SHOWN || bits().next().is_some_and(|(_, b)| b.sure < SHOWN))
        {
            let _ = writeln!(
                t,
                "\n# {key}: no bit follows it better than chance would; left out."
            );
            return;
        }
        if let (Some(when), Some(selector)) = (when, &selector)
            && top.is_some_and(|(_, t)| here(&t))
            && !t.contains(&format!("\nkey = {selector:?}\n"))
        {
            let _ = writeln!(
                t,
                "\n# {key} means something only where {}, of which nothing is written here; left out.",
                panel.condition_says(when)
            );
            return;
        }
        // From the top down to the first bit that has no home here, or is not shown.
        let mut spots: Vec<Spot> = Vec::new();
        let mut copies = Vec::new();
        for (bit, found) in bits() {
            let Some((column, first)) = spot(bit).filter(|_| found.sure >= SHOWN) else {
                break;
            };
            if !here(&first) || !taken.take(&solved.experiment, column, f.lane) {
                break;
            }
            spots.push(first);
            for m in &bit.homes[1..] {
                if let Some(s) = self.spot(m.column, m.inverted)
                    && here(&s)
                    && taken.take(&solved.experiment, m.column, f.lane)
                {
                    copies.push(s);
                }
            }
        }
        if spots.is_empty() {
            return;
        }
        let missing = f.bits.len() - idle - spots.len();
        let turned: Vec<bool> = spots.iter().map(|s| s.turned).collect();
        let codes = own_codes(&turned, f, control, panel, solved.experiment.lanes[f.lane]);
        let plain = codes.is_some().then_some(("unsigned", false));
        let Some((code, inverted)) = plain.or_else(|| polarity(&turned, f, field, control)) else {
            let _ = writeln!(
                t,
                "\n# {key}: the bits of {} differ in polarity in a way no code explains; left out.",
                f.hypothesis.says()
            );
            return;
        };
        if missing == 0 {
            let mut whole = self.whole.borrow_mut();
            fields.iter().for_each(|f| whole[*f] = true);
        }
        let sure = self.sure(fields, idle, spots.len());
        let certain = sure >= CERTAIN && missing == 0;
        let _ = writeln!(t, "\n[[area.parameter]]\nkey = {key:?}\nlabel = {label:?}");
        if let Some(group) = &control.group {
            let _ = writeln!(t, "group = {group:?}");
        }
        let _ = writeln!(t, "bits = [{}]", pieces(&spots));
        if inverted {
            let _ = writeln!(t, "inverted = true");
        }
        let table = codes.as_ref().or(f.table.as_ref());
        meaning(t, control, f, table, code, spots.len() + idle);
        if let (Some(when), Some(selector)) = (when, &selector) {
            let lane = solved.experiment.lanes[when.lane];
            let names = when.positions.iter();
            let when = When {
                key: selector.clone(),
                is: names
                    .map(|p| panel.controls[lane.control].position(*p))
                    .collect(),
            };
            let _ = writeln!(t, "{}", when.line());
        }
        let mut note = format!(
            "sure to {:.1} % by {} settings",
            percent(sure),
            solved.experiment.plan.settings.len()
        );
        if fields.len() > 1 {
            let _ = write!(note, " in {} voices", fields.len());
        }
        if let Some(n) = solved.noticed_of(field.control) {
            let _ = write!(
                note,
                "; nobody told when it means something, that {} is sure to {:.1} %: {}",
                n.says(&solved.experiment),
                percent(n.chance),
                n.evidence()
            );
        }
        // What lies in chips that other areas tell of, or is written for another, is found all the same.
        let below = bits().skip(spots.len());
        let apart: Vec<String> = below
            .filter(|(_, b)| b.sure >= SHOWN)
            .filter_map(|(_, b)| Some(self.solution.home(b.homes.first()?)))
            .collect();
        if !apart.is_empty() {
            let _ = write!(
                note,
                "; {} lower bit(s) lie in another area, or where another control is written: {}",
                apart.len(),
                apart.join(", ")
            );
        }
        if missing > apart.len() {
            let _ = write!(note, "; {} lower bit(s) not found", missing - apart.len());
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

    /// The key of the parameter that decides when another means something.
    fn selector(&self, when: &Condition, voices: bool) -> String {
        let solved = &self.solution.solved;
        let lane = solved.experiment.lanes[when.lane];
        let mut key = solved.experiment.panel().controls[lane.control].key.clone();
        if let Some(v) = lane.voice.filter(|_| !voices) {
            let _ = write!(key, ".voice-{}", v + 1);
        }
        key
    }

    /// The chance that fields are right in their coding and the bits that are written, the uppermost but the idle ones.
    fn sure(&self, fields: &[usize], idle: usize, written: usize) -> f64 {
        let of = |f: &usize| {
            let field = &self.solution.fields[*f];
            let bits = field.bits.iter().rev().skip(idle).take(written);
            bits.map(|b| b.sure).fold(field.sure, f64::min)
        };
        fields.iter().map(of).fold(1.0, f64::min)
    }
}

/// The code of each position of a selector as its bits are kept, the uppermost first, where some are inverted and others
/// are not; `None` where all are alike, and for what is no selector.
fn own_codes(
    turned: &[bool],
    f: &Found,
    control: &PanelControl,
    panel: &Panel,
    lane: Lane,
) -> Option<Vec<Option<u64>>> {
    let mixed = turned.windows(2).any(|w| w[0] != w[1]);
    if control.kind != Kind::Selector || !mixed || turned.len() != f.bits.len() {
        return None;
    }
    let mask = turned.iter().fold(0, |o, t| o << 1 | u64::from(*t));
    let straight = match &f.table {
        Some(table) => table.clone(),
        None => (0..=control.span())
            .map(|p| Some(codes::code(f.hypothesis, panel, lane, p)))
            .collect(),
    };
    Some(straight.into_iter().map(|c| Some(c? ^ mask)).collect())
}

/// The code as it is written for bits of these polarities, and whether all are inverted; `None` where no code explains them.
fn polarity(
    turned: &[bool],
    f: &Found,
    field: &FoundField,
    control: &PanelControl,
) -> Option<(&'static str, bool)> {
    let (first, rest) = turned.split_first()?;
    if rest.iter().all(|x| x == first) {
        return Some((field.code, *first));
    }
    let alike = rest.iter().all(|x| *x == rest[0]);
    let other = top_turned(field.code, f.hypothesis.code, control);
    other
        .filter(|_| alike && f.table.is_none())
        .map(|code| (code, rest[0]))
}

/// The coding whose top bit alone is the other way round than this one's, if there is one.
fn top_turned(word: &str, code: Code, control: &PanelControl) -> Option<&'static str> {
    match code {
        Code::Value if control.low.is_some_and(|low| low < 0) => Some("offset-binary"),
        _ if word == "unsigned" && !matches!(code, Code::Plus(_)) => Some("twos-complement"),
        _ => None,
    }
}
