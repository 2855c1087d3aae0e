//! `trace solve`: from plan and readings to a layout file.

use super::super::output::{number, place, print_text, say};
use super::super::{Outcome, Status};
use crate::document::to_json;
use crate::finding::Severity;
use crate::layout;
use crate::shelf::hyphened;
use crate::trace::{self, percent};

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
    let stem = args.to.output.as_ref().and_then(|o| o.file_stem());
    let id = id(&stem.map_or_else(String::new, |s| s.to_string_lossy().into_owned()));
    let text = solution.layout_toml(&id);
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
    for s in report.structure.iter().chain(&report.voices) {
        say!("  {s}");
    }
    say!();
    let longest = report
        .fields
        .iter()
        .map(|f| f.name.len())
        .max()
        .unwrap_or(0);
    let wide = (report.fields.iter())
        .map(|f| f.bits_shown().len())
        .max()
        .unwrap_or(0);
    for f in &report.fields {
        let mark = if f.certain { "traced " } else { "guessed" };
        let top = f
            .bits
            .last()
            .map_or("", |b| b.homes.first().map_or("not found", String::as_str));
        say!(
            "  {mark}  {:longest$}  {:>wide$}  {:15}  {:5.1} %  top bit {top}",
            f.name,
            f.bits_shown(),
            f.code,
            percent(f.sure_of_shown)
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
        "{} {} bits of an entry never moved (not seen is not unused); {} move with no control of the panel.",
        steps(report.jitter),
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
    say!();
    say!("{}", count(&report));
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

/// How many controls are traced, guessed and not found, and by what that is told.
fn count(report: &trace::report::Report) -> String {
    let (traced, guessed): (Vec<_>, Vec<_>) = report.fields.iter().partition(|f| f.certain);
    let surest = guessed
        .iter()
        .map(|f| f.sure_of_shown)
        .max_by(f64::total_cmp);
    format!(
        "{} of {} traced (every bit sure to {} % or more), {} guessed{}, {} not found.",
        traced.len(),
        number(report.fields.len() + report.not_found.len(), "control"),
        trace::CERTAIN * 100.0,
        guessed.len(),
        surest.map_or(String::new(), |s| format!(
            " (the surest to {:.1} %)",
            percent(s)
        )),
        report.not_found.len()
    )
}

/// The id of a layout, by the name of its file.
fn id(stem: &str) -> String {
    let id = hyphened(stem);
    match id.chars().next() {
        None => "traced".to_owned(),
        Some(c) if c.is_ascii_alphabetic() => id,
        Some(_) => format!("traced-{id}"),
    }
}

/// How often dials read one code off.
fn steps(jitter: Option<f64>) -> String {
    match jitter {
        None => "Too few dials are known to say how often they read one code off.".to_owned(),
        Some(share) if share <= 0.0 => "No dial reads a code off in any save.".to_owned(),
        Some(share) if share < 0.01 => {
            "Dials read one code off in less than 1 % of saves.".to_owned()
        }
        Some(share) => format!(
            "Dials read one code off in {:.0} % of saves.",
            share * 100.0
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_files_become_ids() {
        assert_eq!(id("My Synth!"), "my-synth");
        assert_eq!(id("found_2"), "found-2");
        assert_eq!(id("72-b"), "traced-72-b");
        // None is cut.
        let long = "the-grey-one-from-the-hall-with-two-boards";
        assert_eq!(id(long), long);
        assert_eq!(id("--"), "traced");
    }

    #[test]
    fn no_step_is_said_to_be_none() {
        assert_eq!(steps(Some(0.0)), "No dial reads a code off in any save.");
        assert!(steps(Some(0.004)).contains("less than 1 %"));
        assert!(steps(Some(0.25)).contains("25 %"));
        assert!(steps(None).starts_with("Too few"));
    }
}
