//! A recorder on a record that is already long: how soon it captures, and what memory and handles catching up takes; and what a
//! report of it takes.
//!
//! `tests/month` does it with thirty days at 10 Hz and the optimised program; here it is `NIGHTCLAMP_DAYS`, or a few hours.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;

use std::fs::{self, File};
use std::io::{BufWriter, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use common::process::{Process, call, program};
use common::wire::{Talker, wall_us};
use common::{Scratch, files, job_text, steady};
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, write_raw_log};
use nix::unistd::Pid;

const BOARD: u32 = 0x7f3a_91c2;
/// Days of record unless the call says otherwise.
const DAYS: f64 = 0.25;
/// The promise: capture begins within so long of the start, µs.
const BEGINS_WITHIN_US: i64 = 2_000_000;
/// The promises of what a recorder takes, whatever it has to catch up with: MiB, and open descriptors.
const MEMORY_MOST_MIB: u64 = 256;
const HANDLES_MOST: usize = 64;
/// More paper than this nobody reads, pages.
const PAGES_MOST: usize = 60;
/// Longest catching up that is waited for.
const PATIENCE: Duration = Duration::from_secs(1_800);

/// A record of so many days that ended just now, by way of `replay`; gives its raw lines.
fn long_record(scratch: &Scratch, days: f64, job: &Path, record: &Path) -> u64 {
    let log = scratch.join("days.log");
    let mut scenario = Scenario::by_name("demo", 1).unwrap();
    scenario.board.id = BOARD;
    fs::write(job, job_text(&scenario, &scratch.join("port"))).unwrap();
    let mut out = BufWriter::new(File::create(&log).unwrap());
    let length_s = days * 86_400.0;
    let begin_us = wall_us() - (length_s * 1e6) as i64 - 60_000_000;
    let mut board = SimBoard::new(scenario);
    let written = write_raw_log(
        &mut board,
        begin_us,
        length_s,
        &mut Arrivals::calm(1),
        &mut out,
        true,
    );
    out.flush().unwrap();
    let said = call(&[
        "replay".as_ref(),
        &log,
        "--job".as_ref(),
        job,
        "--out".as_ref(),
        record,
    ]);
    println!("replay of {days} days: {}", said.trim());
    fs::remove_file(&log).unwrap();
    written.unwrap().lines
}

/// Resident memory now and at most, MiB; open descriptors.
fn taken(pid: Pid) -> (u64, u64, usize) {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let kib = |key: &str| {
        let line = status.lines().find(|line| line.starts_with(key)).unwrap();
        line.split_whitespace()
            .nth(1)
            .unwrap()
            .parse::<u64>()
            .unwrap()
    };
    let handles = fs::read_dir(format!("/proc/{pid}/fd")).unwrap().count();
    (kib("VmRSS:") / 1024, kib("VmHWM:") / 1024, handles)
}

/// Whether `/readyz` says so; the address is in what the recorder said last.
fn is_ready(said: &Path) -> bool {
    let said = fs::read_to_string(said).unwrap_or_default();
    let Some(address) = said
        .rsplit("Dashboard: http://")
        .next()
        .and_then(|text| text.split_once('/'))
        .map(|(address, _)| address)
    else {
        return false;
    };
    let Ok(mut stream) = TcpStream::connect(address) else {
        return false;
    };
    let asked = write!(
        stream,
        "GET /readyz HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"
    );
    let mut answer = String::new();
    asked.is_ok()
        && stream.read_to_string(&mut answer).is_ok()
        && answer.starts_with("HTTP/1.1 200")
}

/// Stamp of the first line in the newest raw log that holds `what`, µs.
fn stamp_in_newest(record: &Path, what: &str) -> Option<i64> {
    let mut logs = files(&record.join("raw"), ".log");
    logs.retain(|log| log.to_string_lossy().contains(&format!("{BOARD:08x}-")));
    let newest = logs.pop()?;
    let text = String::from_utf8_lossy(&fs::read(newest).ok()?).into_owned();
    let line = text.lines().find(|line| line.contains(what))?;
    line[1..].split(' ').next()?.parse().ok()
}

/// Starts a recorder, waits until it has caught up, and asserts the promises.
fn start_and_catch_up(what: &str, job: &Path, record: &Path, said: &Path) -> Process {
    let begun_us = wall_us();
    fs::remove_file(said).unwrap_or_default();
    let recorder = Process::record(job, record, said);
    let since = Instant::now();
    let (mut rows, mut printed) = (Vec::new(), Duration::ZERO);
    while !is_ready(said) {
        assert!(since.elapsed() < PATIENCE, "it does not catch up");
        std::thread::sleep(Duration::from_millis(100));
        let (mib, _, handles) = taken(recorder.pid());
        rows.push((mib, handles));
        if since.elapsed() - printed > Duration::from_secs(5) {
            printed = since.elapsed();
            println!(
                "  after {:4.0} s: {mib} MiB, {handles} descriptors",
                printed.as_secs_f64()
            );
        }
    }
    let caught_up = since.elapsed();
    let first = |what: &str| {
        let mut stamp = stamp_in_newest(record, what);
        while stamp.is_none_or(|us| us < begun_us) {
            assert!(since.elapsed() < PATIENCE, "nothing is captured");
            std::thread::sleep(Duration::from_millis(50));
            stamp = stamp_in_newest(record, what);
        }
        stamp.unwrap() - begun_us
    };
    let (opened_us, line_us) = (first(" opened port="), first(" S "));
    let (now_mib, most_mib, handles) = taken(recorder.pid());
    let handles_most = rows
        .iter()
        .map(|(_, handles)| *handles)
        .max()
        .unwrap_or(handles)
        .max(handles);
    println!(
        "{what}: port open {} ms after the start, first sample {} ms, caught up after {:.1} s, {most_mib} MiB at most, {now_mib} MiB then, {handles_most} descriptors at most, {handles} then",
        opened_us / 1000,
        line_us / 1000,
        caught_up.as_secs_f64(),
    );
    assert!(
        line_us <= BEGINS_WITHIN_US,
        "captures {line_us} µs after its start"
    );
    assert!(most_mib <= MEMORY_MOST_MIB, "{most_mib} MiB");
    assert!(handles_most <= HANDLES_MOST, "{handles_most} descriptors");
    recorder
}

/// What the report of a record takes: time, memory, bytes.
fn report(record: &Path) {
    let since = Instant::now();
    let mut call = Command::new(program());
    let mut child = call.arg("report").arg(record).spawn().unwrap();
    let pid = Pid::from_raw(i32::try_from(child.id()).unwrap());
    let mut most_mib = 0;
    let status = loop {
        // One that has ended has no memory any more.
        let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
        let high = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kib = high.and_then(|kib| kib.split_whitespace().next()?.parse().ok());
        most_mib = most_mib.max(kib.unwrap_or(0_u64) / 1024);
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    assert!(status.success());
    let made =
        |ending: &str| fs::read(record.with_file_name(format!("record-report.{ending}"))).unwrap();
    let (pdf, html) = (made("pdf"), made("html"));
    let page = b"/Type /Page\n";
    let pages = pdf.windows(page.len()).filter(|part| part == page).count();
    println!(
        "its report: {:.1} s, {most_mib} MiB at most; PDF {} bytes on {pages} pages, HTML {} bytes",
        since.elapsed().as_secs_f64(),
        pdf.len(),
        html.len()
    );
    assert!(most_mib <= MEMORY_MOST_MIB, "{most_mib} MiB");
    assert!((3..=PAGES_MOST).contains(&pages), "{pages} pages");
}

#[test]
fn capture_begins_within_two_seconds_however_long_the_record_is_and_catching_up_is_bounded() {
    let days = std::env::var("NIGHTCLAMP_DAYS").map_or(DAYS, |days| days.parse().unwrap());
    let scratch = Scratch::new("long");
    let [record, link, job, said] =
        ["record", "port", "job.toml", "said.txt"].map(|name| scratch.join(name));
    let lines = long_record(&scratch, days, &job, &record);
    println!("{days} days at 10 Hz, {lines} lines");
    let board = Talker::start(steady(BOARD, 2), &link);
    // A record that was ended goes on: its tables are made again.
    let recorder = start_and_catch_up("an ended record goes on", &job, &record, &said);
    recorder.kill();
    let recorder = start_and_catch_up("after a kill", &job, &record, &said);
    assert!(recorder.stop().success());
    let recorder = start_and_catch_up("after a stop", &job, &record, &said);
    assert!(recorder.stop().success());
    drop(board);
    report(&record);
}
