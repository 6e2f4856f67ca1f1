//! A night replayed to a record and read back with arrow, which has no part in writing it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // tests stop where something is wrong

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use arrow::array::{Array, AsArray, Float64Array, RecordBatch};
use arrow::datatypes::{DataType, TimeUnit, TimestampMicrosecondType};
use nightclamp_analysis::Projection;
use nightclamp_analysis::job::Job;
use nightclamp_tests::{Night, Rows, night, projected};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("nightclamp-{name}-{}", std::process::id()));
        fs::create_dir_all(&path).unwrap();
        Self(path)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        drop(fs::remove_dir_all(&self.0));
    }
}

fn files(path: &Path, found: &mut Vec<PathBuf>) {
    let mut inner: Vec<PathBuf> = fs::read_dir(path)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    inner.sort();
    for path in inner {
        if path.is_dir() {
            files(&path, found)
        } else {
            found.push(path)
        }
    }
}

fn batches(table: &Path) -> Vec<RecordBatch> {
    let mut found = Vec::new();
    files(table, &mut found);
    let read = |path: &PathBuf| {
        let reader = ParquetRecordBatchReaderBuilder::try_new(File::open(path).unwrap()).unwrap();
        reader
            .build()
            .unwrap()
            .map(Result::unwrap)
            .collect::<Vec<_>>()
    };
    found.iter().flat_map(read).collect()
}

fn column<'a>(batch: &'a RecordBatch, name: &str) -> &'a Float64Array {
    batch.column_by_name(name).unwrap().as_primitive()
}

#[test]
fn what_was_projected_stands_in_the_tables() {
    let scratch = Scratch::new("tables");
    let Night { job, raw } = night("demo", 3, 4.0, true).unwrap();
    let log = scratch.0.join("night.log");
    fs::write(&log, &raw).unwrap();
    let out = scratch.0.join("record");
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
