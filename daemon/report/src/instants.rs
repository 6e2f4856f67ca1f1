//! Instants within texts of the record, put into the time of the place.
//!
//! The record names an instant in UTC: `may hold since 2026-11-25T21:04:09Z`. Who reads the report reads the clocks of the place.

use chrono::DateTime;
use nightclamp_analysis::rows::RecordTime;

/// Characters of a date before its `T`.
const DATE: usize = 10;
/// From the `T` to the `Z`: a time of the day, with microseconds at most.
const TIME: std::ops::RangeInclusive<usize> = 9..=16;

/// A text in which every instant in UTC is as `write` writes it.
pub fn written_by(text: &str, write: impl Fn(RecordTime) -> String) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((from, until, time)) = next(rest) {
        out.push_str(rest.get(..from).unwrap_or_default());
        out.push_str(&write(time));
        rest = rest.get(until..).unwrap_or_default();
    }
    out.push_str(rest);
    out
}

/// Where the next instant begins and ends, and which it is.
fn next(text: &str) -> Option<(usize, usize, RecordTime)> {
    text.match_indices('T').find_map(|(at, _)| {
        let from = at.checked_sub(DATE)?;
        let length = text.get(at..)?.find('Z')?;
        let until = at + length + 1;
        let instant = TIME.contains(&length).then(|| text.get(from..until))??;
        let time = DateTime::parse_from_rfc3339(instant).ok()?;
        Some((from, until, time.timestamp_micros()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_instant_of_a_text_and_nothing_else_is_written_anew() {
        let write = |us: RecordTime| format!("<{us}>");
        for (text, written) in [
            (
                "bead off; may hold since 1970-01-01T00:00:09Z",
                "bead off; may hold since <9000000>",
            ),
            (
                "1970-01-01T00:00:01.5Z to 1970-01-01T00:01:00.000007Z, µ",
                "<1500000> to <60000007>, µ",
            ),
            ("T, Z, 12-T09Z", "T, Z, 12-T09Z"),
            ("1970-13-01T00:00:09Z", "1970-13-01T00:00:09Z"),
            ("µµµµµT00:00:09Z", "µµµµµT00:00:09Z"),
        ] {
            assert_eq!(written_by(text, write), written);
        }
    }
}
