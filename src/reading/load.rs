//! Loading: every file into its chip, and everything that is not as expected said at once.

use std::path::{Path, PathBuf};

use super::fit::{Expected, fit, swapped};
use super::gather::{Candidate, file_name, gather};
use super::record::RECORD_NAME;
use super::{ChipReading, Files, LayoutRef, Reading, ReadingSpec, Source, chip_place, sha256_hex};
use crate::blame::{Blame, DiskError, Who};
use crate::finding::{Finding, Severity};
use crate::image::form::{self, ReadOptions};
use crate::image::{Contents, FormError, Packing, PackingError};
use crate::layout::model::Layout;
use crate::plain;

/// Why a reading could not be loaded.
#[derive(Debug, thiserror::Error)]
pub enum ReadingError {
    /// The text names no files.
    #[error("'{0}' names no reading: a folder, a file, or CHIP=FILE[,CHIP=FILE...]")]
    Spec(String),
    /// The disk refused.
    #[error(transparent)]
    Disk(#[from] DiskError),
    /// A folder's `reading.json` cannot be used.
    #[error("{} cannot be used: {says}", path.display())]
    Record {
        /// The document.
        path: PathBuf,
        /// What is wrong with it.
        says: String,
    },
    /// Files that cannot be chips, or chips that cannot be had; all of them.
    #[error("the files cannot be taken as a reading:\n  {}", problems.join("\n  "))]
    Files {
        /// One sentence a problem.
        problems: Vec<String>,
        /// Who must act: the file where one is broken, else the caller.
        who: Who,
    },
    /// A packing does not fit a chip.
    #[error("chip {chip}: {source}")]
    Packing {
        /// The chip.
        chip: String,
        /// What does not fit.
        source: PackingError,
    },
}

impl Blame for ReadingError {
    fn who(&self) -> Who {
        match self {
            ReadingError::Disk(e) => e.who(),
            ReadingError::Record { .. } => Who::File,
            ReadingError::Files { who, .. } => *who,
            ReadingError::Spec(_) | ReadingError::Packing { .. } => Who::Caller,
        }
    }

    fn hint(&self) -> Option<String> {
        match self {
            ReadingError::Disk(e) => e.hint(),
            ReadingError::Record { .. } => Some(
                "name the chip files themselves with CHIP=FILE; the document is only needed for what they cannot hold"
                    .to_owned(),
            ),
            ReadingError::Files { who: Who::File, .. } => Some(
                "read the chip again; --skip-wrong-lines keeps what is right in a text file, --form says what a file is"
                    .to_owned(),
            ),
            ReadingError::Files { .. } => {
                Some("name each chip's file: CHIP=FILE,CHIP=FILE".to_owned())
            }
            ReadingError::Spec(_) => None,
            ReadingError::Packing { source, .. } => source.hint(),
        }
    }
}

/// One file, read and told apart, not yet in its chip.
struct Opened {
    candidate: Candidate,
    contents: Contents,
    sha256: String,
    expected: Expected,
}

/// Loads a reading. With a layout every chip of it is there afterwards, in its order; what the files do not give
/// is unknown. Everything unexpected that leaves a value is a finding of the reading.
///
/// # Errors
/// When no value can be had: a file cannot be read or is broken, a chip has two files, no file is a chip's.
pub fn load(spec: &ReadingSpec, layout: Option<&Layout>) -> Result<Reading, ReadingError> {
    let mut gathered = gather(&spec.files, layout)?;
    let candidates = std::mem::take(&mut gathered.candidates);
    let is_folder = matches!(&spec.files, Files::Path(path) if path.is_dir());
    let mut broken = Vec::new();
    let mut opened = Vec::new();
    for candidate in candidates {
        match open(&candidate.path, spec, &candidate)? {
            Ok((contents, sha256)) => {
                let expected = expected(spec, layout, &candidate, &sha256);
                opened.push(Opened {
                    candidate,
                    contents,
                    sha256,
                    expected,
                });
            }
            // Notes beside the chip files are no chip, unless somebody says so.
            Err(FormError::UnknownText { .. }) if is_folder && !candidate.is_named() => {
                gathered.extra.push(file_name(&candidate.path));
            }
            Err(e) => {
                let says = e.to_string().replace('\n', "\n  ");
                broken.push(format!("{}: {says}", candidate.path.display()));
            }
        }
    }
    if !broken.is_empty() || !gathered.problems.is_empty() {
        let who = if broken.is_empty() {
            Who::Caller
        } else {
            Who::File
        };
        let mut problems = gathered.problems;
        problems.extend(broken);
        return Err(ReadingError::Files { problems, who });
    }
    let mut reading = Reading {
        layout: layout.map(LayoutRef::of).or(gathered.layout.clone()),
        ..Reading::default()
    };
    reading.findings.extend(find_swapped(&opened));
    for one in opened {
        let chip = into_chip(one, &mut reading.findings)?;
        reading.chips.push(chip);
    }
    let lacking = layout.is_some_and(|l| l.chips.len() > reading.chips.len());
    if let Some(layout) = layout {
        reading = reading.aligned(layout);
        let was = gathered
            .layout
            .as_ref()
            .filter(|was| was.id != layout.id || !layout.source.is(&was.sha256));
        reading
            .findings
            .extend(was.map(|was| layout_changed(was, layout)));
    }
    if !gathered.extra.is_empty() {
        reading
            .findings
            .push(extra(&gathered.extra, layout, lacking));
    }
    Ok(reading)
}

/// Opens a file and tells its form. The inner error is a broken file's, told together with the others.
fn open(
    path: &Path,
    spec: &ReadingSpec,
    candidate: &Candidate,
) -> Result<Result<(Contents, String), FormError>, DiskError> {
    if let Err(too_large) = form::check_length(plain::length(path)?) {
        return Ok(Err(too_large));
    }
    let file = plain::read(path, form::MAX_FILE)?;
    let sha256 = sha256_hex(&file);
    let recorded = candidate.record.as_ref();
    let form = match recorded {
        Some(record) if record.is_of(&sha256) => Some(record.form),
        _ => spec.form.or(recorded.map(|r| r.form)),
    };
    let options = ReadOptions {
        form,
        skip_wrong_lines: spec.skip_wrong_lines,
    };
    Ok(form::read_owned(file, options).map(|contents| (contents, sha256)))
}

/// What is known about a chip before its file is looked into: the folder's record where the file is the very one that
/// it was written with, then the caller's word, then the record of another file, then the layout.
fn expected(
    spec: &ReadingSpec,
    layout: Option<&Layout>,
    candidate: &Candidate,
    sha256: &str,
) -> Expected {
    let chip = layout.zip(candidate.chip).map(|(l, at)| &l.chips[at]);
    let record = candidate.record.as_ref();
    let sure = record.filter(|r| r.is_of(sha256));
    let named = |name: &str| {
        name.eq_ignore_ascii_case(&candidate.id)
            || chip.is_some_and(|c| c.aliases.iter().any(|a| a.eq_ignore_ascii_case(name)))
    };
    let own = spec.chip_packing.iter().find(|(name, _)| named(name));
    let own = own.map(|(_, p)| *p);
    let width = spec.chip_width.iter().find(|(name, _)| named(name));
    let packing = sure
        .map(|r| r.packing)
        .or(own)
        .or(spec.packing)
        .or(record.map(|r| r.packing))
        .or(chip.map(|c| c.packing));
    Expected {
        words: record
            .map(|r| r.words)
            .or(chip.map(|c| c.words))
            .or(spec.words),
        width: record
            .map(|r| r.width)
            .or(chip.map(|c| c.width))
            .or(width.map(|(_, w)| *w))
            .or(spec.width)
            .or(packing.and_then(Packing::only_width))
            .unwrap_or(8),
        packing: packing.unwrap_or_default(),
        load_offset: match sure {
            Some(_) => Some(0),
            None => spec.load_offset.or(record.map(|_| 0)),
        },
    }
}

/// Puts an opened file into its chip.
fn into_chip(one: Opened, findings: &mut Vec<Finding>) -> Result<ChipReading, ReadingError> {
    let Opened {
        candidate,
        contents,
        sha256,
        expected,
    } = one;
    let Candidate {
        id, path, record, ..
    } = candidate;
    let file = path
        .file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned();
    let fitted = fit(&id, &file, &contents, expected).map_err(|source| match record {
        // Words, width and packing came out of the document.
        Some(_) => ReadingError::Record {
            path: path.with_file_name(RECORD_NAME),
            says: format!("chip {id}: {source}"),
        },
        None => ReadingError::Packing {
            chip: id.clone(),
            source,
        },
    })?;
    // Gaps and lines a record declares are no news.
    let is_news = |f: &Finding| record.is_none() || f.code != "file.short";
    findings.extend(fitted.findings.into_iter().filter(is_news));
    let mut chip = ChipReading::new(id, fitted.image);
    if let Some(record) = record {
        if !record.is_of(&sha256) {
            let says = format!(
                "chip {}: {file} is not the file that was written: SHA-256 {sha256}, and reading.json has {}",
                chip.id, record.sha256
            );
            let finding = Finding::new("reading.digest", Severity::Damage, says);
            findings.push(finding.at(chip_place(&chip.id)).act(
                "fetch the folder again from where it was kept; what the file holds now is used here",
            ));
        }
        record.apply_to(&mut chip);
    }
    chip.source = Some(Source {
        path,
        form: contents.form,
        packing: expected.packing,
        sha256,
        load_offset: fitted.load_offset,
    });
    Ok(chip)
}

/// Pairs of chips of which each has the other's length.
fn find_swapped(opened: &[Opened]) -> Vec<Finding> {
    let size = |o: &Opened| Some(u64::from(o.expected.packing.bytes_for(o.expected.words?)));
    let mut findings = Vec::new();
    for (i, one) in opened.iter().enumerate() {
        for other in &opened[i + 1..] {
            let (Some(a), Some(b)) = (size(one), size(other)) else {
                continue;
            };
            let have = (one.contents.bytes.count(), other.contents.bytes.count());
            if a != b && have == (b, a) {
                findings.push(swapped(&one.candidate.id, &other.candidate.id));
            }
        }
    }
    findings
}

/// The finding of files that belong to no chip.
fn extra(names: &[String], layout: Option<&Layout>, lacking: bool) -> Finding {
    let names = names.join(", ");
    let says = match layout {
        Some(layout) => format!(
            "files that belong to no chip of layout {}: {names}",
            layout.id
        ),
        None => format!("files that hold no chip: {names}"),
    };
    if lacking {
        Finding::new("reading.extra", Severity::Caution, says)
            .act("see whether one of them is the missing chip's, and name it with CHIP=FILE")
    } else {
        Finding::new("reading.extra", Severity::Note, says)
    }
}

/// A note where a stored reading was made with another text of the same layout, a caution where with another one.
fn layout_changed(was: &LayoutRef, layout: &Layout) -> Finding {
    let (code, severity, says) = match was.id == layout.id {
        true => {
            let says = format!(
                "layout {} has been revised since this reading was stored",
                was.id
            );
            ("layout.revised", Severity::Note, says)
        }
        false => {
            let says = format!(
                "this reading was stored with layout {}, not {}",
                was.id, layout.id
            );
            ("layout.other", Severity::Caution, says)
        }
    };
    Finding::new(code, severity, says)
}
