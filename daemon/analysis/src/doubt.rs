//! What a record says of its sensors: which can no longer be believed, since when, and from when on one is believed again.
//!
//! It stands in the `detail` of `sensor` and `sensor-back` events. Writer and reader of that text are both here, so that
//! nobody else takes it apart.

use chrono::{DateTime, SecondsFormat};

use crate::rows::{EventKind, EventRow, RecordTime};

/// Between what is wrong and since when.
const SINCE: &str = "; may hold since ";
/// Between why a sensor is believed again and from when on.
const AGAIN: &str = "; believed again since ";
/// What is wrong with a clamp whose readings are right up to the end of its range.
const SATURATED: &str = "saturated, ";

/// A sensor of a unit that is watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Sensor {
    /// The clamp on the line.
    Current,
    /// The bead on the protector's case.
    Case,
}

impl Sensor {
    /// All that are watched.
    pub const ALL: [Self; 2] = [Self::Current, Self::Case];

    /// Its role in the job file.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Current => "current",
            Self::Case => "case",
        }
    }
}

/// What is said of a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// It cannot be believed.
    Doubted,
    /// It reads right up to the end of its range, and that end has been reached: highest readings and squares are too small.
    Saturated,
    /// It is believed again.
    Believed,
}

/// One event's word on a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Said<'a> {
    /// Of which.
    pub sensor: Sensor,
    /// What.
    pub word: Word,
    /// What it rests on, in words without an instant.
    pub why: &'a str,
    /// Since when it may hold, to the second below.
    pub since: RecordTime,
}

impl<'a> Said<'a> {
    /// What an event says of a sensor; `None` if it is about something else.
    pub fn of(event: &'a EventRow) -> Option<Self> {
        let between = match event.kind {
            EventKind::Sensor => SINCE,
            EventKind::SensorBack => AGAIN,
            _ => return None,
        };
        let (sensor, rest) = event.detail.split_once(": ")?;
        let sensor = Sensor::ALL
            .into_iter()
            .find(|known| known.as_str() == sensor)?;
        let (what, since) = rest.rsplit_once(between)?;
        let since = DateTime::parse_from_rfc3339(since).ok()?;
        let word = match event.kind {
            EventKind::SensorBack => Word::Believed,
            _ if what.starts_with(SATURATED) => Word::Saturated,
            _ => Word::Doubted,
        };
        Some(Self {
            sensor,
            word,
            why: what,
            since: since.timestamp_micros(),
        })
    }
}

/// `detail` of a `sensor` event: what is wrong and what that rests on, and since when it may hold.
pub(crate) fn doubted(sensor: Sensor, why: &str, since: RecordTime) -> String {
    format!("{}: {why}{SINCE}{}", sensor.as_str(), instant(since))
}

/// `why` of a clamp at the end of its range.
pub(crate) fn saturated(why: &str) -> String {
    format!("{SATURATED}{why}")
}

/// `detail` of a `sensor-back` event.
pub(crate) fn believed(sensor: Sensor, why: &str, since: RecordTime) -> String {
    format!("{}: {why}{AGAIN}{}", sensor.as_str(), instant(since))
}

/// An instant of the record in words, to the second below.
fn instant(time: RecordTime) -> String {
    let second = time.div_euclid(1_000_000) * 1_000_000;
    DateTime::from_timestamp_micros(second)
        .map(|time| time.to_rfc3339_opts(SecondsFormat::Secs, true))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn event(kind: EventKind, detail: String) -> EventRow {
        EventRow {
            time: 0,
            kind,
            cause: None,
            current_a: None,
            case_c: None,
            detail,
        }
    }

    proptest! {
        /// Whatever the words between, what was written is what is read, to the second.
        #[test]
        fn what_is_written_is_read(
            why in ".{0,80}",
            since in 0i64..4_000_000_000_000_000,
            sensor in prop::sample::select(Sensor::ALL.to_vec()),
        ) {
            prop_assume!(!why.starts_with(SATURATED));
            let second = since / 1_000_000 * 1_000_000;
            let full = saturated(&why);
            for (kind, detail, word, why) in [
                (EventKind::Sensor, doubted(sensor, &why, since), Word::Doubted, &why),
                (EventKind::Sensor, doubted(sensor, &full, since), Word::Saturated, &full),
                (EventKind::SensorBack, believed(sensor, &why, since), Word::Believed, &why),
            ] {
                let event = event(kind, detail);
                prop_assert_eq!(Said::of(&event), Some(Said { sensor, word, why, since: second }));
            }
        }

        /// Texts that are none of ours say nothing.
        #[test]
        fn other_texts_say_nothing(detail in ".{0,60}") {
            for kind in [EventKind::Sensor, EventKind::Stop] {
                let event = event(kind, detail.clone());
                prop_assert_eq!(Said::of(&event), None);
            }
        }
    }
}
