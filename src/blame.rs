//! Who must act on an error.
//!
//! Every error type of the crate implements [`Blame`], so that the command line can say whether the file,
//! the layout's author, the caller or the disk is at fault, and what to do, without looking inside.

/// Who has to act before the command can succeed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Who {
    /// A file that was given holds something it must not.
    File,
    /// The layout file says something impossible; its author must mend it.
    Layout,
    /// The call itself is wrong: an argument, a name, a combination.
    Caller,
    /// The file system refused or failed.
    Disk,
}

impl Who {
    /// The word used in messages.
    pub fn word(self) -> &'static str {
        match self {
            Who::File => "file",
            Who::Layout => "layout",
            Who::Caller => "call",
            Who::Disk => "disk",
        }
    }
}

/// An error that knows who must act and, where it can, what they should do.
pub trait Blame: std::error::Error + Send + Sync {
    /// Who must act.
    fn who(&self) -> Who;

    /// What to do about it, one sentence.
    fn hint(&self) -> Option<String> {
        None
    }
}

/// A word of a command in a hint, as the system's usual shell takes it, whatever is in it.
pub(crate) fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "-_./\\:=,+@%".contains(c);
    if !word.is_empty() && word.chars().all(plain) {
        word.to_owned()
    } else if cfg!(windows) {
        // No name of a file has a double quote there.
        format!("\"{word}\"")
    } else {
        format!("'{}'", word.replace('\'', "'\\''"))
    }
}

/// The name of a file, folder or reading for a command to be pasted: quoted, and never taken for an option.
pub(crate) fn place(name: &str) -> String {
    match name.starts_with('-') {
        true => quoted(&format!("./{name}")),
        false => quoted(name),
    }
}

/// A file-system call that failed, with the path it was about.
#[derive(Debug, thiserror::Error)]
#[error("cannot {action} {}: {source}", path.display())]
pub struct DiskError {
    /// What was being done, as a verb phrase: "read", "create the folder".
    pub action: &'static str,
    /// The path the call was about.
    pub path: std::path::PathBuf,
    /// What the system said.
    pub source: std::io::Error,
}

impl DiskError {
    /// Wraps a system error with the action and the path.
    pub fn new(
        action: &'static str,
        path: impl Into<std::path::PathBuf>,
        source: std::io::Error,
    ) -> Self {
        Self {
            action,
            path: path.into(),
            source,
        }
    }
}

impl Blame for DiskError {
    fn who(&self) -> Who {
        match self.source.kind() {
            std::io::ErrorKind::NotFound
            | std::io::ErrorKind::AlreadyExists
            | std::io::ErrorKind::DirectoryNotEmpty
            | std::io::ErrorKind::IsADirectory
            | std::io::ErrorKind::NotADirectory
            | std::io::ErrorKind::FileTooLarge
            | std::io::ErrorKind::InvalidInput => Who::Caller,
            std::io::ErrorKind::InvalidData => Who::File,
            _ => Who::Disk,
        }
    }

    fn hint(&self) -> Option<String> {
        use std::io::ErrorKind as K;
        Some(
            match self.source.kind() {
                K::NotFound => "check the spelling of the path",
                K::PermissionDenied => "check the rights of the file and of the folder it is in",
                K::StorageFull => "free some space or write to another disk; nothing was replaced",
                K::AlreadyExists => "choose a new place, or allow replacing with --replace",
                K::IsADirectory => "this is a folder; name a file",
                K::NotADirectory => "this is a file; name a folder",
                K::InvalidInput if self.action == "read" => {
                    "copy its contents to a file, and name that"
                }
                K::InvalidInput => "choose a new place",
                K::InvalidData if self.action == "read" => "save it as text in UTF-8",
                K::FileTooLarge => "see whether it is the right file",
                K::DirectoryNotEmpty => "choose a new place, or move away what must not be lost",
                _ => return None,
            }
            .to_owned(),
        )
    }
}
