//! `man`: the manual pages, one for the program and one a command, made from the same table as the help.

use std::path::PathBuf;

use super::output::{print_text, say};
use super::{Failure, Outcome, Status};
use crate::blame::{Blame, DiskError, Who};
use crate::reading::place::{Former, NewFolder};

/// Print a manual page, or write them all to a folder.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep man | man -l -
  cellkeep man decode | man -l -
  cellkeep man --output manual")]
pub(crate) struct Args {
    /// The command to describe, by its words; the whole program if none is given
    #[arg(value_name = "COMMAND")]
    command: Vec<String>,
    /// Write every page to this new folder, for section 1 of the manual
    #[arg(short, long, value_name = "DIR", conflicts_with = "command")]
    output: Option<PathBuf>,
    /// Replace the folder if it exists
    #[arg(long, requires = "output")]
    replace: bool,
}

#[derive(Debug, thiserror::Error)]
#[error("there is no command \"{0}\"")]
struct NoCommand(String);

impl Blame for NoCommand {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        Some("`cellkeep --help` lists the commands".into())
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    let mut root = super::command();
    root.build();
    if let Some(target) = &args.output {
        let folder = NewFolder::begin(target, Former::like(args.replace))?;
        let mut count = 0;
        write_all(&root, "cellkeep", &folder, &mut count)?;
        super::open::tell_left(folder.finish()?.as_deref());
        say!("{count} pages in {}", target.display());
        say!("next: man -l {}", target.join("cellkeep.1").display());
        return Ok(Status::Clean);
    }
    let mut command = &root;
    let mut name = "cellkeep".to_owned();
    for word in &args.command {
        command = command
            .find_subcommand(word)
            .ok_or_else(|| NoCommand(args.command.join(" ")))?;
        name = format!("{name}-{word}");
    }
    print_text(&String::from_utf8_lossy(&page(command, &name)?));
    Ok(Status::Clean)
}

/// One page a command, and one for each command under it.
fn write_all(
    command: &clap::Command,
    name: &str,
    folder: &NewFolder,
    count: &mut usize,
) -> Result<(), Failure> {
    folder.write(&format!("{name}.1"), &page(command, name)?)?;
    *count += 1;
    for sub in command.get_subcommands().filter(|c| c.get_name() != "help") {
        write_all(sub, &format!("{name}-{}", sub.get_name()), folder, count)?;
    }
    Ok(())
}

fn page(command: &clap::Command, name: &str) -> Result<Vec<u8>, DiskError> {
    let mut out = Vec::new();
    clap_mangen::Man::new(command.clone())
        .source(concat!("cellkeep ", env!("CARGO_PKG_VERSION")))
        .render(&mut out)
        .map_err(|e| DiskError::new("write the manual page", name, e))?;
    Ok(out)
}
