//! The recorder killed at any instant: what was said more than a second before is in the record, nothing twice, nothing
//! damaged, and what is missing is named.
//!
//! `NIGHTCLAMP_KILLS=N` kills it N times (`tests/kill` does 200), `NIGHTCLAMP_KILL_SEED=N` at the same instants again, as
//! far as the machine plays along.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;

use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::Path;
use std::time::Duration;

use common::process::{Process, call};
use common::wire::{Sent, Talker, wall_us};
use common::{Scratch, files, job_text, rows, seqs, steady, wait_until};
use nix::sys::signal::Signal;

const BOARD: u32 = 0x7f3a_91c2;
/// Kills unless the call says otherwise.
const KILLS: usize = 12;
/// Kills of one record, one after the other.
const KILLS_A_RECORD: usize = 5;
/// Records at the same time.
const AT_ONCE: usize = 4;
/// The promise: what is older than this when the recorder is killed is there, µs.
const KEPT_AFTER_US: i64 = 1_000_000;

/// A small source of numbers (xorshift).
struct Dice(u64);

impl Dice {
    /// A number of milliseconds in a range.
    fn ms(&mut self, from: u64, to: u64) -> Duration {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        Duration::from_millis(from + (self.0 >> 11) % (to - from))
    }

    fn one_in(&mut self, sides: u64) -> bool {
        self.ms(0, sides).as_millis() == 0
    }
}

#[derive(Debug, Default)]
struct Account {
    kills: usize,
    sent: usize,
    kept: usize,
    /// Age at the kill of the oldest sample lost by it, µs.
    oldest_lost_us: i64,
}

/// Kills a recorder `kills` times and lets the last one stop in good order; then looks at what there is.
fn record_and_kill(seed: u64, kills: usize) -> Account {
    let scratch = Scratch::new("kill");
    let [record, link, job, said] =
        ["record", "port", "job.toml", "said.txt"].map(|name| scratch.join(name));
    let mut scenario = steady(BOARD, seed);
    scenario.board.period_ms = 20;
    std::fs::write(&job, job_text(&scenario, &link)).unwrap();
    let board = Talker::start(scenario, &link);
    let mut dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
    let mut killed_us = Vec::new();
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
        killed_us.push(wall_us());
        recorder.kill();
    }
    let recorder = Process::record(&job, &record, &said);
    let sent = || board.with(|wire| wire.sent.len());
    let before = sent();
    wait_until("the last run has heard something", || sent() > before + 60);
    // If every hello so far was lost to a kill the recorder asks for one after three seconds.
    wait_until("a hello is recorded", || {
        raw_lines(&record).iter().any(|line| line.starts_with("H "))
    });
    board.mute(true);
    let last = board.with(|wire| wire.sent.iter().rfind(|sent| is_sample(sent)).cloned());
    let last = text_of(&last.unwrap()).to_owned();
    wait_until("the last sample is recorded", || {
        raw_lines(&record).contains(&last)
    });
    assert!(recorder.stop().success());
    let sent = board.with(|wire| wire.sent.clone());
    board.stop();
    let account = accounted(&sent, &killed_us, &record);
    call(&["verify".as_ref(), &record]);
    account
}

fn text_of(sent: &Sent) -> &str {
    std::str::from_utf8(&sent.line).unwrap().trim_end()
}

fn is_sample(sent: &Sent) -> bool {
    sent.line.starts_with(b"S ")
}

/// What the board said, as the raw logs have it, in their order.
fn raw_lines(record: &Path) -> Vec<String> {
    let mut logs = files(&record.join("raw"), ".log");
    let sealed = files(&record.join("raw"), ".log.zst");
    logs.retain(|log| !sealed.contains(&log.with_extension("log.zst")));
    logs.extend(sealed);
    logs.sort();
    let mut lines = Vec::new();
    for log in logs {
        let bytes = std::fs::read(&log).unwrap_or_default();
        let bytes = match log.extension() {
            Some(zst) if zst == "zst" => zstd::decode_all(&*bytes).unwrap(),
            _ => bytes,
        };
        let text = String::from_utf8(bytes).unwrap();
        let of_board = text.lines().filter_map(|line| line.strip_prefix('@'));
        lines.extend(of_board.map(|line| line.split_once(' ').unwrap().1.to_owned()));
    }
    lines
}

/// Every sample line was sent, once, in its order; those missing were younger than a second when the recorder was killed,
/// or said while no recorder had the port; the tables have what the raw log has; the events name what is missing.
fn accounted(sent: &[Sent], killed_us: &[i64], record: &Path) -> Account {
    let said: HashSet<&str> = sent.iter().map(text_of).collect();
    let place: HashMap<&str, usize> = sent
        .iter()
        .enumerate()
        .filter(|(_, sent)| is_sample(sent))
        .map(|(at, sent)| (text_of(sent), at))
        .collect();
    let raw = raw_lines(record);
    for line in &raw {
        assert!(said.contains(line.as_str()), "nobody said {line:?}");
    }
    let kept: Vec<usize> = raw
        .iter()
        .filter_map(|line| place.get(line.as_str()).copied())
        .collect();
    let ordered = kept.windows(2).all(|pair| pair[0] < pair[1]);
    assert!(ordered, "a sample twice, or out of its order");
    let is_kept: HashSet<usize> = kept.iter().copied().collect();
    let mut oldest_lost_us = 0;
    for at in place.values().filter(|at| !is_kept.contains(at)) {
        let killed = killed_us.iter().find(|killed| **killed >= sent[*at].at_us);
        let age_us = killed.unwrap_or_else(|| panic!("{:?} is lost", sent[*at])) - sent[*at].at_us;
        assert!(
            age_us < KEPT_AFTER_US,
            "lost, {age_us} µs old when it was killed"
        );
        oldest_lost_us = oldest_lost_us.max(age_us);
    }
    let seq = |line: &String| line.split(' ').nth(1).unwrap().parse::<i64>().unwrap();
    let samples: Vec<i64> = raw
        .iter()
        .filter(|l| l.starts_with("S "))
        .map(seq)
        .collect();
    let boots: BTreeMap<i64, Vec<i64>> = seqs(record, BOARD);
    let table: Vec<i64> = boots.into_values().flatten().collect();
    assert_eq!(table, samples, "the table has what the raw log has");
    let counted = samples.last().unwrap() - samples[0] + 1;
    let named = named_losses(record);
    assert_eq!(samples.len() as i64 + named, counted, "every loss is named");
    Account {
        kills: killed_us.len(),
        sent: place.len(),
        kept: kept.len(),
        oldest_lost_us,
    }
}

/// The sum of all losses that the events name.
fn named_losses(record: &Path) -> i64 {
    let lost = |row: &String| {
        let is_told = row.contains("kind: \"gap-end\"") || row.contains("kind: \"loss\"");
        let before = row.split(" samples lost").next().filter(|_| is_told)?;
        before.rsplit(' ').next()?.parse::<i64>().ok()
    };
    rows(record, "events").iter().filter_map(lost).sum()
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
    assert_eq!(sum(|a| a.kills), kills);
    println!(
        "{kills} kills of {records} records: {} samples said while the port was open, {} kept, the oldest lost was {} ms old",
        sum(|a| a.sent),
        sum(|a| a.kept),
        oldest_us / 1000
    );
}
