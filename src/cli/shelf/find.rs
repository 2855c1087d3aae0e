//! `shelf find`: jobs by what is in them.

use std::path::PathBuf;

use super::super::output::say;
use super::super::{Outcome, Status};
use super::{Common, print_json};
use crate::blame::{Blame, Who};
use crate::shelf::{FoundJobs, Query, day_range, digest_of_file};

/// Find jobs by words, instrument, serial number, date, digest, finding or parameter value.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep shelf find battery leaked
  cellkeep shelf find --serial 0042
  cellkeep shelf find --since 2019 --until 2021-06 --instrument aldermoor
  cellkeep shelf find --finding line.stuck          a whole area: --finding line
  cellkeep shelf find --parameter filter.cutoff=37
  cellkeep shelf find --same-as mystery.bin         which job holds these very bytes

Exit status: 0 with something found, 1 with nothing found.")]
pub(super) struct Args {
    /// Words anywhere: complaint, notes, names of files and presets, findings
    words: Vec<String>,
    /// Part of the instrument's name
    #[arg(long)]
    instrument: Option<String>,
    /// Serial number
    #[arg(long)]
    serial: Option<String>,
    /// The customer's reference
    #[arg(long, value_name = "REFERENCE")]
    customer: Option<String>,
    /// Worked on in or after this year, month or day
    #[arg(long, value_name = "DATE")]
    since: Option<String>,
    /// Opened in or before this year, month or day
    #[arg(long, value_name = "DATE")]
    until: Option<String>,
    /// SHA-256 of a file, or its beginning
    #[arg(long)]
    digest: Option<String>,
    /// A file whose very bytes to look for
    #[arg(long, value_name = "FILE", conflicts_with = "digest")]
    same_as: Option<PathBuf>,
    /// Code of a finding, or its area
    #[arg(long, value_name = "CODE")]
    finding: Option<String>,
    /// A parameter, and a code or a setting it has anywhere; #77 is the code alone
    #[arg(long, value_name = "KEY=VALUE")]
    parameter: Option<String>,
}

/// A question that cannot be meant.
#[derive(Debug, thiserror::Error)]
enum Ask {
    #[error("nothing is after --since and before --until: the second date is before the first")]
    Backwards,
    #[error(
        "\"{0}\" is no digest, nor the beginning of one: it takes the digits 0 to 9 and a to f"
    )]
    Digest(String),
}

impl Blame for Ask {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        Some(match self {
            Ask::Backwards => "exchange the two".to_owned(),
            Ask::Digest(_) => "--same-as FILE takes the digest of a file by itself".to_owned(),
        })
    }
}

fn digest(text: &str) -> Result<String, Ask> {
    let text = text.trim();
    if text.is_empty() || !text.bytes().all(|b| b.is_ascii_hexdigit()) {
        return Err(Ask::Digest(text.to_owned()));
    }
    Ok(text.to_owned())
}

pub(super) fn run(common: &Common, args: &Args) -> Outcome {
    let shelf = common.shelf()?;
    let digest = match &args.same_as {
        Some(file) => Some(digest_of_file(file)?),
        None => args.digest.as_deref().map(digest).transpose()?,
    };
    let parameter = args
        .parameter
        .as_deref()
        .map(|text| match text.split_once('=') {
            Some((key, value)) => (key.trim().to_owned(), Some(value.trim().to_owned())),
            None => (text.trim().to_owned(), None),
        });
    let from = args.since.as_deref().map(day_range).transpose()?;
    let until = args.until.as_deref().map(day_range).transpose()?;
    if let (Some((first, _)), Some((_, after))) = (&from, &until)
        && first >= after
    {
        return Err(Ask::Backwards.into());
    }
    let unknown = match &parameter {
        Some((key, _)) => shelf
            .knows_parameter(key)?
            .err()
            .map(|near| (key.clone(), near)),
        None => None,
    };
    let query = Query {
        words: (!args.words.is_empty()).then(|| args.words.join(" ")),
        instrument: args.instrument.clone(),
        serial: args.serial.clone(),
        customer: args.customer.clone(),
        from: from.map(|(first, _)| first),
        until: until.map(|(_, after)| after),
        digest,
        finding: args.finding.clone(),
        parameter,
        open: None,
    };
    let jobs = shelf.find(&query)?;
    let status = if jobs.is_empty() {
        Status::Findings
    } else {
        Status::Clean
    };
    if common.json {
        print_json(&FoundJobs { jobs })?;
        return Ok(status);
    }
    for hit in &jobs {
        super::list::print_jobs(std::slice::from_ref(&hit.job));
        for line in &hit.because {
            say!("    {line}");
        }
    }
    if let Some((key, near)) = unknown {
        let near = near.map_or(String::new(), |near| format!("; did you mean {near}?"));
        say!("no bank on the shelf has a parameter {key}{near}");
    }
    match jobs.len() {
        0 => say!("no job answers to that; `cellkeep shelf list` shows all"),
        1 => say!("next: `cellkeep shelf show {}`", jobs[0].job.job),
        n => say!("{n} jobs; next: `cellkeep shelf show JOB`"),
    }
    Ok(status)
}
