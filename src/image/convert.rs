//! Conversion: from the contents of files to the text of others, every loss named.

use super::form::{self, Contents, Form, FormError, Start, WriteForm};
use super::srecord::MOST_HEADER;
use super::transform::{Lanes, OffsetError, fill, offset};
use super::{Packing, PackingError, SparseBytes};
use crate::blame::{Blame, Who};
use crate::finding::{Finding, Severity};

/// What to do, in this order: join, crop, offset, repack, fill, split, write.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    /// Put the inputs together.
    pub join: Option<Lanes>,
    /// Keep only addresses from the first to before the second.
    pub crop: Option<(u32, u64)>,
    /// Move by so many addresses.
    pub offset: i64,
    /// Hold the cells another way.
    pub repack: Option<Repack>,
    /// Fill gaps.
    pub fill: Option<u8>,
    /// Divide over several outputs.
    pub split: Option<Lanes>,
    /// How to write. The fill is that of this plan, where it has one.
    pub write: WriteForm,
}

/// From one packing to another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Repack {
    /// As the bytes hold the cells now.
    pub from: Packing,
    /// As they shall hold them.
    pub to: Packing,
    /// Number of cells, where not every cell of the last byte is one.
    pub words: Option<u32>,
    /// Number of data lines.
    pub width: u8,
}

/// The outputs, and what was noticed and lost on the way.
#[derive(Clone, Debug, PartialEq)]
pub struct Converted {
    /// The bytes of the one output, or of as many as the split has; the form can hold them.
    pub parts: Vec<SparseBytes>,
    /// How they are to be written: as the plan says, with what the inputs give along.
    pub write: WriteForm,
    /// Losses have codes that begin with `loss.`.
    pub findings: Vec<Finding>,
}

/// Why a conversion is impossible.
#[derive(Debug, thiserror::Error)]
pub enum ConvertError {
    /// The number of inputs is not what is wanted.
    #[error("{have} inputs, and {wanted}")]
    Inputs {
        /// How many there are.
        have: usize,
        /// How many there should be and why.
        wanted: String,
    },
    /// Nothing is left to write.
    #[error("no byte is left to write")]
    Nothing,
    /// Bytes moved out of the addresses.
    #[error(transparent)]
    Offset(#[from] OffsetError),
    /// A packing that does not fit.
    #[error(transparent)]
    Packing(#[from] PackingError),
    /// A form that cannot hold the bytes.
    #[error(transparent)]
    Form(#[from] FormError),
}

impl Blame for ConvertError {
    fn who(&self) -> Who {
        match self {
            ConvertError::Inputs { .. } | ConvertError::Nothing => Who::Caller,
            ConvertError::Offset(e) => e.who(),
            ConvertError::Packing(e) => e.who(),
            ConvertError::Form(FormError::TooLarge { .. }) => Who::Caller,
            ConvertError::Form(e) => e.who(),
        }
    }

    fn hint(&self) -> Option<String> {
        match self {
            ConvertError::Inputs { .. } => None,
            ConvertError::Nothing => Some("check the addresses given with --crop".to_owned()),
            ConvertError::Offset(e) => e.hint(),
            ConvertError::Packing(e) => e.hint(),
            ConvertError::Form(FormError::TooLarge { .. }) => Some(
                "crop to the chip's addresses (--crop), move them down to 0 (--offset), or write a form that keeps gaps"
                    .to_owned(),
            ),
            ConvertError::Form(e) => e.hint(),
        }
    }
}

/// Converts.
///
/// # Errors
/// When the number of inputs is wrong, nothing is left, or the form or packing cannot hold the bytes.
pub fn convert(inputs: Vec<Contents>, plan: &Plan) -> Result<Converted, ConvertError> {
    let mut findings = Vec::new();
    let mut how = plan.write.clone();
    for input in &inputs {
        findings.extend(
            input
                .findings
                .iter()
                .filter(|f| f.code != "file.start-address")
                .cloned(),
        );
        head(input, &mut how, &mut findings);
    }
    let mut bytes = joined(inputs, plan.join, &mut findings)?;
    if let Some((first, end)) = plan.crop {
        let before = bytes.count();
        bytes = bytes.crop(first, end);
        let cut = before - bytes.count();
        if cut > 0 {
            let says = format!(
                "{cut} bytes outside of {first:#x} to {:#x} are cropped",
                end.saturating_sub(1)
            );
            findings.push(Finding::new("loss.cropped", Severity::Note, says));
        }
    }
    if plan.offset != 0 {
        bytes = offset(&bytes, plan.offset)?;
    }
    if let Some(repack) = plan.repack {
        bytes = repacked(&bytes, repack, &mut findings)?;
    }
    if bytes.is_empty() {
        return Err(ConvertError::Nothing);
    }
    // Forms without gaps begin at address 0.
    let first = if how.fills_gaps() {
        0
    } else {
        bytes.first().unwrap_or(0)
    };
    let has_gaps = bytes.segments().len() > 1 || bytes.first() != Some(first);
    if has_gaps && (plan.fill.is_some() || how.fills_gaps()) {
        bytes = filled(&bytes, first, plan.fill, how.fill, &mut findings)?;
    }
    let parts = match plan.split {
        Some(lanes) => lanes.split(&bytes),
        None => vec![bytes],
    };
    for part in &parts {
        form::writable(part, 0, &how)?;
    }
    Ok(Converted {
        parts,
        write: how,
        findings,
    })
}

/// Keeps header and entry address where the form has a place for them, and names the loss where not.
fn head(input: &Contents, how: &mut WriteForm, findings: &mut Vec<Finding>) {
    if let Some(header) = &input.header {
        if how.form == Form::SRecord {
            how.header.get_or_insert_with(|| header.clone());
        } else if !header.is_empty() {
            let says = format!(
                "the header '{header}' is dropped: {} has none",
                how.form.title()
            );
            findings.push(Finding::new("loss.header", Severity::Note, says));
        }
    }
    let header = how.header.as_ref().map_or(0, String::len);
    if how.form == Form::SRecord && header > MOST_HEADER {
        let says = format!(
            "the header is cut to the {MOST_HEADER} bytes that a record holds; it has {header}"
        );
        findings.push(Finding::new("loss.header", Severity::Note, says));
    }
    let Some(start) = input.start.filter(|s| *s != Start::Linear(0)) else {
        return;
    };
    if matches!(how.form, Form::IntelHex | Form::SRecord) {
        how.start.get_or_insert(start);
    } else {
        let says = format!(
            "the entry address is dropped: {} has none",
            how.form.title()
        );
        findings.push(Finding::new("loss.start-address", Severity::Note, says));
    }
}

fn joined(
    mut inputs: Vec<Contents>,
    join: Option<Lanes>,
    findings: &mut Vec<Finding>,
) -> Result<SparseBytes, ConvertError> {
    let have = inputs.len();
    let Some(lanes) = join else {
        return match inputs.pop() {
            Some(only) if have == 1 => Ok(only.bytes),
            _ => Err(ConvertError::Inputs {
                have,
                wanted: "one is converted at a time, or several with --join".to_owned(),
            }),
        };
    };
    if have != lanes.parts() {
        let parts: Vec<String> = (0..lanes.parts()).map(|n| lanes.part_name(n)).collect();
        let wanted = format!("this join takes {}: {}", lanes.parts(), parts.join(", "));
        return Err(ConvertError::Inputs { have, wanted });
    }
    let parts: Vec<SparseBytes> = inputs.into_iter().map(|i| i.bytes).collect();
    let joined = lanes.join(&parts);
    if joined.lacking > 0 {
        let says = format!(
            "{} bytes have no counterpart in the other inputs and are left out",
            joined.lacking
        );
        findings.push(Finding::new("loss.unjoined", Severity::Caution, says));
    }
    if joined.spare > 0 {
        let says = format!(
            "{} bytes came from values wider than a part holds; what is too wide is left out",
            joined.spare
        );
        findings.push(Finding::new("loss.spare-bits", Severity::Caution, says));
    }
    Ok(joined.bytes)
}

fn repacked(
    bytes: &SparseBytes,
    repack: Repack,
    findings: &mut Vec<Finding>,
) -> Result<SparseBytes, ConvertError> {
    let Repack {
        from, to, width, ..
    } = repack;
    let cells = bytes.end().saturating_mul(u64::from(from.cells_a_byte()));
    let words = repack
        .words
        .unwrap_or(u32::try_from(cells).unwrap_or(u32::MAX));
    if u64::from(words) > cells {
        let says = format!(
            "the input holds {cells} cells of the {words} that were asked for; what it lacks is not written"
        );
        let finding = Finding::new("file.short", Severity::Caution, says);
        findings.push(finding.act("check --words and the packing"));
    }
    let unpacked = from.unpack(bytes, 0, words, width)?;
    if unpacked.outside > 0 {
        let says = format!(
            "{} bytes beyond the {words} cells are left out",
            unpacked.outside
        );
        findings.push(Finding::new("loss.cropped", Severity::Caution, says));
    }
    match unpacked.spare_constant {
        _ if unpacked.spare_bytes == 0 => {}
        Some(bits) => {
            let says = format!("the bits beyond the cells, {bits:#04x} throughout, are left out");
            findings.push(Finding::new("loss.spare-bits", Severity::Note, says));
        }
        None => {
            let n = unpacked.spare_bytes;
            let says = format!("{n} bytes have bits beyond the cells that vary; they are left out");
            let finding = Finding::new("loss.spare-bits", Severity::Caution, says);
            findings.push(finding.act("check --from-packing and --width"));
        }
    }
    if !unpacked.disagreeing.is_empty() {
        let n = unpacked.disagreeing.len();
        let says = format!("the two nibbles of {n} bytes disagree; the bits that differ are lost");
        findings.push(Finding::new("loss.nibbles-differ", Severity::Damage, says));
    }
    let packed = to.pack(&unpacked.image)?;
    if packed.zeroed_bits > 0 {
        let says = format!(
            "{} unknown bits that share a byte with known ones are written as 0",
            packed.zeroed_bits
        );
        findings.push(Finding::new("loss.unknown-bits", Severity::Caution, says));
    }
    Ok(packed.bytes)
}

fn filled(
    bytes: &SparseBytes,
    first: u32,
    asked: Option<u8>,
    default: u8,
    findings: &mut Vec<Finding>,
) -> Result<SparseBytes, ConvertError> {
    let with = asked.unwrap_or(default);
    let (full, count) = fill(bytes, first, bytes.end(), with)?;
    if count > 0 {
        let severity = if asked.is_some() {
            Severity::Note
        } else {
            Severity::Caution
        };
        let says = format!(
            "{count} unknown bytes are written as {with:02X}; the output does not show that they are unknown"
        );
        let finding = Finding::new("loss.gaps-filled", severity, says);
        let lead = bytes.first().unwrap_or(0);
        findings.push(match asked {
            None if lead >= 0x100 => finding.act(format!(
                "the first byte is at {lead:#x}; --offset=-{lead:#x} moves it to 0, if that is where the chip begins"
            )),
            None => finding.act("choose the byte with --fill, or a form that keeps gaps"),
            Some(_) => finding,
        });
    }
    Ok(full)
}
