//! The dumps the program carries, so that the first thing a person runs needs nothing but the program.

/// One file of the demonstration.
pub(super) struct Dump {
    /// The layout's id.
    pub(super) instrument: &'static str,
    /// Its path under the instrument's folder, with forward slashes.
    pub(super) file: &'static str,
    /// What it holds.
    pub(super) contents: &'static [u8],
}

/// Every file, instrument by instrument; the first instrument is the one a rehearsal takes by itself.
pub(super) static DUMPS: &[Dump] = include!("../../demo-dumps/index.rs");
