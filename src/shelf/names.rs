//! Names that are safe as folder and file names on every system a bench computer may run.
//!
//! Windows forbids some characters and some whole names, ignores case, and drops a final full stop; other systems
//! tell names apart that look the same. So what is stored uses ASCII letters, digits and a few marks only, and no
//! two names of a folder differ in case alone. A file's own name is kept in the job's record where it differs.

use super::error::{Result, ShelfError};
use crate::reading::is_device;

/// Longest job name, in characters.
const LONGEST_JOB: usize = 80;
/// Longest stored file name, in characters.
const LONGEST_FILE: usize = 100;

/// Checks a job's name.
///
/// # Errors
/// [`ShelfError::BadName`] with what is wrong.
pub fn check_job_name(name: &str) -> Result<()> {
    let bad = |why| {
        Err(ShelfError::BadName {
            name: name.to_owned(),
            why,
        })
    };
    if name.is_empty() {
        return bad("it is empty");
    }
    if name.len() > LONGEST_JOB {
        return bad("it is longer than 80 characters");
    }
    if !name
        .bytes()
        .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
    {
        return bad("it has a character other than small letters a to z, digits and hyphens");
    }
    if name.starts_with('-') || name.ends_with('-') {
        return bad("it begins or ends with a hyphen");
    }
    if is_device(name) || name == "extensions" {
        return bad("some system keeps that name for itself");
    }
    Ok(())
}

/// Most characters of an instrument's name in the name of a job.
const LONGEST_PART: usize = 30;

/// Text as part of a job's name: small letters and digits with single hyphens between, at most 30 of them.
pub fn slug(text: &str) -> String {
    let mut slug = hyphened(text);
    slug.truncate(LONGEST_PART);
    slug.trim_matches('-').to_owned()
}

/// Text as small letters and digits with single hyphens between.
pub fn hyphened(text: &str) -> String {
    let mut slug = String::new();
    for c in text.chars() {
        if c.is_ascii_alphanumeric() {
            slug.push(c.to_ascii_lowercase());
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    slug.trim_matches('-').to_owned()
}

/// A file's own name made safe: other characters become `_`.
pub(super) fn safe_file_name(own: &str) -> String {
    let mut name: String = own
        .chars()
        .map(|c| match c {
            'a'..='z' | 'A'..='Z' | '0'..='9' | '.' | '-' | '_' | '+' | '=' | ',' | '@' => c,
            _ => '_',
        })
        .collect();
    if name.len() > LONGEST_FILE {
        let (stem, extension) = split_extension(&name);
        let extension = &extension[..extension.len().min(12)];
        name = format!("{}{extension}", &stem[..LONGEST_FILE - extension.len()]);
    }
    while name.ends_with('.') {
        name.pop();
        name.push('_');
    }
    if name.starts_with('.') {
        name.replace_range(0..1, "_");
    }
    if name.is_empty() || is_device(name.split('.').next().unwrap_or_default()) {
        name.insert(0, '_');
    }
    name
}

/// Whether a file can be written under its own path again, on any system: no name in it climbs, is special or has a
/// character that some system forbids. Letters of any script are.
pub(super) fn can_be_given(own: &str) -> bool {
    own.split('/').all(|part| {
        let forbidden = |c: char| c.is_control() || "\\:*?\"<>|".contains(c);
        !part.is_empty()
            && part.len() <= 200
            && !part.starts_with('.')
            && !part.ends_with(['.', ' '])
            && !part.chars().any(forbidden)
            && !is_device(part.split('.').next().unwrap_or_default())
    })
}

/// A path of several names made safe, each by itself; empty names and dots are dropped.
pub(super) fn safe_path(own: &str) -> String {
    own.split(['/', '\\'])
        .filter(|part| !matches!(*part, "" | "." | ".."))
        .map(safe_file_name)
        .collect::<Vec<_>>()
        .join("/")
}

fn split_extension(name: &str) -> (&str, &str) {
    match name.rfind('.') {
        Some(at) if at > 0 => name.split_at(at),
        _ => (name, ""),
    }
}

/// The same path with a number before the extension: `CH12-2.bin`.
pub(super) fn numbered(path: &str, n: usize) -> String {
    let (folder, name) = path
        .rfind('/')
        .map_or(("", path), |at| path.split_at(at + 1));
    let (stem, extension) = split_extension(name);
    format!("{folder}{stem}-{n}{extension}")
}

/// Whether a stored path is one this program could have written: no name in it is special on any system.
pub(super) fn is_safe_path(path: &str) -> bool {
    !path.is_empty() && path.split('/').all(|part| safe_file_name(part) == part)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    #[test]
    fn job_names_are_folder_names_everywhere() {
        for good in ["2026-03-14-quillon-72-0042", "a", "com10", "console"] {
            assert!(check_job_name(good).is_ok(), "{good}");
        }
        for bad in [
            "",
            "A",
            "a b",
            "a/b",
            "..",
            ".",
            "-a",
            "a-",
            "con",
            "lpt9",
            "nul",
            "ü",
            "a.b",
            "extensions",
            "a\u{0}",
        ] {
            assert!(check_job_name(bad).is_err(), "{bad:?}");
        }
        assert!(check_job_name(&"a".repeat(81)).is_err());
    }

    #[test]
    fn file_names_lose_what_some_system_forbids() {
        for (own, safe) in [
            ("CH12.bin", "CH12.bin"),
            ("a:b?.bin", "a_b_.bin"),
            ("con", "_con"),
            ("NUL.txt", "_NUL.txt"),
            ("end.", "end_"),
            (".hidden", "_hidden"),
            ("", "_"),
            ("a%0Ab", "a_0Ab"),
            ("line\nend", "line_end"),
        ] {
            assert_eq!(safe_file_name(own), safe);
            assert!(is_safe_path(&safe_file_name(own)), "{own:?}");
        }
        let long = safe_file_name(&format!("{}.bin", "x".repeat(300)));
        assert_eq!(long.len(), 100);
        assert!(long.ends_with(".bin"));
    }

    #[test]
    fn own_names_are_given_back_where_they_are_harmless() {
        for good in ["photograph/Foto Gr\u{f6}\u{df}e.jpg", "paper/a b (2).txt"] {
            assert!(can_be_given(good), "{good}");
        }
        for bad in [
            "../x", "a//b", "/x", "a\\b", "a/con.x", "a:b", "x.", ".x", "a\nb", "",
        ] {
            assert!(!can_be_given(bad), "{bad:?}");
        }
    }

    #[test]
    fn paths_cannot_climb() {
        assert_eq!(safe_path("../../etc/passwd"), "etc/passwd");
        assert_eq!(safe_path("/abs/./x"), "abs/x");
        assert_eq!(safe_path("c:\\temp\\x.bin"), "c_/temp/x.bin");
        for bad in ["", "a//b", "../a", "/a", "a/.", "a\\b", "a/con.x"] {
            assert!(!is_safe_path(bad), "{bad}");
        }
        assert_eq!(numbered("as-found/CH12.bin", 2), "as-found/CH12-2.bin");
        assert_eq!(numbered("a.b/c", 3), "a.b/c-3");
    }
}
