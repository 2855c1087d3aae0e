//! What a version of a job held, as something to decode: its readings, and the layout kept with it.

use std::collections::BTreeMap;

use super::error::Result;
use super::gather::Incoming;
use super::job::Role;
use super::reference::{Reference, resolve};
use super::root::Shelf;
use super::store::Stored;
use crate::layout::{self, LayoutError, Texts, model::Layout};
use crate::reading::{self, Reading, ReadingSpec};

/// The layout of a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HeldLayout {
    /// One kept with it.
    Kept {
        /// Its id, which is its file's name.
        id: String,
        /// It and the other layouts kept with the job, among them those that it extends.
        texts: Texts,
    },
    /// Only the id its record names.
    Named(String),
}

/// The readings that tell what the memory held, the last state of it first.
const STATES: [Role; 6] = [
    Role::ReadBack,
    Role::AsWritten,
    Role::Mended,
    Role::Settled,
    Role::AfterSwap,
    Role::AsFound,
];

/// The id of the layout that a file of a job holds, by its place within the job.
fn layout_id(role: Option<Role>, path: &str) -> Option<&str> {
    let name = path.rsplit('/').next().unwrap_or_default();
    let id = name.strip_suffix(".toml")?;
    (role == Some(Role::Layout)).then_some(id)
}

/// The layouts among files to be put in: each one's id, and its place within the job.
pub fn layouts_among(files: &[Incoming]) -> BTreeMap<String, String> {
    let at = files.iter().map(|file| file.stored.as_str());
    at.filter_map(|at| Some((layout_id(Role::of_path(at), at)?.to_owned(), at.to_owned())))
        .collect()
}

impl Stored {
    /// The layout of a version: of those kept with it the one its record names, or the only one that no other of them
    /// extends; else the one its record names.
    ///
    /// # Errors
    /// When there is no such version, or it is damaged.
    pub fn layout(&self, version: u32) -> Result<Option<HeldLayout>> {
        let texts = self.layouts(version)?;
        let named = self.record(version)?.layout;
        let id = match &named {
            Some(id) if texts.contains_key(id) => Some(id.clone()),
            _ => match layout::outermost(&texts).as_slice() {
                [only] => Some((*only).to_owned()),
                _ => None,
            },
        };
        Ok(match id {
            Some(id) => Some(HeldLayout::Kept { id, texts }),
            None => named.map(HeldLayout::Named),
        })
    }

    /// The layout kept with a version under this id.
    ///
    /// # Errors
    /// When there is no such version, or it is damaged.
    pub fn kept_layout(&self, version: u32, id: &str) -> Result<Option<HeldLayout>> {
        let texts = self.layouts(version)?;
        Ok(texts.contains_key(id).then(|| HeldLayout::Kept {
            id: id.to_owned(),
            texts,
        }))
    }

    /// The layouts kept with a version, by the names of their files.
    ///
    /// # Errors
    /// When there is no such version, or it is damaged.
    pub fn layouts(&self, version: u32) -> Result<Texts> {
        let mut texts = Texts::new();
        for file in self.files(version)? {
            if let Some(id) = layout_id(file.role, &file.path) {
                let bytes = self.bytes_of(&file.digest, &file.path)?;
                texts.insert(id.to_owned(), String::from_utf8_lossy(&bytes).into_owned());
            }
        }
        Ok(texts)
    }

    /// The part whose reading tells what the memory held in a version.
    pub(super) fn state_role(&self, version: u32) -> Result<Option<Role>> {
        let files = self.files(version)?;
        Ok(STATES
            .into_iter()
            .find(|role| files.iter().any(|file| file.role == Some(*role))))
    }
}

impl HeldLayout {
    /// Loads the layout.
    ///
    /// # Errors
    /// When no layout has that name any more, or the text breaks rules of the language.
    pub fn load(&self) -> std::result::Result<Layout, LayoutError> {
        match self {
            HeldLayout::Named(id) => layout::load(id),
            HeldLayout::Kept { id, texts } => {
                let text = texts.get(id).map_or("", String::as_str);
                layout::from_texts(&format!("{id}.toml"), text, texts)
            }
        }
    }
}

impl Shelf {
    /// Loads a reading of the shelf by a layout; why not, where it cannot be.
    pub(super) fn load_reading(
        &self,
        reference: &Reference,
        layout: &Layout,
    ) -> std::result::Result<Reading, String> {
        let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
        let found = resolve(self, reference).map_err(|e| e.to_string())?;
        let path = found.write_to(folder.path()).map_err(|e| e.to_string())?;
        let told = |text: String| text.replace(&*path.to_string_lossy(), &reference.to_string());
        let reading = reading::load(&ReadingSpec::path(&path), Some(layout))
            .map_err(|e| told(e.to_string()))?;
        Ok(reading.aligned(layout))
    }
}
