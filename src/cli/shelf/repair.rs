//! `shelf repair`: damage restored from parity.

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, print_json};
use crate::blame::Blame;
use crate::shelf::{Refused, RepairReport, Repaired, ShelfError};

/// Restore damaged files from other copies and from parity: all of a job or nothing of it, and only what matches its
/// digest.
#[derive(clap::Args)]
#[command(after_help = "\
Damaged originals are kept in the shelf's folder `damaged`.

Examples:
  cellkeep shelf repair                    every job the audit finds damaged
  cellkeep shelf repair quillon-72-0042

Exit status: 0 with everything whole afterwards, 1 with anything left wrong.")]
pub(super) struct Args {
    /// Only this job
    job: Option<String>,
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.damaged_shelf()?;
    let act = common.act();
    let mut report = RepairReport::default();
    let mut own = Repaired::default();
    let mut index_behind = false;
    let names = match &args.job {
        Some(job) => match shelf.job_named(job) {
            Ok(job) | Err(ShelfError::Gone(job)) => vec![job],
            Err(e) => return Err(e.into()),
        },
        None => {
            own = shelf.repair_shelf(&act)?;
            let bar = super::super::output::Bar::new("jobs");
            let audit = shelf.audit(Some(&|done, whole| bar.add(done, whole)));
            bar.finish();
            let audit = audit?;
            index_behind = audit.shelf.iter().any(|f| f.code == "shelf.index.behind");
            // A job in a folder of another name is repaired by its own name, and the folder asked about afterwards.
            let mut names: Vec<String> = audit
                .damaged
                .into_iter()
                .flat_map(|a| a.holds.into_iter().chain([a.job]))
                .collect();
            names.extend(audit.missing);
            names
        }
    };
    for job in names {
        let renamed = || report.repaired.iter().flat_map(|r| &r.renamed);
        if renamed().any(|r| r.from == job) && !renamed().any(|r| r.to == job) {
            continue;
        }
        match shelf.repair_job(&job, &act) {
            Ok(repaired)
                if repaired.is_nothing() && repaired.left.is_empty() && args.job.is_none() => {}
            Ok(repaired) => report.repaired.push(repaired),
            Err(e) if args.job.is_some() => return Err(e.into()),
            Err(e) => report.refused.push(Refused {
                job,
                why: e.to_string(),
                hint: e.hint(),
            }),
        }
    }
    if index_behind {
        shelf.rebuild_index(None)?;
        own.restored.push("index/shelf.sqlite".to_owned());
    }
    if !own.is_nothing() || !own.left.is_empty() {
        report.repaired.insert(0, own);
    }
    let whole = report.refused.is_empty() && report.repaired.iter().all(|r| r.left.is_empty());
    let status = if whole {
        Status::Clean
    } else {
        Status::Findings
    };
    if common.json {
        print_json(&report)?;
        return Ok(status);
    }
    report.repaired.iter().for_each(print);
    for refused in &report.refused {
        say!("{}: {}", refused.job, refused.why);
        if let Some(hint) = &refused.hint {
            say!("  try: {hint}");
        }
    }
    if whole {
        say!("next: `cellkeep shelf audit` to see that all is whole");
    } else if report.refused.is_empty() {
        say!("next: see to what is left, then `cellkeep shelf audit`");
    } else {
        say!(
            "next: do what is said of each, or copy what could not be restored from another copy of the shelf; then audit again"
        );
    }
    Ok(status)
}

fn print(repaired: &Repaired) {
    let name = if repaired.job.is_empty() {
        "the shelf's own files"
    } else {
        &repaired.job
    };
    if repaired.is_nothing() && repaired.left.is_empty() {
        say!("{name}: nothing to restore");
        return;
    }
    say!("{name}");
    for folder in &repaired.renamed {
        say!("  renamed    jobs/{} to jobs/{}", folder.from, folder.to);
    }
    for path in &repaired.restored {
        say!("  restored   {path}");
    }
    for path in &repaired.set_aside {
        say!("  set aside  {path}");
    }
    for version in &repaired.parity_of {
        say!("  parity     of version {version} made anew");
    }
    if let Some(kept) = &repaired.kept_in {
        say!("  the damaged originals are in {kept}");
    }
    for says in &repaired.left {
        say!("  left       {says}");
    }
}
