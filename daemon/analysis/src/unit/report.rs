//! From what a [`Detector`] holds to rows.

use super::cycle::{Closed, Off};
use super::detector::{BRIDGE_S_MAX, Detector, RUN_LEARNED_S};
use super::moment::{above_floor, finite, seconds};
use super::period::OnPeriod;
use super::verdict::{self, After, Verdict};
use crate::job;
use crate::rows::{Cause, CycleRow, EndedBy, EventKind, EventRow, StartKind};

impl Detector {
    /// The next on-period has settled: the cycle before it is final.
    pub(super) fn settle(&mut self, before: Option<Box<Closed>>, unit: &job::Unit) {
        let Some(closed) = before else { return };
        let (mut events, mut cycles) = (Vec::new(), Vec::new());
        self.closed_rows(&closed, unit, &mut events, &mut cycles);
        self.trips += events
            .iter()
            .filter(|event| event.kind == EventKind::Trip)
            .count() as u64;
        for cycle in &cycles {
            match (cycle.ended_by, cycle.on_s.zip(cycle.off_s)) {
                (Some(EndedBy::Control), Some((on_s, off_s))) => {
                    self.learned.controlled(on_s, off_s);
                }
                (Some(EndedBy::Protector), _) if cycle.on_seen => {
                    cycle
                        .i2t_a2s
                        .into_iter()
                        .for_each(|a2s| self.learned.opened(a2s));
                    let stalled = cycle.cause == Some(Cause::LockedRotor)
                        && cycle.start == StartKind::LockedRotor;
                    if let Some((a2s, on_s)) = cycle.i2t_a2s.zip(cycle.on_s).filter(|_| stalled) {
                        self.learned.opened_stall(a2s, on_s);
                    }
                }
                _ => {}
            }
        }
        self.events.append(&mut events);
        self.cycles.append(&mut cycles);
    }

    pub(super) fn closed_rows(
        &self,
        closed: &Closed,
        unit: &job::Unit,
        events: &mut Vec<EventRow>,
        cycles: &mut Vec<CycleRow>,
    ) {
        let after = After {
            off_s: closed.off_s(),
            case_next_c: closed.case_next_c,
            case_max_c: closed.off.case_max_c,
        };
        let verdict = verdict::judge(&closed.off.ending, after, &self.learned, unit);
        events.push(self.end_event(&closed.off, &verdict));
        if verdict.ended_by == EndedBy::Protector {
            events.push(closed.reset_event());
        }
        cycles.push(self.ended_row(&closed.off, Some(closed), &verdict));
    }

    pub(super) fn start_event(&self, on: &OnPeriod, unit: &job::Unit, ended: bool) -> EventRow {
        let start = verdict::start_kind(
            on,
            self.learned.stall(unit, on.first.supply_v),
            &self.learned,
            unit.rated_load_a,
            ended,
        );
        let detail = match (on.on_seen, start) {
            (false, _) => "already flowing when the record or a gap ended".to_owned(),
            (true, StartKind::Normal) => {
                format!("{:.2} A at its highest, then down to running", on.peak_a)
            }
            (true, StartKind::LockedRotor) => {
                format!("{:.2} A at its highest and not down to running", on.peak_a)
            }
            (true, StartKind::Unknown) => format!(
                "{:.2} A at its highest; how it started is not resolved",
                on.peak_a
            ),
        };
        EventRow {
            time: on.on_at,
            kind: EventKind::Start,
            cause: None,
            current_a: finite(on.peak_a),
            case_c: on.case_on_c,
            detail,
        }
    }

    pub(super) fn end_event(&self, off: &Off, verdict: &Verdict) -> EventRow {
        let tripped = verdict.ended_by == EndedBy::Protector;
        EventRow {
            time: off.off_at,
            kind: if tripped {
                EventKind::Trip
            } else {
                EventKind::Stop
            },
            cause: verdict.cause,
            current_a: off.ending.end_a,
            case_c: off.ending.case_off_c,
            detail: verdict.basis.clone(),
        }
    }

    pub(super) fn ended_row(
        &self,
        off: &Off,
        closed: Option<&Closed>,
        verdict: &Verdict,
    ) -> CycleRow {
        let on = &off.ending.on;
        let tripped = verdict.ended_by == EndedBy::Protector;
        let mut basis = verdict.basis.clone();
        if off.gap_s > BRIDGE_S_MAX {
            basis = format!(
                "{basis}; a gap of {:.0} s in the off-time could hide a short run",
                off.gap_s
            );
        }
        CycleRow {
            off_at: Some(off.off_at),
            next_on_at: closed.map(|c| c.next_on_at),
            on_s: off.ending.on_s,
            off_s: closed.and_then(Closed::off_s),
            start: verdict.start,
            ended_by: Some(verdict.ended_by),
            cause: verdict.cause,
            end_a: off.ending.end_a,
            case_off_c: off.ending.case_off_c,
            case_max_c: off.case_max_c,
            case_reset_c: closed.filter(|_| tripped).and_then(|c| c.case_next_c),
            reset_exact: tripped && closed.is_some_and(|c| c.next_seen) && off.held_exactly(),
            disc_c: off.disc_c,
            basis,
            ..self.on_row(on, verdict.start)
        }
    }

    pub(super) fn running_row(&self, on: &OnPeriod, unit: &job::Unit) -> CycleRow {
        let start = verdict::start_kind(
            on,
            self.learned.stall(unit, on.first.supply_v),
            &self.learned,
            unit.rated_load_a,
            false,
        );
        CycleRow {
            start,
            ..self.on_row(on, start)
        }
    }

    /// What is known of an on-period whose end has not been seen.
    pub(super) fn on_row(&self, on: &OnPeriod, start: StartKind) -> CycleRow {
        let ran = start != StartKind::LockedRotor && on.came_down_at.is_none();
        let run_a = on
            .run_a()
            .or_else(|| on.whole_a().filter(|_| ran && on.seen_s() >= RUN_LEARNED_S));
        let start_s = on.start_s().filter(|_| start == StartKind::Normal);
        let parts_a = on.beside.parts_a();
        let expected = (seconds(on.last.time - on.first.time) / on.last.span_s).round() + 1.0;
        CycleRow {
            on_at: on.on_at,
            off_at: None,
            next_on_at: None,
            on_seen: on.on_seen,
            on_s: None,
            off_s: None,
            start,
            ended_by: None,
            cause: None,
            peak_a: Some(above_floor(on.peak_a, on.floor_a)),
            run_a,
            end_a: None,
            i2t_a2s: Some(on.i2t_a2s),
            case_on_c: on.case_on_c,
            case_off_c: None,
            case_max_c: on.case_max_c,
            case_reset_c: None,
            reset_exact: false,
            disc_c: None,
            valid: (on.samples as f64 / expected).clamp(0.0, 1.0),
            basis: String::new(),
            start_s,
            supply_before_v: on.beside.supply_before_v,
            supply_low_v: on.beside.supply_low_v,
            start_lead_peak_a: on.beside.start_lead_peak_a,
            start_lead_a: on.beside.start_lead_a(),
            run_first_a: parts_a.map(|parts| parts.0),
            run_last_a: parts_a.map(|parts| parts.1),
            ambient_on_c: on.beside.ambient_on_c,
            floor_a: on.beside.floor.map(|floor| floor.0),
            noise_a: on.beside.floor.map(|floor| floor.1),
        }
    }
}
