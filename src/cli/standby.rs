//! `standby`: the arithmetic of backup supply.

use std::path::PathBuf;

use super::output::{print_text, say};
use super::{Outcome, Status};
use crate::blame::{Blame, DiskError, Who};
use crate::caution::{Caution, DEFER};
use crate::document::to_json;
use crate::sheet;
use crate::standby::tables::Ground;
use crate::standby::units::{AmpHours, Amps, Celsius, Farads, Ohms, QuantityError, Volts};
use crate::standby::{
    self, Answer, Figure, KeepAlive, Measured, Profile, Report, Request, Setup, StandbyError,
    Tables, Verdict,
};

/// Work out how long the presets live on their battery, what may be fitted, and what must never be done.
///
/// Every figure comes from the most trusted place: what you measured, what you say here, the layout's bench facts,
/// the tables (`--list`). Each answer shows its range (usual and worst case), its formula and a verdict; each figure
/// shows its source. The exit status is 1 when a verdict is tight or bad.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep standby --battery cr2032 --chip 6116x2 --blocking schottky --series-resistor 1k
  cellkeep standby --battery nicd --cells 3 --capacity \"100 mAh\" --chip 5101x4 --series-resistor 1k --change-to er14250
  cellkeep standby --battery cr2032 --chip 6116 --measured \"260 uA\"
  cellkeep standby --battery cr2032 --chip 6116 --measured 1.2mV/1k --at 22 --profile 600h@40,rest@22
  cellkeep standby --battery cr2032 --chip 6116 --plot swap.html
  cellkeep standby --list")]
pub(crate) struct Args {
    /// Print the tables with their sources, and nothing else
    #[arg(long)]
    list: bool,
    /// The battery: a size or a chemistry of the tables, such as cr2032 or nicd
    #[arg(long, value_name = "KEY", help_heading = "What is fitted")]
    battery: Option<String>,
    /// Cells in series
    #[arg(long, value_name = "N", help_heading = "What is fitted")]
    cells: Option<u32>,
    /// Capacity of the battery, such as "100 mAh"
    #[arg(long, value_name = "CHARGE", value_parser = quantity::<AmpHours>, allow_hyphen_values = true, help_heading = "What is fitted")]
    capacity: Option<AmpHours>,
    /// The part that keeps the supply out of the battery: silicon, schottky, low-leakage, silicon-pair, none
    #[arg(long, value_name = "KEY", help_heading = "What is fitted")]
    blocking: Option<String>,
    /// Resistor between battery and memory, such as 1k
    #[arg(long, value_name = "OHMS", value_parser = quantity::<Ohms>, allow_hyphen_values = true, help_heading = "What is fitted")]
    series_resistor: Option<Ohms>,
    /// Resistor through which a rechargeable pack is charged
    #[arg(long, value_name = "OHMS", value_parser = quantity::<Ohms>, allow_hyphen_values = true, help_heading = "What is fitted")]
    charge_resistor: Option<Ohms>,
    /// Supply at the memory with the instrument on
    #[arg(long, value_name = "VOLTS", value_parser = quantity::<Volts>, allow_hyphen_values = true, help_heading = "What is fitted")]
    supply: Option<Volts>,
    /// Hold-up capacitor, such as "0.1 F" or "220 uF"
    #[arg(long, value_name = "FARADS", value_parser = quantity::<Farads>, allow_hyphen_values = true, help_heading = "What is fitted")]
    hold_up: Option<Farads>,
    /// Its kind: supercapacitor or electrolytic (from 10 mF on a supercapacitor is assumed)
    #[arg(long, value_name = "KEY", help_heading = "What is fitted")]
    capacitor: Option<String>,
    /// A memory chip, with x and a number for several: 6116x2; may be repeated
    #[arg(long = "chip", value_name = "PART", value_parser = chip, help_heading = "What is fitted")]
    chips: Vec<(String, u32)>,
    /// Standby current of the whole memory at 25 °C by a data sheet at hand, such as "2 uA"
    #[arg(long, value_name = "CURRENT", value_parser = quantity::<Amps>, allow_hyphen_values = true, help_heading = "What is fitted")]
    current: Option<Amps>,
    /// Voltage down to which the memory keeps its contents
    #[arg(long, value_name = "VOLTS", value_parser = quantity::<Volts>, allow_hyphen_values = true, help_heading = "What is fitted")]
    retention: Option<Volts>,
    /// Most current the cell may be charged with when the blocking part fails, by its data sheet
    #[arg(long, value_name = "CURRENT", value_parser = quantity::<Amps>, allow_hyphen_values = true, help_heading = "What is fitted")]
    reverse_limit: Option<Amps>,
    /// Standby current as measured: "1.2 uA", or the voltage across a resistor: 1.2mV/1k
    #[arg(long, value_name = "CURRENT", value_parser = current_or_drop, allow_hyphen_values = true, help_heading = "What was measured")]
    measured: Option<Amps>,
    /// How warm it was then
    #[arg(long, value_name = "CELSIUS", value_parser = quantity::<Celsius>, default_value = "25", allow_hyphen_values = true, help_heading = "What was measured")]
    at: Celsius,
    /// Drop of the blocking part as measured with the instrument off
    #[arg(long, value_name = "VOLTS", value_parser = quantity::<Volts>, allow_hyphen_values = true, help_heading = "What was measured")]
    drop: Option<Volts>,
    /// Temperature all year
    #[arg(long, value_name = "CELSIUS", value_parser = quantity::<Celsius>, conflicts_with = "profile", allow_hyphen_values = true, help_heading = "How it lives")]
    temperature: Option<Celsius>,
    /// Temperatures of the year, hours at each: 600h@40,rest@22
    #[arg(long, value_name = "PROFILE", help_heading = "How it lives")]
    profile: Option<String>,
    /// Hours a year the instrument is on
    #[arg(
        long,
        value_name = "HOURS",
        allow_hyphen_values = true,
        help_heading = "How it lives"
    )]
    hours_on: Option<f64>,
    /// Keep-alive supply and resistor for the swap: 3V/10k
    #[arg(long, value_name = "VOLTS/OHMS", value_parser = keep_alive, help_heading = "The swap")]
    keep_alive: Option<KeepAlive>,
    /// Another battery: what must be changed for it, and how it would do
    #[arg(long, value_name = "KEY", help_heading = "The swap")]
    change_to: Option<String>,
    /// A table file of your own, in the form of the built-in ones; may be repeated
    #[arg(long, value_name = "FILE")]
    tables: Vec<PathBuf>,
    /// Write the answers and the voltage over the years as a sheet (HTML, or SVG by the name's ending)
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Replace the sheet if it exists
    #[arg(long, requires = "plot")]
    replace: bool,
    /// Print the answers as a JSON document
    #[arg(long)]
    json: bool,
}

fn quantity<T: std::str::FromStr<Err = QuantityError>>(text: &str) -> Result<T, QuantityError> {
    text.parse()
}

/// "6116x2" or "6116".
fn chip(text: &str) -> Result<(String, u32), String> {
    let (part, count) = match text.rsplit_once(['x', 'X', '*']) {
        Some((part, count)) if !part.is_empty() && count.bytes().all(|b| b.is_ascii_digit()) => (
            part,
            count
                .parse()
                .map_err(|_| "the number of chips is not one".to_owned())?,
        ),
        _ => (text, 1),
    };
    if !(1..=256).contains(&count) {
        return Err(format!("{count} chips; from 1 to 256 make sense"));
    }
    Ok((part.trim().to_owned(), count))
}

/// "1.2 uA", or "1.2mV/1k" across a resistor.
fn current_or_drop(text: &str) -> Result<Amps, QuantityError> {
    match text.split_once('/') {
        Some((volts, ohms)) => Ok(volts.parse::<Volts>()? / positive_ohms(ohms)?),
        None => text.parse(),
    }
}

fn keep_alive(text: &str) -> Result<KeepAlive, QuantityError> {
    let wanted = QuantityError {
        text: text.to_owned(),
        wanted: "a supply and its resistor such as \"3V/10k\"",
        why: "it has no /",
    };
    let (volts, ohms) = text.split_once('/').ok_or(wanted)?;
    Ok(KeepAlive {
        supply: volts.parse()?,
        resistor: positive_ohms(ohms)?,
    })
}

fn positive_ohms(text: &str) -> Result<Ohms, QuantityError> {
    let ohms: Ohms = text.parse()?;
    if ohms.0 > 0.0 {
        Ok(ohms)
    } else {
        Err(QuantityError {
            text: text.to_owned(),
            wanted: "a resistance such as \"10k\"",
            why: "it must be above zero",
        })
    }
}

impl Args {
    fn request(&self) -> Result<Request, StandbyError> {
        let profile = match (&self.profile, self.temperature) {
            (Some(text), _) => Some(Profile::parse(text)?),
            (None, Some(celsius)) => Some(Profile::constant(celsius)?),
            (None, None) => None,
        };
        Ok(Request {
            battery: self.battery.clone(),
            cells: self.cells,
            capacity: self.capacity,
            blocking: self.blocking.clone(),
            drop: self.drop,
            series: self.series_resistor,
            charging: self.charge_resistor,
            supply: self.supply,
            hold_up: self.hold_up,
            capacitor: self.capacitor.clone(),
            chips: self.chips.clone(),
            current: self.current,
            retention: self.retention,
            measured: self.measured.map(|current| Measured {
                current,
                celsius: self.at,
            }),
            profile,
            hours_on: self.hours_on,
            reverse_limit: self.reverse_limit,
            keep_alive: self.keep_alive,
        })
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    let mut tables = Tables::built_in()?;
    for path in &args.tables {
        let text =
            std::fs::read_to_string(path).map_err(|error| DiskError::new("read", path, error))?;
        tables = tables.with(&text, &path.display().to_string())?;
    }
    if args.list {
        list(&tables);
        return Ok(Status::Clean);
    }
    let setup = Setup::resolve(&args.request()?, None, &tables)?;
    let report = standby::answer(&setup, args.change_to.as_deref(), &tables)?;
    if let Some(path) = &args.plot {
        let svg = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("svg"));
        let text = if svg {
            sheet::standby::plot(&report)
        } else {
            sheet::standby::page(&report, sheet::Paper::A4)
        };
        super::output::write_new(path, &text, args.replace)?;
    }
    if args.json {
        print_text(&to_json(&report).map_err(NotJson)?);
    } else {
        show(&report);
        if let Some(path) = &args.plot {
            say!("sheet: {}", path.display());
        }
    }
    let change = report.change.iter().flat_map(|c| &c.answers);
    // What the circuit would do if left as it is has its remedy in the list of things to do.
    let mut judged = report
        .answers
        .iter()
        .chain(change.filter(|a| a.key != "change.as-is"));
    Ok(if judged.any(|a| a.verdict >= Verdict::Tight) {
        Status::Findings
    } else {
        Status::Clean
    })
}

#[derive(Debug, thiserror::Error)]
#[error("the answers cannot be written as JSON: {0}")]
struct NotJson(serde_json::Error);

impl Blame for NotJson {
    fn who(&self) -> Who {
        Who::Caller
    }
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
    say!("      cellkeep plan      the swap step by step");
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
        let drop = part.drop(
            crate::standby::units::Range::exactly(Amps(1e-6)),
            crate::standby::units::Range::exactly(Celsius(25.0)),
        );
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
