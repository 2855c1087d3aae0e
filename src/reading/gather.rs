//! Which files a reading is made of, before any of them is opened.

use std::fs;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use super::ReadingError;
use super::record::{ChipRecord, LayoutRef, RECORD_NAME, ReadingRecord};
use crate::blame::DiskError;
use crate::document;
use crate::image::{Form, Packing};
use crate::layout::model::Layout;
use crate::plain;

/// Where the files are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Files {
    /// A folder with a file per chip, or the file of one chip.
    Path(PathBuf),
    /// A file for each chip named.
    Pairs(Vec<(String, PathBuf)>),
}

/// What to load, and what the caller says about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadingSpec {
    /// Where the files are.
    pub files: Files,
    /// The form of every file, where it is not to be told by the content.
    pub form: Option<Form>,
    /// The packing of every file, where it is not the layout's.
    pub packing: Option<Packing>,
    /// Packings of single chips, over all others.
    pub chip_packing: Vec<(String, Packing)>,
    /// Number of cells of every chip, where there is no layout.
    pub words: Option<u32>,
    /// Number of data lines of every chip, where there is no layout.
    pub width: Option<u8>,
    /// Numbers of data lines of single chips, over that.
    pub chip_width: Vec<(String, u8)>,
    /// The files' address of cell 0, where it is not to be guessed.
    pub load_offset: Option<u32>,
    /// Leave out wrong lines of text forms, with a finding each, in place of refusing.
    pub skip_wrong_lines: bool,
}

impl ReadingSpec {
    /// Files with nothing said about them.
    pub fn new(files: Files) -> Self {
        Self {
            files,
            form: None,
            packing: None,
            chip_packing: Vec::new(),
            words: None,
            width: None,
            chip_width: Vec::new(),
            load_offset: None,
            skip_wrong_lines: false,
        }
    }

    /// A folder or file.
    pub fn path(path: impl Into<PathBuf>) -> Self {
        Self::new(Files::Path(path.into()))
    }
}

/// A folder, a file, or `CHIP=FILE[,CHIP=FILE...]`. What exists under the whole name is taken as that.
impl FromStr for ReadingSpec {
    type Err = ReadingError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let mut pairs: Vec<(String, PathBuf)> = Vec::new();
        if Path::new(text).exists() || !text.contains('=') {
            return Ok(Self::path(text));
        }
        for piece in text.split(',') {
            match (piece.split_once('='), pairs.last_mut()) {
                (Some(("", _) | (_, "")), _) | (None, None) => {
                    return Err(ReadingError::Spec(text.to_owned()));
                }
                (Some((chip, file)), _) => pairs.push((chip.trim().to_owned(), file.into())),
                // A comma within a file's name.
                (None, Some((_, file))) => {
                    let name = format!("{},{piece}", file.display());
                    *file = name.into();
                }
            }
        }
        Ok(Self::new(Files::Pairs(pairs)))
    }
}

/// A file that belongs to a chip.
#[derive(Debug)]
pub(super) struct Candidate {
    /// The chip's id: the layout's where there is one.
    pub id: String,
    /// The chip's index in the layout.
    pub chip: Option<usize>,
    pub path: PathBuf,
    /// What the folder's `reading.json` says about it.
    pub record: Option<ChipRecord>,
}

impl Candidate {
    /// Whether a layout or a record says that this file is a chip's.
    pub(super) fn is_named(&self) -> bool {
        self.chip.is_some() || self.record.is_some()
    }
}

/// The files of a reading, and what was wrong with the choice.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    pub candidates: Vec<Candidate>,
    /// Names of files that belong to no chip.
    pub extra: Vec<String>,
    /// What makes a reading impossible; all of it.
    pub problems: Vec<String>,
    pub layout: Option<LayoutRef>,
}

/// Finds the file of each chip.
pub(super) fn gather(files: &Files, layout: Option<&Layout>) -> Result<Gathered, ReadingError> {
    match files {
        Files::Pairs(pairs) => Ok(from_pairs(pairs, layout)),
        Files::Path(path) => {
            let kind = fs::metadata(path).map_err(|e| DiskError::new("read", path, e))?;
            if !kind.is_dir() {
                return Ok(from_file(path, layout));
            }
            match read_record(path)? {
                Some(record) => Ok(from_record(path, record, layout)),
                None => from_folder(path, layout),
            }
        }
    }
}

impl Gathered {
    /// Takes a file for a chip, unless the chip has one.
    fn take(&mut self, candidate: Candidate) {
        let same = |c: &&Candidate| c.id.eq_ignore_ascii_case(&candidate.id);
        match self.candidates.iter().find(same) {
            Some(other) => self.problems.push(format!(
                "chip {} has two files: {} and {}",
                candidate.id,
                other.path.display(),
                candidate.path.display()
            )),
            None => self.candidates.push(candidate),
        }
    }
}

fn from_pairs(pairs: &[(String, PathBuf)], layout: Option<&Layout>) -> Gathered {
    let mut gathered = Gathered::default();
    for (name, path) in pairs {
        let chip = layout.map(|l| (l, l.chip(name)));
        match chip {
            Some((layout, None)) => gathered.problems.push(format!(
                "layout {} has no chip {name}; it has {}",
                layout.id,
                chip_names(layout)
            )),
            Some((layout, Some(at))) => gathered.take(Candidate {
                id: layout.chips[at].id.clone(),
                chip: Some(at),
                path: path.clone(),
                record: None,
            }),
            None => gathered.take(Candidate {
                id: name.clone(),
                chip: None,
                path: path.clone(),
                record: None,
            }),
        }
    }
    gathered
}

fn from_file(path: &Path, layout: Option<&Layout>) -> Gathered {
    let mut gathered = Gathered::default();
    let chip = layout.map(|l| {
        let named = match_name(l, path);
        (l, named.or((l.chips.len() == 1).then_some(0)))
    });
    match chip {
        None => gathered.take(Candidate {
            id: stem(path),
            chip: None,
            path: path.to_owned(),
            record: None,
        }),
        Some((layout, Some(at))) => gathered.take(Candidate {
            id: layout.chips[at].id.clone(),
            chip: Some(at),
            path: path.to_owned(),
            record: None,
        }),
        Some((layout, None)) => gathered.problems.push(format!(
            "{} is one file, layout {} has {} chips ({}), and the name says none of them",
            path.display(),
            layout.id,
            layout.chips.len(),
            chip_names(layout)
        )),
    }
    gathered
}

fn from_folder(folder: &Path, layout: Option<&Layout>) -> Result<Gathered, ReadingError> {
    let mut gathered = Gathered::default();
    let failed = |e| DiskError::new("read the folder", folder, e);
    let mut paths = Vec::new();
    for entry in fs::read_dir(folder).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        let hidden = path
            .file_name()
            .is_some_and(|n| n.to_string_lossy().starts_with('.'));
        if path.is_file() && !hidden {
            paths.push(path);
        }
    }
    paths.sort();
    for path in paths {
        match layout.map(|l| (l, match_name(l, &path))) {
            Some((_, None)) => gathered.extra.push(file_name(&path)),
            Some((layout, Some(at))) => gathered.take(Candidate {
                id: layout.chips[at].id.clone(),
                chip: Some(at),
                path,
                record: None,
            }),
            None if is_side_file(&path) => gathered.extra.push(file_name(&path)),
            None => gathered.take(Candidate {
                id: stem(&path),
                chip: None,
                path,
                record: None,
            }),
        }
    }
    if gathered.candidates.is_empty() && gathered.problems.is_empty() {
        gathered.problems.push(match layout {
            Some(layout) => format!(
                "no file in {} is named like a chip of layout {}: {}",
                folder.display(),
                layout.id,
                chip_names(layout)
            ),
            None => format!("{} holds no chip file", folder.display()),
        });
        if !gathered.extra.is_empty() {
            gathered
                .problems
                .push(format!("the folder has {}", gathered.extra.join(", ")));
        }
    }
    Ok(gathered)
}

/// Reads a folder's `reading.json`, if it has one.
pub(super) fn read_record(folder: &Path) -> Result<Option<ReadingRecord>, ReadingError> {
    let path = folder.join(RECORD_NAME);
    let text = match plain::read(&path, plain::MOST) {
        Ok(text) => text,
        Err(e) if e.source.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(e) => return Err(e.into()),
    };
    let record = document::from_json(&text).map_err(|e| ReadingError::Record {
        path: path.clone(),
        says: e.to_string(),
    })?;
    Ok(Some(record))
}

fn from_record(folder: &Path, record: ReadingRecord, layout: Option<&Layout>) -> Gathered {
    let mut gathered = Gathered {
        layout: record.layout,
        ..Gathered::default()
    };
    for chip in record.chips {
        // A name with a folder in it could lead anywhere.
        let plain = Path::new(&chip.file)
            .file_name()
            .is_some_and(|n| n == chip.file.as_str());
        if !plain {
            gathered
                .problems
                .push(format!("'{}' is no plain file name", chip.file));
            continue;
        }
        let at = layout.map(|l| l.chip(&chip.id));
        if at == Some(None) {
            gathered.extra.push(chip.file);
            continue;
        }
        let at = at.flatten();
        gathered.take(Candidate {
            id: at
                .zip(layout)
                .map_or(chip.id.clone(), |(at, l)| l.chips[at].id.clone()),
            chip: at,
            path: folder.join(&chip.file),
            record: Some(chip),
        });
    }
    gathered
}

/// The chip a file is named after, by its whole name or its stem, letter case ignored.
fn match_name(layout: &Layout, path: &Path) -> Option<usize> {
    layout
        .chip(&file_name(path))
        .or_else(|| layout.chip(&stem(path)))
}

fn chip_names(layout: &Layout) -> String {
    let name = |c: &crate::layout::model::Chip| match c.aliases.is_empty() {
        true => c.id.clone(),
        false => format!("{} (or {})", c.id, c.aliases.join(", ")),
    };
    layout.chips.iter().map(name).collect::<Vec<_>>().join(", ")
}

pub(super) fn file_name(path: &Path) -> String {
    path.file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

fn stem(path: &Path) -> String {
    path.file_stem()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

/// Whether a file's name says that it accompanies the chip files: notes, pictures, documents.
fn is_side_file(path: &Path) -> bool {
    const SIDE: [&str; 12] = [
        "toml", "json", "md", "csv", "pdf", "html", "jpg", "jpeg", "png", "wav", "log", "sha256",
    ];
    path.extension()
        .is_some_and(|e| SIDE.iter().any(|s| e.eq_ignore_ascii_case(s)))
}

/// The layout that the record of a reading's folder names; `None` where there is no record, or it names none.
///
/// # Errors
/// When there is no reading, or its record is there and cannot be used.
pub fn named_layout(spec: &ReadingSpec) -> Result<Option<LayoutRef>, ReadingError> {
    match &spec.files {
        Files::Path(path) => {
            let kind = fs::metadata(path).map_err(|e| DiskError::new("read", path, e))?;
            match kind.is_dir() {
                true => Ok(read_record(path)?.and_then(|r| r.layout)),
                false => Ok(None),
            }
        }
        Files::Pairs(_) => Ok(None),
    }
}
