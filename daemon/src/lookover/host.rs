//! What is asked of the machine itself: other programs, the clock, the time zone, the disk.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use nightclamp_analysis::job::Job;
use nix::sys::stat::{major, minor};
use nix::sys::statvfs::statvfs;
use nix::unistd::{AccessFlags, access};

use super::Findings;
use crate::clocks::{HostClock, SystemClock};
use crate::holder;

/// Programs that open serial ports that are not theirs, by the name the kernel has for them, and what stops them.
const GRABBERS: [(&str, &str); 2] = [
    (
        "ModemManager",
        "install daemon/site/70-nightclamp.rules, or sudo systemctl disable --now ModemManager if there is no modem",
    ),
    (
        "brltty",
        "it takes USB-serial converters for braille displays; sudo systemctl mask --now brltty brltty-udev if nobody here needs one",
    ),
];
/// Where the device manager keeps what its rules said of a device.
const UDEV_DATA: &str = "/run/udev/data";
/// The tag that keeps the modem manager away.
const IGNORED: &str = "E:ID_MM_DEVICE_IGNORE=1";
/// 2026-01-01 UTC, µs: before this program was written no clock can be right.
const WRITTEN_US: i64 = 1_767_225_600_000_000;
/// A clock kept by a battery is a few seconds off at most, s.
const RTC_OFF_S: i64 = 10;
/// Days that the disk should last.
const DAYS_WANTED: f64 = 30.0;
/// Share of the raw log's length that tables and what is compressed take beside it: measured by tests/benchmark at under a
/// third, rounded up.
const TABLES_SHARE: f64 = 0.5;

/// Whether a program runs that would grab a board's port.
pub fn programs(job: &Job, findings: &mut Findings) {
    let ports: Vec<&Path> = job
        .boards
        .iter()
        .filter_map(|board| board.port.as_deref().map(Path::new))
        .collect();
    let mut is_clear = true;
    for (program, remedy) in GRABBERS {
        let running = holder::running_as(&[program]);
        let Some(process) = running.first() else {
            continue;
        };
        is_clear = false;
        let ignores = program == "ModemManager" && ports.iter().all(|port| is_ignored(port));
        if ignores {
            findings.well(
                "programs",
                format!("{process} runs and is told to leave the boards alone"),
            );
        } else {
            findings.mend(
                "programs",
                format!("{process} runs and may grab a board's port: {remedy}"),
            );
        }
    }
    if is_clear {
        findings.well("programs", "none runs that grabs serial ports");
    }
}

/// Whether the device manager's rules keep the modem manager off this port.
fn is_ignored(port: &Path) -> bool {
    let Ok(meta) = fs::metadata(port) else {
        return false;
    };
    let name = format!("c{}:{}", major(meta.rdev()), minor(meta.rdev()));
    let data = fs::read_to_string(Path::new(UDEV_DATA).join(name)).unwrap_or_default();
    data.lines().any(|line| line == IGNORED)
}

/// Whether the host's clock is right, is kept right, and outlives a power cut.
pub fn clock(findings: &mut Findings) {
    let now_us = SystemClock::new().wall_us();
    if now_us < WRITTEN_US {
        findings.mend("clock", "the machine's clock is years behind: set it (sudo timedatectl set-time), or give it a network for a minute");
    } else {
        match is_synchronised() {
            Some(true) => findings.well("clock", "synchronised by the network"),
            Some(false) => findings.note(
                "clock",
                "not synchronised: durations are right all the same, but compare the time of day with your watch",
            ),
            None => findings.note("clock", "whether it is synchronised cannot be seen here: compare it with your watch"),
        }
    }
    match battery_off_s(now_us) {
        None => findings.note(
            "clock",
            "no battery clock: after a power cut the time of day is wrong until the network is back (durations across the cut are then said to be unknown)",
        ),
        Some(off_s) if off_s.abs() > RTC_OFF_S => findings.mend(
            "clock",
            format!("the battery clock is {off_s:+} s off: sudo hwclock --systohc, and a new battery if it happens again"),
        ),
        Some(_) => findings.well("clock", "a battery clock keeps it over a power cut"),
    }
}

/// As the system's own time service says.
fn is_synchronised() -> Option<bool> {
    let call = ["show", "--property=NTPSynchronized", "--value"];
    let output = Command::new("timedatectl").args(call).output().ok()?;
    match String::from_utf8_lossy(&output.stdout).trim() {
        "yes" => Some(true),
        "no" => Some(false),
        _ => None,
    }
}

/// Battery clock minus wall clock, s.
fn battery_off_s(now_us: i64) -> Option<i64> {
    let text = fs::read_to_string("/sys/class/rtc/rtc0/since_epoch").ok()?;
    Some(text.trim().parse::<i64>().ok()? - now_us / 1_000_000)
}

/// Whether the machine's time zone is the job's.
pub fn zone(job: &Job, findings: &mut Findings) {
    let wanted = job.timezone.name();
    let target = fs::canonicalize("/etc/localtime").unwrap_or_default();
    let target = target.to_string_lossy();
    match target.split_once("/zoneinfo/").map(|(_, zone)| zone) {
        Some(zone) if zone == wanted => findings.well("time zone", format!("{wanted}, here and in the job file")),
        Some(zone) => findings.note(
            "time zone",
            format!("the job file says {wanted}, this machine {zone}: pages show the job file's; is it the site's?"),
        ),
        None => findings.note("time zone", format!("the job file says {wanted}: is it the site's?")),
    }
}

/// Whether the record can be written, and for how long there is room. `bytes_a_day` is what the boards say, as measured.
pub fn disk(out: Option<&Path>, bytes_a_day: f64, findings: &mut Findings) {
    let wanted = out.map_or_else(|| PathBuf::from("."), Path::to_path_buf);
    // The record directory need not be there yet: what is above it counts.
    let Some(there) = wanted
        .ancestors()
        .find(|path| path.is_dir() || path.as_os_str().is_empty())
    else {
        return findings.mend(
            "disk",
            format!("{}: there is no such place", wanted.display()),
        );
    };
    let there = if there.as_os_str().is_empty() {
        Path::new(".")
    } else {
        there
    };
    if access(there, AccessFlags::W_OK).is_err() {
        findings.mend(
            "disk",
            format!("{} may not be written by this user", there.display()),
        );
    }
    let free_bytes = match statvfs(there) {
        Ok(stat) => stat.blocks_available() as f64 * stat.fragment_size() as f64,
        Err(error) => return findings.mend("disk", format!("{}: {error}", there.display())),
    };
    let free_gb = free_bytes / 1e9;
    if bytes_a_day <= 0.0 {
        return findings.note(
            "disk",
            format!("{free_gb:.1} GB free; no board said anything to reckon days from"),
        );
    }
    let days = free_bytes / (bytes_a_day * (1.0 + TABLES_SHARE));
    let text = format!(
        "{free_gb:.1} GB free in {}: {days:.0} days at {:.0} MB a day, not counting that old raw logs are compressed",
        there.display(),
        bytes_a_day / 1e6
    );
    if days < DAYS_WANTED {
        findings.mend("disk", format!("{text}; free some, or record elsewhere"));
    } else {
        findings.well("disk", text);
    }
}
