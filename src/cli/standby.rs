//! `standby`: the arithmetic of backup supply.

use std::path::PathBuf;

use super::inputs::write_file;
use super::output::{print_text, say};
use super::supply::SupplyArgs;
use super::{Outcome, Status};
use crate::caution::{Caution, DEFER};
use crate::document::to_json;
use crate::sheet;
use crate::standby::tables::Ground;
use crate::standby::units::{Amps, Celsius, Range, Volts};
use crate::standby::{self, Answer, Figure, Report, Setup, Tables, Verdict};

/// Work out how long the presets live on their battery, what may be fitted, and what must never be done.
///
/// Every figure comes from the most trusted place: what you measured, what you say here, the layout's bench facts,
/// the tables (`--list`). Each answer shows its range (usual and worst case), its formula and a verdict; each figure
/// shows its source. The exit status is 1 when a verdict is tight or bad.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep standby --layout aldermoor-four --measured \"1.2 uA\" --change-to er14250
  cellkeep standby --battery cr2032 --chip 6116x2 --blocking schottky --series-resistor 1k
  cellkeep standby --battery nicd --cells 3 --capacity \"100 mAh\" --chip 5101x4 \\
      --series-resistor 1k --change-to er14250
  cellkeep standby --battery cr2032 --chip 6116 --measured \"260 uA\"
  cellkeep standby --battery cr2032 --chip 6116 --measured 1.2mV/1k --at 22 \\
      --profile 600h@40,rest@22
  cellkeep standby --battery cr2032 --chip 6116 --plot swap.html
  cellkeep standby --list")]
pub(crate) struct Args {
    /// Print the tables with their sources, and nothing else
    #[arg(long)]
    list: bool,
    #[command(flatten)]
    supply: SupplyArgs,
    /// Write the answers and the voltage over the years as a sheet (HTML, or SVG by the name's ending)
    #[arg(long, value_name = "FILE", value_parser = super::inputs::html_or_svg_file)]
    plot: Option<PathBuf>,
    /// Replace the sheet if it exists
    #[arg(long, requires = "plot")]
    replace: bool,
    /// Print the answers as a JSON document
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let tables = args.supply.tables()?;
    if args.list {
        list(&tables);
        return Ok(Status::Clean);
    }
    let layout = args.supply.layout()?;
    let setup = Setup::resolve(&args.supply.request()?, layout.as_ref(), &tables)?;
    let report = standby::answer(&setup, args.supply.change_to.as_deref(), &tables)?;
    if let Some(path) = &args.plot {
        let svg = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("svg"));
        let text = if svg {
            sheet::standby::plot(&report)
        } else {
            sheet::standby::page(&report, sheet::Paper::A4)
        };
        write_file(path, text.as_bytes(), args.replace)?;
    }
    if args.json {
        print_text(&to_json(&report)?);
    } else {
        show(&report);
        if let Some(path) = &args.plot {
            say!("sheet: {}", path.display());
        }
    }
    let open = report.judged().any(|a| a.verdict >= Verdict::Tight);
    Ok(if open {
        Status::Findings
    } else {
        Status::Clean
    })
}

fn show(report: &Report) {
    say!("{} on {}", report.title, report.battery);
    say!();
    for answer in &report.answers {
        show_answer(answer);
    }
    for question in &report.unanswered {
        say!("?      {question}");
    }
    if !report.unanswered.is_empty() {
        say!();
    }
    say!("Figures used");
    for figure in &report.figures {
        show_figure(figure);
    }
    if let Some(change) = &report.change {
        say!();
        say!("Changed to {}", change.to);
        say!();
        for answer in &change.answers {
            show_answer(answer);
        }
        say!("Figures that differ");
        for figure in &change.figures {
            show_figure(figure);
        }
        say!();
        say!("To be done for it, in this order");
        for (i, step) in change.todo.iter().enumerate() {
            say!("  {}. {step}", i + 1);
        }
    }
    say!();
    show_cautions(&report.cautions);
    say!();
    next(report);
}

fn show_answer(answer: &Answer) {
    say!(
        "{:<6} {}: {}",
        answer.verdict.word(),
        answer.title,
        answer.shown
    );
    if !answer.formula.is_empty() {
        say!("       {}", answer.reckoning());
    }
    if !answer.says.is_empty() {
        say!("       {}", answer.says);
    }
    say!();
}

fn show_figure(figure: &Figure) {
    say!("  {:<4} {}: {}", figure.symbol, figure.name, figure.shown);
    let ground = figure.ground.word();
    match figure.ground {
        _ if figure.source.is_empty() => say!("       {ground}"),
        Ground::Memory if figure.source.starts_with(ground) => say!("       {}", figure.source),
        Ground::Memory => say!("       partly {ground}: {}", figure.source),
        Ground::Practice => say!("       {}", figure.source),
        _ => say!("       {ground}: {}", figure.source),
    }
}

/// Prints cautions, and who decides.
pub(super) fn show_cautions(cautions: &[Caution]) {
    say!("Cautions");
    for caution in cautions {
        say!("  ! {}: {}", caution.title, caution.text);
    }
    say!("  {DEFER}");
}

fn next(report: &Report) {
    let worst = report
        .answers
        .iter()
        .filter(|a| a.verdict == Verdict::Bad)
        .map(|a| a.title.as_str());
    let bad: Vec<&str> = worst.collect();
    if !bad.is_empty() {
        say!("put right first: {}", bad.join("; "));
    }
    if report.answer("memory.health").is_none() {
        say!(
            "next: after the swap measure the standby current and say --measured \"... uA\"; it beats every table"
        );
    } else {
        say!("next: write the measured current and the date of the battery into the job");
    }
    say!("      `cellkeep plan` with the same options gives the swap step by step");
}

fn list(tables: &Tables) {
    say!("Batteries (--battery, --change-to)");
    for (key, size) in &tables.size {
        let chemistry = &tables.chemistry[&size.chemistry].name;
        say!(
            "  {key:<13} {}, {chemistry}, {} x {} mAh (worst {}): {}",
            size.name,
            size.cells,
            size.capacity.typical,
            size.capacity.worst,
            tables.cite(&size.capacity.from).1
        );
    }
    say!("Chemistries (--battery with --cells and --capacity)");
    for (key, chemistry) in &tables.chemistry {
        let curve = &chemistry.curve;
        say!(
            "  {key:<16} {}, {} fresh, {} at its end: {}",
            chemistry.name,
            curve.fresh(),
            curve.end(),
            tables.cite(&curve.from).1
        );
    }
    say!("Blocking parts (--blocking)");
    for (key, part) in &tables.blocking {
        let drop = part.drop(Range::exactly(Amps(1e-6)), Range::exactly(Celsius(25.0)));
        let leak = part.leak.as_ref().map_or("does not block".to_owned(), |l| {
            format!("leaks {}", l.range(Amps))
        });
        say!(
            "  {key:<13} {}, {drop} at 1 µA, {leak}: {}",
            part.name,
            tables.cite(&part.drop.from).1
        );
    }
    say!("Capacitors (--capacitor)");
    for (key, kind) in &tables.capacitor {
        let leak = kind.leak_per_farad.range(Amps);
        say!(
            "  {key:<14} {}, leaks {leak} a farad: {}",
            kind.name,
            tables.cite(&kind.leak_per_farad.from).1
        );
    }
    say!("Memory chips (--chip)");
    for (part, memory) in &tables.memory {
        let aliases = if memory.aliases.is_empty() {
            String::new()
        } else {
            format!(" (also {})", memory.aliases.join(", "))
        };
        say!(
            "  {part}{aliases}: {}, keeps its contents down to {}",
            memory.name,
            Volts(memory.retention.volts)
        );
        for s in &memory.standby {
            let kind = if s.worst { "at most" } else { "typical" };
            let current = Amps(s.microamps * 1e-6);
            say!(
                "      {kind} {current} at {}: {}",
                Celsius(s.celsius),
                tables.cite(&s.from).1
            );
        }
    }
    say!(
        "next: cellkeep standby --battery KEY --chip PART; --tables FILE adds entries of your own"
    );
}
