//! Handing a record on, as it is called: customer, pack, key, request, check, CSV.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

mod common;

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use common::Scratch;
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, job_toml, write_raw_log};

/// 2026-11-25 18:00 UTC, µs.
const BEGIN_US: i64 = 1_795_629_600_000_000;

/// Runs the call in a directory.
fn nightclamp(dir: &Path, call: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_nightclamp"));
    command
        .args(call.split(' '))
        .current_dir(dir)
        .output()
        .unwrap()
}

/// Runs the call; checks its exit code, and that all `parts` are in what it says.
#[track_caller]
fn said(dir: &Path, call: &str, code: i32, parts: &[&str]) -> String {
    let output = nightclamp(dir, call);
    let said = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
    assert_eq!(output.status.code(), Some(code), "{call}: {said}");
    for part in parts {
        assert!(said.contains(part), "{call}: {part:?} is missing in {said}");
    }
    said
}

/// A finished record of an hour in `DIR/record`.
fn record(dir: &Path) {
    let scenario = Scenario::by_name("demo", 3).unwrap();
    fs::write(dir.join("job.toml"), job_toml(&scenario)).unwrap();
    let (mut board, mut log) = (SimBoard::new(scenario), Vec::new());
    write_raw_log(
        &mut board,
        BEGIN_US,
        3600.0,
        &mut Arrivals::calm(3),
        &mut log,
        true,
    )
    .unwrap();
    fs::write(dir.join("night.log"), log).unwrap();
    said(dir, "replay night.log --job job.toml --out record", 0, &[]);
}

#[test]
fn a_record_is_handed_on_and_checked() {
    let scratch = Scratch::new("evidence");
    let dir = &scratch.join("");
    record(dir);
    fs::write(dir.join("wrong.toml"), "[customer]\nnmae = \"x\"\n").unwrap();
    said(
        dir,
        "customer record --set wrong.toml",
        2,
        &["wrong.toml:2: ", "nmae"],
    );
    fs::write(
        dir.join("c.toml"),
        "[customer]\nname = \"Harbour Bakery\"\n",
    )
    .unwrap();
    said(dir, "customer record --set c.toml", 0, &["is set"]);
    said(dir, "customer record", 0, &["name: Harbour Bakery"]);
    said(dir, "verify record", 0, &["holds: manifest"]);

    let made = Command::new("ssh-keygen")
        .args([
            "-q",
            "-t",
            "ed25519",
            "-N",
            "under the freezer",
            "-f",
            "key",
        ])
        .current_dir(dir)
        .status();
    assert!(made.unwrap().success());
    fs::write(dir.join("passphrase"), "under the freezer\n").unwrap();
    said(
        dir,
        "report record --pack no.zip --sign key",
        2,
        &["key: is encrypted", "--passphrase-file"],
    );
    assert!(!dir.join("no.zip").exists());
    let call = "report record --pack out.zip --sign key --passphrase-file passphrase --without-customer --time-stamp-request";
    said(
        dir,
        call,
        0,
        &[
            "out.zip: ",
            "left out",
            "Signed with the key SHA256:",
            "out.zip.tsq",
        ],
    );
    said(dir, call, 2, &["out.zip: is there already"]);
    said(
        dir,
        "verify out.zip --signer key.pub",
        0,
        &["which is one of yours", "left out on request"],
    );
    said(dir, "verify nothing.zip", 1, &["nothing.zip"]);
    fs::write(dir.join("out.zip.tsr"), "no answer").unwrap();
    said(
        dir,
        "verify out.zip",
        1,
        &[
            "DOES NOT HOLD: time stamp: ",
            "out.zip: does not agree with itself",
        ],
    );
}

/// Copies a record file by file, so that each is as old as the copy.
fn copied(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().flatten() {
        let to = to.join(entry.file_name());
        match entry.file_type().unwrap().is_dir() {
            true => copied(&entry.path(), &to),
            false => fs::write(to, fs::read(entry.path()).unwrap()).unwrap(),
        }
    }
}

#[test]
fn a_report_and_a_pack_are_the_same_bytes_wherever_and_whenever_they_are_made() {
    let scratch = Scratch::new("same");
    let dir = &scratch.join("");
    record(dir);
    let call = "report record --out report --pack out.zip";
    let made = |dir: &Path| {
        ["report.pdf", "report.html", "out.zip"].map(|name| fs::read(dir.join(name)).unwrap())
    };
    said(dir, call, 0, &[]);
    let here = made(dir);

    // In a directory of another name, its files of another day, on a host with another zone and language, by a relative path.
    let elsewhere = dir.join("somewhere else");
    copied(&dir.join("record"), &elsewhere.join("kept/record of May"));
    let day = std::time::UNIX_EPOCH + std::time::Duration::from_secs(1_000_000_000);
    for path in common::files(&elsewhere, "") {
        fs::File::open(path).unwrap().set_modified(day).unwrap();
    }
    let output = Command::new(env!("CARGO_BIN_EXE_nightclamp"))
        .args(["report", "../kept/record of May", "--out", "../report"])
        .args(["--pack", "../out.zip"])
        .env("TZ", "Pacific/Auckland")
        .env("LC_ALL", "tr_TR.UTF-8")
        .env_remove("HOME")
        .current_dir({
            fs::create_dir(elsewhere.join("in")).unwrap();
            elsewhere.join("in")
        })
        .output()
        .unwrap();
    assert!(output.status.success(), "{output:?}");
    let there = made(&elsewhere);
    for (n, name) in ["PDF", "HTML", "pack"].into_iter().enumerate() {
        assert!(here[n] == there[n], "another {name} elsewhere");
    }
}

#[test]
fn a_table_comes_as_csv() {
    let scratch = Scratch::new("csv");
    let dir = &scratch.join("");
    record(dir);
    let csv =
        String::from_utf8(nightclamp(dir, "table record events --only freezer").stdout).unwrap();
    let mut lines = csv.split("\r\n");
    assert_eq!(
        lines.next(),
        Some("unit,time,kind,cause,current_a,case_c,detail")
    );
    assert!(
        lines.next().unwrap().starts_with("freezer,2026-11-25T18:"),
        "{csv}"
    );
    said(
        dir,
        "table record cycles --only cellar",
        2,
        &["cycles/unit=cellar", "no such"],
    );
    said(
        dir,
        "table nowhere cycles",
        2,
        &["nowhere: is not a record directory"],
    );
}
