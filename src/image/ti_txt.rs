//! TI-TXT: `@` and an address in hex, then lines of bytes in hex, at last `q`.

use std::io;

use super::collect::Collector;
use super::form::{Contents, Form, FormError, WriteForm};
use super::lines::{WrongLines, at_line, lines};
use super::page::Page;
use super::{SparseBytes, pairs};
use crate::finding::{Finding, Severity};

/// Reads a file.
pub(super) fn read(text: &[u8], skip_wrong_lines: bool) -> Result<Contents, FormError> {
    let mut wrong = WrongLines::new(Form::TiTxt, skip_wrong_lines);
    let mut contents = Contents::new(Form::TiTxt);
    let mut bytes = Collector::of(text);
    // `None` before the first address, and where a wrong line leaves the address in doubt.
    let mut address: Option<u64> = None;
    let mut ended = false;
    let mut doubted = 0;
    let mut lost = false;
    let mut after_end: Option<(usize, usize)> = None;
    for (number, line) in lines(text) {
        let line = line.trim_ascii_start();
        if line.is_empty() {
            continue;
        }
        if ended {
            after_end.get_or_insert((number, 0)).1 += 1;
            continue;
        }
        let read = match line {
            b"q" | b"Q" => {
                ended = true;
                Ok(())
            }
            [b'@', digits @ ..] => parse_address(digits).map(|at| address = Some(at)),
            _ if address.is_none() && lost => {
                doubted += 1;
                Ok(())
            }
            _ => data(line, number, &mut address, &mut bytes),
        };
        if let Err(says) = read {
            wrong.add(number, line, says);
            // How many bytes a wrong line had is not known, so what follows has no address.
            address = None;
            lost = true;
        }
    }
    wrong.settle(&mut contents.findings)?;
    let findings = &mut contents.findings;
    if doubted > 0 {
        let says = format!(
            "{doubted} lines are left out as well: a line lost before them leaves their address in doubt"
        );
        findings.push(Finding::new(
            "file.address-in-doubt",
            Severity::Damage,
            says,
        ));
    }
    if !ended {
        let says = "there is no 'q' at the end: the file may be cut short";
        findings.push(Finding::new("file.no-end", Severity::Caution, says));
    }
    if let Some((line, count)) = after_end {
        let says = format!("{count} lines after the 'q' are not read");
        findings.push(at_line("file.after-end", Severity::Caution, line, says));
    }
    contents.bytes = bytes.finish(findings);
    Ok(contents)
}

fn parse_address(digits: &[u8]) -> Result<u64, String> {
    let text = std::str::from_utf8(digits).unwrap_or("");
    let plain = digits.iter().all(|b| pairs::is_digit(*b));
    let address = u32::from_str_radix(text, 16).ok().filter(|_| plain);
    address
        .map(u64::from)
        .ok_or_else(|| "'@' is followed by an address of 1 to 8 hex digits".to_owned())
}

/// Reads a line of bytes and moves the address on.
fn data(
    line: &[u8],
    number: usize,
    address: &mut Option<u64>,
    bytes: &mut Collector,
) -> Result<(), String> {
    let Some(at) = *address else {
        return Err("there is no '@' and address before the first bytes".to_owned());
    };
    let mut values = Vec::with_capacity(16);
    for token in line
        .split(u8::is_ascii_whitespace)
        .filter(|t| !t.is_empty())
    {
        let mut byte = [0];
        match pairs::decode(token, &mut byte) {
            Ok([value]) => values.push(*value),
            _ => {
                return Err(format!(
                    "'{}' is not a byte of two hex digits",
                    token.escape_ascii()
                ));
            }
        }
    }
    let start = u32::try_from(at).ok();
    if !start.is_some_and(|start| bytes.add(start, &values, number)) {
        return Err("the line passes the last address, FFFFFFFF".to_owned());
    }
    *address = Some(at + values.len() as u64);
    Ok(())
}

/// Writes a file, sixteen bytes a line or as many as asked for.
pub(super) fn write(bytes: &SparseBytes, how: &WriteForm, page: &mut Page<'_>) -> io::Result<()> {
    let length = usize::from(how.record_length.max(1));
    let end = how.line_end.bytes();
    for segment in bytes.segments() {
        let address = format!("@{:04X}", segment.start);
        page.text.extend_from_slice(address.as_bytes());
        page.end(end)?;
        for line in segment.bytes.chunks(length) {
            for (i, byte) in line.iter().enumerate() {
                if i > 0 {
                    page.text.push(b' ');
                }
                pairs::push(&mut page.text, *byte);
            }
            page.end(end)?;
        }
    }
    page.text.push(b'q');
    page.end(end)
}
