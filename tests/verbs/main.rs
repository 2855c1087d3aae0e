//! The verbs on a small board whose bytes can be worked out by hand: compare, verify, edit, apply, identify.

mod board;
mod compare;
mod edit;
mod identify;
