//! The board behind a real pseudo-terminal, as a program on a serial port meets it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says what it expected by failing

use nightclamp_protocol::line;
use nightclamp_simboard::scenario::Scenario;
use nightclamp_simboard::{Pty, PtyOptions, SimBoard};
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;

/// A person's patience, in lines, before a thing that must come counts as missing.
const PATIENCE: usize = 20_000;

struct Port {
    writer: File,
    reader: BufReader<File>,
}

fn open(path: &Path) -> Port {
    let writer = File::options().read(true).write(true).open(path).unwrap();
    let reader = BufReader::new(writer.try_clone().unwrap());
    Port { writer, reader }
}

impl Port {
    /// Reads on to the first line that starts so.
    fn until(&mut self, start: &str) -> String {
        for _ in 0..PATIENCE {
            let mut line = Vec::new();
            assert!(
                self.reader.read_until(b'\n', &mut line).unwrap() > 0,
                "the port ended before {start}"
            );
            if line.starts_with(start.as_bytes()) {
                return String::from_utf8_lossy(&line).trim_end().to_owned();
            }
        }
        panic!("no {start}");
    }

    fn ask(&mut self, body: &str) {
        self.writer
            .write_all(line(body).to_string().as_bytes())
            .unwrap();
    }
}

fn seq(sample: &str) -> u16 {
    sample.split(' ').nth(1).unwrap().parse().unwrap()
}

#[test]
fn a_port_is_opened_asked_unplugged_and_plugged_in_again() {
    let dir = std::env::temp_dir().join(format!("simboard-pty-{}", std::process::id()));
    std::fs::create_dir_all(&dir).unwrap();
    let link = dir.join("port");
    let options = PtyOptions {
        speed: 50.0,
        reset_on_open: true,
        powered_by_port: true,
        ..PtyOptions::default()
    };
    let pty = Pty::start(
        SimBoard::new(Scenario::by_name("demo", 1).unwrap()),
        options,
    )
    .unwrap();
    pty.link_to(&link).unwrap();

    let mut port = open(&link);
    assert!(
        port.until("N 0 boot").contains("external"),
        "opening resets the board"
    );
    port.until("H 1 7f3a91c2 ");
    port.ask("?");
    port.until("H 1 7f3a91c2 ");
    port.ask("P 1000");
    port.until("A ");
    assert!(port.until("H 1 7f3a91c2 ").contains(" 1000 simboard-1"));
    let first = seq(&port.until("S "));
    assert_eq!(seq(&port.until("S ")), first.wrapping_add(1));

    pty.unplug();
    // What was written before can still be read, then the port ends: nothing, or EIO.
    let mut rest = Vec::new();
    while matches!(port.reader.read_until(b'\n', &mut rest), Ok(n) if n > 0) {}
    assert!(!link.exists(), "the name is gone");
    pty.replug().unwrap();
    let mut port = open(&link);
    let boot = port.until("N 0 boot");
    assert!(
        boot.contains("power-on") || boot.contains("external"),
        "{boot}"
    );
    port.until("S ");
    assert_eq!(pty.counts().opened, 2);

    let board = pty.stop();
    assert!(board.truth().boots.len() >= 2);
    std::fs::remove_dir_all(&dir).unwrap();
}

#[test]
fn a_fast_world_waits_for_its_reader_and_loses_nothing() {
    let options = PtyOptions {
        speed: 1e6,
        wait_for_open: true,
        wait_for_reader: true,
        ..PtyOptions::default()
    };
    let pty = Pty::start(
        SimBoard::new(Scenario::by_name("steady", 1).unwrap()),
        options,
    )
    .unwrap();
    let mut port = open(&pty.path());
    port.until("N 0 boot");
    for expected in 0..3000u16 {
        assert_eq!(seq(&port.until("S ")), expected);
    }
    assert_eq!(pty.counts().unsent, 0);
    assert_eq!(pty.stop().truth().boots.len(), 1);
}

#[test]
fn a_reader_that_stalls_costs_samples_that_are_counted() {
    let options = PtyOptions {
        speed: 20_000.0,
        wait_for_open: true,
        ..PtyOptions::default()
    };
    let pty = Pty::start(
        SimBoard::new(Scenario::by_name("steady", 1).unwrap()),
        options,
    )
    .unwrap();
    let mut port = open(&pty.path());
    port.until("S ");
    while pty.counts().unsent < 1000 {
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    let mut last = None;
    let jumped = (0..PATIENCE).any(|_| {
        let now = seq(&port.until("S "));
        let jump = last.is_some_and(|l: u16| now != l.wrapping_add(1));
        last = Some(now);
        jump
    });
    assert!(jumped, "seq goes on over what could not be sent");
    let counts = pty.counts();
    let board = pty.stop();
    assert!(counts.unsent > 0 && board.truth().boots[0].unsent > 0);
}
