//! Hex listings as tools print them: bytes in hex, with or without addresses and a column of text.
//!
//! Read are what `xxd`, `hexdump -C`, `od -t x1` and their like print, and plain columns of hex. Addresses may
//! be hex, octal or decimal: the one base is taken in which the lines follow each other. A line `*` stands for
//! repetitions of the line before it.

use std::io;

use super::collect::Collector;
use super::form::{Contents, Form, FormError, MAX_FLAT, WriteForm};
use super::lines::{WrongLines, at_line, lines};
use super::page::Page;
use super::{SparseBytes, pairs};
use crate::finding::{Finding, Severity};

/// A line taken apart.
struct Row<'a> {
    number: usize,
    line: &'a [u8],
    /// Digits of the address.
    address: Option<&'a [u8]>,
    /// The address ends in a colon, as `xxd` has it.
    colon: bool,
    body: Body<'a>,
}

enum Body<'a> {
    /// `*`: the row before is repeated.
    Repeat,
    /// Only an address: where the listing ends.
    End,
    Data {
        groups: Vec<&'a [u8]>,
        /// Numbers of groups after which a column of text may begin, ascending; the last one is certain if
        /// `text` is.
        cuts: Vec<Cut>,
        /// Something that cannot be hex follows the groups.
        text: bool,
    },
}

/// A place where the hex of a row may end.
#[derive(Clone, Copy)]
struct Cut {
    groups: usize,
    bytes: usize,
    /// How many characters follow.
    rest: usize,
}

/// Reads a listing.
pub(super) fn read(text: &[u8], skip_wrong_lines: bool) -> Result<Contents, FormError> {
    let mut wrong = WrongLines::new(Form::Listing, skip_wrong_lines);
    let mut rows = Vec::new();
    for (number, line) in lines(text) {
        if line.is_empty() {
            continue;
        }
        match take_apart(number, line) {
            Ok(row) => rows.push(row),
            Err(says) => wrong.add(number, line, says),
        }
    }
    bare_digits_are_bytes(&mut rows);
    if reversed(&rows) {
        for row in rows.iter().filter(|r| matches!(r.body, Body::Data { .. })) {
            let says = "the text beside the hex shows that its groups hold their bytes in reverse order; print the bytes one by one (xxd -g1)";
            wrong.add(row.number, row.line, says.to_owned());
        }
        rows.clear();
    }
    let base = address_base(&rows);
    let mut reader = Reader {
        base,
        has_text: rows
            .iter()
            .any(|r| matches!(r.body, Body::Data { text: true, .. })),
        at: 0,
        last: Vec::new(),
        repeated: 0,
        swapped: None,
        bytes: Collector::of(text),
    };
    let mut contents = Contents::new(Form::Listing);
    for (i, row) in rows.iter().enumerate() {
        let next = rows.get(i + 1).and_then(|r| value(r.address?, base));
        if let Err(says) = reader.row(row, next, &mut contents.findings)? {
            wrong.add(row.number, row.line, says);
        }
    }
    wrong.settle(&mut contents.findings)?;
    if let Some(line) = reader.swapped {
        let says = "groups of four digits after an address without a colon are taken as little-endian words, as od -x and hexdump print them";
        let finding = at_line("file.words", Severity::Caution, line, says.to_owned());
        contents
            .findings
            .push(finding.act("print the bytes one by one (hexdump -C, od -t x1, xxd) to be sure"));
    }
    contents.bytes = reader.bytes.finish(&mut contents.findings);
    Ok(contents)
}

/// Splits a line into address, groups of hex, and what may be text.
fn take_apart(number: usize, line: &[u8]) -> Result<Row<'_>, String> {
    if line == b"*" {
        return Ok(Row {
            number,
            line,
            address: None,
            colon: false,
            body: Body::Repeat,
        });
    }
    let mut tokens = tokens(line).peekable();
    let mut row = Row {
        number,
        line,
        address: None,
        colon: false,
        body: Body::End,
    };
    let Some(&(column, first)) = tokens.peek() else {
        return Err("the line is blank".to_owned());
    };
    let bare = first.strip_suffix(b":").unwrap_or(first);
    let after = line
        .get(column + first.len()..)
        .unwrap_or(b"")
        .trim_ascii_start();
    let second = after.iter().take_while(|b| pairs::is_digit(**b)).count();
    row.colon = bare.len() < first.len();
    let is_address = is_hex(bare)
        && bare.len() <= 16
        && (row.colon
            || bare.len() >= 4 && (after.is_empty() || second >= 2 && bare.len() > second));
    if is_address {
        row.address = Some(bare);
        tokens.next();
    }
    let mut groups: Vec<&[u8]> = Vec::new();
    let (mut cuts, mut text, mut bytes) = (Vec::new(), false, 0);
    let mut end = 0;
    for (at, token) in tokens {
        let wide = !groups.is_empty() && at - end >= 2;
        if wide {
            cuts.push(Cut {
                groups: groups.len(),
                bytes,
                rest: line.len() - at,
            });
            let fenced = matches!(
                (token[0], line.last()),
                (b'|', Some(b'|')) | (b'>', Some(b'<'))
            );
            if fenced && line.len() > at + 1 {
                text = true;
                cuts.drain(..cuts.len() - 1);
                break;
            }
        }
        let uniform = groups.iter().all(|g| g.len() == groups[0].len());
        let fits = is_hex(token)
            && token.len().is_multiple_of(2)
            && uniform
            && groups.first().is_none_or(|g| token.len() <= g.len());
        if !fits {
            if cuts.is_empty() {
                return Err(format!(
                    "'{}' is no byte in hex",
                    super::lines::shown(token)
                ));
            }
            text = true;
            break;
        }
        groups.push(token);
        bytes += token.len() / 2;
        end = at + token.len();
    }
    if groups.is_empty() {
        return match row.address {
            Some(_) => Ok(row),
            None => Err("there is no byte in hex".to_owned()),
        };
    }
    if !text {
        cuts.push(Cut {
            groups: groups.len(),
            bytes,
            rest: 0,
        });
    }
    row.body = Body::Data { groups, cuts, text };
    Ok(row)
}

/// Whether the column of text says that the groups of hex hold their bytes in reverse order, as `xxd -e` prints them.
/// Without text, such a listing cannot be told from one with its bytes in order.
fn reversed(rows: &[Row]) -> bool {
    let mut found = false;
    for row in rows.iter().filter(|r| r.colon) {
        match (beside(row, false), beside(row, true)) {
            (true, false) => return false,
            (false, true) => found = true,
            _ => {}
        }
    }
    found
}

/// Whether a row ends in the text of its bytes: each one as its ASCII character, or as a dot.
fn beside(row: &Row, reverse: bool) -> bool {
    let Body::Data { groups, cuts, .. } = &row.body else {
        return false;
    };
    cuts.iter().filter(|c| c.rest > 0).any(|cut| {
        let Some(start) = row.line.len().checked_sub(cut.bytes) else {
            return false;
        };
        let mut buffer = vec![0; row.line.len()];
        let mut text = row.line[start..].iter();
        groups[..cut.groups].iter().all(|group| {
            let Ok(bytes) = pairs::decode(group, &mut buffer) else {
                return false;
            };
            let mut bytes = bytes.to_vec();
            if reverse {
                bytes.reverse();
            }
            bytes.iter().all(|b| {
                let shows = if (b' '..=b'~').contains(b) { *b } else { b'.' };
                text.next() == Some(&shows)
            })
        })
    })
}

/// A line of digits alone ends a listing that has addresses, and is bytes in one that has none.
fn bare_digits_are_bytes(rows: &mut [Row]) {
    let addressed = |r: &Row| r.address.is_some() && !matches!(r.body, Body::End);
    if rows.iter().any(addressed) {
        return;
    }
    for row in rows
        .iter_mut()
        .filter(|r| !r.colon && matches!(r.body, Body::End))
    {
        if let Some(digits) = row.address.take() {
            let bytes = digits.len() / 2;
            let cuts = vec![Cut {
                groups: 1,
                bytes,
                rest: 0,
            }];
            row.body = Body::Data {
                groups: vec![digits],
                cuts,
                text: false,
            };
        }
    }
}

/// The tokens of a line with their columns.
fn tokens(line: &[u8]) -> impl Iterator<Item = (usize, &[u8])> {
    let parts = line.split(|b| matches!(b, b' ' | b'\t' | b','));
    parts
        .scan(0, |at, part| {
            let start = *at;
            *at += part.len() + 1;
            Some((
                start,
                part.strip_prefix(b"0x")
                    .map_or((start, part), |p| (start, p)),
            ))
        })
        .map(|(_, token)| token)
        .filter(|(_, token)| !token.is_empty())
}

/// Whether a line may be one of a listing: it begins with hex digits, and what stands behind an address too.
pub(super) fn looks_like(line: &[u8]) -> bool {
    line == b"*" || take_apart(0, line).is_ok()
}

fn is_hex(token: &[u8]) -> bool {
    !token.is_empty() && token.iter().all(|b| pairs::is_digit(*b))
}

/// The value of an address in a base.
fn value(digits: &[u8], base: u32) -> Option<u64> {
    u64::from_str_radix(std::str::from_utf8(digits).ok()?, base).ok()
}

/// The base in which most lines begin where the one before ends.
fn address_base(rows: &[Row]) -> u32 {
    let follows = |base: u32| {
        let steps = rows.windows(2).filter(|pair| {
            let [one, next] = pair else { return false };
            let addresses = one.address.zip(next.address);
            let Some((from, to)) =
                addresses.and_then(|(a, b)| Some((value(a, base)?, value(b, base)?)))
            else {
                return false;
            };
            match &one.body {
                Body::Data { cuts, .. } => cuts
                    .iter()
                    .any(|c| from.checked_add(c.bytes as u64) == Some(to)),
                _ => false,
            }
        });
        steps.count()
    };
    // An address that is no number to a base speaks against it; one may be a damaged line.
    let score = |base: u32| {
        let strange = |r: &&Row| r.address.is_some_and(|a| value(a, base).is_none());
        follows(base) as i64 - 2 * rows.iter().filter(strange).count() as i64
    };
    // A text between bars is printed by hexdump -C, which always counts in hex.
    if rows.iter().any(|r| r.line.ends_with(b"|")) {
        return 16;
    }
    // Where nothing tells: od prints seven octal digits before single bytes, all others print hex.
    let of_od = |r: &Row| {
        let bytes = match &r.body {
            Body::Data { groups, .. } => groups.iter().all(|g| g.len() == 2),
            _ => true,
        };
        bytes && !r.colon && r.address.is_none_or(|a| a.len() == 7)
    };
    let order = if rows.iter().all(of_od) {
        [8, 16, 10]
    } else {
        [16, 8, 10]
    };
    // `max_by_key` takes the last of equals.
    order
        .into_iter()
        .rev()
        .max_by_key(|base| score(*base))
        .unwrap_or(16)
}

/// Reading in progress.
struct Reader {
    base: u32,
    /// Some row certainly has a column of text.
    has_text: bool,
    /// The address after the row before.
    at: u64,
    /// The bytes of the row before.
    last: Vec<u8>,
    /// The line of a `*` that awaits the next address.
    repeated: usize,
    /// The first line whose groups were taken as little-endian words.
    swapped: Option<usize>,
    bytes: Collector,
}

impl Reader {
    /// Reads a row. The inner error makes its line a wrong one.
    fn row(
        &mut self,
        row: &Row,
        next: Option<u64>,
        findings: &mut Vec<Finding>,
    ) -> Result<Result<(), String>, FormError> {
        let address = match row.address.map(|a| value(a, self.base)) {
            Some(None) => {
                return Ok(Err(format!(
                    "the address is no number to base {}",
                    self.base
                )));
            }
            Some(Some(address)) => Some(address),
            None => None,
        };
        if address.is_some_and(|a| a > 1 << 32) {
            return Ok(Err("the address is beyond FFFFFFFF".to_owned()));
        }
        if self.repeated > 0
            && let Some(address) = address
            && let Err(says) = self.repeat(address)?
        {
            return Ok(Err(says));
        }
        match &row.body {
            Body::Repeat => {
                if self.last.is_empty() {
                    return Ok(Err(
                        "'*' repeats the line before, and there is none".to_owned()
                    ));
                }
                if next.is_none() {
                    return Ok(Err("'*' needs an address on the line after it".to_owned()));
                }
                self.repeated = row.number;
            }
            Body::End => {
                let end = address.unwrap_or(self.at);
                if end != self.at && !self.last.is_empty() {
                    let says = format!(
                        "the listing says it ends at {end:#x}, and its lines end at {:#x}",
                        self.at
                    );
                    findings.push(at_line("file.count", Severity::Caution, row.number, says));
                }
            }
            Body::Data { groups, cuts, text } => {
                let start = address.unwrap_or(self.at);
                let step = address.and_then(|a| next?.checked_sub(a));
                let cut = choose(cuts, *text, self.has_text, row.colon, step);
                let data = match self.decode(row, &groups[..cut.groups]) {
                    Ok(data) => data,
                    Err(says) => return Ok(Err(says)),
                };
                self.last = data;
                if let Err(says) = self.add(start, row.number) {
                    return Ok(Err(says));
                }
            }
        }
        Ok(Ok(()))
    }

    fn decode(&mut self, row: &Row, groups: &[&[u8]]) -> Result<Vec<u8>, String> {
        let mut data = Vec::with_capacity(16);
        let mut buffer = vec![0; row.line.len()];
        let widest = groups.first().map_or(0, |g| g.len());
        let words = widest > 2 && row.address.is_some() && !row.colon;
        if words && widest != 4 {
            return Err(format!(
                "groups of {widest} digits may be in either byte order; print the bytes one by one"
            ));
        }
        for group in groups {
            let bytes = pairs::decode(group, &mut buffer)?;
            match words {
                true => data.extend(bytes.iter().rev()),
                false => data.extend_from_slice(bytes),
            }
        }
        if words {
            self.swapped.get_or_insert(row.number);
        }
        Ok(data)
    }

    /// Adds the bytes of the row before at an address.
    fn add(&mut self, start: u64, line: usize) -> Result<(), String> {
        let added = u32::try_from(start).is_ok_and(|at| self.bytes.add(at, &self.last, line));
        self.at = start + self.last.len() as u64;
        if added {
            Ok(())
        } else {
            Err("the line passes the last address, FFFFFFFF".to_owned())
        }
    }

    /// Repeats the row before up to an address.
    fn repeat(&mut self, until: u64) -> Result<Result<(), String>, FormError> {
        let line = std::mem::take(&mut self.repeated);
        let length = until.saturating_sub(self.at);
        if self.bytes.count().saturating_add(length) > MAX_FLAT {
            return Err(FormError::TooLarge {
                what: "the repeated lines stand for",
                bytes: length,
                limit: MAX_FLAT,
            });
        }
        let row = self.last.len() as u64;
        if row == 0 || !length.is_multiple_of(row) {
            return Ok(Err(format!(
                "'*' on line {line} stands for {length} bytes, which is no multiple of the {row} of the line before it"
            )));
        }
        while self.at < until {
            if let Err(says) = self.add(self.at, line) {
                return Ok(Err(says));
            }
        }
        Ok(Ok(()))
    }
}

/// Where the hex of a row ends: where the next address says, else where a text as long as the bytes begins.
fn choose(cuts: &[Cut], text: bool, has_text: bool, colon: bool, step: Option<u64>) -> Cut {
    let nothing = Cut {
        groups: 0,
        bytes: 0,
        rest: 0,
    };
    let stepped = cuts.iter().find(|c| Some(c.bytes as u64) == step);
    if let Some(cut) = stepped {
        return *cut;
    }
    let matching = cuts.iter().find(|c| c.rest > 0 && c.rest == c.bytes);
    match matching {
        Some(cut) if text || has_text || colon => *cut,
        _ => cuts.last().copied().unwrap_or(nothing),
    }
}

/// How a listing is laid out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Style {
    /// Address, bytes and text, as `hexdump -v -C` prints them.
    #[default]
    Hexdump,
    /// Address, pairs of bytes and text, as `xxd` prints them.
    Xxd,
    /// Octal address and bytes, as `od -v -t x1` prints them.
    Od,
    /// Bytes alone; gaps are filled.
    Plain,
}

/// Writes a listing with sixteen bytes a line. Gaps show in the addresses; `Style::Plain` has none, so what it is
/// given must begin at 0 and have no gap.
pub(super) fn write(bytes: &SparseBytes, how: &WriteForm, page: &mut Page<'_>) -> io::Result<()> {
    let end = how.line_end.bytes();
    for segment in bytes.segments() {
        for (i, row) in segment.bytes.chunks(16).enumerate() {
            let address = segment.start + 16 * i as u32;
            let text = &mut page.text;
            match how.style {
                Style::Hexdump => hexdump_row(text, address, row),
                Style::Xxd => xxd_row(text, address, row),
                Style::Od => {
                    text.extend_from_slice(format!("{address:07o}").as_bytes());
                    spaced(text, row, 1);
                }
                Style::Plain => {
                    spaced(text, row, 1);
                    text.remove(text.len() - 3 * row.len());
                }
            }
            page.end(end)?;
        }
    }
    let last = match how.style {
        Style::Hexdump => format!("{:08x}", bytes.end()),
        Style::Od => format!("{:07o}", bytes.end()),
        Style::Xxd | Style::Plain => return Ok(()),
    };
    page.text.extend_from_slice(last.as_bytes());
    page.end(end)
}

/// Appends groups of `size` bytes in lower-case hex, a blank before each.
fn spaced(text: &mut Vec<u8>, row: &[u8], size: usize) {
    for group in row.chunks(size) {
        text.push(b' ');
        for byte in group {
            text.extend_from_slice(format!("{byte:02x}").as_bytes());
        }
    }
}

/// Appends the bytes as text, a dot for what cannot be printed.
fn readable(text: &mut Vec<u8>, row: &[u8]) {
    text.extend(
        row.iter()
            .map(|b| if (0x20..0x7f).contains(b) { *b } else { b'.' }),
    );
}

fn hexdump_row(text: &mut Vec<u8>, address: u32, row: &[u8]) {
    text.extend_from_slice(format!("{address:08x} ").as_bytes());
    let start = text.len();
    let (left, right) = row.split_at(row.len().min(8));
    spaced(text, left, 1);
    text.push(b' ');
    spaced(text, right, 1);
    text.resize(start + 51, b' ');
    text.push(b'|');
    readable(text, row);
    text.push(b'|');
}

fn xxd_row(text: &mut Vec<u8>, address: u32, row: &[u8]) {
    text.extend_from_slice(format!("{address:08x}:").as_bytes());
    let start = text.len();
    spaced(text, row, 2);
    text.resize(start + 42, b' ');
    readable(text, row);
}
