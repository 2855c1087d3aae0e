//! The options that tell what the backup supply is made of, shared by `standby` and `plan`.

use std::path::PathBuf;

use super::Failure;
use crate::layout::model::Layout;
use crate::standby::units::{AmpHours, Amps, Celsius, Farads, Ohms, QuantityError, Volts};
use crate::standby::{KeepAlive, Measured, Profile, Request, StandbyError, Tables};

/// What is fitted, what was measured, how it lives.
#[derive(clap::Args)]
pub(crate) struct SupplyArgs {
    /// The instrument's layout, by name or by path: its bench facts are taken where nothing else is said
    #[arg(short, long, value_name = "LAYOUT")]
    layout: Option<String>,
    /// The battery: a size or a chemistry of the tables, such as cr2032 or nicd
    #[arg(long, value_name = "KEY", help_heading = "What is fitted")]
    battery: Option<String>,
    /// Cells in series
    #[arg(long, value_name = "N", help_heading = "What is fitted")]
    cells: Option<u32>,
    /// Capacity of the battery, such as "100 mAh"
    #[arg(long, value_name = "CHARGE", value_parser = quantity::<AmpHours>, allow_hyphen_values = true, help_heading = "What is fitted")]
    capacity: Option<AmpHours>,
    /// The part that keeps the supply out of the battery: silicon, schottky, low-leakage, silicon-pair, none
    #[arg(long, value_name = "KEY", help_heading = "What is fitted")]
    blocking: Option<String>,
    /// Resistor between battery and memory, such as 1k
    #[arg(long, value_name = "OHMS", value_parser = quantity::<Ohms>, allow_hyphen_values = true, help_heading = "What is fitted")]
    series_resistor: Option<Ohms>,
    /// Resistor through which a rechargeable pack is charged
    #[arg(long, value_name = "OHMS", value_parser = quantity::<Ohms>, allow_hyphen_values = true, help_heading = "What is fitted")]
    charge_resistor: Option<Ohms>,
    /// Supply at the memory with the instrument on
    #[arg(long, value_name = "VOLTS", value_parser = quantity::<Volts>, allow_hyphen_values = true, help_heading = "What is fitted")]
    supply: Option<Volts>,
    /// Hold-up capacitor, such as "0.1 F" or "220 uF"
    #[arg(long, value_name = "FARADS", value_parser = quantity::<Farads>, allow_hyphen_values = true, help_heading = "What is fitted")]
    hold_up: Option<Farads>,
    /// Its kind: supercapacitor or electrolytic (from 10 mF on a supercapacitor is assumed)
    #[arg(long, value_name = "KEY", help_heading = "What is fitted")]
    capacitor: Option<String>,
    /// A memory chip, with x and a number for several: 6116x2; may be repeated
    #[arg(long = "chip", value_name = "PART", value_parser = chip, help_heading = "What is fitted")]
    chips: Vec<(String, u32)>,
    /// Standby current of the whole memory at 25 °C by a data sheet at hand, such as "2 uA"
    #[arg(long, value_name = "CURRENT", value_parser = quantity::<Amps>, allow_hyphen_values = true, help_heading = "What is fitted")]
    current: Option<Amps>,
    /// Voltage down to which the memory keeps its contents
    #[arg(long, value_name = "VOLTS", value_parser = quantity::<Volts>, allow_hyphen_values = true, help_heading = "What is fitted")]
    retention: Option<Volts>,
    /// Most current the cell may be charged with when the blocking part fails, by its data sheet
    #[arg(long, value_name = "CURRENT", value_parser = quantity::<Amps>, allow_hyphen_values = true, help_heading = "What is fitted")]
    reverse_limit: Option<Amps>,
    /// Standby current as measured: "1.2 uA", or the voltage across a resistor: 1.2mV/1k
    #[arg(long, value_name = "CURRENT", value_parser = current_or_drop, allow_hyphen_values = true, help_heading = "What was measured")]
    pub(super) measured: Option<Amps>,
    /// How warm it was then
    #[arg(long, value_name = "CELSIUS", value_parser = quantity::<Celsius>, default_value = "25", allow_hyphen_values = true, help_heading = "What was measured")]
    at: Celsius,
    /// Drop of the blocking part as measured with the instrument off
    #[arg(long, value_name = "VOLTS", value_parser = quantity::<Volts>, allow_hyphen_values = true, help_heading = "What was measured")]
    drop: Option<Volts>,
    /// Temperature all year
    #[arg(long, value_name = "CELSIUS", value_parser = quantity::<Celsius>, conflicts_with = "profile", allow_hyphen_values = true, help_heading = "How it lives")]
    temperature: Option<Celsius>,
    /// Temperatures of the year, hours at each: 600h@40,rest@22
    #[arg(long, value_name = "PROFILE", help_heading = "How it lives")]
    profile: Option<String>,
    /// Hours a year the instrument is on
    #[arg(
        long,
        value_name = "HOURS",
        allow_hyphen_values = true,
        help_heading = "How it lives"
    )]
    hours_on: Option<f64>,
    /// Keep-alive supply and resistor for the swap: 3V/10k
    #[arg(long, value_name = "VOLTS/OHMS", value_parser = keep_alive, help_heading = "The swap")]
    keep_alive: Option<KeepAlive>,
    /// Another battery: what must be changed for it, and how it would do
    #[arg(long, value_name = "KEY", help_heading = "The swap")]
    pub(super) change_to: Option<String>,
    /// A table file of your own, in the form of the built-in ones; may be repeated
    #[arg(long, value_name = "FILE")]
    pub(super) tables: Vec<PathBuf>,
}

fn quantity<T: std::str::FromStr<Err = QuantityError>>(text: &str) -> Result<T, QuantityError> {
    text.parse()
}

/// "6116x2" or "6116".
fn chip(text: &str) -> Result<(String, u32), String> {
    let (part, count) = match text.rsplit_once(['x', 'X', '*']) {
        Some((part, count)) if !part.is_empty() && count.bytes().all(|b| b.is_ascii_digit()) => (
            part,
            count
                .parse()
                .map_err(|_| "the number of chips is not one".to_owned())?,
        ),
        _ => (text, 1),
    };
    if !(1..=256).contains(&count) {
        return Err(format!("{count} chips; from 1 to 256 make sense"));
    }
    Ok((part.trim().to_owned(), count))
}

/// "1.2 uA", or "1.2mV/1k" across a resistor.
fn current_or_drop(text: &str) -> Result<Amps, QuantityError> {
    match text.split_once('/') {
        Some((volts, ohms)) => Ok(volts.parse::<Volts>()? / positive_ohms(ohms)?),
        None => text.parse(),
    }
}

fn keep_alive(text: &str) -> Result<KeepAlive, QuantityError> {
    let wanted = QuantityError {
        text: text.to_owned(),
        wanted: "a supply and its resistor such as \"3V/10k\"",
        why: "it has no /",
    };
    let (volts, ohms) = text.split_once('/').ok_or(wanted)?;
    Ok(KeepAlive {
        supply: volts.parse()?,
        resistor: positive_ohms(ohms)?,
    })
}

fn positive_ohms(text: &str) -> Result<Ohms, QuantityError> {
    let ohms: Ohms = text.parse()?;
    if ohms.0 > 0.0 {
        Ok(ohms)
    } else {
        Err(QuantityError {
            text: text.to_owned(),
            wanted: "a resistance such as \"10k\"",
            why: "it must be above zero",
        })
    }
}

impl SupplyArgs {
    /// The layout, if one was named.
    pub(super) fn layout(&self) -> Result<Option<Layout>, Failure> {
        self.layout
            .as_deref()
            .map(super::open::layout_named)
            .transpose()
    }

    /// The layout as it was named.
    pub(super) fn layout_named(&self) -> Option<&str> {
        self.layout.as_deref()
    }

    /// The tables: the built-in ones and the bench's own.
    pub(super) fn tables(&self) -> Result<Tables, Failure> {
        let mut tables = Tables::built_in()?;
        for path in &self.tables {
            let text = super::inputs::read_text(path)?;
            tables = tables.with(&text, &path.display().to_string())?;
        }
        Ok(tables)
    }

    /// What was said.
    pub(super) fn request(&self) -> Result<Request, StandbyError> {
        let profile = match (&self.profile, self.temperature) {
            (Some(text), _) => Some(Profile::parse(text)?),
            (None, Some(celsius)) => Some(Profile::constant(celsius)?),
            (None, None) => None,
        };
        Ok(Request {
            battery: self.battery.clone(),
            cells: self.cells,
            capacity: self.capacity,
            blocking: self.blocking.clone(),
            drop: self.drop,
            series: self.series_resistor,
            charging: self.charge_resistor,
            supply: self.supply,
            hold_up: self.hold_up,
            capacitor: self.capacitor.clone(),
            chips: self.chips.clone(),
            current: self.current,
            retention: self.retention,
            measured: self.measured.map(|current| Measured {
                current,
                celsius: self.at,
            }),
            profile,
            hours_on: self.hours_on,
            reverse_limit: self.reverse_limit,
            keep_alive: self.keep_alive,
        })
    }
}
