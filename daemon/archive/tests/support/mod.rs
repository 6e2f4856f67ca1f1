//! A heart made to order, raw logs to feed it, and a disk that dies.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    missing_docs,
    dead_code
)] // tests: a failure is a failure

pub mod sim;

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

use nightclamp_analysis::rows::{
    CycleRow, EndedBy, EventKind, EventRow, SampleRow, Sink, StartKind,
};
use nightclamp_archive::{
    Disk, Found, HostClock, Limits, Lock, Project, Projector, RawWriter, RealDisk, RecordDir,
    WriteFile,
};
use nightclamp_protocol::{BoardId, Outcome, Reading, Record, Session, Table, decode, line};
use parquet::file::reader::{FileReader, SerializedFileReader};

/// 2026-11-25T23:59:58Z: two seconds before a new UTC date.
pub const BEGAN_US: i64 = 1_795_651_198_000_000;
/// The board that talks.
pub const STREAM: &str = "7f3a91c2";
pub const JOB: &str = "[job]\nname = \"Proofing-room freezer\"\n";

/// A directory that goes away with the test.
pub struct Scratch(PathBuf);

impl Scratch {
    pub fn new() -> Self {
        static COUNT: AtomicU64 = AtomicU64::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        // Where a sync costs nothing, if there is such a place: these tests sync thousands of times.
        let memory = PathBuf::from("/dev/shm");
        let base = if memory.is_dir() {
            memory
        } else {
            std::env::temp_dir()
        };
        let path = base.join(format!("nightclamp-archive-{}-{count}", std::process::id()));
        fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        fs::remove_dir_all(&self.0).unwrap_or_default();
    }
}

pub fn clock(seconds: i64) -> HostClock {
    HostClock {
        wall_us: BEGAN_US + seconds * 1_000_000,
        boot_us: 5_000_000 + seconds * 1_000_000,
        host_boot: "b7".into(),
    }
}

/// Limits so small that everything rolls over.
pub fn tight() -> Limits {
    Limits {
        sample_rows: 7,
        event_rows: 3,
        segment_bytes: 900,
        chunk_bytes: 300,
        line_bytes: 600,
        step_bytes: 500,
        ..Limits::default()
    }
}

/// The hello and channel lines of the board `7f3a91c2` with these places.
pub fn table_lines(boot: u32, places: &[&str]) -> Vec<String> {
    let hello = format!("H 1 7f3a91c2 {boot} {} 100 refboard-1", places.len());
    let channel = |(index, place)| format!("C {index} current A -3 {place} ct");
    std::iter::once(hello)
        .chain(places.iter().enumerate().map(channel))
        .map(|body| framed(&body))
        .collect()
}

pub fn sample_line(seq: u32, values: &[&str]) -> String {
    framed(&format!("S {seq} {} {}", (seq + 1) * 100, values.join(" ")))
}

/// Records the samples `from..to`, projecting as it goes, and stops in good order. `acknowledged` counts the samples that a sync
/// has taken.
pub fn record_samples(
    record: &RecordDir,
    from: u32,
    to: u32,
    acknowledged: &mut u32,
) -> nightclamp_archive::Result<()> {
    let mut log = RawWriter::begin(record, STREAM, &clock(i64::from(from / 10)))?;
    let mut projector = Projector::new(record, Double::default())?;
    for body in table_lines(1, &["common", "case-top"]) {
        log.append_board(BEGAN_US + i64::from(from) * 100_000, body.as_bytes());
    }
    for seq in from..to {
        let at = BEGAN_US + i64::from(seq + 1) * 100_000;
        log.append_board(at, sample_line(seq, &["1550", "812"]).as_bytes());
        if seq % 4 == 3 {
            log.append_note(at, "mark by hand");
            log.append_note(at, "cycle");
        }
        if seq % 3 == 2 {
            log.sync()?;
            *acknowledged = seq + 1;
            while !projector.step(&mut Tap::default())?.caught_up {}
            projector.seal_ended()?;
        }
        if seq % 5 == 4 {
            projector.refresh_open()?;
        }
        // In turn, so that the n-th operation is the same each time.
        projector.settle()?;
        if log.wants_rotation() {
            log.rotate(&clock(i64::from(seq / 10)))?;
            *acknowledged = seq + 1;
        }
    }
    log.finish()?;
    *acknowledged = to;
    projector.close(&mut Tap::default())?;
    Ok(())
}

pub fn framed(body: &str) -> String {
    line(body).to_string().trim_end().to_owned()
}

/// A recorded log of `count` samples at 10 Hz, with a mark every 4 and a cycle every 5, through midnight.
pub fn recorded(count: u32) -> Vec<u8> {
    let mut log = format!(
        "#{BEGAN_US} began wall={BEGAN_US} boot=5000000 host-boot=b7 stream=7f3a91c2 segment=1\n"
    );
    for body in table_lines(1, &["common", "case-top"]) {
        log += &format!("@{BEGAN_US} {body}\n");
    }
    for seq in 0..count {
        let at = BEGAN_US + i64::from(seq + 1) * 100_000;
        let case = if seq % 6 == 5 {
            "o".to_owned()
        } else {
            (812 + seq).to_string()
        };
        log += &format!(
            "@{at} {}\n",
            sample_line(seq, &[&(13_480 - seq).to_string(), &case])
        );
        if seq % 4 == 3 {
            log += &format!("#{at} mark at {seq}\n");
        }
        if seq % 5 == 4 {
            log += &format!("#{at} cycle\n");
        }
    }
    log.into_bytes()
}

/// Time is arrival; a note `mark` is a final event; a note `cycle` opens a cycle that the next one makes final.
#[derive(Default)]
pub struct Double {
    session: Session,
    open: Option<CycleRow>,
    bare_us: i64,
}

impl Double {
    fn board_line(&mut self, arrival: i64, text: &[u8], sink: &mut impl Sink) {
        let Ok(record) = decode(text) else { return };
        match self.session.accept(&record, arrival) {
            Outcome::TableBegun(_) => sink.table(self.session.table().unwrap()),
            Outcome::Sample => {
                let (table, Record::Sample(sample)) = (self.session.table().unwrap(), record)
                else {
                    return;
                };
                let value = |reading: &Reading| match reading {
                    Reading::Number(sent) => f64::from(*sent) / 1000.0,
                    Reading::Fault(_) => f64::NAN,
                };
                let values: Vec<f64> = sample.readings.iter().map(value).collect();
                let (boot, seq, board_ms) = (table.boot, sample.seq, u64::from(sample.ms));
                let row = SampleRow {
                    time: arrival,
                    arrival: arrival + 7,
                    boot,
                    seq,
                    board_ms,
                    readings: &sample.readings,
                    values: &values,
                };
                sink.sample(table.id, &row);
            }
            _ => {}
        }
    }

    fn note(&mut self, at: i64, text: &str, sink: &mut impl Sink) {
        if let Some(detail) = text.strip_prefix("mark ") {
            let detail = detail.to_owned();
            sink.event(
                "freezer",
                EventRow {
                    time: at,
                    kind: EventKind::Mark,
                    cause: None,
                    current_a: Some(1.55),
                    case_c: None,
                    detail,
                },
            );
        } else if text == "cycle"
            && let Some(closed) = self.open.replace(cycle(at))
        {
            let ended = CycleRow {
                next_on_at: Some(at),
                ended_by: Some(EndedBy::Control),
                ..closed
            };
            sink.cycle("freezer", ended);
        }
    }
}

fn cycle(on_at: i64) -> CycleRow {
    CycleRow {
        on_at,
        off_at: None,
        next_on_at: None,
        on_seen: true,
        on_s: None,
        off_s: None,
        start: StartKind::Normal,
        ended_by: None,
        cause: None,
        peak_a: Some(13.48),
        run_a: None,
        end_a: None,
        i2t_a2s: None,
        case_on_c: None,
        case_off_c: None,
        case_max_c: None,
        case_reset_c: None,
        reset_exact: false,
        disc_c: None,
        valid: 1.0,
        basis: "made to order".into(),
        ..CycleRow::default()
    }
}

impl Project for Double {
    fn feed(&mut self, _: usize, raw: &[u8], sink: &mut impl Sink) {
        assert!(raw.ends_with(b"\n"), "only whole lines are fed");
        for text in raw.split_inclusive(|&byte| byte == b'\n') {
            let text = &text[..text.len() - 1];
            let Some(space) = text.iter().position(|&byte| byte == b' ') else {
                continue;
            };
            let Ok(at) = String::from_utf8_lossy(&text[1..space]).parse() else {
                continue;
            };
            match text[0] {
                b'@' => self.board_line(at, &text[space + 1..], sink),
                b'#' => self.note(at, &String::from_utf8_lossy(&text[space + 1..]), sink),
                _ => {}
            }
        }
    }

    fn feed_bare(&mut self, _: usize, began_us: i64, lines: &[u8], sink: &mut impl Sink) {
        for text in lines
            .split(|&byte| byte == b'\n')
            .filter(|text| !text.is_empty())
        {
            self.bare_us = self.bare_us.max(began_us) + 100_000;
            self.board_line(self.bare_us, text, sink);
        }
    }

    fn resume(&mut self, _: usize, _: i64) {}

    fn stepped_us(&self, _: usize) -> i64 {
        0
    }

    fn finish(&mut self, sink: &mut impl Sink) {
        if let Some(open) = self.open.take() {
            sink.cycle("freezer", open);
        }
    }

    fn open_rows(&self, mut each: impl FnMut(&str, &[EventRow], &[CycleRow])) {
        each("freezer", &[], self.open.as_slice());
    }
}

/// Counts, and keeps nothing.
#[derive(Default)]
pub struct Tap {
    pub samples: u64,
}

impl Sink for Tap {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {
        self.samples += 1;
    }
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// All files below, as paths from `root`, with their bytes.
pub fn files(root: &Path) -> BTreeMap<String, Vec<u8>> {
    fn walk(root: &Path, at: &Path, found: &mut BTreeMap<String, Vec<u8>>) {
        for entry in fs::read_dir(at).into_iter().flatten().map(Result::unwrap) {
            let path = entry.path();
            if path.is_dir() {
                walk(root, &path, found);
            } else {
                let name = path
                    .strip_prefix(root)
                    .unwrap()
                    .to_str()
                    .unwrap()
                    .to_owned();
                found.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    let mut found = BTreeMap::new();
    walk(root, root, &mut found);
    found
}

/// The rows of a table as any reader of Parquet sees them, in the order of the files.
pub fn rows(root: &Path, table: &str) -> Vec<String> {
    rows_in(&files(root), table)
}

/// The same of files in memory.
pub fn rows_in(files: &BTreeMap<String, Vec<u8>>, table: &str) -> Vec<String> {
    let parquet = |path: &str| {
        path.starts_with(table) && path.ends_with(".parquet") && !path.contains(".tmp-")
    };
    let mut rows = Vec::new();
    for (_, bytes) in files.iter().filter(|(path, _)| parquet(path)) {
        let bytes = bytes.clone();
        let reader = SerializedFileReader::new(bytes::Bytes::from(bytes)).unwrap();
        rows.extend(
            reader
                .get_row_iter(None)
                .unwrap()
                .map(|row| row.unwrap().to_string()),
        );
    }
    rows
}

/// The files of the tables and the kept job files, without the open ones.
pub fn sealed(root: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = files(root);
    files.retain(|path, _| path.ends_with(".parquet") && !path.ends_with("open.parquet"));
    files
}

/// A disk on which nothing works any more after a number of operations, as if the machine had died there.
pub struct Dying(Arc<AtomicI64>);

impl Dying {
    pub fn after(operations: i64) -> Arc<Self> {
        Arc::new(Self(Arc::new(AtomicI64::new(operations))))
    }

    pub fn left(&self) -> i64 {
        self.0.load(Ordering::SeqCst)
    }

    /// From now on only so many operations.
    pub fn set(&self, operations: i64) {
        self.0.store(operations, Ordering::SeqCst);
    }

    fn spend(&self) -> io::Result<()> {
        spend(&self.0)
    }
}

fn spend(left: &AtomicI64) -> io::Result<()> {
    if left.fetch_sub(1, Ordering::SeqCst) > 0 {
        Ok(())
    } else {
        Err(io::Error::other("died"))
    }
}

struct DyingFile(Box<dyn WriteFile>, Arc<AtomicI64>);

impl Write for DyingFile {
    fn write(&mut self, buffer: &[u8]) -> io::Result<usize> {
        if let Err(error) = spend(&self.1) {
            // Half of it still went through.
            if self.1.load(Ordering::SeqCst) == -1 {
                self.0.write_all(&buffer[..buffer.len() / 2])?;
            }
            return Err(error);
        }
        self.0.write(buffer)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

impl WriteFile for DyingFile {
    fn sync(&mut self) -> io::Result<()> {
        spend(&self.1)?;
        self.0.sync()
    }
}

impl Disk for Dying {
    fn create(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        self.spend()?;
        Ok(Box::new(DyingFile(RealDisk.create(path)?, self.0.clone())))
    }
    fn append(&self, path: &Path) -> io::Result<Box<dyn WriteFile>> {
        self.spend()?;
        Ok(Box::new(DyingFile(RealDisk.append(path)?, self.0.clone())))
    }
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        RealDisk.open(path)
    }
    fn truncate(&self, path: &Path, len: u64) -> io::Result<()> {
        self.spend()?;
        RealDisk.truncate(path, len)
    }
    fn len(&self, path: &Path) -> io::Result<u64> {
        RealDisk.len(path)
    }
    fn is_dir(&self, path: &Path) -> bool {
        RealDisk.is_dir(path)
    }
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.spend()?;
        RealDisk.rename(from, to)
    }
    fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        self.spend()?;
        RealDisk.link(from, to)
    }
    fn remove(&self, path: &Path) -> io::Result<()> {
        self.spend()?;
        RealDisk.remove(path)
    }
    fn make_dirs(&self, path: &Path) -> io::Result<()> {
        self.spend()?;
        RealDisk.make_dirs(path)
    }
    fn sync_dir(&self, path: &Path) -> io::Result<()> {
        self.spend()?;
        RealDisk.sync_dir(path)
    }
    fn list(&self, path: &Path) -> io::Result<Vec<Found>> {
        RealDisk.list(path)
    }
    fn lock(&self, path: &Path, holder: &str) -> io::Result<Lock> {
        RealDisk.lock(path, holder)
    }
    fn is_locked(&self, path: &Path) -> bool {
        RealDisk.is_locked(path)
    }
    fn free_bytes(&self, path: &Path) -> io::Result<u64> {
        RealDisk.free_bytes(path)
    }
}
