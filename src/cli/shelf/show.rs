//! `shelf show`: one job with its history.

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, day, one_line, print_json, size};
use crate::shelf::{JobShown, Query, Reference, Role};

/// Show a job: its record, its files, its history, and other visits of the same instrument.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep shelf show quillon-72-0042
  cellkeep shelf show quillon-72-0042@v2        as it was in version 2")]
pub(super) struct Args {
    /// The job, and a version after @ if not the latest
    job: String,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let reference = Reference::parse_loose(&args.job)?;
    let id = shelf.job_named(&reference.job)?;
    let stored = shelf.stored_at(&id, reference.version)?;
    let version = stored.version_or_head(reference.version)?;
    let record = stored.record(version)?;
    let visits = match &record.serial {
        None => Vec::new(),
        Some(serial) => shelf
            .find(&Query {
                serial: Some(serial.clone()),
                ..Query::default()
            })?
            .into_iter()
            .map(|hit| hit.job)
            .filter(|job| job.job != id && job.instrument.as_deref() == Some(&record.instrument))
            .collect(),
    };
    let shown = JobShown {
        folder: stored.folder().display().to_string(),
        version,
        record,
        files: stored.files(version)?,
        history: stored.versions(),
        visits,
    };
    if common.json {
        print_json(&shown)?;
        return Ok(Status::Clean);
    }
    print(&shown, stored.head());
    Ok(Status::Clean)
}

fn print(shown: &JobShown, head: u32) {
    let record = &shown.record;
    let older = if shown.version == head {
        String::new()
    } else {
        format!(", as it was in version {}", shown.version)
    };
    say!("{}{older}", record.job);
    let line = |name: &str, value: Option<&str>| {
        if let Some(value) = value {
            say!("  {name:<11} {}", one_line(value));
        }
    };
    line("instrument", Some(&record.instrument));
    line("serial", record.serial.as_deref());
    line("layout", record.layout.as_deref());
    line("customer", record.customer.as_deref());
    line("complaint", record.complaint.as_deref());
    line("opened", Some(&record.opened));
    if let Some(closed) = &record.closed {
        let says = one_line(closed.says.as_deref().unwrap_or("no words"));
        say!("  {:<11} {} by {}: {says}", "closed", closed.at, closed.by);
    }
    if let Some(origin) = &record.taken_in {
        say!(
            "  {:<11} {} from the bag {}",
            "taken in",
            origin.at,
            origin.bag
        );
    }
    say!("  {:<11} {}", "folder", shown.folder);
    say!();
    let width = shown.files.iter().map(|f| f.path.len()).max().unwrap_or(0);
    for file in &shown.files {
        let bytes = file.bytes.map_or_else(|| "missing".to_owned(), size);
        let own = match record.own_names.get(&file.path) {
            Some(own) => format!("  its own name: {own}"),
            None => String::new(),
        };
        say!(
            "  {:<width$}  {bytes:>9}  since v{:<3} sha256 {}...{own}",
            file.path,
            file.since,
            file.digest.get(..12).unwrap_or(&file.digest)
        );
    }
    if !record.notes.is_empty() {
        say!();
        for note in &record.notes {
            let whose = if note.for_customer {
                "for the customer"
            } else {
                "the shop's own"
            };
            let (by, says) = (one_line(&note.by), one_line(&note.says));
            say!("  {} {by} ({whose}): {says}", day(&note.at));
        }
    }
    say!();
    for version in &shown.history {
        say!(
            "  v{:<3} {}  {}: {}",
            version.version,
            version.at,
            one_line(&version.by),
            one_line(&version.says)
        );
    }
    if !shown.visits.is_empty() {
        say!();
        say!(
            "  other visits of serial {}:",
            record.serial.as_deref().unwrap_or_default()
        );
        for visit in &shown.visits {
            say!(
                "    {}  {}",
                visit.job,
                one_line(visit.complaint.as_deref().unwrap_or_default())
            );
        }
    }
    let take = format!("`cellkeep shelf take {} FOLDER`", record.job);
    let reading = shown
        .files
        .iter()
        .find(|f| f.role.is_some_and(Role::is_reading));
    match reading.and_then(|file| file.path.rsplit_once('/')) {
        Some((folder, _)) => say!(
            "next: `cellkeep decode shelf:{}/{folder}`, or {take}",
            record.job
        ),
        None => say!("next: {take}; no reading is in it"),
    }
}
