//! Hand-set controls: the form to fill in at intake, and the filled form read back.
//!
//! Memory does not hold every control. What it does not hold is gone once somebody turns a knob, so it is noted
//! before the instrument is opened. The form is a TOML file with one line a control, made to be printed and
//! written on as well as typed into. Nothing in a filled form is refused for being unreadable: it is kept as it
//! was written, with a finding.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use toml::de::{DeTable, DeValue};

use crate::blame::{Blame, Who};
use crate::codec::setting;
use crate::document::Document;
use crate::finding::{Finding, Place, Severity};
use crate::layout::model::{Coding, Control, Evidence, HandSet, Layout, Parameter, Scale};

/// Longest form read, in bytes.
const MAX_FORM: usize = 1 << 20;
/// Width of the codes hand-set numbers are checked in; far more than any scale needs.
const WIDTH: u8 = 32;

/// A filled form.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FilledForm {
    /// Id of the layout.
    pub layout: String,
    /// Serial number of the instrument, empty where it was not filled in.
    pub serial: String,
    /// When the controls were read, as written.
    pub date: String,
    /// Who read them, as written.
    pub by: String,
    /// Remarks.
    pub notes: String,
    /// One entry a control and position, in the layout's order.
    pub controls: Vec<HandSetting>,
}

impl Document for FilledForm {
    const KIND: &'static str = "hand-set";
    const VERSION: u32 = 1;
}

impl FilledForm {
    /// What was written, by key and then by label, as a bank keeps it; the label is empty for controls that exist
    /// once.
    pub fn by_key(&self) -> BTreeMap<String, BTreeMap<String, String>> {
        let mut all: BTreeMap<String, BTreeMap<String, String>> = BTreeMap::new();
        for control in self.controls.iter().filter(|c| !c.written.is_empty()) {
            all.entry(control.key.clone()).or_default().insert(
                control.at.clone().unwrap_or_default(),
                control.written.clone(),
            );
        }
        all
    }
}

/// Where one hand-set control stood.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HandSetting {
    /// The control's key in the layout.
    pub key: String,
    /// What the panel says.
    pub label: String,
    /// Which of several it is: "voice 2".
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<String>,
    /// What was written down; empty where nothing was.
    pub written: String,
    /// The number it stands for on the control's scale; absent where it could not be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub number: Option<i64>,
}

/// A form that cannot be read at all.
#[derive(Debug, thiserror::Error)]
pub enum FormError {
    /// Not TOML.
    #[error("line {line} of the form: {message}")]
    Syntax {
        /// Line, counted from 1.
        line: usize,
        /// What is wrong with it.
        message: String,
    },
    /// TOML, but not a form of this kind.
    #[error("this file is no hand-set form: {why}")]
    NotAForm {
        /// What gave it away.
        why: String,
    },
    /// A form of another instrument.
    #[error("the form is for \"{found}\", the layout is \"{expected}\"")]
    OtherLayout {
        /// The layout the form names.
        found: String,
        /// The layout asked for.
        expected: String,
    },
    /// The layout has no such controls.
    #[error("the layout \"{0}\" names no hand-set controls: memory holds everything on its panel")]
    None(String),
}

impl Blame for FormError {
    fn who(&self) -> Who {
        match self {
            FormError::Syntax { .. } | FormError::NotAForm { .. } => Who::File,
            FormError::OtherLayout { .. } | FormError::None(_) => Who::Caller,
        }
    }

    fn hint(&self) -> Option<String> {
        Some(match self {
            FormError::Syntax { .. } => {
                "write each position between the quotation marks, as in \"master.tune\" = \"5\""
                    .into()
            }
            FormError::NotAForm { .. } => {
                "start from the form that `cellkeep hand-set LAYOUT` prints".into()
            }
            FormError::OtherLayout { found, .. } => {
                format!("read it with `cellkeep hand-set {found}`")
            }
            FormError::None(_) => return None,
        })
    }
}

/// The form to fill in.
///
/// # Errors
/// When the layout names no hand-set controls.
pub fn blank_form(layout: &Layout) -> Result<String, FormError> {
    if layout.hand_set.is_empty() {
        return Err(FormError::None(layout.id.clone()));
    }
    let mut out = format!(
        "# {}: controls whose position memory does not hold\n\
         #\n\
         # Fill this in before the instrument is opened or a knob is touched. Write each position between the\n\
         # quotation marks. Look straight at a knob: from the side it reads wrong. Leave the marks empty where a\n\
         # position cannot be read.\n\n\
         form   = \"hand-set\"\n\
         layout = {}\n\
         serial = \"\"\n\
         date   = \"\"\n\
         by     = \"\"\n\
         notes  = \"\"\n\n\
         [controls]\n",
        layout.name,
        quote(&layout.id)
    );
    let mut group: Option<&str> = None;
    for control in &layout.hand_set {
        let heading = control.group.as_deref().unwrap_or("Other");
        if group != Some(heading) {
            out.push_str(&format!("\n# {}\n", one_line(heading)));
            group = Some(heading);
        }
        out.push_str(&format!(
            "#   {} ({}): {}\n",
            one_line(&control.label),
            control_word(control.control),
            one_line(&expected(control))
        ));
        if let Some(note) = &control.note {
            out.push_str(&format!("#   {}\n", one_line(note)));
        }
        for name in line_names(control) {
            out.push_str(&format!("{} = \"\"\n", quote(&name.0)));
        }
    }
    Ok(out)
}

/// Reads a filled form. What could not be read is kept as written, with a finding that names its line.
///
/// # Errors
/// When the text is not TOML, not such a form, or a form of another layout.
pub fn read_form(layout: &Layout, text: &str) -> Result<(FilledForm, Vec<Finding>), FormError> {
    if layout.hand_set.is_empty() {
        return Err(FormError::None(layout.id.clone()));
    }
    if text.len() > MAX_FORM {
        return Err(FormError::NotAForm {
            why: format!("it is {} bytes long, a form has a few thousand", text.len()),
        });
    }
    // Some editors of Windows put a byte-order mark first.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let table = DeTable::parse(text).map_err(|e| FormError::Syntax {
        line: line_of(text, e.span().map_or(0, |s| s.start)),
        message: e.message().to_owned(),
    })?;
    let table = table.get_ref();
    let head = |key: &str| {
        table
            .get(key)
            .map(|v| written(v.get_ref()))
            .unwrap_or_default()
    };
    if head("form") != "hand-set" {
        return Err(FormError::NotAForm {
            why: "it has no line form = \"hand-set\"".into(),
        });
    }
    let found = head("layout");
    if found != layout.id {
        return Err(FormError::OtherLayout {
            found,
            expected: layout.id.clone(),
        });
    }
    let Some(DeValue::Table(lines)) = table.get("controls").map(|v| v.get_ref()) else {
        return Err(FormError::NotAForm {
            why: "it has no part [controls]".into(),
        });
    };

    let mut form = FilledForm {
        layout: layout.id.clone(),
        serial: head("serial"),
        date: head("date"),
        by: head("by"),
        notes: head("notes"),
        controls: Vec::new(),
    };
    let mut findings = Vec::new();
    let mut empty = Vec::new();
    for control in &layout.hand_set {
        let parameter = as_parameter(control);
        for (name, at) in line_names(control) {
            let entry = lines.iter().find(|(key, _)| key.get_ref().as_ref() == name);
            let text_of = entry.map(|(_, value)| written(value.get_ref()));
            let mut setting = HandSetting {
                key: control.key.clone(),
                label: control.label.clone(),
                at,
                written: text_of.unwrap_or_default().trim().to_owned(),
                number: None,
            };
            if setting.written.is_empty() {
                empty.push(name);
            } else {
                match setting::parse(&parameter, WIDTH, &setting.written) {
                    Ok(code) => {
                        setting.number =
                            crate::codec::coding::number(&parameter.coding, WIDTH, code);
                    }
                    Err(error) => {
                        let line = entry.map(|(key, _)| line_of(text, key.span().start));
                        findings.push(unread(&name, &setting.written, &error, line, control));
                    }
                }
            }
            form.controls.push(setting);
        }
    }
    let known = |key: &str| {
        layout
            .hand_set
            .iter()
            .any(|c| line_names(c).iter().any(|(name, _)| name == key))
    };
    for (key, _) in lines {
        if !known(key.get_ref()) {
            findings.push(
                Finding::new(
                    "hand-set.unknown",
                    Severity::Caution,
                    format!(
                        "the form has a line \"{}\", which is no hand-set control of this layout",
                        key.get_ref()
                    ),
                )
                .at(Place {
                    line: Some(line_of(text, key.span().start)),
                    ..Place::default()
                })
                .act(
                    "correct the name on the left of the = sign, or add the control to the layout",
                ),
            );
        }
    }
    if !empty.is_empty() {
        findings.push(
            Finding::new(
                "hand-set.empty",
                Severity::Note,
                format!(
                    "{} of {} positions are not filled in",
                    empty.len(),
                    form.controls.len()
                ),
            )
            .at(Place {
                parameters: empty,
                ..Place::default()
            })
            .act("read them off the panel, or a photograph of it, before a knob is touched"),
        );
    }
    Ok((form, findings))
}

fn unread(
    name: &str,
    written: &str,
    error: &setting::SettingError,
    line: Option<usize>,
    control: &HandSet,
) -> Finding {
    Finding::new(
        "hand-set.unread",
        Severity::Caution,
        format!(
            "{name}: \"{written}\" is kept as written, but is no position of this control: {error}"
        ),
    )
    .at(Place {
        parameters: vec![control.key.clone()],
        line,
        ..Place::default()
    })
    .act(format!("write {}", expected(control)))
}

/// A hand-set control as a parameter, so that its positions are read and shown as settings are.
pub fn as_parameter(control: &HandSet) -> Parameter {
    Parameter {
        key: control.key.clone(),
        label: control.label.clone(),
        group: control.group.clone(),
        fields: 0..0,
        coding: Coding::TwosComplement,
        scale: control.scale.clone(),
        range: control.range.clone(),
        control: control.control,
        when: None,
        alias_of: None,
        blank: None,
        evidence: Evidence::Unstated,
        note: control.note.clone(),
    }
}

/// The name of each line of a control, with which of several it is.
fn line_names(control: &HandSet) -> Vec<(String, Option<String>)> {
    match &control.per {
        None => vec![(control.key.clone(), None)],
        Some(axis) => axis
            .labels
            .iter()
            .map(|label| {
                let at = format!("{} {label}", axis.name);
                (format!("{} {at}", control.key), Some(at))
            })
            .collect(),
    }
}

/// What may be written, as a person reads it.
fn expected(control: &HandSet) -> String {
    let show = |n: i64| {
        let p = as_parameter(control);
        crate::codec::coding::code_of(&p.coding, WIDTH, n)
            .map_or_else(|| n.to_string(), |code| setting::show(&p, WIDTH, code))
    };
    match &control.scale {
        Scale::OnOff => "on or off".into(),
        Scale::Steps(steps) => {
            let names: Vec<&str> = steps.iter().map(|s| s.1.as_str()).collect();
            format!("one of {}", names.join(", "))
        }
        _ => format!(
            "{} to {}",
            show(*control.range.start()),
            show(*control.range.end())
        ),
    }
}

fn control_word(control: Control) -> &'static str {
    match control {
        Control::Knob => "knob",
        Control::Slider => "slider",
        Control::Switch => "switch",
        Control::Selector => "selector",
        Control::Number => "number",
        Control::Text => "text",
    }
}

/// A value as the person wrote it.
fn written(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => text.to_string(),
        DeValue::Integer(n) => n.as_str().to_owned(),
        DeValue::Float(x) => x.as_str().to_owned(),
        DeValue::Boolean(flag) => if *flag { "on" } else { "off" }.to_owned(),
        DeValue::Datetime(when) => when.to_string(),
        DeValue::Array(_) | DeValue::Table(_) => String::new(),
    }
}

fn line_of(text: &str, offset: usize) -> usize {
    text.bytes().take(offset).filter(|b| *b == b'\n').count() + 1
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A text as a TOML basic string.
fn quote(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}
