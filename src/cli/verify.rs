//! `verify`: did the chips take what was written?

use super::open::ReadingArgs;
use super::output::{number, print_text, say};
use super::{Outcome, Status, findings};
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

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args
        .files
        .layout_for_either(&args.written, &args.readback)?;
    let written = args.files.decode(&args.written, &layout)?;
    let read = args.files.decode(&args.readback, &layout)?;
    findings::to_stderr(&written.reading.findings);
    findings::to_stderr(&read.reading.findings);
    let outcome = verify(&written, &read);
    // Where a file is missing or is not what was written, agreement of the rest proves too little.
    let doubts = [&written, &read].map(|r| findings::status(&r.reading.findings));
    let doubted = doubts.contains(&Status::Findings);
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
            "... and {} more parameters",
            outcome.parameters.len() - LISTED
        );
    }
    say!(
        "{} of {} bits read back as written ({} absent bits left out, {} were unknown in what was written)",
        outcome.compared_bits - outcome.wrong_bits,
        outcome.compared_bits,
        outcome.absent_bits,
        outcome.unasked_bits
    );
    if outcome.compared_bits == 0 {
        say!("next: nothing was compared, so nothing is proved; name the files that were written");
    } else if outcome.wrong_bits == 0 && doubted {
        say!(
            "next: what was compared agrees, but the findings above leave a doubt; clear them and verify again"
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
