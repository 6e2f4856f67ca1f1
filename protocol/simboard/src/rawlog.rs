//! Writes what a board says as a recorded raw log: `@MICROSECONDS LINE`, and the recorder's notes if wanted.

use crate::arrivals::{Arrivals, Away};
use crate::board::SimBoard;
use std::io::{self, Write};

/// The host's clocks are noted at least this often, s.
const CLOCK_EVERY_S: f64 = 60.0;
/// After so long without a line the clocks are noted before the next one, s.
const SILENCE_S: f64 = 2.0;
/// Longest unfinished line kept, bytes.
const LINE_BYTES_MAX: usize = 1 << 16;

/// What was written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct RawLogSummary {
    /// Board lines.
    pub lines: u64,
    /// Recorder's notes.
    pub notes: u64,
    /// Lines that came while nobody recorded.
    pub missed: u64,
    /// Bytes written.
    pub bytes: u64,
    /// First and last stamp, us.
    pub first_us: Option<i64>,
    /// Last stamp, us.
    pub last_us: Option<i64>,
}

/// Runs the board to `until_s` and writes what arrives. The host's wall clock stands at `from_wall_us` at true
/// time 0. Lines that arrive after `until_s` still belong to it. `notes` adds the recorder's `began`, `started`,
/// `opened`, `clock` and `stopped` lines; without, there are board lines only.
///
/// # Errors
/// Those of `out`.
pub fn write_raw_log(
    board: &mut SimBoard,
    from_wall_us: i64,
    until_s: f64,
    arrivals: &mut Arrivals,
    out: &mut impl Write,
    notes: bool,
) -> io::Result<RawLogSummary> {
    let begin_s = board.now_s();
    let mut recorder = Recorder {
        out,
        arrivals,
        from_wall_us,
        notes,
        part: Vec::new(),
        clock_due_s: f64::NEG_INFINITY,
        last_s: begin_s,
        stepped_us: 0,
        away: None,
        summary: RawLogSummary::default(),
        result: Ok(()),
    };
    recorder.result = recorder.begin(begin_s);
    board.advance(until_s, &mut |line| recorder.take(line.at_s, line.line));
    if recorder.result.is_ok() && notes && recorder.away.is_none() {
        let at_s = recorder.last_s.max(until_s);
        recorder.result = recorder.note(at_s, "stopped");
    }
    let Recorder {
        result,
        summary,
        out,
        ..
    } = recorder;
    result.and_then(|()| out.flush()).map(|()| summary)
}

struct Recorder<'a, W: Write> {
    out: &'a mut W,
    arrivals: &'a mut Arrivals,
    from_wall_us: i64,
    notes: bool,
    part: Vec<u8>,
    clock_due_s: f64,
    last_s: f64,
    stepped_us: i64,
    away: Option<Away>,
    summary: RawLogSummary,
    result: io::Result<()>,
}

impl<W: Write> Recorder<'_, W> {
    fn begin(&mut self, at_s: f64) -> io::Result<()> {
        if !self.notes {
            return Ok(());
        }
        let wall = self.arrivals.wall_us(self.from_wall_us, at_s);
        let boot = self.clocks(at_s);
        self.note(
            at_s,
            &format!("began wall={wall} {boot} stream=simulated segment=1"),
        )?;
        self.start(at_s)
    }

    fn start(&mut self, at_s: f64) -> io::Result<()> {
        if !self.notes {
            return Ok(());
        }
        self.note(at_s, concat!("started version=", env!("CARGO_PKG_VERSION")))?;
        self.note(at_s, "opened port=simulated")?;
        self.clock(at_s)
    }

    fn clocks(&self, at_s: f64) -> String {
        let (boot_us, which) = self.arrivals.boot_us(at_s);
        format!("boot={boot_us} host-boot=simhost-{}", which + 1)
    }

    fn clock(&mut self, at_s: f64) -> io::Result<()> {
        self.clock_due_s = at_s + CLOCK_EVERY_S;
        self.stepped_us = self.arrivals.stepped_us(at_s);
        let clocks = self.clocks(at_s);
        self.note(at_s, &format!("clock {clocks}"))
    }

    fn take(&mut self, left_s: f64, bytes: &[u8]) {
        if self.result.is_ok() {
            self.result = self.try_take(left_s, bytes);
        }
    }

    /// Bytes with no LF wait for one; several LFs end several lines.
    fn try_take(&mut self, left_s: f64, bytes: &[u8]) -> io::Result<()> {
        let at_s = self.arrivals.arrive(left_s);
        if !self.present(at_s)? {
            self.summary.missed += 1;
            self.part.clear();
            return Ok(());
        }
        for piece in bytes.split_inclusive(|&b| b == b'\n') {
            self.part.extend_from_slice(piece);
            if piece.ends_with(b"\n") || self.part.len() > LINE_BYTES_MAX {
                self.line(at_s)?;
            }
        }
        Ok(())
    }

    /// Whether somebody records at `at_s`; notes going and coming.
    fn present(&mut self, at_s: f64) -> io::Result<bool> {
        let away = self.arrivals.away_at(at_s);
        let gone = self.away;
        self.away = away;
        match (gone, away) {
            (None, Some(a)) => {
                if self.notes {
                    self.note(a.from_s.max(self.last_s), "stopped")?;
                }
                Ok(false)
            }
            (Some(a), None) => {
                self.last_s = a.to_s;
                self.start(a.to_s)?;
                Ok(true)
            }
            (_, away) => Ok(away.is_none()),
        }
    }

    fn line(&mut self, at_s: f64) -> io::Result<()> {
        let stepped = self.arrivals.stepped_us(at_s) != self.stepped_us;
        if self.notes && (stepped || at_s >= self.clock_due_s || at_s - self.last_s > SILENCE_S) {
            self.clock(at_s)?;
        }
        self.last_s = at_s;
        let us = self.arrivals.wall_us(self.from_wall_us, at_s);
        self.stamp(us);
        let head = format!("@{us} ");
        self.out.write_all(head.as_bytes())?;
        if !self.part.ends_with(b"\n") {
            self.part.push(b'\n');
        }
        self.out.write_all(&self.part)?;
        self.summary.lines += 1;
        self.summary.bytes += (head.len() + self.part.len()) as u64;
        self.part.clear();
        Ok(())
    }

    fn note(&mut self, at_s: f64, text: &str) -> io::Result<()> {
        let us = self.arrivals.wall_us(self.from_wall_us, at_s);
        self.stamp(us);
        let line = format!("#{us} {text}\n");
        self.out.write_all(line.as_bytes())?;
        self.summary.notes += 1;
        self.summary.bytes += line.len() as u64;
        Ok(())
    }

    fn stamp(&mut self, us: i64) {
        self.summary.first_us.get_or_insert(us);
        self.summary.last_us = Some(us);
    }
}
