//! Why the arithmetic was refused.

use crate::blame::{Blame, Who};

use super::units::{Celsius, QuantityError, Volts};

/// A question that cannot be answered as asked.
#[derive(Debug, thiserror::Error)]
pub enum StandbyError {
    /// A table file is broken.
    #[error("{origin}: {says}")]
    Table {
        /// Which tables.
        origin: String,
        /// What is wrong.
        says: String,
    },
    /// Text that is not a quantity.
    #[error(transparent)]
    Quantity(#[from] QuantityError),
    /// A key that no table has.
    #[error("there is no {what} \"{name}\" in the tables")]
    Unknown {
        /// Battery, blocking part, memory chip, capacitor.
        what: &'static str,
        /// As asked for.
        name: String,
        /// What there is.
        known: Vec<String>,
    },
    /// A figure that has to be known and is not.
    #[error("{what} is not known")]
    Missing {
        /// The figure.
        what: &'static str,
        /// How to give it.
        hint: &'static str,
    },
    /// A figure that must lie above zero.
    #[error("{what} is {value}; it must be above zero")]
    NotPositive {
        /// The figure.
        what: &'static str,
        /// Its value, with the unit.
        value: String,
    },
    /// A figure outside what the job can have.
    #[error("{what} is {value}; {why}")]
    Absurd {
        /// The figure.
        what: &'static str,
        /// Its value, with the unit.
        value: String,
        /// What the bounds are, and why.
        why: String,
    },
    /// A temperature no part of the job is made for.
    #[error(
        "{what} is {value}; from -40 to 100 °C is what memory and cells are made for and storage figures exist for"
    )]
    Temperature {
        /// Which temperature.
        what: &'static str,
        /// Its value.
        value: Celsius,
    },
    /// The blocking part would drop more than the cell has.
    #[error("the blocking part drops {drop}, but a fresh battery has only {battery}")]
    DropAboveCell {
        /// The drop.
        drop: Volts,
        /// The fresh battery's voltage.
        battery: Volts,
    },
    /// A temperature profile that is not a year.
    #[error("the temperature profile \"{text}\" {why}")]
    Profile {
        /// As written.
        text: String,
        /// What is wrong with it.
        why: String,
    },
}

impl Blame for StandbyError {
    fn who(&self) -> Who {
        match self {
            StandbyError::Table { .. } => Who::File,
            _ => Who::Caller,
        }
    }

    fn hint(&self) -> Option<String> {
        match self {
            StandbyError::Unknown { known, .. } => Some(format!(
                "one of {}; `cellkeep standby --list` tells what they are",
                known.join(", ")
            )),
            StandbyError::Missing { hint, .. } => Some((*hint).to_owned()),
            StandbyError::Profile { .. } => Some(
                "write hours a year and a temperature, such as 600h@40,rest@22; the hours come to 8760".to_owned(),
            ),
            StandbyError::DropAboveCell { .. } => Some(
                "measure the drop with the instrument off: meter from the battery's + to the memory's supply pin"
                    .to_owned(),
            ),
            _ => None,
        }
    }
}
