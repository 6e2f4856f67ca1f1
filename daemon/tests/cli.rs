//! The calls, their exit codes and what they say.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

mod common;

use std::fs;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

use common::{Scratch, in_real_time, job_text, plug_in, samples_in_raw, seqs, steady, wait_until};
use nightclamp_simboard::PtyOptions;

fn nightclamp(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightclamp"))
        .args(args)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// Runs the call and checks its exit code, that all `parts` are in what it says to people, and that it has no results.
#[track_caller]
fn refused(args: &[&str], code: i32, parts: &[&str]) {
    let output = nightclamp(args);
    let said = text(&output.stderr);
    assert_eq!(output.status.code(), Some(code), "{args:?} said {said}");
    for part in parts {
        assert!(said.contains(part), "{part:?} is missing in {said:?}");
    }
    assert_eq!(text(&output.stdout), "", "{args:?}");
}

fn write(path: &Path, text: &str) -> String {
    fs::write(path, text).unwrap();
    path.to_string_lossy().into_owned()
}

#[test]
fn a_wrong_call_is_2_and_says_what_is_wrong_with_it() {
    refused(&[], 2, &["Usage"]);
    refused(&["recrod"], 2, &["recrod"]);
    refused(&["record", "job.toml"], 2, &["--out"]);
    refused(
        &["demo", "--listen", "0.0.0.0:8722"],
        2,
        &["0.0.0.0", "other machines"],
    );
    for (more, why) in [
        (["--host", "bench.local:8722"], "bench.local"),
        (["--tls-cert", "cert.pem"], "--tls-key"),
    ] {
        let call = ["record", "job.toml", "--out", "x"];
        refused(&[call.as_slice(), &more].concat(), 2, &[why]);
    }
    refused(
        &["record", "job.toml", "--out", "x", "--listen", "8722"],
        2,
        &["127.0.0.1:8722"],
    );
    refused(
        &[
            "replay",
            "a.log",
            "--job",
            "j",
            "--out",
            "x",
            "--began",
            "yesterday",
        ],
        2,
        &["2026-11-25T18:00:00Z"],
    );
    refused(&["demo", "--hours", "0"], 2, &["--hours"]);
    for (limit, why) in [
        (["--keep-raw-days", "0"], "--keep-raw-days"),
        (["--keep-raw-days", "70000"], "--keep-raw-days"),
        (["--keep-raw-bytes", "20 parsecs"], "like 500MB, 20GB"),
        (["--keep-raw-bytes", "99999999TB"], "like 500MB, 20GB"),
    ] {
        let call = ["record", "job.toml", "--out", "x"];
        refused(&[call.as_slice(), &limit].concat(), 2, &[why]);
    }
}

#[test]
fn help_and_version_are_results() {
    for args in [&["--help"][..], &["--version"], &["record", "--help"]] {
        let output = nightclamp(args);
        assert_eq!(output.status.code(), Some(0), "{args:?}");
        assert!(text(&output.stdout).contains("nightclamp"), "{args:?}");
    }
}

#[test]
fn a_wrong_job_file_is_2_with_file_key_and_line() {
    let scratch = Scratch::new("job");
    let out = scratch.join("record").to_string_lossy().into_owned();
    let absent = scratch.join("absent.toml").to_string_lossy().into_owned();
    refused(
        &["record", &absent, "--out", &out],
        2,
        &["absent.toml", "because: "],
    );

    let good = job_text(&steady(1, 1), Path::new("/dev/null"));
    let misspelt = write(
        &scratch.join("misspelt.toml"),
        &good.replacen("rated_load_a", "rated_laod_a", 1),
    );
    refused(
        &["record", &misspelt, "--out", &out],
        2,
        &["misspelt.toml:", "rated_laod_a"],
    );

    let no_toml = write(&scratch.join("no-toml.toml"), "[job\n");
    refused(&["record", &no_toml, "--out", &out], 2, &["no-toml.toml:1"]);

    fs::write(scratch.join("binary.toml"), [b'[', 0xff, 0xfe]).unwrap();
    let binary = scratch.join("binary.toml").to_string_lossy().into_owned();
    refused(&["record", &binary, "--out", &out], 2, &["binary.toml"]);

    let portless: String = good
        .lines()
        .filter(|line| !line.starts_with("port"))
        .map(|l| format!("{l}\n"))
        .collect();
    let portless = write(&scratch.join("portless.toml"), &portless);
    refused(
        &["record", &portless, "--out", &out],
        2,
        &["portless.toml", "`port`"],
    );
    assert!(
        !Path::new(&out).exists(),
        "nothing is begun for a wrong job file"
    );
}

#[test]
fn replay_needs_its_logs_and_an_empty_directory() {
    let scratch = Scratch::new("replay");
    let job = write(
        &scratch.join("job.toml"),
        &job_text(&steady(1, 1), Path::new("/dev/null")),
    );
    let out = scratch.join("record").to_string_lossy().into_owned();
    refused(
        &["replay", "/absent.log", "--job", &job, "--out", &out],
        2,
        &["/absent.log"],
    );
    let log = write(
        &scratch.join("a.log"),
        "#1764093600000000 began wall=1764093600000000 boot=5 host-boot=h\n",
    );
    let full = scratch.0.to_string_lossy().into_owned();
    refused(
        &["replay", &log, "--job", &job, "--out", &full],
        2,
        &["not empty"],
    );
    let bare = write(&scratch.join("bare.log"), "N 0 boot power-on~BBEB\n");
    refused(
        &["replay", &bare, "--job", &job, "--out", &out],
        2,
        &["bare.log", "--began"],
    );
}

/// Hello, channel and sample of a board of another protocol version.
const OF_VERSION_2: &str = "\
@1790000000000000 H 2 7f3a91c2 18 1 100 ref-1~F29B
@1790000000100000 C 0 current A -3 common ct~C078
@1790000000200000 S 0 100 1500~77E6
";

#[test]
fn a_board_of_another_protocol_version_is_refused_with_both_versions() {
    let scratch = Scratch::new("version");
    let job = write(
        &scratch.join("job.toml"),
        &job_text(&steady(1, 1), Path::new("/dev/null")),
    );
    let log = write(&scratch.join("a.log"), OF_VERSION_2);
    let out = scratch.join("record").to_string_lossy().into_owned();
    let output = nightclamp(&["replay", &log, "--job", &job, "--out", &out]);
    let said = text(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{said}");
    for part in ["protocol version 2", "protocol version 1", "1 samples"] {
        assert!(said.contains(part), "{part:?} is missing in {said:?}");
    }
}

#[test]
fn what_cannot_be_done_is_1() {
    let scratch = Scratch::new("cannot");
    let job = write(
        &scratch.join("job.toml"),
        &job_text(&steady(1, 1), Path::new("/dev/nightclamp-absent")),
    );
    refused(
        &[
            "record",
            &job,
            "--out",
            "/dev/null/record",
            "--listen",
            "127.0.0.1:0",
        ],
        1,
        &["/dev/null/record"],
    );
    let empty = scratch.join("empty");
    fs::create_dir(&empty).unwrap();
    refused(&["verify", &empty.to_string_lossy()], 1, &["empty"]);
    refused(
        &["ports", "--ask", "/dev/nightclamp-absent"],
        1,
        &["/dev/nightclamp-absent is not there"],
    );
}

#[test]
fn a_port_that_is_named_is_asked_who_is_on_it() {
    let scratch = Scratch::new("ask");
    let link = scratch.join("port");
    let _pty = plug_in(
        steady(0x7f3a_91c2, 6),
        &link,
        PtyOptions {
            wait_for_open: true,
            ..PtyOptions::default()
        },
    );
    let output = nightclamp(&["ports", "--ask", &link.to_string_lossy()]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let board = text(&output.stdout);
    assert!(
        board.starts_with("board 7f3a91c2  boot 17  every 100 ms"),
        "{board}"
    );
    assert!(board.contains("current in A"), "{board}");
}

#[test]
fn a_port_that_a_recorder_holds_is_refused_with_the_holders_name() {
    let scratch = Scratch::new("held");
    let link = scratch.join("port");
    let scenario = steady(0x7f3a_91c2, 7);
    let job = write(&scratch.join("job.toml"), &job_text(&scenario, &link));
    let _pty = plug_in(scenario, &link, PtyOptions::default());
    let (out, log) = (scratch.join("record"), scratch.join("stderr"));
    let mut recorder = Command::new(env!("CARGO_BIN_EXE_nightclamp"))
        .args(["record", &job, "--listen", "127.0.0.1:0", "--out"])
        .arg(&out)
        .stderr(fs::File::create(&log).unwrap())
        .spawn()
        .unwrap();
    wait_until("the port is open", || {
        fs::read_to_string(&log).unwrap().contains("is open")
    });
    let holder = format!("held by nightclamp (process {})", recorder.id());
    refused(
        &["ports", "--ask", &link.to_string_lossy()],
        1,
        &["is in use", &holder],
    );
    terminate(&recorder);
    assert_eq!(recorder.wait().unwrap().code(), Some(0));
}

#[test]
fn a_recorder_that_was_killed_carries_on_and_has_lost_nothing_that_was_written() {
    let scratch = Scratch::new("killed");
    let (link, out) = (scratch.join("port"), scratch.join("record"));
    let mut scenario = steady(0x7f3a_91c2, 8);
    let options = in_real_time(&mut scenario);
    let job = write(&scratch.join("job.toml"), &job_text(&scenario, &link));
    let _pty = plug_in(scenario, &link, options);
    let start = || {
        let mut call = Command::new(env!("CARGO_BIN_EXE_nightclamp"));
        call.args(["record", &job, "--listen", "127.0.0.1:0", "--out"])
            .arg(&out);
        call.stderr(Stdio::null()).spawn().unwrap()
    };
    let mut recorder = start();
    wait_until("some is recorded", || samples_in_raw(&out) > 100);
    recorder.kill().unwrap();
    recorder.wait().unwrap();
    let written = samples_in_raw(&out);
    let mut recorder = start();
    wait_until("more is recorded", || samples_in_raw(&out) > written + 100);
    terminate(&recorder);
    assert_eq!(recorder.wait().unwrap().code(), Some(0));
    let seqs: Vec<i64> = seqs(&out, 0x7f3a_91c2).into_values().flatten().collect();
    assert!(
        (0..written as i64).all(|seq| seqs.get(seq as usize) == Some(&seq)),
        "what was written before the kill"
    );
    common::assert_verifies(&out);
}

fn terminate(process: &Child) {
    nix::sys::signal::kill(
        nix::unistd::Pid::from_raw(process.id() as i32),
        nix::sys::signal::SIGTERM,
    )
    .unwrap();
}

#[test]
fn a_recorder_without_its_board_says_so_stops_at_sigterm_and_leaves_a_record_that_verifies() {
    let scratch = Scratch::new("sigterm");
    let job = write(
        &scratch.join("job.toml"),
        &job_text(&steady(1, 1), Path::new("/dev/nightclamp-absent")),
    );
    let (out, log) = (scratch.join("record"), scratch.join("stderr"));
    let mut recorder = Command::new(env!("CARGO_BIN_EXE_nightclamp"))
        .args(["record", &job, "--listen", "127.0.0.1:0", "--out"])
        .arg(&out)
        .stderr(fs::File::create(&log).unwrap())
        .spawn()
        .unwrap();
    let said = || fs::read_to_string(&log).unwrap();
    wait_until("it says that the board is missing", || {
        said().contains("/dev/nightclamp-absent is not there")
    });
    refused(
        &[
            "record",
            &job,
            "--listen",
            "127.0.0.1:0",
            "--out",
            &out.to_string_lossy(),
        ],
        1,
        &["is being recorded"],
    );
    terminate(&recorder);
    assert_eq!(recorder.wait().unwrap().code(), Some(0), "{}", said());
    assert!(
        said().contains("Dashboard: http://127.0.0.1:"),
        "{}",
        said()
    );
    assert_eq!(
        said().matches("is not there").count(),
        1,
        "said once, not at every try: {}",
        said()
    );
    assert!(!said().contains('\u{1b}'), "no colours into a file");
    common::assert_verifies(&out);
}
