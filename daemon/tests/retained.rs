//! Old raw logs, in the program as it is called: kept without a limit, removed by the running recorder with one, and what is left
//! still checks, also for who has only common tools.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

mod common;

use std::fs;
use std::path::Path;
use std::process::Command;

use common::process::{Process, call};
use common::wire::{Talker, wall_us};
use common::{Scratch, files, job_text, samples_in_raw, steady, wait_until};
use nightclamp_archive::{HostClock, RawWriter, RecordDir};
use nightclamp_simboard::{Arrivals, SimBoard, write_raw_log};

const BOARD: u32 = 0x7f3a_91c2;
const DAY_US: i64 = 86_400_000_000;
/// Raw logs are begun anew after so long.
const ROTATED_US: i64 = 7_200_000_000;

/// What a recorder wrote four days ago, in six hours: raw logs, and not a table yet.
fn old_logs(dir: &Path, job: &str) {
    let mut scenario = steady(BOARD, 3);
    scenario.board.period_ms = 10_000;
    let began_us = wall_us() - 4 * DAY_US;
    let (mut board, mut log) = (SimBoard::new(scenario), Vec::new());
    let arrivals = &mut Arrivals::calm(3);
    write_raw_log(&mut board, began_us, 21_600.0, arrivals, &mut log, true).unwrap();
    let clock = |us: i64| HostClock {
        wall_us: us,
        boot_us: us - began_us + DAY_US,
        host_boot: "four-days-ago".to_owned(),
    };
    let record = RecordDir::create_or_open(dir, job).unwrap();
    let mut raw = RawWriter::begin(&record, &format!("{BOARD:08x}"), &clock(began_us)).unwrap();
    let log = String::from_utf8(log).unwrap();
    let (mut table, mut round) = (Vec::new(), 1);
    for line in log.lines().filter(|line| line.starts_with('@')) {
        let (stamp, text) = line.split_once(' ').unwrap();
        let us: i64 = stamp[1..].parse().unwrap();
        if us - began_us >= round * ROTATED_US {
            raw.rotate(&clock(us)).unwrap();
            table
                .iter()
                .for_each(|text: &&str| raw.append_board(us, text.as_bytes()));
            round += 1;
        }
        raw.append_board(us, text.as_bytes());
        if text.starts_with(['H', 'C']) {
            table.push(text);
        }
    }
    raw.finish().unwrap();
}

fn raw_logs(record: &Path) -> Vec<String> {
    let logs = files(&record.join("raw"), "").into_iter();
    logs.map(|path| path.file_name().unwrap().to_string_lossy().into_owned())
        .filter(|name| name.starts_with("7f3a91c2-") && name.contains(".log"))
        .collect()
}

#[test]
fn the_recorder_removes_old_raw_logs_only_if_it_is_called_so_and_the_rest_holds() {
    let scratch = Scratch::new("retained");
    let [record, port, job, said] =
        ["record", "port", "job.toml", "said.txt"].map(|name| scratch.join(name));
    let text = job_text(&steady(BOARD, 3), &port);
    fs::write(&job, &text).unwrap();
    old_logs(&record, &text);
    let oldest = "7f3a91c2-000001.log";
    let has_oldest = || {
        raw_logs(&record)
            .iter()
            .any(|name| name.starts_with(oldest))
    };

    // Without a limit everything stays, however old it is.
    let board = Talker::start(steady(BOARD, 2), &port);
    let recorder = Process::record(&job, &record, &said);
    wait_until("the board is recorded again, four days later", || {
        samples_in_raw(&record) > 2_170
    });
    assert!(recorder.stop().success());
    assert!(has_oldest(), "{:?}", raw_logs(&record));

    // With one, at once and once an hour.
    let recorder = Process::record_with(&job, &record, &said, |call| {
        call.args(["--keep-raw-days", "1"])
    });
    wait_until("the oldest raw log is removed", || !has_oldest());
    assert!(recorder.stop().success());
    drop(board);
    let manifest = fs::read_to_string(record.join("manifest.jsonl")).unwrap();
    let removed = |line: &&str| line.contains(oldest) && line.contains("\"removed\":");
    assert_eq!(manifest.lines().filter(removed).count(), 1);
    let verified = call(&["verify".as_ref(), &record]);
    assert!(verified.contains("removed"), "{verified}");

    // Packed for a stranger: the list of what was sealed names a log that is no longer there, and holds.
    let pack = scratch.join("out.zip");
    call(&["report".as_ref(), "--pack".as_ref(), &*pack, &*record]);
    let python = |arguments: &[&str], dir: &Path| {
        let output = Command::new("python3")
            .args(arguments)
            .current_dir(dir)
            .output();
        let output = output.unwrap();
        let said = [output.stdout, output.stderr].concat();
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&said)
        );
        String::from_utf8_lossy(&said).into_owned()
    };
    python(
        &["-m", "zipfile", "-e", "out.zip", "unpacked"],
        &scratch.join(""),
    );
    let folder = scratch.join("unpacked/evidence");
    let chain = python(&["check_chain.py"], &folder);
    assert!(chain.starts_with("holds: "), "{chain}");
    let readme = fs::read_to_string(folder.join("README.txt")).unwrap();
    assert!(
        readme.contains("raw logs were removed on purpose"),
        "{readme}"
    );
}
