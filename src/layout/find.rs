//! Where layouts are found: by path, in the user's folder, among those built in. Only the one asked for is read.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use etcetera::BaseStrategy;

use crate::blame::DiskError;
use crate::plain;

use super::check::{Checked, Library, base_of, check};
use super::error::LayoutError;
use super::fields::nearest;
use super::model::Layout;
use super::problem::{Problems, SourceText};
use super::value::MAX_TEXT;

/// The built-in layouts: id and text.
static BUILT_IN: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/built_in.rs"));

/// The environment variable that names the user's folder of layouts in place of the usual one.
pub const FOLDER_VARIABLE: &str = "CELLKEEP_LAYOUTS";

/// The checked layout of a name or path.
///
/// A name ending in `.toml` or with a path separator is a path; any other is an id, looked up in the user's
/// folder and then among the built-in layouts.
///
/// # Errors
/// When there is no such layout, it cannot be read, or it breaks rules of the language.
pub fn load(name: &str) -> Result<Layout, LayoutError> {
    let checked = check_named(name)?;
    match checked.layout {
        Some(layout) => Ok(layout),
        None => Err(LayoutError::Broken(Box::new(checked.problems))),
    }
}

/// Texts of layouts by their ids, such as were archived together.
pub type Texts = BTreeMap<String, String>;

/// The checked layout of a text at hand. Layouts it extends are looked up as for [`load`].
///
/// # Errors
/// As for [`load`].
pub fn from_text(origin: &str, text: &str) -> Result<Layout, LayoutError> {
    from_texts(origin, text, &Texts::new())
}

/// The checked layout of a text archived beside a reading. Layouts it extends are taken from `beside`, and looked up as
/// for [`load`] where they are not there.
///
/// # Errors
/// As for [`load`].
pub fn from_texts(origin: &str, text: &str, beside: &Texts) -> Result<Layout, LayoutError> {
    let checked = check_texts(origin, text, beside);
    match checked.layout {
        Some(layout) => Ok(layout),
        None => Err(LayoutError::Broken(Box::new(checked.problems))),
    }
}

/// Checks a layout as [`from_texts`] loads it, and returns it with everything noticed.
pub fn check_texts(origin: &str, text: &str, beside: &Texts) -> Checked {
    let source = SourceText {
        origin: origin.to_owned(),
        text: text.to_owned(),
    };
    check(source, &Archived(beside))
}

/// Checks the layout of a name or path, as [`load`] finds it, and returns it with everything noticed.
///
/// # Errors
/// When there is no such layout or it cannot be read.
pub fn check_named(name: &str) -> Result<Checked, LayoutError> {
    let (source, folder) = find(name)?;
    Ok(check(source, &Beside(folder)))
}

/// A layout there is, not yet read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// Its id: the name of its file.
    pub id: String,
    /// Its file; `None` where it is built in.
    pub path: Option<PathBuf>,
    /// True where a file in the user's folder stands before this built-in layout.
    pub hidden: bool,
}

/// Every layout in the user's folder and built in, by id.
///
/// # Errors
/// When the user's folder is there and cannot be read.
pub fn list() -> Result<Vec<Listed>, LayoutError> {
    let mut out: Vec<Listed> = Vec::new();
    if let Some(folder) = user_folder() {
        for path in layouts_in(&folder)? {
            let id = path
                .file_stem()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            out.push(Listed {
                id,
                path: Some(path),
                hidden: false,
            });
        }
    }
    for (id, _) in BUILT_IN {
        let hidden = out.iter().any(|l| l.id == *id);
        out.push(Listed {
            id: (*id).to_owned(),
            path: None,
            hidden,
        });
    }
    out.sort_by(|a, b| (&a.id, a.hidden).cmp(&(&b.id, b.hidden)));
    Ok(out)
}

/// The user's folder of layouts: `CELLKEEP_LAYOUTS`, or `cellkeep/layouts` in the system's configuration folder.
pub fn user_folder() -> Option<PathBuf> {
    if let Some(folder) = std::env::var_os(FOLDER_VARIABLE).filter(|f| !f.is_empty()) {
        return Some(PathBuf::from(folder));
    }
    let strategy = etcetera::choose_base_strategy().ok()?;
    Some(strategy.config_dir().join("cellkeep").join("layouts"))
}

fn layouts_in(folder: &Path) -> Result<Vec<PathBuf>, DiskError> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(DiskError::new("read the folder", folder, e)),
    };
    let mut out = Vec::new();
    for entry in entries {
        let path = entry
            .map_err(|e| DiskError::new("read the folder", folder, e))?
            .path();
        if path.extension().is_some_and(|e| e == "toml") {
            out.push(path);
        }
    }
    out.sort();
    Ok(out)
}

/// Whether what names a layout is the path of its file, as [`load`] takes it, and no id.
pub fn is_path(name: &str) -> bool {
    name.ends_with(".toml") || name.contains(std::path::is_separator)
}

/// The text of a name or path, and the folder it was found in.
fn find(name: &str) -> Result<(SourceText, Option<PathBuf>), LayoutError> {
    if is_path(name) {
        let path = Path::new(name);
        let text = read(path, name)?;
        return Ok((text, path.parent().map(Path::to_path_buf)));
    }
    if let Some(found) = known(name)? {
        return Ok(found);
    }
    let mut known: Vec<String> = list()?
        .into_iter()
        .filter(|l| !l.hidden)
        .map(|l| l.id)
        .collect();
    known.dedup();
    Err(LayoutError::NotFound {
        name: name.to_owned(),
        near: nearest(name, known.iter().map(String::as_str)).map(str::to_owned),
        known,
    })
}

/// A layout in the user's folder or built in.
fn known(id: &str) -> Result<Option<(SourceText, Option<PathBuf>)>, LayoutError> {
    if let Some(folder) = user_folder() {
        let path = folder.join(format!("{id}.toml"));
        if path.is_file() {
            let text = read(&path, &path.to_string_lossy())?;
            return Ok(Some((text, Some(folder))));
        }
    }
    let found = BUILT_IN.iter().find(|(known, _)| *known == id);
    Ok(found.map(|(id, text)| {
        let source = SourceText {
            origin: format!("built in: {id}"),
            text: (*text).to_owned(),
        };
        (source, None)
    }))
}

fn read(path: &Path, origin: &str) -> Result<SourceText, LayoutError> {
    let bytes = plain::length(path)?;
    let limit = MAX_TEXT as u64;
    if bytes > limit {
        return Err(LayoutError::TooLong {
            origin: origin.to_owned(),
            bytes,
            limit,
        });
    }
    let bytes = plain::read(path, limit)?;
    match String::from_utf8(bytes) {
        Ok(text) => Ok(SourceText {
            origin: origin.to_owned(),
            text,
        }),
        Err(_) => Err(LayoutError::NotText {
            origin: origin.to_owned(),
        }),
    }
}

/// Looks for extended layouts beside the layout's own file first.
struct Beside(Option<PathBuf>);

impl Library for Beside {
    fn text(&self, id: &str) -> Result<Option<SourceText>, String> {
        // An id is no path: `extends = "../x"` finds nothing.
        if !super::document::is_id(id) {
            return Ok(None);
        }
        if let Some(folder) = &self.0 {
            let path = folder.join(format!("{id}.toml"));
            if path.is_file() {
                return read(&path, &path.to_string_lossy())
                    .map(Some)
                    .map_err(|e| e.to_string());
            }
        }
        match known(id) {
            Ok(found) => Ok(found.map(|(text, _)| text)),
            Err(e) => Err(e.to_string()),
        }
    }
}

/// Looks for extended layouts among texts at hand first.
struct Archived<'a>(&'a Texts);

impl Library for Archived<'_> {
    fn text(&self, id: &str) -> Result<Option<SourceText>, String> {
        match self.0.get(id) {
            Some(text) => Ok(Some(SourceText {
                origin: format!("{id}.toml"),
                text: text.clone(),
            })),
            None => Beside(None).text(id),
        }
    }
}

/// Of layouts archived together, those that no other of them extends.
pub fn outermost(texts: &Texts) -> Vec<&str> {
    let bases: BTreeSet<String> = texts.values().filter_map(|text| base_of(text)).collect();
    texts
        .keys()
        .map(String::as_str)
        .filter(|id| !bases.contains(*id))
        .collect()
}

impl Problems {
    /// The problems of a layout that could not be used, or nothing.
    pub fn of(error: &LayoutError) -> Option<&Problems> {
        match error {
            LayoutError::Broken(problems) => Some(problems),
            _ => None,
        }
    }
}
