//! What a person tells the dashboard of a running recorder lies in the raw log when it is answered, and in the tables.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

mod common;

use common::{
    Recorder, Scratch, ask, assert_verifies, fast, job_text, plug_in, raw_text, rows,
    samples_in_raw, steady, wait_until,
};

const BOARD: u32 = 0x7f3a_91c2;

#[test]
fn a_mark_and_a_reading_are_safe_when_they_are_answered_and_become_events() {
    let scratch = Scratch::new("hands");
    let (record, link) = (scratch.join("record"), scratch.join("port"));
    let scenario = steady(BOARD, 1);
    let job = job_text(&scenario, &link);
    let unit = nightclamp_analysis::job::Job::parse(&job, "job.toml").unwrap();
    let unit = unit.units[0].name.clone();
    let pty = plug_in(scenario, &link, fast());
    let recorder = Recorder::start(&job, &record);
    wait_until("samples come", || samples_in_raw(&record) > 100);

    let mark = format!(r#"{{"unit":"{unit}","text":"door open, and #1 stopped"}}"#);
    let (status, answer) = ask(recorder.address, "POST", "/api/v1/marks", &mark);
    assert_eq!(status, 201, "{answer}");
    let at_us = answer.split("\"at_us\":").nth(1).unwrap();
    let at_us = at_us.trim_end_matches('}');
    let note = format!("#{at_us} mark door open, and #1 stopped\n");
    assert!(
        raw_text(&record).contains(&note),
        "answered, but not there: {note}"
    );

    let reading = format!(r#"{{"unit":"{unit}","what":"common-run","value":"4.8","by":"J. Doe"}}"#);
    let (status, answer) = ask(recorder.address, "POST", "/api/v1/readings", &reading);
    assert_eq!(status, 201, "{answer}");
    recorder.stop();
    pty.stop();
    let events = rows(&record, "events").join("\n");
    assert!(events.contains("door open, and #1 stopped"), "{events}");
    assert!(
        events.contains("what=common-run value=4.8 Ohm by=J. Doe"),
        "{events}"
    );
    assert_verifies(&record);
}
