//! The plan: the swap of the battery as an ordered list, for this instrument and this job.
//!
//! The steps are data, `steps.toml`; this module picks those that apply, fills in the names, the figures to expect
//! and the cautions, and marks what a job on the shelf shows to be done already.

mod progress;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::blame::{Blame, Who};
use crate::caution::{self, Caution};
use crate::document::Document;
use crate::layout::model::Layout;
use crate::standby::{Report, Setup, Verdict};

pub use progress::Progress;

/// A figure to measure.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Expected {
    /// What is measured.
    pub says: String,
    /// The figure to expect, with its range; absent where none is known.
    pub figure: Option<String>,
    /// The unit to write down beside it; absent where nothing is measured.
    pub write: Option<String>,
}

/// One step.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Step {
    /// Stable key, such as "read.first".
    pub key: String,
    /// What to do.
    pub does: String,
    /// What to do or to look at in particular.
    pub points: Vec<String>,
    /// Commands to run; words in capitals are yours to fill in.
    pub commands: Vec<String>,
    /// What to measure, and what to expect.
    pub expects: Vec<Expected>,
    /// Cautions of this step.
    pub cautions: Vec<Caution>,
    /// Why it counts as done; absent where it is not.
    pub done: Option<String>,
}

/// A stage of the job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Stage {
    /// Stable key.
    pub key: String,
    /// Its title.
    pub title: String,
    /// Its steps.
    pub steps: Vec<Step>,
    /// The sign at its end: what must be so before going on.
    pub stop: Option<String>,
    /// Whether what the sign asks for is done.
    pub cleared: bool,
}

/// The whole plan.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct Plan {
    /// The instrument, or what stands for it.
    pub instrument: String,
    /// The job, where one was given.
    pub job: Option<String>,
    /// The battery fitted, where it is known.
    pub battery: Option<String>,
    /// The battery it is changed to, where it is.
    pub change_to: Option<String>,
    /// The stages, in order.
    pub stages: Vec<Stage>,
    /// Why there are no figures to expect, where there are none.
    pub no_figures: Option<String>,
    /// Who decides.
    pub defer: String,
}

impl Document for Plan {
    const KIND: &'static str = "plan";
    const VERSION: u32 = 1;
}

impl Plan {
    /// All steps in order.
    pub fn steps(&self) -> impl Iterator<Item = &Step> {
        self.stages.iter().flat_map(|s| &s.steps)
    }

    /// The first step that is not done, and the sign before it that is not cleared.
    pub fn next(&self) -> (Option<&Step>, Option<&str>) {
        let step = self.steps().find(|s| s.done.is_none());
        let stop = step.and_then(|step| {
            let at = self
                .stages
                .iter()
                .position(|s| s.steps.iter().any(|t| t.key == step.key))?;
            self.stages[..at]
                .iter()
                .filter(|s| !s.cleared)
                .find_map(|s| s.stop.as_deref())
        });
        (step, stop)
    }
}

/// What a plan is for.
#[derive(Clone, Debug, Default)]
pub struct Subject<'a> {
    /// The instrument's layout.
    pub layout: Option<&'a Layout>,
    /// What commands call it, where its id is not enough: a path or a shelf reference, quoted for a shell.
    pub called: Option<String>,
    /// The backup supply as settled, and its answers.
    pub supply: Option<(&'a Setup, &'a Report)>,
    /// Why there is none.
    pub no_figures: Option<String>,
}

/// A plan that cannot be made as asked.
#[derive(Debug, thiserror::Error)]
pub enum PlanError {
    /// The steps shipped with the program are broken.
    #[error("the built-in steps: {0}")]
    Steps(String),
    /// A step that the plan does not have.
    #[error("the plan has no step \"{0}\"")]
    NoStep(String),
}

impl Blame for PlanError {
    fn who(&self) -> Who {
        match self {
            PlanError::Steps(_) => Who::File,
            PlanError::NoStep(_) => Who::Caller,
        }
    }

    fn hint(&self) -> Option<String> {
        match self {
            PlanError::Steps(_) => None,
            PlanError::NoStep(_) => {
                Some("`cellkeep plan` shows each step's name in brackets".to_owned())
            }
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    stage: Vec<StageFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StageFile {
    key: String,
    title: String,
    step: Vec<StepFile>,
    stop: Option<String>,
    #[serde(default)]
    stop_until: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StepFile {
    key: String,
    does: String,
    #[serde(default)]
    when: Vec<String>,
    #[serde(default)]
    command: Vec<String>,
    #[serde(default)]
    expects: Vec<ExpectFile>,
    #[serde(default)]
    points: Vec<String>,
    #[serde(default)]
    cautions: Vec<String>,
    done_by: Option<DoneBy>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ExpectFile {
    says: String,
    answer: Option<String>,
    /// True for a figure of the new battery, where one is changed to.
    #[serde(default)]
    new: bool,
    write: Option<String>,
}

/// What shows that a step is done.
#[derive(Clone, Debug, Deserialize)]
#[serde(untagged)]
pub(crate) enum DoneBy {
    /// Files of a role.
    Role {
        role: String,
        readings: Option<usize>,
    },
    /// A fact of the job.
    Fact { fact: String },
}

/// Makes the plan.
///
/// # Errors
/// When a step said to be done is not one of the plan's.
pub fn plan(subject: &Subject<'_>, progress: &Progress) -> Result<Plan, PlanError> {
    let file: File = toml::from_str(include_str!("steps.toml"))
        .map_err(|e| PlanError::Steps(e.to_string().trim_end().to_owned()))?;
    let all_keys: Vec<&str> = file
        .stage
        .iter()
        .flat_map(|s| &s.step)
        .map(|s| s.key.as_str())
        .collect();
    if let Some(unknown) = progress
        .said
        .iter()
        .find(|s| !all_keys.contains(&s.as_str()))
    {
        return Err(PlanError::NoStep(unknown.clone()));
    }
    let words = Words::of(subject, progress);
    let change = subject.supply.and_then(|(_, r)| r.change.as_ref());
    let mut stages: Vec<Stage> = file
        .stage
        .iter()
        .map(|stage| Stage {
            key: stage.key.clone(),
            title: stage.title.clone(),
            steps: stage
                .step
                .iter()
                .filter(|step| step.when.iter().all(|fact| subject.holds(fact)))
                .map(|step| words.step(step, subject, progress))
                .collect(),
            stop: stage.stop.clone(),
            cleared: false,
        })
        .collect();
    let done: Vec<String> = stages
        .iter()
        .flat_map(|s| &s.steps)
        .filter(|s| s.done.is_some())
        .map(|s| s.key.clone())
        .collect();
    for (stage, written) in stages.iter_mut().zip(&file.stage) {
        stage.cleared =
            written.stop.is_some() && written.stop_until.iter().all(|key| done.contains(key));
    }
    stages.retain(|s| !s.steps.is_empty());
    Ok(Plan {
        instrument: words.instrument.clone(),
        job: progress.job.clone(),
        battery: subject.supply.map(|(_, r)| r.battery.clone()),
        change_to: change.map(|c| c.to.clone()),
        stages,
        no_figures: subject.no_figures.clone(),
        defer: caution::DEFER.to_owned(),
    })
}

impl Subject<'_> {
    /// Whether a fact of `when` holds. What is not known of the battery counts as the more careful case.
    fn holds(&self, fact: &str) -> bool {
        if let Some(other) = fact.strip_prefix("not-") {
            return !self.holds(other);
        }
        let bench = self.layout.map(|l| &l.bench);
        let fitted = self.supply.map(|(s, _)| &s.battery.chemistry);
        let change = self.supply.and_then(|(_, r)| r.change.as_ref());
        let new_is_rechargeable = change
            .map(|c| c.rechargeable)
            .or(fitted.map(|c| c.rechargeable));
        match fact {
            "exits" => bench.is_some_and(|b| !b.exits.is_empty()),
            "hold-logic" => bench.is_some_and(|b| b.hold_logic.is_some()),
            "hand-set" => self.layout.is_none_or(|l| !l.hand_set.is_empty()),
            "alkali" => fitted.is_none_or(|c| c.aqueous_alkali),
            "rechargeable" => new_is_rechargeable == Some(true),
            "primary" => new_is_rechargeable != Some(true),
            "change" => change.is_some(),
            _ => false,
        }
    }
}

/// What the placeholders stand for.
struct Words {
    instrument: String,
    pairs: Vec<(&'static str, String)>,
}

impl Words {
    fn of(subject: &Subject<'_>, progress: &Progress) -> Self {
        let layout = subject.layout;
        let instrument = layout.map_or_else(|| "INSTRUMENT".to_owned(), |l| l.name.clone());
        let change = subject.supply.and_then(|(_, r)| r.change.as_ref());
        let keep_alive = subject.supply.map_or_else(
            || "two AA cells through 10 kΩ".to_owned(),
            |(s, _)| format!("{} through {}", s.keep_alive.supply, s.keep_alive.resistor),
        );
        let retention = subject
            .supply
            .map_or_else(|| "2.00 V".to_owned(), |(s, _)| s.retention.to_string());
        let bench = layout.map(|l| &l.bench);
        let pairs = vec![
            (
                "job",
                progress.job.clone().unwrap_or_else(|| "JOB".to_owned()),
            ),
            (
                "layout",
                match &subject.called {
                    Some(called) => called.clone(),
                    None => layout.map_or_else(|| "LAYOUT".to_owned(), |l| l.id.clone()),
                },
            ),
            ("instrument", instrument.clone()),
            (
                "exits",
                bench.map_or_else(String::new, |b| b.exits.join(", ")),
            ),
            (
                "hold-logic",
                bench.and_then(|b| b.hold_logic.clone()).unwrap_or_default(),
            ),
            ("keep-alive", keep_alive),
            ("retention", retention),
            (
                "change-to",
                change.map_or_else(String::new, |c| format!(" --change-to {}", c.key)),
            ),
            (
                "new-battery",
                change.map_or_else(String::new, |c| c.to.clone()),
            ),
        ];
        Self {
            instrument: if layout.is_some() {
                instrument
            } else {
                "an instrument without a layout".to_owned()
            },
            pairs,
        }
    }

    fn fill(&self, text: &str) -> String {
        let mut filled = text.to_owned();
        for (name, value) in &self.pairs {
            filled = filled.replace(&format!("{{{name}}}"), value);
        }
        filled.trim_end().to_owned()
    }

    fn step(&self, step: &StepFile, subject: &Subject<'_>, progress: &Progress) -> Step {
        let keys: Vec<&str> = step
            .cautions
            .iter()
            .map(String::as_str)
            .filter(|key| *key != "alkaline-leak" || subject.holds("alkali"))
            .collect();
        Step {
            key: step.key.clone(),
            does: self.fill(&step.does),
            points: step
                .points
                .iter()
                .flat_map(|p| points(p, subject))
                .chain(progress.against(step.done_by.as_ref()))
                .collect(),
            commands: step.command.iter().map(|c| self.fill(c)).collect(),
            expects: step
                .expects
                .iter()
                .filter_map(|e| self.expected(e, subject))
                .collect(),
            cautions: caution::pick(&keys),
            done: progress.proof(&step.key, step.done_by.as_ref()),
        }
    }

    /// A figure that is neither known nor to be measured is no line of the plan.
    fn expected(&self, expect: &ExpectFile, subject: &Subject<'_>) -> Option<Expected> {
        let figure = expect.answer.as_deref().and_then(|key| {
            let (_, report) = subject.supply?;
            let changed = report.change.as_ref().filter(|_| expect.new);
            let new = changed.and_then(|c| c.answers.iter().find(|a| a.key == key));
            new.or_else(|| report.answer(key)).map(|a| a.shown.clone())
        });
        if figure.is_none() && expect.write.is_none() {
            return None;
        }
        Some(Expected {
            says: self.fill(&expect.says),
            figure,
            write: expect.write.clone(),
        })
    }
}

/// A list that a step takes from elsewhere.
fn points(kind: &str, subject: &Subject<'_>) -> Vec<String> {
    match kind {
        "chips" => subject.layout.map_or_else(Vec::new, |layout| {
            let chips = layout.chips.iter().map(|chip| {
                let facts = [
                    chip.part.clone(),
                    Some(format!("{} x {}", chip.words, chip.width)),
                    chip.board.clone(),
                    chip.position.clone(),
                ];
                let facts: Vec<String> = facts.into_iter().flatten().collect();
                format!("{}: {}", chip.id, facts.join(", "))
            });
            chips.collect()
        }),
        "bench-notes" => subject
            .layout
            .map_or_else(Vec::new, |l| l.bench.notes.clone()),
        "change" => subject
            .supply
            .and_then(|(_, r)| r.change.as_ref())
            .map_or_else(Vec::new, |c| c.todo.clone()),
        "bad-answers" => subject.supply.map_or_else(Vec::new, |(_, report)| {
            let new = report.change.iter().flat_map(|c| &c.answers);
            let all = report.answers.iter().chain(new);
            all.filter(|a| a.verdict == Verdict::Bad)
                .map(|a| format!("To be put right: {}: {}. {}", a.title, a.shown, a.says))
                .collect()
        }),
        _ => Vec::new(),
    }
}
