//! `set`: change parameters by setting or by code.

use super::Outcome;
use super::edited::EditArgs;
use crate::blame::{Blame, Who};
use crate::edit::{Editor, Selector};

/// Change parameters of a reading, by setting or by code.
#[derive(clap::Args)]
#[command(after_help = "\
A setting must be one that a code meets exactly; else the two nearest are named and nothing is written.

Examples:
  cellkeep set reading --at preset=12,voice=3 filter.cutoff=5.9 -o edited
  cellkeep set reading --at preset=1-8 'lfo.shape=triangle' -o edited
  cellkeep set reading --at preset=12 'filter.cutoff=#37' -o edited      the code itself")]
pub(crate) struct Args {
    /// The reading
    reading: String,
    /// What to set: KEY=SETTING, or KEY=#CODE
    #[arg(required = true, value_name = "KEY=SETTING")]
    settings: Vec<String>,
    /// Where: preset=12, or preset=1-8,voice=3; an axis not named means all of it
    #[arg(long, value_name = "PLACE", default_value = "")]
    at: Selector,
    #[command(flatten)]
    edit: EditArgs,
    /// Why, for the record
    #[arg(long, value_name = "TEXT", default_value = "set by hand")]
    why: String,
}

#[derive(Debug, thiserror::Error)]
enum SettingsError {
    #[error("{0:?} is not KEY=SETTING")]
    NotASetting(String),
    #[error("{0} is set twice in one command")]
    Twice(String),
}

impl Blame for SettingsError {
    fn who(&self) -> Who {
        Who::Caller
    }
    fn hint(&self) -> Option<String> {
        Some(match self {
            SettingsError::NotASetting(_) => "write for example filter.cutoff=5.9".into(),
            SettingsError::Twice(_) => "leave out the one that is not meant".into(),
        })
    }
}

pub(crate) fn run(args: &Args) -> Outcome {
    let layout = args.edit.files.layout_for(&args.reading)?;
    let decoded = args.edit.files.decode(&args.reading, &layout)?;
    let mut editor = Editor::new(&decoded);
    let at = args.edit.place(&args.at);
    let mut keys = Vec::new();
    for text in &args.settings {
        let (key, setting) = text
            .split_once('=')
            .ok_or_else(|| SettingsError::NotASetting(text.clone()))?;
        let key = key.trim();
        if keys.contains(&key) {
            return Err(SettingsError::Twice(key.to_owned()).into());
        }
        keys.push(key);
        editor.set(&at, key, setting)?;
    }
    let edited = editor.finish("set", &args.why, None)?;
    args.edit.write(&edited, (&args.reading, &layout))
}
