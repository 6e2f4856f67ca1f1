//! What must hold for any bytes at all: one function for each reader of bytes from outside, used by the fuzzers in
//! `tests/fuzz` and by the test `hostile`, which needs no fuzzer.
//!
//! Each takes a text that a fuzzer can grow and a person can read, and stops with an assertion if something does not hold.
//! A fuzzer cannot guess checksums: where a line ends in a bare `~`, its CRC is put there ([`with_crcs`]).

pub mod mutate;

use std::collections::BTreeMap;
use std::sync::OnceLock;

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::{Job, JobVersion};
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{
    BoardId, Framed, Framer, MAX_CHANNELS, MAX_LINE_BYTES, Outcome, Record, Session, Table,
    crc16_xmodem, decode, decode_command, line,
};

use crate::Rows;

/// A name, as of its fuzz target and its corpus, and what must hold.
pub type Target = (&'static str, fn(&[u8]));

/// Every target.
pub const TARGETS: [Target; 5] = [
    ("framing", framing),
    ("codec", codec),
    ("session", session),
    ("job", job),
    ("rawlog", rawlog),
];

/// Longest input that is looked at, bytes: what is beyond says nothing new and costs time.
const INPUT_BYTES_MAX: usize = 64 << 10;
/// Most messages about one job file.
const MESSAGES_MAX: usize = 100;

/// The text with the CRC put behind every line that ends in `~`. A line of a raw log is the board's after its stamp.
pub fn with_crcs(text: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len() + text.len() / 4);
    for (at, line) in text.split(|&byte| byte == b'\n').enumerate() {
        if at > 0 {
            out.push(b'\n');
        }
        out.extend_from_slice(line);
        let body = match nightclamp_analysis::rawlog::parse(line) {
            nightclamp_analysis::rawlog::Entry::Board { line, .. } => line,
            _ => line,
        };
        if let Some(body) = body.strip_suffix(b"~") {
            out.extend_from_slice(format!("{:04X}", crc16_xmodem(body)).as_bytes());
        }
    }
    out
}

/// Lines are the same for every way the bytes are cut, nothing is lost, and memory does not grow.
pub fn framing(bytes: &[u8]) {
    let (sizes, stream) = bytes.split_at(bytes.len().min(4));
    let (whole, rest) = framed([stream]);
    let mut pieces = Vec::new();
    let mut left = stream;
    for size in sizes.iter().cycle().map(|&size| usize::from(size) + 1) {
        if left.is_empty() {
            break;
        }
        let (piece, after) = left.split_at(size.min(left.len()));
        pieces.push(piece);
        left = after;
    }
    let (cut, rest_of_cut) = framed(pieces);
    assert_eq!(whole, cut, "other lines when cut");
    assert_eq!(rest, rest_of_cut, "another rest when cut");
    let mut together = whole.join(&b'\n');
    if !whole.is_empty() {
        together.push(b'\n');
    }
    together.extend(rest);
    assert!(together == stream, "bytes were lost or invented");
}

/// The whole lines, and what stands after the last of them.
fn framed<'a>(pieces: impl IntoIterator<Item = &'a [u8]>) -> (Vec<Vec<u8>>, Vec<u8>) {
    let (mut framer, mut lines, mut long) = (Framer::new(), Vec::new(), Vec::new());
    for piece in pieces {
        framer.push(piece, |framed| match framed {
            Framed::Line(line) => {
                assert!(line.len() <= MAX_LINE_BYTES && !line.contains(&b'\n'));
                lines.push(line.to_vec());
            }
            Framed::LongPart(part) => long.extend_from_slice(part),
            Framed::LongEnd(part) => {
                long.extend_from_slice(part);
                assert!(long.len() > MAX_LINE_BYTES);
                lines.push(std::mem::take(&mut long));
            }
        });
        assert!(framer.pending().len() <= MAX_LINE_BYTES);
        assert_eq!(framer.in_long_line(), !long.is_empty());
    }
    long.extend_from_slice(framer.pending());
    (lines, long)
}

/// A line is refused in words, or is a record that means the same when it is written and read again.
pub fn codec(bytes: &[u8]) {
    for text in [bytes.to_vec(), with_crcs(bytes)] {
        match decode(&text) {
            Ok(record) => {
                let written = line(record).to_string();
                let again = decode(written.trim_end_matches('\n').as_bytes());
                assert_eq!(again, Ok(record), "{written:?}");
                assert!(written.len() <= MAX_LINE_BYTES && written.is_ascii());
            }
            Err(refusal) => assert!(!refusal.to_string().is_empty() && !refusal.name().is_empty()),
        }
        if let Ok(command) = decode_command(&text) {
            let written = line(command).to_string();
            let again = decode_command(written.trim_end_matches('\n').as_bytes());
            assert_eq!(again, Ok(command), "{written:?}");
        }
    }
}

/// A channel table is whole and in its limits whatever lines come; a sample is given to it only if it fits.
/// Each line is `SECONDS BODY~`, as in the vectors of streams.
pub fn session(bytes: &[u8]) {
    let mut session = Session::new();
    for entry in bytes.split(|&byte| byte == b'\n') {
        let mut parts = entry.splitn(2, |&byte| byte == b' ');
        let stamp = parts.next().and_then(|text| std::str::from_utf8(text).ok());
        let arrival_us = stamp
            .and_then(|text| text.parse::<i64>().ok())
            .map_or(0, |s| s.saturating_mul(1_000_000));
        let text = with_crcs(parts.next().unwrap_or_default());
        if let Ok(record) = decode(&text) {
            let outcome = session.accept(&record, arrival_us);
            check_outcome(outcome, &record, session.table());
        }
    }
}

fn check_outcome(outcome: Outcome, record: &Record<'_>, table: Option<&Table>) {
    if let Some(table) = table {
        let places: Vec<&str> = table.channels().iter().map(|c| c.place()).collect();
        let unique = places
            .iter()
            .enumerate()
            .all(|(at, place)| !places.iter().skip(at + 1).any(|other| other == place));
        assert!((1..=MAX_CHANNELS).contains(&places.len()) && unique);
        assert!(places.iter().all(|place| !place.is_empty()) && !table.firmware().is_empty());
    }
    match outcome {
        Outcome::Sample => {
            let Record::Sample(sample) = record else {
                unreachable!("{record:?} is no sample")
            };
            assert!(table.is_some_and(|table| table.fits(sample)));
        }
        Outcome::Waiting | Outcome::SampleOfNewBoot | Outcome::BootBegun => {
            assert!(table.is_none());
        }
        Outcome::TableBegun(_) => assert!(table.is_some()),
        Outcome::Refused(refusal) => assert!(!refusal.to_string().is_empty()),
        Outcome::Repeated | Outcome::Nothing => {}
    }
}

/// A job file is read, or refused with a bounded number of messages of one line each, about lines that it has and without
/// anything in them that commands a terminal. One that is read can be worked with.
pub fn job(bytes: &[u8]) {
    let lines = 1 + bytes.iter().filter(|&&byte| byte == b'\n').count();
    match Job::parse_bytes(bytes, "job.toml") {
        Ok(job) => {
            assert!(!job.name.chars().any(char::is_control));
            let projection = Projection::new(job);
            assert_eq!(projection.units().len(), projection.job().units.len());
        }
        Err(error) => {
            assert!((1..=MESSAGES_MAX).contains(&error.problems.len()));
            for problem in &error.problems {
                assert!((1..=lines).contains(&problem.line), "{problem:?}");
                assert!(!problem.what.is_empty());
            }
            let text = error.to_string();
            assert!(text.lines().count() == error.problems.len(), "{text:?}");
            let unfit = |c: char| (c.is_control() && c != '\n') || is_turning(c);
            assert!(!text.contains(unfit), "{text:?}");
        }
    }
}

/// Characters that turn the direction of what follows, or end a line where a terminal does not expect it.
fn is_turning(c: char) -> bool {
    matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// The job under which hostile raw logs are projected: one compressor on its own lead with everything wired, one on an
/// appliance's lead, two boards.
pub const JOB: &str = r#"
[job]
name = "Anything"
timezone = "Europe/Lisbon"
[[board]]
id = "7f3a91c2"
[board.ntc.box]
beta_k = 3950
r25_ohm = 10000
[[board]]
id = "00c0ffee"
[[unit]]
name = "freezer"
board = "7f3a91c2"
rated_load_a = 1.9
locked_rotor_a = 12.4
[unit.channels]
current = "common"
case = "case"
ambient = "ambient"
supply = "supply"
demand = "demand"
dome = "dome"
box = "box"
[unit.protector]
kind = "external-strip"
opens_c = 120
longest_trip_s = 60
heating_c_per_a2 = 0.62
heating_tau_s = 9
[[unit]]
name = "cooler"
board = "7f3a91c2"
clamp_on = "appliance"
[unit.channels]
current = "other"
"#;

/// Job files that a log's notes may put into force: `job file=job-0001.toml sha256=a`, then `b` (other turns through the
/// clamp, another disc), then `c` (other boards and units).
fn versions() -> &'static [JobVersion] {
    static VERSIONS: OnceLock<Vec<JobVersion>> = OnceLock::new();
    VERSIONS.get_or_init(|| {
        let turned = JOB
            .replacen("locked_rotor_a", "clamp_turns = 5\nlocked_rotor_a", 1)
            .replacen("tau_s = 9", "tau_s = 20", 1);
        let other = JOB
            .replace("\"freezer\"", "\"freezer-2\"")
            .replace("7f3a91c2", "0000000a");
        let texts = [JOB.to_owned(), turned, other];
        let read = |(at, text): (usize, String)| {
            Some(JobVersion {
                file: format!("job-{:04}.toml", at + 1),
                sha256: ["a", "b", "c"].get(at)?.to_string(),
                job: Job::parse(&text, "job.toml").ok()?,
            })
        };
        texts.into_iter().enumerate().filter_map(read).collect()
    })
}

/// A raw log of any bytes is projected: time never goes backwards, rows are no more than lines can give, and cut into
/// pieces at its lines it gives the same. A text that begins with `%` is a bare dump.
pub fn rawlog(bytes: &[u8]) {
    let bytes = bytes.get(..INPUT_BYTES_MAX).unwrap_or(bytes);
    let (bare, text) = match bytes.strip_prefix(b"%") {
        Some(rest) => (true, with_crcs(rest)),
        None => (false, with_crcs(bytes)),
    };
    let lines: Vec<&[u8]> = text.split_inclusive(|&byte| byte == b'\n').collect();
    let whole = projected(&[&text], bare);
    let step = 1 + bytes.len() % 7;
    let pieces: Vec<Vec<u8>> = lines.chunks(step).map(<[&[u8]]>::concat).collect();
    let pieces: Vec<&[u8]> = pieces.iter().map(Vec::as_slice).collect();
    let cut = projected(&pieces, bare);
    assert!(
        whole == cut,
        "other rows when cut every {step} lines:\n{whole:?}\n{cut:?}"
    );
    whole.check(lines.len());
}

#[derive(Debug, PartialEq)]
struct Projected {
    rows: Rows,
    status: String,
}

impl Projected {
    fn check(&self, lines: usize) {
        let times_forward =
            |samples: &Vec<crate::Sampled>| samples.windows(2).all(|two| two[0].0 <= two[1].0);
        assert!(
            self.rows.samples.values().all(times_forward),
            "time went backwards"
        );
        assert!(
            self.rows.samples.values().map(Vec::len).sum::<usize>() <= lines,
            "samples that nobody sent"
        );
        let events: usize = self.rows.events.values().map(Vec::len).sum();
        let cycles: usize = self.rows.cycles.values().map(Vec::len).sum();
        assert!(
            events <= 8 * lines + 16 && cycles <= 2 * lines + 4,
            "{lines} lines: {events} events, {cycles} cycles"
        );
    }
}

fn projected(pieces: &[&[u8]], bare: bool) -> Projected {
    let [first, second, third] = versions() else {
        unreachable!("the job files of these tests are good")
    };
    let mut projection = Projection::under(first.clone(), vec![second.clone(), third.clone()]);
    let mut rows = Strict::default();
    for piece in pieces {
        if bare {
            projection.feed_bare(0, crate::BEGIN_US, piece, &mut rows);
        } else {
            projection.feed(0, piece, &mut rows);
        }
        projection.open_rows(|unit, _, _| assert!(!unit.is_empty()));
    }
    let status = format!("{:?} {:?}", projection.units(), projection.boards());
    projection.finish(&mut rows);
    Projected {
        rows: rows.kept,
        status,
    }
}

/// Keeps rows, and holds that a sample has the columns of the table that its board was given last.
#[derive(Default)]
struct Strict {
    kept: Rows,
    channels: BTreeMap<BoardId, usize>,
}

impl Sink for Strict {
    fn table(&mut self, table: &Table) {
        self.channels.insert(table.id, table.channels().len());
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        assert_eq!(self.channels.get(&board), Some(&row.values.len()));
        assert_eq!(row.readings.len(), row.values.len());
        self.kept.sample(board, row);
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        self.kept.event(unit, row);
    }

    fn cycle(&mut self, unit: &str, row: CycleRow) {
        self.kept.cycle(unit, row);
    }
}
