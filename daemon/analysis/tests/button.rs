//! A press of the board's button is an event whenever in a boot it comes, and stands where it was pressed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventKind, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table, line};

const JOB: &str = "[job]\nname = \"button\"\ntimezone = \"UTC\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n\
                   [unit.channels]\ncurrent = \"common\"\n";
/// 2026-11-01 18:00 UTC, µs.
const EVENING_US: i64 = 1_793_556_000_000_000;

#[derive(Default)]
struct Rows {
    times: Vec<i64>,
    marks: Vec<i64>,
}

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, row: &SampleRow<'_>) {
        self.times.push(row.time);
    }
    fn event(&mut self, _: &str, row: EventRow) {
        if row.kind == EventKind::Mark {
            self.marks.push(row.time);
        }
    }
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// Sixty samples, 100 ms apart, and a press 50 ms after so many of them.
fn pressed_after(samples: u32) -> Rows {
    let mut rows = Rows::default();
    let mut projection = Projection::new(Job::parse(JOB, "job.toml").unwrap());
    let mut say = |board_ms: u32, body: &str| {
        let arrival_us = EVENING_US + i64::from(board_ms) * 1000;
        let raw = format!("@{arrival_us} {}", line(body));
        projection.feed(0, raw.as_bytes(), &mut rows);
    };
    say(0, "H 1 7f3a91c2 18 1 100 refboard-1");
    say(0, "C 0 current A -3 common ct");
    for seq in 0..60 {
        if seq == samples {
            say(seq * 100 + 50, &format!("N {} mark", seq * 100 + 50));
        }
        let ms = (seq + 1) * 100;
        say(ms, &format!("S {seq} {ms} 1500"));
    }
    projection.finish(&mut rows);
    rows
}

#[test]
fn a_press_is_an_event_also_while_the_first_samples_of_a_boot_are_held() {
    for samples in [1, 5, 15, 24, 25, 26, 40] {
        let rows = pressed_after(samples);
        assert_eq!(rows.times.len(), 60);
        let before = rows.times[samples as usize - 1];
        assert_eq!(rows.marks, [before + 50_000], "after {samples} samples");
    }
    let first = pressed_after(0);
    assert_eq!(first.marks, [first.times[0]], "before any sample");
}
