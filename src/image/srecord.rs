//! Motorola S-record, as srec_motorola(5) describes it.
//!
//! A record is `S`, a type digit and digit pairs: the count of bytes that follow, an address of two to four bytes,
//! data, and a checksum that brings the sum of all bytes to FF.

use std::io::{self, Cursor};

use binrw::BinRead;

use super::collect::Collector;
use super::form::{Contents, Form, FormError, Start, WriteForm};
use super::lines::{WrongLines, at_line, lines};
use super::page::Page;
use super::{SparseBytes, pairs};
use crate::finding::{Finding, Severity};

/// The address of a record, as wide as its type has it.
#[derive(BinRead)]
#[br(big, import(kind: u8))]
enum Address {
    #[br(pre_assert(address_bytes(kind) == 2))]
    Two(u16),
    #[br(pre_assert(address_bytes(kind) == 3))]
    Three(u8, u16),
    #[br(pre_assert(address_bytes(kind) == 4))]
    Four(u32),
}

impl Address {
    fn value(&self) -> u32 {
        match *self {
            Address::Two(address) => u32::from(address),
            Address::Three(high, low) => u32::from(high) << 16 | u32::from(low),
            Address::Four(address) => address,
        }
    }
}

/// How many bytes the address or count of a record type has.
fn address_bytes(kind: u8) -> usize {
    match kind {
        2 | 6 | 8 => 3,
        3 | 7 => 4,
        _ => 2,
    }
}

/// The largest record: the count and 255 bytes.
const LARGEST: usize = 256;

/// Reading in progress.
struct Reader {
    wrong: WrongLines,
    bytes: Collector,
    contents: Contents,
    /// Data records so far, wrong ones included.
    records: u64,
    counted: bool,
    ended: bool,
    after_end: Option<(usize, usize)>,
}

/// Reads a file.
pub(super) fn read(text: &[u8], skip_wrong_lines: bool) -> Result<Contents, FormError> {
    let mut reader = Reader {
        wrong: WrongLines::new(Form::SRecord, skip_wrong_lines),
        bytes: Collector::of(text),
        contents: Contents::new(Form::SRecord),
        records: 0,
        counted: false,
        ended: false,
        after_end: None,
    };
    let mut buffer = [0; LARGEST];
    for (number, line) in lines(text) {
        if line.is_empty() {
            continue;
        }
        if reader.ended {
            reader.after_end.get_or_insert((number, 0)).1 += 1;
        } else if let Err(says) = reader.line(number, line, &mut buffer) {
            reader.records += u64::from(matches!(line.get(1), Some(b'1'..=b'3')));
            reader.wrong.add(number, line, says);
        }
    }
    reader.finish()
}

impl Reader {
    fn line(
        &mut self,
        number: usize,
        line: &[u8],
        buffer: &mut [u8; LARGEST],
    ) -> Result<(), String> {
        let [b'S' | b's', kind @ b'0'..=b'9', digits @ ..] = line.trim_ascii_start() else {
            return Err("a record begins with 'S' and a digit".to_owned());
        };
        let kind = kind - b'0';
        if kind == 4 {
            return Err("record type S4 is reserved".to_owned());
        }
        let record = pairs::decode(digits, buffer)?;
        let Some((count, rest)) = record.split_first() else {
            return Err("the record has no count".to_owned());
        };
        if rest.len() != usize::from(*count) {
            return Err(format!(
                "the count says {count} bytes, and {} are there",
                rest.len()
            ));
        }
        let least = address_bytes(kind) + 1;
        let Some((checksum, body)) = rest.split_last().filter(|_| rest.len() >= least) else {
            return Err(format!(
                "an S{kind} record has at least {least} bytes, and this has {count}"
            ));
        };
        if pairs::sum(record) != 0xff {
            let right = !pairs::sum(record).wrapping_sub(*checksum);
            return Err(format!(
                "the checksum is {checksum:02X}, and the record gives {right:02X}"
            ));
        }
        let address = Address::read_args(&mut Cursor::new(body), (kind,))
            .map_err(|_| "the address is incomplete".to_owned())?;
        let address = address.value();
        self.record(kind, address, &body[address_bytes(kind)..], number)
    }

    fn record(&mut self, kind: u8, address: u32, data: &[u8], line: usize) -> Result<(), String> {
        if matches!(kind, 5..=9) && !data.is_empty() {
            return Err(format!(
                "an S{kind} record has no data, and this has {} bytes",
                data.len()
            ));
        }
        match kind {
            0 => {
                let text = data.strip_suffix(b"\0").unwrap_or(data);
                self.contents.header = Some(text.escape_ascii().to_string());
            }
            1..=3 => {
                if !self.bytes.add(address, data, line) {
                    return Err("the record passes the last address, FFFFFFFF".to_owned());
                }
                self.records += 1;
            }
            5 | 6 => {
                self.counted = true;
                if u64::from(address) != self.records {
                    let says = format!(
                        "the S{kind} record counts {address} data records, and {} are there",
                        self.records
                    );
                    let finding = at_line("file.count", Severity::Damage, line, says);
                    let finding = finding.act("fetch the file again: records were lost or added");
                    self.contents.findings.push(finding);
                }
            }
            _ => {
                self.ended = true;
                self.contents.start = (address != 0).then_some(Start::Linear(address));
            }
        }
        Ok(())
    }

    fn finish(mut self) -> Result<Contents, FormError> {
        self.wrong.settle(&mut self.contents.findings)?;
        let findings = &mut self.contents.findings;
        if !self.ended {
            // A count that was checked proves that nothing is missing; some tools write no end record then.
            let severity = if self.counted {
                Severity::Note
            } else {
                Severity::Caution
            };
            let says = match self.counted {
                true => "there is no end record",
                false => "there is neither an end record nor a count: the file may be cut short",
            };
            findings.push(Finding::new("file.no-end", severity, says));
        }
        if let Some((line, count)) = self.after_end {
            let says = format!("{count} lines after the end record are not read");
            findings.push(at_line("file.after-end", Severity::Caution, line, says));
        }
        self.contents.bytes = self.bytes.finish(findings);
        Ok(self.contents)
    }
}

/// Which data records are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum AddressSize {
    /// The shortest that reaches the last address.
    #[default]
    Shortest,
    /// S1 and S9: 16 bits.
    S1,
    /// S2 and S8: 24 bits.
    S2,
    /// S3 and S7: 32 bits.
    S3,
}

/// Number of the data records that are written, 1 to 3, and the entry address of the end record.
///
/// Fails where the addresses cannot be written.
fn kind(bytes: &SparseBytes, how: &WriteForm) -> Result<(u8, u32), FormError> {
    let start = match how.start {
        Some(Start::Linear(address)) => address,
        Some(Start::Segment { cs, ip }) => (u32::from(cs) << 4) + u32::from(ip),
        None => 0,
    };
    let address = bytes.end().saturating_sub(1).max(u64::from(start));
    let kind: u8 = match how.address_size {
        AddressSize::Shortest => match address {
            0..=0xffff => 1,
            0x1_0000..=0xff_ffff => 2,
            _ => 3,
        },
        AddressSize::S1 => 1,
        AddressSize::S2 => 2,
        AddressSize::S3 => 3,
    };
    let highest = (1u64 << (8 * address_bytes(kind))) - 1;
    match address > highest {
        true => Err(FormError::Address {
            form: Form::SRecord,
            highest,
            address,
        }),
        false => Ok((kind, start)),
    }
}

/// Whether the addresses can be written.
pub(super) fn check(bytes: &SparseBytes, how: &WriteForm) -> Result<(), FormError> {
    kind(bytes, how).map(drop)
}

/// Most bytes of a header: the count of a record is one byte, and counts the address and the check sum too.
pub(super) const MOST_HEADER: usize = 0xff - 2 - 1;

/// Writes a file that passed [`check`]: the header where there is one, data, the count of records, the end record.
pub(super) fn write(bytes: &SparseBytes, how: &WriteForm, page: &mut Page<'_>) -> io::Result<()> {
    let (kind, start) = kind(bytes, how).map_err(io::Error::other)?;
    let most = 254 - address_bytes(kind);
    let length = usize::from(how.record_length).clamp(1, most);
    if let Some(header) = &how.header {
        let header = header.as_bytes();
        push_record(page, 0, 0, &header[..header.len().min(MOST_HEADER)], how)?;
    }
    let mut count = 0u32;
    for segment in bytes.segments() {
        for (i, data) in segment.bytes.chunks(length).enumerate() {
            let address = segment.start + (i * length) as u32;
            push_record(page, kind, address, data, how)?;
            count += 1;
        }
    }
    match count {
        0..=0xffff => push_record(page, 5, count, &[], how)?,
        0x1_0000..=0xff_ffff => push_record(page, 6, count, &[], how)?,
        _ => {} // more than any count record can hold
    }
    push_record(page, 10 - kind, start, &[], how)
}

fn push_record(
    page: &mut Page<'_>,
    kind: u8,
    address: u32,
    data: &[u8],
    how: &WriteForm,
) -> io::Result<()> {
    let size = address_bytes(kind);
    let address = &address.to_be_bytes()[4 - size..];
    let count = (size + data.len() + 1) as u8;
    let sum = pairs::sum(address)
        .wrapping_add(pairs::sum(data))
        .wrapping_add(count);
    let text = &mut page.text;
    text.extend_from_slice(&[b'S', b'0' + kind]);
    pairs::push(text, count);
    pairs::push_all(text, address);
    pairs::push_all(text, data);
    pairs::push(text, !sum);
    page.end(how.line_end.bytes())
}
