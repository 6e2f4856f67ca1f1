//! Capture: one task a port, from opening it to handing on what came, for as long as the recorder runs.
//!
//! A task owns its port, its stream and the way to its writer, and shares nothing with the others: one board cannot
//! disturb another. A read of nothing or any error means that the board was unplugged. The descriptor is dropped at
//! once, since holding it makes the board come back under another name, and the path is resolved afresh at every try.

mod baud;
pub mod entry;
pub mod intake;
pub mod port;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use nightclamp_protocol::{Command, line};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, Interval, MissedTickBehavior, interval, sleep, timeout};
use tokio_serial::{ClearBuffer, SerialPort, SerialStream};

use crate::clocks::HostClock;
use crate::desk::line::Lending;
use crate::health::Pulse;
use crate::trouble::{About, Troubles};
use crate::writer::ToWrite;
use entry::Entry;
use intake::{Finding, Intake};

/// First wait before a port is opened again.
const BACKOFF_MIN: Duration = Duration::from_millis(100);
/// Longest wait between two tries: recording resumes within two seconds of the board's return.
const BACKOFF_MAX: Duration = Duration::from_secs(1);
/// How often the port's task looks at the time when nothing comes.
const TICK: Duration = Duration::from_millis(250);
/// How long a command may take to leave. A board that does not read must not hold up what it sends.
const WRITE_LIMIT: Duration = Duration::from_millis(500);
/// Most bytes taken at one read.
const CHUNK_BYTES: usize = 4_096;
/// An opening that lasted this long without a byte does not count as one that failed.
const SETTLED: Duration = Duration::from_secs(5);

/// One port's task.
pub struct Capture {
    clock: Arc<dyn HostClock>,
    troubles: Arc<Troubles>,
    intake: Intake,
    writer: mpsc::Sender<ToWrite>,
    stop: watch::Receiver<bool>,
    pulse: Arc<Pulse>,
    lending: Lending,
    backoff: Duration,
}

/// How the reading of an open port ended.
enum Ended {
    Stop,
    Lost(String),
}

impl Capture {
    /// For the port and board of `troubles`; what comes goes to `writer`, until `stop` says true. `pulse` beats each time
    /// round, and what comes is lent by `lending`, which also brings commands.
    pub fn new(
        clock: Arc<dyn HostClock>,
        troubles: Arc<Troubles>,
        writer: mpsc::Sender<ToWrite>,
        stop: watch::Receiver<bool>,
        pulse: Arc<Pulse>,
        lending: Lending,
    ) -> Self {
        let intake = Intake::new(troubles.board(), clock.host_boot_id());
        Self {
            clock,
            troubles,
            intake,
            writer,
            stop,
            pulse,
            lending,
            backoff: BACKOFF_MIN,
        }
    }

    /// Captures until told to stop. `job` names the job file in force, for the note: `file=NAME sha256=HEX`.
    pub async fn run(mut self, job: &str) {
        let mut out = Vec::new();
        self.intake
            .started(self.clock.now(), env!("CARGO_PKG_VERSION"), job, &mut out);
        self.hand_on(&mut out).await;
        while let Some(mut port) = self.open().await {
            let opened = Instant::now();
            self.intake
                .opened(self.clock.now(), self.troubles.port(), &mut out);
            self.hand_on(&mut out).await;
            let ended = self.read(&mut port).await;
            // What was not sent must not hold up the closing of the port.
            port.clear(ClearBuffer::Output).unwrap_or_default();
            drop(port);
            match ended {
                Ended::Stop => break,
                Ended::Lost(reason) => {
                    let text = format!("{}: {reason}", self.troubles.port());
                    self.troubles.begin(About::Port, &text);
                    self.intake.lost(self.clock.now(), &reason, &mut out);
                    self.hand_on(&mut out).await;
                }
            }
            if opened.elapsed() >= SETTLED {
                self.backoff = BACKOFF_MIN;
            }
            if !self.wait_to_reopen().await {
                break;
            }
        }
        self.intake.stopped(self.clock.now(), &mut out);
        self.hand_on(&mut out).await;
    }

    /// Opens the port, trying until it opens; `None` if told to stop meanwhile.
    async fn open(&mut self) -> Option<SerialStream> {
        loop {
            if *self.stop.borrow() {
                return None;
            }
            let path = self.troubles.port().to_owned();
            let opened = tokio::task::spawn_blocking(move || port::open(Path::new(&path))).await;
            match opened {
                Ok(Ok(port)) => {
                    self.troubles.end(About::Port);
                    tracing::info!(board = %self.troubles.board(), "{} is open", self.troubles.port());
                    return Some(port);
                }
                Ok(Err(reason)) => self.troubles.begin(About::Port, &reason.0),
                Err(error) => self
                    .troubles
                    .begin(About::Port, &format!("opening the port failed: {error}")),
            }
            if !self.wait_to_reopen().await {
                return None;
            }
        }
    }

    /// Waits before the next try, longer each time. False if told to stop.
    async fn wait_to_reopen(&mut self) -> bool {
        self.pulse.beat();
        let mut out = Vec::new();
        self.intake.tick(self.clock.now(), &mut out);
        self.hand_on(&mut out).await;
        let wait = self.backoff;
        self.backoff = (wait * 2).min(BACKOFF_MAX);
        tokio::select! {
            () = sleep(wait) => true,
            () = stopped(&mut self.stop) => false,
        }
    }

    /// Reads until told to stop or the port is lost.
    async fn read(&mut self, port: &mut SerialStream) -> Ended {
        let mut tick = ticker();
        let mut buffer = [0; CHUNK_BYTES];
        let mut out = Vec::new();
        loop {
            self.pulse.beat();
            let mut command = None;
            let came = tokio::select! {
                biased;
                () = stopped(&mut self.stop) => return Ended::Stop,
                _ = tick.tick() => None,
                given = self.lending.command() => {
                    command = Some(given);
                    None
                }
                came = port.read(&mut buffer) => Some(came),
            };
            let now = self.clock.now();
            match came {
                None => self.intake.tick(now, &mut out),
                Some(Ok(0)) => return Ended::Lost("the port closed (unplugged?)".to_owned()),
                Some(Ok(bytes)) => {
                    let chunk = buffer.get(..bytes).unwrap_or_default();
                    self.intake.chunk(now, chunk, &mut out);
                    self.lending.copy(chunk);
                    self.backoff = BACKOFF_MIN;
                }
                Some(Err(error)) => return Ended::Lost(format!("{error} (unplugged?)")),
            }
            if self.intake.ask_is_due(now) {
                command = Some(Command::Hello);
            }
            if let Some(command) = command
                && let Err(reason) = self.give(port, command, &mut out).await
            {
                return Ended::Lost(reason);
            }
            self.report();
            self.hand_on(&mut out).await;
        }
    }

    /// Gives the board a command.
    async fn give(
        &mut self,
        port: &mut SerialStream,
        command: Command,
        out: &mut Vec<Entry>,
    ) -> Result<(), String> {
        let bytes = line(command).to_string();
        let now = self.clock.now();
        self.intake.asked(now, &command, out);
        match timeout(WRITE_LIMIT, port.write_all(bytes.as_bytes())).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(format!("{error} (unplugged?)")),
            Err(_) => {
                tracing::debug!(board = %self.troubles.board(), "the board does not take commands");
                Ok(())
            }
        }
    }

    /// Says what the stream shows that a person should hear of.
    fn report(&mut self) {
        for finding in self.intake.take_findings() {
            match finding {
                Finding::Board { id, boot, channels, expected } => {
                    tracing::info!(board = %id, boot, channels, "board speaks on {}", self.troubles.port());
                    for about in [About::Port, About::Link, About::Version] {
                        self.troubles.settle(about);
                    }
                    self.board(id, expected);
                }
                Finding::Version(text) => self.troubles.begin(About::Version, &text),
                Finding::BaudLikelyWrong => self.troubles.begin(
                    About::Link,
                    &format!(
                        "most of what comes over {} is damaged: the board's baud rate is likely not {} (kept all the same)",
                        self.troubles.port(),
                        port::BAUD
                    ),
                ),
            }
        }
    }

    fn board(&self, id: nightclamp_protocol::BoardId, expected: bool) {
        if expected {
            return self.troubles.settle(About::Board);
        }
        let text = format!(
            "board {id} is on {}, where the job file has {}: it is recorded, but no unit is judged by it",
            self.troubles.port(),
            self.troubles.board()
        );
        self.troubles.begin(About::Board, &text);
    }

    /// Hands entries to the writer, waiting if it is far behind.
    async fn hand_on(&self, out: &mut Vec<Entry>) {
        if out.is_empty() {
            return;
        }
        let came = ToWrite::Came(std::mem::take(out));
        if self.writer.send(came).await.is_err() {
            self.troubles.begin(
                About::Disk,
                "the writer of the raw log is gone: what comes is lost",
            );
        }
    }
}

fn ticker() -> Interval {
    let mut tick = interval(TICK);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    tick
}

/// Comes back when told to stop, or when nobody is left to say so.
pub async fn stopped(stop: &mut watch::Receiver<bool>) {
    if stop.wait_for(|stop| *stop).await.is_err() {
        tracing::debug!("nobody is left to say stop");
    }
}
