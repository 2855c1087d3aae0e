//! Fitting a file's bytes into a chip: geometry, load offset, and everything that does not fit.

use super::chip_place;
use crate::finding::{CellRun, ChipPlace, Finding, Place, Severity};
use crate::image::{ChipImage, Contents, Form, MAX_WORDS, Packing, PackingError, SparseBytes};

/// What a chip should be, as far as it is known.
#[derive(Clone, Copy, Debug)]
pub(super) struct Expected {
    pub words: Option<u32>,
    pub width: u8,
    pub packing: Packing,
    pub load_offset: Option<u32>,
}

/// A chip made of a file's bytes.
pub(super) struct Fitted {
    pub image: ChipImage,
    pub load_offset: u32,
    pub findings: Vec<Finding>,
}

/// Collects findings about one chip's file.
struct Notes<'a> {
    chip: &'a str,
    file: &'a str,
    findings: Vec<Finding>,
}

impl Notes<'_> {
    fn add(&mut self, code: &str, severity: Severity, says: String) -> &mut Finding {
        let says = format!("chip {}, file {}: {says}", self.chip, self.file);
        let at = self.findings.len();
        self.findings
            .push(Finding::new(code, severity, says).at(chip_place(self.chip)));
        &mut self.findings[at]
    }
}

/// Makes a chip of a file's bytes.
pub(super) fn fit(
    chip: &str,
    file: &str,
    contents: &Contents,
    expected: Expected,
) -> Result<Fitted, PackingError> {
    let mut notes = Notes {
        chip,
        file,
        findings: contents.findings.clone(),
    };
    for finding in &mut notes.findings {
        finding.says = format!("chip {chip}, file {file}: {}", finding.says);
        finding.place.chips = chip_place(chip).chips;
    }
    let Expected { width, packing, .. } = expected;
    let bytes = &contents.bytes;
    let (words, base) = match expected.words {
        Some(words) => {
            let base = expected
                .load_offset
                .unwrap_or_else(|| guess_base(bytes, packing.bytes_for(words)));
            (words, base)
        }
        None => guess_geometry(bytes, contents.form, expected, &mut notes),
    };
    if base != 0 && expected.load_offset.is_none() {
        notes.add(
            "file.load-offset",
            Severity::Note,
            format!("the file's addresses begin at {base:#x}; that is taken as cell 0"),
        );
    }
    let unpacked = packing.unpack(bytes, base, words, width)?;
    if expected.words.is_some() {
        length(contents, words, width, packing, base, &mut notes);
    }
    if unpacked.spare_bytes > 0 {
        spare(&unpacked, width, &mut notes);
    }
    if !unpacked.disagreeing.is_empty() {
        let cells = runs(&unpacked.disagreeing);
        let n = unpacked.disagreeing.len();
        let says =
            format!("the two nibbles of {n} bytes disagree; the bits that differ are unknown");
        let finding = notes.add("file.nibbles-differ", Severity::Damage, says);
        finding.place.chips = vec![ChipPlace {
            chip: chip.to_owned(),
            cells,
            ..ChipPlace::default()
        }];
        finding.act =
            Some("read the chip again; see whether the file is packed some other way".to_owned());
    }
    Ok(Fitted {
        image: unpacked.image,
        load_offset: base,
        findings: notes.findings,
    })
}

/// The load offset of bytes that belong to a chip of `length` bytes: 0 where any lies in the chip then, else the
/// multiple of the length below the first.
fn guess_base(bytes: &SparseBytes, length: u32) -> u32 {
    match bytes.first() {
        Some(first) if first >= length => first - first % length.max(1),
        _ => 0,
    }
}

/// The smallest plausible chip that holds the bytes, with its load offset.
fn guess_geometry(
    bytes: &SparseBytes,
    form: Form,
    expected: Expected,
    notes: &mut Notes,
) -> (u32, u32) {
    let (first, end) = (bytes.first().unwrap_or(0), bytes.end());
    // Programmers number a chip's own cells; addresses beyond 64 Ki are somebody's memory map.
    let base = expected.load_offset.unwrap_or(if end <= 1 << 16 {
        0
    } else {
        let span = (end - u64::from(first)).next_power_of_two();
        (u64::from(first) / span * span) as u32
    });
    let length = end.saturating_sub(u64::from(base)).max(1);
    let length = if form == Form::Binary {
        length
    } else {
        length.next_power_of_two()
    };
    let cells = length.saturating_mul(u64::from(expected.packing.cells_a_byte()));
    let words = cells.min(u64::from(MAX_WORDS)) as u32;
    let taken = format!(
        "taken as {words} x {}; no layout says how large the chip is",
        expected.width
    );
    let name_it = "name the layout; `cellkeep convert` takes --words and --width";
    if form != Form::Binary {
        notes
            .add("file.geometry-guessed", Severity::Note, taken)
            .act = Some(name_it.to_owned());
    } else if !length.is_power_of_two() {
        // Every static RAM has as many words as its address lines select.
        let says =
            format!("no memory chip has {words} cells, so the file may be cut short; {taken}");
        notes
            .add("file.geometry-guessed", Severity::Caution, says)
            .act = Some(format!(
            "see that the whole chip was read and saved; if it was, {name_it}"
        ));
    }
    (words, base)
}

/// Reports a file that is not as long as the chip.
fn length(
    contents: &Contents,
    words: u32,
    width: u8,
    packing: Packing,
    base: u32,
    notes: &mut Notes,
) {
    let bytes = &contents.bytes;
    let want = u64::from(packing.bytes_for(words));
    let chip_end = u64::from(base) + want;
    let inside = bytes.crop(base, chip_end);
    let beyond = bytes.count() - inside.count();
    let expected = format!("{want} bytes expected for {words} x {width}, packing {packing}");
    if beyond > 0 {
        let mut says = format!("{} bytes, {expected}; ", bytes.count());
        let copies = is_repeated(bytes, base, want);
        match copies {
            Some(n) => {
                says += &format!("the file holds the same contents {n} times, the first is used")
            }
            None => says += &format!("{beyond} bytes beyond the chip are left out"),
        }
        let severity = if copies.is_some() {
            Severity::Note
        } else {
            Severity::Caution
        };
        let finding = notes.add("file.long", severity, says);
        finding.means = other_packing(bytes.count(), words, width, packing).or_else(|| {
            let means = "if it is another chip's or another instrument's file, no other finding says anything about it";
            copies.is_none().then(|| means.to_owned())
        });
        finding.act = Some(match copies {
            Some(_) => {
                "the programmer was set to a larger part; set it to the part fitted".to_owned()
            }
            None => {
                "check that this is the file of this chip, and the part the programmer was set to; `cellkeep identify` tells which layouts fit it"
                    .to_owned()
            }
        });
    }
    let lacking = want - inside.count();
    if lacking > 0 {
        let severity = match contents.form {
            Form::Binary => Severity::Damage,
            _ => Severity::Caution,
        };
        let says = format!(
            "{} bytes, {expected}; {lacking} are unknown",
            inside.count()
        );
        let finding = notes.add("file.short", severity, says);
        finding.means = other_packing(bytes.count(), words, width, packing);
        finding.act =
            Some("check the part the programmer was set to, and read the chip again; `cellkeep identify` tells which layouts fit the file".to_owned());
    }
}

/// How often the file holds the same `length` bytes, if it holds nothing else.
fn is_repeated(bytes: &SparseBytes, base: u32, length: u64) -> Option<u64> {
    let [only] = bytes.segments() else {
        return None;
    };
    let length = usize::try_from(length).ok().filter(|n| *n > 0)?;
    let (first, rest) = only.bytes.split_at_checked(length)?;
    let whole = only.start == base && !rest.is_empty() && rest.len() % length == 0;
    let same = whole && rest.chunks(length).all(|c| c == first);
    same.then(|| (rest.len() / length + 1) as u64)
}

/// Says which other packings the length would be right for.
fn other_packing(count: u64, words: u32, width: u8, packing: Packing) -> Option<String> {
    let others: &[Packing] = match width {
        4 => &[Packing::Low, Packing::NibblesLowFirst],
        1 => &[Packing::Low, Packing::PackedLsbFirst],
        _ => return None,
    };
    let fits = |p: &&Packing| {
        p.cells_a_byte() != packing.cells_a_byte() && u64::from(p.bytes_for(words)) == count
    };
    let other = others.iter().find(fits)?;
    Some(format!(
        "the length is that of {} cells a byte; if the file is packed so, give --packing (such as {other})",
        other.cells_a_byte()
    ))
}

/// Reports bits that hold no cell and are not 0.
fn spare(unpacked: &crate::image::Unpacked, width: u8, notes: &mut Notes) {
    match unpacked.spare_constant {
        Some(bits) => {
            let says = format!(
                "the bits beyond the {width} data lines read {bits:#04x} throughout; they are left out"
            );
            notes.add("file.spare-bits", Severity::Note, says);
        }
        None => {
            let says = format!(
                "{} bytes have bits beyond the {width} data lines that vary; they are left out",
                unpacked.spare_bytes
            );
            let finding = notes.add("file.spare-bits", Severity::Caution, says);
            finding.otherwise = vec![
                "the file is packed some other way".to_owned(),
                "it is the file of another chip".to_owned(),
            ];
            finding.act = Some("check the packing (--packing) and the file".to_owned());
        }
    }
}

/// Ascending cells as runs.
fn runs(cells: &[u32]) -> Vec<CellRun> {
    let mut runs: Vec<CellRun> = Vec::new();
    for &cell in cells {
        match runs.last_mut() {
            Some(run) if run.last + 1 == cell => run.last = cell,
            _ => runs.push(CellRun {
                first: cell,
                last: cell,
            }),
        }
    }
    runs
}

/// The finding of two chips whose files have each other's length.
pub(super) fn swapped(one: &str, other: &str) -> Finding {
    let says = format!(
        "the files of chips {one} and {other} have each other's length: their names look swapped"
    );
    let chips = [one, other].map(|id| ChipPlace {
        chip: id.to_owned(),
        ..ChipPlace::default()
    });
    Finding::new("reading.swapped", Severity::Damage, says)
        .at(Place {
            chips: chips.to_vec(),
            ..Place::default()
        })
        .act(format!(
            "look at the board, then name the files: {one}=FILE,{other}=FILE"
        ))
}
