//! The index: an SQLite database to find jobs by, made from the store and never the only home of a fact.
//!
//! It is written in the same turn as the store, after it, and synced, so a job that is on the shelf is found. A job
//! whose update was cut short still has its entry in `staging`, by which the next command makes it good; jobs copied
//! in or taken away by hand show in the time of the `jobs` folder. An index that is missing, damaged or of another
//! version is made anew; on a read-only disk that happens in memory.

use std::time::SystemTime;

use rusqlite::{Connection, ErrorCode, OptionalExtension};

use super::disk;
use super::entry::write_job;
use super::error::{Result, ShelfError};
use super::facts::Facts;
use super::known::Rebuilt;
use super::query::{Hit, Listed, Query};
use super::root::Shelf;

/// Raised when the tables, the seals or the facts change; an index of another version is made anew.
const VERSION: i64 = 3;

const TABLES: &str = "
CREATE TABLE jobs (
  id INTEGER PRIMARY KEY, job TEXT NOT NULL UNIQUE, instrument TEXT, layout TEXT, serial TEXT, customer TEXT,
  complaint TEXT, opened TEXT, closed TEXT, changed TEXT NOT NULL, head INTEGER NOT NULL, files INTEGER NOT NULL,
  bytes INTEGER NOT NULL, notes INTEGER NOT NULL, seal TEXT NOT NULL);
CREATE INDEX jobs_serial ON jobs (serial);
CREATE TABLE files (id INTEGER NOT NULL, path TEXT NOT NULL, digest TEXT NOT NULL, bytes INTEGER NOT NULL, version INTEGER NOT NULL);
CREATE INDEX files_id ON files (id);
CREATE INDEX files_digest ON files (digest);
CREATE TABLE findings (id INTEGER NOT NULL, code TEXT NOT NULL, severity TEXT NOT NULL, says TEXT NOT NULL);
CREATE INDEX findings_id ON findings (id);
CREATE INDEX findings_code ON findings (code);
CREATE TABLE keys (key INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE parameters (id INTEGER NOT NULL, key INTEGER NOT NULL, codes TEXT NOT NULL, settings TEXT NOT NULL);
CREATE INDEX parameters_id ON parameters (id);
CREATE INDEX parameters_key ON parameters (key);
CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE VIRTUAL TABLE words USING fts5 (text, tokenize = 'unicode61 remove_diacritics 2');
";

pub(super) struct Index {
    pub(super) connection: Connection,
    /// Keeps the copy of an index on a read-only disk.
    _copy: Option<tempfile::TempDir>,
}

fn is_full(error: &rusqlite::Error) -> bool {
    error.sqlite_error_code() == Some(ErrorCode::DiskFull)
}

fn is_broken(error: &ShelfError) -> bool {
    matches!(error, ShelfError::Index(rusqlite::Error::SqliteFailure(e, _))
        if matches!(e.code, ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
        || matches!(
            error,
            ShelfError::Index(
                rusqlite::Error::InvalidColumnType(..)
                    | rusqlite::Error::IntegralValueOutOfRange(..)
                    | rusqlite::Error::FromSqlConversionFailure(..)
                    | rusqlite::Error::Utf8Error(..)
            )
        )
}

impl Shelf {
    pub(super) fn index_file(&self) -> std::path::PathBuf {
        self.part("index").join("shelf.sqlite")
    }

    pub(super) fn index_is_file(&self) -> bool {
        disk::is_plain(self.root(), "index/shelf.sqlite").unwrap_or(false)
    }

    /// Keeps whatever lies in the place of the index and is no file.
    fn set_index_aside(&self) -> Result<()> {
        let kept = self.part("damaged").join("index");
        for folder in [self.part("damaged"), kept.clone()] {
            disk::ensure_folder(&folder)?;
        }
        let mut n = 1;
        while disk::is_there(&kept.join(n.to_string()))? {
            n += 1;
        }
        disk::rename(&self.index_file(), &kept.join(n.to_string()))?;
        disk::sync_folder(&kept)
    }

    fn jobs_time(&self) -> Option<String> {
        let time = self.jobs_folder().metadata().ok()?.modified().ok()?;
        let since = time.duration_since(SystemTime::UNIX_EPOCH).ok()?;
        Some(since.as_nanos().to_string())
    }

    /// The index file opened for writing, made where it is missing. Needs the turn.
    fn index_to_write(&self) -> Result<(Connection, bool)> {
        let file = self.index_file();
        if disk::is_there(&file)? && !self.index_is_file() {
            self.set_index_aside()?;
        }
        if !disk::is_there(&file)? {
            drop(disk::create_file(&file)?);
        }
        let connection = open_file(&file)?;
        let version: i64 = connection.query_row("PRAGMA user_version", [], |r| r.get(0))?;
        Ok((connection, version == VERSION))
    }

    /// Brings one job's entry up to date. Needs the turn.
    pub(super) fn index_job(&self, id: &str) -> Result<()> {
        let attempt = || -> Result<()> {
            let (mut connection, known) = self.index_to_write()?;
            if !known {
                return self.index_all(None).map(|_| ());
            }
            let there = disk::is_there(&self.jobs_folder().join(id))?;
            let facts = if there { Some(self.facts(id)?) } else { None };
            let change = connection.transaction()?;
            write_job(&change, id, facts)?;
            self.write_time(&change)?;
            change.commit()?;
            Ok(())
        };
        match attempt() {
            Err(e) if is_broken(&e) => self.index_all(None).map(|_| ()),
            outcome => outcome,
        }
    }

    fn write_time(&self, connection: &Connection) -> Result<()> {
        if let Some(time) = self.jobs_time() {
            connection.execute(
                "INSERT OR REPLACE INTO about VALUES ('jobs folder', ?1)",
                [time],
            )?;
        }
        Ok(())
    }

    /// Makes the whole index anew from the store.
    ///
    /// # Errors
    /// When the store cannot be read or the index not written.
    pub fn rebuild_index(&self, progress: Option<&super::Progress<'_>>) -> Result<Rebuilt> {
        let _turn = self.turn()?;
        let known = self.index_known()?;
        let gone = self.missing_of(&known)?;
        let (jobs, unread) = self.index_all(progress)?;
        Ok(Rebuilt { jobs, unread, gone })
    }

    fn index_all(&self, progress: Option<&super::Progress<'_>>) -> Result<(usize, Vec<String>)> {
        let folder = self.part("index");
        if disk::is_there(&self.index_file())? && !self.index_is_file() {
            self.set_index_aside()?;
        }
        // The database goes before its journal, and both before the new one comes, for good each time: a power loss must
        // leave neither an old database without its journal nor a new one with the journal of the old.
        disk::remove(&self.index_file())?;
        disk::sync_folder(&folder)?;
        for name in [
            "shelf.sqlite-wal",
            "shelf.sqlite-shm",
            "shelf.sqlite-journal",
        ] {
            disk::remove(&folder.join(name))?;
        }
        disk::sync_folder(&folder)?;
        let (mut connection, _) = self.index_to_write()?;
        let count = self.fill(&mut connection, progress)?;
        connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        disk::sync_folder(&folder)?;
        Ok(count)
    }

    fn fill(
        &self,
        connection: &mut Connection,
        progress: Option<&super::Progress<'_>>,
    ) -> Result<(usize, Vec<String>)> {
        use rayon::prelude::*;
        let change = connection.transaction()?;
        change.execute_batch(TABLES)?;
        let names = self.job_names()?;
        let mut unread = Vec::new();
        for some in names.chunks(256) {
            let facts: Vec<Result<Facts>> = some.par_iter().map(|id| self.facts(id)).collect();
            for (id, facts) in some.iter().zip(facts) {
                let facts = facts.unwrap_or_else(|e| {
                    unread.push(format!("{id}: {e}"));
                    Facts::of_name(id)
                });
                write_job(&change, id, Some(facts))?;
            }
            if let Some(progress) = progress {
                progress(some.len() as u64, names.len() as u64);
            }
        }
        self.write_time(&change)?;
        change.execute_batch(&format!("PRAGMA user_version = {VERSION}"))?;
        change.commit()?;
        Ok((names.len(), unread))
    }

    /// The index for reading: as it is where it is good, brought up to date where it is not, and made in memory where
    /// nothing can be written.
    pub(super) fn index(&self) -> Result<Index> {
        let on_disk = self.index_on_disk().or_else(|e| match e {
            ShelfError::Index(_) => Ok(None),
            e => Err(e),
        })?;
        if let Some(index) = on_disk {
            if index.is_current(self).unwrap_or(false) {
                return Ok(index);
            }
            drop(index);
        }
        match self.turn() {
            Ok(_turn) => {
                let good = self.index_to_write().and_then(|(connection, known)| {
                    if known {
                        self.index_difference(connection)
                    } else {
                        self.index_all(None).map(|_| ())
                    }
                });
                let good = match good {
                    Err(e) if is_broken(&e) => self.index_all(None).map(|_| ()),
                    other => other,
                };
                match good {
                    // What is on the shelf can be read all the same.
                    Err(ShelfError::Index(e)) if is_full(&e) => {}
                    other => {
                        other?;
                        if let Some(index) = self.index_on_disk()? {
                            return Ok(index);
                        }
                    }
                }
            }
            Err(ShelfError::ReadOnly { .. }) => {}
            Err(e) => return Err(e),
        }
        let mut connection = Connection::open_in_memory()?;
        self.fill(&mut connection, None)?;
        Ok(Index {
            connection,
            _copy: None,
        })
    }

    /// Indexes the jobs that came or went without the index being told, and those the disk would not give before.
    fn index_difference(&self, mut connection: Connection) -> Result<()> {
        let known: Vec<(String, u32)> = connection
            .prepare("SELECT job, head FROM jobs ORDER BY job")?
            .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
            .collect::<std::result::Result<_, _>>()?;
        let there = self.job_names()?;
        let change = connection.transaction()?;
        for (id, _) in &known {
            if there.binary_search(id).is_err() {
                write_job(&change, id, None)?;
            }
        }
        for id in &there {
            let head = known
                .binary_search_by(|(known, _)| known.cmp(id))
                .map(|at| known[at].1);
            match (head, self.read_unless(id, head)) {
                (_, Some(Ok(facts))) if head != Ok(facts.head) => {
                    write_job(&change, id, Some(facts))?;
                }
                (Err(_), Some(Err(_))) => write_job(&change, id, Some(Facts::of_name(id)))?,
                _ => {}
            }
        }
        self.write_time(&change)?;
        change.commit()?;
        Ok(())
    }

    /// The facts of a job, unless the index has them.
    fn read_unless(
        &self,
        id: &str,
        head: std::result::Result<u32, usize>,
    ) -> Option<Result<Facts>> {
        (head.unwrap_or(0) == 0).then(|| self.facts(id))
    }

    /// The index as it lies on the disk, if it is of this version.
    pub(super) fn index_on_disk(&self) -> Result<Option<Index>> {
        let file = self.index_file();
        if !self.index_is_file() {
            return Ok(None);
        }
        let (connection, copy) = match open_file(&file) {
            Ok(connection) => (connection, None),
            Err(e) if is_broken(&e) => return Err(e),
            Err(_) => {
                // Nothing can be written here, and a database with a journal needs that: read a copy of it.
                let copy = tempfile::tempdir().map_err(|e| {
                    crate::blame::DiskError::new("make a folder in", std::env::temp_dir(), e)
                })?;
                for name in ["shelf.sqlite", "shelf.sqlite-wal"] {
                    let from = self.part("index").join(name);
                    if let Some(bytes) = disk::read_if_there(&from)? {
                        disk::write_new(&copy.path().join(name), &bytes)?;
                    }
                }
                (open_file(&copy.path().join("shelf.sqlite"))?, Some(copy))
            }
        };
        let version: i64 = connection.query_row("PRAGMA user_version", [], |r| r.get(0))?;
        if version != VERSION {
            return Ok(None);
        }
        Ok(Some(Index {
            connection,
            _copy: copy,
        }))
    }

    /// Every job, the latest opened first.
    ///
    /// # Errors
    /// When the index can neither be read nor made.
    pub fn list(&self, open: Option<bool>) -> Result<Vec<Listed>> {
        let query = Query {
            open,
            ..Query::default()
        };
        Ok(self.find(&query)?.into_iter().map(|hit| hit.job).collect())
    }

    /// The jobs that answer a query, the latest opened first.
    ///
    /// # Errors
    /// When the index can neither be read nor made.
    pub fn find(&self, query: &Query) -> Result<Vec<Hit>> {
        self.index()?.find(query)
    }

    /// Whether any bank on the shelf has a parameter of that key; and if not, the nearest there is.
    ///
    /// # Errors
    /// When the index can neither be read nor made.
    pub fn knows_parameter(&self, key: &str) -> Result<std::result::Result<(), Option<String>>> {
        self.index()?.knows_key(key)
    }
}

/// Whether the versions in a database's header (bytes 18 and 19; SQLite, *Database File Format*, 1.3.3) are of
/// this age. A later one to write by makes SQLite read on and refuse every change as if the disk were read-only.
fn has_sound_versions(file: &std::path::Path) -> Result<bool> {
    use std::io::Read;
    let mut head = Vec::new();
    std::fs::File::open(file)
        .and_then(|f| f.take(20).read_to_end(&mut head))
        .map_err(|e| crate::blame::DiskError::new("read", file, e))?;
    Ok(head
        .get(18..20)
        .is_none_or(|v| v.iter().all(|v| (1..=2).contains(v))))
}

fn open_file(file: &std::path::Path) -> Result<Connection> {
    if !has_sound_versions(file)? {
        let why = "its header is damaged".to_owned();
        let damaged = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_CORRUPT);
        return Err(rusqlite::Error::SqliteFailure(damaged, Some(why)).into());
    }
    let connection = Connection::open_with_flags(
        file,
        rusqlite::OpenFlags::SQLITE_OPEN_READ_WRITE | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    connection.busy_timeout(std::time::Duration::from_secs(10))?;
    // The last connection to close moves the journal into the database: a journal that outlived its writers would be read
    // from its beginning by every command, and would never start anew.
    connection.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;")?;
    Ok(connection)
}

impl Index {
    /// Whether it knows the jobs that are there, by the time of their folder, and could read them all.
    fn is_current(&self, shelf: &Shelf) -> Result<bool> {
        let time: Option<String> = self
            .connection
            .query_row(
                "SELECT value FROM about WHERE name = 'jobs folder'",
                [],
                |r| r.get(0),
            )
            .optional()?;
        let unread: bool = self.connection.query_row(
            "SELECT EXISTS (SELECT 1 FROM jobs WHERE head = 0)",
            [],
            |r| r.get(0),
        )?;
        Ok(time == shelf.jobs_time() && !unread)
    }
}
