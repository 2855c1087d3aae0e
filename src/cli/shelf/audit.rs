//! `shelf audit`: every byte against its digest.

use super::super::output::{Bar, say};
use super::super::{Outcome, Status};
use super::{Common, count, print_json, size};
use crate::finding::Finding;
use crate::shelf::{AuditReport, JobAudit, Shelf, ShelfError};

/// Verify every digest, every inventory and every version, of the whole shelf or of one job.
#[derive(clap::Args)]
#[command(after_help = "\
Finds every flipped bit, and missing, extra, cut-off and exchanged files; says what is still good.

Examples:
  cellkeep shelf audit
  cellkeep shelf audit quillon-72-0042

Exit status: 0 with everything whole, 1 with anything wrong.")]
pub(super) struct Args {
    /// Only this job
    job: Option<String>,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.damaged_shelf()?;
    let begun = std::time::Instant::now();
    let report = match &args.job {
        Some(job) => {
            let mut report = AuditReport::default();
            match shelf.job_named(job) {
                Ok(job) => report.add(shelf.audit_job(&job)?),
                Err(ShelfError::Gone(job)) => report.missing.push(job),
                Err(e) => return Err(e.into()),
            }
            report
        }
        None => {
            let bar = Bar::new("jobs");
            let report = shelf.audit(Some(&|done, whole| bar.add(done, whole)));
            bar.finish();
            report?
        }
    };
    let status = if report.is_clean() {
        Status::Clean
    } else {
        Status::Findings
    };
    if common.json {
        print_json(&report)?;
        return Ok(status);
    }
    for finding in &report.shelf {
        print(finding);
    }
    for job in &report.missing {
        say!("{job}: the whole folder jobs/{job} is missing");
    }
    for job in &report.damaged {
        print_job(job);
    }
    let seconds = begun.elapsed().as_secs_f64();
    say!(
        "{}, {}, {}, {} read in {seconds:.1} s",
        count(report.jobs, "job"),
        count(report.versions, "version"),
        count(report.files, "file"),
        size(report.bytes)
    );
    if let Some(first) = report.missing.first() {
        let only = match report.missing.len() {
            1 => format!(" {first}"),
            _ => String::new(),
        };
        say!(
            "next: `cellkeep shelf repair{only}` makes a small job again from its parity alone; what it cannot make, take in from another copy of the \
             shelf, as with `cellkeep shelf take-in OTHER/jobs/{first}`, or from its hand-over under another name, with --name"
        );
        return Ok(status);
    }
    let is = |code: &str, findings: &[Finding]| findings.iter().any(|f| f.code == code);
    if is("shelf.job.link", &report.shelf) {
        say!(
            "next: take the link away and move the folder it leads to into its place, then `cellkeep shelf audit`"
        );
        return Ok(status);
    }
    if let Some(copy) = report
        .damaged
        .iter()
        .find(|job| is("shelf.job.copy", &job.findings))
    {
        say!(
            "next: move jobs/{} off the shelf, then `cellkeep shelf audit`",
            copy.job
        );
        return Ok(status);
    }
    match (report.damaged.as_slice(), report.shelf.is_empty()) {
        ([], true) => say!("next: nothing; every byte is as it was put in"),
        ([], false) => say!(
            "next: the jobs are whole; `cellkeep shelf repair` puts the shelf's own files and the index right"
        ),
        ([job], _) => match beyond_repair(&shelf, job) {
            None => say!("next: `cellkeep shelf repair {}`", job.job),
            Some(why) => {
                let what = match job.lost.is_empty() {
                    true => " FOLDER",
                    false => "/PATH FILE",
                };
                say!(
                    "next: copy {0} from another copy of the shelf; it cannot be restored here: {why}. What is still good comes out with \
                     `cellkeep shelf take {0}@v{1}{what}`",
                    job.job,
                    job.versions
                );
            }
        },
        (jobs, _) => say!(
            "{} jobs are damaged; next: `cellkeep shelf repair`, which restores what parity can",
            jobs.len()
        ),
    }
    Ok(status)
}

/// Why a damaged job cannot be restored here, where it cannot. Where the disk will not say, the repair will.
fn beyond_repair(shelf: &Shelf, job: &JobAudit) -> Option<String> {
    match job.holds {
        Some(_) => None,
        None => shelf.beyond_repair(&job.job).ok().flatten(),
    }
}

fn print(finding: &Finding) {
    say!(
        "  {:<8} {:<24} {}",
        finding.severity.word(),
        finding.code,
        finding.says
    );
}

fn print_job(job: &JobAudit) {
    say!("{}", job.job);
    job.findings.iter().for_each(print);
    if job.lost.is_empty() {
        say!(
            "  still good: all {} files of version {}",
            job.good.len(),
            job.versions
        );
    } else {
        say!(
            "  still good: {} of {} files of version {}; not: {}",
            job.good.len(),
            job.good.len() + job.lost.len(),
            job.versions,
            job.lost.join(", ")
        );
    }
}
