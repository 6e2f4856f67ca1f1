//! A board and a recorder to which everything happens, over a real pseudo-terminal: every sample that the board counted is
//! kept or named as lost with its cause, and whatever the host's clock does, order and durations are right.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;

use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};

use common::wire::Wire;
use common::{Recorder, Scratch, assert_verifies, files, samples_in_raw, wait_until};
use nightclamp::clocks::{HostClock, SystemClock};
use nightclamp_protocol::line;
use parquet::file::reader::{FileReader, SerializedFileReader};

const BOARD: u32 = 0x7f3a_91c2;
const PERIOD_MS: u64 = 20;

/// A board by hand: its counters are what a test says.
struct Board {
    wire: Wire,
    boot: u32,
    /// Sample periods of this boot so far.
    periods: u64,
    /// The board's clock before its first period, ms.
    ms_start: u32,
    /// When the sample period ends that runs now.
    due: Instant,
    /// Sample lines that were said whole.
    recorded: u64,
}

impl Board {
    fn plug_in(link: &Path, ms_start: u32) -> Self {
        Self {
            wire: Wire::plug_in(link),
            boot: 7,
            periods: 0,
            ms_start,
            due: Instant::now(),
            recorded: 0,
        }
    }

    fn wait_for_host(&mut self) {
        wait_until("the port is opened", || self.wire.is_open());
        if self.periods > 0 {
            // Periods that ended while the test waited.
            let passed = self.due.elapsed().as_millis() as u64 / PERIOD_MS;
            self.periods += passed;
            self.due += Duration::from_millis(passed * PERIOD_MS);
        } else {
            self.due = Instant::now();
        }
    }

    fn say(&mut self, body: &str) {
        let text = line(&body).to_string();
        self.wire.put(text.as_bytes());
    }

    fn hello(&mut self) {
        let boot = self.boot;
        self.say(&format!("H 1 {BOARD:08x} {boot} 1 {PERIOD_MS} hand-1"));
        self.say("C 0 current A -3 common ct");
    }

    fn boots(&mut self) {
        (self.boot, self.periods, self.ms_start) = (self.boot + 1, 0, 0);
        self.say("N 0 boot power-on");
        self.hello();
    }

    /// The next sample's text; time passes.
    fn next(&mut self) -> String {
        self.due += Duration::from_millis(PERIOD_MS);
        std::thread::sleep(self.due.saturating_duration_since(Instant::now()));
        let seq = self.periods % 65_536;
        self.periods += 1;
        let ms = self
            .ms_start
            .wrapping_add((self.periods * PERIOD_MS) as u32);
        format!("S {seq} {ms} 812")
    }

    fn samples(&mut self, count: u64) {
        for _ in 0..count {
            let body = self.next();
            self.say(&body);
            self.recorded += 1;
        }
    }

    /// Sample periods that come to nothing.
    fn silence(&mut self, count: u64) {
        for _ in 0..count {
            self.next();
        }
    }

    fn damaged(&mut self, count: u64) {
        for _ in 0..count {
            let spoilt = line(&self.next()).to_string().replacen("812", "8l2", 1);
            self.wire.put(spoilt.as_bytes());
        }
    }

    /// Hours pass in no time: the board counts on.
    fn leap(&mut self, seconds: u64) {
        self.periods += seconds * 1_000 / PERIOD_MS;
    }

    fn wait_until_recorded(&self, record: &Path) {
        wait_until("what was said is in the raw log", || {
            samples_in_raw(record)
                >= self
                    .wire
                    .sent
                    .iter()
                    .filter(|s| s.line.starts_with(b"S "))
                    .count() as u64
        });
    }
}

/// Columns of a table as numbers or text, row by row, files in order.
fn column(record: &Path, table: &str, name: &str) -> Vec<String> {
    let mut values = Vec::new();
    for path in files(&record.join(table), ".parquet") {
        let reader = SerializedFileReader::new(fs::File::open(&path).unwrap()).unwrap();
        for row in reader.get_row_iter(None).unwrap() {
            let row = row.unwrap();
            let field = row
                .get_column_iter()
                .find(|(column, _)| *column == name)
                .unwrap()
                .1;
            values.push(match field {
                parquet::record::Field::TimestampMicros(us) => us.to_string(),
                other => other.to_string().trim_matches('"').to_owned(),
            });
        }
    }
    values
}

fn numbers(record: &Path, name: &str) -> Vec<i64> {
    column(record, "samples", name)
        .iter()
        .map(|n| n.parse().unwrap())
        .collect()
}

/// Cause and samples lost of every `gap-end` and `loss`, in order.
fn named(record: &Path) -> Vec<(String, u64)> {
    let kinds = column(record, "events", "kind");
    let details = column(record, "events", "detail");
    let told = kinds
        .iter()
        .zip(details)
        .filter(|(kind, _)| ["gap-end", "loss"].contains(&kind.as_str()));
    told.map(|(_, detail)| {
        let cause = detail.split(':').next().unwrap().to_owned();
        let lost = detail
            .split(" samples lost")
            .next()
            .unwrap()
            .rsplit(' ')
            .next()
            .unwrap();
        (cause, lost.parse().unwrap())
    })
    .collect()
}

/// A job for the board by hand.
fn hand_job(link: &Path) -> String {
    format!(
        "[job]\nname = \"by hand\"\ntimezone = \"Europe/Lisbon\"\n[[board]]\nid = \"{BOARD:08x}\"\nport = \"{}\"\n\
         [[unit]]\nname = \"freezer\"\nboard = \"{BOARD:08x}\"\n[unit.channels]\ncurrent = \"common\"\n",
        link.display()
    )
}

#[test]
fn every_kind_of_gap_is_named_with_its_cause_and_kept_plus_named_is_what_the_board_counted() {
    let scratch = Scratch::new("hardships");
    let (record, link) = (scratch.join("record"), scratch.join("port"));
    let job = hand_job(&link);
    let mut board = Board::plug_in(&link, 0);
    let recorder = Recorder::start(&job, &record);
    board.wait_for_host();
    board.hello();
    board.samples(150);
    board.silence(20);
    board.samples(60);
    board.damaged(12);
    board.samples(60);
    board.damaged(2);
    board.samples(60);
    board.wait_until_recorded(&record);
    board.wire.unplug();
    board.silence(30);
    board.wire.replug();
    board.wait_for_host();
    board.silence(5);
    board.samples(60);
    board.wait_until_recorded(&record);
    recorder.stop();
    board.silence(25);
    let recorder = Recorder::start(&job, &record);
    board.wait_for_host();
    board.samples(60);
    let counted_before = board.periods;
    // Lost for good with the boot they were counted in.
    board.silence(7);
    board.boots();
    board.silence(9);
    board.samples(150);
    board.wait_until_recorded(&record);
    recorder.stop();

    let events = named(&record);
    println!("{events:?}");
    let expected = [
        ("nothing-came", 20),
        ("line-damage", 12),
        ("line-damage", 2),
        ("unplugged", 35),
        ("recorder-down", 25),
        ("board-restarted", 9),
    ];
    let causes: Vec<&str> = events.iter().map(|(cause, _)| cause.as_str()).collect();
    assert_eq!(causes, expected.map(|(cause, _)| cause));
    for ((cause, lost), (_, at_least)) in events.iter().zip(expected) {
        // Opening a port and starting a recorder take periods of their own.
        assert!(
            *lost >= at_least
                && (*lost == at_least || ["unplugged", "recorder-down"].contains(&cause.as_str()))
        );
    }
    let kept = numbers(&record, "seq").len() as u64;
    let lost: u64 = events.iter().map(|(_, lost)| lost).sum();
    assert_eq!(kept, board.recorded);
    assert_eq!(
        kept + lost,
        counted_before + board.periods,
        "kept and named are what was counted"
    );
    let details = column(&record, "events", "detail");
    let bound = details.iter().find_map(|d| {
        let before = d
            .split(" before the restart")
            .next()
            .filter(|_| d.contains("before the restart"))?;
        before.rsplit(' ').next()?.parse::<u64>().ok()
    });
    assert!(
        bound.is_some_and(|bound| bound >= 7),
        "{bound:?} of the boot before at most, and it was 7"
    );
    assert_verifies(&record);
}

/// This machine's clocks, moved.
struct Moved {
    real: SystemClock,
    wall_us: AtomicI64,
    boot_us: AtomicI64,
    host_boot: String,
}

impl Moved {
    fn new(wall_us: i64, host_boot: &str) -> Arc<Self> {
        Arc::new(Self {
            real: SystemClock::new(),
            wall_us: AtomicI64::new(wall_us),
            boot_us: AtomicI64::new(0),
            host_boot: host_boot.to_owned(),
        })
    }

    fn step_wall(&self, seconds: i64) {
        self.wall_us
            .fetch_add(seconds * 1_000_000, Ordering::Relaxed);
    }

    /// The host sleeps: both clocks go on, nothing else does.
    fn suspend(&self, seconds: i64) {
        self.step_wall(seconds);
        self.boot_us
            .fetch_add(seconds * 1_000_000, Ordering::Relaxed);
    }
}

impl HostClock for Moved {
    fn wall_us(&self) -> i64 {
        self.real.wall_us() + self.wall_us.load(Ordering::Relaxed)
    }

    fn boot_us(&self) -> i64 {
        self.real.boot_us() + self.boot_us.load(Ordering::Relaxed)
    }

    fn host_boot_id(&self) -> &str {
        &self.host_boot
    }
}

#[test]
fn whatever_the_hosts_clock_does_order_and_durations_are_the_boards() {
    let scratch = Scratch::new("clocks");
    let (record, link) = (scratch.join("record"), scratch.join("port"));
    let job = hand_job(&link);
    // The board's milliseconds wrap four seconds from here.
    let mut board = Board::plug_in(&link, u32::MAX - 4_000);
    let clock = Moved::new(0, "first");
    let recorder = Recorder::start_by(clock.clone(), &job, &record);
    board.wait_for_host();
    board.hello();
    board.samples(180);
    clock.step_wall(3 * 3_600);
    board.samples(100);
    clock.step_wall(-6 * 3_600);
    board.samples(100);
    // Summer time ends: the time zone's affair, the host's clock does not move. Then somebody sets it by an hour all the same.
    clock.step_wall(3_600);
    board.samples(100);
    board.wait_until_recorded(&record);
    clock.suspend(3_600);
    board.leap(3_600);
    board.wait_for_host();
    board.samples(100);
    board.wait_until_recorded(&record);
    recorder.stop();
    // A power cut of the host; the board runs on. The host comes back two days behind, and the network sets it right.
    board.silence(50);
    let clock = Moved::new(-2 * 86_400 * 1_000_000, "second");
    let recorder = Recorder::start_by(clock.clone(), &job, &record);
    board.wait_for_host();
    board.samples(150);
    clock.step_wall(2 * 86_400);
    board.samples(100);
    board.wait_until_recorded(&record);
    recorder.stop();

    let (times, board_ms) = (numbers(&record, "time"), numbers(&record, "board_ms"));
    assert_eq!(times.len() as u64, board.recorded, "every sample is there");
    let mut worst_us = 0;
    for (time, ms) in times.windows(2).zip(board_ms.windows(2)) {
        assert!(
            time[1] >= time[0] && ms[1] > ms[0],
            "it goes back: {time:?} {ms:?}"
        );
        worst_us = worst_us.max(((time[1] - time[0]) - (ms[1] - ms[0]) * 1_000).abs());
    }
    println!("worst duration from one sample to the next: {worst_us} µs off");
    // Sleeping and opening ports takes this test's board a little longer than its own clock says, never less.
    assert!(worst_us < 100_000, "{worst_us} µs");
    let kinds = column(&record, "events", "kind");
    let details = column(&record, "events", "detail");
    let steps: Vec<&str> = kinds
        .iter()
        .zip(&details)
        .filter(|(kind, _)| *kind == "clock-step")
        .map(|(_, detail)| detail.rsplit("by ").next().unwrap())
        .collect();
    println!("{steps:?}");
    // Two days behind, against a clock that had been set two hours back and an hour of sleep forward.
    let expected = [
        10_800.0,
        -21_600.0,
        3_600.0,
        -172_800.0 + 3_600.0,
        172_800.0,
    ];
    assert_eq!(steps.len(), expected.len(), "{steps:?}");
    for (step, s) in steps.iter().zip(expected) {
        let said: f64 = step.split(' ').next().unwrap().parse().unwrap();
        assert!((said - s).abs() < 1.0, "{step} where {s} was: {steps:?}");
    }
    let lost = named(&record);
    println!("{lost:?}");
    assert!(
        lost.iter()
            .any(|(_, lost)| (180_000..180_500).contains(lost)),
        "an hour asleep: {lost:?}"
    );
    assert_verifies(&record);
}
