//! The record of one unit as cycling and findings see it: its rows, its part of the job file, and what was not observed.

use chrono::{DateTime, Duration, Offset, Timelike};
use chrono_tz::Tz;

use crate::doubt::{Said, Sensor, Word};
use crate::job;
use crate::rows::{CycleRow, EventKind, EventRow, RecordTime};

mod believed;

pub use believed::Believer;

/// A stretch of record time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// Its beginning.
    pub from: RecordTime,
    /// Its end.
    pub until: RecordTime,
}

impl Span {
    /// Its length, s; never negative.
    pub fn length_s(&self) -> f64 {
        self.until.saturating_sub(self.from).max(0) as f64 / 1e6
    }

    /// An instant.
    pub const fn at(time: RecordTime) -> Self {
        Self {
            from: time,
            until: time,
        }
    }

    /// Whether an instant lies in it; its end does not.
    pub const fn holds(&self, time: RecordTime) -> bool {
        self.from <= time && time < self.until
    }

    /// What it has in common with another.
    pub fn common(&self, other: &Self) -> Option<Self> {
        let both = Self {
            from: self.from.max(other.from),
            until: self.until.min(other.until),
        };
        (both.from < both.until).then_some(both)
    }
}

/// The rows of one unit with what they are judged by.
#[derive(Debug, Clone, Copy)]
pub struct Evidence<'a> {
    /// The unit's section of the job file.
    pub unit: &'a job::Unit,
    /// The job's zone, in which hours and days are counted.
    pub zone: Tz,
    /// Added to record time where instants are named to people, µs: see [`Projection::wall_offset_us`].
    ///
    /// [`Projection::wall_offset_us`]: crate::Projection::wall_offset_us
    pub shown_offset_us: i64,
    /// From the unit's first sample to its last.
    pub span: Span,
    /// Its cycles in order.
    pub cycles: &'a [CycleRow],
    /// Its events in order.
    pub events: &'a [EventRow],
    /// The events of its board in order: what was not observed stands there.
    pub board_events: &'a [EventRow],
}

impl Evidence<'_> {
    /// The stretches in which a sensor could not be believed, in order, not overlapping: from when it may hold until it was
    /// believed again. One that has not ended has no end.
    pub fn doubted(&self, sensor: Sensor) -> Vec<Span> {
        let mut spans: Vec<Span> = Vec::new();
        let mut begun: Option<RecordTime> = None;
        let said = self.events.iter().filter_map(Said::of);
        for said in said.filter(|said| said.sensor == sensor) {
            match said.word {
                Word::Doubted => {
                    begun = Some(begun.map_or(said.since, |from| from.min(said.since)));
                }
                Word::Believed => spans.extend(begun.take().map(|from| Span {
                    from,
                    until: said.since,
                })),
                Word::Saturated => {}
            }
        }
        spans.extend(begun.map(|from| Span {
            from,
            until: RecordTime::MAX,
        }));
        united(spans)
    }

    /// Whether the clamp has reached the end of its range: highest currents and squares are at least what they are said to be.
    pub fn is_saturated(&self) -> bool {
        let mut said = self.events.iter().filter_map(Said::of);
        said.any(|said| said.word == Word::Saturated)
    }

    /// The stretches in which nothing is known of the current, in order, not overlapping: the board's gaps, and where the clamp
    /// could not be believed. One that has not ended lasts to the end.
    pub fn unseen(&self) -> Vec<Span> {
        let doubted = self.doubted(Sensor::Current);
        let spans = united(self.gaps().into_iter().chain(doubted));
        spans
            .iter()
            .filter_map(|gap| gap.common(&self.span))
            .collect()
    }

    /// The stretches without valid samples, in order: the board's gaps. One that has not ended lasts to the end.
    pub fn gaps(&self) -> Vec<Span> {
        let mut spans: Vec<Span> = Vec::new();
        let mut begun = None;
        for event in self.board_events {
            match event.kind {
                EventKind::GapBegin => begun = Some(event.time),
                EventKind::GapEnd => {
                    let from = begun.take().unwrap_or(self.span.from);
                    spans.push(Span {
                        from,
                        until: event.time,
                    });
                }
                _ => {}
            }
        }
        if let Some(from) = begun {
            spans.push(Span {
                from,
                until: self.span.until,
            });
        }
        spans
            .iter()
            .filter_map(|gap| gap.common(&self.span))
            .collect()
    }

    /// An instant as people of the place read it off their clocks; the epoch's for an instant no calendar has.
    pub fn local(&self, time: RecordTime) -> DateTime<Tz> {
        DateTime::from_timestamp_micros(time.saturating_add(self.shown_offset_us))
            .unwrap_or_default()
            .with_timezone(&self.zone)
    }

    /// An instant in words: time of the place, to the second, and its day, `02:14:10 on 26 Nov`; with the offset where clocks
    /// change in the record. The year is that of the period, which is named beside every sentence.
    pub fn words(&self, time: RecordTime) -> String {
        let local = self.local(time);
        let offset_s = |at| self.local(at).offset().fix().local_minus_utc();
        let varies = offset_s(self.span.from) != offset_s(self.span.until);
        let offset = if varies { " (UTC%:z)" } else { "" };
        local
            .format(&format!("%H:%M:%S on %-d %b{offset}"))
            .to_string()
    }

    /// The beginning of the clock hour of the place in which an instant lies.
    pub fn hour_of(&self, time: RecordTime) -> RecordTime {
        let local = self.local(time);
        let into = Duration::minutes(i64::from(local.minute()))
            + Duration::seconds(i64::from(local.second()))
            + Duration::microseconds(i64::from(local.timestamp_subsec_micros()));
        time.saturating_sub(into.num_microseconds().unwrap_or(0))
    }
}

/// Spans in order, those put together that touch.
fn united(spans: impl IntoIterator<Item = Span>) -> Vec<Span> {
    let mut all: Vec<Span> = spans.into_iter().collect();
    all.sort_by_key(|span| span.from);
    let mut united: Vec<Span> = Vec::new();
    for span in all {
        match united.last_mut().filter(|last| span.from <= last.until) {
            Some(last) => last.until = last.until.max(span.until),
            None => united.push(span),
        }
    }
    united
}

/// A duration in microseconds.
pub(crate) fn micros(s: f64) -> i64 {
    (s * 1e6).round() as i64
}
