//! `record --setup`: what is checked before anything begins, and the door before the page while there is no job yet. The
//! page itself is driven by tests/browser/setup.py.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Command;

use common::process::{Process, program};
use common::{Scratch, wait_until};

/// The whole answer to a request with these header lines and this body.
fn answer(port: &str, request: &str, headers: &str, body: &str) -> String {
    let mut stream = TcpStream::connect(format!("127.0.0.1:{port}")).unwrap();
    let length = body.len();
    let head = format!(
        "{request} HTTP/1.1\r\nhost: 127.0.0.1:{port}\r\nconnection: close\r\ncontent-type: application/json\r\n{headers}"
    );
    write!(stream, "{head}content-length: {length}\r\n\r\n{body}").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

#[test]
fn what_is_wrong_is_told_before_anything_begins() {
    let scratch = Scratch::new("setup-wrong");
    let record = scratch.join("record");
    let (nowhere, broken) = (
        scratch.join("nowhere/job.toml"),
        scratch.join("broken.toml"),
    );
    fs::write(
        &broken,
        "[job]\nname = \"Freezer\"\ntimezone = \"Lisbon\"\n",
    )
    .unwrap();
    let none = scratch.join("none.toml");
    let absent = scratch.join("absent.toml");
    let cases = [
        (
            vec![nowhere.as_os_str(), "--setup".as_ref()],
            "nowhere/job.toml: could not be written there",
        ),
        (
            vec![broken.as_os_str(), "--setup".as_ref()],
            "broken.toml:3: job.timezone",
        ),
        (
            vec![
                none.as_os_str(),
                "--setup-port".as_ref(),
                "/dev/null".as_ref(),
            ],
            "--setup",
        ),
        (
            vec![
                none.as_os_str(),
                "--setup".as_ref(),
                "--customer".as_ref(),
                absent.as_os_str(),
            ],
            "absent.toml: could not be read",
        ),
    ];
    for (args, told) in cases {
        let mut call = Command::new(program());
        call.args(["record", "--listen", "127.0.0.1:0", "--out"]);
        let output = call.arg(&record).args(&args).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(told), "{told}: {said}");
        assert!(!record.exists(), "{said}");
    }
}

#[test]
fn beyond_this_machine_nobody_sets_up_without_the_token_and_no_other_file_is_opened_as_a_port() {
    let scratch = Scratch::new("setup-door");
    let (record, said) = (scratch.join("deep/record"), scratch.join("said.txt"));
    let mut call = Command::new(program());
    call.args([
        "record",
        "--setup",
        "--listen",
        "0.0.0.0:0",
        "--host",
        "127.0.0.1",
        "--out",
    ]);
    call.args([&record, &scratch.join("job.toml")]);
    let waiting = Process(
        call.stderr(fs::File::create(&said).unwrap())
            .spawn()
            .unwrap(),
    );
    let mut port = String::new();
    wait_until("the set-up page's address is said", || {
        let text = fs::read_to_string(&said).unwrap_or_default();
        let after = text.split("http://0.0.0.0:").nth(1);
        let found = after.and_then(|text| text.split_once("/setup"));
        port = found.map_or_else(String::new, |(port, _)| port.to_owned());
        !port.is_empty()
    });
    let token = fs::read_to_string(record.join("access-token")).unwrap();
    let bearer = format!("authorization: Bearer {}\r\n", token.trim());
    let listen = |headers: &str, port_named: &str| {
        let body = format!("{{\"port\": \"{port_named}\"}}");
        answer(&port, "POST /api/v1/setup/listen", headers, &body)
    };
    assert!(listen("", "/dev/null").starts_with("HTTP/1.1 401"));
    let wrong = "authorization: Bearer none\r\n";
    assert!(listen(wrong, "/dev/null").starts_with("HTTP/1.1 401"));
    for other in ["/dev/null", "/etc/passwd", "../job.toml"] {
        let told = listen(&bearer, other);
        assert!(told.starts_with("HTTP/1.1 409"), "{told}");
        assert!(
            told.contains("is no serial port that is here now"),
            "{told}"
        );
    }
    let form = "{\"job\": {\"name\": \"Freezer\", \"timezone\": \"Europe/Lisbon\"}, \
        \"boards\": [{\"fields\": {\"id\": \"7f3a91c2\", \"port\": \"/etc/passwd\"}}]}";
    let told = answer(&port, "POST /api/v1/setup/save", &bearer, form);
    assert!(told.starts_with("HTTP/1.1 409"), "{told}");
    assert!(!scratch.join("job.toml").exists());
    assert!(waiting.stop().success());
}
