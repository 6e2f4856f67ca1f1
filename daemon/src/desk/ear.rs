//! Listening to ports for the set-up page: who speaks there, and what its channels say now.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::time::{Duration, Instant};

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{
    BoardId, Command, Fault, Framed, Framer, Quantity, Reading, Table, TableChannel, decode, line,
};
use nightclamp_web::setup::{Heard, HeardBoard, HeardChannel, Trouble};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::broadcast;
use tokio::time::{sleep, timeout};

use super::line::{Chunk, Line, Lines};
use crate::capture::port;
use crate::clocks::{HostClock, SystemClock};
use crate::text::printable;

/// A port nobody has asked about for this long is let go of.
const UNASKED: Duration = Duration::from_secs(20);
/// How long after a port could not be heard it is tried again: opening it may reset the board.
const AGAIN_AFTER: Duration = Duration::from_secs(5);
/// Most ports that are listened to at a time.
const EARS_MAX: usize = 8;
/// How long a board has to say hello on its own: opening the port resets many boards.
const HELLO_WAIT: Duration = Duration::from_secs(3);
/// How long a command may take to leave.
const WRITE_LIMIT: Duration = Duration::from_millis(500);

/// The ports that are listened to.
#[derive(Debug, Default)]
pub struct Ears(Mutex<Open>);

#[derive(Debug, Default)]
struct Open {
    ears: BTreeMap<String, Arc<Ear>>,
    /// Nothing is listened to while it lives.
    silence: Weak<Silence>,
    is_closed: bool,
}

/// No port is listened to by the page while somebody has this.
#[derive(Debug)]
pub struct Silence;

impl Ears {
    /// What has been heard on `port`, if it is listened to.
    pub fn heard(&self, port: &str) -> Option<Heard> {
        let open = self.lock();
        let ear = open.ears.get(port).filter(|ear| ear.is_worth_telling())?;
        Some(ear.heard())
    }

    /// Begins to listen to `port`. A port that is recorded is overheard, any other is opened.
    ///
    /// # Errors
    /// Too many are listened to already, or the ports are wanted for something else.
    pub fn listen(&self, port: &str, job: &Job, lines: &Lines) -> Result<Heard, Trouble> {
        let mut open = self.lock();
        if open.is_closed || open.silence.strong_count() > 0 {
            return Err(Trouble::NotNow(
                "the ports are being opened by others just now".to_owned(),
            ));
        }
        open.ears.retain(|_, ear| ear.is_worth_telling());
        if let Some(ear) = open.ears.get(port) {
            return Ok(ear.heard());
        }
        if open.ears.len() >= EARS_MAX {
            return Err(Trouble::NotNow(format!(
                "{EARS_MAX} ports are listened to already; one that nobody asks about is let go of after {} s",
                UNASKED.as_secs()
            )));
        }
        let ear = Arc::new(Ear::new(job));
        open.ears.insert(port.to_owned(), Arc::clone(&ear));
        drop(open);
        let heard = ear.heard();
        match lines.of_port(port) {
            Some(line) => tokio::spawn(overhear(ear, line)),
            None => tokio::spawn(open_and_listen(ear, port.to_owned())),
        };
        Ok(heard)
    }

    /// Lets go of every port, and listens to none while what it gives is kept.
    pub async fn silence(&self) -> Arc<Silence> {
        let silence = Arc::new(Silence);
        self.lock().silence = Arc::downgrade(&silence);
        self.let_go().await;
        silence
    }

    /// Lets go of every port, and listens to none any more.
    pub async fn close(&self) {
        self.lock().is_closed = true;
        self.let_go().await;
    }

    /// Waits until every port is closed.
    async fn let_go(&self) {
        let ears = std::mem::take(&mut self.lock().ears);
        for ear in ears.values() {
            ear.lock().asked = None;
        }
        for ear in ears.values() {
            while !ear.is_over() {
                sleep(Duration::from_millis(10)).await;
            }
        }
    }

    fn lock(&self) -> MutexGuard<'_, Open> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// One port that is listened to.
#[derive(Debug)]
struct Ear(Mutex<State>);

struct State {
    framer: Framer,
    projection: Projection,
    rows: Newest,
    began: Instant,
    /// When it was asked last; `None` once it is to stop.
    asked: Option<Instant>,
    lines: u64,
    refused: u64,
    trouble: Option<String>,
    ended: Option<Instant>,
}

impl std::fmt::Debug for State {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("State")
            .field("lines", &self.lines)
            .finish_non_exhaustive()
    }
}

impl Ear {
    fn new(job: &Job) -> Self {
        // The units have no say in what a channel reads.
        let job = Job {
            units: Vec::new(),
            ..job.clone()
        };
        Self(Mutex::new(State {
            framer: Framer::new(),
            projection: Projection::new(job.clone()),
            rows: Newest {
                job,
                table: None,
                values: Vec::new(),
            },
            began: Instant::now(),
            asked: Some(Instant::now()),
            lines: 0,
            refused: 0,
            trouble: None,
            ended: None,
        }))
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether nobody wants to hear any more.
    fn is_unwanted(&self) -> bool {
        self.lock()
            .asked
            .is_none_or(|asked| asked.elapsed() > UNASKED)
    }

    /// Whether it has let go of its port.
    fn is_over(&self) -> bool {
        self.lock().ended.is_some()
    }

    /// Whether what it heard is still worth telling: why a port is not heard is told for a while before it is tried again.
    fn is_worth_telling(&self) -> bool {
        let ended = self.lock().ended;
        ended.is_none_or(|at| at.elapsed() < AGAIN_AFTER)
    }

    fn knows_the_board(&self) -> bool {
        self.lock().rows.table.is_some()
    }

    fn heard(&self) -> Heard {
        let mut state = self.lock();
        state.asked = Some(Instant::now());
        Heard {
            for_s: state.began.elapsed().as_secs_f64(),
            lines: state.lines,
            refused: state.refused,
            board: state.rows.board(),
            trouble: state.trouble.clone(),
        }
    }

    fn take(&self, chunk: &[u8]) {
        let now_us = SystemClock::new().wall_us();
        let mut state = self.lock();
        let State {
            framer,
            projection,
            rows,
            lines,
            refused,
            ..
        } = &mut *state;
        framer.push(chunk, |framed| {
            let Framed::Line(text) = framed else { return };
            *lines += 1;
            // The first line is cut where the listening began.
            *refused += u64::from(decode(text).is_err() && *lines > 1);
            let mut raw = format!("@{now_us} ").into_bytes();
            raw.extend_from_slice(text);
            raw.push(b'\n');
            projection.feed(0, &raw, rows);
        });
    }

    fn end(&self, trouble: Option<String>) {
        let mut state = self.lock();
        state.trouble = trouble;
        state.ended = Some(Instant::now());
    }
}

/// Takes copies of what a recorded port brings. Its board has said who it is long ago: it is asked once more.
async fn overhear(ear: Arc<Ear>, line: Line) {
    let mut chunks = line.listen();
    // If it takes no command now, it says hello by itself within a minute.
    line.command(Command::Hello);
    while !ear.is_unwanted() {
        match timeout(Duration::from_secs(1), chunks.recv()).await {
            Ok(Ok(chunk)) => ear.take(&chunk),
            Ok(Err(broadcast::error::RecvError::Closed)) => break,
            Ok(Err(broadcast::error::RecvError::Lagged(_))) | Err(_) => {}
        }
    }
    ear.end(None);
}

/// Opens a port and reads it, asking for a hello that does not come by itself.
async fn open_and_listen(ear: Arc<Ear>, path: String) {
    let asked = path.clone();
    let opened = tokio::task::spawn_blocking(move || port::open(Path::new(&asked))).await;
    let mut stream = match opened {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return ear.end(Some(error.0)),
        Err(error) => return ear.end(Some(format!("{path}: {error}"))),
    };
    let mut buffer = [0; 4_096];
    let (began, mut has_asked) = (Instant::now(), false);
    let trouble = loop {
        if ear.is_unwanted() {
            break None;
        }
        match timeout(Duration::from_millis(250), stream.read(&mut buffer)).await {
            Ok(Ok(0)) => break Some(format!("{path}: the port closed (unplugged?)")),
            Ok(Ok(read)) => ear.take(buffer.get(..read).unwrap_or_default()),
            Ok(Err(error)) => break Some(format!("{path}: {error} (unplugged?)")),
            Err(_) => {}
        }
        if !has_asked && began.elapsed() >= HELLO_WAIT && !ear.knows_the_board() {
            has_asked = true;
            let question = line(Command::Hello).to_string();
            // A board that takes no commands may still say who it is.
            if let Ok(Err(error)) =
                timeout(WRITE_LIMIT, stream.write_all(question.as_bytes())).await
            {
                break Some(format!("{path}: {error} (unplugged?)"));
            }
        }
    };
    drop(stream);
    ear.end(trouble);
}

/// The newest of everything.
struct Newest {
    job: Job,
    table: Option<Table>,
    values: Vec<(f64, Option<Fault>)>,
}

impl Newest {
    fn board(&self) -> Option<HeardBoard> {
        let table = self.table.as_ref()?;
        let channel = |(index, channel): (usize, &TableChannel)| {
            let (value, fault) = self.values.get(index).copied().unwrap_or((f64::NAN, None));
            HeardChannel {
                place: channel.place().to_owned(),
                quantity: channel.quantity.as_str(),
                sensor: channel.sensor().to_owned(),
                unit: self.shown_unit(table.id, channel),
                value: value.is_finite().then_some(value),
                fault: fault.map(fault_words),
            }
        };
        Some(HeardBoard {
            id: table.id.to_string(),
            period_ms: table.period_ms,
            firmware: printable(table.firmware()),
            channels: table.channels().iter().enumerate().map(channel).collect(),
        })
    }
}

impl Newest {
    /// What a channel's values are in once they are converted. A thermistor nothing is known of stays in Ohm.
    fn shown_unit(&self, board: BoardId, channel: &TableChannel) -> &'static str {
        let ntc = self
            .job
            .board(board)
            .and_then(|board| board.ntc_at(channel.place()));
        match channel.quantity {
            Quantity::Resistance if channel.sensor() == "ntc" && ntc.is_none() => "Ohm",
            Quantity::Temperature | Quantity::Emf | Quantity::Resistance => "Cel",
            other => other.unit(),
        }
    }
}

impl Sink for Newest {
    fn table(&mut self, table: &Table) {
        if self.table.as_ref() != Some(table) {
            self.values.clear();
            self.table = Some(table.clone());
        }
    }

    fn sample(&mut self, _: BoardId, row: &SampleRow<'_>) {
        let fault = |reading: &Reading| match reading {
            Reading::Fault(fault) => Some(*fault),
            _ => None,
        };
        let pairs = row.values.iter().zip(row.readings);
        self.values = pairs
            .map(|(value, reading)| (*value, fault(reading)))
            .collect();
    }

    fn event(&mut self, _: &str, _: EventRow) {}

    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

const fn fault_words(fault: Fault) -> &'static str {
    match fault {
        Fault::NotRead => "not read",
        Fault::Open => "open",
        Fault::Shorted => "shorted",
        Fault::OutOfRange => "out of range",
    }
}

/// Waits for a board's answer to `command`: whether it was done, and why not.
pub async fn answer(
    mut chunks: broadcast::Receiver<Chunk>,
    command: u8,
    patience: Duration,
) -> Option<Result<(), String>> {
    let mut framer = Framer::new();
    let listen = async {
        loop {
            let chunk = match chunks.recv().await {
                Ok(chunk) => chunk,
                Err(broadcast::error::RecvError::Lagged(_)) => continue,
                Err(broadcast::error::RecvError::Closed) => return None,
            };
            let mut said = None;
            framer.push(&chunk, |framed| {
                if let Framed::Line(text) = framed
                    && let Ok(nightclamp_protocol::Record::Answer(answer)) = decode(text)
                    && answer.command == command
                {
                    said = Some(if answer.ok {
                        Ok(())
                    } else {
                        Err(printable(answer.reason))
                    });
                }
            });
            if said.is_some() {
                return said;
            }
        }
    };
    timeout(patience, listen).await.ok().flatten()
}
