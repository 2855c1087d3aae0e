//! Tracing: find the layout of an instrument that nobody documented, from settings dialled on purpose.

pub mod panel;
pub mod plan;
pub mod rng;
pub mod words;

mod abreast;
mod arrangement;
mod audit;
mod cells;
mod checks;
mod codes;
mod columns;
mod dials;
mod dictionary;
mod exchanges;
mod explain;
mod fields;
mod groups;
mod hints;
mod marks;
mod next;
mod pins;
pub mod rehearsal;
pub mod report;
mod search;
mod shifted;
mod signal;
pub mod simulate;
mod solution;
mod solve;
mod space;
mod standing;
mod structures;
mod tables;
pub mod unplanned;
mod untold;
mod voice_axis;
mod voices;
mod write;

pub use audit::{LayoutAudit, Unproved, audit, belongs, order_of};
pub use cells::TraceError;
pub use hints::{order, solve_in_order};
pub use next::{Next, next};
pub(crate) use solution::percent;
pub use solution::{CERTAIN, FoundBit, FoundField, Home, Solution, solve};
