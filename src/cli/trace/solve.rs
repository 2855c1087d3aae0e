//! `trace solve`: from plan and readings to a layout file.

use super::super::output::{place, print_text, say};
use super::super::{Outcome, Status};
use crate::document::to_json;
use crate::finding::Severity;
use crate::layout;
use crate::trace;

/// Find the layout from a plan and the readings taken after it.
#[derive(clap::Args)]
#[command(mut_arg("layout", |a| a.help(super::NO_LAYOUT)))]
#[command(after_help = "\
The layout is written with --output; the file's name is its id. Exit status 1 means that something is not certain; the layout file
says for each parameter whether it is traced (shown by what the bits held) or guessed.

Examples:
  cellkeep trace solve plan.json reading1 reading2 --output found.toml
  cellkeep trace solve plan.json reading1 reading2 --json")]
pub(crate) struct Args {
    #[command(flatten)]
    dialled: super::DialledArgs,
    #[command(flatten)]
    to: super::LayoutFileArgs,
    /// Print what was found as JSON
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let (plan, readings) = args.dialled.load()?;
    let solution = trace::solve_in_order(&plan, &readings)?;
    let report = solution.report();
    let stem = args
        .to
        .output
        .as_ref()
        .and_then(|o| o.file_stem())
        .map_or_else(
            || "traced".to_owned(),
            |s| {
                s.to_string_lossy()
                    .to_lowercase()
                    .replace(|c: char| !c.is_ascii_alphanumeric(), "-")
            },
        );
    let text = solution.layout_toml(&stem);
    // What is written must be a layout; a rule it breaks is our fault and is shown.
    let checked = layout::from_text("the layout found", &text)?;
    args.to.write(&text)?;
    let open = report.fields.iter().any(|f| !f.certain) || !report.findings.is_empty();
    let status = if open {
        Status::Findings
    } else {
        Status::Clean
    };
    if args.json {
        print_text(&to_json(&report)?);
        return Ok(status);
    }
    say!("{}: {} chips", report.instrument, checked.chips.len());
    for s in &report.structure {
        say!("  {s}");
    }
    say!();
    let longest = report
        .fields
        .iter()
        .map(|f| f.name.len())
        .max()
        .unwrap_or(0);
    for f in &report.fields {
        let mark = if f.certain { "traced " } else { "guessed" };
        let top = f
            .bits
            .last()
            .map_or("", |b| b.homes.first().map_or("not found", String::as_str));
        say!(
            "  {mark}  {:longest$}  {:2} bits  {:15}  {:5.1} %  top bit {top}",
            f.name,
            f.bits.len(),
            f.code,
            (f.sure * 1000.0).floor() / 10.0
        );
    }
    for c in &report.checks {
        say!(
            "  {}  {}, kept in {}: holds in {} different entries, {:.0} bits of evidence",
            if c.certain { "traced " } else { "guessed" },
            c.says,
            c.stored,
            c.entries,
            c.evidence
        );
        for other in &c.could_be {
            say!("           or as well: {other}");
        }
    }
    for d in &report.dependent {
        say!("  {d}");
    }
    say!();
    say!(
        "Dials read one code off in {:.0} % of saves. {} bits of an entry never moved (not seen is not unused); {} move with no control of the panel.",
        report.jitter * 100.0,
        report.never_seen,
        report.unexplained
    );
    for f in report
        .findings
        .iter()
        .filter(|f| f.severity > Severity::Note)
    {
        say!("{}: {}: {}", f.severity.word(), f.code, f.says);
    }
    let certain = report.fields.iter().filter(|f| f.certain).count();
    say!();
    say!(
        "{certain} of {} controls traced, {} guessed, {} not found.",
        report.fields.len() + report.not_found.len(),
        report.fields.len() - certain,
        report.not_found.len()
    );
    match &args.to.output {
        Some(out) => say!(
            "Next: cellkeep layout check {}; then decode a reading with it and compare with the panel.",
            place(&out.display().to_string())
        ),
        None => say!("Next: run it again with --output found.toml to write the layout."),
    }
    if open {
        say!(
            "What is guessed: cellkeep trace next {} {}{}",
            place(&args.dialled.plan.display().to_string()),
            args.dialled.readings_again(),
            args.dialled.files.files_again()
        );
    }
    Ok(status)
}
