//! A recorder under test: simulated boards behind real pseudo-terminals, a job file on them, and the record read back.

// Each test program uses its own part of this.
#![allow(dead_code)]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

pub mod account;
pub mod process;
pub mod wire;

use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use nightclamp::clocks::{HostClock, SystemClock};
use nightclamp::door::Door;
use nightclamp::recorder::{Recording, record};
use nightclamp_analysis::job::Job;
use nightclamp_simboard::{Pty, PtyOptions, Scenario, SimBoard, job_toml_on};
use parquet::file::reader::{FileReader, SerializedFileReader};
use tokio::sync::oneshot;

/// The board in tests that have one.
pub const BOARD: u32 = 0x7f3a_91c2;
/// Longest wait for something that has to happen. Reached only by what never happens.
const PATIENCE: Duration = Duration::from_secs(60);

/// A directory for one test, removed at its end.
pub struct Scratch(pub PathBuf);

impl Scratch {
    pub fn new(name: &str) -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let path =
            std::env::temp_dir().join(format!("nightclamp-{name}-{}-{number}", std::process::id()));
        fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    pub fn join(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        fs::remove_dir_all(&self.0).unwrap_or_default();
    }
}

/// Waits until `is_so`.
pub fn wait_until(what: &str, mut is_so: impl FnMut() -> bool) {
    let since = Instant::now();
    while !is_so() {
        assert!(since.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// A quiet night of one compressor on board `id`.
pub fn steady(id: u32, seed: u64) -> Scenario {
    let mut scenario = Scenario::by_name("steady", seed).unwrap();
    scenario.board.id = id;
    scenario
}

/// A board behind a port to which `link` points. It runs fast, waits for the recorder, and so loses nothing.
pub fn plug_in(scenario: Scenario, link: &Path, options: PtyOptions) -> Pty {
    let pty = Pty::start(SimBoard::new(scenario), options).unwrap();
    pty.link_to(link).unwrap();
    pty
}

/// Fast and patient.
pub fn fast() -> PtyOptions {
    PtyOptions {
        speed: 40.0,
        wait_for_open: true,
        wait_for_reader: true,
        ..PtyOptions::default()
    }
}

/// At the world's own speed, where instants matter. Samples come every 20 ms instead.
pub fn in_real_time(scenario: &mut Scenario) -> PtyOptions {
    scenario.board.period_ms = 20;
    PtyOptions {
        wait_for_open: true,
        ..PtyOptions::default()
    }
}

/// A job file for one board.
pub fn job_text(scenario: &Scenario, port: &Path) -> String {
    job_toml_on(scenario, Some(&port.to_string_lossy()))
}

/// A recorder that runs in this process.
pub struct Recorder {
    pub address: SocketAddr,
    stop: oneshot::Sender<()>,
    thread: JoinHandle<anyhow::Result<()>>,
}

impl Recorder {
    pub fn start(job_text: &str, out: &Path) -> Self {
        Self::start_by(Arc::new(SystemClock::new()), job_text, out)
    }

    /// A recorder on a host with another clock.
    pub fn start_by(clock: Arc<dyn HostClock>, job_text: &str, out: &Path) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let recording = Recording {
            set_up: None,
            job_text: job_text.to_owned(),
            job: Job::parse(job_text, "job.toml").unwrap(),
            customer: None,
            out: out.to_path_buf(),
            listener,
            door: Door::default(),
            clock,
            retention: nightclamp_archive::Retention::default(),
            invented: None,
            beside: None,
        };
        let (stop, stopped) = oneshot::channel();
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_multi_thread()
                .worker_threads(2)
                .enable_all()
                .build()?;
            runtime.block_on(record(recording, async { stopped.await.unwrap_or(()) }))
        });
        Self {
            address,
            stop,
            thread,
        }
    }

    /// Stops it and waits until it has let go of everything.
    pub fn stop(self) {
        self.stop.send(()).unwrap();
        self.thread.join().unwrap().unwrap();
    }
}

/// Asks a dashboard and gives the status and the whole answer.
pub fn ask(address: SocketAddr, method: &str, path: &str, body: &str) -> (u16, String) {
    let mut stream = TcpStream::connect(address).unwrap();
    let length = body.len();
    let request = format!(
        "{method} {path} HTTP/1.1\r\nhost: {address}\r\nconnection: close\r\n\
         content-type: application/json\r\ncontent-length: {length}\r\n\r\n{body}"
    );
    stream.write_all(request.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let status = answer.split(' ').nth(1).unwrap().parse().unwrap();
    (status, answer)
}

/// Files below `dir` whose names end in `ending`, sorted.
pub fn files(dir: &Path, ending: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let Ok(entries) = fs::read_dir(dir) else {
        return found;
    };
    for path in entries.flatten().map(|entry| entry.path()) {
        if path.is_dir() {
            found.extend(files(&path, ending));
        } else if path.to_string_lossy().ends_with(ending) {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// The raw logs of all streams so far, compressed or not.
pub fn raw_text(record: &Path) -> String {
    let raw = record.join("raw");
    let sealed = files(&raw, ".log.zst");
    let is_sealed = |log: &PathBuf| sealed.contains(&log.with_extension("log.zst"));
    // A segment may be sealed, and its plain twin removed, while we look.
    let read = |log: PathBuf| fs::read(log).unwrap_or_default();
    let plain = files(&raw, ".log")
        .into_iter()
        .filter(|log| !is_sealed(log))
        .map(read);
    let unsealed = sealed
        .iter()
        .map(|log| zstd::decode_all(fs::File::open(log).unwrap()).unwrap());
    unsealed
        .chain(plain)
        .map(|bytes| String::from_utf8_lossy(&bytes).into_owned())
        .collect()
}

/// Sample lines in the raw log so far.
pub fn samples_in_raw(record: &Path) -> u64 {
    raw_text(record)
        .lines()
        .filter(|line| line.starts_with('@') && line.contains(" S "))
        .count() as u64
}

/// All rows of a table as text, file by file in the order of their names.
pub fn rows(record: &Path, table: &str) -> Vec<String> {
    let mut rows = Vec::new();
    for path in files(&record.join(table), ".parquet") {
        let reader = SerializedFileReader::new(fs::File::open(&path).unwrap()).unwrap();
        let of_file = reader.get_row_iter(None).unwrap();
        rows.extend(of_file.map(|row| row.unwrap().to_string()));
    }
    rows
}

/// Boot to the `seq` of its samples in the table, in order, of one board.
pub fn seqs(record: &Path, board: u32) -> BTreeMap<i64, Vec<i64>> {
    let mut boots: BTreeMap<i64, Vec<i64>> = BTreeMap::new();
    for path in files(
        &record.join("samples").join(format!("board=b-{board:08x}")),
        ".parquet",
    ) {
        let reader = SerializedFileReader::new(fs::File::open(&path).unwrap()).unwrap();
        for row in reader.get_row_iter(None).unwrap() {
            let row = row.unwrap();
            let number = |name: &str| {
                let field = row.get_column_iter().find(|(column, _)| *column == name);
                field.unwrap().1.to_string().parse::<i64>().unwrap()
            };
            boots.entry(number("boot")).or_default().push(number("seq"));
        }
    }
    boots
}

/// Asserts that `verify` finds the record in order.
pub fn assert_verifies(record: &Path) {
    let report = nightclamp_archive::verify(record, nightclamp_archive::heart_of).unwrap();
    assert!(report.ok(), "{report}");
    assert!(!report.holds.is_empty(), "nothing was looked at");
}
