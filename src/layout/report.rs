//! The documents of `layout check`, `map` and `list`.

use schemars::JsonSchema;
use serde::Serialize;

use super::check::Checked;
use super::explain::{ValuePlace, check_places, parameter_places};
use super::model::Layout;
use super::owners::{Coverage, coverage};
use super::problem::{At, Level, Problem, Problems};
use crate::document::Document;

/// A place in a layout's text.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct TextPlace {
    /// Path of the file, or "built in: ID".
    pub origin: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is there, in a few words; may be empty.
    pub label: String,
}

/// One problem of a layout.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ProblemRecord {
    /// "error" or "caution".
    pub level: String,
    /// Stable code of the rule.
    pub rule: String,
    /// What it is about, as a waiver would name it.
    pub subject: String,
    /// What is wrong.
    pub says: String,
    /// Where.
    pub place: TextPlace,
    /// Other places concerned.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<TextPlace>,
    /// Physical bits concerned, as CHIP:CELL:LINE.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bits: Vec<String>,
    /// A suggested repair.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repair: Option<String>,
    /// The reason it is waived for; absent where it is not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub waived: Option<String>,
}

/// One layout that was checked.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct CheckedLayout {
    /// Path, or "built in: ID".
    pub origin: String,
    /// Its id; absent where errors stop it from being used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Number of errors.
    pub errors: usize,
    /// Number of cautions.
    pub cautions: usize,
    /// The problems, in the order of the text; waived ones last.
    pub problems: Vec<ProblemRecord>,
    /// What each chip's bits add up to; empty where errors stop the layout from being used.
    pub coverage: Vec<Coverage>,
}

/// What `layout check` reports.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LayoutCheck {
    /// One a layout.
    pub layouts: Vec<CheckedLayout>,
}

impl Document for LayoutCheck {
    const KIND: &'static str = "layout-check";
    const VERSION: u32 = 1;
}

impl CheckedLayout {
    /// The record of a check.
    pub fn new(checked: &Checked) -> Self {
        let list = &checked.problems;
        let mut problems: Vec<ProblemRecord> =
            list.list.iter().map(|p| record(p, list, None)).collect();
        problems.extend(
            checked
                .waived
                .iter()
                .map(|(p, reason)| record(p, list, Some(reason.clone()))),
        );
        Self {
            origin: list
                .sources
                .first()
                .map_or_else(String::new, |s| s.origin.clone()),
            id: checked.layout.as_ref().map(|l| l.id.clone()),
            errors: list.errors(),
            cautions: list
                .list
                .iter()
                .filter(|p| p.rule.level == Level::Caution)
                .count(),
            problems,
            coverage: checked.layout.as_ref().map(coverage).unwrap_or_default(),
        }
    }
}

fn place(at: At, label: &str, problems: &Problems) -> TextPlace {
    let source = problems.sources.get(usize::from(at.file));
    let (line, column) = source.map_or((0, 0), |s| s.line_column(at.start));
    TextPlace {
        origin: source.map_or_else(String::new, |s| s.origin.clone()),
        line,
        column,
        label: label.to_owned(),
    }
}

fn record(p: &Problem, problems: &Problems, waived: Option<String>) -> ProblemRecord {
    ProblemRecord {
        level: p.rule.level.word().to_owned(),
        rule: p.rule.code.to_owned(),
        subject: p.subject.clone(),
        says: p.says.clone(),
        place: place(p.at, &p.label, problems),
        also: p
            .also
            .iter()
            .map(|(at, label)| place(*at, label, problems))
            .collect(),
        bits: p.bits.clone(),
        repair: p.repair.clone(),
        waived,
    }
}

/// The whole of a layout, resolved: what `layout map --json` prints.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LayoutMap {
    /// The layout's id.
    pub layout: String,
    /// Its name.
    pub name: String,
    /// Its revision.
    pub revision: String,
    /// What each chip's bits add up to.
    pub chips: Vec<Coverage>,
    /// Every parameter and check of every entry, with the place of each bit.
    pub values: Vec<ValuePlace>,
}

impl Document for LayoutMap {
    const KIND: &'static str = "layout-map";
    const VERSION: u32 = 1;
}

impl LayoutMap {
    /// The map of a layout.
    pub fn new(layout: &Layout) -> Self {
        let mut values = Vec::new();
        for (i, area) in layout.areas.iter().enumerate() {
            for entry in 0..area.entries() {
                for p in 0..area.parameters.len() {
                    values.extend(parameter_places(layout, i, p, entry));
                }
                for (c, check) in area.checks.iter().enumerate() {
                    let once = check.instances.iter().any(|n| n.entry.is_none());
                    if !once || entry == 0 {
                        values.extend(check_places(layout, i, c, entry));
                    }
                }
            }
        }
        Self {
            layout: layout.id.clone(),
            name: layout.name.clone(),
            revision: layout.revision.clone(),
            chips: coverage(layout),
            values,
        }
    }
}

/// One layout there is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct ListedLayout {
    /// Its id.
    pub id: String,
    /// Its name; absent where the layout has errors.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Its revision.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub revision: Option<String>,
    /// Its file; absent where it is built in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub path: Option<String>,
    /// A file in the user's folder stands before this built-in layout.
    pub hidden: bool,
    /// Its chips, as "CH12 4096 x 1".
    pub chips: Vec<String>,
    /// Its areas, as "presets: 16 preset x 4 voice".
    pub areas: Vec<String>,
    /// Number of errors.
    pub errors: usize,
}

/// What `layout list` reports.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, JsonSchema)]
pub struct LayoutList {
    /// The user's folder of layouts, where there can be one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub folder: Option<String>,
    /// The layouts, by id.
    pub layouts: Vec<ListedLayout>,
}

impl Document for LayoutList {
    const KIND: &'static str = "layout-list";
    const VERSION: u32 = 1;
}
