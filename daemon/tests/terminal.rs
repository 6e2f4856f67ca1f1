//! Nothing from outside reaches the terminal as anything but text: not what a board says, not the name of a file, not what
//! stands in one.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

mod common;

use std::fs;
use std::io::Write;
use std::os::fd::AsRawFd;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use common::Scratch;
use nightclamp_protocol::{crc16_xmodem, line};

/// Clears a screen, names a window, turns text round, rings.
const NASTY: &str = "\u{1b}[2J\u{1b}]0;owned\u{7}\u{9b}2J\u{202e}\u{2066}\r\u{8}\u{0}";

fn nightclamp(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightclamp"))
        .args(args)
        .output()
        .unwrap()
}

/// What was said, which must be text and nothing else.
fn said(output: &Output) -> String {
    let said = String::from_utf8([&output.stdout[..], &output.stderr].concat()).unwrap();
    let commands = |c: char| {
        (c.is_control() && c != '\n')
            || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    assert!(!said.contains(commands), "{said:?}");
    said
}

/// Asks who is on a port on which these bytes come again and again.
fn ask(bytes: &[u8]) -> Output {
    let pty = nix::pty::openpty(None, None).unwrap();
    let path = fs::read_link(format!("/proc/self/fd/{}", pty.slave.as_raw_fd())).unwrap();
    let mut raw = nix::sys::termios::tcgetattr(&pty.slave).unwrap();
    nix::sys::termios::cfmakeraw(&mut raw);
    nix::sys::termios::tcsetattr(&pty.slave, nix::sys::termios::SetArg::TCSANOW, &raw).unwrap();
    nix::fcntl::fcntl(
        &pty.master,
        nix::fcntl::FcntlArg::F_SETFL(nix::fcntl::OFlag::O_NONBLOCK),
    )
    .unwrap();
    let (mut board, stop) = (fs::File::from(pty.master), AtomicBool::new(false));
    std::thread::scope(|scope| {
        scope.spawn(|| {
            while !stop.load(Ordering::Relaxed) {
                // A full line loses what does not fit, as a real one does.
                board.write(bytes).unwrap_or_default();
                std::thread::sleep(Duration::from_millis(20));
            }
        });
        let output = nightclamp(&["ports", "--ask", &path.to_string_lossy()]);
        stop.store(true, Ordering::Relaxed);
        output
    })
}

/// A line with a good checksum over whatever is in it.
fn checked(body: &str) -> String {
    format!("{body}~{:04X}\n", crc16_xmodem(body.as_bytes()))
}

#[test]
fn a_board_that_sends_commands_for_the_terminal_is_shown_as_text_or_not_at_all() {
    let nasty = [
        NASTY.to_owned(),
        checked(&format!("H 1 7f3a91c2 18 1 100 {NASTY}")),
        checked(&format!("N 0 boot {NASTY}")),
        checked(&format!("C 0 current A -3 {NASTY} ct")),
        "x".repeat(300),
        "\n".to_owned(),
    ];
    let good = [
        line("H 1 7f3a91c2 18 1 100 [2J]0;owned").to_string(),
        line("C 0 current A -3 common ct").to_string(),
    ];
    let output = ask([nasty.concat(), good.concat()].concat().as_bytes());
    let text = said(&output);
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(
        text.contains("board 7f3a91c2  boot 18  every 100 ms  firmware [2J]0;owned\n  0  common"),
        "{text}"
    );

    let output = ask(nasty.concat().as_bytes());
    let text = said(&output);
    assert_eq!(output.status.code(), Some(1), "{text}");
    assert!(text.contains("lines refused"), "{text}");
}

#[test]
fn a_files_name_and_what_stands_in_it_command_no_terminal() {
    let scratch = Scratch::new("terminal");
    let name =
        |end: &str| -> PathBuf { scratch.join(&format!("{}{end}", NASTY.replace('\u{0}', ""))) };
    let write = |end: &str, text: &[u8]| -> String {
        fs::write(name(end), text).unwrap();
        name(end).to_string_lossy().into_owned()
    };
    let good = write(
        "good.toml",
        b"[job]\nname = \"Freezer\"\ntimezone = \"UTC\"\n",
    );
    let bad = write("bad.toml", format!("'{NASTY}' = 1\n").as_bytes());
    let log = write("a.log", b"@1 x\n");
    let damaged = write("b.log.zst", NASTY.as_bytes());
    let (missing, out) = (
        name("missing").to_string_lossy().into_owned(),
        name("out").to_string_lossy().into_owned(),
    );
    let big = write("big.toml", &vec![b'#'; 2 << 20]);
    let calls: [(&[&str], i32, &str); 13] = [
        (
            &["replay", &log, "--job", &bad, "--out", &out],
            2,
            "bad.toml:1: ",
        ),
        (
            &["replay", &log, "--job", &big, "--out", &out],
            2,
            "big.toml: is longer than 1048576 bytes, no file of this kind is",
        ),
        (
            &["replay", &log, "--job", "/dev/zero", "--out", &out],
            2,
            "/dev/zero: is longer than 1048576 bytes",
        ),
        (
            &["replay", &log, "--job", &missing, "--out", &out],
            2,
            "missing: could not be read",
        ),
        (
            &[
                "replay",
                &log,
                "--job",
                &scratch.0.to_string_lossy(),
                "--out",
                &out,
            ],
            2,
            "could not be read",
        ),
        (
            &["replay", &missing, "--job", &good, "--out", &out],
            2,
            "missing: there is no such file",
        ),
        (
            &["replay", &damaged, "--job", &good, "--out", &out],
            1,
            "b.log.zst",
        ),
        (&["verify", &missing], 1, "missing"),
        (
            &["verify", &damaged],
            1,
            "b.log.zst: is not a zip archive that can be read",
        ),
        (
            &["report", &missing, "--pack", &missing, "--sign", &bad],
            2,
            "bad.toml: is not a private key",
        ),
        (&["customer", &missing, "--set", &bad], 2, "bad.toml:1: "),
        (
            &["table", &missing, "cycles"],
            2,
            "missing: is not a record",
        ),
        (&["ports", "--ask", &missing], 1, "missing"),
    ];
    for (args, code, part) in calls {
        let output = nightclamp(args);
        let text = said(&output);
        assert_eq!(output.status.code(), Some(code), "{args:?}: {text}");
        assert!(text.contains(part), "{part:?} is missing in {text:?}");
    }
}
