//! Tracing: find the layout of an instrument that nobody documented, from settings dialled on purpose.

pub mod panel;
pub mod plan;
pub mod rng;
pub mod words;

mod cells;
mod columns;
mod explain;
mod fields;
mod search;
mod signal;
pub mod simulate;
mod solve;
mod solution;
mod space;

pub use cells::TraceError;
pub use solution::{CERTAIN, FoundBit, FoundField, Home, Solution, solve};
