//! Replay: recorded logs in, sealed tables out; and verify, which finds whatever was changed afterwards.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)] // tests: a failure is a failure

mod support;

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use nightclamp_archive::{
    ArchiveError, RealDisk, ReplayReport, Result, VerifyReport, replay_with, verify,
};
use sha2::{Digest, Sha256};
use support::{
    BEGAN_US, Double, JOB, Scratch, files, framed, recorded, rows, sample_line, sealed,
    table_lines, tight,
};

fn replay(raw: &[PathBuf], out: &Path, began_us: Option<i64>) -> Result<ReplayReport> {
    replay_with(
        Arc::new(RealDisk),
        tight(),
        raw,
        JOB,
        Double::default(),
        out,
        began_us,
    )
}

fn verified(dir: &Path) -> VerifyReport {
    verify(dir, |_| Ok(Double::default())).unwrap()
}

fn write(path: PathBuf, bytes: &[u8]) -> PathBuf {
    fs::write(&path, bytes).unwrap();
    path
}

#[test]
fn files_are_cut_at_their_limit_and_at_midnight_utc_and_hold_every_row() {
    let scratch = Scratch::new();
    let (log, out) = (
        write(scratch.path("night.log"), &recorded(40)),
        scratch.path("out"),
    );
    let report = replay(&[log], &out, None).unwrap();
    assert_eq!(
        (report.totals.samples, report.totals.lines),
        (40, 1 + 3 + 40 + 10 + 8)
    );
    // 19 samples before midnight, 21 from it on, 7 to a file; marks and cycles 3 to a file.
    let expected = [
        "cycles/unit=freezer/000001.parquet",
        "cycles/unit=freezer/000002.parquet",
        "cycles/unit=freezer/000003.parquet",
        "events/unit=freezer/000001.parquet",
        "events/unit=freezer/000002.parquet",
        "events/unit=freezer/000003.parquet",
        "events/unit=freezer/000004.parquet",
        "samples/board=b-7f3a91c2/date=2026-11-25/000001.parquet",
        "samples/board=b-7f3a91c2/date=2026-11-25/000002.parquet",
        "samples/board=b-7f3a91c2/date=2026-11-25/000003.parquet",
        "samples/board=b-7f3a91c2/date=2026-11-26/000001.parquet",
        "samples/board=b-7f3a91c2/date=2026-11-26/000002.parquet",
        "samples/board=b-7f3a91c2/date=2026-11-26/000003.parquet",
    ];
    assert_eq!(sealed(&out).into_keys().collect::<Vec<_>>(), expected);
    let samples = rows(&out, "samples");
    assert_eq!(samples.len(), 40);
    // As another reader of Parquet prints the rows: names, types and values of the contract.
    assert_eq!(
        samples[4],
        "{time: 2026-11-25 23:59:58.500000 +00:00, arrival: 2026-11-25 23:59:58.500007 +00:00, boot: 1, seq: 4, board_ms: 500, \
         common: 13.476, common_raw: 13476, common_fault: null, case_top: 0.816, case_top_raw: 816, case_top_fault: null}"
    );
    assert!(
        samples[5].ends_with("case_top: null, case_top_raw: null, case_top_fault: \"o\"}"),
        "{}",
        samples[5]
    );
    let events = rows(&out, "events");
    assert_eq!(events.len(), 10);
    assert_eq!(
        events[0],
        "{time: 2026-11-25 23:59:58.400000 +00:00, kind: \"mark\", cause: null, current_a: 1.55, case_c: null, detail: \"at 3\"}"
    );
    let cycles = rows(&out, "cycles");
    assert_eq!(cycles.len(), 8);
    assert_eq!(
        cycles[0],
        "{on_at: 2026-11-25 23:59:58.500000 +00:00, off_at: null, next_on_at: 2026-11-25 23:59:59.000000 +00:00, on_seen: true, \
         on_s: null, off_s: null, start: \"normal\", ended_by: \"control\", cause: null, peak_a: 13.48, run_a: null, end_a: null, \
         i2t_a2s: null, case_on_c: null, case_off_c: null, case_max_c: null, case_reset_c: null, reset_exact: false, \
         disc_c: null, valid: 1.0, basis: \"made to order\", start_s: null, supply_before_v: null, supply_low_v: null, \
         start_lead_peak_a: null, start_lead_a: null, run_first_a: null, run_last_a: null, ambient_on_c: null, floor_a: null, \
         noise_a: null}"
    );
    assert!(
        cycles[7].contains("ended_by: null"),
        "the end of the record makes the last cycle final"
    );
    assert!(verified(&out).ok(), "{}", verified(&out));
}

#[test]
fn the_same_log_gives_the_same_rows_plain_packed_in_pieces_or_as_a_record() {
    let scratch = Scratch::new();
    let log = recorded(40);
    let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gz.write_all(&log).unwrap();
    let half = log
        .iter()
        .enumerate()
        .filter(|(_, byte)| **byte == b'\n')
        .nth(20)
        .unwrap()
        .0
        + 1;
    fs::create_dir(scratch.path("a")).unwrap();
    fs::create_dir(scratch.path("b")).unwrap();
    // The second piece names its stream too, and has the name of the first.
    let mut second = log[..=log.iter().position(|&byte| byte == b'\n').unwrap()].to_vec();
    second.extend_from_slice(&log[half..]);
    let ways: [(&str, Vec<PathBuf>); 4] = [
        ("plain", vec![write(scratch.path("plain.log"), &log)]),
        (
            "gz",
            vec![write(scratch.path("x.log.gz"), &gz.finish().unwrap())],
        ),
        (
            "zst",
            vec![write(
                scratch.path("x.log.zst"),
                &zstd::encode_all(log.as_slice(), 1).unwrap(),
            )],
        ),
        (
            "pieces",
            vec![
                write(scratch.path("a/n.log"), &log[..half]),
                write(scratch.path("b/n.log"), &second),
            ],
        ),
    ];
    for (name, raw) in ways {
        replay(&raw, &scratch.path(name), None).unwrap();
        assert!(
            verified(&scratch.path(name)).ok(),
            "{name}: {}",
            verified(&scratch.path(name))
        );
    }
    replay(&[scratch.path("pieces")], &scratch.path("record"), None).unwrap();
    for other in ["gz", "zst", "pieces", "record"] {
        assert_eq!(
            sealed(&scratch.path("plain")),
            sealed(&scratch.path(other)),
            "{other}"
        );
    }
    let raw: Vec<_> = files(&scratch.path("record"))
        .into_keys()
        .filter(|path| path.starts_with("raw/"))
        .collect();
    assert_eq!(raw, ["raw/2-n.log", "raw/job-0001.toml", "raw/n.log"]);
}

#[test]
fn a_bare_dump_needs_its_beginning() {
    let scratch = Scratch::new();
    let mut lines = table_lines(1, &["common"]);
    lines.extend((0..20).map(|seq| sample_line(seq, &["7"])));
    let dump = write(scratch.path("dump.txt"), lines.join("\n").as_bytes());
    let error = replay(std::slice::from_ref(&dump), &scratch.path("without"), None).unwrap_err();
    assert!(
        matches!(error, ArchiveError::BeganMissing { .. }),
        "{error}"
    );
    assert!(
        !scratch.path("without").exists(),
        "nothing is begun before the call is known to be right"
    );
    let report = replay(&[dump], &scratch.path("out"), Some(BEGAN_US)).unwrap();
    assert_eq!((report.totals.samples, report.totals.torn_lines), (20, 1));
    assert!(
        verified(&scratch.path("out")).ok(),
        "verify knows when it began"
    );
}

#[test]
fn replay_leaves_a_directory_with_anything_in_it_alone() {
    let scratch = Scratch::new();
    let log = write(scratch.path("night.log"), &recorded(4));
    fs::create_dir(scratch.path("out")).unwrap();
    write(scratch.path("out/notes.txt"), b"mine");
    assert!(matches!(
        replay(&[log], &scratch.path("out"), None),
        Err(ArchiveError::NotEmpty { .. })
    ));
    assert_eq!(files(&scratch.path("out")).len(), 1);
}

#[test]
fn a_log_cut_anywhere_gives_the_rows_that_are_whole_and_never_half_a_note() {
    let scratch = Scratch::new();
    let log = recorded(8);
    let tail = log.len() - 150;
    for len in tail..log.len() {
        let out = scratch.path(&format!("out-{len}"));
        let raw = write(scratch.path("cut.log"), &log[..len]);
        let report = replay(&[raw], &out, None).unwrap();
        let text = std::str::from_utf8(&log[..len]).unwrap();
        let is_whole = |line: &&str| {
            line.contains(" S ") && line.len() >= 5 && line.as_bytes()[line.len() - 5] == b'~'
        };
        assert_eq!(
            report.totals.samples as usize,
            text.lines().filter(is_whole).count(),
            "cut at {len}"
        );
        assert_eq!(
            report.totals.torn_lines,
            u64::from(log[len - 1] != b'\n'),
            "cut at {len}"
        );
        let marks: Vec<_> = text
            .split_inclusive('\n')
            .filter(|line| line.contains(" mark ") && line.ends_with('\n'))
            .collect();
        assert_eq!(rows(&out, "events").len(), marks.len(), "cut at {len}");
    }
}

#[test]
fn when_a_place_is_new_all_files_of_the_board_get_its_columns() {
    let scratch = Scratch::new();
    let mut log = String::new();
    let mut at = BEGAN_US;
    let mut say = |line: &str| {
        at += 100_000;
        log += &format!("@{at} {line}\n");
    };
    for (boot, places) in [
        (1, vec!["common", "case"]),
        (2, vec!["case", "dome", "common"]),
        (3, vec!["box"]),
    ] {
        say(&framed("N 0 boot external"));
        table_lines(boot, &places).iter().for_each(|line| say(line));
        for seq in 0..10 {
            say(&sample_line(seq, &vec!["5"; places.len()]));
        }
    }
    let raw = write(scratch.path("grown.log"), log.as_bytes());
    let out = scratch.path("out");
    replay(&[raw], &out, None).unwrap();
    let samples = rows(&out, "samples");
    assert_eq!(samples.len(), 30);
    let names = |row: &String| {
        row.split(", ")
            .map(|field| field.split(':').next().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    assert!(
        samples.iter().all(|row| names(row) == names(&samples[0])),
        "all files have the same columns"
    );
    assert!(
        samples[0].contains("case: 0.005, case_raw: 5, case_fault: null, dome: null")
            && samples[0].ends_with("box_fault: null}")
    );
    assert!(samples[12].contains("dome: 0.005"), "{}", samples[12]);
    assert!(
        samples[29].contains("common: null, common_raw: null, common_fault: null")
            && samples[29].contains("box: 0.005")
    );
    let manifest = fs::read_to_string(out.join("manifest.jsonl")).unwrap();
    assert_eq!(
        manifest.matches("\"replaces\"").count(),
        1 + 3,
        "{manifest}"
    );
    assert!(verified(&out).ok(), "{}", verified(&out));
}

#[test]
fn the_manifest_s_chain_is_what_its_description_says() {
    let scratch = Scratch::new();
    let (log, out) = (
        write(scratch.path("night.log"), &recorded(40)),
        scratch.path("out"),
    );
    replay(&[log], &out, None).unwrap();
    let text = fs::read_to_string(out.join("manifest.jsonl")).unwrap();
    let mut before = "0".repeat(64);
    for line in text.lines() {
        let (body, chain) = line.split_once(",\"chain\":\"").unwrap();
        before = Sha256::digest(format!("{before}\n{body}}}"))
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        assert_eq!(chain, format!("{before}\"}}"));
    }
    assert_eq!(
        text.lines().count(),
        1 + 13 + 1 + 1,
        "the job, the tables, the raw log, and its end"
    );
    assert!(text.contains(
        "\"rows\":7,\"first_time\":\"2026-11-25T23:59:58.100000Z\",\"last_time\":\"2026-11-25T23:59:58.700000Z\",\"sha256\":\""
    ));
    // The commands in the description, with a program that is not ours.
    let check = |dir: &Path| {
        Command::new("bash")
            .arg("-c")
            .arg(include_str!("../src/chain.sh"))
            .current_dir(dir)
            .output()
            .unwrap()
    };
    assert!(check(&out).status.success(), "{:?}", check(&out));
    write(
        out.join("manifest.jsonl"),
        text.replacen("\"rows\":7", "\"rows\":8", 1).as_bytes(),
    );
    assert!(!check(&out).status.success());
}

/// Does something to a record, and what verify has to say then.
type Harm = (&'static str, fn(&Path), &'static str);

#[test]
fn verify_finds_whatever_is_changed() {
    const SAMPLES: &str = "samples/board=b-7f3a91c2/date=2026-11-25";
    const HARMS: &[Harm] = &[
        (
            "a byte of a table",
            |dir| flip(&dir.join(SAMPLES).join("000001.parquet")),
            "000001.parquet: its bytes are not",
        ),
        (
            "a byte of the raw log",
            |dir| flip(&dir.join("raw/night.log")),
            "raw/night.log: its bytes are not",
        ),
        (
            "a table gone",
            |dir| fs::remove_file(dir.join("events/unit=freezer/000001.parquet")).unwrap(),
            "events/unit=freezer/000001.parquet: is not there",
        ),
        (
            "rows twice",
            |dir| {
                let from = dir.join("cycles/unit=freezer/000003.parquet");
                fs::copy(from, dir.join("cycles/unit=freezer/open.parquet")).unwrap();
            },
            "open.parquet: rows 0 to 1: not given by the raw logs",
        ),
        (
            "a table of nobody",
            |dir| {
                let from = dir.join("cycles/unit=freezer/000003.parquet");
                fs::create_dir(dir.join("cycles/unit=cellar")).unwrap();
                fs::copy(from, dir.join("cycles/unit=cellar/000001.parquet")).unwrap();
            },
            "cycles/unit=cellar/000001.parquet: is not in the manifest",
        ),
        (
            "two files swapped",
            |dir| {
                let (a, b) = (
                    dir.join(SAMPLES).join("000001.parquet"),
                    dir.join(SAMPLES).join("000002.parquet"),
                );
                let kept = fs::read(&a).unwrap();
                fs::copy(&b, &a).unwrap();
                fs::write(&b, kept).unwrap();
            },
            "000001.parquet: its bytes are not those that were sealed (7 rows, 2026-11-25T23:59:58.100000Z to",
        ),
        (
            "a manifest line",
            |dir| {
                let path = dir.join("manifest.jsonl");
                let text = fs::read_to_string(&path).unwrap();
                fs::write(path, text.replacen("\"rows\":7", "\"rows\":8", 1)).unwrap();
            },
            "is not what was chained",
        ),
        (
            "a manifest line gone",
            |dir| {
                let path = dir.join("manifest.jsonl");
                let text = fs::read_to_string(&path).unwrap();
                fs::write(
                    path,
                    text.lines()
                        .skip(1)
                        .map(|line| format!("{line}\n"))
                        .collect::<String>(),
                )
                .unwrap();
            },
            "manifest line 1 is not what was chained",
        ),
    ];
    let scratch = Scratch::new();
    let log = scratch.path("night.log");
    for (name, harm, expected) in HARMS {
        let out = scratch.path(name);
        write(log.clone(), &recorded(40));
        replay(std::slice::from_ref(&log), &out, None).unwrap();
        assert!(verified(&out).ok());
        harm(&out);
        let report = verified(&out);
        assert!(
            report.fails.iter().any(|line| line.contains(expected)),
            "{name}: {report}"
        );
        fs::remove_file(&log).unwrap();
    }
}

fn flip(path: &Path) {
    let mut bytes = fs::read(path).unwrap();
    let at = bytes.len() / 2;
    bytes[at] ^= 0x01;
    fs::write(path, bytes).unwrap();
}

#[test]
fn verify_says_which_row_differs_when_the_hashes_are_in_order() {
    // The same record projected by a heart that is off in one row: hashes hold, rows do not.
    let scratch = Scratch::new();
    let mut log = String::from_utf8(recorded(40)).unwrap();
    let out = scratch.path("out");
    let raw = write(scratch.path("night.log"), log.as_bytes());
    replay(&[raw], &out, None).unwrap();
    log = log.replace(
        &sample_line(9, &["13471", "821"]),
        &sample_line(9, &["13471", "822"]),
    );
    fs::remove_file(out.join("raw/night.log")).unwrap();
    write(out.join("raw/night.log"), log.as_bytes());
    let report = verified(&out);
    let expected =
        "date=2026-11-25/000002.parquet: row 2, column case_top: not what the raw logs give";
    assert!(
        report.fails.iter().any(|line| line.contains(expected)),
        "{report}"
    );
}
