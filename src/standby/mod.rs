//! Standby: the arithmetic of backup supply. How long the presets survive, on what, and what must never be done.
//!
//! The way through: [`tables`] hold what data sheets say, each figure with its source; a [`Request`] says what the
//! bench knows better; [`Setup::resolve`] settles every figure or refuses it; [`answer`] works out the answers, by
//! the formulas of [`physics`], into a [`Report`] that screens and sheets render.

// In reading order; each uses those above it (`change` and `answers` need each other).

pub mod units;

pub mod error;

pub mod tables;

pub mod physics;

pub mod profile;

pub mod setup;

mod resolve;

pub mod model;

pub mod report;

mod supply;

mod answers;

mod change;

pub use answers::answer;
pub use error::StandbyError;
pub use profile::Profile;
pub use report::{Answer, Change, Report, Verdict};
pub use setup::{Figure, KeepAlive, Measured, Request, Setup};
pub use tables::Tables;
