//! What every command shares in printing: colour, failures, and the closing lines.

use crate::blame::Blame;

/// When to use colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum ColorChoice {
    /// On a terminal, unless `NO_COLOR` is set.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// The terminal as commands see it.
pub(crate) struct Ui {}

impl Ui {
    /// Sets colour for the whole process.
    pub(crate) fn new(color: ColorChoice) -> Self {
        match color {
            ColorChoice::Auto => anstream::ColorChoice::Auto,
            ColorChoice::Always => anstream::ColorChoice::Always,
            ColorChoice::Never => anstream::ColorChoice::Never,
        }
        .write_global();
        Self {}
    }

    /// Prints why a command could not do its work: who must act, what happened, and a hint.
    pub(crate) fn failure(&self, error: &dyn Blame) {
        anstream::eprintln!("cellkeep: {}: {error}", error.who().word());
        if let Some(hint) = error.hint() {
            anstream::eprintln!("  try: {hint}");
        }
    }
}
