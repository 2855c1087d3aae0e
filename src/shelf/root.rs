//! A shelf's own folder: setting it up, opening it, and the writers' turn.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::disk::{self, Kind, sha256};
use super::error::{Result, ShelfError};
use super::inventory::ROOT_MARK;
use crate::blame::DiskError;
use crate::reading::place::shelf_around;
pub(super) use crate::reading::shelf_place::{DECLARATION, JOBS, TURN};

/// The version of the shelf's own format, written in `shelf.json`.
pub(super) const FORMAT: u32 = 1;

const DECLARED: &str = "{\n  \"kind\": \"shelf\",\n  \"version\": 1\n}\n";
const LAYOUT_JSON: &str = "{\n  \"extension\": \"0002-flat-direct-storage-layout\",\n  \"description\": \"The folder of a job has the name of the job\"\n}\n";
const READ_ME: &str = include_str!("read-me.txt");

/// The files every shelf has, by path, with their content; all but the manifest are named in the manifest.
pub(super) fn fixed_files() -> Vec<(String, String)> {
    let mut files = vec![
        ("READ-ME.txt".to_owned(), READ_ME.to_owned()),
        (format!("jobs/{}", ROOT_MARK.0), ROOT_MARK.1.to_owned()),
        ("jobs/ocfl_layout.json".to_owned(), LAYOUT_JSON.to_owned()),
        (DECLARATION.to_owned(), DECLARED.to_owned()),
    ];
    let manifest = files
        .iter()
        .map(|(path, text)| format!("{}  {path}\n", sha256(text.as_bytes())))
        .collect();
    files.insert(0, (MANIFEST.to_owned(), manifest));
    files
}

/// The manifest of the shelf's fixed files, for `sha256sum -c`.
pub(super) const MANIFEST: &str = "manifest-sha256.txt";
/// What may lie in a shelf's folder.
pub(super) const PARTS: [&str; 9] = [
    "READ-ME.txt",
    "damaged",
    "index",
    JOBS,
    MANIFEST,
    "parity",
    DECLARATION,
    "staging",
    TURN,
];

/// A shelf that has been opened.
#[derive(Debug)]
pub struct Shelf {
    root: PathBuf,
    wait: Duration,
}

/// The right to write, held until dropped or until the process ends.
#[derive(Debug)]
pub struct Turn {
    _lock: File,
}

impl Shelf {
    /// Sets up a shelf in a new or empty folder. A set-up that was broken off is begun anew.
    ///
    /// # Errors
    /// When the folder holds anything else or lies on a shelf, or the disk refuses.
    pub fn set_up(root: &Path) -> Result<Shelf> {
        if let Some(outer) = root.parent().and_then(shelf_around) {
            return Err(ShelfError::OnShelf {
                path: root.to_owned(),
                shelf: outer,
            });
        }
        if disk::is_there(root)? {
            let there = disk::entries(root)?;
            let ours = there.iter().all(|(n, _)| PARTS.contains(&n.as_str()))
                && !there.iter().any(|(n, _)| n == DECLARATION)
                && !has_jobs(root)?;
            if !ours {
                return Err(ShelfError::NotEmpty(root.to_owned()));
            }
            for (name, _) in there {
                disk::remove(&root.join(name))?;
            }
        } else {
            disk::make_folder(root)?;
        }
        let folders = ["jobs", "parity", "index", "staging"];
        for folder in folders {
            disk::make_folder(&disk::under(root, folder))?;
        }
        disk::write_new(&root.join(TURN), b"")?;
        let (last, first): (Vec<_>, Vec<_>) = fixed_files()
            .into_iter()
            .partition(|(path, _)| path == DECLARATION);
        for (path, text) in first {
            disk::write_new(&disk::under(root, &path), text.as_bytes())?;
        }
        for folder in folders.iter().rev() {
            disk::sync_folder(&disk::under(root, folder))?;
        }
        disk::sync_folder(root)?;
        // The declaration comes last and whole: a folder with it is a whole shelf.
        for (path, text) in last {
            let fresh = root.join("staging").join(&path);
            disk::write_new(&fresh, text.as_bytes())?;
            disk::rename(&fresh, &root.join(path))?;
        }
        disk::sync_folder(root)?;
        if let Some(parent) = root.parent() {
            let parent = if parent.as_os_str().is_empty() {
                Path::new(".")
            } else {
                parent
            };
            disk::sync_folder(parent)?;
        }
        Shelf::open(root, Duration::from_secs(30))
    }

    /// Opens a shelf; `wait` is how long a writer waits for its turn. What a killed writer left is settled first,
    /// unless another writer is at work or the disk is read-only.
    ///
    /// # Errors
    /// When there is no shelf, it is not whole, or it is of a later format.
    pub fn open(root: &Path, wait: Duration) -> Result<Shelf> {
        check_own_files(root)?;
        Shelf::begin(root, wait)
    }

    /// Opens a shelf whose own files may be damaged, to audit and to repair it.
    ///
    /// # Errors
    /// When there is no shelf, its jobs are not there, or it is of a later format.
    pub fn open_damaged(root: &Path, wait: Duration) -> Result<Shelf> {
        match check_own_files(root) {
            Err(ShelfError::DamagedShelf { .. }) | Ok(()) => Shelf::begin(root, wait),
            Err(e) => Err(e),
        }
    }

    fn begin(root: &Path, wait: Duration) -> Result<Shelf> {
        let shelf = Shelf {
            root: root.to_owned(),
            wait,
        };
        if shelf.has_litter() {
            shelf.settle_if_free()?;
        }
        Ok(shelf)
    }

    /// The shelf's folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    pub(super) fn part(&self, name: &str) -> PathBuf {
        self.root.join(name)
    }

    pub(super) fn jobs_folder(&self) -> PathBuf {
        self.root.join(JOBS)
    }

    pub(super) fn staging(&self) -> PathBuf {
        self.root.join("staging")
    }

    /// Where the parity file of a version lies.
    pub(super) fn parity_file(&self, job: &str, version: u32) -> PathBuf {
        self.root
            .join("parity")
            .join(job)
            .join(format!("v{version}.parity"))
    }

    fn has_litter(&self) -> bool {
        disk::entries(&self.staging()).is_ok_and(|list| !list.is_empty())
    }

    fn settle_if_free(&self) -> Result<()> {
        match self.lock(Duration::ZERO) {
            Ok(turn) => self.recover(&turn),
            // Another writer is at work, and what lies in staging is its own; or nothing can be written here.
            Err(ShelfError::Busy(_) | ShelfError::ReadOnly { .. }) => Ok(()),
            Err(e) => Err(e),
        }
    }

    /// Waits for the writers' turn and settles what a killed writer left.
    ///
    /// # Errors
    /// [`ShelfError::Busy`] when another writer holds it for too long, [`ShelfError::ReadOnly`] on a read-only disk.
    pub fn turn(&self) -> Result<Turn> {
        let turn = self.lock(self.wait)?;
        for folder in ["staging", "parity", "index"] {
            if disk::ensure_folder(&self.part(folder))? {
                disk::sync_folder(&self.root)?;
            }
        }
        if self.has_litter() {
            self.recover(&turn)?;
        }
        Ok(turn)
    }

    fn lock(&self, wait: Duration) -> Result<Turn> {
        let place = self.part(TURN);
        let mut options = OpenOptions::new();
        options.read(true).write(true).create(true).truncate(false);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let file = options.open(&place).map_err(|e| match e.kind() {
            ErrorKind::ReadOnlyFilesystem | ErrorKind::PermissionDenied => ShelfError::ReadOnly {
                path: self.root.clone(),
                says: e.to_string(),
            },
            _ => DiskError::new("open", &place, e).into(),
        })?;
        let begun = Instant::now();
        let mut pause = Duration::from_millis(1);
        loop {
            match file.try_lock() {
                Ok(()) => return Ok(Turn { _lock: file }),
                Err(TryLockError::WouldBlock) => {}
                Err(TryLockError::Error(e)) => return Err(DiskError::new("lock", &place, e).into()),
            }
            let waited = begun.elapsed();
            if waited >= wait {
                return Err(ShelfError::Busy(waited.as_secs_f64()));
            }
            std::thread::sleep(pause.min(wait - waited));
            pause = (pause * 2).min(Duration::from_millis(20));
        }
    }

    /// The names of all jobs in the store, in order, whatever their state.
    ///
    /// # Errors
    /// When the folder cannot be read.
    pub fn job_names(&self) -> Result<Vec<String>> {
        Ok(disk::entries(&self.jobs_folder())?
            .into_iter()
            .filter(|(name, kind)| *kind == Kind::Folder && name != "extensions")
            .map(|(name, _)| name)
            .collect())
    }

    /// The job a name stands for: its whole name, or a part that only one job has.
    ///
    /// # Errors
    /// When no job or several answer to it, or nothing is left of the job but its parity.
    pub fn job_named(&self, name: &str) -> Result<String> {
        if super::names::check_job_name(name).is_ok() {
            let place = self.jobs_folder().join(name);
            if disk::is_folder(&place)? {
                return Ok(name.to_owned());
            }
            if disk::is_there(&place)? {
                return Err(ShelfError::NoFolder(name.to_owned()));
            }
            if disk::is_there(&self.part("parity").join(name))? {
                return Err(ShelfError::Gone(name.to_owned()));
            }
        }
        let wanted = name.to_ascii_lowercase();
        let all = self.job_names()?;
        let mut among: Vec<String> = all
            .iter()
            .filter(|job| !wanted.is_empty() && job.contains(&wanted))
            .cloned()
            .collect();
        match among.len() {
            1 => Ok(among.remove(0)),
            0 => Err(ShelfError::NoJob {
                name: name.to_owned(),
                near: nearest(&wanted, &all),
            }),
            _ => {
                among.truncate(8);
                Err(ShelfError::Ambiguous {
                    name: name.to_owned(),
                    among,
                })
            }
        }
    }
}

/// Up to two names that share most of their beginnings and endings with the one asked for.
fn nearest(wanted: &str, all: &[String]) -> Vec<String> {
    let score = |job: &str| {
        let front = job.bytes().zip(wanted.bytes()).take_while(|(a, b)| a == b);
        let back = job.bytes().rev().zip(wanted.bytes().rev());
        front.count() + back.take_while(|(a, b)| a == b).count()
    };
    let mut scored: Vec<(usize, &String)> = all
        .iter()
        .map(|job| (score(job), job))
        .filter(|(s, _)| *s * 2 >= wanted.len().max(4))
        .collect();
    scored.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(b.1)));
    scored.into_iter().take(2).map(|(_, j)| j.clone()).collect()
}

pub(super) fn has_jobs(root: &Path) -> Result<bool> {
    let jobs = root.join(JOBS);
    if !disk::is_there(&jobs)? {
        return Ok(false);
    }
    Ok(disk::entries(&jobs)?
        .iter()
        .any(|(name, kind)| *kind == Kind::Folder && name != "extensions"))
}

/// Whether the files that make a folder a shelf are there and say what they must.
fn check_own_files(root: &Path) -> Result<()> {
    let mark = root.join(JOBS).join(ROOT_MARK.0);
    let damaged = |what: &str| ShelfError::DamagedShelf {
        path: root.to_owned(),
        what: what.to_owned(),
    };
    if !disk::is_folder(&root.join(JOBS))? {
        let half = |missing: &str| ShelfError::HalfShelf {
            path: root.to_owned(),
            missing: missing.to_owned(),
        };
        return Err(if disk::is_there(&root.join(JOBS))? {
            half("the folder jobs; something else is in its place")
        } else if disk::is_there(&root.join(DECLARATION))? {
            half("the folder jobs")
        } else {
            ShelfError::NoShelf(root.to_owned())
        });
    }
    let Some(declaration) = disk::read_if_there(&root.join(DECLARATION))? else {
        return Err(if disk::is_there(&mark)? && has_jobs(root)? {
            damaged("shelf.json is missing")
        } else if has_jobs(root)? {
            ShelfError::HalfShelf {
                path: root.to_owned(),
                missing: "shelf.json".to_owned(),
            }
        } else {
            ShelfError::Unfinished(root.to_owned())
        });
    };
    if let Some(says) = check_declaration(root, &declaration)? {
        return Err(damaged(&says));
    }
    if disk::is_there(&mark)? {
        return Ok(());
    }
    let other = disk::entries(&root.join(JOBS))?
        .into_iter()
        .find(|(n, _)| n.starts_with("0=ocfl_"));
    Err(match other {
        Some((name, _)) => ShelfError::Newer {
            what: "the OCFL storage root".to_owned(),
            found: name["0=ocfl_".len()..].to_owned(),
            known: 1,
        },
        None => damaged("jobs/0=ocfl_1.1 is missing"),
    })
}

/// What is wrong with the shelf's declaration. It is of a later version only where the shelf's manifest bears it out:
/// else it is a file that was altered.
fn check_declaration(root: &Path, bytes: &[u8]) -> Result<Option<String>> {
    #[derive(serde::Deserialize)]
    struct Declaration {
        kind: String,
        version: u32,
    }
    let declaration: Declaration = match serde_json::from_slice(bytes) {
        Ok(declaration) => declaration,
        Err(e) => return Ok(Some(format!("shelf.json cannot be read: {e}"))),
    };
    if declaration.kind != "shelf" {
        return Ok(Some(
            "shelf.json does not say that this is a shelf".to_owned(),
        ));
    }
    if declaration.version == FORMAT {
        return Ok(None);
    }
    let manifest = disk::read_if_there(&root.join(MANIFEST))?.unwrap_or_default();
    let line = format!("{}  shelf.json", sha256(bytes));
    let borne_out = String::from_utf8_lossy(&manifest)
        .lines()
        .any(|l| l == line);
    if borne_out && declaration.version > FORMAT {
        return Err(ShelfError::Newer {
            what: "the shelf".to_owned(),
            found: declaration.version.to_string(),
            known: FORMAT,
        });
    }
    Ok(Some("shelf.json does not match its digest".to_owned()))
}
