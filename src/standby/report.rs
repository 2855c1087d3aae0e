//! What `standby` answers: numbers with their range, formula, inputs, sources and a verdict.

use schemars::JsonSchema;
use serde::Serialize;

use crate::caution::Caution;
use crate::document::Document;

use super::model::CurvePoint;
use super::setup::Figure;
use super::units::{Quantity, Range};

/// How an answer bears on the job.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// A figure to know or to expect; nothing to judge.
    Figure,
    /// As it should be, in the worst case too.
    Good,
    /// Usually enough, but not in the worst case.
    Tight,
    /// Not to be done, or not enough even usually.
    Bad,
}

impl Verdict {
    /// The word used in listings.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Figure => "figure",
            Verdict::Good => "good",
            Verdict::Tight => "tight",
            Verdict::Bad => "bad",
        }
    }

    /// A quantity that should be large: good where even the worst case is comfortable, bad where even the usual
    /// case is under the least that will do.
    pub fn of_large<T: Quantity>(range: Range<T>, least: T, comfortable: T) -> Self {
        if range.worst.value() >= comfortable.value() {
            Verdict::Good
        } else if range.typical.value() < least.value() {
            Verdict::Bad
        } else {
            Verdict::Tight
        }
    }
}

/// One question answered.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Answer {
    /// Stable key, such as "life".
    pub key: String,
    /// The question in few words.
    pub title: String,
    /// The usual value, in `unit`; absent where it has no bound.
    pub typical: Option<f64>,
    /// The value in the worst case, in `unit`; absent where it has no bound.
    pub worst: Option<f64>,
    /// The unit, such as "year" or "V".
    pub unit: String,
    /// Both as people read them.
    pub shown: String,
    /// The formula, in the letters of the figures.
    pub formula: String,
    /// The formula with the usual figures put in.
    pub worked: String,
    /// Good, tight, bad, or a mere figure.
    pub verdict: Verdict,
    /// What it means, one sentence or two.
    pub says: String,
}

impl Answer {
    /// An answer of a quantity; the verdict and its sentence follow by [`Answer::judged`].
    pub fn new<T: Quantity>(key: &str, title: &str, range: Range<T>) -> Self {
        let finite = |v: f64| v.is_finite().then_some(v);
        Self {
            key: key.to_owned(),
            title: title.to_owned(),
            typical: finite(range.typical.value()),
            worst: finite(range.worst.value()),
            unit: T::UNIT.to_owned(),
            shown: range.to_string(),
            formula: String::new(),
            worked: String::new(),
            verdict: Verdict::Figure,
            says: String::new(),
        }
    }

    /// The same answer with its formula, and the formula with figures put in.
    #[must_use]
    pub fn by(mut self, formula: &str, worked: impl Into<String>) -> Self {
        formula.clone_into(&mut self.formula);
        self.worked = worked.into();
        self
    }

    /// The formula with its figures: "V = n·Vc = 2·1.5 V", or with a remark where there is no sum to show.
    pub fn reckoning(&self) -> String {
        let sum = self
            .worked
            .starts_with(|c: char| c.is_ascii_digit() || c == '(' || c == '-')
            || ["min(", "max("].iter().any(|f| self.worked.starts_with(f));
        let link = if sum { " = " } else { "; " };
        format!("{}{link}{}", self.formula, self.worked)
    }

    /// The same answer with its verdict.
    #[must_use]
    pub fn judged(mut self, verdict: Verdict, says: impl Into<String>) -> Self {
        self.verdict = verdict;
        self.says = says.into();
        self
    }
}

/// What a change of battery does.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Change {
    /// Its key in the tables.
    pub key: String,
    /// The battery it would be.
    pub to: String,
    /// It may be charged.
    pub rechargeable: bool,
    /// What must be done to the circuit, in order.
    pub todo: Vec<String>,
    /// The answers for the new battery, the first one for leaving the circuit as it is.
    pub answers: Vec<Answer>,
    /// Figures that differ from the report's.
    pub figures: Vec<Figure>,
    /// The cell over the years.
    pub curve: Vec<CurvePoint>,
}

/// The whole of it.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Report {
    /// The instrument, or what stands for it.
    pub title: String,
    /// The battery reckoned with.
    pub battery: String,
    /// The worst verdict of the answers.
    pub verdict: Verdict,
    /// The answers, in the order of the job.
    pub answers: Vec<Answer>,
    /// What could not be answered, and what it would take.
    pub unanswered: Vec<String>,
    /// The figures used.
    pub figures: Vec<Figure>,
    /// Voltage and margin over the years.
    pub curve: Vec<CurvePoint>,
    /// The retention voltage, in volts.
    pub retention_volts: f64,
    /// Storage life, in years.
    pub storage_years: Range<f64>,
    /// True where the curve starts from a full pack with the instrument off.
    pub from_full: bool,
    /// The change asked about.
    pub change: Option<Change>,
    /// Cautions for this battery and this work.
    pub cautions: Vec<Caution>,
}

impl Report {
    /// The answers that judge the job, those of a change among them; what the old circuit would do to the new
    /// battery is not: its remedy is among the things to do.
    pub fn judged(&self) -> impl Iterator<Item = &Answer> {
        let change = self.change.iter().flat_map(|c| &c.answers);
        self.answers
            .iter()
            .chain(change.filter(|a| a.key != "change.as-is"))
    }

    /// The answer of a key.
    pub fn answer(&self, key: &str) -> Option<&Answer> {
        self.answers.iter().find(|a| a.key == key)
    }
}

impl Document for Report {
    const KIND: &'static str = "standby";
    const VERSION: u32 = 1;
}
