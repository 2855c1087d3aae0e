//! What a version of a job held, as something to decode: its readings, and the layout kept with it.

use super::error::Result;
use super::job::Role;
use super::reference::{Reference, resolve};
use super::root::Shelf;
use super::store::Stored;
use crate::layout::{self, LayoutError, model::Layout};
use crate::reading::{self, Reading, ReadingSpec};

/// The layout of a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HeldLayout {
    /// The text of the layout file kept with it.
    Kept(Vec<u8>),
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

impl Stored {
    /// The layout of a version: the only one kept with it, or else the one its record names.
    ///
    /// # Errors
    /// When there is no such version, or it is damaged.
    pub fn layout(&self, version: u32) -> Result<Option<HeldLayout>> {
        let kept: Vec<String> = self
            .files(version)?
            .into_iter()
            .filter(|file| file.role == Some(Role::Layout) && file.path.ends_with(".toml"))
            .map(|file| file.path)
            .collect();
        if let [only] = kept.as_slice() {
            return Ok(Some(HeldLayout::Kept(self.read(version, only)?)));
        }
        Ok(self.record(version)?.layout.map(HeldLayout::Named))
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
            HeldLayout::Kept(text) => {
                layout::from_text("layout.toml", &String::from_utf8_lossy(text))
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
