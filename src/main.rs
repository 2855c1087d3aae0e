//! The command-line program: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    cellkeep::cli::main()
}
