//! `completions`: a script that teaches a shell the commands and options.

use super::output::print_text;
use super::{Outcome, Status};

/// Print a completion script for a shell.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep completions bash > ~/.local/share/bash-completion/completions/cellkeep
  cellkeep completions fish > ~/.config/fish/completions/cellkeep.fish
  cellkeep completions powershell >> $PROFILE")]
pub(crate) struct Args {
    /// The shell
    shell: clap_complete::Shell,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut super::command(), "cellkeep", &mut script);
    print_text(&String::from_utf8_lossy(&script));
    Ok(Status::Clean)
}
