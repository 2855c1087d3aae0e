//! cellkeep keeps the presets of vintage synthesizers whose memory hangs on a battery.
//!
//! The modules are declared in reading order, and data walks down that order once: chip files become
//! [`image`]s, images become a [`reading`], a [`layout`] says what the bits mean, the [`codec`] turns them
//! into codes and back, and a [`bank`] labels them. The verbs below work on those and return typed values,
//! which the command line only renders.

// Each module may use the ones above it, never the ones below.

pub mod blame;

pub mod digest;

pub mod document;

pub mod plain;

pub mod finding;

pub mod evidence;

pub mod image;

pub mod layout;

pub mod reading;

pub mod codec;

pub mod hand_set;

pub mod bank;

pub mod compare;

pub mod edit;

pub mod caution;
pub mod identify;

pub mod settle;
pub mod standby;

pub mod examine;

pub mod mend;
pub mod plan;

pub mod tally;

pub mod service;

pub mod sheet;

pub mod shelf;

pub mod rehearse;
pub mod trace;

pub mod cli;
