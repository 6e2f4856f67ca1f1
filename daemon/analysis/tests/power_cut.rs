//! The host's clock after a power cut, with no battery to keep it: what record time makes of it.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventKind, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table, line};

const JOB: &str = "[job]\nname = \"cut\"\ntimezone = \"UTC\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n\
                   [unit.channels]\ncurrent = \"common\"\n";
/// 2026-11-25 18:00 UTC, µs.
const EVENING_US: i64 = 1_795_629_600_000_000;
const S: i64 = 1_000_000;
const DAY: i64 = 86_400 * S;

#[derive(Default)]
struct Rows {
    /// Record time, boot and board clock (µs) of every sample.
    samples: Vec<(i64, u32, i64)>,
    events: Vec<EventRow>,
}

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, row: &SampleRow<'_>) {
        let board_us = i64::try_from(row.board_ms).unwrap() * 1_000;
        self.samples.push((row.time, row.boot, board_us));
    }
    fn event(&mut self, _: &str, row: EventRow) {
        self.events.push(row);
    }
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// A host and a board on true time, and the log.
struct Site {
    raw: String,
    true_us: i64,
    /// The host's wall clock minus true time.
    off_us: i64,
    host_boot: u32,
    host_boot_us: i64,
    board_boot: u32,
    board_boot_us: i64,
}

impl Site {
    fn new() -> Self {
        let mut site = Self {
            raw: format!("#{EVENING_US} began wall={EVENING_US} boot=0 host-boot=h1\n"),
            true_us: EVENING_US,
            off_us: 0,
            host_boot: 1,
            host_boot_us: EVENING_US,
            board_boot: 7,
            board_boot_us: EVENING_US,
        };
        site.start();
        site.hello();
        site
    }

    fn note(&mut self, text: &str) {
        self.raw += &format!("#{} {text}\n", self.true_us + self.off_us);
    }

    fn clock(&mut self) {
        let boot_us = self.true_us - self.host_boot_us;
        self.note(&format!(
            "clock boot={boot_us} host-boot=h{}",
            self.host_boot
        ));
    }

    fn start(&mut self) {
        self.note("started version=1");
        self.note("opened port=p");
        self.clock();
    }

    fn said(&mut self, body: &str) {
        self.raw += &format!("@{} {}", self.true_us + self.off_us + 2_000, line(&body));
    }

    fn hello(&mut self) {
        self.said(&format!("H 1 7f3a91c2 {} 1 100 t", self.board_boot));
        self.said("C 0 current A -3 common ct");
    }

    fn samples_for(&mut self, seconds: i64) {
        for k in 1..=seconds * 10 {
            self.true_us += 100_000;
            let ms = (self.true_us - self.board_boot_us) / 1_000;
            self.said(&format!("S {} {ms} 3", (ms / 100 - 1) % 65_536));
            if k % 600 == 0 {
                self.clock();
            }
        }
    }

    /// The host loses power for `seconds` and comes back with its clock `behind_us` behind; the board, too, if it `boots`.
    fn power_cut(&mut self, seconds: i64, behind_us: i64, boots: bool) {
        self.true_us += seconds * S;
        self.off_us = -behind_us;
        self.host_boot += 1;
        self.host_boot_us = self.true_us - 20 * S;
        self.start();
        if boots {
            self.board_boot += 1;
            self.board_boot_us = self.true_us;
            self.said("N 0 boot power-on");
            self.hello();
        }
    }

    /// The network is back and sets the clock right.
    fn set_right(&mut self) {
        self.off_us = 0;
        self.clock();
    }

    fn projected(&self) -> Rows {
        let mut rows = Rows::default();
        let mut projection = Projection::new(Job::parse(JOB, "job.toml").unwrap());
        projection.feed(0, self.raw.as_bytes(), &mut rows);
        projection.finish(&mut rows);
        rows
    }
}

/// Record time never goes back, and within a boot of the board it is as long as the board says, to 60 ms.
#[track_caller]
fn assert_true_durations(what: &str, rows: &Rows) {
    for pair in rows.samples.windows(2) {
        let ((time, boot, board), (next_time, next_boot, next_board)) = (pair[0], pair[1]);
        assert!(next_time >= time, "{what}: it goes back at {board}");
        if boot == next_boot {
            let off_us = (next_time - time) - (next_board - board);
            assert!(
                off_us.abs() < 60_000,
                "{what}: {off_us} µs too long at {board} of boot {boot}"
            );
        }
    }
}

#[test]
fn a_host_that_comes_back_with_its_clock_days_off_shifts_nothing_and_shortens_nothing() {
    for (what, behind_us, boots) in [
        ("two days behind, board on its own supply", 2 * DAY, false),
        ("two days behind, board restarted", 2 * DAY, true),
        (
            "at 1970 or thereabouts, board restarted",
            EVENING_US - DAY,
            true,
        ),
        ("two days ahead, board on its own supply", -2 * DAY, false),
        ("two days ahead, board restarted", -2 * DAY, true),
        ("right, board restarted", 0, true),
    ] {
        let mut site = Site::new();
        site.samples_for(300);
        site.power_cut(600, behind_us, boots);
        site.samples_for(120);
        site.set_right();
        site.samples_for(300);
        let rows = site.projected();
        assert_true_durations(what, &rows);
        assert_eq!(rows.samples.len(), 7_200, "{what}: every sample is there");
        let ends: Vec<&str> = rows
            .events
            .iter()
            .filter(|event| event.kind == EventKind::GapEnd)
            .map(|event| event.detail.as_str())
            .collect();
        assert_eq!(ends.len(), 1, "{what}: {ends:?}");
        if !boots {
            // The board's own clock reaches across the cut.
            assert!(
                ends[0].contains("600.1 s") && ends[0].contains("6000 samples lost"),
                "{what}: {ends:?}"
            );
        } else {
            assert!(ends[0].contains("length unknown"), "{what}: {ends:?}");
        }
        println!("{what}: {}", ends[0]);
    }
}
