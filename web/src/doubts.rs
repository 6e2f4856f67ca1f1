//! Which sensors of a unit cannot be believed now: the newest word of the record on each.

use nightclamp_analysis::doubt::{Said, Sensor, Word};
use nightclamp_analysis::rows::{EventRow, RecordTime};
use serde::Serialize;

/// A sensor that cannot be believed, or not above its range.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DoubtView {
    /// `current` or `case`.
    sensor: &'static str,
    /// It reads right up to the end of its range, which has been reached.
    saturated: bool,
    /// Since when it may hold, µs.
    since_us: RecordTime,
    /// What is wrong, and what that rests on.
    text: String,
}

/// The newest event about each sensor of a unit, [`Sensor::ALL`] in order.
#[derive(Debug, Default)]
pub struct Doubts([Option<EventRow>; Sensor::ALL.len()]);

impl Doubts {
    /// Takes an event in; one that is about no sensor, or older than what is known, changes nothing.
    pub fn take(&mut self, event: &EventRow) {
        let Some(said) = Said::of(event) else {
            return;
        };
        let of_it = Sensor::ALL.iter().position(|sensor| *sensor == said.sensor);
        let Some(newest) = of_it.and_then(|at| self.0.get_mut(at)) else {
            return;
        };
        if newest.as_ref().is_none_or(|known| known.time <= event.time) {
            *newest = Some(event.clone());
        }
    }

    /// The doubts in force.
    pub fn in_force(&self) -> Vec<DoubtView> {
        let known = self.0.iter().flatten().filter_map(Said::of);
        known
            .filter(|said| said.word != Word::Believed)
            .map(|said| DoubtView {
                sensor: said.sensor.as_str(),
                saturated: said.word == Word::Saturated,
                since_us: said.since,
                text: said.why.trim_end_matches('.').to_owned(),
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use nightclamp_analysis::rows::EventKind;

    use super::*;

    fn event(time: RecordTime, kind: EventKind, detail: &str) -> EventRow {
        EventRow {
            time,
            kind,
            cause: None,
            current_a: None,
            case_c: None,
            detail: detail.to_owned(),
        }
    }

    #[test]
    fn a_doubt_holds_until_the_record_believes_that_very_sensor_again() {
        let fallen = "case: fallen off; may hold since 2026-11-25T03:00:00Z";
        let back = "case: a whole run; believed again since 2026-11-25T04:00:00Z";
        let clamp = "current: saturated, 60 A; may hold since 2026-11-25T03:00:00Z";
        let mut doubts = Doubts::default();
        doubts.take(&event(5, EventKind::Sensor, fallen));
        doubts.take(&event(6, EventKind::Sensor, clamp));
        doubts.take(&event(7, EventKind::Trip, fallen));
        // What was found, and not when it was found but since when it may hold.
        let in_force = doubts.in_force();
        let said: Vec<_> = in_force
            .iter()
            .map(|doubt| (doubt.text.as_str(), doubt.since_us))
            .collect();
        let three = 1_795_575_600_000_000;
        assert_eq!(said, [("saturated, 60 A", three), ("fallen off", three)]);
        let sensors = |doubts: &Doubts| -> Vec<_> {
            let in_force = doubts.in_force();
            in_force.iter().map(|d| (d.sensor, d.saturated)).collect()
        };
        assert_eq!(sensors(&doubts), [("current", true), ("case", false)]);
        doubts.take(&event(9, EventKind::SensorBack, back));
        assert_eq!(sensors(&doubts), [("current", true)]);
        // An older row that is sealed later does not bring it back.
        doubts.take(&event(8, EventKind::Sensor, fallen));
        assert_eq!(sensors(&doubts), [("current", true)]);
    }
}
