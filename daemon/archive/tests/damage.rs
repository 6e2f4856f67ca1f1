//! A record is damaged in every way: verify finds it and names the file and the seconds; carried on, a damaged piece costs
//! itself and not the rest.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)] // tests: a failure is a failure

mod support;

use std::collections::HashSet;
use std::path::Path;
use std::sync::Arc;

use nightclamp_archive::{
    Limits, Notice, Projector, RawWriter, RecordDir, VerifyReport, verify_with,
};
use support::sim::Sim;
use support::{BEGAN_US, Double, JOB, Tap, clock, rows_in, sample_line, table_lines, tight};

const DIR: &str = "/site/record";

fn dir() -> &'static Path {
    Path::new(DIR)
}

/// Frames so small that a segment has several.
fn limits() -> Limits {
    Limits {
        frame_bytes: 300,
        segment_bytes: 1800,
        ..tight()
    }
}

/// A record of so many samples, stopped in good order.
fn recorded(limits: &Limits, samples: u32, is_ended: bool) -> Arc<Sim> {
    let disk = Sim::new();
    let record = RecordDir::open_with(disk.clone(), limits.clone(), dir(), JOB).unwrap();
    let mut log = RawWriter::begin(&record, "7f3a91c2", &clock(0)).unwrap();
    for body in table_lines(1, &["common"]) {
        log.append_board(BEGAN_US, body.as_bytes());
    }
    for seq in 0..samples {
        let at = BEGAN_US + i64::from(seq + 1) * 100_000;
        log.append_board(at, sample_line(seq, &["1550"]).as_bytes());
        if seq % 5 == 4 {
            log.append_note(at, &format!("mark at {seq}"));
            log.append_note(at, "cycle");
        }
        if log.wants_rotation() {
            log.rotate(&clock(1)).unwrap();
        }
    }
    log.finish().unwrap();
    let projector = Projector::new(&record, Double::default()).unwrap();
    if is_ended {
        projector.finish(&mut Tap::default()).unwrap();
    } else {
        projector.close(&mut Tap::default()).unwrap();
    }
    disk
}

fn verified(disk: &Arc<Sim>) -> VerifyReport {
    verify_with(disk.clone(), dir(), |_| Ok(Double::default())).unwrap()
}

fn flip(disk: &Sim, path: &str, at: usize) {
    let mut bytes = disk.files(dir())[path].clone();
    bytes[at] ^= 1 << (at % 8);
    disk.put(&dir().join(path), &bytes);
}

#[test]
fn every_flipped_bit_is_found_and_the_file_is_named() {
    let sound = recorded(&Limits::default(), 8, true);
    assert!(verified(&sound).ok(), "{}", verified(&sound));
    let (mut flipped, files) = (0, sound.files(dir()));
    for (path, bytes) in files.iter().filter(|(path, _)| *path != ".lock") {
        let name = path.strip_suffix(".jsonl").unwrap_or(path);
        for at in 0..bytes.len() {
            let disk = sound.copy();
            flip(&disk, path, at);
            let report = verified(&disk);
            let is_named = report.fails.iter().any(|fail| fail.contains(name));
            assert!(is_named, "{path}, byte {at}: {report}");
            flipped += 1;
        }
    }
    println!(
        "{flipped} bytes of {} files flipped, each found in the file it was in",
        files.len()
    );
}

/// What somebody or something did to a record.
struct Harm {
    what: &'static str,
    harm: fn(&Sim),
    /// In one of the lines of verify that say what does not hold.
    verify: &'static str,
    /// Samples, of 60, that are in the tables once the record was opened and projected again.
    samples: std::ops::RangeInclusive<usize>,
    /// Verify has nothing to say after that.
    is_mended: bool,
    /// What the recorder tells.
    told: &'static str,
}

const RAW_1: &str = "raw/7f3a91c2-000001.log.zst";
const RAW_2: &str = "raw/7f3a91c2-000002.log.zst";
const TABLE_2: &str = "samples/board=b-7f3a91c2/date=2026-11-25/000002.parquet";

fn cut(disk: &Sim, path: &str, share: f64) {
    let bytes = disk.files(dir())[path].clone();
    let len = (bytes.len() as f64 * share) as usize;
    disk.put(&dir().join(path), &bytes[..len]);
}

fn lines(disk: &Sim, change: impl Fn(usize, &str) -> Option<String>) {
    let text = String::from_utf8(disk.files(dir())["manifest.jsonl"].clone()).unwrap();
    let changed: String = text
        .lines()
        .enumerate()
        .filter_map(|(at, line)| Some(change(at, line)? + "\n"))
        .collect();
    disk.put(&dir().join("manifest.jsonl"), changed.as_bytes());
}

fn harms() -> Vec<Harm> {
    let all = 60..=60;
    vec![
        Harm {
            what: "a frame in the middle of a sealed raw log is garbage",
            harm: |disk| {
                let bytes = disk.files(dir())[RAW_1].clone();
                let mut bad = bytes.clone();
                let middle = bytes.len() / 2;
                bad[middle..middle + 20].fill(0xa5);
                disk.put(&dir().join(RAW_1), &bad);
            },
            verify: "raw/7f3a91c2-000001.log.zst: bytes ",
            samples: all.clone(),
            is_mended: false,
            told: "are damaged: what was said between",
        },
        Harm {
            what: "a sealed raw log is cut short",
            harm: |disk| cut(disk, RAW_2, 0.6),
            verify: "raw/7f3a91c2-000002.log.zst: ",
            // The last rows were in no sealed table yet.
            samples: 50..=59,
            is_mended: false,
            told: "are damaged: what was said between",
        },
        Harm {
            what: "a sealed raw log begins with garbage",
            harm: |disk| flip(disk, RAW_1, 1),
            verify: "raw/7f3a91c2-000001.log.zst: its bytes are not those",
            // Without its channel table a sample is nobody's, until the board says it again.
            samples: 50..=60,
            is_mended: false,
            told: "between the beginning and",
        },
        Harm {
            what: "a sealed raw log is empty",
            harm: |disk| disk.put(&dir().join(RAW_1), b""),
            verify: "raw/7f3a91c2-000001.log.zst: 0 bytes, ",
            // Without its channel table a sample is nobody's, until the board says it again.
            samples: 50..=60,
            is_mended: false,
            told: "raw/7f3a91c2-000001.log.zst: is listed in the manifest and not there, or empty",
        },
        Harm {
            what: "a sealed raw log is gone",
            harm: |disk| disk.take(&dir().join(RAW_1)),
            verify: "raw/7f3a91c2-000001.log.zst: is not there",
            // Without its channel table a sample is nobody's, until the board says it again.
            samples: 50..=60,
            is_mended: false,
            told: "raw/7f3a91c2-000001.log.zst: is listed in the manifest and not there, or empty",
        },
        Harm {
            what: "the newest raw log, never sealed, ends in half a line",
            harm: |disk| {
                let torn = format!(
                    "#{BEGAN_US} began wall={BEGAN_US} boot=5000000 host-boot=b7 stream=7f3a91c2 segment=9\n@{BEGAN_US} S 61 6"
                );
                disk.put(&dir().join("raw/7f3a91c2-000009.log"), torn.as_bytes());
            },
            verify: "",
            samples: all.clone(),
            is_mended: true,
            told: "",
        },
        Harm {
            what: "a byte of a sealed table is flipped",
            harm: |disk| flip(disk, TABLE_2, 100),
            verify: "date=2026-11-25/000002.parquet: its bytes are not those",
            samples: all.clone(),
            is_mended: true,
            told: "was damaged; it is made again, the damaged one lies in damaged/samples~board=b-7f3a91c2~",
        },
        Harm {
            what: "a sealed table is gone",
            harm: |disk| disk.take(&dir().join(TABLE_2)),
            verify: "before row 0: 7 rows that the raw logs give are not in the table",
            samples: all.clone(),
            is_mended: true,
            told: "",
        },
        Harm {
            what: "a sealed table is cut short",
            harm: |disk| cut(disk, TABLE_2, 0.5),
            verify: "date=2026-11-25/000002.parquet: ",
            samples: all.clone(),
            is_mended: true,
            told: "was damaged; it is made again",
        },
        Harm {
            what: "two sealed tables are exchanged",
            harm: |disk| {
                let first = TABLE_2.replace("000002", "000001");
                let files = disk.files(dir());
                disk.put(&dir().join(TABLE_2), &files[&first]);
                disk.put(&dir().join(&first), &files[TABLE_2]);
            },
            verify: "000002.parquet: its bytes are not those",
            samples: all.clone(),
            is_mended: true,
            told: "was damaged; it is made again",
        },
        Harm {
            what: "the rows that are not sealed are garbage",
            harm: |disk| {
                disk.put(
                    &dir().join("events/unit=freezer/open.parquet"),
                    b"PAR1 or not",
                )
            },
            verify: "events/unit=freezer/open.parquet",
            samples: all.clone(),
            is_mended: true,
            told: "",
        },
        Harm {
            what: "the last manifest line is cut short",
            harm: |disk| cut(disk, "manifest.jsonl", 0.99),
            verify: "the last line of the manifest is torn",
            samples: all.clone(),
            is_mended: true,
            told: "",
        },
        Harm {
            what: "a manifest line is gone",
            harm: |disk| lines(disk, |at, line| (at != 3).then(|| line.to_owned())),
            verify: "manifest line 4 is not what was chained",
            samples: all.clone(),
            is_mended: false,
            told: "manifest line 4",
        },
        Harm {
            what: "a manifest line is garbage",
            harm: |disk| {
                lines(disk, |at, line| {
                    Some(if at == 3 {
                        line.replace('"', "?")
                    } else {
                        line.to_owned()
                    })
                })
            },
            verify: "manifest line 4 has no chain",
            samples: all.clone(),
            is_mended: false,
            told: "manifest line 4",
        },
        Harm {
            what: "the manifest is gone",
            harm: |disk| disk.take(&dir().join("manifest.jsonl")),
            verify: "is not in the manifest",
            samples: all.clone(),
            is_mended: true,
            told: "manifest.jsonl: is not there",
        },
        Harm {
            what: "the copy of the job file in force is gone",
            harm: |disk| disk.take(&dir().join("job.toml")),
            verify: "job.toml: is not there; it is a copy of raw/job-0001.toml",
            samples: all,
            is_mended: true,
            told: "",
        },
    ]
}

/// Opens the record again and projects it; what it tells.
fn carried_on(disk: &Arc<Sim>) -> Vec<Notice> {
    let record = RecordDir::open_with(disk.clone(), limits(), dir(), JOB).unwrap();
    let projector = Projector::new(&record, Double::default()).unwrap();
    projector.close(&mut Tap::default()).unwrap();
    record.take_notices()
}

fn samples(disk: &Sim) -> usize {
    let rows = rows_in(&disk.files(dir()), "samples");
    let distinct: HashSet<_> = rows.iter().collect();
    assert_eq!(distinct.len(), rows.len(), "a row twice");
    rows.len()
}

#[test]
fn damage_is_named_and_costs_itself() {
    let sound = recorded(&limits(), 60, false);
    assert!(verified(&sound).ok(), "{}", verified(&sound));
    let before = sound.files(dir());
    for harm in harms() {
        let disk = sound.copy();
        (harm.harm)(&disk);
        let what = harm.what;
        let report = verified(&disk);
        let is_named =
            harm.verify.is_empty() || report.fails.iter().any(|fail| fail.contains(harm.verify));
        assert!(is_named, "{what}: {report}");
        assert!(harm.verify.is_empty() || !report.ok(), "{what}");
        let notices = carried_on(&disk);
        let is_told =
            harm.told.is_empty() || notices.iter().any(|notice| notice.text.contains(harm.told));
        assert!(is_told, "{what}: {notices:?}");
        assert!(
            harm.samples.contains(&samples(&disk)),
            "{what}: {} samples",
            samples(&disk)
        );
        let report = verified(&disk);
        assert_eq!(report.ok(), harm.is_mended, "{what}, carried on: {report}");
        // What was sealed and is sound is there as it was.
        let after = disk.files(dir());
        let is_sealed = |path: &str| path.ends_with(".parquet") && !path.ends_with("open.parquet");
        for (path, bytes) in before.iter().filter(|(path, _)| is_sealed(path)) {
            assert_eq!(after.get(path), Some(bytes), "{what}: {path}");
        }
        println!(
            "{what}: found, told, {} of 60 samples in the tables, mended by carrying on: {}",
            samples(&disk),
            harm.is_mended
        );
    }
}

#[test]
fn what_cannot_be_read_is_bounded_to_the_second_and_recording_goes_on_after_it() {
    let disk = recorded(&limits(), 60, false);
    let bytes = disk.files(dir())[RAW_1].clone();
    flip(&disk, RAW_1, bytes.len() / 2);
    let report = verified(&disk);
    let hole = report
        .fails
        .iter()
        .find(|fail| fail.contains("cannot be read"))
        .unwrap();
    let rows = report
        .fails
        .iter()
        .find(|fail| fail.starts_with("samples") && fail.contains("not given"))
        .unwrap();
    let instants = |text: &str| -> Vec<f64> {
        let instant = |word: &str| {
            let time = chrono::DateTime::parse_from_rfc3339(word.trim_end_matches(',')).ok()?;
            Some(time.timestamp_micros() as f64 / 1e6)
        };
        text.split_whitespace().filter_map(instant).collect()
    };
    let (hole, rows) = (instants(hole), instants(rows));
    assert!(hole.len() == 2 && rows.len() == 2, "{report}");
    assert!(
        hole[0] < rows[0] && rows[1] < hole[1] && hole[1] - hole[0] < 1.1,
        "{report}"
    );
    // Another run of the recorder, and one more: nothing of what was sealed changes, the new samples come after it.
    for run in 0..2 {
        let record = RecordDir::open_with(disk.clone(), limits(), dir(), JOB).unwrap();
        let mut log = RawWriter::begin(&record, "7f3a91c2", &clock(60 + run)).unwrap();
        let begin = BEGAN_US + (60 + run) * 1_000_000;
        for body in table_lines(2 + run as u32, &["common"]) {
            log.append_board(begin, body.as_bytes());
        }
        for seq in 0..10 {
            log.append_board(
                begin + i64::from(seq + 1) * 50_000,
                sample_line(seq, &["7"]).as_bytes(),
            );
        }
        log.finish().unwrap();
        let projector = Projector::new(&record, Double::default()).unwrap();
        projector.close(&mut Tap::default()).unwrap();
    }
    assert_eq!(samples(&disk), 80);
}

#[test]
fn a_finished_record_that_is_damaged_is_left_as_it_is() {
    let disk = recorded(&limits(), 60, true);
    flip(&disk, RAW_1, 200);
    let before = disk.files(dir());
    let refused = RecordDir::open_with(disk.clone(), limits(), dir(), JOB).err();
    assert!(refused.is_some_and(|error| error.to_string().contains(RAW_1)));
    let mut after = disk.files(dir());
    after.retain(|path, _| before.contains_key(path));
    assert_eq!(after, before);
}
