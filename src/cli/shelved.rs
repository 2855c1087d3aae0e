//! What lies on the shelf as something to read, and results straight onto it.

use std::path::{Path, PathBuf};
use std::time::Duration;

use super::Failure;
use super::output::complain;
use super::shelf::{act, place};
use crate::blame::{Blame, DiskError, Who};
use crate::layout::{self, model::Layout};
use crate::shelf::{HeldLayout, Incoming, Reference, Role, Shelf, Stored, incoming_bytes, resolve};

/// How long a result waits for another writer.
const WAIT: Duration = Duration::from_secs(30);

/// The shelf as an option of a command that makes something.
#[derive(clap::Args, Clone, Debug)]
pub(crate) struct ShelfArgs {
    /// Put the result into this job on the shelf
    #[arg(id = "shelf_job", long = "shelf", value_name = "JOB")]
    pub(crate) job: Option<String>,
}

fn shelf() -> Result<Shelf, Failure> {
    let at = std::env::var_os("CELLKEEP_SHELF").map(PathBuf::from);
    Ok(Shelf::open(&place(at.as_deref())?, WAIT)?)
}

/// A temporary folder; gone when dropped.
fn folder() -> Result<tempfile::TempDir, Failure> {
    Ok(tempfile::tempdir()
        .map_err(|e| DiskError::new("make a folder in", std::env::temp_dir(), e))?)
}

/// Something of the shelf laid out to be read.
pub(crate) struct Taken {
    /// The file or folder to read.
    pub(crate) path: PathBuf,
    reference: String,
    _folder: tempfile::TempDir,
}

/// Lays out what a shelf reference stands for; `None` where the text is no shelf reference.
pub(crate) fn take(text: &str) -> Result<Option<Taken>, Failure> {
    if !Reference::is_one(text) {
        return Ok(None);
    }
    let found = resolve(&shelf()?, &Reference::parse(text)?)?;
    let folder = folder()?;
    Ok(Some(Taken {
        reference: text.to_owned(),
        path: found.write_to(folder.path())?,
        _folder: folder,
    }))
}

/// A file's bytes, from the disk or by a shelf reference.
pub(crate) fn read_file(path: &Path) -> Result<Vec<u8>, Failure> {
    let text = path.to_string_lossy();
    if !Reference::is_one(&text) {
        return Ok(super::inputs::read(path)?);
    }
    let mut found = resolve(&shelf()?, &Reference::parse(&text)?)?;
    match found.files.pop() {
        Some((_, bytes)) if found.is_file => Ok(bytes),
        _ => Err(DiskError::new("read", path, std::io::ErrorKind::IsADirectory.into()).into()),
    }
}

/// A file's text, from the disk or by a shelf reference.
pub(crate) fn read_text(path: &Path) -> Result<String, Failure> {
    Ok(crate::plain::text(path, read_file(path)?)?)
}

/// What an error says, with the shelf reference in place of the folder it was laid out in.
#[derive(Debug, thiserror::Error)]
#[error("{says}")]
pub(crate) struct Told {
    says: String,
    who: Who,
    hint: Option<String>,
}

impl Blame for Told {
    fn who(&self) -> Who {
        self.who
    }
    fn hint(&self) -> Option<String> {
        self.hint.clone()
    }
}

impl Taken {
    /// Tells an error by the reference.
    pub(crate) fn told(&self, error: &dyn Blame) -> Told {
        let place = self.path.to_string_lossy();
        let told = |says: String| says.replace(&*place, &self.reference);
        Told {
            says: told(error.to_string()),
            who: error.who(),
            hint: error.hint().map(told),
        }
    }
}

/// The version of a job that a shelf reference is of; `None` where the text is no shelf reference.
fn version_of(text: &str) -> Result<Option<(Stored, u32)>, Failure> {
    if !Reference::is_one(text) {
        return Ok(None);
    }
    let shelf = shelf()?;
    let reference = Reference::parse(text)?;
    let stored = shelf.stored_at(&shelf.job_named(&reference.job)?, reference.version)?;
    let version = stored.version_or_head(reference.version)?;
    Ok(Some((stored, version)))
}

/// The layout of the job a shelf reference is of: the one kept with it, or else the one its record names.
pub(crate) fn layout_of(text: &str) -> Result<Option<Layout>, Failure> {
    let Some((stored, version)) = version_of(text)? else {
        return Ok(None);
    };
    let held = stored.layout(version)?;
    held.map(|held| Ok(held.load()?)).transpose()
}

/// The layout of an id that is kept with the job a shelf reference is of, whatever its file is called.
pub(crate) fn kept_layout(text: &str, id: &str) -> Result<Option<Layout>, Failure> {
    let Some((stored, version)) = version_of(text)? else {
        return Ok(None);
    };
    let held = match stored.kept_layout(version, id)? {
        None => stored.layout(version)?,
        kept => kept,
    };
    let kept = held.filter(|held| matches!(held, HeldLayout::Kept { .. }));
    let layout = kept.map(|held| held.load()).transpose()?;
    Ok(layout.filter(|layout| layout.id == id))
}

/// A layout by the shelf reference of its file; what it extends is taken from the layouts kept with the same job.
pub(crate) fn layout_at(text: &str) -> Result<Layout, Failure> {
    let (own, beside) = layout_texts(text)?;
    Ok(layout::from_texts(text, &own, &beside)?)
}

/// Checks a layout by the shelf reference of its file, as [`layout_at`] loads it.
pub(crate) fn checked_layout_at(text: &str) -> Result<layout::Checked, Failure> {
    let (own, beside) = layout_texts(text)?;
    Ok(layout::check_texts(text, &own, &beside))
}

/// The text of a stored layout, and of the layouts kept with the same job.
fn layout_texts(text: &str) -> Result<(String, layout::Texts), Failure> {
    let own = read_text(Path::new(text))?;
    let beside = match version_of(text)? {
        Some((stored, version)) => stored.layouts(version)?,
        None => layout::Texts::new(),
    };
    Ok((own, beside))
}

/// A layout as files of a job, with those it extends, so that what was decoded by it can be decoded again without this
/// program's own.
pub(crate) fn layout_files(layout: &Layout) -> Vec<Incoming> {
    texts_of(layout).map(layout_file).collect()
}

/// A layout's text and those of the layouts it extends, each with its id.
fn texts_of(layout: &Layout) -> impl Iterator<Item = (&String, &String)> {
    let own = (&layout.id, &layout.source.text);
    let bases = layout.source.extends.iter().map(|(id, text)| (id, text));
    std::iter::once(own).chain(bases)
}

fn layout_file((id, text): (&String, &String)) -> Incoming {
    let bytes = text.clone().into_bytes();
    incoming_bytes(Role::Layout, &format!("{id}.toml"), bytes)
}

/// The shelf reference of a layout kept with the job that a reference is of.
pub(crate) fn place_of_layout(text: &str, id: &str) -> Option<String> {
    let (stored, version) = version_of(text).ok()??;
    let file = format!("{id}.toml");
    let files = stored.files(version).ok()?;
    let at = files.into_iter().find(|f| {
        f.role == Some(Role::Layout) && f.path.rsplit('/').next() == Some(file.as_str())
    })?;
    let job = text.split('/').next().unwrap_or(text);
    Some(format!("{job}/{}", at.path))
}

impl ShelfArgs {
    /// A layout and those it extends as files of the job that was named, but for those of which it keeps one already: the one
    /// that its readings were taken by is not exchanged by the way.
    pub(crate) fn layouts_missing(&self, layout: &Layout) -> Result<Vec<Incoming>, Failure> {
        let Some(job) = &self.job else {
            return Ok(Vec::new());
        };
        let shelf = shelf()?;
        let job = shelf.job_named(job.strip_prefix("shelf:").unwrap_or(job))?;
        let stored = shelf.stored_at(&job, None)?;
        let kept = stored.layouts(stored.version_or_head(None)?)?;
        Ok(texts_of(layout)
            .filter(|(id, _)| !kept.contains_key(*id))
            .map(layout_file)
            .collect())
    }

    /// Puts files into the job that was named, if one was, and says so on standard error.
    pub(crate) fn put(&self, files: Vec<Incoming>, replace: bool) -> Result<(), Failure> {
        let Some(job) = &self.job else {
            return Ok(());
        };
        let shelf = shelf()?;
        let by = std::env::var("CELLKEEP_BY").ok();
        let job = job.strip_prefix("shelf:").unwrap_or(job);
        let job = shelf.job_named(job)?;
        let done = shelf.put(&job, files, replace, &act(by.as_deref()))?;
        if done.changed {
            complain!("{}: version {} is on the shelf", done.job, done.version);
        } else {
            complain!("{}: the shelf already holds exactly this", done.job);
        }
        for says in &done.notices {
            complain!("  {says}");
        }
        for caution in &done.cautions {
            complain!("caution: {caution}");
        }
        Ok(())
    }
}
