//! Records of simulated nights, made as `replay` makes them.

#![allow(dead_code)] // each test program uses its own part of this
#![allow(clippy::unwrap_used, clippy::panic)] // a test stops at the first thing that is not as it should be

pub mod said;

use std::fs::{self, File};
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_archive::{HostClock, Projector, RawWriter, RecordDir, Retention};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_report::{Options, Paper, Period};
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, job_toml, write_raw_log};

/// 25 November 2026, 18:00 UTC.
pub const BEGIN_US: i64 = 1_795_629_600_000_000;

/// A directory for one test, removed at its end.
pub struct Scratch(PathBuf);

impl Scratch {
    pub fn new() -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let name = format!("nightclamp-report-{}-{number}", std::process::id());
        let path = std::env::temp_dir().join(name);
        fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    pub fn join(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        fs::remove_dir_all(&self.0).unwrap_or_default();
    }
}

/// A scenario: `random` is drawn from the seed.
pub fn scenario(name: &str, seed: u64) -> Scenario {
    match name {
        "random" => Scenario::random(seed),
        name => Scenario::by_name(name, seed).unwrap(),
    }
}

/// A record of `hours` of a scenario, its job file as `job` makes it of the scenario's own.
pub fn record(
    scratch: &Scratch,
    scenario: Scenario,
    hours: f64,
    job: impl Fn(String) -> String,
) -> PathBuf {
    let (seed, job_text) = (scenario.seed, job(job_toml(&scenario)));
    let log = scratch.join("night.log");
    let mut board = SimBoard::new(scenario);
    let mut out = BufWriter::new(File::create(&log).unwrap());
    let mut arrivals = Arrivals::calm(seed);
    write_raw_log(
        &mut board,
        BEGIN_US,
        hours * 3600.0,
        &mut arrivals,
        &mut out,
        true,
    )
    .unwrap();
    drop(out);
    let heart = Projection::new(Job::parse(&job_text, "job.toml").unwrap());
    let dir = scratch.join("record");
    nightclamp_archive::replay(&[log], &job_text, heart, &dir, None).unwrap();
    dir
}

/// A record of some days, as a recorder makes it that keeps raw logs for one day; on the first evening the host's clock is set
/// half an hour forward, and on the last morning the recorder starts again.
pub fn record_without_old_logs(scratch: &Scratch, scenario: Scenario, days: u32) -> PathBuf {
    const ROUND_US: i64 = 6 * 3_600_000_000;
    const SET_US: i64 = 1_800_000_000;
    let (seed, job_text) = (scenario.seed, job_toml(&scenario));
    let (mut board, mut log) = (SimBoard::new(scenario), Vec::new());
    let (arrivals, seconds) = (&mut Arrivals::calm(seed), f64::from(days) * 86_400.0);
    write_raw_log(&mut board, BEGIN_US, seconds, arrivals, &mut log, true).unwrap();
    let log = String::from_utf8_lossy(&log);
    let clock = |us: i64, set_us: i64| HostClock {
        wall_us: us + set_us,
        boot_us: 86_400_000_000 + us - BEGIN_US,
        host_boot: "simhost-1".to_owned(),
    };

    let dir = scratch.join("record");
    let record = RecordDir::create_or_open(&dir, &job_text).unwrap();
    let heart = || Projection::new(Job::parse(&job_text, "job.toml").unwrap());
    let mut projector = Projector::new(&record, heart()).unwrap();
    let mut raw = RawWriter::begin(&record, "simulated", &clock(BEGIN_US, 0)).unwrap();
    let retention = Retention {
        keep_us: Some(86_400_000_000),
        keep_bytes: None,
    };
    let (mut table, mut set_us, mut round) = (Vec::new(), 0, 1);
    for line in log.lines() {
        let (stamp, text) = line.split_once(' ').unwrap();
        let us: i64 = stamp.get(1..).unwrap().parse().unwrap();
        if us - BEGIN_US >= round * ROUND_US {
            if round == 1 {
                set_us = SET_US;
            }
            raw.rotate(&clock(us, set_us)).unwrap();
            table
                .iter()
                .for_each(|text: &&str| raw.append_board(us + set_us, text.as_bytes()));
            while !projector.step(&mut Passed).unwrap().caught_up {}
            projector.seal_ended().unwrap();
            projector.settle().unwrap();
            if round < i64::from(days) * 4 - 2 {
                projector.retain(retention, us + set_us).unwrap();
            }
            projector.settle().unwrap();
            if round == i64::from(days) * 4 - 2 {
                projector.close(&mut Passed).unwrap();
                projector = Projector::new(&record, heart()).unwrap();
            }
            round += 1;
        }
        match (stamp.starts_with('@'), text.starts_with("clock ")) {
            (true, _) => raw.append_board(us + set_us, text.as_bytes()),
            (false, true) => raw.append_note(us + set_us, text),
            (false, false) => {}
        }
        if stamp.starts_with('@') && text.starts_with(['H', 'C']) {
            table.push(text);
        }
    }
    raw.finish().unwrap();
    projector.finish(&mut Passed).unwrap();
    dir
}

/// Rows that nobody looks at.
struct Passed;

impl Sink for Passed {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// Of the whole record, on A4, as the job file says.
pub fn options() -> Options {
    Options {
        period: Period::default(),
        paper: Paper::A4,
        scale: None,
        software: "0.0.0".to_owned(),
    }
}

/// All files below a directory with that ending, in order.
pub fn files(dir: &Path, ending: &str) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = fs::read_dir(dir)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    found.sort();
    let below = |path: PathBuf| match path.is_dir() {
        true => files(&path, ending),
        false => vec![path],
    };
    let all = found.into_iter().flat_map(below);
    all.filter(|path| path.to_string_lossy().ends_with(ending))
        .collect()
}
