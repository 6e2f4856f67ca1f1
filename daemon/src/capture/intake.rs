//! From the bytes of one port to the entries of its raw log. Does no I/O: the caller brings bytes and the time they came,
//! and takes [`Entry`]s away.
//!
//! Entries are of two kinds: what the board said, byte for byte, and our own notes. The stamp of the first is the host's
//! wall clock when the chunk that held the line's LF came. Our notes are:
//!
//! | note | when |
//! | --- | --- |
//! | `started version=V` | the recorder began |
//! | `clock boot=µs host-boot=ID` | at the start, at each opening, every 60 s, before the first line after a silence, and when the wall clock was moved by 0.1 s or more against the boot-time clock |
//! | `opened port=PATH` | the port was opened |
//! | `asked COMMAND` | a command went to the board |
//! | `lost reason=TEXT` | the port was lost; what was left of a line stands before it as a line |
//! | `job file=NAME sha256=HEX` | a job file holds from here |
//! | `stopped` | the recorder let go |

use nightclamp_protocol::{
    BoardId, Framed, Framer, Outcome, Record, Refusal, Session, TableChange, decode,
};

use super::baud::BaudWatch;
use super::entry::Entry;
use crate::clocks::Moment;
use crate::text::printable;

/// A clock note is written at least this often, µs.
const CLOCK_EVERY_US: i64 = 60_000_000;
/// ... and when wall minus boot-time clock moved by this much, µs.
const CLOCK_MOVED_US: i64 = 100_000;
/// Without lines for this long is a silence, µs, unless three sample periods are longer.
const SILENCE_US: i64 = 1_000_000;
/// Sample periods without a line that make a silence.
const SILENCE_PERIODS: i64 = 3;
/// How long a board has to say hello on its own after an opening, µs.
const HELLO_WAIT_US: i64 = 3_000_000;
/// How long after a question that brought no complete channel table it is asked again, µs.
const ASK_AGAIN_US: i64 = 10_000_000;
/// Bytes of a line without end that are held back for its stamp; what goes beyond is handed on at once.
const LONG_HELD_BYTES: usize = 65_536;

/// Something a person should hear of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Finding {
    /// A complete channel table is in force.
    Board {
        /// Who speaks.
        id: BoardId,
        /// Its boot count.
        boot: u32,
        /// Its channels.
        channels: usize,
        /// Whether it is the board the job file has on this port.
        expected: bool,
    },
    /// The board speaks another version of the protocol; its text names both.
    Version(String),
    /// Most of what comes is damaged.
    BaudLikelyWrong,
}

/// One port's bytes on their way into its raw log.
pub struct Intake {
    framer: Framer,
    rest: Lines,
}

/// Everything but the framer, which lends out its buffer while lines are taken.
struct Lines {
    host_boot_id: String,
    expected: BoardId,
    session: Session,
    long: Vec<u8>,
    long_is_open: bool,
    noted: Option<Moment>,
    line_boot_us: Option<i64>,
    opening: Option<Opening>,
    baud: BaudWatch,
    version_said: Option<u32>,
    findings: Vec<Finding>,
}

struct Opening {
    boot_us: i64,
    asked_boot_us: Option<i64>,
    has_table: bool,
}

impl Intake {
    /// For a port on which the job file has the board `expected`, on a host whose present boot is `host_boot_id`.
    pub fn new(expected: BoardId, host_boot_id: &str) -> Self {
        let rest = Lines {
            host_boot_id: host_boot_id.to_owned(),
            expected,
            session: Session::new(),
            long: Vec::new(),
            long_is_open: false,
            noted: None,
            line_boot_us: None,
            opening: None,
            baud: BaudWatch::default(),
            version_said: None,
            findings: Vec::new(),
        };
        Self {
            framer: Framer::new(),
            rest,
        }
    }

    /// The recorder begins, with the `version` of this program and the job file that holds from here (`file=.. sha256=..`).
    pub fn started(&mut self, now: Moment, version: &str, job: &str, out: &mut Vec<Entry>) {
        note(now, &format!("started version={version}"), out);
        note(now, &format!("job {job}"), out);
        self.rest.clock_note(now, out);
    }

    /// The port at `path` was opened.
    pub fn opened(&mut self, now: Moment, path: &str, out: &mut Vec<Entry>) {
        note(now, &format!("opened port={path}"), out);
        self.rest.clock_note(now, out);
        self.rest.opening = Some(Opening {
            boot_us: now.boot_us,
            asked_boot_us: None,
            has_table: false,
        });
        self.rest.baud = BaudWatch::default();
    }

    /// Bytes came. Lines they complete are stamped with `now`.
    pub fn chunk(&mut self, now: Moment, bytes: &[u8], out: &mut Vec<Entry>) {
        self.rest.before_lines(now, out);
        let rest = &mut self.rest;
        self.framer
            .push(bytes, |framed| rest.framed(now, framed, out));
        if rest.baud.chunk(now.boot_us, bytes.len()) {
            rest.findings.push(Finding::BaudLikelyWrong);
        }
    }

    /// Time passed, with or without bytes.
    pub fn tick(&mut self, now: Moment, out: &mut Vec<Entry>) {
        if self.rest.clock_note_is_due(now) {
            self.rest.clock_note(now, out);
        }
    }

    /// Whether the board has to be asked for its hello now.
    pub fn ask_is_due(&self, now: Moment) -> bool {
        let Some(opening) = &self.rest.opening else {
            return false;
        };
        if opening.has_table && self.rest.session.table().is_some() {
            return false;
        }
        match opening.asked_boot_us {
            None => now.boot_us - opening.boot_us >= HELLO_WAIT_US,
            Some(asked) => now.boot_us - asked >= ASK_AGAIN_US,
        }
    }

    /// The command `body` went to the board.
    pub fn asked(&mut self, now: Moment, body: &str, out: &mut Vec<Entry>) {
        if let Some(opening) = &mut self.rest.opening {
            opening.asked_boot_us = Some(now.boot_us);
        }
        note(now, &format!("asked {body}"), out);
    }

    /// The port was lost. What there is of a line is kept as a line, then the loss is noted.
    pub fn lost(&mut self, now: Moment, reason: &str, out: &mut Vec<Entry>) {
        self.flush_pending(now, out);
        note(now, &format!("lost reason={reason}"), out);
    }

    /// The recorder lets go.
    pub fn stopped(&mut self, now: Moment, out: &mut Vec<Entry>) {
        self.flush_pending(now, out);
        self.rest.clock_note(now, out);
        note(now, "stopped", out);
    }

    /// What a person should hear of, since the last call.
    pub fn take_findings(&mut self) -> Vec<Finding> {
        std::mem::take(&mut self.rest.findings)
    }

    fn flush_pending(&mut self, now: Moment, out: &mut Vec<Entry>) {
        let rest = &mut self.rest;
        rest.long.extend_from_slice(self.framer.pending());
        if !rest.long.is_empty() || rest.long_is_open {
            rest.end_long(now, out);
        }
        rest.opening = None;
        self.framer = Framer::new();
    }
}

impl Lines {
    fn before_lines(&mut self, now: Moment, out: &mut Vec<Entry>) {
        let heard = self
            .line_boot_us
            .into_iter()
            .chain(self.noted.map(|m| m.boot_us))
            .max();
        let is_silence = heard.is_none_or(|boot_us| now.boot_us - boot_us > self.silence_us());
        if is_silence || self.clock_note_is_due(now) {
            self.clock_note(now, out);
        }
    }

    fn silence_us(&self) -> i64 {
        let period_us = self
            .session
            .table()
            .map_or(0, |table| i64::from(table.period_ms) * 1_000);
        SILENCE_US.max(SILENCE_PERIODS * period_us)
    }

    fn clock_note_is_due(&self, now: Moment) -> bool {
        self.noted.is_none_or(|noted| {
            now.boot_us - noted.boot_us >= CLOCK_EVERY_US
                || (now.offset_us() - noted.offset_us()).abs() >= CLOCK_MOVED_US
        })
    }

    fn clock_note(&mut self, now: Moment, out: &mut Vec<Entry>) {
        note(
            now,
            &format!("clock boot={} host-boot={}", now.boot_us, self.host_boot_id),
            out,
        );
        self.noted = Some(now);
    }

    fn framed(&mut self, now: Moment, framed: Framed<'_>, out: &mut Vec<Entry>) {
        match framed {
            Framed::Line(line) => {
                out.push(Entry::Board(now.wall_us, line.to_vec()));
                self.read(now, line);
            }
            Framed::LongPart(part) => {
                self.long.extend_from_slice(part);
                if self.long.len() > LONG_HELD_BYTES {
                    out.push(Entry::Part(now.wall_us, std::mem::take(&mut self.long)));
                    self.long_is_open = true;
                }
            }
            Framed::LongEnd(part) => {
                self.long.extend_from_slice(part);
                self.end_long(now, out);
                self.line_boot_us = Some(now.boot_us);
            }
        }
    }

    fn end_long(&mut self, now: Moment, out: &mut Vec<Entry>) {
        let line = std::mem::take(&mut self.long);
        let was_open = std::mem::take(&mut self.long_is_open);
        out.push(if was_open {
            Entry::PartEnd(now.wall_us, line)
        } else {
            Entry::Board(now.wall_us, line)
        });
    }

    /// Listens to what the board says, for what has to be done about it; what is kept does not depend on it.
    fn read(&mut self, now: Moment, line: &[u8]) {
        self.line_boot_us = Some(now.boot_us);
        match decode(line) {
            Ok(record) => {
                self.baud.good(line.len());
                self.follow(now, &record);
            }
            Err(Refusal::Version(version)) => {
                self.baud.good(line.len());
                if self.version_said.replace(version) != Some(version) {
                    self.findings
                        .push(Finding::Version(Refusal::Version(version).to_string()));
                }
            }
            Err(_) => {}
        }
    }

    fn follow(&mut self, now: Moment, record: &Record<'_>) {
        let Outcome::TableBegun(change) = self.session.accept(record, now.wall_us) else {
            return;
        };
        let is_news =
            self.opening.as_ref().is_some_and(|o| !o.has_table) || change != TableChange::Confirmed;
        if let Some(opening) = &mut self.opening {
            opening.has_table = true;
        }
        if let Some(table) = self.session.table().filter(|_| is_news) {
            self.findings.push(Finding::Board {
                id: table.id,
                boot: table.boot,
                channels: table.channels().len(),
                expected: table.id == self.expected,
            });
        }
    }
}

fn note(now: Moment, text: &str, out: &mut Vec<Entry>) {
    out.push(Entry::Note(now.wall_us, printable(text)));
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightclamp_protocol::line;

    const ID: BoardId = BoardId(0x7f3a_91c2);

    /// An intake, the time, and everything it has handed out so far in one string a line.
    struct Bench {
        intake: Intake,
        now: Moment,
        out: Vec<Entry>,
    }

    impl Bench {
        fn new() -> Self {
            let now = Moment {
                wall_us: 1_000_000_000,
                boot_us: 50_000_000,
            };
            Self {
                intake: Intake::new(ID, "host"),
                now,
                out: Vec::new(),
            }
        }

        fn open() -> Self {
            let mut bench = Self::new();
            bench
                .intake
                .opened(bench.now, "/dev/ttyACM0", &mut bench.out);
            bench.out.clear();
            bench
        }

        fn wait_us(&mut self, us: i64) {
            self.now = Moment {
                wall_us: self.now.wall_us + us,
                boot_us: self.now.boot_us + us,
            };
        }

        fn chunk(&mut self, bytes: impl AsRef<[u8]>) {
            self.intake.chunk(self.now, bytes.as_ref(), &mut self.out);
        }

        /// Says hello, boot 18, one channel, a sample every `period_ms`.
        fn hello(&mut self, id: &str, period_ms: u32) {
            self.chunk(line(format!("H 1 {id} 18 1 {period_ms} refboard-1")).to_string());
            self.chunk(line("C 0 current A -3 common ct").to_string());
        }

        fn shown(&mut self) -> Vec<String> {
            let show = |entry: Entry| match entry {
                Entry::Board(at, line) => format!("@{at} {}", String::from_utf8_lossy(&line)),
                Entry::Part(at, part) => format!("part@{at} {} bytes", part.len()),
                Entry::PartEnd(at, rest) => format!("end@{at} {} bytes", rest.len()),
                Entry::Note(at, text) => format!("#{at} {text}"),
            };
            self.out.drain(..).map(show).collect()
        }

        fn clock_notes(&mut self) -> usize {
            self.shown()
                .iter()
                .filter(|line| line.contains(" clock "))
                .count()
        }
    }

    #[test]
    fn a_line_is_stamped_with_the_chunk_that_brought_its_end_and_kept_byte_for_byte() {
        let mut bench = Bench::open();
        bench.chunk(b"S 1 2");
        bench.wait_us(40_000);
        bench.chunk(b"00\r\n\xff#1 stopped\n\n");
        assert_eq!(
            bench.out,
            [
                Entry::Board(1_000_040_000, b"S 1 200\r".to_vec()),
                Entry::Board(1_000_040_000, b"\xff#1 stopped".to_vec()),
                Entry::Board(1_000_040_000, Vec::new()),
            ]
        );
    }

    #[test]
    fn what_is_left_of_a_line_at_an_unplug_is_kept_as_a_line() {
        let mut bench = Bench::open();
        bench.chunk(b"S 1 200 13");
        bench
            .intake
            .lost(bench.now, "the port closed\nnow", &mut bench.out);
        bench.intake.lost(bench.now, "again", &mut bench.out);
        assert_eq!(
            bench.shown(),
            [
                "@1000000000 S 1 200 13",
                "#1000000000 lost reason=the port closed now",
                "#1000000000 lost reason=again",
            ]
        );
    }

    #[test]
    fn the_bytes_of_a_line_too_long_are_kept_whole_and_an_endless_one_in_parts() {
        let mut bench = Bench::open();
        let long = vec![b'x'; 500];
        bench.chunk(&long);
        bench.chunk(b"y\n");
        assert_eq!(
            bench.out,
            [Entry::Board(1_000_000_000, [&long[..], b"y"].concat())]
        );

        bench.out.clear();
        for _ in 0..200 {
            bench.chunk(&long);
        }
        bench.chunk(b"\nS 1 2\n");
        let bytes = |entry: &Entry| match entry {
            Entry::Part(_, part) | Entry::PartEnd(_, part) => part.len(),
            _ => 0,
        };
        assert_eq!(bench.out.iter().map(bytes).sum::<usize>(), 200 * 500);
        assert!(
            bench
                .out
                .iter()
                .all(|entry| bytes(entry) <= LONG_HELD_BYTES + 500)
        );
        assert_eq!(
            bench.out.last(),
            Some(&Entry::Board(1_000_000_000, b"S 1 2".to_vec()))
        );
    }

    #[test]
    fn the_clocks_are_noted_at_start_at_opening_every_minute_and_after_a_silence() {
        let mut bench = Bench::new();
        bench.intake.started(
            bench.now,
            "0.1.0",
            "file=job-0001.toml sha256=00",
            &mut bench.out,
        );
        bench
            .intake
            .opened(bench.now, "/dev/ttyACM0", &mut bench.out);
        assert_eq!(
            bench.shown(),
            [
                "#1000000000 started version=0.1.0",
                "#1000000000 job file=job-0001.toml sha256=00",
                "#1000000000 clock boot=50000000 host-boot=host",
                "#1000000000 opened port=/dev/ttyACM0",
                "#1000000000 clock boot=50000000 host-boot=host",
            ]
        );
        bench.wait_us(1_000_000);
        bench.chunk(b"S 1\n");
        assert_eq!(bench.clock_notes(), 0, "a second is no silence");
        bench.wait_us(1_000_001);
        bench.chunk(b"S 2\n");
        assert_eq!(
            bench.shown()[0],
            "#1002000001 clock boot=52000001 host-boot=host",
            "before the line"
        );
        bench.wait_us(59_000_000);
        bench.intake.tick(bench.now, &mut bench.out);
        assert_eq!(bench.clock_notes(), 0);
        bench.wait_us(1_000_000);
        bench.intake.tick(bench.now, &mut bench.out);
        assert_eq!(bench.clock_notes(), 1, "with nobody speaking");
    }

    #[test]
    fn a_slow_board_is_silent_only_after_three_of_its_periods() {
        let mut bench = Bench::open();
        bench.hello("7f3a91c2", 5_000);
        bench.out.clear();
        bench.wait_us(15_000_000);
        bench.chunk(b"S 1\n");
        assert_eq!(bench.clock_notes(), 0);
        bench.wait_us(15_000_001);
        bench.chunk(b"S 2\n");
        assert_eq!(bench.clock_notes(), 1);
    }

    #[test]
    fn a_wall_clock_that_is_set_is_noted_before_the_next_line_and_stamps_follow_it() {
        let mut bench = Bench::open();
        bench.chunk(b"S 1\n");
        bench.out.clear();
        bench.wait_us(100_000);
        bench.now.wall_us -= 99_999;
        bench.chunk(b"S 2\n");
        assert_eq!(
            bench.clock_notes(),
            0,
            "below a tenth of a second it is not spoken of"
        );
        bench.wait_us(100_000);
        bench.now.wall_us -= 500_000_000;
        bench.chunk(b"S 3\n");
        assert_eq!(
            bench.shown(),
            [
                "#500100001 clock boot=50200000 host-boot=host",
                "@500100001 S 3"
            ]
        );
    }

    #[test]
    fn a_board_that_does_not_introduce_itself_is_asked_after_three_seconds_and_then_every_ten() {
        let mut bench = Bench::open();
        let mut asked_s = Vec::new();
        for second in 0..30 {
            if bench.intake.ask_is_due(bench.now) {
                asked_s.push(second);
                bench.intake.asked(bench.now, "?", &mut bench.out);
            }
            bench.wait_us(1_000_000);
        }
        assert_eq!(asked_s, [3, 13, 23]);
        bench.hello("7f3a91c2", 100);
        bench.wait_us(60_000_000);
        assert!(!bench.intake.ask_is_due(bench.now));
        bench.chunk(line("N 0 boot power-on").to_string());
        assert!(
            bench.intake.ask_is_due(bench.now),
            "a new boot has to introduce itself again"
        );
    }

    #[test]
    fn another_board_and_another_version_are_found_once() {
        let mut bench = Bench::open();
        bench.hello("00000001", 100);
        bench.hello("00000001", 100);
        let stranger = Finding::Board {
            id: BoardId(1),
            boot: 18,
            channels: 1,
            expected: false,
        };
        assert_eq!(bench.intake.take_findings(), [stranger]);
        bench.chunk(line("H 2 7f3a91c2 18 1 100 future").to_string().repeat(2));
        let found = bench.intake.take_findings();
        assert!(
            matches!(&found[..], [Finding::Version(text)] if text.contains('2') && text.contains('1')),
            "{found:?}"
        );
    }
}
