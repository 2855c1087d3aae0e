//! Dates as a person gives them: a year, a month or a day.

use super::error::{Result, ShelfError};

/// The first moment of a year, month or day, and the first moment after it, both in RFC 3339 in UTC; so that
/// `first <= t < after` holds for the times within it.
///
/// # Errors
/// [`ShelfError::BadDate`] for anything but `2019`, `2019-04` or `2019-04-30`.
pub fn day_range(text: &str) -> Result<(String, String)> {
    use jiff::{ToSpan, civil::Date};
    let bad = || ShelfError::BadDate(text.to_owned());
    let (full, span) = match text.len() {
        4 => (format!("{text}-01-01"), 1.year()),
        7 => (format!("{text}-01"), 1.month()),
        10 => (text.to_owned(), 1.day()),
        _ => return Err(bad()),
    };
    let first: Date = full.parse().map_err(|_| bad())?;
    let after = first.checked_add(span).map_err(|_| bad())?;
    Ok((format!("{first}T00:00:00Z"), format!("{after}T00:00:00Z")))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    #[test]
    fn a_year_a_month_and_a_day() {
        let range = |t| day_range(t).unwrap();
        let pair = |a: &str, b: &str| (format!("{a}T00:00:00Z"), format!("{b}T00:00:00Z"));
        assert_eq!(range("2019"), pair("2019-01-01", "2020-01-01"));
        assert_eq!(range("2019-12"), pair("2019-12-01", "2020-01-01"));
        assert_eq!(range("2020-02-29"), pair("2020-02-29", "2020-03-01"));
        for bad in ["19", "2019-13", "2019-02-30", "yesterday", "2019/01/01"] {
            assert!(day_range(bad).is_err(), "{bad}");
        }
    }
}
