//! What a solved plan comes to, as a document: fields with their evidence, findings, what stays open.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::checks::{FoundCheck, says};
use super::groups;
use super::hints;
use super::plan::Cost;
use super::solution::{FoundBit, Home, Solution};
use super::write::check;
use crate::document::Document;
use crate::finding::{ChipPlace, Finding, Place, Severity};

/// One code bit, as found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BitReport {
    /// Bit of the code, 0 the least significant.
    pub bit: usize,
    /// Where it is for the first preset: "U1 cell 0x02f D3", with "inverted" where it is.
    pub homes: Vec<String>,
    /// The chance that this is right, 0 to 1.
    pub sure: f64,
    /// Where it could be, when it has no home.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub could_be: Vec<String>,
}

/// One control, or one voice's part of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FieldReport {
    /// The control's key, with its voice or character.
    pub name: String,
    /// How positions become codes.
    pub code: String,
    /// Bits, the least significant first.
    pub bits: Vec<BitReport>,
    /// The chance that all of it is right, 0 to 1.
    pub sure: f64,
    /// Nothing but a further experiment would do better.
    pub certain: bool,
}

/// A check that makes every entry hold.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CheckReport {
    /// What it is: "sum of slots 0..28".
    pub says: String,
    /// Where an entry keeps it, the most significant bits first: "29.7..0" is slot 29, lines 7 to 0.
    pub stored: String,
    /// Different entries it holds in.
    pub entries: usize,
    /// Bits by which that is better than chance, after all that was tried.
    pub evidence: f64,
    /// Entries in which it does not hold.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub failing: Vec<String>,
    /// What fits the same readings as well.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub could_be: Vec<String>,
    /// Nothing else fits, and every entry holds.
    pub certain: bool,
}

/// A solved plan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Report {
    /// The instrument.
    pub instrument: String,
    /// How presets are spread over the cells, a sentence for each structure.
    pub structure: Vec<String>,
    /// What was found of each control.
    pub fields: Vec<FieldReport>,
    /// Lanes of which nothing was found.
    pub not_found: Vec<String>,
    /// Sums, CRCs and parities that make every entry hold.
    pub checks: Vec<CheckReport>,
    /// Other bits that follow from bits of controls, a sentence each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub dependent: Vec<String>,
    /// Share of saves in which a dial's code was one off, 0 to 1.
    pub jitter: f64,
    /// Bits of an entry that held one value in every save: never seen to move, which does not mean unused.
    pub never_seen: usize,
    /// Bits of an entry that move and belong to no control of the panel and to no check.
    pub unexplained: usize,
    /// What the plan cost.
    pub cost: Cost,
    /// What was noticed.
    pub findings: Vec<Finding>,
}

impl Document for Report {
    const KIND: &'static str = "trace-solution";
    const VERSION: u32 = 1;
}

impl Solution<'_> {
    /// A home in the first preset, in words.
    pub(crate) fn home(&self, home: &Home) -> String {
        home.places.first().map_or_else(String::new, |p| {
            let chip = self
                .solved
                .experiment
                .chips
                .get(usize::from(p.chip))
                .map_or("?", |c| &c.id);
            let not = if p.inverted { " inverted" } else { "" };
            format!("{chip} cell {:#05x} D{}{not}", p.cell, p.line)
        })
    }

    fn bit_report(&self, bit: usize, b: &FoundBit) -> BitReport {
        BitReport {
            bit,
            homes: b.homes.iter().map(|h| self.home(h)).collect(),
            sure: b.sure,
            could_be: b.could_be.iter().map(|h| self.home(h)).collect(),
        }
    }

    /// The document.
    pub fn report(&self) -> Report {
        let experiment = &self.solved.experiment;
        let panel = experiment.panel();
        let name = |lane: usize| panel.lane_name(experiment.lanes[lane]);
        let fields: Vec<FieldReport> = self
            .solved
            .found
            .iter()
            .flatten()
            .zip(&self.fields)
            .map(|(f, field)| FieldReport {
                name: name(f.lane),
                code: field.code.to_owned(),
                bits: field
                    .bits
                    .iter()
                    .enumerate()
                    .map(|(i, b)| self.bit_report(i, b))
                    .collect(),
                sure: field.chance(),
                certain: field.certain(),
            })
            .collect();
        let not_found: Vec<String> = (0..experiment.lanes.len())
            .filter(|&l| self.solved.found[l].is_none())
            .map(name)
            .collect();
        let mut used = vec![false; self.solved.columns.len()];
        for m in self
            .solved
            .found
            .iter()
            .flatten()
            .flat_map(|f| &f.bits)
            .flat_map(|b| &b.homes)
        {
            used[m.column] = true;
        }
        self.mark_checks(&mut used);
        let still = |c: &&super::columns::Column| !c.moves();
        Report {
            instrument: panel.name.clone(),
            structure: self.structure(),
            not_found,
            checks: self.checks.iter().map(|c| self.check_report(c)).collect(),
            dependent: self
                .dependent
                .iter()
                .map(|d| format!("bit {}.{} is {}", d.bit.0, d.bit.1, check::follows(d)))
                .collect(),
            jitter: self.solved.noise.step * 2.0,
            never_seen: self.solved.columns.iter().filter(still).count(),
            unexplained: self
                .solved
                .columns
                .iter()
                .zip(&used)
                .filter(|(c, used)| !**used && c.moves())
                .count(),
            cost: experiment.plan.cost(),
            findings: self.findings(&fields),
            fields,
        }
    }

    fn check_report(&self, c: &FoundCheck) -> CheckReport {
        CheckReport {
            says: c.says(),
            stored: check::place(c),
            entries: c.entries,
            evidence: c.evidence,
            failing: check::failing(self, c),
            could_be: c.also.iter().map(|(k, over)| says(k, over)).collect(),
            certain: c.certain(),
        }
    }

    /// Marks the columns that hold a check or follow from others.
    fn mark_checks(&self, used: &mut [bool]) {
        let checks = self.checks.iter().map(|c| (c.group, &c.stored[..]));
        let others = self
            .dependent
            .iter()
            .map(|d| (d.group, std::slice::from_ref(&d.bit)));
        let owned: Vec<(usize, &[(u32, u32)])> = checks.chain(others).collect();
        for (column, used) in self.solved.columns.iter().zip(used) {
            let Some(s) = groups::spot(&self.groups, &self.solved.structures, column, false) else {
                continue;
            };
            *used |= owned
                .iter()
                .any(|(g, bits)| *g == s.group && bits.contains(&(s.unit, s.line)));
        }
    }

    /// Checks that some entries break, and those that could be another.
    fn check_findings(&self, out: &mut Vec<Finding>) {
        for c in &self.checks {
            if !c.failing.is_empty() {
                out.push(
                    Finding::new(
                        "trace.check-fails",
                        Severity::Caution,
                        format!(
                            "{}: not in {}",
                            c.says(),
                            check::failing(self, c).join(", ")
                        ),
                    )
                    .means("the entry is damaged, or was not saved by the instrument itself"),
                );
            }
            if !c.also.is_empty() {
                let all: Vec<String> = c.also.iter().map(|(k, over)| says(k, over)).collect();
                out.push(
                    Finding::new(
                        "trace.check-open",
                        Severity::Note,
                        format!("{}, or as well: {}", c.says(), all.join("; ")),
                    )
                    .means("what they cover beyond each other never moved"),
                );
            }
        }
    }

    /// Readings that do not hold what the plan says, in most presets that can be judged.
    fn strange_readings(&self, out: &mut Vec<Finding>) -> Vec<usize> {
        let plan = self.solved.experiment.plan;
        let strange = |reading: &usize| {
            let saves = plan.saves.iter().filter(|s| s.reading == *reading).count();
            let bad = self.solved.bad_saves.iter();
            let bad = bad.filter(|(s, _)| plan.saves[*s].reading == *reading);
            saves > 2 && bad.count() * 2 > saves
        };
        let all: Vec<usize> = (0..plan.readings()).filter(strange).collect();
        for reading in &all {
            out.push(
                Finding::new(
                    "trace.strange-reading",
                    Severity::Damage,
                    format!(
                        "most {}s of reading {} do not hold what the plan says",
                        plan.panel.axis,
                        reading + 1
                    ),
                )
                .means("it is of another instrument, or was read before its presets were saved, or the readings are exchanged")
                .act("save what the sheet lists for this reading, read the chips again, and give the readings in order"),
            );
        }
        all
    }

    /// Dials off their mark in one save of several of a setting.
    fn slips_of_one_save(&self, out: &mut Vec<Finding>) {
        let experiment = &self.solved.experiment;
        let panel = experiment.panel();
        for (s, lane, stood) in &self.solved.off_in_save {
            let save = experiment.plan.saves[*s];
            let control = &panel.controls[experiment.lanes[*lane].control];
            let wanted = experiment.plan.settings[save.setting].positions[*lane];
            out.push(
                Finding::new(
                    "trace.off-mark",
                    Severity::Caution,
                    format!(
                        "{} {} of reading {}: {} reads {stood}, setting {} has it at {}",
                        panel.axis,
                        save.preset + 1,
                        save.reading + 1,
                        panel.lane_name(experiment.lanes[*lane]),
                        save.setting + 1,
                        control.position(wanted)
                    ),
                )
                .at(Place {
                    entries: vec![format!("{} {}", panel.axis, save.preset + 1)],
                    parameters: vec![control.key.clone()],
                    ..Place::default()
                })
                .means("it was turned before this save, or the memory changed it; other saves of the setting are right"),
            );
        }
    }

    /// Data lines that never move.
    fn still_lines(&self, out: &mut Vec<Finding>) {
        let experiment = &self.solved.experiment;
        for (chip, line, one) in hints::still_lines(experiment) {
            let id = &experiment.chips[chip].id;
            out.push(
                Finding::new(
                    "trace.line-still",
                    Severity::Caution,
                    format!(
                        "D{line} of {id} is {} in every cell of every reading",
                        u8::from(one)
                    ),
                )
                .at(Place {
                    chips: vec![ChipPlace {
                        data_lines: vec![line],
                        chip: id.clone(),
                        ..ChipPlace::default()
                    }],
                    ..Place::default()
                })
                .means("it is stuck, the reader's clip does not touch it, or it is not wired: bits kept there cannot be found")
                .act("clean and seat the clip, and read again; test the chip if the line stays still"),
            );
        }
    }

    /// Controls none of whose bits is shown by more than chance.
    fn by_chance(&self, fields: &[FieldReport], out: &mut Vec<Finding>) {
        /// A bit that is this sure is shown by the settings.
        const SHOWN: f64 = 0.9;
        for f in fields
            .iter()
            .filter(|f| f.bits.iter().all(|b| b.sure < SHOWN))
        {
            out.push(
                Finding::new(
                    "trace.by-chance",
                    Severity::Caution,
                    format!("no bit follows {} better than chance would", f.name),
                )
                .at(Place {
                    parameters: vec![f.name.clone()],
                    ..Place::default()
                })
                .means("it was never moved, or memory does not hold it, or another control or a check hides it")
                .act("move this control alone, save, read, and run `cellkeep trace next`"),
            );
        }
    }

    /// Slips, and what is not certain.
    fn findings(&self, fields: &[FieldReport]) -> Vec<Finding> {
        let experiment = &self.solved.experiment;
        let panel = experiment.panel();
        let mut out = Vec::new();
        let strange = self.strange_readings(&mut out);
        for (s, other) in &self.solved.bad_saves {
            let save = experiment.plan.saves[*s];
            if strange.contains(&save.reading) {
                continue;
            }
            let mut holds = other.map_or("none of the plan's settings".to_owned(), |d| {
                format!("setting {}", d + 1)
            });
            let before = experiment
                .plan
                .saves
                .iter()
                .find(|b| b.reading + 1 == save.reading && b.preset == save.preset);
            if before.is_some_and(|b| Some(b.setting) == *other) {
                holds.push_str(" as in the reading before (it was left out)");
            }
            let mut f = Finding::new(
                "trace.wrong-preset",
                Severity::Caution,
                format!(
                    "{} {} of reading {} holds {holds}, not setting {}",
                    panel.axis,
                    save.preset + 1,
                    save.reading + 1,
                    save.setting + 1
                ),
            )
            .at(Place {
                entries: vec![format!("{} {}", panel.axis, save.preset + 1)],
                ..Place::default()
            });
            f.means = Some(
                "the save was left out; the others were enough where nothing else is said".into(),
            );
            out.push(f);
        }
        for (d, lane, stood) in &self.solved.off_mark {
            let lane_ = experiment.lanes[*lane];
            let control = &panel.controls[lane_.control];
            let wanted = control.position(experiment.plan.settings[*d].positions[*lane]);
            out.push(
                Finding::new(
                    "trace.off-mark",
                    Severity::Caution,
                    format!(
                        "in setting {} {} stood at {stood}, not at {wanted}",
                        d + 1,
                        panel.lane_name(lane_)
                    ),
                )
                .at(Place {
                    parameters: vec![control.key.clone()],
                    ..Place::default()
                }),
            );
        }
        self.slips_of_one_save(&mut out);
        self.still_lines(&mut out);
        for (l, lane) in experiment.lanes.iter().enumerate() {
            let positions = experiment.plan.settings.iter().map(|s| s.positions[l]);
            let moved = positions
                .clone()
                .zip(positions.skip(1))
                .any(|(a, b)| a != b);
            if self.solved.found[l].is_none() && !moved {
                out.push(
                    Finding::new(
                        "trace.never-moved",
                        Severity::Caution,
                        format!("the plan never moves {}", panel.lane_name(*lane)),
                    )
                    .at(Place {
                        parameters: vec![panel.controls[lane.control].key.clone()],
                        ..Place::default()
                    })
                    .means("nothing can be found of a control that stands still")
                    .act("make the plan anew with `cellkeep trace plan`, and dial this control as it says"),
                );
            } else if self.solved.found[l].is_none() {
                out.push(
                    Finding::new(
                        "trace.not-found",
                        Severity::Caution,
                        format!("no bit follows {}", panel.lane_name(*lane)),
                    )
                    .at(Place {
                        parameters: vec![panel.controls[lane.control].key.clone()],
                        ..Place::default()
                    })
                    .means("memory does not hold it, or a chip is missing, or it was never moved")
                    .act("move this control alone, save, read, and run `cellkeep trace next`"),
                );
            }
        }
        self.check_findings(&mut out);
        self.by_chance(fields, &mut out);
        for f in fields.iter().filter(|f| !f.certain) {
            out.push(
                Finding::new(
                    "trace.uncertain",
                    Severity::Note,
                    format!(
                        "{} is {} of {} bits, sure to {:.1} %",
                        f.name,
                        f.code,
                        f.bits.len(),
                        f.sure * 100.0
                    ),
                )
                .at(Place {
                    parameters: vec![f.name.clone()],
                    ..Place::default()
                })
                .act("`cellkeep trace next` tells which settings would settle it"),
            );
        }
        out
    }
}
