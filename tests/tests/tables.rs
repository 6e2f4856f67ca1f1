//! A night replayed to a record and read back with arrow, which has no part in writing it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

mod common;

use std::fs;

use arrow::array::{Array, AsArray, Float64Array, RecordBatch};
use arrow::datatypes::{DataType, TimeUnit, TimestampMicrosecondType};
use common::{Scratch, batches};
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_tests::{Night, Rows, night, projected};

fn column<'a>(batch: &'a RecordBatch, name: &str) -> &'a Float64Array {
    batch.column_by_name(name).unwrap().as_primitive()
}

#[test]
fn what_was_projected_stands_in_the_tables() {
    let scratch = Scratch::new("tables");
    let Night { job, raw } = night("demo", 3, 4.0, true).unwrap();
    let log = scratch.join("night.log");
    fs::write(&log, &raw).unwrap();
    let out = scratch.join("record");
    let heart = Projection::new(Job::parse(&job, "job.toml").unwrap());
    let report = nightclamp_archive::replay(&[log], &job, heart, &out, None).unwrap();
    let rows: Rows = projected(&job, &[(0, &raw)]).unwrap();

    let samples = batches(&out.join("samples/board=b-7f3a91c2"));
    let micros = DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into()));
    let schema = samples[0].schema();
    let types: Vec<(&str, &DataType)> = schema
        .fields()
        .iter()
        .take(5)
        .map(|f| (f.name().as_str(), f.data_type()))
        .collect();
    let expected = [
        ("time", &micros),
        ("arrival", &micros),
        ("boot", &DataType::UInt32),
        ("seq", &DataType::UInt16),
        ("board_ms", &DataType::UInt64),
    ];
    assert_eq!(types, expected);
    let projected = &rows.samples.values().next().unwrap();
    assert_eq!(
        samples.iter().map(RecordBatch::num_rows).sum::<usize>(),
        projected.len()
    );
    assert_eq!(report.totals.samples as usize, projected.len());
    let times = samples.iter().flat_map(|b| {
        b.column_by_name("time")
            .unwrap()
            .as_primitive::<TimestampMicrosecondType>()
            .values()
            .to_vec()
    });
    assert!(times.eq(projected.iter().map(|row| row.0)));
    // Channel 0 is the clamp; a letter has no value and no number, but its letter.
    let currents = samples
        .iter()
        .flat_map(|b| column(b, "common").iter().collect::<Vec<_>>());
    assert!(
        currents.eq(projected
            .iter()
            .map(|row| Some(f64::from_bits(row.4[0])).filter(|v| v.is_finite())))
    );

    let cycles = batches(&out.join("cycles/unit=freezer"));
    let mine = &rows.cycles["freezer"];
    assert_eq!(
        cycles.iter().map(RecordBatch::num_rows).sum::<usize>(),
        mine.len()
    );
    let on_s: Vec<Option<f64>> = cycles
        .iter()
        .flat_map(|b| column(b, "on_s").iter().collect::<Vec<_>>())
        .collect();
    assert_eq!(
        on_s,
        mine.iter().map(|cycle| cycle.on_s).collect::<Vec<_>>()
    );
    let basis = cycles.iter().flat_map(|b| {
        b.column_by_name("basis")
            .unwrap()
            .as_string::<i32>()
            .iter()
            .map(|s| s.unwrap().to_owned())
            .collect::<Vec<_>>()
    });
    assert!(basis.eq(mine.iter().map(|cycle| cycle.basis.clone())));
    let causes: Vec<bool> = cycles
        .iter()
        .flat_map(|b| {
            b.column_by_name("cause")
                .unwrap()
                .as_string::<i32>()
                .iter()
                .map(|s| s.is_some())
                .collect::<Vec<_>>()
        })
        .collect();
    assert_eq!(
        causes,
        mine.iter()
            .map(|cycle| cycle.cause.is_some())
            .collect::<Vec<_>>()
    );
    assert!(causes.contains(&true), "a night with trips");
    assert_eq!(cycles[0].column_by_name("on_at").unwrap().null_count(), 0);
}
