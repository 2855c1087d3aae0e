//! Writing a reading into a new folder: a file per chip, and `reading.json`.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use super::folder::{Former, NewFolder, put_back};
use super::gather::read_record;
use super::record::{ChipRecord, RECORD_NAME, ReadingRecord, recorded_provenance, unknown_runs};
use super::{ChipReading, Reading, sha256_hex};
use crate::blame::{Blame, DiskError, Who};
use crate::document;
use crate::image::form::{self, WriteForm};
use crate::image::{ChipImage, FormError, Packing, PackingError};

/// How to write a reading.
#[derive(Clone, Debug, Default)]
pub struct WriteOptions {
    /// The form of the chip files.
    pub form: WriteForm,
    /// The packing of the chip files; without it each chip keeps the one it was read with.
    pub packing: Option<Packing>,
    /// Replace a reading that is already there.
    pub replace: bool,
    /// Places that must not be written to besides those the chips were read from.
    pub keep_off: Vec<PathBuf>,
    /// Other documents to lay into the folder, by file name, such as the record of an edit.
    pub also: Vec<(String, Vec<u8>)>,
    /// What the files hold at bits that the reading does not know, chip by chip; 0 where this knows no more. The record has
    /// these bits as unknown all the same.
    pub held: Vec<ChipImage>,
}

/// What was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// The folder.
    pub folder: PathBuf,
    /// Names of the files in it, `reading.json` last.
    pub files: Vec<String>,
    /// Where the former reading lies, if it was replaced and could not be removed.
    pub left: Option<PathBuf>,
}

/// Why a reading could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The disk refused.
    #[error(transparent)]
    Disk(#[from] DiskError),
    /// The output is the input, or lies around it.
    #[error("{} was read from; a reading is never written onto its input", .0.display())]
    OntoInput(PathBuf),
    /// What would be replaced is no reading.
    #[error("{} is there and holds no reading; only a reading is replaced", .0.display())]
    NotAReading(PathBuf),
    /// A packing does not fit a chip.
    #[error("chip {chip}: {source}")]
    Packing {
        /// The chip.
        chip: String,
        /// What does not fit.
        source: PackingError,
    },
    /// A form cannot hold a chip.
    #[error("chip {chip}: {source}")]
    Form {
        /// The chip.
        chip: String,
        /// What it cannot hold.
        source: FormError,
    },
    /// The document could not be made.
    #[error("reading.json cannot be made: {0}")]
    Json(#[from] serde_json::Error),
}

impl Blame for WriteError {
    fn who(&self) -> Who {
        match self {
            WriteError::Disk(e) => e.who(),
            _ => Who::Caller,
        }
    }

    fn hint(&self) -> Option<String> {
        match self {
            WriteError::Disk(e) => e.hint(),
            WriteError::OntoInput(_) | WriteError::NotAReading(_) => {
                Some("choose a new place for the output".to_owned())
            }
            WriteError::Packing { source, .. } => source.hint(),
            WriteError::Form { source, .. } => source.hint(),
            WriteError::Json(_) => None,
        }
    }
}

/// Writes a reading into a new folder. The folder appears whole or not at all.
///
/// # Errors
/// When the place is taken (and not a reading that may be replaced), was read from, or the disk refuses; and when
/// the packing or form cannot hold a chip.
pub fn write(
    reading: &Reading,
    folder: &Path,
    options: &WriteOptions,
) -> Result<Written, WriteError> {
    put_back(folder)?;
    check_place(reading, folder, options)?;
    let mut record = ReadingRecord {
        layout: reading.layout.clone(),
        chips: Vec::new(),
    };
    let mut files = Vec::new();
    let others = options.also.iter().map(|(name, _)| name.to_lowercase());
    let mut taken: HashSet<String> = others.chain([RECORD_NAME.to_owned()]).collect();
    for (c, chip) in reading.chips.iter().enumerate() {
        let name = free_name(&chip.id, options.form.ending(), &mut taken);
        let (entry, bytes) = chip_file(chip, options.held.get(c), name, options)?;
        files.push((entry.file.clone(), bytes));
        record.chips.push(entry);
    }
    files.extend(options.also.iter().cloned());
    files.push((
        RECORD_NAME.to_owned(),
        document::to_json(&record)?.into_bytes(),
    ));
    let place = NewFolder::begin(folder, former(folder, options))?;
    for (name, bytes) in &files {
        place.write(name, bytes)?;
    }
    let left = place.finish()?;
    Ok(Written {
        folder: folder.to_owned(),
        left,
        files: files.into_iter().map(|f| f.0).collect(),
    })
}

/// Refuses a place that was read from, lies around such a one, or is something else than a reading.
fn check_place(reading: &Reading, folder: &Path, options: &WriteOptions) -> Result<(), WriteError> {
    let Ok(place) = folder.canonicalize() else {
        return Ok(()); // nothing is there
    };
    let sources = reading
        .chips
        .iter()
        .filter_map(|c| c.source.as_ref())
        .map(|s| &s.path);
    for input in sources.chain(&options.keep_off) {
        if input
            .canonicalize()
            .is_ok_and(|input| input.starts_with(&place))
        {
            return Err(WriteError::OntoInput(folder.to_owned()));
        }
    }
    if options.replace && !place.join(RECORD_NAME).is_file() {
        return Err(WriteError::NotAReading(folder.to_owned()));
    }
    Ok(())
}

/// What may go when a reading replaces another: the files that its record names, and what commands write beside them.
fn former(folder: &Path, options: &WriteOptions) -> Former {
    const BESIDE: [&str; 4] = ["changes.json", "settlement.json", "mend.toml", "mend.json"];
    if !options.replace || !folder.exists() {
        return Former::like(options.replace);
    }
    // A record that cannot be read names nothing; then only what has a successor goes.
    let record = read_record(folder).ok().flatten();
    let chips = record.into_iter().flat_map(|r| r.chips).map(|c| c.file);
    Former::Like(chips.chain(BESIDE.map(str::to_owned)).collect())
}

/// One chip's entry in the document, and the bytes of its file.
fn chip_file(
    chip: &ChipReading,
    held: Option<&ChipImage>,
    file: String,
    options: &WriteOptions,
) -> Result<(ChipRecord, Vec<u8>), WriteError> {
    let own = chip.source.as_ref().map(|s| s.packing);
    let packing = options.packing.or(own).unwrap_or_default();
    let mut image = chip.image.clone();
    if let Some(held) = held {
        image.edit(|cell, value, known| {
            let at = cell as usize;
            let more = held.known().get(at).copied().unwrap_or(0) & !known;
            let under = held.values().get(at).copied().unwrap_or(0) & more;
            (value | under, known | more)
        });
    }
    let packed = packing.pack(&image).map_err(|source| WriteError::Packing {
        chip: chip.id.clone(),
        source,
    })?;
    let length = u64::from(packing.bytes_for(chip.image.words()));
    let bytes =
        form::write(&packed.bytes, length, &options.form).map_err(|source| WriteError::Form {
            chip: chip.id.clone(),
            source,
        })?;
    let entry = ChipRecord {
        id: chip.id.clone(),
        file,
        form: options.form.form,
        packing,
        words: chip.image.words(),
        width: chip.image.width(),
        sha256: sha256_hex(&bytes),
        unknown: unknown_runs(&chip.image),
        provenance: recorded_provenance(chip),
        source: chip.source.as_ref().map(Into::into),
    };
    Ok((entry, bytes))
}

/// Names Windows keeps for devices, with or without an extension ("Naming Files, Paths, and Namespaces"; from memory).
pub(crate) fn is_device(stem: &str) -> bool {
    let stem = stem.to_ascii_lowercase();
    matches!(stem.as_str(), "con" | "prn" | "aux" | "nul")
        || stem
            .strip_prefix("com")
            .or_else(|| stem.strip_prefix("lpt"))
            .is_some_and(|n| n.len() == 1 && n.as_bytes()[0].is_ascii_digit())
}

/// A file name for a chip that every file system takes and no other chip has, letter case ignored.
fn free_name(id: &str, ending: &str, taken: &mut HashSet<String>) -> String {
    let plain = |c: char| match c {
        '<' | '>' | ':' | '"' | '/' | '\\' | '|' | '?' | '*' => '_',
        c if c.is_control() => '_',
        c => c,
    };
    let stem: String = id.trim().chars().map(plain).take(100).collect();
    let stem = match stem.is_empty() || is_device(&stem) || stem.starts_with('.') {
        true => format!("_{stem}"),
        false => stem,
    };
    let mut name = format!("{stem}.{ending}");
    let mut n = 2;
    while !taken.insert(name.to_lowercase()) {
        name = format!("{stem}_{n}.{ending}");
        n += 1;
    }
    name
}
