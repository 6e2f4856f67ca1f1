//! The guided bench test, driven by a person at a real terminal, against a simulated bench whose clock goes as fast as its world.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

mod common;

use std::fs::{self, File};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use common::{Scratch, assert_verifies, files};
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, job_toml, write_raw_log};

/// The same as in the browser's test.
const PLAN: &str = include_str!("../../fixtures/bench/plan.toml");

/// The invented bench goes so many times as fast: a reading that is taken while it is open has to come in time.
const SPEED: &str = "15";

/// A program at a terminal, and everything that came out of the terminal so far.
struct Terminal {
    master: File,
    seen: String,
    /// Up to here it has been read by the person.
    read: usize,
}

impl Terminal {
    /// Starts `bench` with a simulated protector, by a plan with more in it or as it is.
    fn start(scratch: &Scratch, which: &str, more: &str) -> (Self, Child, PathBuf) {
        let (plan, out) = (scratch.join("plan.toml"), scratch.join("record"));
        fs::write(
            &plan,
            PLAN.replace("repeats = 2\n", &format!("repeats = 2\n{more}")),
        )
        .unwrap();
        let pty = nix::pty::openpty(None, None).unwrap();
        let slave = File::from(pty.slave);
        let child = Command::new(env!("CARGO_BIN_EXE_nightclamp"))
            .args([
                "bench",
                &plan.to_string_lossy(),
                "--out",
                &out.to_string_lossy(),
            ])
            .args([
                "--simulate",
                which,
                "--speed",
                SPEED,
                "--listen",
                "127.0.0.1:0",
            ])
            .stdin(slave.try_clone().unwrap())
            .stderr(slave)
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let terminal = Self {
            master: File::from(pty.master),
            seen: String::new(),
            read: 0,
        };
        (terminal, child, out)
    }

    /// The same, with everything said that comes before the first run, and the switch on.
    fn at_the_first_run(scratch: &Scratch, which: &str) -> (Self, Child, PathBuf) {
        let (mut at, child, record) = Self::start(scratch, which, "");
        at.wait_for(&["[cautions]"]);
        at.say("J. Doe");
        at.wait_for(&["[cold-reading]"]);
        at.say("skip");
        at.wait_for(&["[ready]"]);
        at.say("on");
        (at, child, record)
    }

    /// Waits for one of these on the screen, and gives which; what stood before it is read.
    fn wait_for(&mut self, texts: &[&str]) -> usize {
        loop {
            let unread = &self.seen[self.read..];
            let found = texts
                .iter()
                .enumerate()
                .filter_map(|(at, text)| Some((unread.find(text)? + text.len(), at)));
            if let Some((end, at)) = found.min() {
                self.read += end;
                return at;
            }
            let mut bytes = [0; 4096];
            match self.master.read(&mut bytes) {
                Ok(count @ 1..) => {
                    let text: String = bytes[..count].iter().map(|b| char::from(*b)).collect();
                    self.seen.push_str(&text);
                }
                _ => panic!("none of {texts:?} came:\n{}", self.seen),
            }
        }
    }

    fn say(&mut self, line: &str) {
        self.master
            .write_all(format!("{line}\n").as_bytes())
            .unwrap();
    }

    /// What the invented ohmmeter shows.
    fn meter(&mut self) -> String {
        self.wait_for(&["the ohmmeter shows "]);
        let from = self.read;
        self.wait_for(&[" ("]);
        self.seen[from..self.read - 2].to_owned()
    }

    /// Reads until the program has closed it.
    fn rest(mut self) -> String {
        let mut bytes = Vec::new();
        // It ends with an error, as a terminal that nobody has open does.
        self.master.read_to_end(&mut bytes).unwrap_or_default();
        self.seen.extend(bytes.into_iter().map(char::from));
        self.seen
    }
}

fn results(dir: &Path, more: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightclamp"))
        .args(["bench", "--results", &dir.to_string_lossy()])
        .args(more)
        .output()
        .unwrap()
}

#[test]
fn a_person_at_a_terminal_is_led_through_the_test_and_the_record_tells_the_same_again() {
    let scratch = Scratch::new("bench");
    let (mut at, child, record) = Terminal::start(&scratch, "good", "hot_reading = true\n");
    at.wait_for(&["can be ejected with burning oil"]);
    at.wait_for(&["[cautions]"]);
    at.say("ok");
    at.wait_for(&["your name is needed"]);
    at.say("J. Doe");
    at.wait_for(&["[cold-reading]"]);
    let ohm = at.meter();
    at.say(&ohm);
    at.wait_for(&["[ready]"]);
    at.say("abort");
    at.wait_for(&["[aborted]"]);
    at.say("resume");
    at.wait_for(&["[ready]"]);
    at.say("on");
    at.wait_for(&["Closes again"]);
    at.wait_for(&["[hot-reading]"]);
    at.say("off");
    at.say("0,4");
    at.wait_for(&["a figure that is not negative is needed, or OL for open"]);
    at.say("OL");
    at.wait_for(&["[finished]"]);
    let (output, screen) = std::thread::scope(|scope| {
        let rest = scope.spawn(|| at.rest());
        (child.wait_with_output().unwrap(), rest.join().unwrap())
    });
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{screen}\n{told}");
    assert!(told.contains("Cautions acknowledged by J. Doe."), "{told}");
    assert!(
        told.contains(&format!("protector, cold: {ohm} Ohm")),
        "{told}"
    );
    assert!(
        told.contains("just after it had opened: OL (open)"),
        "{told}"
    );
    assert_eq!(told.matches("  protector\n").count(), 2, "{told}");

    // The same from the record, and from its raw logs replayed.
    assert_verifies(&record);
    let again = results(&record, &[]);
    assert_eq!(String::from_utf8(again.stdout).unwrap(), told);
    let (replayed, plan) = (scratch.join("replayed"), scratch.join("plan.toml"));
    let raw = files(&record.join("raw"), ".zst");
    let replay = Command::new(env!("CARGO_BIN_EXE_nightclamp"))
        .arg("replay")
        .args(raw)
        .arg("--job")
        .arg(&plan)
        .arg("--out")
        .arg(&replayed)
        .output()
        .unwrap();
    assert!(replay.status.success(), "{replay:?}");
    let (job, unit) = (
        scratch.join("job.toml"),
        "\n# mine\n[[unit]]\nname = \"other\"\nboard = \"7f3a91c2\"\nchannels.current = \"start\"\n",
    );
    let night = PLAN.split("\n[bench]").next().unwrap().to_owned() + "# stays\n" + unit;
    fs::write(&job, &night).unwrap();
    let from_replay = results(
        &replayed,
        &["--job-out", &job.to_string_lossy(), "--unit", "protector"],
    );
    assert_eq!(String::from_utf8(from_replay.stdout).unwrap(), told);
    let written = fs::read_to_string(&job).unwrap();
    assert!(written.contains("\ncloses_c = "), "{written}");
    let kept: Vec<&str> = night.lines().collect();
    let still: Vec<&str> = written.lines().filter(|line| kept.contains(line)).collect();
    assert_eq!(still, kept, "{written}");
    stands_beside(&scratch, &record);
}

/// Another bench, and a night on a site whose rotor was seized, beside this one.
fn stands_beside(scratch: &Scratch, record: &Path) {
    let told = |other: &Path, more: &[&str]| {
        let other = other.to_string_lossy();
        let output = results(record, &[&["--beside", &other], more].concat());
        let said = [output.stdout, output.stderr].concat();
        (output.status.code(), String::from_utf8(said).unwrap())
    };
    let (code, itself) = told(record, &[]);
    assert_eq!(code, Some(0), "{itself}");
    let pairs = itself.split("Side by side").nth(1).unwrap();
    assert!(pairs.contains("in a case that stays at"), "{itself}");
    assert!(pairs.contains("no certain difference"), "{itself}");
    assert!(!pairs.contains("they differ"), "{itself}");

    let scenario = Scenario::by_name("locked", 3).unwrap();
    let (job, log, site) = ("night.toml", "night.log", scratch.join("site"));
    fs::write(scratch.join(job), job_toml(&scenario)).unwrap();
    let name = scenario.units[0].name.clone();
    let (mut board, mut text) = (SimBoard::new(scenario), Vec::new());
    write_raw_log(
        &mut board,
        1_795_629_600_000_000,
        2700.0,
        &mut Arrivals::calm(3),
        &mut text,
        true,
    )
    .unwrap();
    fs::write(scratch.join(log), text).unwrap();
    let replay = Command::new(env!("CARGO_BIN_EXE_nightclamp"))
        .args(["replay", log, "--job", job, "--out", "site"])
        .current_dir(scratch.join(""))
        .output()
        .unwrap();
    assert!(replay.status.success(), "{replay:?}");
    let (code, said) = told(&site, &["--beside-unit", &name]);
    assert_eq!(code, Some(0), "{said}");
    assert!(
        said.contains(&format!("The protector of {name} where it works: ")),
        "{said}"
    );
    assert!(said.contains("\nclosing temperature "), "{said}");
    // Whose protector is meant is asked, and never guessed.
    let (code, said) = told(&site, &["--beside-unit", "nobody"]);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("which compressor is meant"), "{said}");
    let (code, said) = told(&scratch.join("nowhere"), &[]);
    assert_eq!(code, Some(2), "{said}");

    // What is to stand beside a test is read before it begins: its own record is not that.
    let output = Command::new(env!("CARGO_BIN_EXE_nightclamp"))
        .arg("bench")
        .arg(scratch.join("plan.toml"))
        .arg("--out")
        .arg(record)
        .arg("--beside")
        .arg(record)
        .output()
        .unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("the record of this very test"), "{said}");
}

/// Killed while the protector is open; nobody has to say again what he has said, and what was measured before counts.
#[test]
fn a_test_that_is_killed_is_carried_on_by_the_same_call() {
    let scratch = Scratch::new("bench-killed");
    let (mut at, mut child, _) = Terminal::at_the_first_run(&scratch, "good");
    at.wait_for(&["[cooling]"]);
    child.kill().unwrap();
    child.wait().unwrap();

    let (mut at, child, record) = Terminal::start(&scratch, "good", "");
    at.wait_for(&["[cooling]"]);
    at.say("on");
    at.wait_for(&["[heating]"]);
    at.wait_for(&["[switch-off]"]);
    at.say("off");
    let (output, screen) = std::thread::scope(|scope| {
        let rest = scope.spawn(|| at.rest());
        (child.wait_with_output().unwrap(), rest.join().unwrap())
    });
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{screen}\n{told}");
    assert!(!screen.contains("[cautions]"), "{screen}");
    assert!(told.contains("Cautions acknowledged by J. Doe."), "{told}");
    assert_eq!(told.matches("  protector\n").count(), 2, "{told}");
    assert_verifies(&record);
}

#[test]
fn a_welded_protector_is_a_danger_at_once_and_fails() {
    let scratch = Scratch::new("bench-welded");
    let (mut at, child, record) = Terminal::at_the_first_run(&scratch, "welded");
    at.wait_for(&["DANGER: It has carried current"]);
    at.say("off");
    at.wait_for(&["[aborted] It did not open in time"]);
    at.say("done");
    at.wait_for(&["[finished]"]);
    let (output, screen) = std::thread::scope(|scope| {
        let rest = scope.spawn(|| at.rest());
        (child.wait_with_output().unwrap(), rest.join().unwrap())
    });
    let told = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{screen}\n{told}");
    assert!(told.contains("\nWhole: fail."), "{told}");
    assert_verifies(&record);
}
