//! Which stretches are drawn: the night, and from near the trips that stand for the others and those that stand out.

use chrono::{Days, NaiveTime, TimeZone};
use chrono_tz::Tz;
use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, EventKind, RecordTime, StartKind};

/// The longest stretch of one chart; what is longer is drawn from noon to noon, s.
const NIGHT_S: f64 = 26.0 * 3600.0;
/// A record of no more nights has a chart of each; of a longer one those are drawn that stand for the others or stand out.
const NIGHTS_MAX: usize = 10;
/// And no more weeks, of a record of many nights.
const WEEKS_MAX: usize = 14;
/// Nights of a week.
const WEEK: usize = 7;
/// An on-period no longer than this is drawn whole, s.
const SHORT_S: f64 = 150.0;
/// A night that is shorter is one only in part, s.
const HALF_A_DAY_S: f64 = 43_200.0;
/// A night that lacks no more is not one of which little was observed, s.
const UNSEEN_S: f64 = 600.0;
/// Drawn before and after what is looked at, s.
const AROUND_S: (f64, f64) = (8.0, 25.0);
/// Drawn before and after the instant at which a protector was late, s.
const LATE_S: (f64, f64) = (90.0, 60.0);
/// Of a longer run, so much before its end and after it is drawn, s.
const END_S: (f64, f64) = (120.0, 45.0);

/// Why a stretch is drawn.
#[derive(Debug, Clone, PartialEq)]
pub enum Why {
    /// It is the night, or a part of the record.
    Night(Part),
    /// A trip that is in the middle of those of its cause.
    Usual(Cause),
    /// The trip with the hottest case.
    Hottest,
    /// The longest that a rotor stood without the protector opening.
    LongestLocked,
    /// The protector should have opened by then and had not.
    Late,
    /// A sound start, to hold the others against.
    SoundStart,
}

/// Which part of the record a chart shows that is not from near.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// One of all nights, or the whole of a record that is no longer.
    Each,
    /// All of a record of many nights.
    Whole,
    /// One week of it.
    Week,
    /// The night in which the protector opened most often.
    MostOpenings,
    /// The night in which it opened most often for a cause.
    Most(Cause),
    /// The night in the middle by how often it opened.
    Middle,
    /// The first night in which it started and the protector did not open.
    Quiet,
    /// The night of which least was observed.
    LeastSeen,
}

/// A stretch that is drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// Which.
    pub span: Span,
    /// Why.
    pub why: Why,
    /// The cycle it shows, or the event; none for a night.
    pub row: Option<RecordTime>,
}

/// What is drawn of a unit.
pub fn of(evidence: &Evidence<'_>) -> Vec<View> {
    let mut views = record_in_parts(evidence);
    let mut shown: Vec<RecordTime> = Vec::new();
    for (why, cycle) in close_ups(evidence.cycles) {
        if !shown.contains(&cycle.on_at) {
            shown.push(cycle.on_at);
            views.push(View {
                span: around(cycle, &why),
                why,
                row: Some(cycle.on_at),
            });
        }
    }
    let late = evidence
        .events
        .iter()
        .find(|event| event.kind == EventKind::Late);
    views.extend(late.map(|event| View {
        span: Span {
            from: event.time.saturating_sub((LATE_S.0 * 1e6) as i64),
            until: event.time.saturating_add((LATE_S.1 * 1e6) as i64),
        },
        why: Why::Late,
        row: Some(event.time),
    }));
    views
}

impl Why {
    /// Whether it is drawn from near.
    pub const fn is_near(&self) -> bool {
        !matches!(self, Self::Night(_))
    }
}

/// The whole record, or the parts of it that are drawn.
fn record_in_parts(evidence: &Evidence<'_>) -> Vec<View> {
    let nights = nights(evidence.span, evidence.zone, evidence.shown_offset_us);
    let view = |span, part| View {
        span,
        why: Why::Night(part),
        row: None,
    };
    if nights.len() <= NIGHTS_MAX {
        let each = nights.into_iter().map(|span| view(span, Part::Each));
        return each.collect();
    }
    let mut views = vec![view(evidence.span, Part::Whole)];
    let weeks = nights.chunks(WEEK).filter_map(|week| {
        let (first, last) = (week.first()?, week.last()?);
        let span = Span {
            from: first.from,
            until: last.until,
        };
        Some(view(span, Part::Week))
    });
    if nights.len() <= WEEK * WEEKS_MAX {
        views.extend(weeks);
    }
    views.extend(
        standing_out(evidence, &nights)
            .into_iter()
            .map(|(part, span)| view(span, part)),
    );
    views
}

/// Of many nights those that stand for the others and those that stand out, in the order of time; each once.
fn standing_out(evidence: &Evidence<'_>, nights: &[Span]) -> Vec<(Part, Span)> {
    let within = |night: &Span| {
        let night = *night;
        let cycles = evidence.cycles.iter();
        cycles.filter(move |cycle| night.holds(cycle.on_at))
    };
    let opened = |night: &Span, cause: Option<Cause>| {
        let trips = within(night).filter(|cycle| cycle.ended_by == Some(EndedBy::Protector));
        trips
            .filter(|cycle| cause.is_none() || cycle.cause == cause)
            .count()
    };
    // The first of those with the most.
    let most = |cause| {
        let (mut best, mut count) = (None, 0);
        for night in nights {
            let trips = opened(night, cause);
            if trips > count {
                (best, count) = (Some(*night), trips);
            }
        }
        best
    };
    let mut with_trips: Vec<(usize, Span)> = nights
        .iter()
        .map(|night| (opened(night, None), *night))
        .filter(|(trips, _)| *trips > 0)
        .collect();
    // A night of a few hours, at the beginning or the end, stands for no other.
    with_trips.retain(|(_, night)| night.length_s() >= HALF_A_DAY_S);
    with_trips.sort_by_key(|(trips, night)| (*trips, night.from));
    let middle = with_trips.len().checked_sub(1).map(|last| last / 2);
    let middle = middle
        .and_then(|n| with_trips.get(n))
        .map(|(_, night)| *night);
    let quiet = nights.iter().copied().find(|night| {
        night.length_s() >= HALF_A_DAY_S
            && within(night).next().is_some()
            && opened(night, None) == 0
    });
    let unseen = evidence.unseen();
    let unseen_s = |night: &Span| {
        let hidden = unseen.iter().filter_map(|gap| gap.common(night));
        hidden.map(|gap| gap.length_s()).sum::<f64>()
    };
    let least_seen = nights
        .iter()
        .copied()
        .filter(|night| unseen_s(night) > UNSEEN_S);
    let least_seen = least_seen.max_by(|a, b| unseen_s(a).total_cmp(&unseen_s(b)));

    let by_cause = Cause::ALL.map(|cause| (Part::Most(cause), most(Some(cause))));
    let chosen = [(Part::MostOpenings, most(None))]
        .into_iter()
        .chain(by_cause)
        .chain([
            (Part::Middle, middle),
            (Part::Quiet, quiet),
            (Part::LeastSeen, least_seen),
        ]);
    let mut nights: Vec<(Part, Span)> = Vec::new();
    for (part, night) in chosen {
        let Some(night) = night else { continue };
        if nights.iter().all(|(_, other)| *other != night) {
            nights.push((part, night));
        }
    }
    nights.sort_by_key(|(_, night)| night.from);
    nights
}

/// The record in stretches from noon to noon of the place, or as one if it is no longer than a night.
pub fn nights(span: Span, zone: Tz, shown_offset_us: i64) -> Vec<Span> {
    if span.length_s() <= NIGHT_S {
        return vec![span];
    }
    let mut nights = Vec::new();
    let mut from = span.from;
    while from < span.until {
        let until = noon_after(from, zone, shown_offset_us).min(span.until);
        nights.push(Span { from, until });
        from = until;
    }
    nights
}

/// The next noon of the place that is at least an hour away.
fn noon_after(time: RecordTime, zone: Tz, shown_offset_us: i64) -> RecordTime {
    let shown = time.saturating_add(shown_offset_us);
    let local = chrono::DateTime::from_timestamp_micros(shown.saturating_add(3_600_000_000))
        .unwrap_or_default()
        .with_timezone(&zone);
    let noon = NaiveTime::from_hms_opt(12, 0, 0).unwrap_or_default();
    let mut day = local.date_naive();
    if local.time() >= noon {
        day = day.checked_add_days(Days::new(1)).unwrap_or(day);
    }
    let next = zone.from_local_datetime(&day.and_time(noon)).earliest();
    next.map(|next| next.timestamp_micros().saturating_sub(shown_offset_us))
        .filter(|next| *next > time)
        .unwrap_or_else(|| time.saturating_add(86_400_000_000))
}

fn close_ups(cycles: &[CycleRow]) -> Vec<(Why, &CycleRow)> {
    let trips: Vec<&CycleRow> = cycles
        .iter()
        .filter(|cycle| cycle.ended_by == Some(EndedBy::Protector) && cycle.off_at.is_some())
        .collect();
    let mut by_cause: Vec<(Cause, Vec<&CycleRow>)> = Cause::ALL
        .into_iter()
        .map(|cause| (cause, of_cause(&trips, cause)))
        .filter(|(_, trips)| !trips.is_empty())
        .collect();
    by_cause.sort_by_key(|(_, trips)| std::cmp::Reverse(trips.len()));
    let mut found: Vec<(Why, &CycleRow)> = by_cause
        .iter()
        .filter_map(|(cause, trips)| Some((Why::Usual(*cause), middle(trips)?)))
        .collect();
    let hottest = most(trips.iter().copied(), |cycle| cycle.case_off_c);
    found.extend(hottest.map(|cycle| (Why::Hottest, cycle)));
    let locked = trips
        .iter()
        .copied()
        .filter(|cycle| cycle.start == StartKind::LockedRotor);
    let longest = most(locked, |cycle| cycle.on_s);
    found.extend(longest.map(|cycle| (Why::LongestLocked, cycle)));
    let sound: Vec<&CycleRow> = cycles
        .iter()
        .filter(|cycle| cycle.on_seen && cycle.start == StartKind::Normal && cycle.off_at.is_some())
        .collect();
    found.extend(middle(&sound).map(|cycle| (Why::SoundStart, cycle)));
    found
}

fn of_cause<'a>(trips: &[&'a CycleRow], cause: Cause) -> Vec<&'a CycleRow> {
    let is_of_it = |cycle: &&CycleRow| cycle.cause == Some(cause);
    trips.iter().copied().filter(is_of_it).collect()
}

/// The one in the middle by the length of the on-period.
fn middle<'a>(cycles: &[&'a CycleRow]) -> Option<&'a CycleRow> {
    let mut known: Vec<&CycleRow> = cycles
        .iter()
        .copied()
        .filter(|c| c.on_s.is_some())
        .collect();
    let on_s = |cycle: &CycleRow| cycle.on_s.unwrap_or_default();
    known.sort_by(|a, b| on_s(a).total_cmp(&on_s(b)).then(a.on_at.cmp(&b.on_at)));
    known.get(known.len().checked_sub(1)? / 2).copied()
}

/// The first of those with the largest figure.
fn most<'a>(
    cycles: impl Iterator<Item = &'a CycleRow>,
    figure: impl Fn(&CycleRow) -> Option<f64>,
) -> Option<&'a CycleRow> {
    let mut best: Option<(&CycleRow, f64)> = None;
    for cycle in cycles {
        let Some(value) = figure(cycle).filter(|value| value.is_finite()) else {
            continue;
        };
        if best.is_none_or(|(_, other)| value > other) {
            best = Some((cycle, value));
        }
    }
    best.map(|(cycle, _)| cycle)
}

fn around(cycle: &CycleRow, why: &Why) -> Span {
    let us = |s: f64| (s * 1e6) as i64;
    let off_at = cycle.off_at.unwrap_or(cycle.on_at);
    let length_s = off_at.saturating_sub(cycle.on_at) as f64 / 1e6;
    let (from, until) = match why {
        Why::SoundStart => (
            cycle.on_at,
            cycle.on_at.saturating_add(us(20.0)).min(off_at),
        ),
        _ if length_s <= SHORT_S => (cycle.on_at, off_at),
        _ => {
            return Span {
                from: off_at.saturating_sub(us(END_S.0)),
                until: off_at.saturating_add(us(END_S.1)),
            };
        }
    };
    let before_s = if *why == Why::SoundStart {
        2.0
    } else {
        AROUND_S.0
    };
    let after_s = if *why == Why::SoundStart {
        0.0
    } else {
        AROUND_S.1
    };
    Span {
        from: from.saturating_sub(us(before_s)),
        until: until.saturating_add(us(after_s)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nights_are_from_noon_to_noon_of_the_place_also_when_its_clocks_change() {
        // Lisbon's clocks go back on 2026-10-25 at 02:00 summer time, which is 01:00 UTC (IANA time zone data): noon is at 11:00 UTC
        // before and at 12:00 UTC after.
        let utc = |text: &str| {
            let at = chrono::DateTime::parse_from_rfc3339(text).unwrap_or_default();
            at.timestamp_micros()
        };
        let span = Span {
            from: utc("2026-10-23T18:30:00Z"),
            until: utc("2026-10-26T08:00:00Z"),
        };
        let begins: Vec<RecordTime> = nights(span, chrono_tz::Europe::Lisbon, 0)
            .iter()
            .map(|night| night.from)
            .collect();
        let noons = ["2026-10-24T11:00:00Z", "2026-10-25T12:00:00Z"].map(utc);
        assert_eq!(begins, [span.from, noons[0], noons[1]]);
        // A host's clock that was set an hour forward names the same instants an hour later.
        let set = nights(span, chrono_tz::Europe::Lisbon, 3_600_000_000);
        assert_eq!(set[1].from, noons[0] - 3_600_000_000);
    }
}
