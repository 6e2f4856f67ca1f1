//! A board that is pulled out and put back: how soon that is seen, how soon it is recorded again, and what waiting costs.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;

use std::fs;
use std::path::Path;
use std::time::Duration;

use common::process::Process;
use common::wire::Talker;
use common::{Scratch, job_text, raw_text, samples_in_raw, steady, wait_until};

const BOARD: u32 = 0x7f3a_91c2;
/// The promises, µs.
const SEEN_WITHIN_US: i64 = 1_000_000;
const BACK_WITHIN_US: i64 = 2_000_000;
/// Most processor time in an absence, as a share of it: a loop that spins takes all of a core.
const BUSY_MOST: f64 = 0.1;

/// Processor time a process has taken so far, s.
fn cpu_s(pid: nix::unistd::Pid) -> f64 {
    let stat = fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let fields: Vec<&str> = stat
        .rsplit_once(')')
        .unwrap()
        .1
        .split_whitespace()
        .collect();
    let ticks = |at: usize| fields[at].parse::<f64>().unwrap();
    // utime and stime are fields 14 and 15 of proc_pid_stat(5), in ticks of 1/100 s.
    (ticks(11) + ticks(12)) / 100.0
}

/// Stamp of the first line of the raw log from `from_us` on that holds `what`.
fn stamp_of(record: &Path, from_us: i64, what: &str) -> Option<i64> {
    raw_text(record)
        .lines()
        .filter(|line| line.contains(what))
        .find_map(|line| {
            let stamp = line[1..].split(' ').next()?.parse::<i64>().ok()?;
            (stamp >= from_us).then_some(stamp)
        })
}

#[test]
fn unplugging_is_seen_within_a_second_and_the_board_recorded_within_two_of_its_return_under_any_name()
 {
    let scratch = Scratch::new("unplugged");
    let [record, link, job, said] =
        ["record", "port", "job.toml", "said.txt"].map(|name| scratch.join(name));
    let mut scenario = steady(BOARD, 3);
    scenario.board.period_ms = 100;
    fs::write(&job, job_text(&scenario, &link)).unwrap();
    let board = Talker::start(scenario, &link);
    let recorder = Process::record(&job, &record, &said);
    for away_s in [0.0, 0.4, 2.5, 10.0] {
        let before = samples_in_raw(&record);
        wait_until("it records", || samples_in_raw(&record) > before + 5);
        let (old, gone_us) = board.with(|wire| (wire.path.clone(), wire.unplug()));
        let seen_us = || stamp_of(&record, gone_us, " lost reason=");
        let busy_s = cpu_s(recorder.pid());
        std::thread::sleep(Duration::from_secs_f64(away_s));
        let busy_s = cpu_s(recorder.pid()) - busy_s;
        wait_until("the loss is noted", || seen_us().is_some());
        let (ready_us, new) = board.with(|wire| (wire.replug(), wire.path.clone()));
        let back_us = || stamp_of(&record, ready_us, " S ");
        wait_until("it is recorded again", || back_us().is_some());
        let (seen_us, back_us) = (seen_us().unwrap() - gone_us, back_us().unwrap() - ready_us);
        println!(
            "away {away_s:4.1} s: seen after {} ms, recorded again {} ms after its return, {busy_s:.2} s of processor while away, {} then {}",
            seen_us / 1000,
            back_us / 1000,
            old.display(),
            new.display()
        );
        assert!(seen_us <= SEEN_WITHIN_US, "{seen_us} µs until it was seen");
        assert!(
            back_us <= BACK_WITHIN_US,
            "{back_us} µs until it was recorded again"
        );
        assert!(old != new, "the name is another one");
        assert!(
            busy_s <= BUSY_MOST * away_s.max(0.4),
            "{busy_s} s of processor in {away_s} s"
        );
    }
    assert!(recorder.stop().success());
}
