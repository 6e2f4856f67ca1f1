//! A dashboard that others than this machine can reach: its token, its names.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

mod common;

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Command;

use common::process::{Process, program};
use common::{Scratch, fast, job_text, plug_in, steady, wait_until};

/// The status of `GET PATH` with these header lines.
fn status(port: &str, path: &str, headers: &str) -> u16 {
    let mut stream = TcpStream::connect(format!("127.0.0.1:{port}")).unwrap();
    let request = format!("GET {path} HTTP/1.1\r\nconnection: close\r\n{headers}\r\n");
    stream.write_all(request.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer.split(' ').nth(1).unwrap().parse().unwrap()
}

#[test]
fn beyond_this_machine_only_with_the_token_in_the_records_directory_and_by_names_that_were_given() {
    let scratch = Scratch::new("door");
    let (record, link) = (scratch.join("record"), scratch.join("port"));
    let said = scratch.join("said.txt");
    let scenario = steady(common::BOARD, 1);
    let job = scratch.join("job.toml");
    fs::write(&job, job_text(&scenario, &link)).unwrap();
    let pty = plug_in(scenario, &link, fast());
    let mut call = Command::new(program());
    call.args([
        "record",
        "--listen",
        "0.0.0.0:0",
        "--host",
        "bench.local",
        "--out",
    ]);
    call.args([&record, &job]);
    let messages = fs::File::create(&said).unwrap();
    let recorder = Process(call.stderr(messages).spawn().unwrap());
    let mut port = String::new();
    wait_until("the dashboard's address is said", || {
        let text = fs::read_to_string(&said).unwrap_or_default();
        let after = text.split("Dashboard: http://0.0.0.0:").nth(1);
        let found = after.and_then(|text| text.split_once('/'));
        port = found.map_or_else(String::new, |(port, _)| port.to_owned());
        !port.is_empty()
    });
    let token = fs::read_to_string(record.join("access-token")).unwrap();
    let bearer = format!("authorization: Bearer {}\r\n", token.trim());
    let host = "host: bench.local\r\n";
    assert_eq!(status(&port, "/api/v1/now", host), 401);
    assert_eq!(
        status(&port, "/api/v1/now", &format!("{host}{bearer}")),
        200
    );
    let stranger = format!("host: rebound.example.org\r\n{bearer}");
    assert_eq!(status(&port, "/api/v1/now", &stranger), 421);
    assert!(recorder.stop().success());
    let text = fs::read_to_string(&said).unwrap();
    assert!(!text.contains(token.trim()), "the token is in no log");
    pty.stop();
}
