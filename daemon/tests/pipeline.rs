//! From a board on a real pseudo-terminal to the tables, and what happens when boards come and go.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

mod common;

use std::fs;

use common::{
    Recorder, Scratch, assert_verifies, fast, files, in_real_time, job_text, plug_in, raw_text,
    rows, samples_in_raw, seqs, steady, wait_until,
};
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_simboard::scenario::Happening;
use nightclamp_simboard::{Pty, PtyOptions};

const BOARD: u32 = 0x7f3a_91c2;
const OTHER: u32 = 0x0000_0a0b;

/// Silences the board and waits until everything it has sent lies in the raw log; gives how many samples that is.
fn drain(pty: &Pty, record: &std::path::Path) -> u64 {
    pty.happen(Happening::Mute(true));
    let sent = |pty: &Pty| {
        pty.look(|board| {
            board
                .truth()
                .boots
                .iter()
                .map(|boot| boot.sent)
                .sum::<u64>()
        })
    };
    wait_until("everything sent is in the raw log", || {
        samples_in_raw(record) >= sent(pty)
    });
    sent(pty)
}

/// Asserts that these are the first `count` samples of a boot, none missing, none twice, none out of order.
#[track_caller]
fn assert_whole(seqs: &[i64], count: u64) {
    let wrong = seqs
        .iter()
        .zip(0i64..)
        .find(|(seq, at)| **seq != at % 65_536);
    assert_eq!(
        wrong,
        None,
        "of {} samples this is the first with another seq than its place",
        seqs.len()
    );
    assert_eq!(seqs.len() as u64, count);
}

#[test]
fn every_sample_sent_is_in_the_table_and_the_tables_are_those_of_a_replay_of_the_raw_log() {
    let scratch = Scratch::new("whole");
    let (record, link) = (scratch.join("record"), scratch.join("port"));
    let scenario = steady(BOARD, 1);
    let job = job_text(&scenario, &link);
    let pty = plug_in(scenario, &link, fast());
    let recorder = Recorder::start(&job, &record);
    wait_until("three minutes of the board's time are sent", || {
        pty.now_s() > 180.0
    });
    let sent = drain(&pty, &record);
    recorder.stop();
    let board = pty.stop();
    let boot = i64::from(board.truth().boots[0].boot);
    let boots = seqs(&record, BOARD);
    assert_eq!(boots.keys().collect::<Vec<_>>(), [&boot]);
    assert_whole(&boots[&boot], sent);
    assert_verifies(&record);

    let job = Job::parse(
        &fs::read_to_string(record.join("job.toml")).unwrap(),
        "job.toml",
    )
    .unwrap();
    let raw: Vec<_> = files(&record.join("raw"), ".log")
        .into_iter()
        .chain(files(&record.join("raw"), ".zst"))
        .collect();
    let again = scratch.join("again");
    let text = fs::read_to_string(record.join("job.toml")).unwrap();
    nightclamp_archive::replay(&raw, &text, Projection::new(job), &again, None).unwrap();
    assert_eq!(rows(&record, "samples"), rows(&again, "samples"));
    assert_eq!(rows(&record, "cycles"), rows(&again, "cycles"));
    let notes = raw_text(&record);
    for note in [
        "began wall=",
        "started version=",
        "job file=job-0001.toml",
        "opened port=",
        "clock boot=",
        "stopped",
    ] {
        assert!(notes.contains(note), "{note:?} is missing");
    }
}

#[test]
fn a_board_that_comes_back_under_another_name_is_recorded_on_as_a_new_boot() {
    let scratch = Scratch::new("replug");
    let (record, link) = (scratch.join("record"), scratch.join("port"));
    let mut scenario = steady(BOARD, 2);
    let job = job_text(&scenario, &link);
    let options = PtyOptions {
        reset_on_open: true,
        ..in_real_time(&mut scenario)
    };
    let pty = plug_in(scenario, &link, options);
    let recorder = Recorder::start(&job, &record);
    wait_until("some of the first boot is recorded", || {
        samples_in_raw(&record) > 300
    });
    pty.unplug();
    wait_until("the loss is noted", || {
        raw_text(&record).contains(" lost reason=")
    });
    let before = samples_in_raw(&record);
    let first_name = pty.path();
    // Somebody else takes the old name, as it goes when the old descriptor is held on to; it must not matter.
    let squatter = plug_in(
        steady(OTHER, 9),
        &scratch.join("elsewhere"),
        PtyOptions::default(),
    );
    let second_name = pty.replug().unwrap();
    wait_until("the second boot is recorded", || {
        samples_in_raw(&record) > before + 100
    });
    drain_of_boot(&pty, &record);
    recorder.stop();
    drop(squatter);
    assert_ne!(first_name, second_name);
    let boots = seqs(&record, BOARD);
    assert_eq!(boots.len(), 2, "{:?}", boots.keys());
    for seqs in boots.values() {
        assert_whole(seqs, seqs.len() as u64);
    }
    let events = rows(&record, "events").join("\n");
    assert!(
        events.contains("gap-begin") && events.contains("gap-end"),
        "{events}"
    );
    assert_verifies(&record);
}

/// Silences the board and waits until the raw log has stopped growing.
fn drain_of_boot(pty: &Pty, record: &std::path::Path) {
    pty.happen(Happening::Mute(true));
    let mut last = 0;
    wait_until("the raw log stands still", || {
        std::thread::sleep(std::time::Duration::from_millis(700));
        let now = samples_in_raw(record);
        std::mem::replace(&mut last, now) == now
    });
}

#[test]
fn one_board_unplugged_costs_the_other_not_one_sample() {
    let scratch = Scratch::new("two");
    let record = scratch.join("record");
    let (link, other_link) = (scratch.join("port"), scratch.join("other-port"));
    let (scenario, other) = (steady(BOARD, 3), steady(OTHER, 4));
    let both = format!(
        "{}\n{}",
        job_text(&scenario, &link),
        second_board(&job_text(&other, &other_link))
    );
    let pty = plug_in(scenario, &link, fast());
    let leaving = plug_in(other, &other_link, fast());
    let recorder = Recorder::start(&both, &record);
    wait_until("both are recorded", || {
        pty.now_s() > 30.0 && leaving.now_s() > 30.0
    });
    leaving.unplug();
    let then_s = pty.now_s();
    wait_until("the other has gone on for a minute", || {
        pty.now_s() > then_s + 60.0
    });
    pty.happen(Happening::Mute(true));
    let sent = pty.look(|board| board.truth().boots[0].sent);
    let id = format!("{BOARD:08x}");
    let of_board = |name: &std::path::PathBuf| name.to_string_lossy().contains(&id);
    wait_until("everything the other sent is in its raw log", || {
        let logs = files(&record.join("raw"), ".log")
            .into_iter()
            .filter(of_board);
        let text: String = logs.map(|path| fs::read_to_string(path).unwrap()).collect();
        text.lines().filter(|line| line.contains(" S ")).count() as u64 >= sent
    });
    recorder.stop();
    let boots = seqs(&record, BOARD);
    assert_whole(&boots.into_values().next().unwrap(), sent);
    let left: Vec<_> = seqs(&record, OTHER).into_values().next().unwrap();
    assert_whole(&left, left.len() as u64);
    assert_verifies(&record);
}

/// A job file without its `[job]`, its unit called otherwise.
fn second_board(text: &str) -> String {
    let boards = &text[text.find("[[board]]").unwrap()..];
    boards.replacen("[[unit]]\nname = \"", "[[unit]]\nname = \"second-", 1)
}

#[test]
fn a_record_is_carried_on_in_the_same_directory_and_what_was_missed_is_a_gap() {
    let scratch = Scratch::new("resume");
    let (record, link) = (scratch.join("record"), scratch.join("port"));
    let mut scenario = steady(BOARD, 5);
    let job = job_text(&scenario, &link);
    let options = in_real_time(&mut scenario);
    let pty = plug_in(scenario, &link, options);
    let recorder = Recorder::start(&job, &record);
    wait_until("some is recorded", || samples_in_raw(&record) > 100);
    recorder.stop();
    let then_s = pty.now_s();
    wait_until("the board has gone on for a while", || {
        pty.now_s() > then_s + 1.0
    });
    let first = rows(&record, "samples").len();
    let recorder = Recorder::start(
        &job.replacen("name = \"", "name = \"Second night: ", 1),
        &record,
    );
    wait_until("more is recorded", || {
        samples_in_raw(&record) > first as u64 + 100
    });
    recorder.stop();
    let boots = seqs(&record, BOARD);
    let all: Vec<i64> = boots.into_values().flatten().collect();
    assert!(
        first >= 100 && all.len() >= first + 100,
        "{first} and then {}",
        all.len()
    );
    let missing: Vec<_> = all
        .windows(2)
        .filter(|pair| pair[1] != pair[0] + 1)
        .collect();
    assert!(
        missing.len() == 1,
        "only the time between the two recordings is missing: {missing:?}"
    );
    assert!(
        rows(&record, "events").join("\n").contains("gap-begin"),
        "and it is named"
    );
    assert_verifies(&record);
}
