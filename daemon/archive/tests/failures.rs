//! The n-th operation on the disk fails, once or from then on, for every n: what was acknowledged stays, what could not be
//! written is kept and written later, and what is lost is said.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)] // tests: a failure is a failure

mod support;

use std::collections::HashSet;
use std::path::Path;
use std::sync::Arc;

use nightclamp_archive::{
    Limits, Notice, Projector, RawWriter, RecordDir, Result, Topic, Weight, verify_with,
};
use support::sim::{Fault, Left, Sim};
use support::{BEGAN_US, Double, JOB, Tap, clock, rows_in, sample_line, table_lines, tight};

const DIR: &str = "/site/record";
const SAMPLES: u32 = 22;

fn dir() -> &'static Path {
    Path::new(DIR)
}

/// A recorder as the shell runs one: what fails is tried again at the next tick, a projector that is spent is replaced.
struct Recorder {
    record: RecordDir,
    log: RawWriter,
    projector: Option<Projector<Double>>,
    /// Samples that a sync has taken.
    acknowledged: u32,
    failed: u32,
    notices: Vec<Notice>,
}

impl Recorder {
    fn begin(disk: &Arc<Sim>, limits: &Limits) -> Result<Self> {
        let record = RecordDir::open_with(disk.clone(), limits.clone(), dir(), JOB)?;
        let mut log = RawWriter::begin(&record, "7f3a91c2", &clock(0))?;
        for body in table_lines(1, &["common", "case-top"]) {
            log.append_board(BEGAN_US, body.as_bytes());
        }
        Ok(Self {
            record,
            log,
            projector: None,
            acknowledged: 0,
            failed: 0,
            notices: Vec::new(),
        })
    }

    fn samples(&mut self, from: u32, to: u32) {
        for seq in from..to {
            let at = BEGAN_US + i64::from(seq + 1) * 100_000;
            self.log
                .append_board(at, sample_line(seq, &["1550", "812"]).as_bytes());
            if seq % 4 == 3 {
                self.log.append_note(at, &format!("mark at {seq}"));
                self.log.append_note(at, "cycle");
            }
            if seq % 3 == 2 {
                self.tick(seq + 1);
            }
        }
    }

    fn tick(&mut self, so_far: u32) {
        let synced = self.log.sync();
        if synced.is_ok() && self.log.dropped() == 0 {
            self.acknowledged = so_far;
        }
        let rotated = match self.log.wants_rotation() && synced.is_ok() {
            true => self.log.rotate(&clock(1)),
            false => Ok(()),
        };
        let projected = self.project();
        if projected.is_err() {
            self.projector = None;
        }
        self.failed += [synced.is_err(), rotated.is_err(), projected.is_err()]
            .into_iter()
            .map(u32::from)
            .sum::<u32>();
        self.notices.extend(self.record.take_notices());
    }

    fn project(&mut self) -> Result<()> {
        let projector = match &mut self.projector {
            Some(projector) => projector,
            none => none.insert(Projector::new(&self.record, Double::default())?),
        };
        while !projector.step(&mut Tap::default())?.caught_up {}
        projector.seal_ended()?;
        projector.refresh_open()?;
        projector.settle()
    }

    fn end(mut self) -> Vec<Notice> {
        // The shell, too, asks again before it gives up; what then fails in `finish` has nothing left to lose.
        self.tick(SAMPLES);
        self.tick(SAMPLES);
        self.log.finish().unwrap_or_default();
        let projector = match self.projector.take() {
            Some(projector) => projector,
            None => Projector::new(&self.record, Double::default())
                .or_else(|_| Projector::new(&self.record, Double::default()))
                .unwrap(),
        };
        if projector.close(&mut Tap::default()).is_err() {
            let projector = Projector::new(&self.record, Double::default()).unwrap();
            projector.close(&mut Tap::default()).unwrap();
        }
        self.notices
    }
}

fn seqs(disk: &Sim) -> HashSet<u32> {
    let mut seqs = HashSet::new();
    for row in rows_in(&disk.files(dir()), "samples") {
        let seq = row
            .split("seq: ")
            .nth(1)
            .unwrap()
            .split(',')
            .next()
            .unwrap();
        assert!(seqs.insert(seq.parse().unwrap()), "{row} is there twice");
    }
    seqs
}

fn recovered(disk: &Arc<Sim>, context: &str) -> HashSet<u32> {
    disk.cut(Left::Nothing);
    reopened(disk, context)
}

fn reopened(disk: &Arc<Sim>, context: &str) -> HashSet<u32> {
    let record = RecordDir::open_with(disk.clone(), tight(), dir(), JOB).unwrap();
    let projector = Projector::new(&record, Double::default()).unwrap();
    projector
        .close(&mut Tap::default())
        .unwrap_or_else(|error| panic!("{context}: {error}"));
    drop(record);
    let report = verify_with(disk.clone(), dir(), |_| Ok(Double::default())).unwrap();
    assert!(report.ok(), "{context}: {report}");
    seqs(disk)
}

fn operations() -> u64 {
    let disk = Sim::new();
    let mut recorder = Recorder::begin(&disk, &tight()).unwrap();
    recorder.samples(0, SAMPLES);
    recorder.end();
    disk.operations()
}

#[test]
fn every_operation_is_interrupted_once() {
    // A call that is interrupted for ever would be made for ever.
    every_operation_fails(Fault::Interrupted, false);
}

#[test]
fn every_operation_finds_the_disk_full_once() {
    every_operation_fails(Fault::Full, false);
}

#[test]
fn every_operation_finds_the_disk_full_from_then_on() {
    every_operation_fails(Fault::Full, true);
}

#[test]
fn every_operation_fails_once() {
    every_operation_fails(Fault::Io, false);
}

#[test]
fn every_operation_fails_from_then_on() {
    every_operation_fails(Fault::Io, true);
}

#[test]
fn every_sync_fails_once_or_from_then_on() {
    every_operation_fails(Fault::Sync, false);
    every_operation_fails(Fault::Sync, true);
}

fn every_operation_fails(fault: Fault, forever: bool) {
    let operations = operations();
    let (mut runs, mut met) = (0, 0);
    for at in 0..operations {
        let context = format!("{fault:?} at operation {at} of {operations}, for ever: {forever}");
        let disk = Sim::new();
        disk.fails_after(fault, at, forever);
        let begun = Recorder::begin(&disk, &tight());
        let Ok(mut recorder) = begun else {
            // It cannot be begun and says so; fault or not, the next try finds nothing in its way.
            assert_ne!(fault, Fault::Interrupted, "{context}");
            disk.heals();
            let mut recorder = Recorder::begin(&disk, &tight())
                .unwrap_or_else(|error| panic!("{context}: {error}"));
            recorder.samples(0, 6);
            assert_eq!(recorder.acknowledged, 6, "{context}");
            continue;
        };
        recorder.samples(0, 12);
        if fault == Fault::Interrupted {
            assert_eq!(recorder.failed, 0, "{context}: nobody has to hear of that");
        }
        // What is acknowledged by now outlives a power cut, whatever the system said about it.
        let cut = disk.copy();
        let there = recovered(&cut, &context);
        let lost = (0..recorder.acknowledged).find(|seq| !there.contains(seq));
        assert_eq!(lost, None, "{context}: acknowledged and not there");
        if forever {
            disk.heals();
        }
        recorder.samples(12, SAMPLES);
        met += disk.faults_met();
        let is_told = recorder
            .notices
            .iter()
            .any(|notice| notice.topic == Topic::RawLog);
        let (failed, notices) = (recorder.failed, recorder.end());
        disk.heals();
        assert!(!is_told || failed > 0, "{context}: {notices:?}");
        let there = recovered(&disk, &context);
        assert_eq!(
            there.len() as u32,
            SAMPLES,
            "{context}: all of it was kept in memory"
        );
        runs += 1;
    }
    println!(
        "{fault:?}, for ever: {forever}: {runs} runs, {met} operations failed, of {operations} a run: nothing acknowledged was lost, everything was written in the end"
    );
}

#[test]
fn what_a_full_disk_costs_is_said_and_noted() {
    let limits = Limits {
        backlog_bytes: 400,
        ..tight()
    };
    let disk = Sim::new();
    let mut recorder = Recorder::begin(&disk, &limits).unwrap();
    recorder.samples(0, 6);
    disk.fails_after(Fault::Full, 0, true);
    recorder.samples(6, 18);
    assert!(recorder.log.dropped() > 0);
    let loss = |notice: &&Notice| notice.weight == Weight::Loss;
    let said = recorder
        .notices
        .iter()
        .find(loss)
        .expect("said while it lasts");
    assert!(
        said.text
            .contains("what the board says from now on is lost"),
        "{said:?}"
    );
    disk.heals();
    recorder.tick(18);
    recorder.samples(18, SAMPLES);
    let notices = recorder.end();
    let said = notices.iter().rfind(loss).unwrap();
    assert!(
        said.text
            .contains("are lost: the disk took nothing for too long"),
        "{said:?}"
    );
    let there = recovered(&disk, "full");
    assert!(
        (0..6).all(|seq| there.contains(&seq)) && (18..SAMPLES).all(|seq| there.contains(&seq))
    );
    let raw: String = disk
        .files(dir())
        .into_iter()
        .filter(|(path, _)| path.ends_with(".log.zst"))
        .map(|(_, bytes)| String::from_utf8(zstd::decode_all(bytes.as_slice()).unwrap()).unwrap())
        .collect();
    let note = raw
        .lines()
        .find(|line| line.contains(" dropped bytes="))
        .unwrap();
    let lines: usize = note
        .split("lines=")
        .nth(1)
        .unwrap()
        .split(' ')
        .next()
        .unwrap()
        .parse()
        .unwrap();
    // Marks and cycles are lines, too.
    let missing = SAMPLES as usize - there.len();
    assert!(
        lines >= missing && lines <= missing + 12,
        "{note}: {missing} samples are missing"
    );
}

#[test]
fn what_does_not_count_of_a_file_is_not_read_even_if_it_could_not_be_cut_off() {
    let disk = Sim::new();
    let mut recorder = Recorder::begin(&disk, &Limits::default()).unwrap();
    recorder.samples(0, 6);
    let mut more = |from: u32| {
        for seq in from..from + 3 {
            let line = sample_line(seq, &["1550", "812"]);
            recorder
                .log
                .append_board(BEGAN_US + i64::from(seq + 1) * 100_000, line.as_bytes());
        }
        recorder.log.sync()
    };
    disk.fails_after(Fault::Sync, 0, false);
    more(6).unwrap_err();
    disk.fails_after(Fault::Cut, 0, true);
    more(9).unwrap();
    drop(recorder);
    // Killed, not cut off from power: the lines that were not acknowledged lie in the first file still.
    disk.kill();
    let first = String::from_utf8(disk.files(dir())["raw/7f3a91c2-000001.log"].clone()).unwrap();
    assert!(first.contains(&sample_line(7, &["1550", "812"])), "{first}");
    let report = verify_with(disk.clone(), dir(), |_| Ok(Double::default())).unwrap();
    assert!(
        report
            .fails
            .iter()
            .all(|fail| fail.contains("are not in the table")),
        "{report}"
    );
    assert_eq!(reopened(&disk, "not cut").len(), 12);
}

#[test]
fn a_disk_that_fills_is_waited_for_and_recording_goes_on_alone() {
    let disk = Sim::new();
    let mut recorder = Recorder::begin(&disk, &tight()).unwrap();
    recorder.samples(0, 9);
    let before = disk.files(dir());
    disk.set_capacity(Some(disk.used() + 150));
    recorder.samples(9, 18);
    assert!(recorder.failed > 0);
    let acknowledged = recorder.acknowledged;
    let sealed = |path: &&String| {
        path.ends_with(".zst") || path.ends_with(".parquet") && !path.ends_with("open.parquet")
    };
    for path in before.keys().filter(sealed) {
        assert_eq!(
            disk.files(dir()).get(path),
            before.get(path),
            "{path}: everything old is kept"
        );
    }
    let cut = disk.copy();
    cut.set_capacity(None);
    assert!(recovered(&cut, "full").len() as u32 >= acknowledged);
    disk.set_capacity(None);
    recorder.samples(18, SAMPLES);
    let notices = recorder.end();
    assert!(
        notices.iter().any(|notice| notice.weight == Weight::Well),
        "{notices:?}"
    );
    assert_eq!(recovered(&disk, "space again").len() as u32, SAMPLES);
    let segments = disk
        .files(dir())
        .keys()
        .filter(|path| path.ends_with(".zst"))
        .count();
    assert!(
        segments < 8,
        "{segments} segments: a full disk is not filled with the beginnings of files"
    );
}
