//! Files as device programmers leave them, written here from the published descriptions of the forms and not with
//! the program's own writers, so that reading the dumps checks its readers too.

use cellkeep::image::{ChipImage, Packing};

/// The form of a file.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Form {
    /// Raw bytes.
    Bin,
    /// Intel HEX, 16 bytes a record.
    Hex,
    /// Motorola S-record, S1, with a header and a count.
    Srec,
    /// A listing with addresses and a text column.
    Listing,
}

impl Form {
    pub(crate) fn ending(self) -> &'static str {
        match self {
            Form::Bin => "bin",
            Form::Hex => "hex",
            Form::Srec => "s19",
            Form::Listing => "txt",
        }
    }

    pub(crate) fn words(self) -> &'static str {
        match self {
            Form::Bin => "raw binary",
            Form::Hex => "Intel HEX",
            Form::Srec => "Motorola S-record",
            Form::Listing => "hex listing",
        }
    }
}

/// The bytes of a chip as a programmer's buffer holds them.
pub(crate) fn pack(image: &ChipImage, packing: Packing) -> Vec<u8> {
    let cells = image.values();
    let eight = |msb_first: bool| {
        cells
            .chunks(8)
            .map(|eight| {
                eight.iter().enumerate().fold(0, |byte, (i, cell)| {
                    byte | (cell & 1) << if msb_first { 7 - i } else { i }
                })
            })
            .collect()
    };
    match packing {
        Packing::Low => cells.to_vec(),
        Packing::HighNibble => cells.iter().map(|c| c << 4).collect(),
        Packing::Bit(n) => cells.iter().map(|c| (c & 1) << n).collect(),
        Packing::PackedLsbFirst => eight(false),
        Packing::PackedMsbFirst => eight(true),
        other => panic!("no demonstration uses the packing {other:?}"),
    }
}

/// A file of a form.
pub(crate) fn file(bytes: &[u8], form: Form) -> Vec<u8> {
    match form {
        Form::Bin => bytes.to_vec(),
        Form::Hex => intel_hex(bytes).into_bytes(),
        Form::Srec => s_record(bytes).into_bytes(),
        Form::Listing => listing(bytes).into_bytes(),
    }
}

/// Intel, "Hexadecimal Object File Format Specification", 1988: the bytes of a record sum to 0 modulo 256.
fn intel_hex(bytes: &[u8]) -> String {
    let mut out = String::new();
    for (i, chunk) in bytes.chunks(16).enumerate() {
        let at = i * 16;
        let mut record = vec![chunk.len() as u8, (at >> 8) as u8, at as u8, 0];
        record.extend(chunk);
        let sum = record.iter().fold(0u8, |s, b| s.wrapping_add(*b));
        record.push(sum.wrapping_neg());
        out.push(':');
        push_hex(&mut out, &record, "");
        out.push_str("\r\n");
    }
    out.push_str(":00000001FF\r\n");
    out
}

/// srec_motorola(5): length, address, data and checksum sum to FF modulo 256.
fn s_record(bytes: &[u8]) -> String {
    let mut out = String::new();
    let mut record = |kind: char, body: &[u8]| {
        let mut whole = vec![body.len() as u8 + 1];
        whole.extend(body);
        let sum = whole.iter().fold(0u8, |s, b| s.wrapping_add(*b));
        whole.push(!sum);
        out.push('S');
        out.push(kind);
        push_hex(&mut out, &whole, "");
        out.push('\n');
    };
    record('0', b"\0\0HDR");
    let mut count = 0u16;
    for (i, chunk) in bytes.chunks(32).enumerate() {
        let mut body = ((i * 32) as u16).to_be_bytes().to_vec();
        body.extend(chunk);
        record('1', &body);
        count += 1;
    }
    record('5', &count.to_be_bytes());
    record('9', &[0, 0]);
    out
}

fn listing(bytes: &[u8]) -> String {
    let mut out = String::new();
    for (i, chunk) in bytes.chunks(16).enumerate() {
        out.push_str(&format!("{:04X}: ", i * 16));
        push_hex(&mut out, chunk, " ");
        for _ in chunk.len()..16 {
            out.push_str("   ");
        }
        out.push(' ');
        for b in chunk {
            out.push(if (0x20..0x7f).contains(b) {
                *b as char
            } else {
                '.'
            });
        }
        out.push('\n');
    }
    out
}

fn push_hex(out: &mut String, bytes: &[u8], between: &str) {
    for b in bytes {
        out.push_str(&format!("{b:02X}{between}"));
    }
}
