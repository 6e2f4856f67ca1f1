//! Tables that are downloaded from the dashboard while the record goes on: the rows of a stretch, held against what other
//! readers find in the tables, and against each other.
#![allow(clippy::unwrap_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use arrow::array::{AsArray, RecordBatch};
use arrow::compute::concat_batches;
use arrow::datatypes::TimestampMicrosecondType;
use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::http::{Request, Response, StatusCode};
use common::{Scratch, batches};
use nightclamp_analysis::Projection;
use nightclamp_analysis::excerpt::{Excerpt, ExcerptError, Form, TableName};
use nightclamp_analysis::job::Job;
use nightclamp_analysis::overview::History;
use nightclamp_archive::{Limits, Projector, RealDisk, RecordDir, replay_with, write_csv};
use nightclamp_simboard::{Arrivals, Scenario, SimBoard, job_toml, write_raw_log};
use nightclamp_tests::{BEGIN_US, Rows};
use nightclamp_web::{Live, Site, app};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use tower::ServiceExt;

const HOUR_US: i64 = 3_600_000_000;
/// Length of the night, s: from six hours before midnight, UTC, to one after.
const NIGHT_S: f64 = 7.0 * 3_600.0;
const BOARD: &str = "7f3a91c2";

/// A night across midnight, cut into many files, the last rows not sealed yet: as a recorder leaves it while it records.
fn begun(dir: &Path) -> (RecordDir, Projector<Projection>) {
    let mut scenario = Scenario::by_name("demo", 3).unwrap();
    scenario.board.period_ms = 2_000;
    let (job, mut raw) = (job_toml(&scenario), Vec::new());
    let mut board = SimBoard::new(scenario);
    let (calm, to) = (&mut Arrivals::calm(3), &mut raw);
    write_raw_log(&mut board, BEGIN_US, NIGHT_S, calm, to, true).unwrap();
    let log = dir.join("night.log");
    std::fs::write(&log, &raw).unwrap();
    let limits = Limits {
        sample_rows: 1_500,
        event_rows: 12,
        chunk_bytes: 64 << 10,
        step_bytes: 64 << 10,
        ..Limits::default()
    };
    let heart = || Projection::new(Job::parse(&job, "job.toml").unwrap());
    let (disk, out) = (Arc::new(RealDisk), dir.join("record"));
    let (of, to) = (limits.clone(), out.as_path());
    replay_with(disk.clone(), of, &[log], &job, heart(), to, None).unwrap();
    let record = RecordDir::open_with(disk, limits, &out, &job).unwrap();
    let projector = Projector::new(&record, heart()).unwrap();
    (record, projector)
}

/// A dashboard on such a record.
fn dashboard(dir: &Path, patience: Duration) -> (Router, Projector<Projection>) {
    let (record, mut projector) = begun(dir);
    let job = std::fs::read_to_string(dir.join("record/job.toml")).unwrap();
    let (live, mut feed) = Live::new(&Job::parse(&job, "job.toml").unwrap());
    live.read_from(Arc::new(record.readback()));
    while !projector.step(&mut Rows::default()).unwrap().caught_up {}
    projector.refresh_open().unwrap();
    projector.settle().unwrap();
    feed.publish(Vec::new(), Vec::new(), Vec::new(), 0, None);
    (app(Site::new(live).with_patience(patience)), projector)
}

async fn ask(app: &Router, query: &str) -> Response<Body> {
    let request = Request::get(format!("/api/v1/table?{query}")).header("host", "localhost");
    let request = request.body(Body::empty()).unwrap();
    app.clone().oneshot(request).await.unwrap()
}

async fn downloaded(app: &Router, query: &str) -> Bytes {
    let answer = ask(app, query).await;
    assert_eq!(answer.status(), StatusCode::OK, "{query}");
    to_bytes(answer.into_body(), 1 << 28).await.unwrap()
}

async fn csv(app: &Router, query: &str) -> Vec<String> {
    let bytes = downloaded(app, &format!("unit=freezer&format=csv&{query}")).await;
    lines(std::str::from_utf8(&bytes).unwrap())
}

fn lines(text: &str) -> Vec<String> {
    assert!(text.ends_with("\r\n"));
    text.split_terminator("\r\n").map(str::to_owned).collect()
}

async fn parquet(app: &Router, query: &str) -> RecordBatch {
    let bytes = downloaded(app, &format!("unit=freezer&format=parquet&{query}")).await;
    let builder = ParquetRecordBatchReaderBuilder::try_new(bytes).unwrap();
    let schema = builder.schema().clone();
    let read: Vec<_> = builder.build().unwrap().map(Result::unwrap).collect();
    concat_batches(&schema, &read).unwrap()
}

/// What the command for it writes of a table.
fn exported(record: &Path, table: TableName, only: Option<&str>) -> Vec<String> {
    let mut text = Vec::new();
    write_csv(record, table, only, &mut text).unwrap();
    lines(std::str::from_utf8(&text).unwrap())
}

/// As the tables write it.
fn instant(us: i64) -> String {
    let schema = arrow::datatypes::DataType::Utf8;
    let times = arrow::array::TimestampMicrosecondArray::from(vec![us]).with_timezone("+00:00");
    let text = arrow::compute::cast(&times, &schema).unwrap();
    let text = text.as_string::<i32>().value(0).trim_end_matches('Z');
    let (whole, decimals) = text.split_once('.').unwrap_or((text, ""));
    format!("{whole}.{decimals:0<6}Z")
}

#[tokio::test(flavor = "multi_thread")]
async fn the_whole_of_a_table_is_what_the_command_exports_and_what_another_reader_finds() {
    let scratch = Scratch::new("whole-table");
    let (app, _projector) = dashboard(&scratch.join(""), Duration::from_secs(60));
    let record = scratch.join("record");
    let samples = csv(&app, "table=samples").await;
    assert_eq!(samples, exported(&record, TableName::Samples, Some(BOARD)));
    assert!(samples.len() > 10_000, "{}", samples.len());
    let cycles = csv(&app, "table=cycles").await;
    assert_eq!(
        cycles,
        exported(&record, TableName::Cycles, Some("freezer"))
    );
    let overview = csv(&app, "table=overview").await;
    assert_eq!(
        overview,
        exported(&record, TableName::Overview, Some("freezer"))
    );
    assert!(overview.len() > 3_000, "{}", overview.len());
    let events = csv(&app, "table=events").await;
    assert_eq!(
        events,
        exported(&record, TableName::Events, None),
        "its own and its board's"
    );
    assert!(events.iter().any(|line| line.starts_with("board-")));
    for (table, of, by, who) in [
        (
            "samples",
            format!("samples/board=b-{BOARD}"),
            "board",
            BOARD,
        ),
        ("cycles", "cycles/unit=freezer".into(), "unit", "freezer"),
    ] {
        let whole = parquet(&app, &format!("table={table}")).await;
        let on_disk = batches(&record.join(of));
        let on_disk = concat_batches(&on_disk[0].schema(), &on_disk).unwrap();
        let names = whole.column_by_name(by).unwrap().as_string::<i32>();
        assert!(names.iter().all(|name| name == Some(who)));
        let mut whole = whole;
        whole.remove_column(0);
        assert_eq!(whole.columns(), on_disk.columns(), "{table}");
        assert_eq!(
            whole.schema().fields(),
            on_disk.schema().fields(),
            "{table}"
        );
    }
    let rows = parquet(&app, "table=events").await.num_rows();
    assert_eq!(rows + 1, events.len());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stretch_has_the_rows_that_reach_into_it_and_no_other() {
    let scratch = Scratch::new("stretch");
    let (app, _projector) = dashboard(&scratch.join(""), Duration::from_secs(60));
    let record = scratch.join("record");
    // Midnight, a stretch within a file, an instant, one before and one after the record.
    let midnight = BEGIN_US + 6 * HOUR_US;
    let stretches = [
        (midnight - 600_000_000, midnight + 600_000_000),
        (BEGIN_US + 61 * 60_000_000, BEGIN_US + 62 * 60_000_000),
        (BEGIN_US + HOUR_US / 2, BEGIN_US + HOUR_US),
        (midnight, midnight + 1),
        (0, BEGIN_US - HOUR_US),
        (BEGIN_US + 48 * HOUR_US, i64::MAX),
    ];
    let whole = [
        TableName::Samples,
        TableName::Events,
        TableName::Cycles,
        TableName::Overview,
    ]
    .map(|table| (table, exported(&record, table, None)));
    for (from_us, to_us) in stretches {
        let (from, to) = (instant(from_us), instant(to_us.min(BEGIN_US * 2)));
        for (table, all) in &whole {
            // A cycle is over with the next one, or else with its off-period's beginning, or else at once.
            let reaches_in = |line: &&String| {
                let cells: Vec<&str> = line.split(',').collect();
                let last = match table {
                    TableName::Cycles => [cells[3], cells[2], cells[1]],
                    _ => [cells[1]; 3],
                };
                let last = last.into_iter().find(|cell| !cell.is_empty()).unwrap();
                cells[1] < to.as_str() && last >= from.as_str()
            };
            let expected: Vec<&String> = all[1..].iter().filter(reaches_in).collect();
            let query = format!("table={}&from={from_us}&to={to_us}", table.as_str());
            let got = csv(&app, &query).await;
            assert_eq!(got[0], all[0]);
            assert!(got[1..].iter().eq(expected.iter().copied()), "{query}");
            let rows = parquet(&app, &query).await;
            assert_eq!(rows.num_rows(), expected.len(), "{query}");
        }
    }
    let pair = |line: &&String| {
        let cells: Vec<&str> = line.split(',').collect();
        (cells[7].to_owned(), cells[8].to_owned())
    };
    let cycles: Vec<&String> = whole[2].1[1..].iter().collect();
    let pairs: BTreeSet<(String, String)> = cycles.iter().map(pair).collect();
    assert!(pairs.len() > 1, "{pairs:?}");
    for of_it in pairs.iter().filter(|(_, ended_by)| !ended_by.is_empty()) {
        let query = format!("table=cycles&start={}&ended_by={}", of_it.0, of_it.1);
        let chosen = csv(&app, &query).await;
        let expected = cycles.iter().filter(|line| pair(line) == *of_it);
        assert!(chosen[1..].iter().eq(expected.copied()), "{query}");
    }
    let times = parquet(&app, "table=samples&from=0&to=1").await;
    let times = times.column_by_name("time").unwrap();
    assert!(
        times
            .as_primitive::<TimestampMicrosecondType>()
            .values()
            .is_empty(),
        "no rows are a table as well"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_laid_over_each_other_has_every_sample_of_each_as_far_from_its_instant_as_it_is() {
    let scratch = Scratch::new("laid");
    let (app, _projector) = dashboard(&scratch.join(""), Duration::from_secs(60));
    let record = scratch.join("record");
    let samples = exported(&record, TableName::Samples, Some(BOARD));
    let common = samples[0].split(',').position(|name| name == "common");
    let (common, samples) = (common.unwrap(), &samples[1..]);
    // Over a change of parts, over midnight, and one of which there is nothing.
    let instants = [
        BEGIN_US + HOUR_US,
        BEGIN_US + 6 * HOUR_US,
        BEGIN_US - HOUR_US,
    ];
    let (since, until) = (-30_000_000_i64, 900_000_000_i64);
    let laid: Vec<String> = instants.iter().map(|at| format!("trip@{at}")).collect();
    let asked = format!(
        "unit=freezer&laid={}&since={since}&until={until}",
        laid.join(",")
    );
    let get = async |form: &str| {
        let uri = format!("/api/v1/laid?{asked}&format={form}");
        let request = Request::get(uri).header("host", "localhost");
        let request = request.body(Body::empty()).unwrap();
        let answer = app.clone().oneshot(request).await.unwrap();
        assert_eq!(answer.status(), StatusCode::OK);
        to_bytes(answer.into_body(), 1 << 28).await.unwrap()
    };
    let text = get("csv").await;
    let got = lines(std::str::from_utf8(&text).unwrap());
    let header = "unit,laid,kind,aligned_at,since_s,time,current_a,case_c";
    assert!(got[0].starts_with(header), "{}", got[0]);
    let mut expected = Vec::new();
    for (letter, at_us) in ["A", "B", "C"].into_iter().zip(instants) {
        let (from, to) = (instant(at_us + since), instant(at_us + until));
        for line in samples {
            let cells: Vec<&str> = line.split(',').collect();
            if (from.as_str()..to.as_str()).contains(&cells[1]) {
                let at = instant(at_us);
                expected.push([letter, &at, cells[1], cells[common]].join(","));
            }
        }
    }
    let mut seen = Vec::new();
    for line in &got[1..] {
        let cells: Vec<&str> = line.split(',').collect();
        seen.push([cells[1], cells[3], cells[5], cells[6]].join(","));
        let us = |text: &str| {
            chrono::DateTime::parse_from_rfc3339(text)
                .unwrap()
                .timestamp_micros()
        };
        let since_s: f64 = cells[4].parse().unwrap();
        assert_eq!(since_s, (us(cells[5]) - us(cells[3])) as f64 / 1e6);
    }
    assert_eq!(seen, expected);
    assert!(seen.len() > 900, "{}", seen.len());
    let builder = ParquetRecordBatchReaderBuilder::try_new(get("parquet").await).unwrap();
    let rows: usize = builder
        .build()
        .unwrap()
        .map(|batch| batch.unwrap().num_rows())
        .sum();
    assert_eq!(rows, seen.len());
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_given_is_refused_in_words() {
    let scratch = Scratch::new("refused");
    let (app, _projector) = dashboard(&scratch.join(""), Duration::from_secs(60));
    let refused = [
        ("unit=freezer&format=csv", 400, "table:"),
        ("unit=freezer&table=manifest&format=csv", 400, "table:"),
        ("unit=freezer&table=../raw&format=csv", 400, "table:"),
        ("unit=freezer&table=cycles&format=xlsx", 400, "format:"),
        ("table=cycles&format=csv", 400, "unit:"),
        ("unit=../..&table=cycles&format=csv", 404, "unit:"),
        ("unit=freezer%0d%0a&table=cycles&format=csv", 404, "unit:"),
        (
            "unit=freezer&table=cycles&format=csv&from=5&to=5",
            400,
            "from:",
        ),
        (
            "unit=freezer&table=cycles&format=csv&from=late",
            400,
            "from:",
        ),
        (
            "unit=freezer&table=samples&format=csv&cause=early",
            400,
            "cause:",
        ),
        (
            "unit=freezer&table=cycles&format=csv&cause=cold",
            400,
            "cause:",
        ),
        ("unit=freezer&table=cycles&format=csv&rows=9", 400, "rows"),
    ];
    for (query, status, culprit) in refused {
        let answer = ask(&app, query).await;
        assert_eq!(answer.status().as_u16(), status, "{query}");
        let body = to_bytes(answer.into_body(), 1 << 16).await.unwrap();
        let body = String::from_utf8_lossy(&body).into_owned();
        assert!(body.contains(culprit), "{query}: {body}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn who_does_not_take_it_holds_a_place_for_so_long_and_gets_no_whole_file() {
    let scratch = Scratch::new("stalled");
    let (app, _projector) = dashboard(&scratch.join(""), Duration::from_millis(300));
    let query = "unit=freezer&table=samples&format=csv";
    let stalled = [ask(&app, query).await, ask(&app, query).await];
    assert_eq!(
        ask(&app, query).await.status(),
        StatusCode::SERVICE_UNAVAILABLE,
        "there is no third place"
    );
    // Those two stalled first, so where two others are let in they are gone.
    let mut let_in = Vec::new();
    while let_in.len() < 2 {
        let answer = ask(&app, query).await;
        if answer.status() == StatusCode::OK {
            let_in.push(answer);
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    for answer in stalled {
        let read = to_bytes(answer.into_body(), 1 << 28).await;
        assert!(read.is_err(), "a part is not taken for the whole");
    }
}

#[test]
fn rows_are_there_once_while_their_file_is_being_sealed() {
    let scratch = Scratch::new("sealing");
    let (record, mut projector) = begun(&scratch.join(""));
    let history = record.readback();
    let wanted = Excerpt {
        table: TableName::Samples,
        of: vec![BOARD.to_owned()],
        times: i64::MIN..i64::MAX,
        only: Vec::new(),
        form: Form::Csv,
        rows_max: u64::MAX,
    };
    let read = || {
        let mut text = Vec::new();
        history.excerpt(&wanted, &mut text).unwrap();
        lines(std::str::from_utf8(&text).unwrap())
    };
    let reads = AtomicUsize::new(0);
    let seen = std::thread::scope(|threads| {
        let recording = threads.spawn(|| {
            // A fast machine has to be read meanwhile, too: no step before something was read since the last.
            let read_since = |before: usize| reads.load(Ordering::Acquire) > before;
            while !projector.step(&mut Rows::default()).unwrap().caught_up {
                let before = reads.load(Ordering::Acquire);
                for _ in (0..10_000).take_while(|_| !read_since(before)) {
                    std::thread::sleep(Duration::from_millis(1));
                }
            }
            projector.refresh_open().unwrap();
            projector.settle().unwrap();
        });
        let mut seen = Vec::new();
        while !recording.is_finished() {
            seen.push(read());
            reads.fetch_add(1, Ordering::AcqRel);
        }
        seen.push(read());
        seen
    });
    let whole = seen.last().unwrap();
    assert_eq!(
        whole,
        &exported(&scratch.join("record"), TableName::Samples, Some(BOARD))
    );
    // Of a board that has not said anything yet no place is known.
    for some in seen.iter().filter(|some| some.len() > 1) {
        assert_eq!(some[..], whole[..some.len()], "a beginning of all of it");
    }
    let lengths: BTreeSet<usize> = seen.iter().map(Vec::len).collect();
    assert!(lengths.len() > 2, "it was read meanwhile: {lengths:?}");
    let most = whole.len() as u64 - 2;
    let short = Excerpt {
        rows_max: most,
        ..wanted.clone()
    };
    let mut taken = Vec::new();
    let refused = history.excerpt(&short, &mut taken);
    assert!(
        matches!(refused, Err(ExcerptError::TooLong { rows_max, .. }) if rows_max == most),
        "{refused:?}"
    );
    assert!(taken.is_empty());
}
