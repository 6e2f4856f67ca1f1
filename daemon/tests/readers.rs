//! Whoever looks, fast, slowly, or not at all: what the board says is recorded as if nobody did.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

mod common;

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use common::account::{is_sample, raw_lines, text_of};
use common::wire::{Talker, wall_us};
use common::{
    BOARD, Recorder, Scratch, ask, assert_verifies, job_text, raw_text, steady, wait_until,
};
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, write_raw_log};
use serde_json::Value;

const READERS: usize = 50;
/// More than any socket's buffers hold, as CSV.
const BEFORE_S: f64 = 2.0 * 3_600.0;
const FILE: &str = "/api/v1/table?unit=freezer&table=samples&format=csv";

/// A record of the same board that has ended, to be carried on.
fn before(scenario: Scenario, job: &str, scratch: &Scratch) {
    let (mut raw, mut board) = (Vec::new(), SimBoard::new(scenario));
    let began_us = wall_us() - 3 * 3_600_000_000;
    let calm = &mut Arrivals::calm(1);
    write_raw_log(&mut board, began_us, BEFORE_S, calm, &mut raw, true).unwrap();
    let log = scratch.join("7f3a91c2-before.log");
    fs::write(&log, raw).unwrap();
    let heart = Projection::new(Job::parse(job, "job.toml").unwrap());
    let record = scratch.join("record");
    nightclamp_archive::replay(&[log], job, heart, &record, None).unwrap();
}

/// Asks, and reads nothing.
fn begun(address: SocketAddr, path: &str) -> TcpStream {
    let mut stream = TcpStream::connect(address).unwrap();
    write!(stream, "GET {path} HTTP/1.1\r\nhost: {address}\r\n\r\n").unwrap();
    stream
}

/// Reads a little now and again until told to stop; how much it was.
fn slow(mut stream: TcpStream, stop: Arc<AtomicBool>) -> JoinHandle<usize> {
    thread::spawn(move || {
        let (mut read, mut little) = (0, [0; 512]);
        while !stop.load(Ordering::Acquire) {
            let count = stream.read(&mut little).unwrap();
            assert!(count > 0, "who reads slowly is not let go");
            read += count;
            thread::sleep(Duration::from_millis(20));
        }
        read
    })
}

/// Follows what happens until told to stop; the instants of all samples that came.
fn follows(stream: TcpStream, stop: Arc<AtomicBool>) -> JoinHandle<BTreeSet<i64>> {
    thread::spawn(move || {
        let mut times = BTreeSet::new();
        for line in BufReader::new(stream).lines() {
            let line = line.unwrap();
            let Some(data) = line.strip_prefix("data: ") else {
                continue;
            };
            let message: Value = serde_json::from_str(data).unwrap();
            let tail = message["tails"][0]["times_us"].as_array().unwrap();
            times.extend(tail.iter().map(|time| time.as_i64().unwrap()));
            if stop.load(Ordering::Acquire) {
                break;
            }
        }
        times
    })
}

/// What the samples in the raw logs say, each with the instant at which it arrived.
fn samples(record: &Path) -> Vec<(i64, String)> {
    let sample = |line: &str| {
        let (stamp, said) = line.strip_prefix('@')?.split_once(' ')?;
        let is_whole = said.starts_with("S ") && said.contains('~');
        is_whole.then(|| (stamp.parse().unwrap(), said.to_owned()))
    };
    let text = raw_text(record);
    let mut samples: Vec<_> = text.lines().filter_map(sample).collect();
    // Of two logs the later one may be read first.
    samples.sort_by_key(|(at_us, _)| *at_us);
    samples
}

#[test]
fn fifty_who_follow_and_some_who_stall_cost_not_one_sample() {
    let scratch = Scratch::new("readers");
    let (record, link) = (scratch.join("record"), scratch.join("port"));
    let mut scenario = steady(BOARD, 1);
    let job = job_text(&scenario, &link);
    before(scenario.clone(), &job, &scratch);
    let earlier = samples(&record).len();
    scenario.board.period_ms = 20;
    scenario.board.boot += 1;
    let board = Talker::start(scenario, &link);
    let recorder = Recorder::start(&job, &record);
    let address = recorder.address;
    wait_until("the record has been read", || {
        ask(address, "GET", "/readyz", "").0 == 200
    });

    let stop = Arc::new(AtomicBool::new(false));
    let stalled = [begun(address, "/api/v1/live"), begun(address, FILE)];
    let slow = [begun(address, "/api/v1/live"), begun(address, FILE)]
        .map(|stream| slow(stream, stop.clone()));
    let readers: Vec<_> = (0..READERS)
        .map(|_| follows(begun(address, "/api/v1/live"), stop.clone()))
        .collect();
    let is_full = || ask(address, "GET", FILE, "").0 == 503;
    wait_until("both downloads are under way", is_full);
    let at_first = samples(&record).len();
    wait_until("five seconds of samples are recorded", || {
        samples(&record).len() > at_first + 250
    });
    assert!(is_full(), "who stalled still holds his place");
    stop.store(true, Ordering::Release);
    let followed: Vec<BTreeSet<i64>> = readers.into_iter().map(|it| it.join().unwrap()).collect();
    for read in slow {
        assert!(read.join().unwrap() > 0);
    }

    board.mute(true);
    let sent = board.with(|wire| wire.sent.clone());
    let last = text_of(sent.iter().rfind(|sent| is_sample(sent)).unwrap()).to_owned();
    wait_until("the last sample is recorded", || {
        raw_lines(&record).contains(&last)
    });
    recorder.stop();
    drop(stalled);
    board.stop();

    // Each of them saw every sample there was, from where he came in to where he left.
    let all: BTreeSet<i64> = followed.iter().flatten().copied().collect();
    for times in &followed {
        let (first, last) = (times.first().unwrap(), times.last().unwrap());
        assert!(times.iter().eq(all.range(first..=last)));
        assert!(times.len() >= 200, "{} of {}", times.len(), all.len());
    }
    let kept = samples(&record).split_off(earlier);
    let put: Vec<_> = sent.iter().filter(|sent| is_sample(sent)).collect();
    let said = kept.iter().map(|(_, said)| said.as_str());
    assert!(
        said.eq(put.iter().map(|sent| text_of(sent))),
        "{} of {} that were put into the port",
        kept.len(),
        put.len()
    );
    let late = kept
        .iter()
        .zip(&put)
        .map(|((at_us, _), sent)| at_us - sent.at_us);
    println!(
        "{} samples, {READERS} readers: the latest arrived {:.1} ms after it was said",
        kept.len(),
        late.max().unwrap() as f64 / 1e3
    );
    assert_verifies(&record);
}
