//! Times as a bench computer stamped them, some of them by a clock that was wrong.

use jiff::{Timestamp, ToSpan};

/// No version can be older: OCFL 1.1, by whose rules every version is written, was published on 7 October 2022.
const FIRST: &str = "2022-10-07T00:00:00Z";

/// A version's time as it is taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Taken {
    /// When it was made, as nearly as can be told.
    pub(super) at: Timestamp,
    /// Why its own stamp is not believed.
    pub(super) doubt: Option<&'static str>,
}

/// The times of one job's versions, which were made in the order given, whatever the clock said: a stamp that cannot
/// be right gives way to the one before it, or at the beginning to the one after it.
pub(super) fn taken(stamps: &[String], now: Timestamp) -> Vec<Taken> {
    let first: Timestamp = FIRST.parse().unwrap_or(Timestamp::MIN);
    let latest = now.checked_add(24.hours()).unwrap_or(now);
    let read = |stamp: &String| {
        let at: Timestamp = stamp.parse().map_err(|_| "its time cannot be read")?;
        match at {
            at if at < first => Err("no shelf is that old"),
            at if at > latest => Err("it lies in the future"),
            at => Ok(at),
        }
    };
    let mut last = stamps.iter().find_map(|s| read(s).ok());
    let mut all = Vec::with_capacity(stamps.len());
    let mut before = false;
    for stamp in stamps {
        let read = match (read(stamp), last) {
            (Ok(at), Some(last)) if before && at < last => {
                Err("it is before the version before it")
            }
            (read, _) => read,
        };
        all.push(match read {
            Ok(at) => {
                (last, before) = (Some(at), true);
                Taken { at, doubt: None }
            }
            Err(why) => Taken {
                at: last.unwrap_or(now),
                doubt: Some(why),
            },
        });
    }
    all
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;

    #[test]
    fn a_wrong_clock_moves_no_version() {
        let now: Timestamp = "2026-06-01T00:00:00Z".parse().unwrap();
        let stamps = [
            "1969-12-31T23:59:59Z",
            "2024-01-01T00:00:00Z",
            "1999-01-01T00:00:00Z",
            "2099-01-01T00:00:00Z",
            "2023-12-01T00:00:00Z",
            "2025-01-01T00:00:00Z",
        ]
        .map(str::to_owned);
        let taken = taken(&stamps, now);
        let shown: Vec<String> = taken
            .iter()
            .map(|t| {
                format!(
                    "{} {}",
                    t.at.to_string().get(..10).unwrap(),
                    t.doubt.is_some()
                )
            })
            .collect();
        assert_eq!(
            shown,
            [
                "2024-01-01 true",
                "2024-01-01 false",
                "2024-01-01 true",
                "2024-01-01 true",
                "2024-01-01 true",
                "2025-01-01 false"
            ]
        );
    }
}
