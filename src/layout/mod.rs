//! The layout language: a declarative file says how parameters are packed into the chips.

pub mod model;
