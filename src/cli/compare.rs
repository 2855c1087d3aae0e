//! `compare`: what changed between two readings.

use super::open::{ReadingArgs, same_place};
use super::output::{are, number, print_text, say};
use super::shelved::ShelfArgs;
use super::{Outcome, Status, findings};
use crate::bank::{self, Bank};
use crate::compare::{self, Comparison};
use crate::document;
use crate::shelf::{Role, incoming_bytes};

/// Say what changed between two readings, by preset, voice and parameter.
#[derive(clap::Args)]
#[command(after_help = "\
Presets that were moved, swapped, copied or emptied are said to be so. Small steps of one or two codes, which
re-saving an unmoved knob can make, are marked. Exit status 1 means that something differs.

Examples:
  cellkeep compare last-visit today -l pellow-six
  cellkeep compare shelf:walk/as-written shelf:walk/read-back --shelf walk   and onto the shelf
  cellkeep compare today edited --bits            with every physical bit
  cellkeep compare today edited --unified         as a unified diff of the listings")]
pub(crate) struct Args {
    /// The earlier reading
    before: String,
    /// The later reading
    after: String,
    #[command(flatten)]
    files: ReadingArgs,
    /// Show the physical bits of every change
    #[arg(long)]
    bits: bool,
    /// Show a unified diff of the two listings
    #[arg(long, conflicts_with_all = ["bits", "json"])]
    unified: bool,
    /// Print the comparison as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    shelf: ShelfArgs,
    /// Replace the comparison that is in the job
    #[arg(long, requires = "shelf_job")]
    replace: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.files.layout_for_either(&args.after, &args.before)?;
    let before = args.files.decode(&args.before, &layout)?;
    let after = args.files.decode(&args.after, &layout)?;
    findings::to_stderr(&before.reading.findings);
    findings::to_stderr(&after.reading.findings);
    for reading in [&before.reading, &after.reading] {
        findings::to_stderr(&bank::made_to_fit(&layout, reading));
    }
    let comparison = compare::compare(&before, &after);
    // Where a file is missing or cut short, that the rest agrees says too little.
    let doubted = [&before, &after].map(|r| findings::status(&r.reading.findings));
    let status = if comparison.is_clean() && !doubted.contains(&Status::Findings) {
        Status::Clean
    } else {
        Status::Findings
    };
    if args.shelf.job.is_some() {
        let document = document::to_json(&comparison)?.into_bytes();
        let file = incoming_bytes(Role::Findings, "comparison.json", document);
        args.shelf.put(vec![file], args.replace)?;
    }
    if args.json {
        print_text(&document::to_json(&comparison)?);
        return Ok(status);
    }
    if args.unified {
        let banks = (Bank::new(&before), Bank::new(&after));
        print_text(&compare::unified(
            &banks.0,
            &banks.1,
            (&args.before, &args.after),
        ));
        return Ok(status);
    }
    print_text(&compare::listing(&comparison, args.bits));
    for line in summary(&comparison) {
        say!("{line}");
    }
    if same_place(&args.before, &args.after) {
        say!(
            "both are one reading, which nothing can differ from: name another to compare it with"
        );
    }
    Ok(status)
}

/// Whether the later reading was made from the earlier one: every value that differs, and nothing else, was changed by this
/// program and is known.
fn on_purpose(c: &Comparison) -> bool {
    let entries = c.areas.iter().flat_map(|a| &a.entries);
    let mut changes = entries.flat_map(|e| &e.parameters).peekable();
    let recorded = changes.peek().is_some() && changes.all(|p| p.origin.is_some());
    recorded && c.totals.other_bits == 0 && c.totals.incomparable_bits == 0
}

fn summary(c: &Comparison) -> Vec<String> {
    let t = &c.totals;
    let neither = (t.unknown_bits > 0).then(|| match t.unknown_bits {
        1 => "1 bit is known in neither reading, so nothing is said of it".to_owned(),
        n => format!("{n} bits are known in neither reading, so nothing is said of them"),
    });
    if c.is_clean() {
        let none = match neither {
            None => "no bit differs",
            Some(_) => "no bit differs of those that are known",
        };
        return std::iter::once(none.to_owned()).chain(neither).collect();
    }
    let mut lines = vec![format!(
        "{} in {} changed ({} of them by a small step); {} moved, copied or emptied",
        number(t.parameters, "parameter"),
        number(t.entries - t.explained_entries, "entry"),
        t.small_steps,
        match t.explained_entries {
            1 => "1 entry was".to_owned(),
            n => format!("{} were", number(n, "entry")),
        }
    )];
    let copies = match t.copy_bits {
        0 => String::new(),
        n => format!("{n} of mirrored copies, "),
    };
    lines.push(format!(
        "{}: {} of parameters, {} of checks, {copies}{} without a meaning in the layout",
        match t.bits {
            1 => "1 bit differs".to_owned(),
            n => format!("{n} bits differ"),
        },
        t.parameter_bits,
        t.check_bits,
        t.other_bits
    ));
    if t.incomparable_bits > 0 {
        let bits = are(t.incomparable_bits);
        lines.push(format!("{bits} known in one reading only"));
    }
    lines.extend(neither);
    if on_purpose(c) {
        lines.push("next: each of these values says how it came about; if that is all that was meant, the chips can be programmed".to_owned());
        return lines;
    }
    lines.push(if t.parameters > 0 && t.parameters == t.small_steps && t.explained_entries == 0 {
        "next: only small steps; the same knobs saved again, or a converter that drifts".to_owned()
    } else {
        "next: if the owner changed nothing, `cellkeep examine` on the later reading, with the earlier one, looks for the cause".to_owned()
    });
    lines
}
