//! File forms: what a file holds is told by its content, never by its name.

use std::borrow::Cow;
use std::io::{self, Write};
use std::str::FromStr;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use super::intel_hex::Addressing;
use super::lines::{lines, shown};
pub use super::listing::Style;
use super::page::Page;
use super::pairs::is_digit;
pub use super::srecord::AddressSize;
use super::{SparseBytes, intel_hex, listing, srecord, ti_txt};
use crate::blame::{Blame, Who};
use crate::finding::{Finding, Severity};

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
                FormError::TooLarge { .. } => {
                    "see whether this is the right file; crop to the chip's addresses"
                }
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

/// The largest file that is read: the largest image in its widest text form is smaller.
pub const MAX_FILE: u64 = crate::plain::MOST;

/// Checks a file's length before it is read.
///
/// # Errors
/// When it is more than [`MAX_FILE`].
pub fn check_length(bytes: u64) -> Result<(), FormError> {
    match bytes > MAX_FILE {
        true => Err(FormError::TooLarge {
            what: "the file has",
            bytes,
            limit: MAX_FILE,
        }),
        false => Ok(()),
    }
}

/// Reads the contents of a file.
///
/// # Errors
/// When the file is empty, is text of no known form, or has wrong lines, which are reported all at once.
pub fn read(file: &[u8], options: ReadOptions) -> Result<Contents, FormError> {
    Ok(read_text(file, options)?.unwrap_or_else(|| binary(file.to_vec())))
}

/// As [`read`], without copying a raw binary.
///
/// # Errors
/// As [`read`].
pub fn read_owned(file: Vec<u8>, options: ReadOptions) -> Result<Contents, FormError> {
    Ok(read_text(&file, options)?.unwrap_or_else(|| binary(file)))
}

/// The contents of a raw binary.
fn binary(file: Vec<u8>) -> Contents {
    let mut contents = Contents::new(Form::Binary);
    contents.bytes = SparseBytes::from_run(0, file);
    contents
}

/// Reads a file of a text form; `None` for a raw binary.
fn read_text(file: &[u8], options: ReadOptions) -> Result<Option<Contents>, FormError> {
    if file.is_empty() {
        return Err(FormError::Empty);
    }
    let text = narrow(file);
    let text = text.as_deref().unwrap_or(file);
    let form = match options.form {
        Some(form) => form,
        None => detect(text)?,
    };
    let skip = options.skip_wrong_lines;
    let mut contents = match form {
        Form::IntelHex => intel_hex::read(text, skip)?,
        Form::SRecord => srecord::read(text, skip)?,
        Form::TiTxt => ti_txt::read(text, skip)?,
        Form::Listing => listing::read(text, skip)?,
        Form::Binary => return Ok(None),
    };
    if contents.bytes.is_empty() {
        let says = format!("the {} file names no byte", form.title());
        contents
            .findings
            .push(Finding::new("file.no-data", Severity::Damage, says));
    }
    if contents.start.is_some_and(|s| s != Start::Linear(0)) {
        let says =
            "the file has an entry address for a processor; a chip image has no place for it";
        contents
            .findings
            .push(Finding::new("file.start-address", Severity::Note, says));
    }
    Ok(Some(contents))
}

/// Text in UTF-16 with its mark, as some command lines write it, as bytes; `None` for anything else.
fn narrow(file: &[u8]) -> Option<Vec<u8>> {
    let (low, rest) = match file {
        [0xff, 0xfe, rest @ ..] => (0, rest),
        [0xfe, 0xff, rest @ ..] => (1, rest),
        _ => return None,
    };
    let (units, odd) = rest.as_chunks::<2>();
    let plain = odd.is_empty() && units.iter().all(|u| u[1 - low] == 0 && u[low].is_ascii());
    plain.then(|| units.iter().map(|u| u[low]).collect())
}

/// Tells the form of a file by its content: the form that most of its first lines have.
///
/// # Errors
/// When the file is text of no known form.
pub fn detect(file: &[u8]) -> Result<Form, FormError> {
    const LOOKED_AT: usize = 200;
    let uniform = file.iter().all(|b| Some(b) == file.first());
    if uniform {
        return Ok(Form::Binary);
    }
    let (mut hex, mut srec, mut ti, mut listing, mut all) = (0, 0, 0, 0, 0);
    for (_, line) in lines(file).filter(|(_, l)| !l.is_empty()).take(LOOKED_AT) {
        all += 1;
        match line.trim_ascii_start() {
            [b':', a, b, ..] if is_digit(*a) && is_digit(*b) => hex += 1,
            [b'S' | b's', b'0'..=b'9', a, b, ..] if is_digit(*a) && is_digit(*b) => srec += 1,
            [b'@', a, ..] if is_digit(*a) => ti += 1,
            [b'q' | b'Q'] => ti += 1,
            line if listing::looks_like(line) => listing += 1,
            _ => {}
        }
    }
    let most = |n: usize| 2 * n > all;
    match () {
        () if most(hex) => Ok(Form::IntelHex),
        () if most(srec) => Ok(Form::SRecord),
        () if ti > 0 && most(ti + listing) => Ok(Form::TiTxt),
        () if most(listing) => Ok(Form::Listing),
        () if is_text(file) => {
            let first = lines(file)
                .find(|(_, l)| !l.is_empty())
                .map_or(&b""[..], |l| l.1);
            Err(FormError::UnknownText {
                first: shown(first),
            })
        }
        () => Ok(Form::Binary),
    }
}

/// Whether a file is text in ASCII or UTF-8: printable throughout, and not the size of a chip without any line.
fn is_text(file: &[u8]) -> bool {
    let chip = file.len().is_power_of_two() && !file.contains(&b'\n');
    let printable =
        |c: char| !c.is_control() || matches!(c, '\t' | '\r' | '\n' | '\u{c}' | '\u{1a}');
    !chip && std::str::from_utf8(file).is_ok_and(|text| text.chars().all(printable))
}

/// How the lines of a text form end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LineEnd {
    /// Line feed.
    #[default]
    Lf,
    /// Carriage return and line feed.
    CrLf,
}

impl LineEnd {
    pub(super) fn bytes(self) -> &'static [u8] {
        match self {
            LineEnd::Lf => b"\n",
            LineEnd::CrLf => b"\r\n",
        }
    }
}

/// How to write a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WriteForm {
    /// The form.
    pub form: Form,
    /// What stands in the gaps of a raw binary or of a plain listing.
    pub fill: u8,
    /// Data bytes a record or line, 1 to 255; S-records hold at most 252, listings always have 16.
    pub record_length: u8,
    /// How lines end.
    pub line_end: LineEnd,
    /// How Intel HEX addresses beyond 64 KiB are written.
    pub addressing: Addressing,
    /// Which S-records are written.
    pub address_size: AddressSize,
    /// The text of an S-record header; none is written without.
    pub header: Option<String>,
    /// The entry address of HEX and S-record files.
    pub start: Option<Start>,
    /// The layout of a listing.
    pub style: Style,
}

impl Default for WriteForm {
    fn default() -> Self {
        Self {
            form: Form::Binary,
            fill: 0,
            record_length: 16,
            line_end: LineEnd::default(),
            addressing: Addressing::default(),
            address_size: AddressSize::default(),
            header: None,
            start: None,
            style: Style::default(),
        }
    }
}

impl WriteForm {
    /// The usual ending of such files, without the dot.
    pub fn ending(&self) -> &'static str {
        self.form.ending()
    }

    /// Whether gaps are filled, because the form cannot show them.
    pub fn fills_gaps(&self) -> bool {
        self.form == Form::Binary || self.form == Form::Listing && self.style == Style::Plain
    }
}

/// Most bytes that are written where gaps are filled, and that repeated lines may stand for.
pub const MAX_FLAT: u64 = 64 << 20;

/// Bytes that a form can hold, ready to be written.
#[derive(Debug)]
pub struct Writable<'b> {
    bytes: Cow<'b, SparseBytes>,
    how: &'b WriteForm,
}

/// Makes bytes ready to be written as a file. Forms that cannot show gaps have `length` bytes at least, the first at
/// address 0, with the fill in the gaps; the other forms keep gaps as gaps.
///
/// # Errors
/// When the form cannot hold the addresses.
pub fn writable<'b>(
    bytes: &'b SparseBytes,
    length: u64,
    how: &'b WriteForm,
) -> Result<Writable<'b>, FormError> {
    match how.form {
        Form::IntelHex => intel_hex::check(bytes, how)?,
        Form::SRecord => srecord::check(bytes, how)?,
        Form::Binary | Form::TiTxt | Form::Listing => {}
    }
    let end = bytes.end().max(length);
    let whole = matches!(bytes.segments(), [only] if only.start == 0 && bytes.end() == end);
    let bytes = match how.fills_gaps() && !whole {
        false => Cow::Borrowed(bytes),
        true => {
            let flat = bytes
                .flatten(0, end, how.fill, MAX_FLAT)
                .ok_or(FormError::TooLarge {
                    what: "the filled range has",
                    bytes: end,
                    limit: MAX_FLAT,
                })?;
            Cow::Owned(SparseBytes::from_run(0, flat))
        }
    };
    Ok(Writable { bytes, how })
}

impl Writable<'_> {
    /// Writes the file, a piece at a time.
    ///
    /// # Errors
    /// When `out` does not take it.
    pub fn write_to(&self, out: &mut dyn Write) -> io::Result<()> {
        let (bytes, how) = (&*self.bytes, self.how);
        if how.form == Form::Binary {
            return bytes
                .segments()
                .iter()
                .try_for_each(|s| out.write_all(&s.bytes));
        }
        let mut page = Page::new(out);
        match how.form {
            Form::Binary => {}
            Form::IntelHex => intel_hex::write(bytes, how, &mut page)?,
            Form::SRecord => srecord::write(bytes, how, &mut page)?,
            Form::TiTxt => ti_txt::write(bytes, how, &mut page)?,
            Form::Listing => listing::write(bytes, how, &mut page)?,
        }
        page.finish()
    }
}

/// Writes bytes as a file in memory, as [`writable`] says.
///
/// # Errors
/// When the form cannot hold the addresses.
pub fn write(bytes: &SparseBytes, length: u64, how: &WriteForm) -> Result<Vec<u8>, FormError> {
    let mut file = Vec::new();
    // Writing into memory does not fail.
    let _ = writable(bytes, length, how)?.write_to(&mut file);
    Ok(file)
}
