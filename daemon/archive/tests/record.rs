//! A record is written, interrupted in every way, and carried on: nothing lost, nothing twice, the same files.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)] // tests: a failure is a failure

mod support;

use std::collections::HashSet;
use std::fs;
use std::path::Path;
use std::sync::Arc;

use nightclamp_archive::{
    ArchiveError, Projector, RawWriter, RealDisk, RecordDir, replay_with, verify,
};
use support::{
    BEGAN_US, Double, Dying, JOB, STREAM, Scratch, Tap, clock, files, record_samples, recorded,
    rows, sample_line, sealed, table_lines, tight,
};

fn open(disk: &Arc<Dying>, dir: &Path) -> nightclamp_archive::Result<RecordDir> {
    RecordDir::open_with(disk.clone(), tight(), dir, JOB)
}

fn verified(dir: &Path) -> nightclamp_archive::VerifyReport {
    verify(dir, |_| Ok(Double::default())).unwrap()
}

/// See [`record_samples`].
fn record(disk: &Arc<Dying>, dir: &Path, from: u32, to: u32) -> nightclamp_archive::Result<()> {
    record_samples(&open(disk, dir)?, from, to, &mut 0)
}

#[test]
fn a_record_that_is_stopped_and_carried_on_has_the_rows_of_one_that_was_not() {
    let scratch = Scratch::new();
    let (twice, once) = (scratch.path("twice"), scratch.path("once"));
    let disk = Dying::after(i64::MAX);
    record(&disk, &twice, 0, 22).unwrap();
    assert_eq!(
        rows(&twice, "samples").len(),
        22,
        "open rows are there after a stop"
    );
    record(&disk, &twice, 22, 50).unwrap();
    record(&disk, &once, 0, 50).unwrap();
    for table in ["samples", "events", "cycles"] {
        assert_eq!(rows(&twice, table), rows(&once, table));
    }
    assert_eq!(
        sealed(&twice),
        sealed(&once),
        "the same files, byte for byte"
    );
    assert_eq!(rows(&twice, "samples").len(), 50);
    let report = verified(&twice);
    assert!(report.ok(), "{report}");
    assert!(
        files(&twice).keys().all(|path| !path.ends_with(".log")),
        "ended segments are compressed"
    );
}

#[test]
fn wherever_the_machine_dies_nothing_synced_is_lost_or_twice() {
    let scratch = Scratch::new();
    let whole = scratch.path("whole");
    let disk = Dying::after(1_000_000);
    record(&disk, &whole, 0, 40).unwrap();
    let operations = 1_000_000 - disk.left();
    // Every operation in the beginning, where everything happens once, then every seventh.
    for dies_after in (0..60).chain((60..operations).step_by(7)) {
        let dir = scratch.path(&format!("dies-{dies_after}"));
        let ended = record(&Dying::after(dies_after), &dir, 0, 40);
        assert!(ended.is_err(), "dies after {dies_after} of {operations}");
        let seen = rows(&dir, "samples");
        assert_eq!(
            seen.iter().collect::<HashSet<_>>().len(),
            seen.len(),
            "a row twice, died after {dies_after}"
        );
        let synced = complete_lines(&dir);
        // Carried on without a new line: what was synced is in the tables.
        let record = open(&Dying::after(i64::MAX), &dir).unwrap();
        Projector::new(&record, Double::default())
            .unwrap()
            .close(&mut Tap::default())
            .unwrap();
        drop(record);
        assert_eq!(
            rows(&dir, "samples").len(),
            synced,
            "died after {dies_after}"
        );
        let report = verified(&dir);
        assert!(report.ok(), "died after {dies_after}: {report}");
        assert!(
            files(&dir).keys().all(|path| !path.contains(".tmp-")),
            "died after {dies_after}"
        );
        fs::remove_dir_all(dir).unwrap();
    }
}

/// Samples that lie whole in the raw logs.
fn complete_lines(dir: &Path) -> usize {
    let mut lines = HashSet::new();
    for (path, bytes) in files(dir) {
        let text = match path.strip_prefix("raw/") {
            Some(name) if name.ends_with(".log") => bytes,
            Some(name) if name.ends_with(".zst") && !name.starts_with(".tmp-") => {
                zstd::decode_all(bytes.as_slice()).unwrap()
            }
            _ => continue,
        };
        let text = String::from_utf8(text).unwrap();
        let is_whole = |line: &&str| {
            line.split(' ').nth(1) == Some("S") && line.as_bytes()[line.len() - 5] == b'~'
        };
        lines.extend(text.lines().filter(is_whole).map(str::to_owned));
    }
    lines.len()
}

#[test]
fn a_failed_sync_goes_on_in_a_new_segment_with_nothing_lost_or_twice() {
    let scratch = Scratch::new();
    let dir = scratch.path("record");
    let disk = Dying::after(i64::MAX);
    let record = open(&disk, &dir).unwrap();
    let mut log = RawWriter::begin(&record, STREAM, &clock(0)).unwrap();
    for body in table_lines(1, &["common"]) {
        log.append_board(BEGAN_US, body.as_bytes());
    }
    log.append_board(BEGAN_US + 1, sample_line(0, &["1"]).as_bytes());
    log.sync().unwrap();
    log.append_board(BEGAN_US + 2, sample_line(1, &["2"]).as_bytes());
    // The write goes through, its sync does not.
    disk.set(1);
    log.sync().unwrap_err();
    log.append_board(BEGAN_US + 3, sample_line(2, &["3"]).as_bytes());
    disk.set(i64::MAX);
    log.sync().unwrap();
    log.finish().unwrap();
    Projector::new(&record, Double::default())
        .unwrap()
        .close(&mut Tap::default())
        .unwrap();
    drop(record);
    assert_eq!(rows(&dir, "samples").len(), 3);
    let raw: Vec<_> = files(&dir)
        .into_keys()
        .filter(|path| path.ends_with(".zst"))
        .collect();
    assert_eq!(
        raw,
        ["raw/7f3a91c2-000001.log.zst", "raw/7f3a91c2-000002.log.zst"]
    );
    let first = &files(&dir)["raw/7f3a91c2-000001.log.zst"];
    let first = String::from_utf8(zstd::decode_all(first.as_slice()).unwrap()).unwrap();
    assert!(first.contains(&sample_line(0, &["1"])) && !first.contains(&sample_line(1, &["2"])));
    assert!(verified(&dir).ok());
}

#[test]
fn a_file_under_which_a_write_failed_is_left_and_everything_goes_on_in_the_next() {
    let scratch = Scratch::new();
    let dir = scratch.path("record");
    let disk = Dying::after(i64::MAX);
    let record = open(&disk, &dir).unwrap();
    let mut log = RawWriter::begin(&record, STREAM, &clock(0)).unwrap();
    log.append_note(BEGAN_US, "job file=job-0001.toml sha256=0a");
    log.append_board(BEGAN_US, b"the first line");
    disk.set(0);
    log.sync().unwrap_err();
    log.append_board(BEGAN_US, b"the second line");
    disk.set(i64::MAX);
    log.finish().unwrap();
    let text = |number: u32| {
        fs::read_to_string(dir.join(format!("raw/7f3a91c2-00000{number}.log"))).unwrap()
    };
    assert_eq!(
        text(1).lines().count(),
        1,
        "what was not synced does not count: {}",
        text(1)
    );
    let counts = format!("left=1:{}", text(1).len());
    assert!(
        text(2).lines().next().unwrap().ends_with(&counts),
        "{}",
        text(2)
    );
    let (noted, said) = (
        format!("#{BEGAN_US} job file=job-0001.toml sha256=0a\n"),
        format!("@{BEGAN_US} the first line\n@{BEGAN_US} the second line\n"),
    );
    assert!(
        text(2).contains(&noted) && text(2).ends_with(&said),
        "{}",
        text(2)
    );
}

#[test]
fn what_a_board_sends_never_passes_for_a_note() {
    let scratch = Scratch::new();
    let dir = scratch.path("record");
    let record = RecordDir::open_with(Arc::new(RealDisk), tight(), &dir, JOB).unwrap();
    let mut log = RawWriter::begin(&record, STREAM, &clock(0)).unwrap();
    log.append_board(5, b"#6 stopped");
    log.append_board(6, b"x\n#7 stopped");
    log.append_board(7, b"\xff\x00\r");
    log.append_part(8, &[b'#'; 250]);
    log.append_note(9, "mark in\nthe middle\x1b");
    log.append_part(10, b"#10 stopped");
    log.end_part(11, b"#11 stopped");
    log.append_part(12, &[b'y'; 400]);
    log.append_part(13, &[b'z'; 300]);
    log.end_part(14, b"");
    log.finish().unwrap();
    let bytes = fs::read(dir.join("raw/7f3a91c2-000001.log")).unwrap();
    let lines: Vec<&[u8]> = bytes.split(|&byte| byte == b'\n').collect();
    let long = [
        b"@8 ".as_slice(),
        &[b'#'; 250],
        b"#10 stopped",
        b"#11 stopped",
    ]
    .concat();
    let expected: [&[u8]; 8] = [
        b"@5 #6 stopped",
        b"@6 x #7 stopped",
        b"@7 \xff\x00\r",
        &long,
        b"#9 mark in the middle ",
        &[b"@12 ".as_slice(), &[b'y'; 400]].concat(),
        &[b"@13 ".as_slice(), &[b'z'; 300]].concat(),
        b"",
    ];
    assert!(lines[0].starts_with(b"#1795651198000000 began wall=1795651198000000 boot=5000000 host-boot=b7 stream=7f3a91c2 segment=1"));
    assert_eq!(&lines[1..], &expected);
}

#[test]
fn every_segment_says_when_the_record_began_and_none_is_written_into_again() {
    let scratch = Scratch::new();
    let dir = scratch.path("record");
    for run in 0..3 {
        let record = RecordDir::create_or_open(&dir, JOB).unwrap();
        assert_eq!(record.is_resumed(), run > 0);
        RawWriter::begin(&record, STREAM, &clock(run * 100))
            .unwrap()
            .finish()
            .unwrap();
    }
    let first = |run: i64| {
        fs::read_to_string(dir.join(format!("raw/7f3a91c2-00000{}.log", run + 1))).unwrap()
    };
    for run in 0..3 {
        let (now, number) = (BEGAN_US + run * 100_000_000, run + 1);
        let note = format!(
            "#{now} began wall={BEGAN_US} boot=5000000 host-boot=b7 stream=7f3a91c2 segment={number}\n"
        );
        assert_eq!(first(run), note);
    }
}

#[test]
fn a_second_recorder_is_told_who_has_the_record() {
    let scratch = Scratch::new();
    let dir = scratch.path("record");
    let _held = RecordDir::create_or_open(&dir, JOB).unwrap();
    match RecordDir::create_or_open(&dir, JOB).err() {
        Some(ArchiveError::Locked { holder, .. }) => {
            assert_eq!(holder, std::process::id().to_string())
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn another_job_file_is_kept_beside_the_first_and_what_is_sealed_stays() {
    let scratch = Scratch::new();
    let dir = scratch.path("record");
    record(&Dying::after(i64::MAX), &dir, 0, 20).unwrap();
    let mut record = open(&Dying::after(i64::MAX), &dir).unwrap();
    assert!(!record.accept_job(JOB).unwrap());
    let other = format!("{JOB}# another\n");
    assert!(record.accept_job(&other).unwrap());
    assert_eq!(record.job_file(), "job-0002.toml");
    assert_eq!(rows(&dir, "samples").len(), 20);
    let texts: Vec<String> = record
        .kept_jobs()
        .unwrap()
        .into_iter()
        .map(|kept| kept.text)
        .collect();
    assert_eq!(texts, [JOB, &other]);
    Projector::new(&record, Double::default())
        .unwrap()
        .close(&mut Tap::default())
        .unwrap();
    drop(record);
    assert_eq!(rows(&dir, "samples").len(), 20);
    let kept = files(&dir);
    assert_eq!(kept["raw/job-0001.toml"], JOB.as_bytes());
    assert_eq!(kept["raw/job-0002.toml"], kept["job.toml"]);
    assert!(verified(&dir).ok(), "{}", verified(&dir));
}

#[test]
fn a_record_can_be_verified_while_it_is_written() {
    let scratch = Scratch::new();
    let dir = scratch.path("record");
    record(&Dying::after(i64::MAX), &dir, 0, 20).unwrap();
    let record = open(&Dying::after(i64::MAX), &dir).unwrap();
    let mut log = RawWriter::begin(&record, STREAM, &clock(2)).unwrap();
    for body in table_lines(1, &["common", "case-top"]) {
        log.append_board(BEGAN_US + 2_000_000, body.as_bytes());
    }
    let at = BEGAN_US + 2_100_000;
    log.append_board(at, sample_line(20, &["1550", "812"]).as_bytes());
    log.append_note(at, "cycle");
    log.sync().unwrap();
    // The raw log is ahead of the tables, and half a line lies behind what is synced.
    log.append_board(at, b"S 21");
    log.flush().unwrap();
    let report = verified(&dir);
    assert!(report.live && report.ok(), "{report}");
    log.finish().unwrap();
    drop(record);
    let report = verified(&dir);
    assert!(
        !report.live && !report.ok(),
        "interrupted: the last rows are in no table"
    );
}

#[test]
fn a_finished_record_can_be_recorded_on() {
    let scratch = Scratch::new();
    let (dir, log) = (scratch.path("record"), scratch.path("night.log"));
    fs::write(&log, recorded(20)).unwrap();
    replay_with(
        Arc::new(RealDisk),
        tight(),
        &[log],
        JOB,
        Double::default(),
        &dir,
        None,
    )
    .unwrap();
    record(&Dying::after(i64::MAX), &dir, 20, 30).unwrap();
    assert_eq!(rows(&dir, "samples").len(), 30);
    assert!(verified(&dir).ok(), "{}", verified(&dir));
}
