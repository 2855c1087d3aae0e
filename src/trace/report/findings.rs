//! What a solved plan says beside its fields: readings, chips and lines that are not as they should be, slips of the
//! hand, and what stays open.

use super::super::checks::says;
use super::super::hints;
use super::super::solution::{Solution, percent};
use super::super::write::check;
use super::FieldReport;
use crate::finding::{ChipPlace, Finding, Place, Severity};

impl Solution<'_> {
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

    /// Presets that were saved in each other's places and are taken as what they hold.
    fn exchanged_presets(&self, out: &mut Vec<Finding>) {
        let plan = self.solved.experiment.plan;
        let axis = &plan.panel.axis;
        for [(a, of_a), (b, of_b)] in &self.solved.exchanged {
            let (first, second) = (plan.saves[*a], plan.saves[*b]);
            out.push(
                exchanged(
                    axis,
                    first.reading,
                    [first.preset, second.preset],
                    [*of_a, *of_b],
                )
                .means("each was taken as what it holds, and counts with the rest"),
            );
        }
    }

    /// Presets that hold another setting than the plan says, outside of readings that are strange throughout.
    fn wrong_presets(&self, strange: &[usize], out: &mut Vec<Finding>) {
        let plan = self.solved.experiment.plan;
        let axis = &plan.panel.axis;
        let bad = &self.solved.bad_saves;
        let pairs = hints::exchanged(plan, bad);
        for (i, (s, other)) in bad.iter().enumerate() {
            let save = plan.saves[*s];
            if strange.contains(&save.reading) || pairs.iter().any(|(_, second)| *second == i) {
                continue;
            }
            const LEFT_OUT: &str =
                "the save was left out; the others were enough where nothing else is said";
            let finding = if let Some((_, second)) = pairs.iter().find(|(first, _)| *first == i) {
                let with = plan.saves[bad[*second].0];
                let (presets, hold) = ([save.preset, with.preset], [with.setting, save.setting]);
                exchanged(axis, save.reading, presets, hold)
            } else {
                let mut holds = other.map_or("none of the plan's settings".to_owned(), |d| {
                    format!("setting {}", d + 1)
                });
                let mut before = plan.saves.iter();
                let before =
                    before.find(|b| b.reading + 1 == save.reading && b.preset == save.preset);
                if before.is_some_and(|b| Some(b.setting) == *other) {
                    holds.push_str(" as in the reading before (it was left out)");
                }
                let says = format!(
                    "{axis} {} of reading {} holds {holds}, not setting {}",
                    save.preset + 1,
                    save.reading + 1,
                    save.setting + 1
                );
                Finding::new("trace.wrong-preset", Severity::Caution, says)
                    .at(of_entries(axis, &[save.preset]))
            };
            out.push(finding.means(LEFT_OUT));
        }
    }

    /// Chips that hold one value throughout in some readings and not in others.
    fn blank_chips(&self, out: &mut Vec<Finding>) {
        let experiment = &self.solved.experiment;
        for chip in &experiment.chips {
            for reading in chip.blank_once() {
                out.push(
                    Finding::new(
                        "trace.chip-blank",
                        Severity::Damage,
                        format!(
                            "{} is blank in reading {} and is not in others",
                            chip.id,
                            reading + 1
                        ),
                    )
                    .at(of_chip(&chip.id))
                    .means("it was not read: no contact, no supply, or another chip; what is kept in it may not be found")
                    .act("save what the sheet lists for this reading, if it is no longer there, and read the chip again"),
                );
            }
        }
    }

    /// Names the chips of which it was not found how presets lie in them, or not for sure.
    fn missed(&self, out: &mut Vec<Finding>) -> Vec<String> {
        let experiment = &self.solved.experiment;
        let axis = &experiment.panel().axis;
        let mut missed = Vec::new();
        for (c, chip) in experiment.chips.iter().enumerate() {
            let mut structures = self.solved.structures.iter();
            match structures.find(|e| e.space.chips.contains(&c)) {
                // In doubt and little of it follows the plan, or none.
                Some(e) if e.hits == 0 || e.doubt.is_some() && e.hits * 2 <= e.moving => {
                    missed.push(chip.id.clone());
                }
                Some(_) => {}
                None if !chip.written() => {}
                None => {
                    missed.push(chip.id.clone());
                    out.push(
                        Finding::new(
                            "trace.no-structure",
                            Severity::Caution,
                            format!("how {axis}s lie in {} was not found", chip.id),
                        )
                        .at(of_chip(&chip.id))
                        .means("no control that is kept in it can be found")
                        .act("see to what is named above, save again and read; more settings (`cellkeep trace plan`) show more"),
                    );
                }
            }
        }
        missed
    }

    /// Dials off their mark in one save of several of a setting.
    fn slips_of_one_save(&self, out: &mut Vec<Finding>) {
        let experiment = &self.solved.experiment;
        let panel = experiment.panel();
        for (s, lane, stood) in &self.solved.off_in_save {
            let save = experiment.saves[*s];
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

    /// Controls that mean something only while another stands in some position, though the panel file does not tell.
    fn conditions(&self, out: &mut Vec<Finding>) {
        let experiment = &self.solved.experiment;
        let panel = experiment.panel();
        for n in &self.solved.noticed {
            let (control, when) = (&panel.controls[n.control], n.when(experiment));
            let line = when.line();
            let place = Place {
                parameters: vec![control.key.clone()],
                ..Place::default()
            };
            let says = n.says(experiment);
            let act = format!(
                "write `{line}` at {} in the panel file, and make a plan anew: it dials this control at both of its ends in that position",
                control.key
            );
            let finding = match n.written() {
                true => Finding::new(
                    "trace.when-noticed",
                    Severity::Note,
                    format!("{} means something only where {says}", control.key),
                )
                .means(format!(
                    "the panel file does not tell; {}; sure to {:.1} %",
                    n.evidence(),
                    percent(n.chance)
                )),
                false => Finding::new(
                    "trace.when-perhaps",
                    Severity::Caution,
                    format!("perhaps {} means something only where {says}", control.key),
                )
                .means(format!(
                    "{}; that is too little to write it down: sure to {:.0} %",
                    n.evidence(),
                    n.chance * 100.0
                )),
            };
            out.push(finding.at(place).act(act));
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
    fn by_chance(&self, fields: &[FieldReport], missed: &[String], out: &mut Vec<Finding>) {
        /// A bit that is this sure is shown by the settings.
        const SHOWN: f64 = 0.9;
        let chance = |f: &&FieldReport| f.shown == 0 || f.bits.iter().all(|b| b.sure < SHOWN);
        for f in fields.iter().filter(chance) {
            out.push(
                Finding::new(
                    "trace.by-chance",
                    Severity::Caution,
                    no_bit(&f.name, " better than chance would", missed),
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
    pub(super) fn findings(&self, fields: &[FieldReport]) -> Vec<Finding> {
        let experiment = &self.solved.experiment;
        let panel = experiment.panel();
        let mut out = Vec::new();
        let strange = self.strange_readings(&mut out);
        self.exchanged_presets(&mut out);
        self.wrong_presets(&strange, &mut out);
        self.blank_chips(&mut out);
        let missed = self.missed(&mut out);
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
            let settings = experiment.plan.settings.iter().enumerate();
            let meant = settings.filter(|(d, _)| experiment.means(l, *d));
            let positions = meant.map(|(_, s)| s.positions[l]);
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
                        no_bit(&panel.lane_name(*lane), "", &missed),
                    )
                    .at(Place {
                        parameters: vec![panel.controls[lane.control].key.clone()],
                        ..Place::default()
                    })
                    .means(match missed.is_empty() {
                        true => "memory does not hold it, or a chip is missing, or it was never moved",
                        false => "it is kept in such a chip, or memory does not hold it, or it was never moved",
                    })
                    .act("move this control alone, save, read, and run `cellkeep trace next`"),
                );
            }
        }
        self.conditions(&mut out);
        self.check_findings(&mut out);
        self.by_chance(fields, &missed, &mut out);
        for (f, field) in fields.iter().zip(&self.fields) {
            if f.certain || f.shown == 0 {
                continue;
            }
            if field.shown_certain() {
                out.push(unwritten(&f.name));
                continue;
            }
            out.push(
                Finding::new(
                    "trace.uncertain",
                    Severity::Note,
                    format!(
                        "{} is {} of {}, sure to {:.1} %",
                        f.name,
                        f.code,
                        f.bits_shown(),
                        percent(f.sure_of_shown)
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

/// That all of a control was found, and the layout cannot hold it.
fn unwritten(name: &str) -> Finding {
    Finding::new(
        "trace.unwritten",
        Severity::Caution,
        format!("all bits of {name} are found, and the layout does not hold all of them"),
    )
    .at(Place {
        parameters: vec![name.to_owned()],
        ..Place::default()
    })
    .means("they lie in chips that share no area, or so that no one parameter says what they hold")
    .act("`cellkeep trace solve --json` names the place of each bit")
}

/// That nothing follows a control, where it was looked for.
fn no_bit(name: &str, how: &str, missed: &[String]) -> String {
    match missed {
        [] => format!("no bit follows {name}{how}"),
        chips => format!(
            "no bit follows {name}{how}, as far as chips are understood: {} {} not",
            chips.join(", "),
            if chips.len() == 1 { "is" } else { "are" }
        ),
    }
}

/// Two presets that hold each other's settings, and what they hold.
fn exchanged(axis: &str, reading: usize, presets: [usize; 2], hold: [usize; 2]) -> Finding {
    let says = format!(
        "{axis}s {} and {} of reading {} are exchanged: each holds the setting of the other ({} and {})",
        presets[0] + 1,
        presets[1] + 1,
        reading + 1,
        hold[0] + 1,
        hold[1] + 1
    );
    Finding::new("trace.exchanged", Severity::Caution, says).at(of_entries(axis, &presets))
}

/// Entries by their number from 0.
fn of_entries(axis: &str, presets: &[usize]) -> Place {
    Place {
        entries: presets
            .iter()
            .map(|p| format!("{axis} {}", p + 1))
            .collect(),
        ..Place::default()
    }
}

/// A whole chip.
fn of_chip(id: &str) -> Place {
    Place {
        chips: vec![ChipPlace {
            chip: id.to_owned(),
            ..ChipPlace::default()
        }],
        ..Place::default()
    }
}
