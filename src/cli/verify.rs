//! `verify`: did the chips take what was written?

use super::open::{ReadingArgs, same_place};
use super::output::{number, print_text, say};
use super::{Outcome, Status, findings};
use crate::blame::{Blame, Who};
use crate::compare::verify::{ChipMismatch, verify};
use crate::document;

/// Prove that chips hold what was written: bit for bit over every bit that exists.
#[derive(clap::Args)]
#[command(after_help = "\
Exit status 1 means that at least one bit is wrong, each told by chip, data line and parameter, or that something
is the matter with the files, so that what agrees proves too little.

Examples:
  cellkeep verify written readback -l pellow-six")]
pub(crate) struct Args {
    /// What was written
    written: String,
    /// What was read back
    readback: String,
    #[command(flatten)]
    files: ReadingArgs,
    /// Print the outcome as JSON
    #[arg(long)]
    json: bool,
}

/// Parameters listed before the rest is only counted.
const LISTED: usize = 40;

/// One place given as what was written and as what was read back.
#[derive(Debug, thiserror::Error)]
#[error(
    "{0} is given as what was written and as what was read back: it agrees with itself, and proves nothing"
)]
struct Itself(String);

impl Blame for Itself {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        Some("read the chips once more into another folder, and give that second".to_owned())
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    if same_place(&args.written, &args.readback) {
        return Err(Itself(args.written.clone()).into());
    }
    let layout = args
        .files
        .layout_for_either(&args.written, &args.readback)?;
    let written = args.files.decode(&args.written, &layout)?;
    let read = args.files.decode(&args.readback, &layout)?;
    findings::to_stderr(&written.reading.findings);
    findings::to_stderr(&read.reading.findings);
    let outcome = verify(&written, &read);
    // Where a file is missing or is not what was written, agreement of the rest proves too little.
    let found = [&written, &read].map(|r| r.reading.findings.as_slice());
    let doubts = findings::tally(&found.concat());
    let doubted = doubts.is_some();
    let asked = outcome.compared_bits > 0 && outcome.unasked_bits == 0;
    let status = if outcome.wrong_bits == 0 && asked && !doubted {
        Status::Clean
    } else {
        Status::Findings
    };
    if args.json {
        print_text(&document::to_json(&outcome)?);
        return Ok(status);
    }
    for chip in &outcome.chips {
        say!("chip {}: {}", chip.chip, mismatch(chip));
    }
    for p in outcome.parameters.iter().take(LISTED) {
        say!(
            "{}, {}: {}  written {}, read {}",
            p.area,
            p.entry,
            p.key,
            p.written,
            p.read
        );
    }
    if outcome.parameters.len() > LISTED {
        say!(
            "... and {} more",
            number(outcome.parameters.len() - LISTED, "parameter")
        );
    }
    say!(
        "{} of {} read back as written ({} left out, {} unknown in what was written)",
        outcome.compared_bits - outcome.wrong_bits,
        number(outcome.compared_bits, "bit"),
        number(outcome.absent_bits, "absent bit"),
        match outcome.unasked_bits {
            1 => "1 was".to_owned(),
            n => format!("{n} were"),
        }
    );
    if outcome.compared_bits == 0 {
        say!("next: nothing was compared, so nothing is proved; name the files that were written");
    } else if let Some(doubts) = doubts.filter(|_| outcome.wrong_bits == 0) {
        say!(
            "next: what was compared agrees, but that says too little, for what was noticed about the files ({doubts}, told on standard error); clear it up and verify again"
        );
    } else if outcome.wrong_bits == 0 && outcome.unasked_bits > 0 {
        say!(
            "next: what was compared agrees; the bits that were unknown when written are not proved by it: mend or set them, and write again"
        );
    } else if outcome.wrong_bits == 0 {
        say!(
            "next: leave it off overnight, read once more and verify again; faults show at power transitions"
        );
    } else {
        say!(
            "next: reseat the chip or clip and read back again; if the same bits stay wrong, write again or replace the chip"
        );
    }
    Ok(status)
}

fn mismatch(chip: &ChipMismatch) -> String {
    let mut parts = Vec::new();
    for (line, (low, high)) in chip.read_low.iter().zip(&chip.read_high).enumerate() {
        if low + high > 0 {
            parts.push(format!("D{line}: {low} read 0 for 1, {high} read 1 for 0"));
        }
    }
    if chip.not_read > 0 {
        parts.push(format!("{} not read", number(chip.not_read, "bit")));
    }
    let cells: Vec<String> = chip
        .cells
        .iter()
        .take(8)
        .map(|c| format!("{c:#x}"))
        .collect();
    let more = if chip.cells.len() > 8 { ", ..." } else { "" };
    format!("{}; cells {}{more}", parts.join("; "), cells.join(", "))
}
