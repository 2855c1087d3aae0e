//! What was found, in terms of controls and physical bits.

use super::cells::{Experiment, TraceError};
use super::checks::{self, Dependent, FoundCheck};
use super::fields::{Bit, CHOICE, Found, Match};
use super::groups::{self, Group};
use super::panel::{Kind, When};
use super::plan::Plan;
use super::signal::{self, Code, Hypothesis};
use super::solve::{self, Solved};
use super::voice_axis::{self, VoiceAxis};
use super::write;
use crate::layout::model::BitPlace;
use crate::reading::Reading;

/// A home of one code bit, in every preset.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Home {
    /// Its place in each preset; `chip` is the index in the reading.
    pub places: Vec<BitPlace>,
}

/// One code bit of a control.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundBit {
    /// Where it is kept: one home, or several where copies are kept; empty where nothing shows it.
    pub homes: Vec<Home>,
    /// The chance that the homes are right, 0 to 1.
    pub sure: f64,
    /// Placed by its neighbours, not by what it held.
    pub by_neighbours: bool,
    /// Bits it could be, where it has no home.
    pub could_be: Vec<Home>,
    /// It has no home, and no position of the control sets it or any bit above: as the upper bits of a digit that goes to 2.
    pub idle: bool,
}

/// One control, or one voice's or one character's part of it.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundField {
    /// Index into the panel's controls.
    pub control: usize,
    /// Voice, from 0.
    pub voice: Option<usize>,
    /// Character, from 0.
    pub character: Option<usize>,
    /// How positions become codes, in the words of the layout language.
    pub code: &'static str,
    /// Bits, least significant first.
    pub bits: Vec<FoundBit>,
    /// For a selector whose codes follow no rule: the code of each position, where it was seen.
    pub table: Option<Vec<Option<u64>>>,
    /// The chance that coding, width and order are right, and when it means something, 0 to 1.
    pub sure: f64,
    /// When it means something, if not always: as the panel file tells, or as the settings show.
    pub when: Option<When>,
    /// The layout holds every bit: all are found, and lie so that one parameter can say where.
    pub written: bool,
}

impl FoundField {
    /// True where coding, order and every bit that its positions set are called certain, and the layout holds them all:
    /// nothing short of another experiment would do better.
    pub fn certain(&self) -> bool {
        self.written && self.shown_certain()
    }

    /// The same, whatever the layout holds of it.
    pub(crate) fn shown_certain(&self) -> bool {
        let mut used = self.bits.iter().filter(|b| !b.idle);
        self.sure >= CERTAIN && used.all(|b| !b.homes.is_empty() && b.sure >= CERTAIN)
    }

    /// The odds (natural logarithm) that its least sure part lacks to be called certain.
    pub(crate) fn lacking(&self) -> f64 {
        let odds = |chance: f64| (chance / (1.0 - chance)).ln() / TEMPER;
        odds(CERTAIN) - odds(self.chance().clamp(0.5, CERTAIN))
    }

    /// The chance that all of it is right, as far as its positions go.
    pub fn chance(&self) -> f64 {
        let used = self.bits.iter().filter(|b| !b.idle);
        used.map(|b| b.sure).fold(self.sure, f64::min)
    }

    /// How many bits from the top down are shown by what was held, those above all that its positions set left aside, and
    /// the chance that these are right; none where nothing is 5 % likely.
    pub fn told(&self) -> (usize, f64) {
        let idle = self.bits.iter().rev().take_while(|b| b.idle).count();
        let bits = self.bits.iter().rev().skip(idle);
        let shown = bits.take_while(|b| !b.homes.is_empty() && b.sure >= SHOWN);
        let (count, sure) = shown.fold((0, self.sure), |(n, s), b| (n + 1, s.min(b.sure)));
        match self.sure >= SHOWN {
            true => (count, sure),
            false => (0, self.sure),
        }
    }
}

/// What is less likely than this is not said or written: it would be read as if something spoke for it.
pub(crate) const SHOWN: f64 = 0.05;

/// At least this chance is called certain.
pub const CERTAIN: f64 = 0.999;

/// A chance in percent, to one place and never rounded up.
pub(crate) fn percent(chance: f64) -> f64 {
    (chance * 1000.0).floor() / 10.0
}

/// A solved plan.
pub struct Solution<'a> {
    pub(crate) solved: Solved<'a>,
    pub(crate) groups: Vec<Group>,
    pub(crate) checks: Vec<FoundCheck>,
    pub(crate) dependent: Vec<Dependent>,
    /// For each group how its voices lie, where they lie alike.
    pub(crate) voices: Vec<Option<VoiceAxis>>,
    /// The controls found.
    pub fields: Vec<FoundField>,
}

impl Solution<'_> {
    /// The plan that was solved.
    pub(crate) fn plan(&self) -> &Plan {
        self.solved.experiment.plan
    }

    /// Conditions that the panel file does not tell and the settings speak for: the control, by its number among the
    /// panel's, when it means something, the chance, 0 to 1, and whether that is enough to write it down.
    pub fn noticed(&self) -> Vec<(usize, When, f64, bool)> {
        let all = self.solved.noticed.iter();
        all.map(|n| {
            let when = n.when(&self.solved.experiment);
            (n.control, when, n.chance, n.written())
        })
        .collect()
    }

    /// The layout file, in the layout language.
    pub fn layout_toml(&self, id: &str) -> String {
        write::layout_toml(self, id)
    }

    /// Of places that one bit has, a preset each, those through which no structure found follows it from the first.
    pub fn strays(&self, places: &[BitPlace]) -> Vec<usize> {
        let all: Vec<usize> = (0..places.len()).collect();
        let Some(first) = places.first() else {
            return all;
        };
        let solved = &self.solved;
        let starts = solved.columns.iter().filter(|c| {
            c.line == first.line && (c.chip, c.cell) == (usize::from(first.chip), first.cell)
        });
        let strays = starts.map(|c| {
            let e = &solved.structures[c.structure];
            let strays = |p: &usize| {
                let address = e.map.cell(c.base, *p, e.space.len());
                let at = address.map(|a| e.space.place(a));
                at != Some((usize::from(places[*p].chip), places[*p].cell))
            };
            all.iter().copied().filter(strays).collect::<Vec<_>>()
        });
        let least = strays.min_by_key(Vec::len);
        least.unwrap_or(all.clone())
    }

    /// How voices lie where they lie alike, a sentence for each group of chips.
    pub fn voices(&self) -> Vec<String> {
        let axes = self.voices.iter().flatten();
        axes.map(|axis| {
            let structures = axis.boards.iter().flat_map(|b| &b.structures);
            let chips = structures.flat_map(|s| &self.solved.structures[*s].space.chips);
            let ids: Vec<&str> = chips
                .map(|c| self.solved.experiment.chips[*c].id.as_str())
                .collect();
            let n = axis.members.len();
            let lie = if n == 1 {
                "control lies"
            } else {
                "controls lie"
            };
            format!(
                "{}: {}; {n} {lie} alike in every voice",
                ids.join(" + "),
                axis.says()
            )
        })
        .collect()
    }

    /// How presets are spread over the cells of the chips, a sentence for each structure found.
    pub fn structure(&self) -> Vec<String> {
        self.solved
            .structures
            .iter()
            .map(|e| {
                let ids: Vec<&str> = e
                    .space
                    .chips
                    .iter()
                    .map(|c| self.solved.experiment.chips[*c].id.as_str())
                    .collect();
                let doubt = e.doubt.as_ref();
                format!(
                    "{}: {} ({} bits follow the plan){}",
                    ids.join(" + "),
                    e.map.says,
                    e.hits,
                    doubt.map_or_else(String::new, |d| format!("; in doubt: {d}"))
                )
            })
            .collect()
    }
}

/// How far odds are believed: the predictions are not independent of each other.
const TEMPER: f64 = 0.7;

/// The chance that goes with odds (natural logarithm), tempered.
fn chance(odds: f64) -> f64 {
    1.0 / (1.0 + (-TEMPER * odds).exp())
}

/// Solves a plan from its readings, one after the other.
///
/// # Errors
/// When readings and plan do not belong together, or nothing in the readings follows the plan.
pub fn solve<'a>(plan: &'a Plan, readings: &[Reading]) -> Result<Solution<'a>, TraceError> {
    let mut solved = solve::solve(Experiment::new(plan, readings)?)?;
    let mut fields = fields(&solved);
    let found: Vec<&Found> = solved.found.iter().flatten().collect();
    voice_axis::align(&mut solved.structures, &solved.columns, &found, &fields);
    let mut groups = groups::groups(&solved.structures, &solved.columns, &solved.found);
    let (checks, dependent) = checks::search(&solved, &mut groups);
    let look = voice_axis::Look {
        panel: solved.experiment.panel(),
        structures: &solved.structures,
        columns: &solved.columns,
        groups: &groups,
        found: solved.found.iter().flatten().collect(),
        fields: &fields,
    };
    // A check, or what follows from bits of several boards, is told of the lines of all of them.
    let whole =
        |g: usize| checks.iter().any(|c| c.group == g) || dependent.iter().any(|d| d.group == g);
    let voices: Vec<Option<VoiceAxis>> =
        (0..groups.len()).map(|g| look.axis(g, whole(g))).collect();
    for axis in voices.iter().flatten() {
        voice_axis::join_chances(axis, &solved.structures, &mut fields);
    }
    let mut solution = Solution {
        voices,
        solved,
        groups,
        checks,
        dependent,
        fields,
    };
    let written = write::written(&solution);
    for (field, written) in solution.fields.iter_mut().zip(written) {
        field.written = written;
    }
    Ok(solution)
}

fn fields(solved: &Solved) -> Vec<FoundField> {
    solved
        .found
        .iter()
        .flatten()
        .map(|f| {
            let lane = solved.experiment.lanes[f.lane];
            let noticed = solved.noticed_of(lane.control);
            let told = || {
                solved.experiment.panel().controls[lane.control]
                    .when
                    .clone()
            };
            let untold = noticed.map(|n| n.when(&solved.experiment));
            let sure = match f.table.is_some() {
                true => chance(f.margin).min(0.99),
                false => chance(f.margin),
            };
            FoundField {
                control: lane.control,
                voice: lane.voice,
                character: lane.character,
                code: code_word(f.hypothesis, f.table.is_some()),
                bits: bits(solved, f),
                table: f.table.clone(),
                sure: noticed.map_or(sure, |n| sure.min(n.chance)),
                when: untold.or_else(told),
                written: true,
            }
        })
        .collect()
}

fn bits(solved: &Solved, f: &Found) -> Vec<FoundBit> {
    let mut out: Vec<FoundBit> = f.bits.iter().map(|b| bit(solved, b)).collect();
    let (panel, lane) = (solved.experiment.panel(), solved.experiment.lanes[f.lane]);
    let control = &panel.controls[lane.control];
    if control.kind == Kind::Number && f.table.is_none() {
        let codes = (0..=control.span()).map(|p| signal::code(f.hypothesis, panel, lane, p));
        let used = codes.fold(0, |o, c| o | c);
        for (k, bit) in out.iter_mut().enumerate() {
            bit.idle = used >> k == 0 && bit.homes.is_empty();
        }
    }
    out
}

fn code_word(h: Hypothesis, table: bool) -> &'static str {
    match h.code {
        _ if table => "unsigned",
        Code::Binary | Code::Plus(_) => "unsigned",
        Code::Value => "twos-complement",
        Code::Gray => "gray",
        Code::SignMagnitude => "sign-magnitude",
        Code::Ones => "ones-complement",
        Code::Bcd => "bcd",
        Code::OneHot => "one-hot",
        Code::Ascii | Code::AsciiLess32 => "text",
    }
}

fn bit(solved: &Solved, bit: &Bit) -> FoundBit {
    let home = |column: usize, inverted: bool| {
        let c = &solved.columns[column];
        let e = &solved.structures[c.structure];
        let len = e.space.len();
        let places = (0..e.map.offset.len())
            .filter_map(|p| e.map.cell(c.base, p, len))
            .map(|a| {
                let (chip, cell) = e.space.place(a);
                BitPlace {
                    chip: chip as u16,
                    cell,
                    line: c.line,
                    inverted,
                }
            })
            .collect();
        Home { places }
    };
    let least = |f: fn(&Match) -> f64| bit.homes.iter().map(f).fold(f64::INFINITY, f64::min);
    FoundBit {
        sure: if bit.homes.is_empty() {
            0.0
        } else {
            let resting = |m: &Match| {
                let e = &solved.structures[solved.columns[m.column].structure];
                e.doubt.as_ref().map_or(1.0, |_| e.sure)
            };
            let most = if bit.by_neighbours { 0.99 } else { 1.0 };
            let most = bit.homes.iter().map(resting).fold(most, f64::min);
            chance(least(|m| m.margin.min(m.odds - CHOICE))).min(most)
        },
        homes: bit
            .homes
            .iter()
            .map(|m| home(m.column, m.inverted))
            .collect(),
        by_neighbours: bit.by_neighbours,
        could_be: bit.could_be.iter().map(|c| home(*c, false)).collect(),
        idle: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Four bits of which the top one is idle: what is told counts from the one below it and ends at the first that nothing
    /// shows, and is as sure as the least sure of them.
    #[test]
    fn what_is_told_of_a_field_by_hand() {
        let home = Home { places: Vec::new() };
        let bit = |sure: f64, idle: bool| FoundBit {
            homes: if idle { Vec::new() } else { vec![home.clone()] },
            sure,
            by_neighbours: false,
            could_be: Vec::new(),
            idle,
        };
        let field = |low: f64, sure: f64| FoundField {
            control: 0,
            voice: None,
            character: None,
            code: "binary",
            bits: vec![
                bit(low, false),
                bit(0.6, false),
                bit(0.9, false),
                bit(0.0, true),
            ],
            table: None,
            sure,
            when: None,
            written: true,
        };
        assert_eq!(field(0.5, 0.8).told(), (3, 0.5));
        assert_eq!(field(0.04, 0.8).told(), (2, 0.6));
        // A coding that is itself no likelier than that shows nothing.
        assert_eq!(field(0.5, 0.04).told(), (0, 0.04));
    }
}
