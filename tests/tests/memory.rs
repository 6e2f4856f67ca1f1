//! Memory stays where it is whatever a board says, and for however long: measured as resident memory of this program, which
//! holds this one test so that nothing else is in it.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::fs;
use std::io::Write;

use common::Scratch;
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Framed, Framer, Table, line};
use nightclamp_tests::BEGIN_US;
use nightclamp_tests::hostile::JOB;

/// Bytes of each hostile stream: kept whole, one of them would be seen.
const STREAM_BYTES: usize = 24 << 20;
/// What resident memory may grow by over one of them, bytes.
const GROWTH_BYTES_MAX: u64 = 10 << 20;
/// Bytes of one line without end, compressed into a small file.
const ENDLESS_BYTES: usize = 256 << 20;
/// What reading it back may take, buffers of the archive included, bytes.
const READING_BYTES_MAX: u64 = 48 << 20;

/// Resident memory of this process, bytes.
fn resident() -> u64 {
    let status = fs::read_to_string("/proc/self/status").unwrap();
    let line = status
        .lines()
        .find(|line| line.starts_with("VmRSS:"))
        .unwrap();
    line.split_whitespace()
        .nth(1)
        .unwrap()
        .parse::<u64>()
        .unwrap()
        << 10
}

/// Counts rows and keeps none.
#[derive(Default)]
struct Counting {
    rows: u64,
}

impl Sink for Counting {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {
        self.rows += 1;
    }
    fn event(&mut self, _: &str, _: EventRow) {
        self.rows += 1;
    }
    fn cycle(&mut self, _: &str, _: CycleRow) {
        self.rows += 1;
    }
}

/// Lines of a raw log from the `n`th round of a board that does not behave.
type Round = fn(u32) -> String;

fn stamped(n: u32, bodies: &[String]) -> String {
    let at_us = BEGIN_US + i64::from(n) * 100_000;
    bodies
        .iter()
        .map(|body| format!("@{at_us} {}", line(body)))
        .collect()
}

fn set(id: u32, boot: u32, period_ms: u32, place: &str) -> Vec<String> {
    vec![
        format!("H 1 {id:08x} {boot} 2 {period_ms} refboard-1"),
        format!("C 0 current A -3 {place} ct"),
        "C 1 current A -3 other ct".to_owned(),
    ]
}

fn sample(n: u32, a: u32, b: u32) -> String {
    format!("S {} {} {a} {b}", n % 65_536, n.wrapping_mul(100))
}

const OURS: u32 = 0x7f3a_91c2;

/// The first round says who it is, the others what they say.
fn after_hello(n: u32, bodies: &[String]) -> String {
    if n == 0 {
        stamped(n, &set(OURS, 18, 100, "common"))
    } else {
        stamped(n, bodies)
    }
}

/// Every stream that would fill the memory of a reader that trusts its board.
const STREAMS: [(&str, Round); 14] = [
    ("another table with every line", |n| {
        stamped(
            n,
            &[set(OURS, 18, 100, &format!("p{n}")), vec![sample(n, 0, 0)]].concat(),
        )
    }),
    ("the two same tables by turns", |n| {
        stamped(
            n,
            &[
                set(OURS, 18, 100, ["common", "case"][n as usize % 2]),
                vec![sample(n, 0, 0)],
            ]
            .concat(),
        )
    }),
    ("another id with every hello", |n| {
        stamped(
            n,
            &[set(n, 1, 100, "common"), vec![sample(n, 0, 0)]].concat(),
        )
    }),
    ("another boot with every hello", |n| {
        stamped(
            n,
            &[
                set(OURS, u32::MAX - n, 100, "common"),
                vec![sample(7, 0, 0)],
            ]
            .concat(),
        )
    }),
    ("a hello and never a channel", |n| {
        stamped(n, &[format!("H 1 7f3a91c2 {n} 12 100 f"), sample(n, 0, 0)])
    }),
    ("samples and never a hello", |n| {
        stamped(n, &[sample(n, 0, 0)])
    }),
    ("marks", |n| {
        after_hello(n, &["N 5 mark".to_owned(), sample(n, 0, 0)])
    }),
    ("faults in other words each", |n| {
        after_hello(n, &[format!("N 5 fault {n} {}", "y".repeat(150))])
    }),
    ("a clock that stands still", |n| {
        after_hello(n, &[format!("S {} 500 9000 9000", n % 65_536)])
    }),
    ("a clock that goes back with every line", |n| {
        after_hello(n, &[format!("S 1 {} 9000 9000", u32::MAX - n)])
    }),
    ("a period of seven weeks", |n| {
        if n == 0 {
            stamped(n, &set(OURS, 18, u32::MAX, "common"))
        } else {
            stamped(n, &[sample(n, 9000, 9000)])
        }
    }),
    ("a current that never ends", |n| {
        after_hello(n, &[sample(n, 9000 + n % 50, 9000 + n % 50)])
    }),
    ("a current on and off with every other sample", |n| {
        after_hello(n, &[sample(n, n / 2 % 2 * 12_000, n / 3 % 2 * 12_000)])
    }),
    ("nothing that is a line", |n| {
        format!("{n} \u{0}\u{7f}#@{n}\n@ x\n#\n@{n} ~\n")
    }),
];

fn stream(name: &str, round: Round) {
    let mut projection = Projection::new(Job::parse(JOB, "job.toml").unwrap());
    let mut sink = Counting::default();
    let (mut fed, mut n, mut early) = (0, 0, 0);
    while fed < STREAM_BYTES {
        let mut chunk = String::with_capacity(70_000);
        while chunk.len() < 65_536 {
            chunk.push_str(&round(n));
            n += 1;
        }
        projection.feed(0, chunk.as_bytes(), &mut sink);
        fed += chunk.len();
        if early == 0 && fed > STREAM_BYTES / 8 {
            early = resident();
        }
    }
    let late = resident();
    let problems = projection
        .boards()
        .iter()
        .map(|board| board.problems.len())
        .sum::<usize>();
    println!(
        "{name}: {n} rounds, {} rows, {} kB more",
        sink.rows,
        late.saturating_sub(early) >> 10
    );
    assert!(
        late < early + GROWTH_BYTES_MAX,
        "{name}: {early} bytes at first, {late} later"
    );
    assert!(problems <= 64, "{name}: {problems} problems");
}

fn endless_line_of_a_board() {
    let (mut framer, chunk, before) = (Framer::new(), vec![b'x'; 65_536], resident());
    let mut parts = 0;
    for _ in 0..ENDLESS_BYTES / chunk.len() {
        framer.push(&chunk, |framed| {
            if let Framed::LongPart(part) = framed {
                parts += part.len();
            }
        });
    }
    assert_eq!((parts, framer.pending().len()), (ENDLESS_BYTES, 0));
    assert!(resident() < before + GROWTH_BYTES_MAX);
}

/// A few kilobytes that unpack to a line of a quarter of a gigabyte.
fn endless_line_of_a_file() {
    let scratch = Scratch::new("endless");
    let log = scratch.join("s.log.zst");
    let mut packed = zstd::Encoder::new(fs::File::create(&log).unwrap(), 1).unwrap();
    packed
        .write_all(format!("@{BEGIN_US} ").as_bytes())
        .unwrap();
    let chunk = vec![b'x'; 65_536];
    for _ in 0..ENDLESS_BYTES / chunk.len() {
        packed.write_all(&chunk).unwrap();
    }
    packed.finish().unwrap();
    let before = resident();
    let heart = Projection::new(Job::parse(JOB, "job.toml").unwrap());
    let report =
        nightclamp_archive::replay(&[log], JOB, heart, &scratch.join("record"), None).unwrap();
    let grown = resident().saturating_sub(before);
    println!("an endless line of a file: {} kB more", grown >> 10);
    assert_eq!((report.totals.samples, report.totals.cut_lines), (0, 1));
    assert!(grown < READING_BYTES_MAX, "{grown} bytes");
}

#[test]
fn memory_does_not_grow_with_what_a_board_says() {
    for (name, round) in STREAMS {
        stream(name, round);
    }
    endless_line_of_a_board();
    endless_line_of_a_file();
}
