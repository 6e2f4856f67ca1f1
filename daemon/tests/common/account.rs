//! What a board said laid beside what a record has of it: everything said well before an interruption is there, once, in its
//! order; nothing that nobody said; and every loss is named.

#![allow(dead_code)] // each test program uses its own part of this
#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::Path;
use std::time::Duration;

use super::process::{Process, call};
use super::wire::{Sent, Talker};
use super::{files, rows, seqs, wait_until};

/// A small source of numbers (xorshift).
pub struct Dice(u64);

impl Dice {
    pub const fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    /// A number of milliseconds in a range.
    pub fn ms(&mut self, from: u64, to: u64) -> Duration {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        Duration::from_millis(from + (self.0 >> 11) % (to - from))
    }

    pub fn one_in(&mut self, sides: u64) -> bool {
        self.ms(0, sides).as_millis() == 0
    }
}

/// The end of one run of the recorder that was no stop in good order.
#[derive(Debug, Clone, Copy)]
pub struct Interruption {
    /// When nothing more could be kept, wall clock, µs.
    pub at_us: i64,
    /// When the recorder was gone and the port closed, µs.
    pub gone_us: i64,
}

/// What came of what was said while the port was open.
#[derive(Debug, Default)]
pub struct Account {
    pub interruptions: usize,
    pub sent: usize,
    pub kept: usize,
    /// Age at its interruption of the oldest sample lost, µs.
    pub oldest_lost_us: i64,
}

pub fn text_of(sent: &Sent) -> &str {
    std::str::from_utf8(&sent.line).unwrap().trim_end()
}

pub fn is_sample(sent: &Sent) -> bool {
    sent.line.starts_with(b"S ")
}

/// What the board said, as the raw logs have it, in their order.
pub fn raw_lines(record: &Path) -> Vec<String> {
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

/// Age of the oldest sample that an interruption took, µs: all that are not in `raw` were said less than `kept_after_us`
/// before one, or until the recorder was gone.
pub fn oldest_lost_us(
    sent: &[Sent],
    interruptions: &[Interruption],
    raw: &[String],
    kept_after_us: i64,
) -> i64 {
    let is_kept: HashSet<&str> = raw.iter().map(String::as_str).collect();
    let mut oldest_us = 0;
    let lost = |sent: &&Sent| is_sample(sent) && !is_kept.contains(text_of(sent));
    for sent in sent.iter().filter(lost) {
        let end = interruptions.iter().find(|end| end.gone_us >= sent.at_us);
        let end = end.unwrap_or_else(|| panic!("{sent:?} is lost"));
        let age_us = end.at_us - sent.at_us;
        assert!(
            age_us < kept_after_us,
            "{sent:?} is lost, {age_us} µs old at {end:?}"
        );
        oldest_us = oldest_us.max(age_us);
    }
    oldest_us
}

/// Every sample line was sent, once, in its order; those missing were younger than `kept_after_us` at an interruption, or
/// said while no recorder had the port; the tables have what the raw log has; the events name what is missing.
pub fn accounted(
    sent: &[Sent],
    interruptions: &[Interruption],
    record: &Path,
    kept_after_us: i64,
) -> Account {
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
    let oldest_lost_us = oldest_lost_us(sent, interruptions, &raw, kept_after_us);
    let seq = |line: &String| line.split(' ').nth(1).unwrap().parse::<i64>().unwrap();
    let samples: Vec<i64> = raw
        .iter()
        .filter(|l| l.starts_with("S "))
        .map(seq)
        .collect();
    let boots: BTreeMap<i64, Vec<i64>> = seqs(record, super::BOARD);
    let table: Vec<i64> = boots.into_values().flatten().collect();
    assert_eq!(table, samples, "the table has what the raw log has");
    let counted = samples.last().unwrap() - samples[0] + 1;
    let named = named_losses(record);
    assert_eq!(samples.len() as i64 + named, counted, "every loss is named");
    Account {
        interruptions: interruptions.len(),
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

/// After the interruptions: a recorder that hears the board once more and stops in good order, with job file, record and what
/// it says at these paths; then what the board said against what the record has, and `verify`.
pub fn last_run(
    [job, record, said]: [&Path; 3],
    board: Talker,
    done: &[Interruption],
    kept_after_us: i64,
) -> Account {
    let recorder = Process::record(job, record, said);
    let sent = || board.with(|wire| wire.sent.len());
    let before = sent();
    wait_until("the last run has heard something", || sent() > before + 60);
    // If every hello so far was lost to an interruption the recorder asks for one after three seconds.
    wait_until("a hello is recorded", || {
        raw_lines(record).iter().any(|line| line.starts_with("H "))
    });
    board.mute(true);
    let last = board.with(|wire| wire.sent.iter().rfind(|sent| is_sample(sent)).cloned());
    let last = text_of(&last.unwrap()).to_owned();
    wait_until("the last sample is recorded", || {
        raw_lines(record).contains(&last)
    });
    assert!(recorder.stop().success());
    let sent = board.with(|wire| wire.sent.clone());
    board.stop();
    let account = accounted(&sent, done, record, kept_after_us);
    call(&["verify".as_ref(), record]);
    account
}
