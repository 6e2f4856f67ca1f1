//! The power is cut at any instant: what the disk acknowledged is there, nothing is twice, published files are whole.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)] // tests: a failure is a failure

mod support;

use std::collections::HashSet;
use std::path::Path;
use std::sync::Arc;

use nightclamp_archive::{Projector, RecordDir, Result, verify_with};
use support::sim::{Dice, Left, Sim};
use support::{Double, JOB, Tap, record_samples, rows_in, tight};

const DIR: &str = "/site/record";
const SAMPLES: u32 = 30;

fn dir() -> &'static Path {
    Path::new(DIR)
}

fn open(disk: &Arc<Sim>) -> Result<RecordDir> {
    RecordDir::open_with(disk.clone(), tight(), dir(), JOB)
}

/// See [`record_samples`].
fn record(disk: &Arc<Sim>, from: u32, to: u32, acknowledged: &mut u32) -> Result<()> {
    record_samples(&open(disk)?, from, to, acknowledged)
}

/// Opens the record after a cut and projects it up to its end.
fn recover(disk: &Arc<Sim>) -> Result<()> {
    let record = open(disk)?;
    Projector::new(&record, Double::default())?.close(&mut Tap::default())?;
    Ok(())
}

/// The counters of the samples in the tables; none twice, every file whole.
fn seqs(disk: &Sim, context: &str) -> HashSet<u32> {
    let files = disk.files(dir());
    let mut seqs = HashSet::new();
    for row in rows_in(&files, "samples") {
        let seq = row
            .split("seq: ")
            .nth(1)
            .unwrap()
            .split(',')
            .next()
            .unwrap();
        assert!(
            seqs.insert(seq.parse().unwrap()),
            "{context}: {row} is there twice"
        );
    }
    for table in ["events", "cycles"] {
        let rows = rows_in(&files, table);
        let distinct: HashSet<_> = rows.iter().collect();
        assert_eq!(
            distinct.len(),
            rows.len(),
            "{context}: {table} has a row twice"
        );
    }
    seqs
}

/// What has to hold of a record that was carried on after a cut.
fn check(disk: &Arc<Sim>, acknowledged: u32, context: &str) {
    let seqs = seqs(disk, context);
    let lost: Vec<u32> = (0..acknowledged)
        .filter(|seq| !seqs.contains(seq))
        .collect();
    assert!(
        lost.is_empty(),
        "{context}: acknowledged and not there: {lost:?}"
    );
    let files = disk.files(dir());
    let unfinished: Vec<_> = files.keys().filter(|path| path.contains(".tmp-")).collect();
    assert!(unfinished.is_empty(), "{context}: {unfinished:?}");
    if files.keys().any(|path| path == "raw/job-0001.toml") {
        let report = verify_with(disk.clone(), dir(), |_| Ok(Double::default())).unwrap();
        assert!(report.ok(), "{context}: {report}");
    } else {
        assert_eq!(acknowledged, 0, "{context}");
    }
}

/// Operations that change something in a whole recording.
fn changes() -> u64 {
    let disk = Sim::new();
    record(&disk, 0, SAMPLES, &mut 0).unwrap();
    check(&disk, SAMPLES, "not cut");
    disk.changes()
}

/// What a cut leaves of what was not synced, for the cut at this operation.
fn ways(at: u64) -> Vec<Left> {
    if std::env::var_os("NIGHTCLAMP_EVERY_CUT").is_some() {
        let some = (0..8).map(|more| Left::Some(at + more * 1_000_000));
        return some
            .chain([Left::Nothing, Left::All, Left::Zeros])
            .collect();
    }
    let turn = [Left::Nothing, Left::All, Left::Zeros];
    vec![turn[at as usize % turn.len()], Left::Some(at)]
}

#[test]
fn the_power_is_cut_at_every_operation() {
    let changes = changes();
    let mut cuts = 0;
    for at in 0..changes {
        for left in ways(at) {
            let context = format!("cut at operation {at} of {changes}, {left:?} left");
            let (disk, mut acknowledged) = (Sim::new(), 0);
            disk.dies_after(Some(at));
            record(&disk, 0, SAMPLES, &mut acknowledged).unwrap_err();
            disk.cut(left);
            // Published files are whole before anybody has cleaned up.
            seqs(&disk, &context);
            recover(&disk).unwrap_or_else(|error| panic!("{context}: {error}"));
            check(&disk, acknowledged, &context);
            cuts += 1;
        }
    }
    println!(
        "power cut {cuts} times, at each of {changes} operations: nothing acknowledged was lost, nothing is twice"
    );
}

#[test]
fn the_power_is_cut_again_while_it_recovers() {
    let changes = changes();
    let (mut dice, mut cuts) = (Dice(7), 0);
    for at in (0..changes).step_by(11) {
        let (disk, mut acknowledged) = (Sim::new(), 0);
        disk.dies_after(Some(at));
        record(&disk, 0, SAMPLES, &mut acknowledged).unwrap_err();
        disk.cut(Left::Some(at));
        for again in 0.. {
            let left = Left::Some(dice.below(u64::MAX));
            let context = format!("cut at {at}, again at {again} of the recovery, {left:?} left");
            let second = disk.copy();
            second.dies_after(Some(again));
            let ended = recover(&second);
            second.cut(left);
            seqs(&second, &context);
            recover(&second).unwrap_or_else(|error| panic!("{context}: {error}"));
            check(&second, acknowledged, &context);
            cuts += 1;
            if ended.is_ok() {
                break;
            }
        }
    }
    println!(
        "power cut {cuts} times while recovering: nothing acknowledged was lost, nothing is twice"
    );
}

#[test]
fn the_recorder_is_killed_and_the_power_goes_while_or_after_it_recovers() {
    // What a killed recorder had written and not synced is read by the next one: it must not go with a later cut.
    let (changes, mut dice) = (changes(), Dice(11));
    for at in 0..changes {
        let (disk, mut acknowledged) = (Sim::new(), 0);
        disk.dies_after(Some(at));
        record(&disk, 0, SAMPLES, &mut acknowledged).unwrap_err();
        disk.kill();
        let again = dice.below(60);
        let context =
            format!("killed at operation {at} of {changes}, cut at {again} of the recovery");
        let second = disk.copy();
        second.dies_after(Some(again));
        recover(&second).unwrap_or_default();
        second.cut(Left::Nothing);
        recover(&second).unwrap_or_else(|error| panic!("{context}: {error}"));
        check(&second, acknowledged, &context);
        recover(&disk).unwrap_or_else(|error| panic!("killed at {at}: {error}"));
        let before = seqs(&disk, "killed");
        disk.cut(Left::Nothing);
        let context = format!("killed at operation {at} of {changes}, cut after it had recovered");
        recover(&disk).unwrap_or_else(|error| panic!("{context}: {error}"));
        check(&disk, acknowledged, &context);
        assert_eq!(seqs(&disk, &context), before, "{context}");
    }
}

#[test]
fn a_night_of_power_cuts_keeps_everything_acknowledged() {
    let mut dice = Dice(3);
    for night in 0..12 {
        let (disk, mut from, mut kept) = (Sim::new(), 0, HashSet::new());
        for cut in 0..12 {
            let (mut acknowledged, to) = (from, from + 14);
            disk.dies_after(Some(dice.below(90)));
            let ended = record(&disk, from, to, &mut acknowledged);
            disk.cut(Left::Some(dice.below(u64::MAX)));
            kept.extend(from..acknowledged);
            let context = format!("night {night}, cut {cut}, {:?}", ended.err());
            seqs(&disk, &context);
            from = to;
        }
        recover(&disk).unwrap();
        let there = seqs(&disk, "at the end");
        let lost: Vec<_> = kept.iter().filter(|seq| !there.contains(seq)).collect();
        assert!(lost.is_empty(), "night {night}: {lost:?}");
        check(&disk, 0, &format!("night {night}"));
    }
}
