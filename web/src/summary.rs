//! A stretch of time in a few counts: what happened while nobody was there.

use nightclamp_analysis::rows::{
    Cause, CycleRow, EndedBy, EventKind, EventRow, RecordTime, StartKind,
};
use serde::Serialize;

/// The counts of a stretch.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Summary {
    /// Begin of the stretch, µs.
    pub from_us: RecordTime,
    /// End of the stretch, µs.
    pub to_us: RecordTime,
    /// On-periods that began in it.
    pub starts: usize,
    /// Of these, starts that did not come down to running.
    pub locked_starts: usize,
    /// On-periods that began in it and were ended by the protector.
    pub trips: Trips,
    /// On-periods that began in it and were ended by a control.
    pub by_control: usize,
    /// Ended by a failing supply.
    pub by_supply: usize,
    /// Ended, and it is not known by what.
    pub by_unknown: usize,
    /// Time on that was seen, s.
    pub on_s: f64,
    /// Longest off-period that began in it.
    pub longest_off: Option<Stretch>,
    /// Longest on-period that began in it.
    pub longest_on: Option<Stretch>,
    /// Share of the stretch that is not in a gap, 0..1.
    pub coverage: f64,
    /// Gaps that touch it.
    pub gaps: usize,
    /// The longest of them.
    pub longest_gap: Option<Stretch>,
    /// Times the host's clock was set.
    pub clock_steps: usize,
    /// Times a sensor was no longer believed.
    pub sensor_events: usize,
    /// Times the protector was late.
    pub late_events: usize,
}

/// Trips by cause.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Trips {
    /// All of them.
    pub total: usize,
    /// The rotor did not turn.
    pub locked_rotor: usize,
    /// Current above rated load.
    pub overload: usize,
    /// Hot with a normal current.
    pub overheat: usize,
    /// Neither explains it.
    pub early: usize,
    /// Not decided.
    pub undetermined: usize,
}

/// A length with its beginning.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stretch {
    /// When it began, µs.
    pub from_us: RecordTime,
    /// How long it was, s.
    pub length_s: f64,
}

/// Counts what happened in `from_us..to_us`. `events` holds those of the unit and of its board, in order of time.
pub fn of<'a>(
    from_us: RecordTime,
    to_us: RecordTime,
    cycles: impl Iterator<Item = &'a CycleRow>,
    events: impl Iterator<Item = &'a EventRow>,
) -> Summary {
    let mut summary = Summary {
        from_us,
        to_us,
        ..Summary::default()
    };
    cycles
        .filter(|cycle| (from_us..to_us).contains(&cycle.on_at))
        .for_each(|cycle| summary.add_cycle(cycle));
    let mut gaps = Gaps::default();
    for event in events {
        gaps.add(event);
        if (from_us..to_us).contains(&event.time) {
            summary.add_event(event.kind);
        }
    }
    summary.add_gaps(&gaps.closed_by(to_us));
    summary
}

impl Summary {
    fn add_cycle(&mut self, cycle: &CycleRow) {
        self.starts += usize::from(cycle.on_seen);
        self.locked_starts += usize::from(cycle.start == StartKind::LockedRotor);
        match cycle.ended_by {
            Some(EndedBy::Protector) => self.trips.add(cycle.cause),
            Some(EndedBy::Control) => self.by_control += 1,
            Some(EndedBy::Supply) => self.by_supply += 1,
            Some(EndedBy::Unknown) => self.by_unknown += 1,
            None => {}
        }
        if let Some(on_s) = cycle.on_s {
            self.on_s += on_s;
            longer(&mut self.longest_on, cycle.on_at, on_s);
        }
        if let (Some(off_at), Some(off_s)) = (cycle.off_at, cycle.off_s) {
            longer(&mut self.longest_off, off_at, off_s);
        }
    }

    const fn add_event(&mut self, kind: EventKind) {
        match kind {
            EventKind::ClockStep => self.clock_steps += 1,
            EventKind::Sensor => self.sensor_events += 1,
            EventKind::Late => self.late_events += 1,
            _ => {}
        }
    }

    fn add_gaps(&mut self, gaps: &[(RecordTime, RecordTime)]) {
        let mut missing_s = 0.0;
        for (begin_us, end_us) in gaps {
            let begin_us = (*begin_us).max(self.from_us);
            let end_us = (*end_us).min(self.to_us);
            if begin_us < end_us {
                let length_s = seconds_between(begin_us, end_us);
                missing_s += length_s;
                self.gaps += 1;
                longer(&mut self.longest_gap, begin_us, length_s);
            }
        }
        let whole_s = seconds_between(self.from_us, self.to_us);
        self.coverage = if whole_s > 0.0 {
            (1.0 - missing_s / whole_s).clamp(0.0, 1.0)
        } else {
            0.0
        };
    }
}

impl Trips {
    const fn add(&mut self, cause: Option<Cause>) {
        self.total += 1;
        match cause {
            Some(Cause::LockedRotor) => self.locked_rotor += 1,
            Some(Cause::Overload) => self.overload += 1,
            Some(Cause::Overheat) => self.overheat += 1,
            Some(Cause::Early) => self.early += 1,
            Some(Cause::Undetermined) | None => self.undetermined += 1,
        }
    }
}

/// Pairs the ends of gaps.
#[derive(Default)]
struct Gaps {
    closed: Vec<(RecordTime, RecordTime)>,
    begun_us: Option<RecordTime>,
}

impl Gaps {
    fn add(&mut self, event: &EventRow) {
        match event.kind {
            EventKind::GapBegin => self.begun_us = Some(event.time),
            EventKind::GapEnd => self
                .closed
                .extend(self.begun_us.take().map(|begun| (begun, event.time))),
            _ => {}
        }
    }

    /// A gap that still lasts ends where the stretch does.
    fn closed_by(mut self, to_us: RecordTime) -> Vec<(RecordTime, RecordTime)> {
        self.closed
            .extend(self.begun_us.map(|begun| (begun, to_us)));
        self.closed
    }
}

fn longer(longest: &mut Option<Stretch>, from_us: RecordTime, length_s: f64) {
    if longest.is_none_or(|other| length_s > other.length_s) {
        *longest = Some(Stretch { from_us, length_s });
    }
}

/// Seconds from one instant to a later one; 0 if it is not later.
fn seconds_between(from_us: RecordTime, to_us: RecordTime) -> f64 {
    to_us.saturating_sub(from_us).max(0) as f64 / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: i64 = 1_000_000;

    fn cycle(on_s: i64, ended_by: Option<EndedBy>, cause: Option<Cause>) -> CycleRow {
        CycleRow {
            on_at: on_s * S,
            off_at: Some((on_s + 60) * S),
            next_on_at: None,
            on_seen: true,
            on_s: Some(60.0),
            off_s: Some(on_s as f64),
            start: StartKind::Normal,
            ended_by,
            cause,
            peak_a: None,
            run_a: None,
            end_a: None,
            i2t_a2s: None,
            case_on_c: None,
            case_off_c: None,
            case_max_c: None,
            case_reset_c: None,
            reset_exact: false,
            disc_c: None,
            valid: 1.0,
            basis: String::new(),
            ..CycleRow::default()
        }
    }

    fn event(time_s: i64, kind: EventKind) -> EventRow {
        EventRow {
            time: time_s * S,
            kind,
            cause: None,
            current_a: None,
            case_c: None,
            detail: String::new(),
        }
    }

    #[test]
    fn trips_are_counted_by_cause_and_ends_by_what_ended_them() {
        let cycles = [
            cycle(0, Some(EndedBy::Protector), Some(Cause::LockedRotor)),
            cycle(100, Some(EndedBy::Protector), Some(Cause::LockedRotor)),
            cycle(200, Some(EndedBy::Protector), None),
            cycle(300, Some(EndedBy::Control), None),
            cycle(400, Some(EndedBy::Unknown), None),
            cycle(500, None, None),
            cycle(1_000, Some(EndedBy::Control), None), // begins when the stretch has ended
        ];
        let summary = of(0, 1_000 * S, cycles.iter(), [].iter());
        assert_eq!(
            (summary.starts, summary.by_control, summary.by_unknown),
            (6, 1, 1)
        );
        assert_eq!(
            summary.trips,
            Trips {
                total: 3,
                locked_rotor: 2,
                undetermined: 1,
                ..Trips::default()
            }
        );
        assert_eq!(summary.on_s, 360.0);
        assert_eq!(
            summary.longest_off,
            Some(Stretch {
                from_us: 560 * S,
                length_s: 500.0
            })
        );
    }

    #[test]
    fn coverage_is_what_lies_outside_the_gaps() {
        /// Events as second and kind; of the stretch 100 s to 200 s: coverage, gaps, longest in s.
        type Case<'a> = (&'a [(i64, EventKind)], f64, usize, Option<f64>);
        let (begin, end) = (EventKind::GapBegin, EventKind::GapEnd);
        let cases: [Case<'_>; 6] = [
            (&[], 1.0, 0, None),
            (
                &[(110, begin), (120, end), (150, begin), (155, end)],
                0.85,
                2,
                Some(10.0),
            ),
            (&[(50, begin), (120, end)], 0.8, 1, Some(20.0)), // began before
            (&[(180, begin)], 0.8, 1, Some(20.0)),            // still lasts
            (&[(50, begin), (250, end)], 0.0, 1, Some(100.0)),
            (&[(10, begin), (20, end), (230, begin)], 1.0, 0, None), // touches nothing
        ];
        for (events, coverage, gaps, longest_s) in cases {
            let rows: Vec<_> = events
                .iter()
                .map(|(at_s, kind)| event(*at_s, *kind))
                .collect();
            let summary = of(100 * S, 200 * S, [].iter(), rows.iter());
            assert!(
                (summary.coverage - coverage).abs() < 1e-9,
                "{events:?}: {}",
                summary.coverage
            );
            assert_eq!(summary.gaps, gaps, "{events:?}");
            assert_eq!(
                summary.longest_gap.map(|gap| gap.length_s),
                longest_s,
                "{events:?}"
            );
        }
    }
}
