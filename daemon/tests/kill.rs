//! The recorder killed at any instant: what was said more than a second before is in the record, nothing twice, nothing
//! damaged, and what is missing is named.
//!
//! `NIGHTCLAMP_KILLS=N` kills it N times (`tests/kill` does 200), `NIGHTCLAMP_KILL_SEED=N` at the same instants again, as
//! far as the machine plays along.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;

use common::account::{Account, Dice, Interruption, last_run};
use common::process::Process;
use common::wire::{Talker, wall_us};
use common::{BOARD, Scratch, job_text, steady};
use nix::sys::signal::Signal;

/// Kills unless the call says otherwise.
const KILLS: usize = 12;
/// Kills of one record, one after the other.
const KILLS_A_RECORD: usize = 5;
/// Records at the same time.
const AT_ONCE: usize = 4;
/// The promise: what is older than this when the recorder is killed is there, µs.
const KEPT_AFTER_US: i64 = 1_000_000;

/// Kills a recorder `kills` times and lets the last one stop in good order; then looks at what there is.
fn record_and_kill(seed: u64, kills: usize) -> Account {
    let scratch = Scratch::new("kill");
    let [record, link, job, said] =
        ["record", "port", "job.toml", "said.txt"].map(|name| scratch.join(name));
    let mut scenario = steady(BOARD, seed);
    scenario.board.period_ms = 20;
    std::fs::write(&job, job_text(&scenario, &link)).unwrap();
    let board = Talker::start(scenario, &link);
    let mut dice = Dice::new(seed);
    let mut kills_done = Vec::new();
    for _ in 0..kills {
        let recorder = Process::record(&job, &record, &said);
        // Now and then late enough to fall among the sealing of what earlier runs have left.
        let long = dice.one_in(12);
        std::thread::sleep(if long {
            dice.ms(9_900, 11_000)
        } else {
            dice.ms(20, 2_500)
        });
        if dice.one_in(4) {
            // In the midst of a stop in good order.
            recorder.signal(Signal::SIGTERM);
            std::thread::sleep(dice.ms(0, 250));
        }
        let at_us = wall_us();
        recorder.kill();
        let gone_us = wall_us();
        kills_done.push(Interruption { at_us, gone_us });
    }
    last_run([&job, &record, &said], board, &kills_done, KEPT_AFTER_US)
}

#[test]
fn killed_at_any_instant_it_has_everything_older_than_a_second_once_and_whole() {
    let number = |name: &str| std::env::var(name).ok().and_then(|n| n.parse::<u64>().ok());
    let kills = number("NIGHTCLAMP_KILLS").map_or(KILLS, |n| n as usize);
    let seed = number("NIGHTCLAMP_KILL_SEED").unwrap_or_else(|| wall_us() as u64 >> 4);
    println!("seed {seed}");
    let records = kills.div_ceil(KILLS_A_RECORD);
    let next = std::sync::atomic::AtomicUsize::new(0);
    let work = || {
        let mut accounts = Vec::new();
        loop {
            let at = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            if at >= records {
                return accounts;
            }
            let of_record = KILLS_A_RECORD.min(kills - at * KILLS_A_RECORD);
            accounts.push(record_and_kill(seed + at as u64, of_record));
        }
    };
    let accounts: Vec<Account> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..AT_ONCE).map(|_| scope.spawn(work)).collect();
        threads
            .into_iter()
            .flat_map(|thread| thread.join().unwrap())
            .collect()
    });
    let sum = |of: fn(&Account) -> usize| accounts.iter().map(of).sum::<usize>();
    let oldest_us = accounts.iter().map(|a| a.oldest_lost_us).max().unwrap();
    assert_eq!(sum(|a| a.interruptions), kills);
    println!(
        "{kills} kills of {records} records: {} samples said while the port was open, {} kept, the oldest lost was {} ms old",
        sum(|a| a.sent),
        sum(|a| a.kept),
        oldest_us / 1000
    );
}
