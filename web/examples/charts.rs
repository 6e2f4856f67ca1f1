//! What a page's questions cost the server: `cargo run --release -p nightclamp-web --example charts -- [DIR]`.
//!
//! A night, a month and a year of one compressor at 10 Hz are drawn (nothing here is evidence of anything) and written
//! into a record in DIR, or a temporary directory, by the archive itself (the year takes some minutes). Then
//! the router is asked what a page asks: the whole, and looks closer and closer. Printed are medians of the time until the
//! answer's last byte, the process's memory at its highest, and as a yardstick how long the same stretch takes from every
//! sample, as a chart without overviews would read it. Nothing is asserted.
//!
//! `... --example charts -- --serve ADDRESS [HOURS]` draws the month, or so many hours, and shows it on a page
//! until it is stopped: what `tests/browser/fluid.py` moves about in.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a measurement, not a product: it may fall over

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::Request;
use nightclamp_analysis::job::Job;
use nightclamp_analysis::overview::{Gather, History, LINES, Look};
use nightclamp_analysis::rows::{
    Cause, CycleRow, EndedBy, EventKind, EventRow, SampleRow, Sink, StartKind,
};
use nightclamp_archive::{Project, Projector, RecordDir};
use nightclamp_protocol::{BoardId, Reading, Session, decode, line};
use nightclamp_web::{Feed, Live, Site, app, serve};
use tower::ServiceExt;

const BOARD: BoardId = BoardId(0x7f3a_91c2);
const BEGIN_US: i64 = 1_795_629_600_000_000; // 2026-11-25T18:00:00Z
const PERIOD_US: i64 = 100_000;
const HOUR_SAMPLES: i64 = 36_000;
/// Twenty minutes, twelve of them on.
const CYCLE_SAMPLES: i64 = 12_000;
const ON_SAMPLES: i64 = 7_200;
const TURNS: usize = 15;
const JOB: &str = r#"
[job]
name = "Charts"
timezone = "Europe/Lisbon"
[[board]]
id = "7f3a91c2"
[[unit]]
name = "freezer"
board = "7f3a91c2"
[unit.channels]
current = "common"
case = "case"
ambient = "ambient"
supply = "supply"
demand = "demand"
"#;

/// A heart that draws an hour for each line of its raw log.
struct Drawn {
    session: Session,
    gather: Gather,
    at: i64,
    /// What happens is told, too: for a page to look at.
    tells: bool,
}

impl Drawn {
    fn new(tells: bool) -> Self {
        Self {
            session: Session::new(),
            gather: Gather::default(),
            at: 0,
            tells,
        }
    }

    /// The start or the end of an on-period, every ninth by the protector.
    fn tell(&self, sink: &mut impl Sink) {
        let at = |n: i64| BEGIN_US + n * PERIOD_US;
        let begun = self.at - self.at % CYCLE_SAMPLES;
        let is_trip = begun / CYCLE_SAMPLES % 9 == 8;
        let (kind, cause) = match self.at - begun {
            0 => (EventKind::Start, None),
            ON_SAMPLES if is_trip => (EventKind::Trip, Some(Cause::Overload)),
            ON_SAMPLES => (EventKind::Stop, None),
            _ => return,
        };
        sink.event(
            "freezer",
            EventRow {
                time: at(self.at),
                kind,
                cause,
                current_a: None,
                case_c: None,
                detail: String::new(),
            },
        );
        if kind != EventKind::Start {
            let ended_by = if is_trip {
                EndedBy::Protector
            } else {
                EndedBy::Control
            };
            let row = CycleRow {
                on_at: at(begun),
                off_at: Some(at(self.at)),
                next_on_at: Some(at(begun + CYCLE_SAMPLES)),
                on_seen: true,
                on_s: Some(720.0),
                off_s: Some(480.0),
                start: StartKind::Normal,
                ended_by: Some(ended_by),
                cause,
                valid: 1.0,
                ..CycleRow::default()
            };
            sink.cycle("freezer", row);
        }
    }

    fn declare(&mut self, sink: &mut impl Sink) {
        let lines = [
            "H 1 7f3a91c2 18 5 100 refboard-1",
            "C 0 current A -3 common ct",
            "C 1 temperature Cel -2 case bead",
            "C 2 temperature Cel -2 ambient ic",
            "C 3 voltage V -1 supply vt",
            "C 4 contact 1 0 demand opto",
        ];
        for body in lines {
            let text = line(body).to_string();
            let record = decode(text.trim_end().as_bytes()).unwrap();
            self.session.accept(&record, 0);
        }
        sink.table(self.session.table().unwrap());
    }

    fn hour(&mut self, sink: &mut impl Sink) {
        for _ in 0..HOUR_SAMPLES {
            if self.tells {
                self.tell(sink);
            }
            let sent = sent(self.at);
            let time = BEGIN_US + self.at * PERIOD_US;
            let readings = sent.map(Reading::Number);
            let scale = [1e-3, 1e-2, 1e-2, 1e-1, 1.0];
            let mut values = [0.0; 5];
            for ((value, sent), scale) in values.iter_mut().zip(sent).zip(scale) {
                *value = f64::from(sent) * scale;
            }
            let row = SampleRow {
                time,
                arrival: time,
                boot: 18,
                seq: self.at as u16,
                board_ms: (self.at * 100) as u64,
                readings: &readings,
                values: &values,
            };
            sink.sample(BOARD, &row);
            let mut look = Look {
                time,
                values: [f64::NAN; LINES],
                floor_a: f64::NAN,
            };
            let [current, case, ambient, supply, demand] = values;
            (look.values[0], look.values[1], look.values[2]) = (current, case, ambient);
            (look.values[5], look.values[6]) = (supply, demand);
            if let Some(ended) = self.gather.push(&look) {
                sink.overview("freezer", &ended);
            }
            self.at += 1;
        }
    }
}

/// Twelve minutes on, eight off; noise that no compression sees through.
fn sent(at: i64) -> [i32; 5] {
    let noise = (at.cast_unsigned().wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 58) as i32;
    let in_cycle = at % CYCLE_SAMPLES;
    let is_on = in_cycle < ON_SAMPLES;
    let start = if in_cycle < 5 { 10_000 } else { 0 };
    let amps = if is_on {
        1_900 + start + noise
    } else {
        noise / 8
    };
    let case = 5_000 + (in_cycle.min(14_400 - in_cycle) / 4) as i32 + noise / 16;
    [
        amps,
        case,
        2_150 + noise / 32,
        2_280 + noise / 8,
        i32::from(is_on),
    ]
}

impl Project for Drawn {
    fn feed(&mut self, _: usize, raw: &[u8], sink: &mut impl Sink) {
        if self.at == 0 {
            self.declare(sink);
        }
        let hours = raw
            .split(|byte| *byte == b'\n')
            .filter(|line| line.ends_with(b"hour"));
        hours.for_each(|_| self.hour(sink));
    }
    fn feed_bare(&mut self, _: usize, _: i64, _: &[u8], _: &mut impl Sink) {}
    fn finish(&mut self, _: &mut impl Sink) {}
    fn resume(&mut self, _: usize, _: i64) {}
    fn stepped_us(&self, _: usize) -> i64 {
        0
    }
    fn open_rows(&self, _: impl FnMut(&str, &[EventRow], &[CycleRow])) {}
}

/// A record of so many hours, with the dashboard on it.
fn record(dir: &Path, hours: i64, tells: bool) -> (Site, nightclamp_archive::Readback) {
    let job = Job::parse(JOB, "job.toml").unwrap();
    std::fs::create_dir_all(dir.join("raw")).unwrap();
    let lines: String = (0..hours)
        .map(|n| format!("@{} hour\n", BEGIN_US + n))
        .collect();
    std::fs::write(dir.join("raw/7f3a91c2-000001.log"), lines).unwrap();
    let record = RecordDir::create_or_open(dir, JOB).unwrap();
    let (live, mut feed): (Live, Feed) = Live::new(&job);
    live.read_from(Arc::new(record.readback()));
    let mut projector = Projector::new(&record, Drawn::new(tells)).unwrap();
    while !projector.step(&mut feed).unwrap().caught_up {}
    projector.close(&mut feed).unwrap();
    feed.publish(Vec::new(), Vec::new(), Vec::new(), 0, None);
    (Site::new(live), record.readback())
}

async fn asked(app: &Router, from_us: i64, to_us: i64) -> (Duration, usize) {
    let path = format!("/api/v1/series?unit=freezer&from={from_us}&to={to_us}&points=2048");
    let request = Request::get(path)
        .header("host", "localhost")
        .body(Body::empty());
    let began = Instant::now();
    let response = app.clone().oneshot(request.unwrap()).await.unwrap();
    assert!(response.status().is_success());
    let bytes = to_bytes(response.into_body(), 1 << 28).await.unwrap();
    (began.elapsed(), bytes.len())
}

fn median(mut times: Vec<Duration>) -> f64 {
    times.sort_unstable();
    times[times.len() / 2].as_secs_f64() * 1e3
}

/// The same stretch from every sample, ms.
fn yardstick(tables: &nightclamp_archive::Readback, from_us: i64, to_us: i64) -> f64 {
    let places = ["common", "case", "ambient", "supply", "demand"];
    let (began, mut high) = (Instant::now(), f64::NEG_INFINITY);
    let read = tables.samples(BOARD, &places, from_us..to_us, &mut |_, values| {
        high = values.iter().fold(high, |high, value| high.max(*value));
    });
    read.unwrap();
    assert!(high > 0.0);
    began.elapsed().as_secs_f64() * 1e3
}

/// Resident memory at its highest, MiB.
fn memory_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let kib = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    kib.and_then(|kib| kib.trim().trim_end_matches(" kB").parse::<u64>().ok())
        .unwrap_or(0)
        / 1024
}

/// Shows a record of so many hours until somebody stops it.
async fn show(dir: &Path, address: &str, hours: i64) {
    let (site, _) = record(&dir.join("shown"), hours, true);
    let listener = tokio::net::TcpListener::bind(address).await.unwrap();
    println!("http://{}/", listener.local_addr().unwrap());
    let stopped = async { tokio::signal::ctrl_c().await.unwrap() };
    serve(listener, site, stopped).await.unwrap();
    std::fs::remove_dir_all(dir).unwrap();
}

#[tokio::main]
async fn main() {
    let given: Vec<String> = std::env::args().skip(1).collect();
    let scratch = || std::env::temp_dir().join(format!("nightclamp-charts-{}", std::process::id()));
    let dir = match given.as_slice() {
        [serve, address, hours @ ..] if serve == "--serve" => {
            let hours = hours
                .first()
                .map_or(30 * 24, |hours| hours.parse().unwrap());
            show(&scratch(), address, hours).await;
            return;
        }
        [dir] => dir.into(),
        _ => scratch(),
    };
    println!(
        "{:6} {:>9} {:>10} {:>9} {:>12} {:>8}",
        "record", "look", "server ms", "kB", "all samples", "ratio"
    );
    for (name, hours) in [("night", 12), ("month", 30 * 24), ("year", 365 * 24)] {
        let began = Instant::now();
        let (site, tables) = record(&dir.join(name), hours, false);
        let app = app(site);
        let made_s = began.elapsed().as_secs_f64();
        let end_us = BEGIN_US + hours * 3_600_000_000;
        let looks = [
            ("whole", hours as f64),
            ("30 d", 720.0),
            ("7 d", 168.0),
            ("3 d", 72.0),
            ("1 d", 24.0),
            ("8 h", 8.0),
            ("2 h", 2.0),
            ("10 min", 1.0 / 6.0),
            ("10 s", 1.0 / 360.0),
            ("0.1 s", 1.0 / 36_000.0),
        ];
        for (look, look_hours) in looks {
            if look_hours > hours as f64 || (look != "whole" && look_hours >= hours as f64) {
                continue;
            }
            let length_us = (look_hours * 3.6e9) as i64;
            let middle_us = BEGIN_US + (end_us - BEGIN_US) * 2 / 5;
            let from_us = if look == "whole" { BEGIN_US } else { middle_us };
            let (mut times, mut bytes) = (Vec::new(), 0);
            for turn in 0..TURNS {
                // Each time elsewhere, so that nothing is at hand from the time before.
                let shift_us = turn as i64 * length_us.min(3_600_000_000) / 7;
                let (time, len) =
                    asked(&app, from_us + shift_us, from_us + shift_us + length_us).await;
                times.push(time);
                bytes = len;
            }
            let server_ms = median(times);
            let all_ms = yardstick(&tables, from_us, from_us + length_us);
            println!(
                "{name:6} {look:>9} {server_ms:10.1} {:9} {all_ms:9.0} ms {:8.3}",
                bytes / 1000,
                server_ms / all_ms
            );
        }
        println!(
            "{name:6} made in {made_s:.0} s; memory at its highest so far {} MiB",
            memory_mib()
        );
        std::fs::remove_dir_all(dir.join(name)).unwrap();
    }
    std::fs::remove_dir(&dir).unwrap_or_default();
}
