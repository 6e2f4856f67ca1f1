//! What is asked of one board: its port, who it is, how well its lines come, its clock, what its sensors say.

use std::path::Path;
use std::time::Duration;

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::{Board, Job, Unit};
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{
    BoardId, Command, Fault, Framed, Framer, Reading, Refusal, Table, decode, line,
};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::broadcast::error::RecvError;
use tokio::time::{Instant, timeout_at};
use tokio_serial::SerialStream;

use super::Findings;
use crate::capture::port;
use crate::clocks::{HostClock, SystemClock};
use crate::desk::line::Line;
use crate::holder;

/// How long a board has to say hello on its own, and then to answer.
const HELLO_WAIT: Duration = Duration::from_secs(3);
/// A board's clock may be this much off, as a share: what the record's clock follows.
const DRIFT_MOST: f64 = 500e-6;
/// What arrivals may jitter, µs: it decides how well a drift can be told in a short time.
const JITTER_US: f64 = 5_000.0;
/// Damaged lines that are worth a word, as a share of all.
const DAMAGED_MOST: f64 = 0.001;
/// A clamp around an idle lead shows less than this, A, or this share of the rated load where that is more: noise.
const IDLE_MOST_A: f64 = 0.05;
/// See [`IDLE_MOST_A`].
const IDLE_SHARE: f64 = 0.05;
/// A case that has been off for a while is within so much of the air around it, K.
const REST_K: f64 = 8.0;
/// Air around a compressor, Cel.
const AMBIENT_C: (f64, f64) = (-10.0, 55.0);
/// Mains of any country with its tolerance, V.
const MAINS_V: (f64, f64) = (85.0, 265.0);

/// Looks at the board on `path`; gives the bytes of raw log that it makes in a day.
pub async fn look(
    job: &Job,
    board: &Board,
    path: &Path,
    listen: Duration,
    findings: &mut Findings,
) -> f64 {
    name_of_port(path, findings);
    let mut stream = match port::open(path) {
        Ok(stream) => stream,
        Err(error) => {
            findings.mend("port", error.0);
            return 0.0;
        }
    };
    findings.well("port", format!("{} opens", path.display()));
    for holder in holder::of_port(path) {
        findings.mend(
            "port",
            format!("{} is open in {holder} too: stop it", path.display()),
        );
    }
    let mut heard = Heard::new(job);
    if let Err(error) = listen_to(&mut stream, &mut heard, listen).await {
        findings.mend(
            "board",
            format!("{}: {error} (is the plug loose?)", path.display()),
        );
    }
    heard.judged(job, board, path, findings)
}

/// The same for a board that is being recorded: its port's capture is overheard. It is asked for its hello, since it has
/// said that long ago.
pub async fn overhear(
    job: &Job,
    board: &Board,
    port: &str,
    line: &Line,
    listen: Duration,
    findings: &mut Findings,
) -> f64 {
    findings.well("port", format!("{port} is being recorded"));
    let mut heard = Heard::new(job);
    let mut chunks = line.listen();
    line.command(Command::Hello);
    let until = Instant::now() + listen;
    while let Ok(chunk) = timeout_at(until, chunks.recv()).await {
        match chunk {
            Ok(chunk) => heard.take(&chunk),
            Err(RecvError::Lagged(_)) => {}
            Err(RecvError::Closed) => break,
        }
    }
    heard.judged(job, board, Path::new(port), findings)
}

fn name_of_port(path: &Path, findings: &mut Findings) {
    let text = path.to_string_lossy();
    if text.starts_with("/dev/ttyACM") || text.starts_with("/dev/ttyUSB") {
        findings.mend(
            "port",
            format!("{text} is a name that changes: take one below /dev/serial/by-id or /dev/nightclamp (nightclamp ports lists them)"),
        );
    }
}

/// Waits for the hello, asks for it, and then listens for `listen`.
async fn listen_to(
    stream: &mut SerialStream,
    heard: &mut Heard,
    listen: Duration,
) -> Result<(), String> {
    heard
        .take_until(stream, Instant::now() + HELLO_WAIT, true)
        .await?;
    if heard.rows.table.is_none() {
        let question = line(Command::Hello).to_string();
        let until = Instant::now() + HELLO_WAIT;
        // A board that takes no commands is no reason to stop listening.
        if let Ok(Err(error)) = timeout_at(until, stream.write_all(question.as_bytes())).await {
            return Err(error.to_string());
        }
        heard.take_until(stream, until, true).await?;
    }
    heard
        .take_until(stream, Instant::now() + listen, false)
        .await
}

/// Sums over the readings of one channel.
#[derive(Debug, Default, Clone)]
struct Sum {
    values: f64,
    count: u32,
    least: f64,
    most: f64,
    faults: Vec<Fault>,
}

impl Sum {
    fn add(&mut self, reading: Option<&Reading>, value: f64) {
        match reading {
            Some(Reading::Fault(fault)) => self.faults.push(*fault),
            _ if value.is_finite() => {
                let is_first = self.count == 0;
                self.least = if is_first {
                    value
                } else {
                    self.least.min(value)
                };
                self.most = if is_first {
                    value
                } else {
                    self.most.max(value)
                };
                self.values += value;
                self.count += 1;
            }
            _ => {}
        }
    }

    fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.values / f64::from(self.count))
    }
}

/// What the heart makes of the lines.
#[derive(Default)]
struct Rows {
    table: Option<Table>,
    sums: Vec<Sum>,
    /// Arrival and board clock of every sample, µs.
    clock: Vec<(i64, i64)>,
    events: Vec<EventRow>,
}

impl Sink for Rows {
    fn table(&mut self, table: &Table) {
        self.sums = vec![Sum::default(); table.channels().len()];
        self.clock.clear();
        self.table = Some(table.clone());
    }

    fn sample(&mut self, _: BoardId, row: &SampleRow<'_>) {
        for ((sum, value), reading) in self.sums.iter_mut().zip(row.values).zip(row.readings) {
            sum.add(Some(reading), *value);
        }
        let board_us = i64::try_from(row.board_ms)
            .unwrap_or(i64::MAX)
            .saturating_mul(1_000);
        self.clock.push((row.arrival, board_us));
    }

    fn event(&mut self, _: &str, row: EventRow) {
        self.events.push(row);
    }

    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// Everything heard on the port.
struct Heard {
    framer: Framer,
    clock: SystemClock,
    projection: Projection,
    rows: Rows,
    bytes: u64,
    lines: u64,
    damaged: u64,
    last_refusal: Option<Refusal>,
    first_us: Option<i64>,
    last_us: i64,
}

impl Heard {
    fn new(job: &Job) -> Self {
        Self {
            framer: Framer::new(),
            clock: SystemClock::new(),
            projection: Projection::new(job.clone()),
            rows: Rows::default(),
            bytes: 0,
            lines: 0,
            damaged: 0,
            last_refusal: None,
            first_us: None,
            last_us: 0,
        }
    }

    /// Judges what was heard; gives the bytes of raw log that it makes in a day.
    fn judged(mut self, job: &Job, board: &Board, path: &Path, findings: &mut Findings) -> f64 {
        self.projection.finish(&mut self.rows);
        let seconds = self.seconds();
        judge(job, board, path, &self, findings);
        if seconds > 0.0 {
            self.bytes as f64 / seconds * 86_400.0
        } else {
            0.0
        }
    }

    fn seconds(&self) -> f64 {
        self.first_us
            .map_or(0.0, |first_us| (self.last_us - first_us) as f64 / 1e6)
    }

    /// Takes what comes until `until`, or until there is a channel table if that is `enough`.
    async fn take_until(
        &mut self,
        stream: &mut SerialStream,
        until: Instant,
        enough: bool,
    ) -> Result<(), String> {
        let mut buffer = [0; 4_096];
        while !(enough && self.rows.table.is_some()) {
            match timeout_at(until, stream.read(&mut buffer)).await {
                Err(_) => break,
                Ok(Ok(0)) => return Err("the port closed".to_owned()),
                Ok(Ok(read)) => self.take(buffer.get(..read).unwrap_or_default()),
                Ok(Err(error)) => return Err(error.to_string()),
            }
        }
        Ok(())
    }

    fn take(&mut self, chunk: &[u8]) {
        let now_us = self.clock.wall_us();
        let is_first = self.first_us.is_none();
        self.first_us.get_or_insert(now_us);
        self.last_us = now_us;
        let Self {
            framer,
            projection,
            rows,
            bytes,
            lines,
            damaged,
            last_refusal,
            ..
        } = self;
        let mut nth = 0u32;
        framer.push(chunk, |framed| {
            let Framed::Line(text) = framed else { return };
            nth += 1;
            // The first line of an opening is cut where the opening was.
            if is_first && nth == 1 && decode(text).is_err() {
                return;
            }
            *lines += 1;
            if let Err(refusal) = decode(text) {
                *damaged += 1;
                *last_refusal = Some(refusal);
            }
            let mut raw = format!("@{now_us} ").into_bytes();
            raw.extend_from_slice(text);
            raw.push(b'\n');
            *bytes += raw.len() as u64;
            projection.feed(0, &raw, rows);
        });
    }

    /// Board's clock against the host's, as a share (fast positive), and how well that is known. Latency only adds, so the
    /// earliest arrivals of the first and the last third are compared.
    fn drift(&self) -> Option<(f64, f64)> {
        let clock = &self.rows.clock;
        let third = clock.len() / 3;
        let earliest = |part: &[(i64, i64)]| {
            part.iter()
                .copied()
                .min_by_key(|(arrival, board)| arrival - board)
        };
        let (from_arrival, from_board) = earliest(clock.get(..third)?)?;
        let (to_arrival, to_board) = earliest(clock.get(clock.len() - third..)?)?;
        let passed_us = (to_arrival - from_arrival) as f64;
        if passed_us < 1e6 {
            return None;
        }
        Some((
            ((to_board - from_board) as f64 - passed_us) / passed_us,
            JITTER_US / passed_us,
        ))
    }
}

fn judge(job: &Job, board: &Board, path: &Path, heard: &Heard, findings: &mut Findings) {
    let shown = path.display();
    let Some(table) = &heard.rows.table else {
        let why = match (&heard.last_refusal, heard.bytes) {
            (None, 0) => "nothing came: power, cable, or no board of ours".to_owned(),
            (Some(refusal), _) => format!(
                "lines come and are refused ({refusal}): another baud rate than {}?",
                port::BAUD
            ),
            (None, _) => "lines come, but no complete hello and channel table".to_owned(),
        };
        return findings.mend("board", format!("{shown}: {why}"));
    };
    if table.id == board.id {
        findings.well(
            "board",
            format!(
                "{} answers, firmware {}, every {} ms",
                table.id,
                table.firmware(),
                table.period_ms
            ),
        );
    } else {
        findings.mend(
            "board",
            format!(
                "{} is on {shown}, the job file has {}: swap the plugs or mend the job file",
                table.id, board.id
            ),
        );
    }
    lines(heard, findings);
    drift(heard, findings);
    for unit in job.units.iter().filter(|unit| unit.board == table.id) {
        sensors(unit, table, &heard.rows.sums, findings);
    }
}

fn lines(heard: &Heard, findings: &mut Findings) {
    let share = heard.damaged as f64 / heard.lines.max(1) as f64;
    let gaps: Vec<&str> = heard
        .rows
        .events
        .iter()
        .filter(|e| matches!(e.kind.as_str(), "gap-end" | "loss"))
        .map(|e| e.detail.as_str())
        .collect();
    let text = format!(
        "{} lines in {:.0} s, {} damaged",
        heard.lines,
        heard.seconds(),
        heard.damaged
    );
    if share > DAMAGED_MOST {
        findings.mend(
            "lines",
            format!("{text}: a shorter or shielded USB lead, away from the compressor's wiring"),
        );
    } else if let Some(gap) = gaps.first() {
        findings.mend("lines", format!("{text}; {gap}"));
    } else {
        findings.well("lines", text);
    }
}

fn drift(heard: &Heard, findings: &mut Findings) {
    let Some((share, doubt)) = heard.drift() else {
        return findings.mend(
            "board clock",
            "too few samples to tell its pace: listen longer with --seconds",
        );
    };
    let text = format!(
        "{:+.0} ppm against this machine's, ± {:.0}",
        share * 1e6,
        doubt * 1e6
    );
    if share.abs() > DRIFT_MOST + doubt {
        findings.mend(
            "board clock",
            format!(
                "{text}: more than the record's clock follows; another board, or one with a crystal"
            ),
        );
    } else {
        findings.well("board clock", text);
    }
}

/// What the sensors of an idle compressor should say.
fn sensors(unit: &Unit, table: &Table, sums: &[Sum], findings: &mut Findings) {
    let name = &unit.name;
    let sum_at = |place: &str| {
        let at = table
            .channels()
            .iter()
            .position(|channel| channel.place() == place)?;
        sums.get(at)
    };
    let mut means = Vec::new();
    for (role, place) in unit.channels.roles() {
        let Some(sum) = sum_at(place) else {
            findings.mend(
                "sensors",
                format!("{name}: {role} is to be at {place}, and the board has no such channel"),
            );
            continue;
        };
        if let Some(fault) = sum.faults.first() {
            findings.mend(
                "sensors",
                format!("{name}: {role} ({place}) {}", fault_words(*fault)),
            );
        } else if let Some(mean) = sum.mean() {
            means.push((role, mean));
        } else {
            findings.mend(
                "sensors",
                format!("{name}: {role} ({place}) gives no value"),
            );
        }
    }
    let mean = |role: &str| {
        means
            .iter()
            .find(|(of, _)| *of == role)
            .map(|(_, mean)| *mean)
    };
    if let Some(current) = mean("current") {
        idle(unit, current / f64::from(unit.clamp_turns.max(1)), findings);
    }
    if let Some(ambient) = mean("ambient") {
        within(
            name,
            "ambient",
            "°C",
            ambient,
            AMBIENT_C,
            "where does that bead lie?",
            findings,
        );
    }
    if let Some(supply) = mean("supply") {
        within(
            name,
            "supply",
            "V",
            supply,
            MAINS_V,
            "is the supply on, and the divider right?",
            findings,
        );
    }
    if let (Some(case), Some(ambient)) = (mean("case"), mean("ambient")) {
        rest(name, case, ambient, findings);
    }
    if let Some(demand) = mean("demand") {
        let words = if demand > 0.5 {
            "closed: power is offered now"
        } else {
            "open: no power is offered now"
        };
        findings.well("sensors", format!("{name}: demand is {words}"));
    }
}

const fn fault_words(fault: Fault) -> &'static str {
    match fault {
        Fault::NotRead => "is not read by the board: is it connected?",
        Fault::Open => "is open: its wire is broken or out of its terminal",
        Fault::Shorted => "is shorted: look at its wires",
        Fault::OutOfRange => {
            "is out of range: look at its wires, and whether it is the sensor the board expects"
        }
    }
}

fn idle(unit: &Unit, current: f64, findings: &mut Findings) {
    let name = &unit.name;
    let most = unit
        .rated_load_a
        .map_or(IDLE_MOST_A, |rated| (rated * IDLE_SHARE).max(IDLE_MOST_A));
    let text = format!("{name}: current {current:.3} A");
    if current > most {
        findings.mend("sensors", format!("{text}, with the compressor off it is under {most:.2} A: is it running, are two conductors in the clamp, or does the clamp need its zero?"));
    } else {
        findings.well("sensors", format!("{text}, as idle as it should be"));
    }
}

fn rest(name: &str, case: f64, ambient: f64, findings: &mut Findings) {
    let text = format!("{name}: case {case:.1} °C, ambient {ambient:.1} °C");
    if (case - ambient).abs() > REST_K {
        findings.mend("sensors", format!("{text}: more than {REST_K:.0} K apart; has it run in the last hours, or are the beads swapped or loose?"));
    } else {
        findings.well("sensors", text);
    }
}

fn within(
    name: &str,
    role: &str,
    unit: &str,
    value: f64,
    range: (f64, f64),
    question: &str,
    findings: &mut Findings,
) {
    let text = format!("{name}: {role} {value:.1} {unit}");
    if value < range.0 || value > range.1 {
        findings.mend("sensors", format!("{text}: {question}"));
    } else {
        findings.well("sensors", text);
    }
}
