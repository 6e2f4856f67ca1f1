//! What a faulty board, or a log that somebody made up, cannot do: fill the memory, stop the program, hide the other boards.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a failed test has to stop"
)]

use std::collections::BTreeSet;

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table, line};

/// 2026-11-25 18:00 UTC, µs.
const BEGIN_US: i64 = 1_795_629_600_000_000;
const JOB: &str = "[job]\nname = \"Freezer\"\ntimezone = \"UTC\"\n[[unit]]\nname = \"freezer\"\nboard = \"7f3a91c2\"\n\
    channels.current = \"common\"\n[[unit]]\nname = \"cooler\"\nboard = \"7f3a91c2\"\nchannels.current = \"other\"\n";

#[derive(Default)]
struct Seen {
    places: BTreeSet<String>,
    boards: BTreeSet<BoardId>,
    times: Vec<i64>,
    cycles: usize,
}

impl Sink for Seen {
    fn table(&mut self, table: &Table) {
        let places = table.channels().iter().map(|c| c.place().to_owned());
        self.places.extend(places);
        self.boards.insert(table.id);
    }
    fn sample(&mut self, _: BoardId, row: &SampleRow<'_>) {
        self.times.push(row.time);
    }
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, _: CycleRow) {
        self.cycles += 1;
    }
}

fn projection() -> Projection {
    Projection::new(Job::parse(JOB, "job.toml").unwrap())
}

/// Lines of a board from their bodies, a second apart, as a recorder keeps them.
fn log(bodies: impl IntoIterator<Item = String>) -> Vec<u8> {
    let stamped =
        |(at, body): (i64, String)| format!("@{} {}", BEGIN_US + at * 1_000_000, line(body));
    (0..)
        .zip(bodies)
        .map(stamped)
        .collect::<String>()
        .into_bytes()
}

/// A set of one channel, and a sample of it that is the board's `at`th.
fn set(id: u32, boot: u32, place: &str, at: u32) -> [String; 3] {
    [
        format!("H 1 {id:08x} {boot} 1 1000 f"),
        format!("C 0 current A -3 {place} ct"),
        format!("S {} {} 0", at % 65_536, at * 1000),
    ]
}

#[test]
fn a_board_that_names_new_places_with_every_table_gets_two_dozen() {
    let (mut projection, mut seen) = (projection(), Seen::default());
    let faulty = (0..1000).flat_map(|at| set(0x7f3a_91c2, 18, &format!("p{at}"), at));
    projection.feed(0, &log(faulty), &mut seen);
    let board = &projection.boards()[0];
    assert_eq!((seen.places.len(), board.undeclared), (24, 1000 - 24));
    assert!(board.problems.len() <= 32, "{:?}", board.problems);
    let told = "more than 24 different places in one record";
    assert!(board.problems.iter().any(|problem| problem.contains(told)));
    // What it had before it went wrong is still good.
    let sane = (1000..1010).flat_map(|at| set(0x7f3a_91c2, 19, "p3", at - 999));
    projection.feed(0, &log(sane), &mut seen);
    projection.finish(&mut seen);
    assert_eq!(seen.times.len(), 24 + 10);
}

#[test]
fn a_port_on_which_a_thousand_boards_speak_has_rows_of_the_jobs_board_and_four_more() {
    let (mut projection, mut seen) = (projection(), Seen::default());
    let strangers = (1..=1000).flat_map(|at| set(at, 1, "common", at));
    projection.feed(0, &log(strangers), &mut seen);
    let told = "more than 4 boards that the job file does not name have spoken on this port";
    let status = projection.boards();
    assert!(
        status[0]
            .problems
            .iter()
            .any(|problem| problem.contains(told))
    );
    assert_eq!(status[0].undeclared, 1000 - 4);
    let ours = (0..10).flat_map(|at| set(0x7f3a_91c2, 18, "common", 1 + at));
    projection.feed(0, &log(ours), &mut seen);
    projection.finish(&mut seen);
    assert_eq!((seen.boards.len(), seen.times.len()), (5, 4 + 10));
}

#[test]
fn four_billion_boots_are_as_good_as_one() {
    let (mut projection, mut seen) = (projection(), Seen::default());
    let boots = (0..500).flat_map(|at| set(0x7f3a_91c2, u32::MAX - at, "common", 7));
    projection.feed(0, &log(boots), &mut seen);
    projection.finish(&mut seen);
    assert_eq!((seen.times.len(), seen.cycles), (500, 0));
    assert!(projection.boards()[0].problems.len() <= 32);
}

#[test]
fn a_board_whose_clock_stands_still_is_recorded_and_not_judged() {
    let (mut projection, mut seen) = (projection(), Seen::default());
    let [hello, channel, _] = set(0x7f3a_91c2, 18, "common", 0);
    let stopped =
        (0..50_000).map(|seq| format!("S {} 5000 {}", seq % 65_536, 4000 * (seq / 20 % 2)));
    projection.feed(
        0,
        &log([hello, channel].into_iter().chain(stopped)),
        &mut seen,
    );
    projection.finish(&mut seen);
    assert_eq!((seen.times.len(), seen.cycles), (50_000, 0));
}

/// Stamps and notes of a log that somebody made up: whatever they say, sums and differences of instants fit, and time does
/// not go backwards. (Tests are built with overflow checked.)
#[test]
fn no_stamp_and_no_clock_note_is_too_far_off() {
    const STAMPS: [i64; 4] = [0, 1_000_000_000_000_000, BEGIN_US, 999_999_999_999_999_999];
    const BOOTS: [i64; 6] = [
        i64::MIN,
        -1_000_000_000_000_000_000,
        -1,
        0,
        BEGIN_US,
        i64::MAX,
    ];
    let pairs = STAMPS
        .iter()
        .flat_map(|one| BOOTS.iter().map(move |boot| (*one, *boot)));
    let pairs: Vec<(i64, i64)> = pairs.collect();
    let combinations = pairs.iter().flat_map(|(one, boot)| {
        pairs
            .iter()
            .map(move |(two, wall)| (*one, *boot, *two, *wall))
    });
    for (one, boot, two, wall) in combinations {
        let mut log = format!(
            "#{one} began wall={wall} boot={boot} host-boot=a\n#{one} clock boot={boot} host-boot=a\n"
        );
        let mut from = |at: i64, bodies: &[String]| {
            let lines = bodies.iter().map(|body| format!("@{at} {}", line(body)));
            log.extend(lines);
        };
        let samples = |from: u32, step_ms: u32| -> Vec<String> {
            let body = |at: u32| format!("S {at} {} {}", at.wrapping_mul(step_ms), at % 3 * 4000);
            (from..from + 12).map(body).collect()
        };
        from(one, &set(0x7f3a_91c2, 1, "common", 0));
        from(one, &samples(1, 1000));
        from(two, &samples(13, 1000));
        from(
            two,
            &[
                "N 4294967295 mark".to_owned(),
                "S 31 4294967295 1".to_owned(),
                "S 32 5 1".to_owned(),
                "N 0 mark".to_owned(),
            ],
        );
        from(two, &set(0x7f3a_91c2, 2, "common", 0));
        from(one, &samples(1, 1_000_000_007));
        log.push_str(&format!("#{two} clock boot={wall} host-boot=a\n#{one} stopped\n#{two} clock boot={boot} host-boot=b\n"));
        log.push_str(&format!("@{one} {}", line("H 1 7f3a91c2 3 1 4294967295 f")));
        log.push_str(&format!("@{one} {}", line("C 0 current A -3 common ct")));
        log.push_str(&format!("@{two} {}", line("S 1 7 9000")));
        log.push_str(&format!("#{two} mark here\n#{two} stopped\n"));
        let (mut projection, mut seen) = (projection(), Seen::default());
        projection.feed(0, log.as_bytes(), &mut seen);
        projection.finish(&mut seen);
        assert!(seen.times.is_sorted(), "{log}");
        assert!(seen.times.len() >= 30, "{log}");
    }
}
