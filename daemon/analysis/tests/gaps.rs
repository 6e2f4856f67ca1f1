//! Every sample a board counted is kept or named as lost, with why: nights in which everything that can go wrong does.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

use std::collections::BTreeMap;

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventKind, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table, line};

const JOB: &str = "[job]\nname = \"gaps\"\ntimezone = \"UTC\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n\
                   [unit.channels]\ncurrent = \"common\"\n";
/// 2026-11-25 18:00 UTC, µs.
const EVENING_US: i64 = 1_795_629_600_000_000;
const PERIOD_MS: i64 = 100;

#[derive(Default)]
struct Rows {
    /// Samples kept.
    kept: u64,
    events: Vec<EventRow>,
}

impl Sink for Rows {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {
        self.kept += 1;
    }
    fn event(&mut self, _: &str, row: EventRow) {
        self.events.push(row);
    }
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// A board and a recorder by hand: what is said is recorded as long as both are there.
struct Night {
    raw: String,
    now_ms: i64,
    boot: u32,
    boot_ms: i64,
    seq: u64,
    /// Of each boot: samples counted in all when the last was kept, samples before the first kept.
    counted: BTreeMap<u32, (u64, u64)>,
}

impl Night {
    fn new() -> Self {
        let mut night = Self {
            raw: format!("#{EVENING_US} began wall={EVENING_US} boot=5000000 host-boot=h1\n"),
            now_ms: 0,
            boot: 7,
            boot_ms: 0,
            seq: 0,
            counted: BTreeMap::new(),
        };
        night.start();
        night.hello();
        night
    }

    fn wall_us(&self) -> i64 {
        EVENING_US + self.now_ms * 1000
    }

    fn note(&mut self, text: &str) {
        self.raw += &format!("#{} {text}\n", self.wall_us());
    }

    fn clock(&mut self) {
        self.note(&format!(
            "clock boot={} host-boot=h1",
            5_000_000 + self.now_ms * 1000
        ));
    }

    fn start(&mut self) {
        self.note("started version=1");
        self.note("opened port=/dev/ttyACM0");
        self.clock();
    }

    fn said(&mut self, body: &str) {
        self.raw += &format!("@{} {}", self.wall_us() + 2_000, line(&body));
    }

    fn hello(&mut self) {
        let boot = self.boot;
        self.said(&format!("H 1 7f3a91c2 {boot} 1 {PERIOD_MS} t"));
        self.said("C 0 current A -3 common ct");
    }

    /// A sample period passes; gives the sample's line.
    fn period(&mut self) -> String {
        self.now_ms += PERIOD_MS;
        let body = format!("S {} {} 3", self.seq % 65_536, self.now_ms - self.boot_ms);
        self.seq += 1;
        body
    }

    fn sample(&mut self) {
        let before = self.seq;
        let body = self.period();
        self.said(&body);
        let counted = self.counted.entry(self.boot).or_insert((0, before));
        counted.0 = self.seq;
    }

    fn samples(&mut self, count: usize) {
        (0..count).for_each(|_| self.sample());
    }

    /// Sample periods of which nothing arrives.
    fn silence(&mut self, periods: usize) {
        for _ in 0..periods {
            self.period();
        }
    }

    fn damaged(&mut self, periods: usize) {
        for _ in 0..periods {
            let body = self.period();
            let spoilt = line(&body).to_string().replacen(' ', "_", 1);
            self.raw += &format!("@{} {spoilt}", self.wall_us() + 2_000);
        }
    }

    fn board_boots(&mut self, off_ms: i64) {
        self.now_ms += off_ms;
        (self.boot, self.boot_ms, self.seq) = (self.boot + 1, self.now_ms, 0);
    }

    fn projected(&self) -> Rows {
        let (mut projection, mut rows) = (
            Projection::new(Job::parse(JOB, "job.toml").unwrap()),
            Rows::default(),
        );
        projection.feed(0, self.raw.as_bytes(), &mut rows);
        projection.finish(&mut rows);
        rows
    }
}

/// The number in front of `words` in a detail.
fn number(detail: &str, words: &str) -> Option<u64> {
    let before = &detail[..detail.find(words)?];
    before.trim_end().rsplit(' ').next()?.parse().ok()
}

/// Losses that the events name, and by which causes.
fn named(events: &[EventRow]) -> (u64, Vec<String>) {
    let told = events
        .iter()
        .filter(|event| matches!(event.kind, EventKind::GapEnd | EventKind::Loss));
    let mut sum = 0;
    let mut causes = Vec::new();
    for event in told {
        sum += number(&event.detail, "samples lost").unwrap();
        causes.push(event.detail.split(':').next().unwrap().to_owned());
    }
    (sum, causes)
}

/// The identity: over all boots, counted = kept + named.
#[track_caller]
fn assert_identity(night: &Night) -> Vec<String> {
    let rows = night.projected();
    let first_lead = night.counted.values().next().unwrap().1;
    let counted: u64 = night
        .counted
        .values()
        .map(|(counted, _)| counted)
        .sum::<u64>()
        - first_lead;
    let (lost, causes) = named(&rows.events);
    let told: Vec<_> = rows.events.iter().map(|e| (e.kind, &e.detail)).collect();
    assert_eq!(rows.kept + lost, counted, "{told:#?}");
    causes
}

#[test]
fn each_kind_of_gap_says_its_cause_and_how_many_samples_it_cost() {
    type Kind = (&'static str, u64, fn(&mut Night));
    let kinds: [Kind; 9] = [
        ("nothing-came", 20, |n| n.silence(20)),
        ("line-damage", 12, |n| n.damaged(12)),
        ("unplugged", 33, |n| {
            n.note("lost reason=the port closed (unplugged?)");
            n.silence(33);
            n.note("opened port=/dev/ttyACM0");
            n.clock();
        }),
        ("recorder-down", 50, |n| {
            n.note("stopped");
            n.silence(50);
            n.start();
        }),
        // Killed: nobody said that it stopped.
        ("recorder-down", 41, |n| {
            n.silence(41);
            n.start();
        }),
        ("disk", 30, |n| {
            n.silence(30);
            n.note("dropped bytes=1800");
        }),
        // Longer than the counter counts: 70,000 periods.
        ("nothing-came", 70_000, |n| {
            n.silence(70_000);
            n.clock();
        }),
        // Unplugged, and the recorder stopped while it was: what was first is the cause.
        ("unplugged", 60, |n| {
            n.note("lost reason=gone");
            n.silence(30);
            n.note("stopped");
            n.silence(30);
            n.start();
        }),
        // Two damaged lines are no gap and are named all the same.
        ("line-damage", 2, |n| n.damaged(2)),
    ];
    for (cause, lost, happens) in kinds {
        let mut night = Night::new();
        night.samples(100);
        happens(&mut night);
        night.samples(100);
        assert_eq!(assert_identity(&night), [cause]);
        let (sum, _) = named(&night.projected().events);
        assert_eq!(sum, lost, "{cause}");
    }
}

#[test]
fn across_a_restart_of_the_board_the_new_boots_loss_is_exact_and_the_old_ones_is_bounded() {
    let mut night = Night::new();
    night.samples(100);
    // Eight periods that the board counted and nobody will ever know of, then 2.3 s without power.
    night.silence(8);
    night.board_boots(2_300);
    night.silence(5);
    night.hello();
    night.samples(100);
    night.counted.insert(7, (100, 0));
    assert_eq!(assert_identity(&night), ["board-restarted"]);
    let events = night.projected().events;
    let end = events.iter().find(|e| e.kind == EventKind::GapEnd).unwrap();
    assert_eq!(number(&end.detail, "samples lost since"), Some(5));
    let most = number(&end.detail, "before the restart").unwrap();
    assert!((8..=33).contains(&most), "{}", end.detail);
}

/// A small deterministic source of numbers (xorshift).
struct Dice(u64);

impl Dice {
    fn below(&mut self, sides: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) % sides
    }
}

#[test]
fn kept_and_named_are_what_was_counted_in_two_hundred_nights_of_everything() {
    let mut kinds: BTreeMap<String, u64> = BTreeMap::new();
    for seed in 1..=200u64 {
        let mut dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        let mut night = Night::new();
        night.samples(50);
        for _ in 0..12 {
            let some = dice.below(60) as usize + 1;
            match dice.below(8) {
                0 => night.silence(some),
                1 => night.damaged(some % 7),
                2 => {
                    night.note("lost reason=gone");
                    night.silence(some);
                    night.note("opened port=p");
                    night.clock();
                }
                3 => {
                    night.note("stopped");
                    night.silence(some);
                    night.start();
                }
                4 => {
                    night.silence(some * 2_000);
                    night.clock();
                }
                5 => {
                    night.silence(some);
                    night.note("dropped bytes=9");
                }
                6 => {
                    night.board_boots(some as i64 * 100 + 37);
                    night.silence(some % 9);
                    night.hello();
                }
                _ => night.start(),
            }
            night.samples(dice.below(80) as usize + 1);
        }
        for cause in assert_identity(&night) {
            *kinds.entry(cause).or_default() += 1;
        }
    }
    println!("events by cause: {kinds:?}");
    assert_eq!(kinds.len(), 6, "every cause occurs: {kinds:?}");
}
