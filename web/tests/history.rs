//! Charts of a record on disk, against every one of its samples: at no zoom is anything lost, or invented.
#![allow(clippy::unwrap_used, clippy::panic)] // a test that fails should say where

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Request, StatusCode};
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::overview::OverviewRow;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_archive::{Projector, RecordDir, replay, verify};
use nightclamp_protocol::{BoardId, Table};
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, job_toml, write_raw_log};
use nightclamp_web::{Feed, Live, Site, app};
use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;
use serde_json::Value;
use tower::ServiceExt;

/// 2026-11-25 18:00 UTC, µs.
const BEGIN_US: i64 = 1_795_629_600_000_000;
const LINES: usize = 6;

/// A directory for one test, removed at its end.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Self {
        let name = format!("nightclamp-{name}-{}", std::process::id());
        let path = std::env::temp_dir().join(name);
        fs::create_dir_all(&path).unwrap();
        Self(path)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        fs::remove_dir_all(&self.0).unwrap_or_default();
    }
}

/// What the heart says of every sample: time, and current, case, ambient, supply, demand and disc.
#[derive(Default)]
struct Seen {
    places: BTreeMap<String, usize>,
    samples: Vec<(i64, [f64; LINES])>,
}

impl Sink for Seen {
    fn table(&mut self, table: &Table) {
        let places = table.channels().iter().enumerate();
        self.places = places
            .map(|(at, channel)| (channel.place().to_owned(), at))
            .collect();
    }

    fn sample(&mut self, _: BoardId, row: &SampleRow<'_>) {
        let value = |place: &str| row.values[self.places[place]];
        let values = [
            value("common"),
            value("case"),
            value("ambient"),
            value("supply"),
            value("demand"),
            f64::NAN,
        ];
        self.samples.push((row.time, values));
    }

    fn disc(&mut self, _: &str, time: i64, disc_c: f64) {
        let last = self.samples.last_mut().unwrap();
        assert_eq!(last.0, time);
        last.1[5] = disc_c;
    }

    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}

/// Two sinks as one.
struct Both<'a>(&'a mut Seen, &'a mut Feed);

impl Sink for Both<'_> {
    fn table(&mut self, table: &Table) {
        self.0.table(table);
        self.1.table(table);
    }
    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        self.0.sample(board, row);
        self.1.sample(board, row);
    }
    fn disc(&mut self, unit: &str, time: i64, disc_c: f64) {
        self.0.disc(unit, time, disc_c);
        self.1.disc(unit, time, disc_c);
    }
    fn overview(&mut self, _: &str, _: &OverviewRow) {}
    fn event(&mut self, unit: &str, row: EventRow) {
        self.1.event(unit, row);
    }
    fn cycle(&mut self, unit: &str, row: CycleRow) {
        self.1.cycle(unit, row);
    }
}

/// The demo's bakery, with the disc's constants in the job, as a raw log of so many days.
fn raw_log(period_ms: u32, days: f64) -> (String, Vec<u8>) {
    let mut scenario = Scenario::by_name("demo", 3).unwrap();
    scenario.board.period_ms = period_ms;
    scenario.job.protector = true;
    scenario.job.heating = Some(1.0);
    let (job, mut raw) = (job_toml(&scenario), Vec::new());
    let mut board = SimBoard::new(scenario);
    let mut arrivals = Arrivals::calm(3);
    let length_s = days * 86_400.0;
    write_raw_log(
        &mut board,
        BEGIN_US,
        length_s,
        &mut arrivals,
        &mut raw,
        true,
    )
    .unwrap();
    (job, raw)
}

/// A dashboard on a record of this raw log, as a recorder that carries it on has it; and every sample.
fn dashboard(dir: &Path, job: &str, raw: &[u8]) -> (Router, Seen) {
    let log = dir.join("board.log");
    fs::write(&log, raw).unwrap();
    let parsed = Job::parse(job, "job.toml").unwrap();
    let record = dir.join("record");
    replay(&[log], job, Projection::new(parsed.clone()), &record, None).unwrap();
    let record = RecordDir::create_or_open(&record, job).unwrap();
    let (live, mut feed) = Live::new(&parsed);
    live.read_from(Arc::new(record.readback()));
    let mut seen = Seen::default();
    let mut projector = Projector::new(&record, record.heart().unwrap()).unwrap();
    while !projector
        .step(&mut Both(&mut seen, &mut feed))
        .unwrap()
        .caught_up
    {}
    let units = projector.projection().units();
    feed.publish(units, Vec::new(), Vec::new(), 0, None);
    projector.close(&mut Both(&mut seen, &mut feed)).unwrap();
    feed.publish(Vec::new(), Vec::new(), Vec::new(), 0, None);
    (app(Site::new(live)), seen)
}

async fn series(app: &Router, from_us: i64, to_us: i64, points: usize) -> Value {
    let path = format!("/api/v1/series?unit=freezer&from={from_us}&to={to_us}&points={points}");
    let request = Request::get(path).header("host", "localhost");
    let response = app
        .clone()
        .oneshot(request.body(Body::empty()).unwrap())
        .await
        .unwrap();
    assert_eq!(response.status(), StatusCode::OK);
    let body = to_bytes(response.into_body(), 1 << 26).await.unwrap();
    serde_json::from_slice::<Value>(&body).unwrap()["series"].take()
}

/// What an answer holds of each bucket is the range of the samples that it says it covers, and every sample of the stretch
/// is in exactly one. Values are sent to a few decimals; the disc that is drawn again is allowed a hundredth of a kelvin.
fn holds_everything(series: &Value, samples: &[(i64, [f64; LINES])], from_us: i64, to_us: i64) {
    let longs = |name: &str| -> Vec<i64> {
        let list = series[name].as_array().unwrap();
        list.iter().map(|at| at.as_i64().unwrap()).collect()
    };
    let (first, last) = (longs("first_us"), longs("last_us"));
    let within = |from_us: i64, to_us: i64| {
        let begin = samples.partition_point(|(time, _)| *time < from_us);
        let end = samples.partition_point(|(time, _)| *time <= to_us);
        &samples[begin..end]
    };
    let mut covered = 0;
    for (bucket, (first_us, last_us)) in first.iter().zip(&last).enumerate() {
        let inside = within(*first_us, *last_us);
        assert!(bucket == 0 || last[bucket - 1] < *first_us, "in order");
        assert_eq!(
            (inside[0].0, inside[inside.len() - 1].0),
            (*first_us, *last_us)
        );
        let asked = |(time, _): &&(i64, _)| (from_us..to_us).contains(time);
        covered += inside.iter().filter(asked).count();
        for channel in series["channels"].as_array().unwrap() {
            let (line, off) = match channel["role"].as_str().unwrap() {
                "current" => (0, 0.000_051),
                "case" => (1, 0.005_1),
                "ambient" => (2, 0.005_1),
                "supply" => (3, 0.005_1),
                "demand" => (4, 0.005_1),
                "disc" => (5, 0.02),
                other => panic!("{other}"),
            };
            let values = inside.iter().map(|(_, values)| values[line]);
            let low = values.clone().fold(f64::NAN, f64::min);
            let high = values.fold(f64::NAN, f64::max);
            for (name, expected) in [("low", low), ("high", high)] {
                let found = channel[name][bucket].as_f64();
                let agrees = match found {
                    None => expected.is_nan(),
                    Some(found) => (found - expected).abs() <= off,
                };
                assert!(
                    agrees,
                    "{}, {name} of {first_us}..{last_us}: {found:?}, not {expected}",
                    channel["role"]
                );
            }
        }
    }
    assert_eq!(covered, within(from_us, to_us - 1).len(), "none is missing");
}

#[tokio::test]
async fn at_no_zoom_is_a_sample_lost_or_invented() {
    // At 1 Hz the live overview of nine days has buckets of 16 s: each of the four places has to answer.
    let scratch = Scratch::new("zoom");
    let (job, raw) = raw_log(1_000, 9.0);
    let (app, seen) = dashboard(&scratch.0, &job, &raw);
    let (begin, end) = (seen.samples[0].0, seen.samples[seen.samples.len() - 1].0);
    let stretch = (0.0..1.0_f64, 0.0..1.0_f64, 1..2_000_usize);
    let mut sources: BTreeMap<(String, bool), usize> = BTreeMap::new();
    let mut runner = TestRunner::deterministic();
    for case in 0..60 {
        let tree = stretch.new_tree(&mut runner).unwrap();
        let (at, zoom, points) = tree.current();
        // From the whole to a tenth of a second, each factor of ten as often; every fifth at the end, where it is live.
        let length = ((end - begin) as f64).powf(zoom) * 100_000_f64.powf(1.0 - zoom);
        let at = if case % 5 == 0 { 1.0 } else { at };
        let from_us = begin + ((end - begin) as f64 * at - length / 2.0) as i64;
        let to_us = from_us + length as i64 + 1;
        let answer = series(&app, from_us, to_us, points).await;
        let is_wide = answer["width_us"].as_i64().unwrap() >= 8_000_000;
        let source = answer["source"].as_str().unwrap().to_owned();
        *sources.entry((source, is_wide)).or_default() += 1;
        holds_everything(&answer, &seen.samples, from_us, to_us);
    }
    println!("{sources:?}");
    assert!(sources.len() >= 2, "{sources:?}");
}

#[test]
fn a_changed_figure_of_the_overview_is_found_and_named() {
    let scratch = Scratch::new("overview");
    let (job, raw) = raw_log(1_000, 0.2);
    let (log, record) = (scratch.0.join("board.log"), scratch.0.join("record"));
    fs::write(&log, &raw).unwrap();
    let parsed = || Job::parse(&job, "job.toml").unwrap();
    replay(&[log], &job, Projection::new(parsed()), &record, None).unwrap();
    let checked = || verify(&record, |_| Ok(Projection::new(parsed()))).unwrap();
    let report = checked();
    assert!(report.ok(), "{report}");
    let rows = |line: &&String| line.starts_with("overview/unit=freezer: ");
    assert_eq!(report.holds.iter().filter(rows).count(), 1, "{report}");
    let file = record.join("overview/unit=freezer/000001.parquet");
    let sound = fs::read(&file).unwrap();
    let mut flipped = sound.clone();
    let middle = flipped.len() / 2;
    flipped[middle] ^= 4;
    fs::write(&file, &flipped).unwrap();
    let report = checked();
    let names_it = |line: &String| line.starts_with("overview/unit=freezer/000001.parquet: ");
    assert!(report.fails.iter().any(names_it), "{report}");
    fs::remove_file(&file).unwrap();
    assert!(checked().fails.iter().any(names_it));
}
