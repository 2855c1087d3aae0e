//! Plain files, read whole and never past a bound.
//!
//! A device can give bytes without end and a pipe may never give any, so neither is read; and a file is not trusted to
//! be as long as the system says.

use std::fs::{self, File};
use std::io::{Error, ErrorKind, Read};
use std::path::Path;

use crate::blame::DiskError;

/// Most bytes of any file that is read as a whole: 128 MiB.
pub const MOST: u64 = 128 << 20;

/// The length of a plain file, links followed.
///
/// # Errors
/// When there is none, or it is a folder, a device, a pipe or a socket.
pub fn length(path: &Path) -> Result<u64, DiskError> {
    let failed = |e| DiskError::new("read", path, e);
    let meta = fs::metadata(path).map_err(failed)?;
    if meta.is_dir() {
        return Err(failed(ErrorKind::IsADirectory.into()));
    }
    if !meta.is_file() {
        return Err(failed(Error::new(
            ErrorKind::InvalidInput,
            "it is a device, a pipe or a socket, and only plain files are read",
        )));
    }
    Ok(meta.len())
}

/// The bytes of a plain file.
///
/// # Errors
/// When it is no plain file, cannot be read, or holds more than so many bytes.
pub fn read(path: &Path, most: u64) -> Result<Vec<u8>, DiskError> {
    let failed = |e| DiskError::new("read", path, e);
    let too_large = || {
        let says = format!("it holds more than {most} bytes");
        failed(Error::new(ErrorKind::FileTooLarge, says))
    };
    let length = length(path)?;
    if length > most {
        return Err(too_large());
    }
    let mut bytes = Vec::with_capacity(usize::try_from(length).unwrap_or(0));
    let file = File::open(path).map_err(failed)?;
    let mut bounded = file.take(most.saturating_add(1));
    bounded.read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > most {
        return Err(too_large());
    }
    Ok(bytes)
}

/// The text of a plain file.
///
/// # Errors
/// As [`read`], and where it is not UTF-8.
pub fn read_text(path: &Path, most: u64) -> Result<String, DiskError> {
    text(path, read(path, most)?)
}

/// What was read from a place, as text.
///
/// # Errors
/// When it is not UTF-8: nothing in it is guessed at or replaced.
pub fn text(path: &Path, bytes: Vec<u8>) -> Result<String, DiskError> {
    String::from_utf8(bytes).map_err(|_| {
        let e = Error::new(ErrorKind::InvalidData, "it is not text in UTF-8");
        DiskError::new("read", path, e)
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_file_is_read_up_to_its_bound_and_a_folder_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("chip.bin");
        fs::write(&path, [1, 2, 3]).unwrap();
        assert_eq!(read(&path, 3).unwrap(), [1, 2, 3]);
        let e = read(&path, 2).unwrap_err();
        assert_eq!(e.source.kind(), ErrorKind::FileTooLarge);
        let e = read(folder.path(), 3).unwrap_err();
        assert_eq!(e.source.kind(), ErrorKind::IsADirectory);
    }

    #[cfg(unix)]
    #[test]
    fn a_device_is_refused() {
        let e = read(Path::new("/dev/zero"), MOST).unwrap_err();
        assert_eq!(e.source.kind(), ErrorKind::InvalidInput);
        assert!(e.to_string().contains("only plain files"), "{e}");
    }
}
