//! The job's time zone as a short table of offsets, so that a page can name instants across a change of clocks without
//! trusting the browser's own zone data.

use chrono::{DateTime, Offset, TimeZone};
use chrono_tz::{OffsetName, Tz};
use serde::Serialize;

/// Longest stretch that is tabled, s: beyond it the last offset stands.
const STRETCH_S_MAX: i64 = 800 * DAY_S;
const DAY_S: i64 = 86_400;

/// From an instant on, the offset of local time from UTC.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Span {
    /// Wall-clock instant from which it holds, µs since the Unix epoch.
    pub from_us: i64,
    /// Local time minus UTC, s.
    pub offset_s: i32,
    /// The zone's abbreviation.
    pub name: String,
}

/// The offsets that hold between two wall-clock instants (µs), the first from `from_us` itself on.
pub fn spans(zone: Tz, from_us: i64, to_us: i64) -> Vec<Span> {
    let from_s = from_us.div_euclid(1_000_000);
    let to_s = to_us
        .div_euclid(1_000_000)
        .clamp(from_s, from_s.saturating_add(STRETCH_S_MAX));
    let mut spans = vec![span(zone, from_s)];
    let mut at_s = from_s;
    while at_s < to_s {
        let next_s = at_s.saturating_add(DAY_S).min(to_s);
        if offset_s(zone, next_s) != offset_s(zone, at_s) {
            spans.push(span(zone, change_between(zone, at_s, next_s)));
        }
        at_s = next_s;
    }
    spans
}

/// The first second at which another offset holds than at `before_s`.
fn change_between(zone: Tz, mut before_s: i64, mut after_s: i64) -> i64 {
    let before = offset_s(zone, before_s);
    while after_s - before_s > 1 {
        let middle_s = before_s + (after_s - before_s) / 2;
        if offset_s(zone, middle_s) == before {
            before_s = middle_s;
        } else {
            after_s = middle_s;
        }
    }
    after_s
}

fn span(zone: Tz, at_s: i64) -> Span {
    Span {
        from_us: at_s.saturating_mul(1_000_000),
        offset_s: offset_s(zone, at_s),
        name: abbreviation(zone, at_s),
    }
}

fn offset_s(zone: Tz, at_s: i64) -> i32 {
    let at = DateTime::from_timestamp(at_s, 0).unwrap_or_default();
    zone.offset_from_utc_datetime(&at.naive_utc())
        .fix()
        .local_minus_utc()
}

fn abbreviation(zone: Tz, at_s: i64) -> String {
    let at = DateTime::from_timestamp(at_s, 0).unwrap_or_default();
    let offset = zone.offset_from_utc_datetime(&at.naive_utc());
    offset.abbreviation().unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono_tz::Europe;

    const OCTOBER_24_2026_S: i64 = 1_792_800_000; // 2026-10-24T00:00:00Z, `date -u -d 2026-10-24 +%s`

    #[test]
    fn clocks_go_back_in_lisbon_at_one_o_clock_utc() {
        // EU directive 2000/84/EC: the last Sunday of October at 01:00 UTC, in 2026 the 25th.
        let from_us = OCTOBER_24_2026_S * 1_000_000;
        let table = spans(Europe::Lisbon, from_us, from_us + 3 * DAY_S * 1_000_000);
        let change_us = (OCTOBER_24_2026_S + DAY_S + 3_600) * 1_000_000;
        let expected = [
            Span {
                from_us,
                offset_s: 3_600,
                name: "WEST".into(),
            },
            Span {
                from_us: change_us,
                offset_s: 0,
                name: "WET".into(),
            },
        ];
        assert_eq!(table, expected);
    }

    #[test]
    fn absurd_instants_give_a_short_table() {
        assert_eq!(spans(Europe::Lisbon, i64::MIN, i64::MIN).len(), 1);
        assert!(spans(Europe::Lisbon, 0, i64::MAX).len() < 10);
        assert_eq!(spans(Europe::Lisbon, i64::MAX, 0).len(), 1);
    }
}
