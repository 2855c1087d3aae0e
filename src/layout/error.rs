//! Why a layout could not be had.

use crate::blame::{Blame, DiskError, Who, place};

use super::problem::Problems;

/// Why a layout could not be had.
#[derive(Debug, thiserror::Error)]
pub enum LayoutError {
    /// The file system refused.
    #[error(transparent)]
    Disk(#[from] DiskError),
    /// No layout has that name.
    #[error("no layout is named {name:?}; {}", known_words(.known))]
    NotFound {
        /// The name asked for.
        name: String,
        /// The nearest name there is.
        near: Option<String>,
        /// The names there are.
        known: Vec<String>,
    },
    /// The file is no text.
    #[error("{origin} is not a text file in UTF-8")]
    NotText {
        /// Path as given.
        origin: String,
    },
    /// The file is larger than any layout.
    #[error("{origin} is {bytes} bytes long; a layout has at most {limit}")]
    TooLong {
        /// Path as given.
        origin: String,
        /// Its length.
        bytes: u64,
        /// The limit.
        limit: u64,
    },
    /// The layout breaks rules of the language.
    #[error("the layout has {} error{}\n{}", .0.errors(), if .0.errors() == 1 { "" } else { "s" }, .0)]
    Broken(Box<Problems>),
}

fn known_words(known: &[String]) -> String {
    match known {
        [] => "none are built in, and the user's folder has none".to_owned(),
        _ => format!("there are {}", known.join(", ")),
    }
}

impl Blame for LayoutError {
    fn who(&self) -> Who {
        match self {
            LayoutError::Disk(e) => e.who(),
            LayoutError::NotFound { .. } => Who::Caller,
            LayoutError::NotText { .. } | LayoutError::TooLong { .. } => Who::File,
            LayoutError::Broken(_) => Who::Layout,
        }
    }

    fn hint(&self) -> Option<String> {
        match self {
            LayoutError::Disk(e) => e.hint(),
            LayoutError::NotFound { near, .. } => Some(match near {
                Some(near) => format!("did you mean {near:?}?"),
                None => "`cellkeep layout list` shows every layout; a layout in a file is given by its path, with .toml at the end".to_owned(),
            }),
            LayoutError::NotText { .. } | LayoutError::TooLong { .. } => {
                Some("see that this is the layout and not a dump".to_owned())
            }
            LayoutError::Broken(problems) => problems.sources.first().map(|s| {
                let layout = place(s.origin.trim_start_matches("built in: "));
                format!("`cellkeep layout check {layout}` shows each with its line")
            }),
        }
    }
}
