//! What can go wrong with a shelf, and who must act.

use std::path::PathBuf;

use crate::blame::{Blame, DiskError, Who};

/// Why the shelf could not do something.
#[derive(Debug, thiserror::Error)]
pub enum ShelfError {
    /// The file system refused.
    #[error(transparent)]
    Disk(#[from] DiskError),
    /// There is no shelf at the place.
    #[error("no shelf at {}", .0.display())]
    NoShelf(PathBuf),
    /// Something is already at the place where a shelf was to be set up.
    #[error("{} is not empty", .0.display())]
    NotEmpty(PathBuf),
    /// A shelf was to be set up on another.
    #[error("{} lies on the shelf at {}; a shelf holds no other shelf", path.display(), shelf.display())]
    OnShelf {
        /// The place that was named.
        path: PathBuf,
        /// The shelf it lies on.
        shelf: PathBuf,
    },
    /// A set-up was broken off, as by a full disk.
    #[error("the set-up of the shelf at {} was broken off; no job was on it yet", .0.display())]
    Unfinished(PathBuf),
    /// A part of the shelf is not there, as when a copy was broken off.
    #[error("the shelf at {} is not whole: {missing} is missing", path.display())]
    HalfShelf {
        /// The shelf.
        path: PathBuf,
        /// The part that is missing.
        missing: String,
    },
    /// One of the files every shelf has is damaged.
    #[error("the shelf at {} is damaged: {what}", path.display())]
    DamagedShelf {
        /// The shelf.
        path: PathBuf,
        /// What was found.
        what: String,
    },
    /// A link or a file lies where a job's folder belongs.
    #[error(
        "jobs/{0} on the shelf is not a folder, so it is no job; links are not followed on a shelf"
    )]
    NoFolder(String),
    /// A job's folder has the name of another.
    #[error("the folder jobs/{folder} holds the job {job}")]
    Misplaced {
        /// The folder.
        folder: String,
        /// The job in it.
        job: String,
    },
    /// The shelf, or a document on it, was written by a later version of the format.
    #[error("{what} is of version {found}; this program knows versions up to {known}")]
    Newer {
        /// What carries the version.
        what: String,
        /// The version found.
        found: String,
        /// The latest version this program knows.
        known: u32,
    },
    /// Another program was writing for longer than we were willing to wait.
    #[error("the shelf is busy: another writer has held it for {0:.1} s")]
    Busy(f64),
    /// The shelf lies where nothing can be written.
    #[error("the shelf at {} cannot be written to: {says}", path.display())]
    ReadOnly {
        /// The shelf.
        path: PathBuf,
        /// What the system said.
        says: String,
    },
    /// No job answers to the name.
    #[error("no job on the shelf answers to \"{name}\"")]
    NoJob {
        /// The name as given.
        name: String,
        /// The nearest names there are.
        near: Vec<String>,
    },
    /// The whole folder of a job is missing.
    #[error("the whole folder jobs/{0} is missing from the shelf")]
    Gone(String),
    /// Several jobs answer to the name.
    #[error("\"{name}\" could be any of {}: {}", among.len(), among.join(", "))]
    Ambiguous {
        /// The name as given.
        name: String,
        /// The jobs it could be.
        among: Vec<String>,
    },
    /// The job is already there.
    #[error("the job {0} is already on the shelf")]
    JobExists(String),
    /// The name is that of a job that was lost: its parity is there.
    #[error(
        "{0} is the name of a job that is lost: its parity is on the shelf, and its folder is missing"
    )]
    LostJob(String),
    /// A version of the job was lost: its parity is there.
    #[error(
        "version {version} of the job {job} is lost: its parity is on the shelf, and its folder is missing"
    )]
    LostVersion {
        /// The job.
        job: String,
        /// The version.
        version: u32,
    },
    /// The same job was changed on two shelves.
    #[error("the job {job} on this shelf is another from version {version} on")]
    Parted {
        /// The job.
        job: String,
        /// The first version that differs.
        version: u32,
    },
    /// A job's name that cannot be a folder's name on every system.
    #[error("\"{name}\" cannot be a job's name: {why}")]
    BadName {
        /// The name as given.
        name: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// A field of a job that cannot be kept as given.
    #[error("{field} \"{value}\" cannot be kept: {why}")]
    BadField {
        /// The field.
        field: &'static str,
        /// Its value as given.
        value: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// The job has no such version.
    #[error("the job {job} has versions 1 to {head}, not {asked}")]
    NoVersion {
        /// The job.
        job: String,
        /// Its latest version.
        head: u32,
        /// The version asked for.
        asked: u32,
    },
    /// The job holds no such file or folder in that version.
    #[error("the job {job} holds no \"{path}\" in version {version}")]
    NoFile {
        /// The job.
        job: String,
        /// The version looked at.
        version: u32,
        /// The path asked for.
        path: String,
        /// The folders there are.
        there: Vec<String>,
    },
    /// Another file of that name is in the job's latest version.
    #[error("the job {job} already holds another {path}")]
    FileExists {
        /// The job.
        job: String,
        /// The path in the job.
        path: String,
    },
    /// A reading is there already, and another would be mixed with it.
    #[error("the job {job} already holds a reading in {place}")]
    ReadingThere {
        /// The job.
        job: String,
        /// The folder in the job.
        place: String,
    },
    /// The job is closed.
    #[error("the job {0} is closed")]
    Closed(String),
    /// Nothing was given to put in.
    #[error("nothing to put in: {0}")]
    Nothing(String),
    /// A file given is not a plain file, or changed while it was copied.
    #[error("{} {why}", path.display())]
    BadFile {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// What is stored is not what was put in.
    #[error("the job {job} is damaged: {what}")]
    Damaged {
        /// The job.
        job: String,
        /// What was found.
        what: String,
    },
    /// What was written did not read back the same: the disk or its driver lost bytes.
    #[error("{} did not read back as it was written", .0.display())]
    Unfaithful(PathBuf),
    /// The damage is larger than the parity can make good.
    #[error("the job {job} cannot be restored from its parity: {why}")]
    BeyondParity {
        /// The job.
        job: String,
        /// How much is lost and how much could be.
        why: String,
    },
    /// A shelf reference that cannot be read.
    #[error("\"{text}\" is not a shelf reference: {why}")]
    BadReference {
        /// The reference as given.
        text: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// A bag that cannot be taken in.
    #[error("{} cannot be taken in: {why}", path.display())]
    BadBag {
        /// The bag.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// The index failed.
    #[error("the index: {0}")]
    Index(#[from] rusqlite::Error),
    /// The job is safe, but the index does not know it yet.
    #[error("{done}; the index could not be brought up to date: {why}")]
    IndexBehind {
        /// What has been done for good.
        done: String,
        /// Why the index failed.
        why: String,
    },
    /// A document that could not be written or read as JSON.
    #[error("{what}: {source}")]
    Json {
        /// The document.
        what: String,
        /// What the JSON library said.
        source: serde_json::Error,
    },
    /// A time that cannot be read.
    #[error("\"{0}\" is not a date such as 2019, 2019-04 or 2019-04-30")]
    BadDate(String),
}

impl Blame for ShelfError {
    fn who(&self) -> Who {
        use ShelfError as E;
        match self {
            E::Disk(e) => e.who(),
            E::HalfShelf { .. }
            | E::DamagedShelf { .. }
            | E::NoFolder(_)
            | E::Misplaced { .. }
            | E::Busy(_)
            | E::ReadOnly { .. }
            | E::Gone(_)
            | E::LostJob(_)
            | E::LostVersion { .. }
            | E::Damaged { .. }
            | E::Unfaithful(_)
            | E::BeyondParity { .. }
            | E::Index(_)
            | E::IndexBehind { .. } => Who::Disk,
            E::Newer { .. } | E::BadFile { .. } | E::BadBag { .. } | E::Json { .. } => Who::File,
            _ => Who::Caller,
        }
    }

    fn hint(&self) -> Option<String> {
        use ShelfError as E;
        Some(match self {
            E::Disk(e) => return e.hint(),
            E::NoShelf(_) => "set one up with `cellkeep shelf set-up`, or say where another is in CELLKEEP_SHELF; the commands of `cellkeep shelf` also take --at FOLDER".into(),
            E::Unfinished(_) => "run `cellkeep shelf set-up` once more; or, if this is a copy of a shelf, copy the whole of it again".into(),
            E::OnShelf { .. } => "choose a place outside it".into(),
            E::NotEmpty(_) => "choose an empty or a new folder".into(),
            E::HalfShelf { .. } => "copy the whole shelf again; with the shelf's own folder lost, `cellkeep shelf take-in` takes single jobs".into(),
            E::DamagedShelf { .. } => "`cellkeep shelf audit` names all the damage; `cellkeep shelf repair` restores the shelf's own files".into(),
            E::NoFolder(job) => format!("if it is a link, take it away and move the folder it leads to into its place; without that, `cellkeep shelf repair {job}` can restore a small job from its parity"),
            E::Misplaced { folder, job } => format!("`cellkeep shelf repair {folder}` renames it back; where there is a folder jobs/{job} as well, one of them is a copy: move it off the shelf"),
            E::Newer { .. } => "use the newer program; the files themselves can be read by hand, see READ-ME.txt on the shelf".into(),
            E::Busy(_) => "wait for the other command to finish, then try again; the commands of `cellkeep shelf` wait longer with --wait SECONDS".into(),
            E::ReadOnly { .. } => "reading commands still work; to write, copy the shelf to another disk and name that in CELLKEEP_SHELF".into(),
            E::NoJob { near, .. } if near.is_empty() => "`cellkeep shelf list` shows every job".into(),
            E::NoJob { near, .. } => format!("did you mean {}?", near.join(" or ")),
            E::Gone(job) => format!("`cellkeep shelf repair {job}` makes it again where its parity can; or take it in from another copy of the shelf"),
            E::Ambiguous { .. } => "give more of the name".into(),
            E::JobExists(id) => format!("`cellkeep shelf show {id}` shows it; give another name with --name"),
            E::LostJob(job) => format!("`cellkeep shelf repair {job}` restores it where its parity can, or take it in from another copy of the shelf; a new job takes another name, with --name"),
            E::LostVersion { job, version } => format!("`cellkeep shelf repair {job}` restores it where its parity can, or take the job in from another copy of the shelf; what is added now would take its place, so to go on without it move parity/{job}/v{version}.parity off the shelf"),
            E::Parted { job, .. } => format!("both were worked on since they were one; to keep the other too, `cellkeep shelf hand-over {job} {job}.zip` on its shelf, and take that in with --name"),
            E::BadName { .. } => "use small letters a to z, digits and hyphens, as in 2026-03-14-quillon-72-0042".into(),
            E::BadField { field: FOLDER, .. } => "as in --name second-read".into(),
            E::BadField { .. } => "see `cellkeep shelf open --help`".into(),
            E::NoVersion { job, .. } => format!("`cellkeep shelf show {job}` lists its versions"),
            E::Closed(job) => format!("open it again with `cellkeep shelf close {job} --again`"),
            E::NoFile { there, .. } => format!("there is {}", there.join(", ")),
            E::FileExists { .. } => "allow a new version of it with --replace, the old one stays in the history; or put it beside with `cellkeep shelf put --name FOLDER`".into(),
            E::ReadingThere { .. } => "with --replace this reading takes its place, whole, and the old one stays in the history; `cellkeep shelf put --name FOLDER` keeps both; the files of one reading are put in together".into(),
            E::Damaged { job, .. } => format!("`cellkeep shelf audit {job}` says what is still good; `cellkeep shelf repair {job}` restores it"),
            E::Unfaithful(_) => "nothing was put on the shelf; look after the disk before anything else is written to it".into(),
            E::BeyondParity { job, .. } => format!("nothing was touched; copy {job} from another copy of the shelf"),
            E::BadReference { .. } => "write shelf:JOB/as-found, or shelf:JOB@v2/as-found for an earlier version".into(),
            E::IndexBehind { .. } => "run `cellkeep shelf index`; nothing is lost, the index is only a finding aid".into(),
            E::Index(e) if e.sqlite_error_code() == Some(rusqlite::ErrorCode::DiskFull) => "free some space on the disk; no job is touched by this".into(),
            E::Index(_) => "make it anew with `cellkeep shelf index`".into(),
            E::Nothing(_) | E::BadFile { .. } | E::BadBag { .. } | E::Json { .. } | E::BadDate(_) => return None,
        })
    }
}

/// The field of a folder's name within a part, in [`ShelfError::BadField`].
pub(super) const FOLDER: &str = "the folder's name";

/// What most of the shelf's functions return.
pub type Result<T> = std::result::Result<T, ShelfError>;
