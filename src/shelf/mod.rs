//! The shelf: the archive of jobs, one job for each visit of an instrument, in immutable versions.
//!
//! A shelf is a folder. Its `jobs` folder is an OCFL 1.1 storage root in the flat direct layout, so each job is a
//! folder a person can open; beside it lie parity to restore damage (`parity`), a finding aid that can always be
//! made anew (`index`), and the place where new versions are built (`staging`). Everything that matters is in
//! `jobs`: `READ-ME.txt` on the shelf tells how to read it without this program.
//!
//! One writer at a time holds a system lock, which ends with its process, so a killed writer leaves no lock. Whatever
//! it left in `staging` is finished or undone by the next command, without a person.

mod audit;
mod bag;
mod bagged;
mod build;
mod clock;
mod commit;
mod content;
mod dates;
mod disk;
mod elsewhere;
mod entry;
mod error;
mod facts;
mod gather;
mod held;
mod index;
mod inventory;
mod job;
mod known;
mod lost;
mod misplaced;
mod names;
mod object;
mod parity;
mod query;
mod readings;
mod recover;
mod reference;
mod repair;
mod root;
mod rules;
mod shown;
mod since;
mod store;
mod taking;
mod unzip;

pub use audit::{AuditReport, JobAudit, Progress};
pub use bag::{HandOver, PLAIN_PAGE};
pub use bagged::Limits;
pub use commit::{Done, digest_of_file};
pub use dates::day_range;
pub use error::{Result, ShelfError};
pub use gather::{Incoming, gather, incoming_bytes};
pub use held::{HeldLayout, layouts_among};
pub use job::{Act, Closing, Job, NewJob, Note, Origin, RECORD, Role};
pub use known::Rebuilt;
pub use misplaced::Renamed;
pub use names::{check_job_name, hyphened, slug};
pub use query::{Hit, Listed, Query};
pub use readings::{ReadingAt, places_of, readings};
pub use reference::{Reference, Resolved, resolve};
pub use repair::{Refused, RepairReport, Repaired};
pub use root::{Shelf, Turn};
pub use shown::{FileTaken, FoundJobs, JobList, JobShown, ShelfMade, TakenOut};
pub use since::{Change, Compared, Since, Step};
pub use store::{FileAt, Stored, VersionAt};
