//! `hand-set`: the form for what memory does not hold, printed at intake and read back filled in.

use std::path::PathBuf;

use super::inputs::write_file;
use super::output::{print_text, say};
use super::{Outcome, Status};
use crate::document;
use crate::finding::Finding;
use crate::hand_set::{self, FilledForm};

/// Print the form for controls that memory does not hold, or read it filled in.
#[derive(clap::Args)]
#[command(after_help = "\
Examples:
  cellkeep hand-set aldermoor-four                       print the form
  cellkeep hand-set aldermoor-four -o intake.toml        write it to a file
  cellkeep hand-set aldermoor-four --filled intake.toml  read it filled in

`cellkeep decode --hand-set intake.toml` puts the filled form into the bank.")]
pub(crate) struct Args {
    /// The layout, by name or by path
    #[arg(value_name = "LAYOUT")]
    layout: String,
    /// Read this filled form
    #[arg(long, value_name = "FORM")]
    filled: Option<PathBuf>,
    /// Write the empty form to this file
    #[arg(short, long, value_name = "FILE", conflicts_with = "filled")]
    output: Option<PathBuf>,
    /// Replace the file if it exists
    #[arg(long, requires = "output")]
    replace: bool,
    /// Print the filled form as a JSON document
    #[arg(long, requires = "filled")]
    json: bool,
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = super::open::layout_named(&args.layout)?;
    let Some(path) = &args.filled else {
        let form = hand_set::blank_form(&layout)?;
        match &args.output {
            None => print_text(&form),
            Some(target) => {
                write_file(target, form.as_bytes(), args.replace)?;
                say!("the form is in {}", target.display());
                say!(
                    "next: fill it in, then cellkeep hand-set {} --filled {}",
                    args.layout,
                    target.display()
                );
            }
        }
        return Ok(Status::Clean);
    };
    let text = super::inputs::read_text(path)?;
    let (form, findings) = hand_set::read_form(&layout, &text)?;
    if args.json {
        print_text(&document::to_json(&form)?);
    } else {
        show(&form, &findings);
        say!(
            "next: cellkeep decode READING --layout {} --hand-set {}",
            args.layout,
            path.display()
        );
    }
    Ok(super::findings::status(&findings))
}

fn show(form: &FilledForm, findings: &[Finding]) {
    for (name, value) in [
        ("serial", &form.serial),
        ("date", &form.date),
        ("by", &form.by),
        ("notes", &form.notes),
    ] {
        if !value.is_empty() {
            say!("{name}: {value}");
        }
    }
    for control in &form.controls {
        let name = match &control.at {
            Some(at) => format!("{} {at}", control.key),
            None => control.key.clone(),
        };
        let written = match (control.written.as_str(), control.number) {
            ("", _) => "(not filled in)".to_owned(),
            (text, Some(_)) => text.to_owned(),
            (text, None) => format!("{text}  (kept as written)"),
        };
        say!("{name:<32} {written}");
    }
    print_text(&super::findings::text(findings));
}
