//! Sheets: pages a person dials an instrument from, or reads a comparison on.
//!
//! Every sheet is one HTML file that needs nothing beside it: no network, no script to read or print it, light
//! and dark as the screen asks, A4 or Letter. Nothing is computed here: other modules give typed results, and
//! these functions lay them out. Text from dumps and notes is escaped by the template engine.

mod draw;

mod fit;

mod page;

pub mod view;

pub mod arrange;

pub mod patch;

pub mod standby;

pub mod plan;

pub mod form;

pub mod report;

pub mod plots;

pub mod compare;

pub mod memory;

/// The paper a sheet is printed on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Paper {
    /// 210 by 297 millimetres (ISO 216).
    #[default]
    A4,
    /// 8.5 by 11 inches (ANSI A).
    Letter,
}

/// Millimetres kept free at the top and at the bottom of a printed page, together.
const MARGINS: f64 = 25.0;

impl Paper {
    /// The name CSS has for it.
    fn css(self) -> &'static str {
        match self {
            Paper::A4 => "A4",
            Paper::Letter => "letter",
        }
    }

    /// Millimetres between the top and the bottom margin.
    fn printable_height(self) -> f64 {
        match self {
            Paper::A4 => 297.0 - MARGINS,
            Paper::Letter => 279.4 - MARGINS,
        }
    }
}

/// A finished sheet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sheet {
    /// The HTML document.
    pub html: String,
    /// Pages it prints to, where the layout settles that.
    pub pages: Option<usize>,
    /// Presets a page, on a sheet that has presets.
    pub per_page: Option<usize>,
}
