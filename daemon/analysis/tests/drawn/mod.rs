//! A record drawn cycle by cycle, for tests of what is said of rows: no samples, no detector.
#![allow(dead_code, clippy::unwrap_used, clippy::expect_used, clippy::panic)] // not every test draws everything

use nightclamp_analysis::evidence::{Evidence, Span};
use nightclamp_analysis::findings::{Finding, FindingKind as K, findings};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::night::RowRef;
use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, EventKind, EventRow, StartKind};

/// 2026-11-25 18:00 UTC, µs; the place is an hour ahead.
pub const BEGIN_US: i64 = 1_795_629_600_000_000;
pub const S: i64 = 1_000_000;

pub const JOB: &str = "[job]\nname = \"pairs\"\ntimezone = \"Europe/Madrid\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n\
    rated_load_a = 1.9\nlocked_rotor_a = 12.4\n[unit.channels]\ncurrent = \"common\"\n[unit.protector]\n\
    kind = \"external-strip\"\nopens_c = 120.0\n[unit.limits]\nstarts_per_hour = 3\nstarts_per_hour_from = \"claim, page 2\"\n\
    min_off_s = 180\nmin_off_from = \"claim, page 2\"\nmin_run_s = 120\n";

pub fn job() -> Job {
    Job::parse(JOB, "pairs.toml").unwrap()
}

/// A record drawn cycle by cycle.
#[derive(Default)]
pub struct Record {
    pub now_s: f64,
    pub cycles: Vec<CycleRow>,
    pub events: Vec<EventRow>,
    pub board_events: Vec<EventRow>,
}

impl Record {
    /// Whether a row that a sentence rests on is there.
    pub fn has(&self, row: &RowRef) -> bool {
        match row {
            RowRef::Cycle(on_at) => self.cycles.iter().any(|cycle| cycle.on_at == *on_at),
            RowRef::Event(time) => {
                let mut events = self.events.iter().chain(&self.board_events);
                events.any(|event| event.time == *time)
            }
        }
    }

    /// An on-period of `on_s` and the off-time after it, with what else stands in its row.
    pub fn cycle(&mut self, on_s: f64, off_s: f64, more: impl FnOnce(&mut CycleRow)) {
        let at = |s: f64| BEGIN_US + (s * 1e6).round() as i64;
        let mut row = CycleRow {
            on_at: at(self.now_s),
            off_at: Some(at(self.now_s + on_s)),
            next_on_at: Some(at(self.now_s + on_s + off_s)),
            on_seen: true,
            on_s: Some(on_s),
            off_s: Some(off_s),
            start: StartKind::Normal,
            ended_by: Some(EndedBy::Control),
            run_a: Some(1.4),
            valid: 1.0,
            ..CycleRow::default()
        };
        more(&mut row);
        self.cycles.push(row);
        self.now_s += on_s + off_s;
    }

    /// So many sound cycles.
    pub fn sound(&mut self, count: usize, on_s: f64, off_s: f64) {
        (0..count).for_each(|_| self.cycle(on_s, off_s, |_| {}));
    }

    /// A start that fails, and the protector's own off-time.
    pub fn failed(&mut self, off_s: f64) {
        self.cycle(8.0, off_s, |row| {
            row.start = StartKind::LockedRotor;
            row.ended_by = Some(EndedBy::Protector);
            row.cause = Some(Cause::LockedRotor);
            row.run_a = None;
        });
    }

    pub fn event(of: &mut Vec<EventRow>, at_s: f64, kind: EventKind, detail: &str) {
        of.push(EventRow {
            time: BEGIN_US + (at_s * 1e6) as i64,
            kind,
            cause: None,
            current_a: None,
            case_c: None,
            detail: detail.to_owned(),
        });
    }

    pub fn gap(&mut self, from_s: f64, until_s: f64) {
        Self::event(
            &mut self.board_events,
            from_s,
            EventKind::GapBegin,
            "nothing-came",
        );
        Self::event(
            &mut self.board_events,
            until_s,
            EventKind::GapEnd,
            "nothing-came",
        );
    }

    pub fn with<T>(&self, of: impl FnOnce(&Evidence<'_>) -> T) -> T {
        self.under(&job(), of)
    }

    pub fn under<T>(&self, job: &Job, of: impl FnOnce(&Evidence<'_>) -> T) -> T {
        of(&Evidence {
            unit: &job.units[0],
            zone: job.timezone,
            shown_offset_us: 0,
            span: Span {
                from: BEGIN_US,
                until: BEGIN_US + (self.now_s * 1e6) as i64,
            },
            cycles: &self.cycles,
            events: &self.events,
            board_events: &self.board_events,
        })
    }

    pub fn finds(&self, kind: K) -> Option<Finding> {
        let found = self
            .with(findings)
            .into_iter()
            .find(|finding| finding.kind == kind);
        if let Some(found) = &found {
            println!("[{}] {} -> {}", kind.as_str(), found.sentence, found.check);
            for at in &found.rows {
                assert!(
                    self.cycles.iter().any(|row| row.on_at == *at),
                    "it rests on a row that is not there"
                );
            }
        }
        found
    }
}
