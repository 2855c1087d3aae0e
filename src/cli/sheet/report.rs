//! `sheet report`: the service report of a job; `sheet record`: the record it shows.

use std::path::{Path, PathBuf};
use std::time::Duration;

use super::super::open::layout_named;
use super::super::output::{complain, print_text};
use super::super::shelf::place;
use super::super::{Failure, Outcome, Status, findings};
use super::PageArgs;
use crate::bank::{self, Bank, Decoded};
use crate::blame::DiskError;
use crate::caution;
use crate::compare::verify::verify;
use crate::document;
use crate::finding::Finding;
use crate::hand_set::{FilledForm, read_form};
use crate::layout::model::Layout;
use crate::mend::{Loss, MendRecord};
use crate::reading::{self, Reading, ReadingSpec};
use crate::service::{self, ServiceRecord};
use crate::sheet::arrange;
use crate::sheet::report::{Changed, ReadingLine, Report, report};
use crate::sheet::view::Subject;
use crate::shelf::{FileAt, Job, Reference, Role, Shelf, resolve};

/// Most bytes of a document that is looked into.
const LONGEST: u64 = 32 << 20;
/// Cautions that go with every instrument whose battery was changed.
const CAUTIONS: [&str; 4] = ["primary-lithium", "polarity", "mains", "disposal"];

/// Write the service report of a job on the shelf: found, measured, saved, mended, put back; to sign.
#[derive(clap::Args)]
#[command(after_help = "\
What the report tells is taken from the job: its readings with their digests, the findings, banks and hand-set
forms put into it, and the notes made for the customer. What was written is compared with what was read back.
Battery and work done come from a service record: a file service.toml among the job's papers, or --record.

Examples:
  cellkeep sheet record > service.toml
  cellkeep shelf put quillon-72-0042 --as paper service.toml
  cellkeep sheet report quillon-72-0042 -o report.html")]
pub(crate) struct Args {
    /// The job, and a version after @ if not the latest
    job: String,
    /// The shelf's folder; without it, `cellkeep/shelf` where this computer keeps a user's data
    #[arg(long, value_name = "FOLDER", env = "CELLKEEP_SHELF")]
    shelf: Option<PathBuf>,
    /// Layout, by id or by path, if not the job's
    #[arg(short, long, value_name = "LAYOUT")]
    layout: Option<String>,
    /// The service record, if it is not in the job
    #[arg(long, value_name = "FILE")]
    record: Option<PathBuf>,
    #[command(flatten)]
    page: PageArgs,
}

/// Print a blank service record: battery found and fitted, measured figures, work done.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep sheet record > service.toml")]
pub(crate) struct RecordArgs {}

pub(crate) fn record(_args: &RecordArgs) -> Outcome {
    print_text(service::blank());
    Ok(Status::Clean)
}

pub(crate) fn run(args: &Args) -> Outcome {
    let shelf = Shelf::open(&place(args.shelf.as_deref())?, Duration::from_secs(30))?;
    let reference = Reference::parse_loose(&args.job)?;
    let id = shelf.job_named(&reference.job)?;
    let stored = shelf.stored(&id)?;
    let version = stored.version_or_head(reference.version)?;
    let job = Opened {
        record: stored.record(version)?,
        files: stored.files(version)?,
        shelf,
        id,
        version,
    };
    let layout = match &args.layout {
        Some(name) => Some(layout_named(name)?),
        None => stored
            .layout(version)?
            .map(|held| held.load())
            .transpose()?,
    };
    let mut told = job.told(args)?;
    match &layout {
        Some(layout) => job.decoded(layout, &mut told)?,
        None => complain!(
            "caution: the job names no layout, so the report proves nothing to be back and lists no value that was changed; name it with --layout"
        ),
    }
    args.page.write(&report(&told, args.page.paper()))
}

/// A version of a job, open for reading.
struct Opened {
    shelf: Shelf,
    id: String,
    version: u32,
    record: Job,
    files: Vec<FileAt>,
}

impl Opened {
    /// What is told without decoding anything.
    fn told(&self, args: &Args) -> Result<Report, Failure> {
        let record = &self.record;
        let day = |at: &str| at.get(..10).unwrap_or(at).to_owned();
        let facts = [
            (
                "Job",
                Some(format!("{}, version {}", self.id, self.version)),
            ),
            ("Serial number", record.serial.clone()),
            ("Customer", record.customer.clone()),
            ("Opened", Some(day(&record.opened))),
            ("Closed", record.closed.as_ref().map(|c| day(&c.at))),
        ];
        Ok(Report {
            subject: Subject {
                instrument: record.instrument.clone(),
                facts: facts
                    .into_iter()
                    .filter_map(|(label, value)| Some((label.to_owned(), value?)))
                    .collect(),
            },
            complaint: record.complaint.clone(),
            notes: record
                .notes
                .iter()
                .filter(|n| n.for_customer)
                .map(|n| n.says.clone())
                .collect(),
            record: self.service_record(args.record.as_deref())?,
            readings: self.readings(),
            examined: self.of(Role::Findings).next().is_some(),
            findings: self.findings()?,
            losses: self.losses()?,
            cautions: caution::pick(&CAUTIONS),
            ..Report::default()
        })
    }

    /// What takes the layout: the proof of what was put back, mended values, hand-set controls.
    fn decoded(&self, layout: &Layout, told: &mut Report) -> Result<(), Failure> {
        if let Some((since, read)) = self.folders(Role::ReadBack).pop() {
            // What was read back is held against what had been written by then.
            let written = [Role::AsWritten, Role::Mended, Role::Settled, Role::AsFound]
                .into_iter()
                .find_map(|role| self.folders(role).into_iter().rfind(|(at, _)| *at <= since));
            if let Some((_, written)) = written {
                let one = Decoded::new(layout, &self.reading(&written, layout)?)?;
                let other = Decoded::new(layout, &self.reading(&read, layout)?)?;
                told.verified = Some(verify(&one, &other));
                told.verified_names = (written, read);
            }
            let later = self
                .folders(Role::AsWritten)
                .into_iter()
                .filter(|(at, _)| *at > since);
            told.not_read_back = later.map(|(_, folder)| folder).collect();
        }
        // Whoever signs is told which checks prove nothing, whether or not the reading was examined.
        let made = [Role::AsWritten, Role::Mended]
            .into_iter()
            .find_map(|role| self.folders(role).pop());
        if let Some((_, made)) = made {
            let reading = self.reading(&made, layout)?.aligned(layout);
            for finding in bank::made_to_fit(layout, &reading) {
                if !told.findings.iter().any(|f| f.says == finding.says) {
                    told.findings.push(finding);
                }
            }
        }
        for file in self.of(Role::Bank).filter(|f| f.path.ends_with(".json")) {
            // A bank of another version of this program is left out; its listing is still in the job.
            if let Ok(bank) = serde_json::from_slice::<Bank>(&self.bytes(&file.path)?) {
                let bank = bank::arranged(&bank, layout)?;
                told.changed = changed(layout, &bank);
            }
        }
        let mut form: Option<FilledForm> = None;
        for file in self.of(Role::HandSet).filter(|f| f.path.ends_with(".toml")) {
            let text = crate::plain::text(Path::new(&file.path), self.bytes(&file.path)?)?;
            let (filled, noticed) = read_form(layout, &text)?;
            findings::to_stderr(&noticed);
            form = Some(filled);
        }
        if form.is_some() {
            told.hand_set = arrange::hand_set(layout, form.as_ref());
        }
        Ok(())
    }

    fn of(&self, role: Role) -> impl Iterator<Item = &FileAt> {
        self.files.iter().filter(move |f| f.role == Some(role))
    }

    fn bytes(&self, path: &str) -> Result<Vec<u8>, Failure> {
        let stored = self.shelf.stored(&self.id)?;
        Ok(stored.read(self.version, path)?)
    }

    /// The record among the job's papers, or the one given.
    fn service_record(&self, given: Option<&Path>) -> Result<Option<ServiceRecord>, Failure> {
        let text = match given {
            Some(path) => super::super::inputs::read_text(path)?,
            None => {
                let is_one = |f: &&FileAt| f.path.ends_with("/service.toml");
                match self.of(Role::Paper).find(is_one) {
                    Some(file) => {
                        crate::plain::text(Path::new(&file.path), self.bytes(&file.path)?)?
                    }
                    None => return Ok(None),
                }
            }
        };
        Ok(Some(service::read(&text)?))
    }

    /// The readings with the digests of their files; those of one role lie in folders of their own or in the role's.
    fn readings(&self) -> Vec<ReadingLine> {
        let mut lines: Vec<(String, ReadingLine)> = Vec::new();
        for role in READINGS {
            for file in self.of(role) {
                let (folder, name) = file.path.rsplit_once('/').unwrap_or(("", &file.path));
                let at = lines.iter().position(|(f, _)| f == folder);
                let at = at.unwrap_or_else(|| {
                    let what = format!("{folder}: {}", role.says());
                    lines.push((
                        folder.to_owned(),
                        ReadingLine {
                            what,
                            files: Vec::new(),
                        },
                    ));
                    lines.len() - 1
                });
                lines[at]
                    .1
                    .files
                    .push((name.to_owned(), file.digest.clone()));
            }
        }
        lines.into_iter().map(|(_, line)| line).collect()
    }

    /// The folders of a role that hold readings, each with the version it came in with, the latest last.
    fn folders(&self, role: Role) -> Vec<(u32, String)> {
        let folder = |f: &FileAt| Some((f.since, f.path.rsplit_once('/')?.0.to_owned()));
        let mut folders: Vec<(u32, String)> = self.of(role).filter_map(folder).collect();
        folders.sort();
        folders.dedup();
        folders
    }

    /// Reads a reading of the job, by way of a temporary folder.
    fn reading(&self, path: &str, layout: &Layout) -> Result<Reading, Failure> {
        let reference = Reference {
            job: self.id.clone(),
            version: Some(self.version),
            path: Some(path.to_owned()),
        };
        let temporary = std::env::temp_dir();
        let folder =
            tempfile::tempdir().map_err(|e| DiskError::new("create a folder in", temporary, e))?;
        let at = resolve(&self.shelf, &reference)?.write_to(folder.path())?;
        Ok(reading::load(&ReadingSpec::path(at), Some(layout))?)
    }

    /// What the record of the last mending says is lost.
    fn losses(&self) -> Result<Vec<Loss>, Failure> {
        let records = self.of(Role::Mended);
        let records = records.filter(|f| f.path.ends_with("/mend.json"));
        let Some(file) = records.max_by_key(|f| f.since) else {
            return Ok(Vec::new());
        };
        // The record of another version of this program is left out; it is still in the job.
        let record = document::from_json::<MendRecord>(&self.bytes(&file.path)?).ok();
        Ok(record.map(|r| r.losses).unwrap_or_default())
    }

    /// The findings in the job's documents, each once; verdicts on single entries are in the findings already.
    fn findings(&self) -> Result<Vec<Finding>, Failure> {
        let mut found: Vec<Finding> = Vec::new();
        let readable =
            |f: &&FileAt| f.path.ends_with(".json") && f.bytes.is_some_and(|b| b <= LONGEST);
        for file in self.of(Role::Findings).filter(readable) {
            if let Ok(document) = serde_json::from_slice(&self.bytes(&file.path)?) {
                let noticed = super::noticed::of_document(&document);
                found.extend(
                    noticed
                        .into_iter()
                        .filter(|f| !f.code.starts_with("entry.")),
                );
            }
        }
        found.dedup_by(|a, b| a.code == b.code && a.says == b.says);
        Ok(found)
    }
}

/// Roles that are readings, in the order of a job.
const READINGS: [Role; 7] = [
    Role::AsFound,
    Role::AfterSwap,
    Role::Settled,
    Role::Mended,
    Role::AsWritten,
    Role::ReadBack,
    Role::Donor,
];

/// The values of a bank that were not simply read.
fn changed(layout: &Layout, bank: &Bank) -> Vec<Changed> {
    let mut changed = Vec::new();
    for (area, values) in layout.areas.iter().zip(&bank.areas) {
        for (entry, of) in values.entries.iter().enumerate() {
            for (parameter, value) in area.parameters.iter().zip(&of.parameters) {
                if let Some(origin) = &value.origin {
                    changed.push(Changed {
                        entry: area.entry_label(entry),
                        label: match &parameter.group {
                            Some(group) => format!("{group}: {}", parameter.label),
                            None => parameter.label.clone(),
                        },
                        setting: value.setting.as_deref().unwrap_or_default().to_owned(),
                        origin: origin.clone(),
                    });
                }
            }
        }
    }
    changed
}
