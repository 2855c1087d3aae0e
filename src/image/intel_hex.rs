//! Intel HEX: *Hexadecimal Object File Format Specification*, Intel, Revision A, 6 January 1988.
//!
//! A record is `:` and digit pairs: length, load offset, type, content, and a checksum that brings the sum of all
//! bytes to 0. In segment mode a record that passes the end of its 64 KiB segment continues at its beginning; in
//! linear mode it continues in the next 64 KiB. A file without an address record can be meant either way; all
//! tools in use continue, so this one does and says so.

use std::io::{self, Cursor};

use binrw::{BinRead, BinWrite};

use super::collect::Collector;
use super::form::{Contents, Form, FormError, Start, WriteForm};
use super::lines::{WrongLines, at_line, lines};
use super::page::Page;
use super::{SparseBytes, pairs};
use crate::finding::{Finding, Severity};

/// What every record begins with.
#[derive(BinRead, BinWrite, Clone, Copy)]
#[brw(big)]
struct Head {
    length: u8,
    offset: u16,
    kind: u8,
}

/// The content of the record types that are not data.
#[derive(BinRead, BinWrite, Clone, Copy)]
#[brw(big)]
#[br(import(kind: u8))]
enum Info {
    #[br(pre_assert(kind == 2))]
    SegmentAddress(u16),
    #[br(pre_assert(kind == 3))]
    StartSegment { cs: u16, ip: u16 },
    #[br(pre_assert(kind == 4))]
    LinearAddress(u16),
    #[br(pre_assert(kind == 5))]
    StartLinear(u32),
}

/// The address mode in force, with its base.
#[derive(Clone, Copy, PartialEq)]
enum Base {
    /// No address record yet.
    None,
    Segment(u32),
    Linear(u32),
}

/// The largest record: length, offset, type, 255 bytes, checksum.
const LARGEST: usize = 260;

/// Reading in progress.
struct Reader {
    wrong: WrongLines,
    bytes: Collector,
    contents: Contents,
    base: Base,
    /// The line whose loss leaves the addresses after it in doubt.
    doubt: Option<usize>,
    doubted: usize,
    ended: bool,
    after_end: Option<(usize, usize)>,
}

/// Reads a file.
pub(super) fn read(text: &[u8], skip_wrong_lines: bool) -> Result<Contents, FormError> {
    let mut reader = Reader {
        wrong: WrongLines::new(Form::IntelHex, skip_wrong_lines),
        bytes: Collector::of(text),
        contents: Contents::new(Form::IntelHex),
        base: Base::None,
        doubt: None,
        doubted: 0,
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
            reader.wrong.add(number, line, says);
            // A lost data record takes its own bytes along, a lost address record all that follow.
            let data = line.get(7..9) == Some(b"00") && line.get(1..3) != Some(b"02");
            if !data && reader.doubt.is_none() {
                reader.doubt = Some(number);
            }
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
        let Some((b':', digits)) = line.trim_ascii_start().split_first() else {
            return Err("a record begins with ':'".to_owned());
        };
        let record = pairs::decode(digits, buffer)?;
        let head = Head::read(&mut Cursor::new(record))
            .map_err(|_| format!("{} bytes are too few for a record", record.len()))?;
        let Some(([_, _, _, _, info @ ..], checksum)) = record.split_last().map(|(c, r)| (r, c))
        else {
            return Err(format!("{} bytes are too few for a record", record.len()));
        };
        if info.len() != usize::from(head.length) {
            return Err(format!(
                "the length says {} data bytes, and {} are there",
                head.length,
                info.len()
            ));
        }
        if pairs::sum(record) != 0 {
            let right = pairs::sum(record).wrapping_sub(*checksum).wrapping_neg();
            return Err(format!(
                "the checksum is {checksum:02X}, and the record gives {right:02X}"
            ));
        }
        match head.kind {
            0 => self.data(number, head.offset, info),
            1 if info.is_empty() => {
                self.ended = true;
                // Some tools put the entry address into the end record.
                if head.offset != 0 {
                    self.contents.start = Some(Start::Linear(u32::from(head.offset)));
                }
                Ok(())
            }
            1 => Err(format!(
                "an end record has no data, and this has {} bytes",
                info.len()
            )),
            2..=5 => self.info(head.kind, info),
            kind => Err(format!(
                "record type {kind:02X} is not defined; types are 00 to 05"
            )),
        }
    }

    fn data(&mut self, number: usize, offset: u16, data: &[u8]) -> Result<(), String> {
        if self.doubt.is_some() {
            self.doubted += 1;
            return Ok(());
        }
        let room = (1 << 16) - usize::from(offset);
        let passes = data.len() > room;
        let (head, tail) = data.split_at(room.min(data.len()));
        match self.base {
            Base::Segment(base) => {
                self.bytes.add(base + u32::from(offset), head, number);
                self.bytes.add(base, tail, number);
                if passes {
                    let says = format!(
                        "the record passes the end of its segment; {} bytes continue at the segment's beginning, as the specification says",
                        tail.len()
                    );
                    self.note("file.segment-wrap", Severity::Caution, number, says);
                }
            }
            Base::Linear(base) => {
                self.bytes.add(base + u32::from(offset), head, number);
                self.bytes
                    .add((base + 0xffff).wrapping_add(1), tail, number);
            }
            Base::None => {
                self.bytes.add(u32::from(offset), data, number);
                if passes {
                    let says = "the record passes address FFFF and no address record says how; it is taken to continue at 10000".to_owned();
                    self.note("file.passes-64k", Severity::Caution, number, says);
                }
            }
        }
        Ok(())
    }

    fn info(&mut self, kind: u8, info: &[u8]) -> Result<(), String> {
        let want = if kind == 2 || kind == 4 { 2 } else { 4 };
        let read = Info::read_args(&mut Cursor::new(info), (kind,));
        let Some(info) = read.ok().filter(|_| info.len() == want) else {
            return Err(format!(
                "a record of type {kind:02X} has {want} data bytes, and this has {}",
                info.len()
            ));
        };
        match info {
            Info::SegmentAddress(segment) => self.base = Base::Segment(u32::from(segment) << 4),
            Info::LinearAddress(upper) => self.base = Base::Linear(u32::from(upper) << 16),
            Info::StartSegment { cs, ip } => self.contents.start = Some(Start::Segment { cs, ip }),
            Info::StartLinear(eip) => self.contents.start = Some(Start::Linear(eip)),
        }
        if matches!(info, Info::SegmentAddress(_) | Info::LinearAddress(_)) {
            self.doubt = None;
        }
        Ok(())
    }

    fn note(&mut self, code: &str, severity: Severity, line: usize, says: String) {
        self.contents
            .findings
            .push(at_line(code, severity, line, says));
    }

    fn finish(mut self) -> Result<Contents, FormError> {
        self.wrong.settle(&mut self.contents.findings)?;
        if self.doubted > 0 {
            let says = format!(
                "{} data records are left out as well: a line lost before them may have set their address",
                self.doubted
            );
            let finding = Finding::new("file.address-in-doubt", Severity::Damage, says);
            self.contents.findings.push(finding);
        }
        if !self.ended {
            let says = "there is no end record: the file may be cut short".to_owned();
            let finding = Finding::new("file.no-end", Severity::Caution, says);
            self.contents
                .findings
                .push(finding.act("compare its length with the original's"));
        }
        if let Some((line, count)) = self.after_end {
            let says = format!("{count} lines after the end record are not read");
            let finding = at_line("file.after-end", Severity::Caution, line, says);
            self.contents.findings.push(finding);
        }
        self.contents.bytes = self.bytes.finish(&mut self.contents.findings);
        Ok(self.contents)
    }
}

/// How addresses beyond 64 KiB are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Addressing {
    /// Extended linear address records (type 04), 32 bits.
    #[default]
    Linear,
    /// Extended segment address records (type 02), 20 bits.
    Segment,
}

/// Whether the addresses can be written.
pub(super) fn check(bytes: &SparseBytes, how: &WriteForm) -> Result<(), FormError> {
    let highest = match how.addressing {
        Addressing::Linear => u64::from(u32::MAX),
        Addressing::Segment => 0xf_ffff,
    };
    match bytes.end().saturating_sub(1) {
        last if last > highest => Err(FormError::Address {
            form: Form::IntelHex,
            highest,
            address: last,
        }),
        _ => Ok(()),
    }
}

/// Writes a file that passed [`check`]. Records do not cross 64 KiB.
pub(super) fn write(bytes: &SparseBytes, how: &WriteForm, page: &mut Page<'_>) -> io::Result<()> {
    let length = usize::from(how.record_length.max(1));
    let mut record = Vec::with_capacity(LARGEST);
    let mut upper = if bytes.end() > 1 << 16 { None } else { Some(0) };
    for segment in bytes.segments() {
        let mut address = segment.start;
        let mut rest = segment.bytes.as_slice();
        while !rest.is_empty() {
            if upper != Some(address >> 16) {
                upper = Some(address >> 16);
                let info = match how.addressing {
                    Addressing::Linear => Info::LinearAddress((address >> 16) as u16),
                    Addressing::Segment => Info::SegmentAddress((address >> 16 << 12) as u16),
                };
                push_info(page, info, how)?;
            }
            let room = (1 << 16) - (address & 0xffff) as usize;
            let (data, after) = rest.split_at(length.min(room).min(rest.len()));
            push_record(page, &mut record, address as u16, 0, data, how)?;
            address = address.wrapping_add(data.len() as u32);
            rest = after;
        }
    }
    match how.start {
        Some(Start::Linear(eip)) => push_info(page, Info::StartLinear(eip), how)?,
        Some(Start::Segment { cs, ip }) => push_info(page, Info::StartSegment { cs, ip }, how)?,
        None => {}
    }
    push_record(page, &mut record, 0, 1, &[], how)
}

fn push_info(page: &mut Page<'_>, info: Info, how: &WriteForm) -> io::Result<()> {
    let kind = match info {
        Info::SegmentAddress(_) => 2,
        Info::StartSegment { .. } => 3,
        Info::LinearAddress(_) => 4,
        Info::StartLinear(_) => 5,
    };
    let mut content = Cursor::new(Vec::new());
    // Writing into memory does not fail.
    let _ = info.write(&mut content);
    push_record(page, &mut Vec::new(), 0, kind, content.get_ref(), how)
}

fn push_record(
    page: &mut Page<'_>,
    record: &mut Vec<u8>,
    offset: u16,
    kind: u8,
    info: &[u8],
    how: &WriteForm,
) -> io::Result<()> {
    let [high, low] = offset.to_be_bytes();
    record.clear();
    record.extend_from_slice(&[info.len() as u8, high, low, kind]);
    record.extend_from_slice(info);
    record.push(pairs::sum(record).wrapping_neg());
    page.text.push(b':');
    pairs::push_all(&mut page.text, record);
    page.end(how.line_end.bytes())
}
