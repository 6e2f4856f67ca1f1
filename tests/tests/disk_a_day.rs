//! What a record takes on the disk: bytes a day of raw logs, once they are sealed, and of tables.
//!
//! Six hours at one sample a second and two at ten, reckoned up to a day; `NIGHTCLAMP_HOURS=24` takes so many of each.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

use std::path::Path;

use common::Scratch;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_archive::{HostClock, Projector, RawWriter, RecordDir};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, job_toml, write_raw_log};

mod common;

const BEGAN_US: i64 = 1_795_629_600_000_000; // 2026-11-25T18:00:00Z
const MB: f64 = 1e6;

struct Nobody;

impl Sink for Nobody {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

fn bytes_below(path: &Path) -> u64 {
    let Ok(entries) = std::fs::read_dir(path) else {
        return std::fs::metadata(path).map_or(0, |found| found.len());
    };
    entries
        .flatten()
        .map(|entry| bytes_below(&entry.path()))
        .sum()
}

/// Records so many hours of the demo's board (nine channels), sample by sample as it would come, and stops.
fn record(dir: &Path, period_ms: u32, hours: f64) {
    let mut scenario = Scenario::by_name("demo", 1).unwrap();
    scenario.board.period_ms = period_ms;
    let job = job_toml(&scenario);
    let mut raw = Vec::new();
    let (mut board, mut arrivals) = (SimBoard::new(scenario), Arrivals::calm(1));
    let length_s = hours * 3600.0;
    write_raw_log(
        &mut board,
        BEGAN_US,
        length_s,
        &mut arrivals,
        &mut raw,
        true,
    )
    .unwrap();
    let record = RecordDir::create_or_open(dir, &job).unwrap();
    let clock = |wall_us: i64| HostClock {
        wall_us,
        boot_us: wall_us - BEGAN_US,
        host_boot: "b7".into(),
    };
    let mut log = RawWriter::begin(&record, "7f3a91c2", &clock(BEGAN_US)).unwrap();
    for line in raw
        .split(|byte| *byte == b'\n')
        .filter(|line| !line.is_empty())
    {
        let space = line.iter().position(|byte| *byte == b' ').unwrap();
        let at_us = std::str::from_utf8(&line[1..space])
            .unwrap()
            .parse()
            .unwrap();
        match (line[0], &line[space + 1..]) {
            (b'@', said) => log.append_board(at_us, said),
            (_, note) if note.starts_with(b"began") => {}
            (_, note) => log.append_note(at_us, &String::from_utf8_lossy(note)),
        }
        if log.wants_rotation() {
            log.rotate(&clock(at_us)).unwrap();
        }
    }
    log.finish().unwrap();
    let projector = Projector::new(&record, record.heart().unwrap()).unwrap();
    projector.close(&mut Nobody).unwrap();
}

#[test]
fn a_day_of_record_takes_no_more_disk_than_is_promised() {
    let hours = std::env::var("NIGHTCLAMP_HOURS").ok();
    let hours = hours.map(|hours| hours.parse::<f64>().unwrap());
    // Sample period, hours unless the call says otherwise, and the promise: MB a day.
    for (period_ms, length, most_mb) in [(1_000, 6.0, 5.0), (100, 2.0, 40.0)] {
        let scratch = Scratch::new("disk-a-day");
        let dir = scratch.join("record");
        let hours = hours.unwrap_or(length);
        record(&dir, period_ms, hours);
        let a_day = |part: &str| bytes_below(&dir.join(part)) as f64 / MB * 24.0 / hours;
        let (raw, samples) = (a_day("raw"), a_day("samples"));
        let all = a_day("");
        println!(
            "a sample every {period_ms} ms, {hours} h recorded: {all:.1} MB a day, of it {raw:.1} raw logs and {samples:.1} samples"
        );
        assert!(raw > 0.0 && samples > 0.0);
        assert!(all <= most_mb, "{all:.1} MB a day, {most_mb} promised");
    }
}
