//! A real file system of a few megabytes fills and is emptied again. Mounting one needs root: without, the test says that it
//! was skipped, and the simulated disk of `failures.rs` has to do.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)] // tests: a failure is a failure

#[path = "support/mounted.rs"]
mod mounted;
mod support;

use std::fs;
use std::path::Path;

use mounted::Mounted;
use nightclamp_archive::{Projector, RawWriter, RecordDir, Topic, Weight, verify};
use support::{BEGAN_US, Double, JOB, Scratch, Tap, clock, files, rows, sample_line, table_lines};

const SIZE_BYTES: usize = 4 << 20;

fn samples(log: &mut RawWriter, from: u32, to: u32) {
    for seq in from..to {
        let at = BEGAN_US + i64::from(seq + 1) * 100_000;
        log.append_board(at, sample_line(seq, &["1550"]).as_bytes());
    }
}

fn old_files(dir: &Path) -> Vec<(String, Vec<u8>)> {
    let is_sealed = |path: &String| path.ends_with(".zst") || path.contains("job");
    files(dir)
        .into_iter()
        .filter(|(path, _)| is_sealed(path))
        .collect()
}

#[test]
fn a_real_disk_fills_and_recording_goes_on_alone_when_there_is_space() {
    let scratch = Scratch::new();
    let Some(mounted) = Mounted::new(scratch.path("small"), SIZE_BYTES) else {
        println!("skipped: a file system of 4 MB could not be mounted (that needs root)");
        return;
    };
    let dir = mounted.path().join("record");
    let record = RecordDir::create_or_open(&dir, JOB).unwrap();
    let mut log = RawWriter::begin(&record, "7f3a91c2", &clock(0)).unwrap();
    for body in table_lines(1, &["common"]) {
        log.append_board(BEGAN_US, body.as_bytes());
    }
    samples(&mut log, 0, 1_000);
    log.rotate(&clock(100)).unwrap();
    let mut projector = Projector::new(&record, Double::default()).unwrap();
    while !projector.step(&mut Tap::default()).unwrap().caught_up {}
    projector.seal_ended().unwrap();
    projector.settle().unwrap();
    let before = old_files(&dir);
    // Somebody else fills the disk to its last byte.
    let ballast = mounted.path().join("ballast");
    let filled = fs::write(&ballast, vec![0x55; SIZE_BYTES]);
    assert_eq!(filled.unwrap_err().kind(), std::io::ErrorKind::StorageFull);
    let mut refused = 0;
    for second in 0..60 {
        samples(&mut log, 1_000 + second * 50, 1_050 + second * 50);
        refused += u32::from(log.sync().is_err());
        record.watch_space(i64::from(second) * 60_000_000).unwrap();
    }
    assert!(refused > 50, "{refused} syncs refused");
    let notices = record.take_notices();
    let is_told = |topic| {
        notices
            .iter()
            .any(|notice| notice.topic == topic && notice.weight >= Weight::Warning)
    };
    assert!(
        is_told(Topic::RawLog) && is_told(Topic::Space),
        "{notices:?}"
    );
    assert_eq!(old_files(&dir), before, "everything old is kept");
    fs::remove_file(&ballast).unwrap();
    samples(&mut log, 4_000, 4_100);
    log.sync().unwrap();
    assert!(
        record
            .take_notices()
            .iter()
            .any(|notice| notice.weight == Weight::Well)
    );
    assert_eq!(log.dropped(), 0);
    log.finish().unwrap();
    projector.close(&mut Tap::default()).unwrap();
    drop(record);
    assert_eq!(rows(&dir, "samples").len(), 4_100);
    let report = verify(&dir, |_| Ok(Double::default())).unwrap();
    assert!(report.ok(), "{report}");
    println!("a disk of 4 MB filled, {refused} syncs refused, none of 4100 samples lost, verified");
}
