//! The layout language: a declarative file says how parameters are packed into the chips.
//!
//! A text goes through stages, each of which reports all it finds: a tree of values with their places
//! (`value`), laid over the layouts it extends; the document as written (`document`); and the checked
//! [`model::Layout`], in which every code bit has its place. Only the last reaches the codec.

mod absent;
mod bind;
mod check;
mod checks;
pub mod crcs;
pub mod diff;
mod document;
mod error;
pub mod explain;
mod fields;
mod find;
mod keys;
mod like;
pub mod model;
mod notation;
mod overlap;
pub mod owners;
mod parameters;
mod plan;
pub mod problem;
pub mod report;
mod resolve;
mod scaffold;
mod schema;
mod value;
mod wiring;

pub use check::{Checked, Library, check};
pub use error::LayoutError;
pub use fields::nearest as nearest_name;
pub use find::{
    FOLDER_VARIABLE, Listed, Texts, check_named, check_texts, from_text, from_texts, is_path, list,
    load, outermost, user_folder,
};
pub use scaffold::{Answers, ChipAnswer, scaffold};
pub use schema::schema;
