//! `trace remember`: what can be said without a plan.

use std::path::PathBuf;

use super::super::open::ReadingArgs;
use super::super::output::{number, print_text, say};
use super::super::{Outcome, Status};
use crate::blame::{Blame, Who};
use crate::document::{in_words, to_json};
use crate::trace::unplanned::{
    self, Change, ChipStructure, Facts, Hypotheses, LikelyField, Remembered,
};

/// Tell what a bank shows without a plan: structure, named changes, remembered settings.
#[derive(clap::Args)]
#[command(mut_arg("layout", |a| a.help(super::NO_LAYOUT)))]
#[command(after_help = "\
Everything said here is a hypothesis. One reading shows the likely length of a preset, copies, checks that a run of
presets keeps, and which address lines carry what. A reading after each named change shows the bits that turned:
change one control of one preset, save, read. A file of facts says what a person remembers:

  stride = 30                  # cells from one preset to the next
  at = 32                      # the first preset's first cell
  # lines = [8, 9, 10, 11]     # or: the address lines that choose the preset, lowest bit first

  [[fact]]                     # filter wide open in preset 3
  preset = 3
  control = \"filter.cutoff\"
  high = true

  [[differ]]                   # presets 1 and 2 differ in this control alone
  presets = [1, 2]
  control = \"glide.time\"

Examples:
  cellkeep trace remember reading
  cellkeep trace remember before --after opened --change \"filter opened\" \\
      --after slower --change \"glide slower\"
  cellkeep trace remember reading --facts facts.toml")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    /// A reading after one change; may be repeated, each is compared with the first reading
    #[arg(long, value_name = "READING")]
    after: Vec<String>,
    /// What was changed for it, in your words; once for each --after, in the same order
    #[arg(long, value_name = "TEXT", requires = "after")]
    change: Vec<String>,
    /// What is remembered
    #[arg(long, value_name = "FILE")]
    facts: Option<PathBuf>,
    #[command(flatten)]
    files: ReadingArgs,
    /// Print the hypotheses as JSON
    #[arg(long)]
    json: bool,
}

/// Changes and readings that do not go together.
#[derive(Debug, thiserror::Error)]
#[error("{after} readings after a change, but {changes} changes are named")]
struct Unnamed {
    after: usize,
    changes: usize,
}

impl Blame for Unnamed {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some("give one --change for each --after, or none".to_owned())
    }
}

/// A reading after a change that is not of the same chips.
#[derive(Debug, thiserror::Error)]
#[error(
    "{after} and {before} cannot be compared: {chips} is missing in one of them, or has another size there"
)]
struct Other {
    after: String,
    before: String,
    chips: String,
}

impl Blame for Other {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some("give readings of one instrument, with every chip read to its end".to_owned())
    }
}

/// A facts file that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("the facts cannot be used: {0}")]
struct FactsFile(String);

impl Blame for FactsFile {
    fn who(&self) -> Who {
        Who::File
    }

    fn hint(&self) -> Option<String> {
        Some("`cellkeep trace remember --help` shows a file of facts".to_owned())
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    if !args.change.is_empty() && args.change.len() != args.after.len() {
        return Err(Unnamed {
            after: args.after.len(),
            changes: args.change.len(),
        }
        .into());
    }
    let reading = super::bare(&args.files, &args.reading, Vec::new())?;
    let mut found = Hypotheses {
        structure: unplanned::structure(&reading),
        ..Hypotheses::default()
    };
    for (i, after) in args.after.iter().enumerate() {
        let name = args.change.get(i).unwrap_or(after);
        let read = super::bare(&args.files, after, Vec::new())?;
        let mut change = unplanned::changes(name, &reading, &read);
        if !change.not_compared.is_empty() {
            return Err(Other {
                after: after.clone(),
                before: args.reading.clone(),
                chips: change.not_compared.join(", "),
            }
            .into());
        }
        for cell in &mut change.cells {
            let structure = found.structure.iter().find(|s| s.chip == cell.chip);
            let check = structure.and_then(|s| s.check.as_ref());
            cell.check = check.is_some_and(|c| c.keeps(cell.cell));
        }
        found.changes.push(change);
    }
    if let Some(path) = &args.facts {
        let facts: Facts = toml::from_str(&super::text(path)?)
            .map_err(|e| FactsFile(in_words(e.to_string().trim_end())))?;
        facts.check().map_err(FactsFile)?;
        facts.check_within(&reading).map_err(FactsFile)?;
        found.remembered = unplanned::remembered(&reading, &facts);
    }
    if args.json {
        print_text(&to_json(&found)?);
        return Ok(Status::Clean);
    }
    for s in &found.structure {
        structure(s);
    }
    for c in &found.changes {
        change(c);
    }
    for r in &found.remembered {
        remembered(r);
    }
    say!();
    say!(
        "These are hypotheses. Next: cellkeep trace plan, which settles them in one or two readings."
    );
    Ok(Status::Clean)
}

fn structure(s: &ChipStructure) {
    say!("{}:", s.chip);
    let Some((first, last)) = s.used else {
        say!("  blank: one value throughout");
        return;
    };
    say!("  contents from cell {first:#x} to {last:#x}");
    if let Some(top) = s.moving.last().filter(|top| **top < 7) {
        say!("  no line above D{top} ever moves");
    }
    for p in &s.periods {
        let within: Vec<String> = p.within.iter().map(u32::to_string).collect();
        say!(
            "  perhaps {} cells an entry, or a word of it ({:.0} standard deviations above chance{})",
            p.stride,
            p.score,
            if within.is_empty() {
                String::new()
            } else {
                format!("; also {}, as parts of it", within.join(", "))
            }
        );
    }
    if let Some(c) = &s.check {
        say!(
            "  {} entries of {} cells from cell {:#x} on keep a check: {} ({:.0} bits of evidence)",
            c.entries,
            c.stride,
            c.at,
            c.says,
            c.evidence
        );
    }
    for c in &s.copies {
        say!("  both halves across A{c} are the same: a copy, or the line is not wired");
    }
    for c in &s.nearly {
        say!(
            "  both halves across A{c} are nearly the same: voices that play the same, or a damaged copy"
        );
    }
    let alike: Vec<String> = s
        .lines
        .iter()
        .map(|l| format!("A{} {:.0} %", l.line, l.alike * 100.0))
        .collect();
    say!(
        "  alike across address lines, beyond chance (presets and voices high, words and bits low): {}",
        alike.join(", ")
    );
    // Without a check where entries begin is not known, so the offsets are from the chip's first cell.
    let told: Vec<&LikelyField> = s
        .fields
        .iter()
        .filter(|f| s.check.is_some() && f.says != "in use")
        .collect();
    if told.len() > 24 {
        say!(
            "  {} runs of bits of an entry never move or look like a name, such as:",
            told.len()
        );
    }
    for f in told.iter().take(24) {
        let lines: Vec<String> = f.lines.iter().map(|l| format!("D{l}")).collect();
        let cells = if f.cells == 1 {
            format!("cell {}", f.offset)
        } else {
            format!("cells {} to {}", f.offset, f.offset + f.cells - 1)
        };
        say!("    {cells} of an entry, {}: {}", lines.join(" "), f.says);
    }
}

fn change(c: &Change) {
    say!();
    say!(
        "{}: {} changed in {}",
        c.control,
        number(c.bits, "bit"),
        number(c.cells.len(), "cell")
    );
    for cell in c.cells.iter().take(32) {
        let lines: Vec<String> = cell.lines.iter().map(|l| format!("D{l}")).collect();
        say!(
            "  {} cell {:#x}: {:#04x} to {:#04x} ({}){}",
            cell.chip,
            cell.cell,
            cell.before,
            cell.after,
            lines.join(" "),
            if cell.check {
                ": the entry's check, which follows"
            } else {
                ""
            }
        );
    }
    if c.cells.len() > 32 {
        say!("  and {} more cells", c.cells.len() - 32);
    }
    if c.bits == 0 {
        say!(
            "  memory does not hold it, or it was not saved, or the chips were read before the save"
        );
    }
    for d in &c.again_at {
        say!("  the same again {d} cells on: voices, or a copy");
    }
}

fn remembered(r: &Remembered) {
    say!();
    say!(
        "{}: {} of {} bits of an entry fit {} fact(s); by chance {:.0} would",
        r.control,
        r.fits.len(),
        r.tried,
        r.facts,
        r.by_chance
    );
    for f in r.fits.iter().take(32) {
        say!("  {f}");
    }
    if r.fits.is_empty() {
        say!("  no bit fits: one of the facts is not so, or stride, at or lines are others");
    } else if (r.fits.len() as f64) < r.by_chance * 2.0 && r.by_chance >= 2.0 {
        say!(
            "  about as many would fit by chance: more presets in which it stood at an end would tell"
        );
    }
    if r.fits.len() > 32 {
        say!(
            "  and {} more: more presets in which it stood at an end would single it out",
            r.fits.len() - 32
        );
    }
}
