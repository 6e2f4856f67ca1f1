//! The power is cut under the running recorder, on a real ext4 file system: everything that was said more than two seconds
//! before is there after the next start, once, nothing is damaged, and what is missing is named.
//!
//! A file system on a loop device is shut down as by a power cut: the ioctl `FS_IOC_SHUTDOWN` without a flush of its log
//! drops everything that was not synced (`fs/ext4/ioctl.c`, `EXT4_GOING_FLAGS_NOLOGFLUSH`). That and mounting need root, and
//! `python3` makes the call. `tests/powercut` does 20 rounds; `NIGHTCLAMP_CUTS=N` N of them, `NIGHTCLAMP_CUT_SEED=N` at the
//! same instants again, as far as the machine plays along.

#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

mod common;

use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use common::account::{Account, Dice, Interruption, last_run, oldest_lost_us, raw_lines};
use common::process::Process;
use common::wire::{Talker, wall_us};
use common::{BOARD, Scratch, job_text, rows, steady, wait_until};
use nix::sys::signal::Signal;

/// Cuts unless the call says otherwise.
const CUTS: usize = 3;
/// Cuts of one record, one after the other.
const CUTS_A_RECORD: usize = 5;
/// The promise: what is older than this at the cut is there, µs.
const KEPT_AFTER_US: i64 = 2_000_000;
/// Size of the file system.
const DISK_BYTES: u64 = 64 << 20;
/// Holds the mounted directory open, says so, and shuts the file system down when told to.
const SHUTDOWN: &str = "
import fcntl, os, struct, sys
FS_IOC_SHUTDOWN, NO_LOG_FLUSH = 0x8004587d, 2
directory = os.open(sys.argv[1], os.O_RDONLY)
print('ready', flush=True)
sys.stdin.readline()
fcntl.ioctl(directory, FS_IOC_SHUTDOWN, struct.pack('I', NO_LOG_FLUSH))
print('cut', flush=True)
";

/// An ext4 file system in a file, mounted.
struct Disk {
    image: PathBuf,
    at: PathBuf,
}

impl Disk {
    /// `None` where it cannot be had.
    fn new(scratch: &Scratch) -> Option<Self> {
        let (image, at) = (scratch.join("disk.img"), scratch.join("disk"));
        std::fs::create_dir_all(&at).unwrap();
        File::create(&image).unwrap().set_len(DISK_BYTES).unwrap();
        let is_made = ran("mkfs.ext4", &["-q".as_ref(), "-F".as_ref(), &image]);
        let disk = Self { image, at };
        (is_made && disk.mount()).then_some(disk)
    }

    fn mount(&self) -> bool {
        ran(
            "mount",
            &["-o".as_ref(), "loop".as_ref(), &self.image, &self.at],
        )
    }

    fn unmount(&self) -> bool {
        ran("umount", &[&self.at])
    }

    /// What a machine does when the power is back.
    fn comes_back(&self) {
        wait_until("it is unmounted", || self.unmount());
        assert!(self.mount(), "it cannot be mounted again");
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        if !self.unmount() {
            ran("umount", &["-l".as_ref(), &self.at]);
        }
    }
}

fn ran(program: &str, args: &[&Path]) -> bool {
    let output = Command::new(program).args(args).output();
    output.is_ok_and(|output| output.status.success())
}

/// A cut that only has to be let happen.
struct Cut(Child);

impl Cut {
    /// `None` where nobody can do it.
    fn ready(disk: &Disk) -> Option<Self> {
        let mut call = Command::new("python3");
        call.args(["-c", SHUTDOWN]).arg(&disk.at);
        let mut child = call
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .ok()?;
        let mut said = String::new();
        BufReader::new(child.stdout.as_mut()?)
            .read_line(&mut said)
            .ok()?;
        (said == "ready\n").then_some(Self(child))
    }

    /// The power goes; when that was, µs.
    fn now(mut self) -> i64 {
        let at_us = wall_us();
        self.0.stdin.take().unwrap().write_all(b"\n").unwrap();
        assert!(self.0.wait().unwrap().success(), "it was not shut down");
        at_us
    }
}

/// Cuts the power `cuts` times under a recorder and lets the last one stop in good order; then looks at what there is.
/// `None` if no file system can be had.
fn record_and_cut(seed: u64, cuts: usize) -> Option<Account> {
    let scratch = Scratch::new("powercut");
    let disk = Disk::new(&scratch)?;
    let [link, job, said] = ["port", "job.toml", "said.txt"].map(|name| scratch.join(name));
    let record = disk.at.join("record");
    let mut scenario = steady(BOARD, seed);
    scenario.board.period_ms = 20;
    std::fs::write(&job, job_text(&scenario, &link)).unwrap();
    let board = Talker::start(scenario, &link);
    let mut dice = Dice::new(seed);
    let mut done = Vec::new();
    for _ in 0..cuts {
        let cut = Cut::ready(&disk)?;
        let recorder = Process::record(&job, &record, &said);
        // Now and then late enough to fall among the sealing of what earlier runs have left.
        std::thread::sleep(match dice.one_in(3) {
            true => dice.ms(9_900, 11_000),
            false => dice.ms(20, 5_000),
        });
        if dice.one_in(4) {
            // In the midst of a stop in good order.
            recorder.signal(Signal::SIGTERM);
            std::thread::sleep(dice.ms(0, 250));
        }
        let at_us = cut.now();
        recorder.kill();
        let gone_us = wall_us();
        done.push(Interruption { at_us, gone_us });
        disk.comes_back();
        // Before anybody has mended anything: what was acknowledged is there, and no table is half written.
        let sent = board.with(|wire| wire.sent.clone());
        let (raw, age_us) = (raw_lines(&record), KEPT_AFTER_US);
        let oldest_us = oldest_lost_us(&sent, &done, &raw, age_us);
        let tables = ["samples", "events", "cycles"].map(|table| rows(&record, table).len());
        println!(
            "cut {}: {} lines on the disk, the oldest lost was {} ms old, rows {tables:?}",
            done.len(),
            raw.len(),
            oldest_us / 1000
        );
    }
    Some(last_run(
        [&job, &record, &said],
        board,
        &done,
        KEPT_AFTER_US,
    ))
}

#[test]
#[ignore = "mounts a file system, which needs root: tests/powercut"]
fn the_power_cut_at_any_instant_takes_nothing_older_than_two_seconds() {
    let number = |name: &str| std::env::var(name).ok().and_then(|n| n.parse::<u64>().ok());
    let cuts = number("NIGHTCLAMP_CUTS").map_or(CUTS, |n| n as usize);
    let seed = number("NIGHTCLAMP_CUT_SEED").unwrap_or_else(|| wall_us() as u64 >> 4);
    println!("seed {seed}");
    let mut sum = Account::default();
    for first in (0..cuts).step_by(CUTS_A_RECORD) {
        let of_record = CUTS_A_RECORD.min(cuts - first);
        let Some(account) = record_and_cut(seed + first as u64, of_record) else {
            assert_eq!(sum.interruptions, 0, "no file system any more");
            println!(
                "skipped: an ext4 file system on a loop device could not be mounted and shut down (that needs root)"
            );
            return;
        };
        sum.interruptions += account.interruptions;
        sum.sent += account.sent;
        sum.kept += account.kept;
        sum.oldest_lost_us = sum.oldest_lost_us.max(account.oldest_lost_us);
    }
    println!(
        "{} power cuts: {} samples said while the port was open, {} kept, the oldest lost was {} ms old",
        sum.interruptions,
        sum.sent,
        sum.kept,
        sum.oldest_lost_us / 1000
    );
}
