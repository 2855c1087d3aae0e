//! What is left of a lost job or version: its parity, by which it can be restored, and whose place nothing new may take.

use super::disk::{self, sha256};
use super::error::{Result, ShelfError};
use super::inventory::{FILE, number_of};
use super::parity;
use super::root::Shelf;
use super::store::Stored;

impl Shelf {
    /// Whether a name is neither that of a job nor that of a lost one.
    pub(super) fn is_free(&self, id: &str) -> Result<bool> {
        match self.check_free(id) {
            Ok(()) => Ok(true),
            Err(ShelfError::JobExists(_) | ShelfError::LostJob(_)) => Ok(false),
            Err(e) => Err(e),
        }
    }

    /// Refuses the name of a job, and of a lost one.
    pub(super) fn check_free(&self, id: &str) -> Result<()> {
        if disk::is_there(&self.jobs_folder().join(id))? {
            return Err(ShelfError::JobExists(id.to_owned()));
        }
        if disk::is_there(&self.part("parity").join(id))? {
            return Err(ShelfError::LostJob(id.to_owned()));
        }
        Ok(())
    }

    /// Refuses to go on with a job of which a version after `head` is lost.
    pub(super) fn check_last(&self, id: &str, head: u32) -> Result<()> {
        match self.parity_numbers(id)?.last() {
            Some(&version) if version > head => Err(ShelfError::LostVersion {
                job: id.to_owned(),
                version,
            }),
            _ => Ok(()),
        }
    }

    /// Refuses a job of another shelf that is not the one of which, after version `head`, only the parity is left here.
    /// Parity that cannot be read tells nothing.
    pub(super) fn check_same(&self, other: &Stored, head: u32) -> Result<()> {
        let id = other.id();
        let lost = self.parity_numbers(id)?.into_iter();
        for version in lost.filter(|n| (head + 1..=other.head()).contains(n)) {
            let file = disk::read(&self.parity_file(id, version))?;
            let Some(parity) = parity::read(&file) else {
                continue;
            };
            let theirs = sha256(&disk::read(
                &other.folder.join(format!("v{version}")).join(FILE),
            )?);
            let covers = |path: &str, digest: &str| path == FILE && digest != theirs;
            if parity.head.files.iter().any(|f| covers(&f.path, &f.sha256)) {
                return Err(match head {
                    0 => ShelfError::LostJob(id.to_owned()),
                    _ => ShelfError::LostVersion {
                        job: id.to_owned(),
                        version,
                    },
                });
            }
        }
        Ok(())
    }

    /// What is to be done about versions that are lost even though their job was taken in.
    pub(super) fn lost_caution(&self, id: &str, head: u32) -> Option<String> {
        let lost = self.check_last(id, head).err()?;
        Some(format!(
            "{lost}; `cellkeep shelf repair {id}` restores it where its parity can"
        ))
    }

    /// The last version there is a folder or a parity file for.
    pub(super) fn last_version(&self, id: &str) -> Result<u32> {
        let mut last = self.parity_numbers(id)?.pop().unwrap_or(0);
        let folder = self.jobs_folder().join(id);
        if disk::is_there(&folder)? {
            for (name, _) in disk::entries(&folder)? {
                let has_inventory = disk::is_there(&folder.join(&name).join(FILE))?;
                last = last.max(number_of(&name).filter(|_| has_inventory).unwrap_or(0));
            }
        }
        Ok(last)
    }

    /// The versions there is a parity file for, in order.
    fn parity_numbers(&self, id: &str) -> Result<Vec<u32>> {
        let folder = self.part("parity").join(id);
        let mut numbers: Vec<u32> = match disk::is_folder(&folder)? {
            true => disk::entries(&folder)?
                .into_iter()
                .filter_map(|(name, _)| number_of(name.strip_suffix(".parity")?))
                .collect(),
            false => Vec::new(),
        };
        numbers.sort_unstable();
        Ok(numbers)
    }
}
