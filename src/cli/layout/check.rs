//! `layout check`: everything wrong with layouts, each with its line and a suggested repair, and what their bits
//! add up to.

use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};

use super::super::output::{counted, print_styled, print_text, say};
use super::super::shelved::checked_layout_at;
use super::super::{Outcome, Status};
use crate::document::to_json;
use crate::layout::owners::Coverage;
use crate::layout::problem::{self, At, Problem, Problems, RULES};
use crate::layout::report::{CheckedLayout, LayoutCheck};
use crate::layout::{self, Checked};
use crate::shelf::Reference;

/// Check layouts: all problems at once, and what the bits add up to.
#[derive(clap::Args)]
#[command(after_help = "\
Every finding has a stable code, the line, the other place concerned, the physical bit and a suggested repair.
Errors stop a layout from being used. Cautions do not; one that is right can be waived by itself, with a reason:

  [[waive]]
  rule   = \"chip.part\"
  where  = \"chip CH12\"
  reason = \"a 4K part is fitted under that number\"

Examples:
  cellkeep layout check my-synth.toml
  cellkeep layout check aldermoor-four quillon-72
  cellkeep layout check --rules")]
pub(crate) struct Args {
    /// Layouts, by id or by path
    #[arg(value_name = "LAYOUT", required_unless_present = "rules")]
    layouts: Vec<String>,
    /// List the rules with their codes instead
    #[arg(long, conflicts_with = "layouts")]
    rules: bool,
    /// Print a JSON document instead of text
    #[arg(long, conflicts_with = "rules")]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    if args.rules {
        for rule in RULES {
            say!("{:<22} {:<8} {}", rule.code, rule.level.word(), rule.asks);
        }
        return Ok(Status::Clean);
    }
    let mut found = false;
    let mut records = Vec::new();
    let mut files = 0;
    for name in &args.layouts {
        let checked = match Reference::is_one(name) {
            true => checked_layout_at(name)?,
            false => layout::check_named(name)?,
        };
        let record = CheckedLayout::new(&checked);
        found |= record.errors + record.cautions > 0;
        files += usize::from(record.errors > 0);
        if !args.json {
            show(&checked, &record);
        }
        records.push(record);
    }
    if args.json {
        let document = LayoutCheck { layouts: records };
        print_text(&to_json(&document)?);
    } else {
        next(&args.layouts, found, files);
    }
    Ok(if found {
        Status::Findings
    } else {
        Status::Clean
    })
}

fn next(names: &[String], found: bool, broken: usize) {
    match names {
        [name] if !found => {
            say!("next: cellkeep layout map {name} shows which bits belong to what")
        }
        _ if broken > 0 => {
            say!("next: mend the errors from the top; one mistake often causes several")
        }
        _ if found => {
            say!("next: look at each caution; waive what is right, one by one, with its reason")
        }
        _ => say!("next: cellkeep layout map LAYOUT shows which bits belong to what"),
    }
}

fn show(checked: &Checked, record: &CheckedLayout) {
    let problems = &checked.problems;
    for p in &problems.list {
        print_styled(&excerpt(p, problems));
        say!();
    }
    for (p, reason) in &checked.waived {
        say!(
            "waived[{}] {}: {} ({reason})",
            p.rule.code,
            p.subject,
            p.says
        );
    }
    let origin = &record.origin;
    match &checked.layout {
        Some(layout) => {
            let cautions = counted(record.cautions, "caution");
            say!(
                "{origin}: {} revision {}: no errors, {cautions}",
                layout.name,
                layout.revision
            );
            coverage(&record.coverage);
        }
        None => {
            let (errors, cautions) = (
                counted(record.errors, "error"),
                counted(record.cautions, "caution"),
            );
            say!(
                "{origin}: {errors}, {cautions}; the bits can be added up when the errors are mended"
            );
        }
    }
}

/// The table of what every chip's bits are.
pub(super) fn coverage(chips: &[Coverage]) {
    let mut total = Coverage {
        chip: "total".to_owned(),
        ..Coverage::default()
    };
    for c in chips {
        total.bits += c.bits;
        total.parameter += c.parameter;
        total.check += c.check;
        total.constant += c.constant;
        total.reserved += c.reserved;
        total.mirror += c.mirror;
        total.absent += c.absent;
        total.unknown += c.unknown;
    }
    let wide = chips
        .iter()
        .map(|c| c.chip.chars().count())
        .max()
        .unwrap_or(0)
        .max(5);
    say!(
        "  {:<wide$} {:>9} {:>9} {:>7} {:>8} {:>8} {:>7} {:>7} {:>8}",
        "chip",
        "bits",
        "parameter",
        "check",
        "constant",
        "reserved",
        "mirror",
        "absent",
        "unknown"
    );
    let rows = chips.iter().chain((chips.len() > 1).then_some(&total));
    for c in rows {
        say!(
            "  {:<wide$} {:>9} {:>9} {:>7} {:>8} {:>8} {:>7} {:>7} {:>8}",
            c.chip,
            c.bits,
            c.parameter,
            c.check,
            c.constant,
            c.reserved,
            c.mirror,
            c.absent,
            c.unknown
        );
    }
}

/// A problem with the lines it is about.
fn excerpt(p: &Problem, problems: &Problems) -> String {
    let level = match p.rule.level {
        problem::Level::Error => Level::ERROR,
        problem::Level::Caution => Level::WARNING.with_name("caution"),
    };
    let mut group = level
        .primary_title(p.says.as_str())
        .id(p.rule.code)
        .elements(snippets(p, problems));
    for bit in &p.bits {
        group = group.element(Level::NOTE.with_name("bit").message(bit.as_str()));
    }
    if p.rule.level == problem::Level::Caution {
        group = group.element(Level::NOTE.with_name("where").message(p.subject.as_str()));
    }
    if let Some(repair) = &p.repair {
        group = group.element(Level::HELP.with_name("repair").message(repair.as_str()));
    }
    let groups: &[Group<'_>] = &[group];
    let renderer = Renderer::styled().decor_style(DecorStyle::Ascii);
    let mut text = renderer.render(groups);
    text.push('\n');
    text
}

/// One excerpt a file, with a mark at every place.
fn snippets<'p>(
    p: &'p Problem,
    problems: &'p Problems,
) -> Vec<Snippet<'p, annotate_snippets::Annotation<'p>>> {
    let mut out = Vec::new();
    let mut files: Vec<u16> = vec![p.at.file];
    for (at, _) in &p.also {
        if !files.contains(&at.file) {
            files.push(at.file);
        }
    }
    for file in files {
        let Some(source) = problems.sources.get(usize::from(file)) else {
            continue;
        };
        let text = source.text.as_str();
        let mut snippet = Snippet::source(text).path(source.origin.as_str());
        if p.at.file == file {
            let mark = AnnotationKind::Primary.span(span(p.at, text));
            snippet = snippet.annotation(if p.label.is_empty() {
                mark
            } else {
                mark.label(p.label.as_str())
            });
        }
        for (at, label) in p.also.iter().filter(|(at, _)| at.file == file) {
            snippet = snippet.annotation(
                AnnotationKind::Context
                    .span(span(*at, text))
                    .label(label.as_str()),
            );
        }
        out.push(snippet);
    }
    out
}

/// The part of a place to underline: its first line at most, on whole characters.
fn span(at: At, text: &str) -> std::ops::Range<usize> {
    let floor = |mut i: usize| {
        i = i.min(text.len());
        while !text.is_char_boundary(i) {
            i -= 1;
        }
        i
    };
    let start = floor(at.start as usize);
    let end = floor(at.end as usize).max(start);
    let line = text
        .get(start..end)
        .and_then(|t| t.find(['\n', '\r']))
        .map_or(end, |n| start + n);
    start..line
}
