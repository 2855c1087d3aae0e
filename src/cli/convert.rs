//! `convert`: one file form into another, with every loss named.

use std::path::{Path, PathBuf};
use std::str::FromStr;

use schemars::JsonSchema;
use serde::Serialize;

use super::findings;
use super::output::{print_text, say};
use super::shelved::read_file;
use super::{Failure, Outcome};
use crate::blame::{Blame, Who};
use crate::document::{self, Document};
use crate::finding::Finding;
use crate::image::convert::{Converted, Plan, Repack, convert};
use crate::image::form::{self, AddressSize, Addressing, LineEnd, ReadOptions, Style, WriteForm};
use crate::image::transform::Lanes;
use crate::image::{Contents, Form, FormError, Packing, SparseBytes};
use crate::reading::{place, sha256_hex};

/// Convert chip files between forms and packings
///
/// Forms are told by content: raw binary, Intel HEX, Motorola S-record, TI-TXT, and hex listings as tools print
/// them. Steps are taken in this order: join, crop, offset, packing, fill, split. What the output cannot hold is
/// named as a loss.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep convert ch12.hex -o ch12.bin
  cellkeep convert eprom.hex --crop 0x8000-0x87ff --offset=-0x8000 -o ram.bin
  cellkeep convert low.bin high.bin --join nibbles -o both.bin
  cellkeep convert both.bin --split even-odd -o even.bin -o odd.bin
  cellkeep convert serial.bin --from-packing packed-msb-first --to-packing bit-0 -o unpacked.bin
  cellkeep convert ram.bin --to listing -o ram.txt")]
pub(crate) struct Args {
    /// Files to convert; several with --join, in the order of the parts
    #[arg(required = true, value_name = "FILE")]
    inputs: Vec<PathBuf>,
    /// File to write; with --split one for each part, in order
    #[arg(short, long = "output", required = true, value_name = "FILE")]
    outputs: Vec<PathBuf>,
    /// Form to write: bin, hex, srec, ti-txt or listing; without it as the output's name ends
    #[arg(long, value_name = "FORM")]
    to: Option<Form>,
    /// Form of the inputs, where the content is not to decide
    #[arg(long, value_name = "FORM")]
    from: Option<Form>,
    /// Leave out wrong lines, with a finding each, in place of refusing the file
    #[arg(long)]
    skip_wrong_lines: bool,
    /// Replace files that are there already; never an input
    #[arg(long)]
    replace: bool,
    /// Print what was done as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    steps: Steps,
    #[command(flatten)]
    style: FormOptions,
}

/// What happens between reading and writing.
#[derive(clap::Args)]
#[command(next_help_heading = "Steps")]
struct Steps {
    /// Put parts together: even-odd, bytes-N, nibbles (low file first), or bits (bit 0 first)
    #[arg(long, value_name = "PARTS")]
    join: Option<LanesOption>,
    /// Keep only these addresses of the input, both included
    #[arg(long, value_name = "FIRST-LAST", value_parser = range)]
    crop: Option<(u32, u64)>,
    /// Move all bytes by so many addresses
    #[arg(long, value_name = "N", value_parser = signed, allow_hyphen_values = true, default_value = "0")]
    offset: i64,
    /// How the input holds the cells: low, high-nibble, both-nibbles, nibbles-low-first, nibbles-high-first, bit-0
    /// to bit-7, packed-lsb-first, packed-msb-first
    #[arg(long, value_name = "PACKING", requires = "to_packing")]
    from_packing: Option<Packing>,
    /// How the output holds the cells
    #[arg(long, value_name = "PACKING")]
    to_packing: Option<Packing>,
    /// Data lines of a cell, for the packings; without it as the packings have it, or 8
    #[arg(long, value_name = "BITS", requires = "to_packing", value_parser = clap::value_parser!(u8).range(1..=8))]
    width: Option<u8>,
    /// Number of cells, for the packings; without it all that the input has
    #[arg(long, value_name = "N", requires = "to_packing", value_parser = number)]
    words: Option<u32>,
    /// Fill gaps with this byte
    #[arg(long, value_name = "BYTE", value_parser = byte)]
    fill: Option<u8>,
    /// Divide: even-odd, bytes-N, nibbles (low file first), or bits (bit 0 first)
    #[arg(long, value_name = "PARTS")]
    split: Option<LanesOption>,
}

/// How the output is laid out within its form.
#[derive(clap::Args)]
#[command(next_help_heading = "Layout of the output")]
struct FormOptions {
    /// Data bytes a record or line
    #[arg(long, value_name = "N", default_value = "16", value_parser = clap::value_parser!(u8).range(1..=255))]
    record_length: u8,
    /// Line ends
    #[arg(long, value_name = "END", default_value = "lf")]
    line_end: LineEndOption,
    /// Intel HEX beyond 64 KiB: linear (type 04) or segment (type 02) addresses
    #[arg(long, value_name = "MODE", default_value = "linear")]
    addressing: AddressingOption,
    /// S-records: s1, s2, s3, or the shortest that reaches
    #[arg(long, value_name = "TYPE", default_value = "shortest")]
    records: RecordsOption,
    /// Text of the S-record header
    #[arg(long, value_name = "TEXT")]
    header: Option<String>,
    /// Layout of a listing
    #[arg(long, value_name = "LAYOUT", default_value = "hexdump")]
    listing: ListingOption,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum LineEndOption {
    Lf,
    Crlf,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum AddressingOption {
    Linear,
    Segment,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum RecordsOption {
    Shortest,
    S1,
    S2,
    S3,
}

#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum ListingOption {
    /// Address, bytes, text
    Hexdump,
    /// Address, pairs of bytes, text
    Xxd,
    /// Octal address, bytes
    Od,
    /// Bytes alone
    Plain,
}

/// Parts as an option names them.
#[derive(Clone, Copy, Debug)]
struct LanesOption(Lanes);

impl FromStr for LanesOption {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let bytes = |n: &str| {
            n.parse()
                .ok()
                .filter(|n| (2..=16).contains(n))
                .map(Lanes::Bytes)
        };
        let lanes = match text {
            "even-odd" => Some(Lanes::Bytes(2)),
            "nibbles" => Some(Lanes::Nibbles),
            "bits" => Some(Lanes::Bits),
            other => other.strip_prefix("bytes-").and_then(bytes),
        };
        lanes
            .map(Self)
            .ok_or_else(|| "write even-odd, bytes-2 to bytes-16, nibbles or bits".to_owned())
    }
}

/// A number as a technician writes it: decimal, `0x7f`, `$7f` or `7fh`.
fn number(text: &str) -> Result<u32, String> {
    let lower = text.to_ascii_lowercase().replace('_', "");
    let hex = lower
        .strip_prefix("0x")
        .or_else(|| lower.strip_prefix('$'))
        .or_else(|| lower.strip_suffix('h'));
    let value = match hex {
        Some(digits) => u32::from_str_radix(digits, 16),
        None => lower.parse(),
    };
    value.map_err(|_| format!("'{text}' is no number; write 128, 0x80, $80 or 80h"))
}

fn byte(text: &str) -> Result<u8, String> {
    u8::try_from(number(text)?).map_err(|_| format!("'{text}' is no byte: 0 to 0xff"))
}

fn signed(text: &str) -> Result<i64, String> {
    match text.strip_prefix('-') {
        Some(rest) => Ok(-i64::from(number(rest)?)),
        None => Ok(i64::from(number(text.strip_prefix('+').unwrap_or(text))?)),
    }
}

/// First and last address, as first and end.
fn range(text: &str) -> Result<(u32, u64), String> {
    let (first, last) = text
        .split_once('-')
        .ok_or("write FIRST-LAST, such as 0x100-0x1ff")?;
    let (first, last) = (number(first.trim())?, number(last.trim())?);
    match first <= last {
        true => Ok((first, u64::from(last) + 1)),
        false => Err("the first address is beyond the last".to_owned()),
    }
}

/// What was converted.
#[derive(Serialize, JsonSchema)]
pub(crate) struct Conversion {
    /// The files read.
    inputs: Vec<FileSummary>,
    /// The files written.
    outputs: Vec<FileSummary>,
    /// What was noticed and lost.
    findings: Vec<Finding>,
}

impl Document for Conversion {
    const KIND: &'static str = "conversion";
    const VERSION: u32 = 1;
}

/// One file.
#[derive(Serialize, JsonSchema)]
struct FileSummary {
    /// Its path.
    path: String,
    /// Its form.
    form: Form,
    /// How many bytes it names, gaps not counted.
    bytes: u64,
    /// The lowest address.
    first: u32,
    /// The address after the highest.
    end: u64,
    /// SHA-256 of the file, lower-case hex; only worked out where it is shown.
    #[serde(skip_serializing_if = "Option::is_none")]
    sha256: Option<String>,
}

impl FileSummary {
    fn new(path: &Path, form: Form, bytes: &SparseBytes, sha256: Option<String>) -> Self {
        Self {
            path: path.display().to_string(),
            form,
            bytes: bytes.count(),
            first: bytes.first().unwrap_or(0),
            end: bytes.end(),
            sha256,
        }
    }

    fn told(&self) -> String {
        format!(
            "{}: {}, {} bytes at {:#06x} to {:#06x}",
            self.path,
            self.form.title(),
            self.bytes,
            self.first,
            self.end.saturating_sub(1)
        )
    }
}

#[derive(Debug, thiserror::Error)]
enum ConvertCallError {
    #[error("the name {} does not tell which form to write", .0.display())]
    NoForm(PathBuf),
    #[error("{} is an input", .0.display())]
    OntoInput(PathBuf),
    #[error("{} is named twice", .0.display())]
    Twice(PathBuf),
    #[error("{have} outputs, and there are {parts} parts: {names}")]
    Outputs {
        have: usize,
        parts: usize,
        names: String,
    },
    #[error("{}: {source}", path.display())]
    Input { path: PathBuf, source: FormError },
}

impl Blame for ConvertCallError {
    fn who(&self) -> Who {
        match self {
            ConvertCallError::Input { source, .. } => source.who(),
            _ => Who::Caller,
        }
    }

    fn hint(&self) -> Option<String> {
        match self {
            ConvertCallError::NoForm(_) => {
                Some("say it with --to: bin, hex, srec, ti-txt or listing".into())
            }
            ConvertCallError::OntoInput(_) => {
                Some("choose a new place; an input is never written over".into())
            }
            ConvertCallError::Outputs { .. } => {
                Some("give --output once for each part, in order".into())
            }
            ConvertCallError::Twice(_) => None,
            ConvertCallError::Input { source, .. } => {
                source.hint().map(|hint| hint.replace("--form", "--from"))
            }
        }
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    check_outputs(args)?;
    let plan = plan(args)?;
    let mut inputs = Vec::new();
    let mut read = Vec::new();
    for path in &args.inputs {
        let (contents, summary) = open(path, args)?;
        read.push(summary);
        inputs.push(contents);
    }
    let Converted {
        parts,
        write,
        findings: noticed,
    } = convert(inputs, &plan)?;
    // All of them or none: what cannot be written is told before the first is.
    let files = parts
        .iter()
        .map(|part| form::writable(part, 0, &write))
        .collect::<Result<Vec<_>, _>>()?;
    for path in &args.outputs {
        place::check_file_place(path, args.replace)?;
    }
    let mut outputs = Vec::new();
    for ((path, part), file) in args.outputs.iter().zip(&parts).zip(files) {
        place::write_file_with(path, args.replace, |out| file.write_to(out))?;
        let sha256 = match args.json {
            true => Some(sha256_hex(&form::write(part, 0, &write)?)),
            false => None,
        };
        outputs.push(FileSummary::new(path, write.form, part, sha256));
    }
    let ended = findings::status(&noticed);
    let conversion = Conversion {
        inputs: read,
        outputs,
        findings: noticed,
    };
    if args.json {
        print_text(&document::to_json(&conversion).map_err(NoJson)?);
    } else {
        report(&conversion);
    }
    Ok(ended)
}

#[derive(Debug, thiserror::Error)]
#[error("the result cannot be written as JSON: {0}")]
struct NoJson(serde_json::Error);

impl Blame for NoJson {
    fn who(&self) -> Who {
        Who::Disk
    }
}

fn report(conversion: &Conversion) {
    for file in &conversion.inputs {
        say!("read     {}", file.told());
    }
    findings::print(&conversion.findings);
    for file in &conversion.outputs {
        say!("wrote    {}", file.told());
    }
    say!(
        "next: keep the input; convert the output back and compare it before you program a chip with it"
    );
}

/// Refuses outputs that are inputs, named twice, or not as many as there are parts.
fn check_outputs(args: &Args) -> Result<(), ConvertCallError> {
    let parts = args.steps.split.map_or(1, |s| s.0.parts());
    if args.outputs.len() != parts {
        let names = match args.steps.split {
            Some(LanesOption(lanes)) => (0..parts)
                .map(|n| lanes.part_name(n))
                .collect::<Vec<_>>()
                .join(", "),
            None => "the whole".to_owned(),
        };
        return Err(ConvertCallError::Outputs {
            have: args.outputs.len(),
            parts,
            names,
        });
    }
    for (n, output) in args.outputs.iter().enumerate() {
        if args.outputs[..n].iter().any(|o| place::same(o, output)) {
            return Err(ConvertCallError::Twice(output.clone()));
        }
        let Ok(there) = output.canonicalize() else {
            continue;
        };
        if args
            .inputs
            .iter()
            .any(|i| i.canonicalize().is_ok_and(|i| i == there))
        {
            return Err(ConvertCallError::OntoInput(output.clone()));
        }
    }
    Ok(())
}

fn plan(args: &Args) -> Result<Plan, ConvertCallError> {
    let Args {
        steps,
        style,
        outputs,
        ..
    } = args;
    let form = match (args.to, outputs.first()) {
        (Some(form), _) => form,
        (None, Some(path)) => {
            by_ending(path).ok_or_else(|| ConvertCallError::NoForm(path.clone()))?
        }
        (None, None) => Form::Binary,
    };
    let repack = steps.to_packing.map(|to| {
        let from = steps.from_packing.unwrap_or_default();
        let width = steps
            .width
            .or(from.only_width())
            .or(to.only_width())
            .unwrap_or(8);
        Repack {
            from,
            to,
            words: steps.words,
            width,
        }
    });
    Ok(Plan {
        join: steps.join.map(|j| j.0),
        crop: steps.crop,
        offset: steps.offset,
        repack,
        fill: steps.fill,
        split: steps.split.map(|s| s.0),
        write: WriteForm {
            form,
            fill: steps.fill.unwrap_or(0),
            record_length: style.record_length,
            line_end: match style.line_end {
                LineEndOption::Lf => LineEnd::Lf,
                LineEndOption::Crlf => LineEnd::CrLf,
            },
            addressing: match style.addressing {
                AddressingOption::Linear => Addressing::Linear,
                AddressingOption::Segment => Addressing::Segment,
            },
            address_size: match style.records {
                RecordsOption::Shortest => AddressSize::Shortest,
                RecordsOption::S1 => AddressSize::S1,
                RecordsOption::S2 => AddressSize::S2,
                RecordsOption::S3 => AddressSize::S3,
            },
            header: style.header.clone(),
            start: None,
            style: match style.listing {
                ListingOption::Hexdump => Style::Hexdump,
                ListingOption::Xxd => Style::Xxd,
                ListingOption::Od => Style::Od,
                ListingOption::Plain => Style::Plain,
            },
        },
    })
}

/// The form that a file's name ends in; none for endings that several forms have.
fn by_ending(path: &Path) -> Option<Form> {
    let ending = path.extension()?.to_str()?.to_ascii_lowercase();
    Some(match ending.as_str() {
        "bin" | "rom" | "ram" | "raw" => Form::Binary,
        "hex" | "ihx" | "ihex" => Form::IntelHex,
        "srec" | "s19" | "s28" | "s37" | "mot" | "sx" => Form::SRecord,
        "lst" => Form::Listing,
        _ => return None,
    })
}

fn open(path: &Path, args: &Args) -> Result<(Contents, FileSummary), Failure> {
    let wrong = |source| ConvertCallError::Input {
        path: path.to_owned(),
        source,
    };
    if let Ok(meta) = std::fs::metadata(path) {
        form::check_length(meta.len()).map_err(wrong)?;
    }
    let file = read_file(path)?;
    form::check_length(file.len() as u64).map_err(wrong)?;
    let options = ReadOptions {
        form: args.from,
        skip_wrong_lines: args.skip_wrong_lines,
    };
    let sha256 = args.json.then(|| sha256_hex(&file));
    let mut contents = form::read_owned(file, options).map_err(wrong)?;
    if args.inputs.len() > 1 {
        for finding in &mut contents.findings {
            finding.says = format!("{}: {}", path.display(), finding.says);
        }
    }
    let summary = FileSummary::new(path, contents.form, &contents.bytes, sha256);
    Ok((contents, summary))
}
