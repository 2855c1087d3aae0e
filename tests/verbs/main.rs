//! The verbs on a small board whose bytes can be worked out by hand: compare, verify, edit, apply, identify.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod board;
mod careful;
mod compare;
mod edit;
mod identify;
mod places;
