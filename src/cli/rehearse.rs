//! `rehearse`: lays the demonstration out in a fresh folder and runs the real commands on it.

use std::path::{Path, PathBuf};
use std::process::Command;

use super::output::{print_text, quoted, say};
use super::{Failure, Outcome, Status};
use crate::blame::{Blame, DiskError, Who};
use crate::reading::place::{Former, NewFolder};
use crate::rehearse::{self, Call};

/// Lines of a command's output that are shown unless all are asked for.
const SHOWN: usize = 16;

/// Go through the whole job on invented dumps, in a fresh folder.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep rehearse                                  in the folder ./rehearsal
  cellkeep rehearse --instrument pellow-six --all
  cellkeep rehearse --trace --instrument pellow-six  find its layout as if nobody had documented it
  cellkeep rehearse --output /tmp/try --list         lay out the files, list the commands

Every command is printed as it is run. To repeat one by hand, change to the folder and paste it.")]
pub(crate) struct Args {
    /// The folder to work in; it must not exist yet
    #[arg(short, long, value_name = "DIR", default_value = "rehearsal")]
    output: PathBuf,
    /// Replace the folder of an earlier rehearsal
    #[arg(long)]
    replace: bool,
    /// The invented instrument to rehearse with
    #[arg(long, value_name = "LAYOUT")]
    instrument: Option<String>,
    /// Show all output, however long
    #[arg(long)]
    all: bool,
    /// Lay out the files and list the commands without running them
    #[arg(long)]
    list: bool,
    /// Rehearse tracing instead: the layout is hidden, found from settings, and used on a second bank
    #[arg(long, conflicts_with = "list")]
    trace: bool,
}

#[derive(Debug, thiserror::Error)]
enum RehearseError {
    #[error("there are no dumps of \"{0}\"")]
    NoInstrument(String),
    #[error("{} is there and is no rehearsal", .0.display())]
    NotARehearsal(PathBuf),
    #[error("`{command}` ended with {got}; it must end with {expected}")]
    Step {
        command: String,
        got: String,
        expected: &'static str,
    },
    #[error("{0} of the files that were only to be read are not what they were")]
    Touched(usize),
}

impl Blame for RehearseError {
    fn who(&self) -> Who {
        Who::Caller
    }

    fn hint(&self) -> Option<String> {
        Some(match self {
            RehearseError::NoInstrument(_) => format!("one of {}", rehearse::instruments().join(", ")),
            RehearseError::NotARehearsal(_) => "choose another folder with --output".into(),
            RehearseError::Step { .. } => {
                "run it again by hand in the folder of the rehearsal; if nothing there was changed, this is a defect of the program".into()
            }
            RehearseError::Touched(_) => "this is a defect of the program; please report it".into(),
        })
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    if args.trace {
        return super::trace::rehearse(args.instrument.as_deref().unwrap_or("pellow-six"));
    }
    let known = rehearse::instruments();
    let instrument = match &args.instrument {
        Some(wanted) => known
            .iter()
            .copied()
            .find(|id| id == wanted)
            .ok_or_else(|| RehearseError::NoInstrument(wanted.clone()))?,
        None => known.first().copied().unwrap_or_default(),
    };
    let layout = crate::layout::load(instrument)?;
    let steps = rehearse::steps(&layout);
    lay_out(args, instrument)?;

    say!(
        "A rehearsal with the {}, which does not exist: its dumps are invented.",
        layout.name
    );
    say!("To repeat a command by hand:");
    say!("");
    say!("$ cd {}", quoted(&args.output.display().to_string()));
    let mut ran = 0;
    for (number, step) in steps.iter().enumerate() {
        say!("");
        say!("{}. {}", number + 1, step.title);
        for line in wrapped(&step.why) {
            say!("   {line}");
        }
        for call in &step.calls {
            say!("");
            say!("$ {}", line_of(call));
            if !args.list {
                run_call(args, call)?;
                ran += 1;
            }
        }
    }
    say!("");
    if args.list {
        say!(
            "next: change to {} and go through the commands by hand",
            args.output.display()
        );
        return Ok(Status::Clean);
    }
    let read = check_untouched(&args.output, instrument)?;
    say!(
        "{ran} commands in {} steps, each ended as it must.",
        steps.len()
    );
    say!("The {read} files that were to be read are byte for byte what they were.");
    say!(
        "next: go through it by hand in {}, then with your own reading",
        args.output.display()
    );
    Ok(Status::Clean)
}

/// Puts the dumps into a fresh folder.
fn lay_out(args: &Args, instrument: &str) -> Result<(), Failure> {
    if args.replace && args.output.exists() && !args.output.join(rehearse::MARK.0).is_file() {
        return Err(RehearseError::NotARehearsal(args.output.clone()).into());
    }
    // The mark says that all of it came from a rehearsal.
    let former = match args.replace {
        true => Former::Any,
        false => Former::Keep,
    };
    let folder = NewFolder::begin(&args.output, former)?;
    folder.write(rehearse::MARK.0, rehearse::MARK.1.as_bytes())?;
    for (name, contents) in rehearse::files(instrument) {
        folder.write(name, contents)?;
    }
    super::open::tell_left(folder.finish()?.as_deref());
    Ok(())
}

/// Runs one command in the folder and shows what it says.
fn run_call(args: &Args, call: &Call) -> Result<(), Failure> {
    let program =
        std::env::current_exe().map_err(|e| DiskError::new("find the program", "cellkeep", e))?;
    let failed = |e| DiskError::new("run", &program, e);
    let (mut reader, writer) = std::io::pipe().map_err(failed)?;
    let mut command = Command::new(&program);
    command
        .args(&call.words)
        .current_dir(&args.output)
        .stdin(std::process::Stdio::null())
        .stdout(writer.try_clone().map_err(failed)?)
        .stderr(writer);
    let mut child = command.spawn().map_err(failed)?;
    drop(command); // closes this side's ends of the pipe
    let mut bytes = Vec::new();
    std::io::Read::read_to_end(&mut reader, &mut bytes).map_err(failed)?;
    let status = child.wait().map_err(failed)?;
    print_text(&cut(&String::from_utf8_lossy(&bytes), args.all));
    match status.code() {
        Some(code) if call.must.holds(code) => Ok(()),
        code => Err(RehearseError::Step {
            command: line_of(call),
            got: code.map_or("a signal".into(), |c| format!("exit status {c}")),
            expected: call.must.words(),
        }
        .into()),
    }
}

/// The first and last lines of a long output, with what was left out counted.
fn cut(text: &str, all: bool) -> String {
    let lines: Vec<&str> = text.lines().collect();
    let mut out = String::new();
    let mut push = |line: &str| {
        out.push_str(line);
        out.push('\n');
    };
    if all || lines.len() <= SHOWN + 2 {
        lines.iter().for_each(|l| push(l));
    } else {
        let last = 3;
        let first = SHOWN - last;
        lines[..first].iter().for_each(|l| push(l));
        push(&format!(
            "   ({} lines more; --all shows them)",
            lines.len() - SHOWN
        ));
        lines[lines.len() - last..].iter().for_each(|l| push(l));
    }
    out
}

/// How many files were laid out, when all of them are still what they were.
fn check_untouched(folder: &Path, instrument: &str) -> Result<usize, Failure> {
    let files = rehearse::files(instrument);
    let touched = files
        .iter()
        .filter(|(name, contents)| {
            let now = std::fs::read(folder.join(name));
            now.ok().as_deref() != Some(*contents)
        })
        .count();
    match touched {
        0 => Ok(files.len()),
        n => Err(RehearseError::Touched(n).into()),
    }
}

fn line_of(call: &Call) -> String {
    let words: Vec<String> = call.words.iter().map(|w| quoted(w)).collect();
    format!("cellkeep {}", words.join(" "))
}

/// A text in lines of at most 97 characters.
fn wrapped(text: &str) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines
            .last_mut()
            .filter(|l| l.is_empty() || l.len() + word.len() < 97);
        match last {
            Some(line) if line.is_empty() => line.push_str(word),
            Some(line) => {
                line.push(' ');
                line.push_str(word);
            }
            None => lines.push(word.to_owned()),
        }
    }
    lines
}
