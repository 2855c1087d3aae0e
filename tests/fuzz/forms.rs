//! Mutated files for every reader of a file form, from a seed: the same seed gives the same files.
//!
//! Each execution takes a sound file, damages it in a few places (and often puts the checksum right again, so that
//! the damage gets past it), reads it, and holds the result against what must be true of every result.

use std::fmt;

use cellkeep::image::form::{ReadOptions, Style, WriteForm, detect, read, write};
use cellkeep::image::{Contents, Form, FormError, Packing, SparseBytes};

/// Every reader that takes bytes from a file.
pub(crate) const TARGETS: [&str; 6] = [
    "intel-hex",
    "s-record",
    "ti-txt",
    "listing",
    "detect",
    "packing",
];

/// SplitMix64 (Steele, Lea and Flood, 2014).
pub(crate) struct Random(pub(crate) u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ self.0 >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ z >> 31
    }

    /// A number below `n`, or 0 for none.
    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

/// What an execution came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Tally {
    /// Files that were read.
    pub(crate) read: u64,
    /// Files that were refused.
    pub(crate) refused: u64,
    /// Findings of the files read.
    pub(crate) findings: u64,
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} read with {} findings, {} refused",
            self.read, self.findings, self.refused
        )
    }
}

/// Runs one target so many times.
pub(crate) fn run(target: &str, seed: u64, executions: u64) -> Tally {
    let mut tally = Tally::default();
    let forms = [Form::IntelHex, Form::SRecord, Form::TiTxt, Form::Listing];
    for n in 0..executions {
        let mut random = Random(seed.wrapping_mul(0x1_0000_0001).wrapping_add(n));
        let form = match target {
            "intel-hex" => forms[0],
            "s-record" => forms[1],
            "ti-txt" => forms[2],
            "listing" => forms[3],
            _ => forms[random.below(4)],
        };
        let sound = sound_file(form, &mut random);
        match target {
            "packing" => pack(&mut random, &mut tally),
            "detect" => {
                let file = mutate(sound, &mut random);
                // The form is whatever it is; reading by it must hold as well.
                match detect(&file) {
                    Ok(form) => check(&file, form, &mut tally),
                    Err(_) => tally.refused += 1,
                }
            }
            _ => {
                let file = mutate(sound, &mut random);
                check(&file, form, &mut tally);
            }
        }
    }
    tally
}

/// A sound file of a form, of random contents and layout.
fn sound_file(form: Form, random: &mut Random) -> Vec<u8> {
    let mut bytes = SparseBytes::default();
    let mut address = random.next() as u32 >> [0, 12, 16, 24][random.below(4)];
    for _ in 0..=random.below(3) {
        let few = random.below(4) == 0;
        let run: Vec<u8> = (0..1 + random.below(40))
            .map(|_| if few { 0 } else { random.next() as u8 })
            .collect();
        bytes.append(address, &run);
        address = address.saturating_add(random.below(200) as u32 + run.len() as u32);
    }
    let style = [Style::Hexdump, Style::Xxd, Style::Od, Style::Plain][random.below(4)];
    if style == Style::Plain && form == Form::Listing {
        bytes = SparseBytes::from_run(0, bytes.segments()[0].bytes.clone());
    }
    let record_length = 1 + random.below(20) as u8;
    write(
        &bytes,
        0,
        &WriteForm {
            form,
            record_length,
            style,
            ..WriteForm::default()
        },
    )
    .unwrap()
}

/// Damages a file in a few places.
fn mutate(mut file: Vec<u8>, random: &mut Random) -> Vec<u8> {
    for _ in 0..random.below(5) {
        let at = random.below(file.len());
        match random.below(8) {
            0 if !file.is_empty() => file[at] ^= 1 << random.below(8),
            1 if !file.is_empty() => file[at] = b"0123456789ABCDEFSq:@*|>\r\n  "[random.below(27)],
            2 => file.truncate(at),
            3 => file.insert(at, random.next() as u8),
            4 if !file.is_empty() => {
                file.remove(at);
            }
            5 => {
                // A line twice, or in another place.
                let lines: Vec<&[u8]> = file.split_inclusive(|b| *b == b'\n').collect();
                let line = lines[random.below(lines.len())..]
                    .first()
                    .map(|l| l.to_vec())
                    .unwrap_or_default();
                file.splice(at..at, line);
            }
            6 => {
                let to = at + random.below(file.len() - at);
                file.drain(at..to);
            }
            _ => file.splice(at..at, *b"*\nffffffff\n").for_each(drop),
        }
    }
    if random.below(2) == 0 {
        file = mended_checksums(&file);
    }
    file
}

/// Puts the checksum of each line right that is a record of whole bytes.
fn mended_checksums(file: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(file.len());
    for line in file.split_inclusive(|b| *b == b'\n') {
        let body = line.trim_ascii_end();
        let skip = match body.first() {
            Some(b':') => 1,
            Some(b'S') => 2,
            _ => body.len(),
        };
        let digits = std::str::from_utf8(body.get(skip..).unwrap_or(b"")).unwrap_or("");
        let pairs: Option<Vec<u8>> = (0..digits.len() / 2)
            .map(|i| u8::from_str_radix(digits.get(2 * i..2 * i + 2)?, 16).ok())
            .collect();
        match pairs {
            Some(bytes) if bytes.len() > 1 && digits.len().is_multiple_of(2) => {
                let sum = bytes[..bytes.len() - 1]
                    .iter()
                    .fold(0u8, |s, b| s.wrapping_add(*b));
                let sum = if skip == 1 { sum.wrapping_neg() } else { !sum };
                out.extend_from_slice(&body[..body.len() - 2]);
                out.extend_from_slice(format!("{sum:02X}\n").as_bytes());
            }
            _ => out.extend_from_slice(line),
        }
    }
    out
}

/// Reads a file strictly and leniently and checks what must be true.
fn check(file: &[u8], form: Form, tally: &mut Tally) {
    let strict = ReadOptions {
        form: Some(form),
        skip_wrong_lines: false,
    };
    let lenient = ReadOptions {
        skip_wrong_lines: true,
        ..strict
    };
    let shown = || String::from_utf8_lossy(file).into_owned();
    match read(file, strict) {
        Ok(contents) => {
            tally.read += 1;
            tally.findings += contents.findings.len() as u64;
            sound(&contents, file);
            round_trip(&contents);
            // Where nothing is wrong there is nothing to skip.
            assert_eq!(read(file, lenient).as_ref(), Ok(&contents), "{}", shown());
        }
        Err(error) => {
            tally.refused += 1;
            assert!(!error.to_string().is_empty());
            if let FormError::WrongLines { lines, .. } = &error {
                assert!(!lines.is_empty());
                assert!(lines.windows(2).all(|w| w[0].line <= w[1].line), "{error}");
                let all = file.iter().filter(|b| matches!(b, b'\n' | b'\r')).count() + 1;
                assert!(lines.iter().all(|l| (1..=all).contains(&l.line)), "{error}");
                let contents = read(file, lenient).unwrap_or_else(|e| panic!("{e}\n{}", shown()));
                let told = contents
                    .findings
                    .iter()
                    .filter(|f| f.code == "file.wrong-line")
                    .count();
                assert_eq!(told, lines.len(), "{}", shown());
                sound(&contents, file);
            }
        }
    }
}

/// Runs ascend and do not touch, and no byte comes from nowhere.
fn sound(contents: &Contents, file: &[u8]) {
    let segments = contents.bytes.segments();
    assert!(
        segments
            .windows(2)
            .all(|w| w[0].end() < u64::from(w[1].start))
    );
    assert!(
        segments
            .iter()
            .all(|s| !s.bytes.is_empty() && s.end() <= 1 << 32)
    );
    let repeats = contents.form == Form::Listing && file.contains(&b'*');
    assert!(
        repeats || contents.form == Form::Binary || 2 * contents.bytes.count() <= file.len() as u64
    );
}

/// What was read is written and read again.
fn round_trip(contents: &Contents) {
    if contents.bytes.is_empty() || contents.bytes.count() > 1 << 16 {
        return; // the long rows of a repeated line are tested by the few that are shorter
    }
    for form in [Form::IntelHex, Form::SRecord, Form::TiTxt, Form::Listing] {
        let file = write(
            &contents.bytes,
            0,
            &WriteForm {
                form,
                ..WriteForm::default()
            },
        )
        .unwrap();
        let back = read(
            &file,
            ReadOptions {
                form: Some(form),
                ..ReadOptions::default()
            },
        )
        .unwrap();
        assert_eq!(back.bytes, contents.bytes, "{form:?}");
    }
}

/// Bytes through a packing and back.
fn pack(random: &mut Random, tally: &mut Tally) {
    let packings = [
        (Packing::Low, 1 + random.below(8) as u8),
        (Packing::HighNibble, 4),
        (Packing::BothNibbles, 4),
        (Packing::NibblesLowFirst, 4),
        (Packing::NibblesHighFirst, 4),
        (Packing::Bit(random.below(8) as u8), 1),
        (Packing::PackedLsbFirst, 1),
        (Packing::PackedMsbFirst, 1),
    ];
    let (packing, width) = packings[random.below(packings.len())];
    let mut bytes = SparseBytes::default();
    let mut address = random.below(50) as u32;
    for _ in 0..random.below(4) {
        let run: Vec<u8> = (0..1 + random.below(30))
            .map(|_| random.next() as u8)
            .collect();
        bytes.append(address, &run);
        address += run.len() as u32 + random.below(20) as u32;
    }
    let (base, words) = (random.below(60) as u32, 1 + random.below(300) as u32);
    let one = packing.unpack(&bytes, base, words, width).unwrap();
    let packed = packing.pack(&one.image).unwrap();
    let inside = bytes.count() - one.outside;
    assert!(packed.bytes.count() <= inside, "{packing}");
    let two = packing.unpack(&packed.bytes, 0, words, width).unwrap();
    // Unknown bits that share a byte with known ones come back as 0; all known bits come back as they were.
    for (cell, known) in one.image.known().iter().enumerate() {
        assert_eq!(
            two.image.known()[cell] & known,
            *known,
            "{packing} cell {cell}"
        );
        assert_eq!(
            two.image.values()[cell] & known,
            one.image.values()[cell],
            "{packing} cell {cell}"
        );
    }
    tally.read += 1;
}
