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
    BoardId, Command, Framed, Framer, Outcome, Record, Refusal, Session, TableChange, decode,
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

    /// A command went to the board.
    pub fn asked(&mut self, now: Moment, command: &Command, out: &mut Vec<Entry>) {
        if let Some(opening) = &mut self.rest.opening
            && matches!(command, Command::Hello)
        {
            opening.asked_boot_us = Some(now.boot_us);
        }
        note(now, &format!("asked {command}"), out);
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
mod tests;
