//! `layout new`: a commented layout to start from, by flags or by a few questions.

use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;
use std::str::FromStr;

use super::super::inputs::write_file;
use super::super::output::{print_text, say};
use super::super::{Outcome, Status};
use crate::blame::{Blame, Who};
use crate::layout::{Answers, ChipAnswer, scaffold};

/// Begin a layout: a commented file that already passes the check, to be filled in.
#[derive(clap::Args)]
#[command(after_help = "\
Without --chip the questions are asked one by one on a terminal.

Examples:
  cellkeep layout new my-poly --chip IC7=2048x8 --axis preset=32 --output my-poly.toml
  cellkeep layout new my-discrete --chip CH12=4096x1 --chip CH34=4096x1 \\
      --axis preset=16 --axis voice=4 --split voice --word 6")]
pub(crate) struct Args {
    /// Id of the layout: lower case with hyphens
    id: String,
    /// Name for people; made of the id if not given
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// A memory chip: its name on the board, its words and data lines
    #[arg(long, value_name = "CHIP=WORDSxLINES")]
    chip: Vec<Chip>,
    /// What presets repeat over, the slowest first
    #[arg(long, value_name = "NAME=COUNT")]
    axis: Vec<Axis>,
    /// The axis that the chips share among them, as voice boards do; without it they stand side by side on one bus
    #[arg(long, value_name = "AXIS")]
    split: Option<String>,
    /// Bits of one value's word; as many as the chips have lines together if not given
    #[arg(long, value_name = "BITS", value_parser = clap::value_parser!(u32).range(1..=64))]
    word: Option<u32>,
    /// Write the layout to this file instead of the terminal
    #[arg(short, long, value_name = "FILE", value_parser = super::super::inputs::layout_file)]
    output: Option<PathBuf>,
    /// Replace the file if it exists
    #[arg(long, requires = "output")]
    replace: bool,
}

#[derive(Clone, Debug)]
struct Chip(ChipAnswer);

impl FromStr for Chip {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("{text:?} is not CHIP=WORDSxLINES, as in IC7=2048x8");
        let (id, shape) = text.rsplit_once('=').ok_or_else(wrong)?;
        let (words, width) = shape.split_once(['x', 'X']).ok_or_else(wrong)?;
        Ok(Chip(ChipAnswer {
            id: id.trim().to_owned(),
            words: words.trim().parse().map_err(|_| wrong())?,
            width: width.trim().parse().map_err(|_| wrong())?,
        }))
    }
}

#[derive(Clone, Debug)]
struct Axis(String, u32);

impl FromStr for Axis {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("{text:?} is not NAME=COUNT, as in preset=16");
        let (name, count) = text.split_once('=').ok_or_else(wrong)?;
        Ok(Axis(
            name.trim().to_owned(),
            count.trim().parse().map_err(|_| wrong())?,
        ))
    }
}

#[derive(Debug, thiserror::Error)]
enum NewError {
    #[error("no chip is named, and there is no terminal to ask on")]
    NobodyToAsk,
    #[error("{0}")]
    Answer(String),
    #[error("the answers ended early")]
    Ended,
}

impl Blame for NewError {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some(
            "give what is known with --chip and --axis; `cellkeep layout new --help` has examples"
                .to_owned(),
        )
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    let name = args.name.clone().unwrap_or_else(|| spoken(&args.id));
    let mut answers = Answers {
        id: args.id.clone(),
        name,
        chips: args.chip.iter().map(|c| c.0.clone()).collect(),
        axes: args.axis.iter().map(|a| (a.0.clone(), a.1)).collect(),
        split: args.split.clone(),
        word: 0,
    };
    if answers.chips.is_empty() {
        ask(&mut answers)?;
    }
    let lines = answers.chips.iter().map(|c| u32::from(c.width));
    let bus = match answers.split {
        Some(_) => lines.max(),
        None => Some(lines.sum()),
    };
    if answers.word == 0 {
        answers.word = args.word.or(bus).unwrap_or(1).clamp(1, 64);
    }
    let text = scaffold(&answers)?;
    let Some(path) = &args.output else {
        print_text(&text);
        return Ok(Status::Clean);
    };
    write_file(path, text.as_bytes(), args.replace)?;
    say!("wrote {}", path.display());
    say!(
        "next: fill it in, then cellkeep layout check {}",
        path.display()
    );
    Ok(Status::Clean)
}

/// "my-poly-six" as "My Poly Six".
fn spoken(id: &str) -> String {
    let words: Vec<String> = id
        .split('-')
        .map(|w| {
            let mut letters = w.chars();
            letters.next().map_or_else(String::new, |first| {
                first.to_uppercase().collect::<String>() + letters.as_str()
            })
        })
        .collect();
    words.join(" ")
}

/// Asks for what a layout cannot do without, one question a line.
fn ask(answers: &mut Answers) -> Result<(), NewError> {
    if !std::io::stdin().is_terminal() {
        return Err(NewError::NobodyToAsk);
    }
    let mut input = std::io::stdin().lock();
    while answers.chips.is_empty() {
        let line = question(
            &mut input,
            "Memory chips, as NAME=WORDSxLINES, several with blanks between: ",
        )?;
        for part in line.split_whitespace() {
            answers
                .chips
                .push(Chip::from_str(part).map_err(NewError::Answer)?.0);
        }
    }
    if answers.axes.is_empty() {
        let line = question(
            &mut input,
            "What presets repeat over, as preset=16 voice=4 (empty for none): ",
        )?;
        for part in line.split_whitespace() {
            let axis = Axis::from_str(part).map_err(NewError::Answer)?;
            answers.axes.push((axis.0, axis.1));
        }
    }
    if answers.chips.len() > 1 && answers.split.is_none() && !answers.axes.is_empty() {
        let line = question(
            &mut input,
            "Do the chips share one of these among them, as voice boards do? Which (empty for no): ",
        )?;
        answers.split = Some(line).filter(|l| !l.is_empty());
    }
    let line = question(
        &mut input,
        "Bits of one value's word (empty for as many as the lines): ",
    )?;
    if !line.is_empty() {
        answers.word = line
            .parse()
            .map_err(|_| NewError::Answer(format!("{line:?} is no number of bits")))?;
    }
    Ok(())
}

fn question(input: &mut impl BufRead, text: &str) -> Result<String, NewError> {
    let mut out = anstream::stderr();
    let _ = write!(out, "{text}").and_then(|()| out.flush());
    let mut line = String::new();
    match input.read_line(&mut line) {
        Ok(n) if n > 0 => Ok(line.trim().to_owned()),
        _ => Err(NewError::Ended),
    }
}
