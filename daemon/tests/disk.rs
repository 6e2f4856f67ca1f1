//! A disk fills under the running recorder: its page says so at once, says what to do, and says no more of it once it is over.
//!
//! The file system is a real small one. Mounting it needs root: without, the test says that it was skipped.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;
#[path = "../archive/tests/support/mounted.rs"]
mod mounted;

use std::fs;
use std::path::Path;

use common::process::{Process, dashboard, get};
use common::wire::Talker;
use common::{BOARD, Scratch, assert_verifies, job_text, samples_in_raw, steady, wait_until};
use mounted::Mounted;
use serde_json::Value;

/// More than what is warned of however slowly it goes.
const DISK_BYTES: usize = 96 << 20;

/// What stands on the page: of each its level, what it is about, what it says, what to do.
fn notices(address: &str) -> Vec<[String; 4]> {
    let answer = get(address, "/api/v1/now");
    let body = answer.split_once("\r\n\r\n").unwrap().1;
    let now: Value = serde_json::from_str(body).unwrap();
    let part = |notice: &Value, key: &str| notice[key].as_str().unwrap().to_owned();
    let view = |notice: &Value| ["level", "about", "text", "todo"].map(|key| part(notice, key));
    now["notices"]
        .as_array()
        .unwrap()
        .iter()
        .map(view)
        .collect()
}

fn fill(path: &Path) {
    let filled = fs::write(path, vec![0x55; DISK_BYTES]);
    assert_eq!(filled.unwrap_err().kind(), std::io::ErrorKind::StorageFull);
}

#[test]
fn a_disk_that_fills_is_a_danger_on_the_page_until_there_is_room_again() {
    let scratch = Scratch::new("disk");
    let Some(mounted) = Mounted::new(scratch.join("small"), DISK_BYTES) else {
        println!("skipped: a file system of 96 MB could not be mounted (that needs root)");
        return;
    };
    let [link, job, said] = ["port", "job.toml", "said.txt"].map(|name| scratch.join(name));
    let record = mounted.path().join("record");
    let scenario = steady(BOARD, 1);
    fs::write(&job, job_text(&scenario, &link)).unwrap();
    let _board = Talker::start(scenario, &link);
    let recorder = Process::record(&job, &record, &said);
    let address = dashboard(&said);
    wait_until("samples are kept", || samples_in_raw(&record) > 0);
    assert_eq!(notices(&address), <[[String; 4]; 0]>::default());
    let ballast = mounted.path().join("ballast");
    fill(&ballast);
    let is_told = |about: &str, says: &str, todo: &str| {
        notices(&address).iter().any(|notice| {
            notice[0] == "danger"
                && notice[1] == about
                && notice[2].contains(says)
                && notice[3].contains(todo)
        })
    };
    wait_until("the raw log is a danger", || {
        is_told("raw log", "No space left", "leave the recorder running")
    });
    wait_until("the disk is a danger", || {
        is_told("disk", "nearly full", "Make room")
    });
    let ready = get(&address, "/readyz");
    assert!(
        ready.starts_with("HTTP/1.1 503") && ready.contains("raw log: "),
        "{ready}"
    );
    assert!(get(&address, "/healthz").starts_with("HTTP/1.1 200"));
    fs::remove_file(&ballast).unwrap();
    wait_until("nothing stands any more", || notices(&address).is_empty());
    assert!(get(&address, "/readyz").starts_with("HTTP/1.1 200"));
    assert!(recorder.stop().success());
    assert_verifies(&record);
}
