//! Old raw logs are removed because somebody set a limit: only what is sealed and vouched for, announced before it goes, and the
//! rows stay; a projection begun without them goes on where they end.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)] // tests: a failure is a failure

mod support;

use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::path::Path;
use std::sync::Arc;

use nightclamp_archive::{
    HostClock, Limits, Notice, Projector, RawWriter, RecordDir, Result, Retention, Topic,
    VerifyReport, Weight, replay_with, verify_with,
};
use support::sim::{Left, Sim};
use support::{BEGAN_US, Double, JOB, Tap, rows_in, sample_line, table_lines};

const STREAM: &str = "7f3a91c2";
const DIR: &str = "/site/record";
const HOUR_US: i64 = 3_600_000_000;
const DAY_US: i64 = 24 * HOUR_US;
/// Nothing is removed.
const ALL: Retention = Retention {
    keep_us: None,
    keep_bytes: None,
};

fn days(days: i64) -> Retention {
    Retention {
        keep_us: Some(days * DAY_US),
        keep_bytes: None,
    }
}

fn dir() -> &'static Path {
    Path::new(DIR)
}

/// Segments are rotated by hand, every six hours; a file of samples is full after 16.
fn limits() -> Limits {
    Limits {
        sample_rows: 16,
        ..Limits::default()
    }
}

fn at(hour: u32) -> i64 {
    BEGAN_US + i64::from(hour) * HOUR_US
}

fn clock(hour: u32) -> HostClock {
    HostClock {
        wall_us: at(hour),
        boot_us: 5_000_000 + i64::from(hour) * HOUR_US,
        host_boot: "b7".into(),
    }
}

/// What is said besides a sample each hour: by default a mark every four and a cycle every five.
type Notes = fn(u32) -> Vec<&'static str>;

fn daily(hour: u32) -> Vec<&'static str> {
    let (mark, cycle) = (hour % 4 == 3, hour % 5 == 4);
    let notes = [mark.then_some("mark by hand"), cycle.then_some("cycle")];
    notes.into_iter().flatten().collect()
}

/// Marks on the first day only, and then never again: no later day cuts their file.
fn once(hour: u32) -> Vec<&'static str> {
    let (mark, cycle) = (hour < 20 && hour % 4 == 3, hour % 5 == 4);
    let notes = [mark.then_some("mark by hand"), cycle.then_some("cycle")];
    notes.into_iter().flatten().collect()
}

/// Records the hours `from..to`, projecting as it goes, removing what the limits allow every six hours. What it had to say.
fn record(
    disk: &Arc<Sim>,
    from: u32,
    to: u32,
    retention: Retention,
    notes: Notes,
) -> Result<Vec<Notice>> {
    let record = RecordDir::open_with(disk.clone(), limits(), dir(), JOB)?;
    let mut log = RawWriter::begin(&record, STREAM, &clock(from))?;
    let mut projector = Projector::new(&record, Double::default())?;
    for body in table_lines(1, &["common", "case-top"]) {
        log.append_board(at(from), body.as_bytes());
    }
    for hour in from..to {
        let us = at(hour) + 1_000;
        log.append_board(us, sample_line(hour, &["1550", "812"]).as_bytes());
        notes(hour)
            .into_iter()
            .for_each(|note| log.append_note(us, note));
        log.sync()?;
        while !projector.step(&mut Tap::default())?.caught_up {}
        if hour % 6 == 5 {
            log.rotate(&clock(hour + 1))?;
            for body in table_lines(1, &["common", "case-top"]) {
                log.append_board(at(hour + 1), body.as_bytes());
            }
            while !projector.step(&mut Tap::default())?.caught_up {}
            projector.seal_ended()?;
            projector.settle()?;
            projector.retain(retention, at(hour) + 2_000)?;
            projector.settle()?;
            while !projector.step(&mut Tap::default())?.caught_up {}
            projector.refresh_open()?;
        }
        projector.settle()?;
    }
    log.finish()?;
    projector.close(&mut Tap::default())?;
    Ok(record.take_notices())
}

fn verified(disk: &Arc<Sim>) -> VerifyReport {
    verify_with(disk.clone(), dir(), |_| Ok(Double::default())).unwrap()
}

fn raw_files(disk: &Sim) -> BTreeSet<String> {
    let files = disk.files(dir()).into_keys();
    files
        .filter(|path| path.starts_with("raw/") && path.contains(".log"))
        .collect()
}

type Rows = BTreeMap<&'static str, Vec<String>>;

/// The rows of each table, in no order: open ones may come before those of a later day.
fn all_rows(disk: &Sim) -> Rows {
    let files = disk.files(dir());
    let sorted = |table| {
        let mut rows = rows_in(&files, table);
        rows.sort();
        (table, rows)
    };
    ["samples", "events", "cycles"].map(sorted).into()
}

/// Asserts that both have the same rows, and says which they have not.
fn assert_same(rows: &Rows, expected: &Rows, context: &str) {
    for (table, expected) in expected {
        let (mut more, mut fewer) = (rows[table].clone(), expected.clone());
        more.retain(|row| take(&mut fewer, row).is_none());
        assert!(
            more.is_empty() && fewer.is_empty(),
            "{context}: {table} has {more:#?} and has not {fewer:#?}"
        );
    }
}

fn take(rows: &mut Vec<String>, row: &String) -> Option<String> {
    let at = rows.iter().position(|other| other == row)?;
    Some(rows.swap_remove(at))
}

/// Paths that the manifest says were removed.
fn announced(disk: &Sim) -> BTreeSet<String> {
    let files = disk.files(dir());
    let manifest = String::from_utf8(files["manifest.jsonl"].clone()).unwrap();
    let removed = manifest
        .lines()
        .filter(|line| line.contains("\"removed\":"));
    let path = |line: &str| line.split('"').nth(3).unwrap().to_owned();
    removed.map(path).collect()
}

fn assert_verifies(disk: &Arc<Sim>, context: &str) -> VerifyReport {
    let report = verified(disk);
    assert!(report.ok(), "{context}: {report}");
    report
}

#[test]
fn raw_logs_older_than_the_limit_go_and_every_row_stays() {
    for notes in [daily as Notes, once] {
        let (kept, limited) = (Sim::new(), Sim::new());
        record(&kept, 0, 240, ALL, notes).unwrap();
        record(&limited, 0, 240, days(3), notes).unwrap();
        assert_same(&all_rows(&limited), &all_rows(&kept), "limited");
        let gone: BTreeSet<String> = &raw_files(&kept) - &raw_files(&limited);
        assert_eq!(gone, announced(&limited));
        // Ten days in forty segments, of which those of the last three days are kept, and the rest of the day before.
        assert!((24..=28).contains(&gone.len()), "{gone:?}");
        let report = assert_verifies(&limited, "limited");
        let said = report.to_string();
        assert!(
            said.contains("were removed because a limit had been set"),
            "{said}"
        );
        assert!(
            said.contains("arrivals, counters and readings the same"),
            "{said}"
        );
    }
}

#[test]
fn raw_logs_beyond_the_limit_of_size_go_but_nothing_of_the_last_day() {
    let (kept, limited, least) = (Sim::new(), Sim::new(), Sim::new());
    record(&kept, 0, 240, ALL, daily).unwrap();
    let bytes = |disk: &Sim| -> usize {
        let files = disk.files(dir()).into_iter();
        let raw = files.filter(|(path, _)| path.contains(".log"));
        raw.map(|(_, bytes)| bytes.len()).sum()
    };
    let most = bytes(&kept) / 2;
    let by_size = |bytes: usize| Retention {
        keep_us: None,
        keep_bytes: Some(bytes as u64),
    };
    record(&limited, 0, 240, by_size(most), daily).unwrap();
    let segment = bytes(&kept) / 40;
    let left = bytes(&limited);
    assert!(
        (most - 2 * segment..=most + segment).contains(&left),
        "{left} of {most}"
    );
    let told = record(&least, 0, 240, by_size(0), daily).unwrap();
    let mut newest = raw_files(&kept).into_iter().rev().take(4);
    assert!(
        newest.all(|path| raw_files(&least).contains(&path)),
        "the last day stays"
    );
    assert!(
        told.iter().any(|notice| notice.topic == Topic::Retention
            && notice.text.contains("more than the limit")),
        "{told:?}"
    );
    for disk in [&limited, &least] {
        assert_same(&all_rows(disk), &all_rows(&kept), "by size");
        assert_verifies(disk, "by size");
    }
}

#[test]
fn a_projection_begun_without_them_gives_the_same_rows_on() {
    for notes in [daily as Notes, once] {
        let (kept, limited) = (Sim::new(), Sim::new());
        for (from, to) in [(0, 170), (170, 171), (171, 300), (300, 410)] {
            record(&kept, from, to, ALL, notes).unwrap();
            record(&limited, from, to, days(3), notes).unwrap();
            let context = format!("stopped at {to}");
            assert_same(&all_rows(&limited), &all_rows(&kept), &context);
            assert_verifies(&limited, &format!("stopped at {to}"));
        }
        assert!(raw_files(&limited).len() < 20);
        // Begun once more where the kept raw logs begin: what it gives is compared in all that it is.
        record(&limited, 410, 430, ALL, notes).unwrap();
        record(&kept, 410, 430, ALL, notes).unwrap();
        assert_same(&all_rows(&limited), &all_rows(&kept), "limited");
        let report = assert_verifies(&limited, "begun anew");
        let same = "the same as derived from the raw logs";
        assert!(
            report.holds.iter().any(|line| line.contains(same)),
            "{report}"
        );
    }
}

#[test]
fn what_cannot_be_vouched_for_stays_with_all_that_is_newer_and_that_is_said() {
    let whole = Sim::new();
    record(&whole, 0, 120, ALL, daily).unwrap();
    let harmed = [
        "raw/7f3a91c2-000003.log.zst",
        "samples/board=b-7f3a91c2/date=2026-11-26/000001.parquet",
        "cycles/unit=freezer/000001.parquet",
    ];
    for path in harmed {
        let disk = whole.copy();
        let mut bytes = disk.files(dir())[path].clone();
        let middle = bytes.len() / 2;
        bytes[middle] ^= 0x10;
        // Behind the back of a projector that has read it already, as a disk would do it.
        let record = RecordDir::open_with(disk.clone(), limits(), dir(), JOB).unwrap();
        let mut projector = Projector::new(&record, Double::default()).unwrap();
        while !projector.step(&mut Tap::default()).unwrap().caught_up {}
        projector.settle().unwrap();
        disk.put(&dir().join(path), &bytes);
        projector.retain(days(1), at(121)).unwrap();
        projector.settle().unwrap();
        let stays: BTreeSet<String> = raw_files(&disk);
        assert!(
            stays.contains("raw/7f3a91c2-000003.log.zst"),
            "{path}: {stays:?}"
        );
        assert_eq!(
            stays.len() + announced(&disk).len(),
            raw_files(&whole).len(),
            "{path}"
        );
        let told = record.standing_notices();
        let is_said = |notice: &Notice| {
            notice.topic == Topic::Retention
                && notice.weight == Weight::Warning
                && notice.text.contains(path)
                && notice.text.contains("are not those that were sealed")
        };
        assert!(told.iter().any(is_said), "{path}: {told:?}");
    }
}

#[test]
fn a_raw_log_stays_while_a_row_that_comes_from_it_is_not_final() {
    let disk = Sim::new();
    // A cycle that begins on the second day and is never over.
    let told = record(&disk, 0, 240, days(1), |hour| match hour {
        4 | 9 | 30 => vec!["cycle"],
        _ => vec![],
    })
    .unwrap();
    let gone = announced(&disk);
    assert!(gone.contains("raw/7f3a91c2-000004.log.zst"), "{gone:?}");
    assert!(!gone.contains("raw/7f3a91c2-000006.log.zst"), "{gone:?}");
    assert!(
        told.iter()
            .any(|notice| notice.text.contains("is not over")),
        "{told:?}"
    );
    assert_verifies(&disk, "not final");
}

#[test]
fn a_raw_log_that_is_gone_unannounced_is_damage() {
    let disk = Sim::new();
    record(&disk, 0, 120, days(3), daily).unwrap();
    let oldest = raw_files(&disk).into_iter().next().unwrap();
    disk.take(&dir().join(&oldest));
    let report = verified(&disk);
    assert!(
        report.fails.iter().any(|line| line.contains(&oldest)),
        "{report}"
    );
}

#[test]
fn a_replay_of_what_is_kept_says_what_is_missing() {
    let disk = Sim::new();
    record(&disk, 0, 240, days(3), daily).unwrap();
    let out = Path::new("/site/again");
    let raw = [dir().to_path_buf()];
    let replayed = replay_with(
        disk.clone(),
        limits(),
        &raw,
        JOB,
        Double::default(),
        out,
        None,
    );
    let notices = replayed.unwrap().notices;
    let is_said =
        |notice: &Notice| notice.topic == Topic::Retention && notice.text.contains("were removed");
    assert!(notices.iter().any(is_said), "{notices:?}");
    let report = verify_with(disk, out, |_| Ok(Double::default())).unwrap();
    assert!(report.ok(), "{report}");
}

/// Opens the record, removes what three days allow, stops.
fn limit(disk: &Arc<Sim>) -> Result<()> {
    let record = RecordDir::open_with(disk.clone(), limits(), dir(), JOB)?;
    let mut projector = Projector::new(&record, Double::default())?;
    while !projector.step(&mut Tap::default())?.caught_up {}
    projector.seal_ended()?;
    projector.settle()?;
    projector.retain(days(2), at(200))?;
    projector.settle()?;
    projector.close(&mut Tap::default())?;
    Ok(())
}

fn recover(disk: &Arc<Sim>) {
    let record = RecordDir::open_with(disk.clone(), limits(), dir(), JOB).unwrap();
    let projector = Projector::new(&record, Double::default()).unwrap();
    projector.close(&mut Tap::default()).unwrap();
}

#[test]
fn the_power_is_cut_at_every_operation_of_a_removal() {
    let before = Sim::new();
    record(&before, 0, 144, ALL, once).unwrap();
    let rows = all_rows(&before);
    let raw = raw_files(&before);
    let whole = before.copy();
    let already = whole.changes();
    limit(&whole).unwrap();
    let operations = whole.changes() - already;
    assert!(announced(&whole).len() > 8, "{:?}", announced(&whole));
    let mut cuts = 0;
    for at in 0..operations {
        for left in [Left::Nothing, Left::All, Left::Zeros, Left::Some(at)] {
            let context = format!("cut at operation {at} of {operations}, {left:?} left");
            let disk = before.copy();
            disk.dies_after(Some(at));
            limit(&disk).unwrap_err();
            disk.cut(left);
            let gone: BTreeSet<String> = &raw - &raw_files(&disk);
            assert!(
                gone.is_subset(&announced(&disk)),
                "{context}: {gone:?} went unannounced"
            );
            recover(&disk);
            let gone: BTreeSet<String> = &raw - &raw_files(&disk);
            assert_eq!(
                gone,
                announced(&disk),
                "{context}: what is announced is done"
            );
            assert_same(&all_rows(&disk), &rows, &context);
            let distinct: HashSet<&String> = rows["samples"].iter().collect();
            assert_eq!(distinct.len(), 144, "{context}");
            assert_verifies(&disk, &context);
            cuts += 1;
        }
    }
    println!(
        "power cut {cuts} times, at each of {operations} operations of removing {} raw logs: nothing went unannounced, no row is lost or twice",
        announced(&whole).len()
    );
}
