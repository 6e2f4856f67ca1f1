//! A directory for one test, and a record's tables read back with arrow, which has no part in writing them.

// Each test program uses its own part of this.
#![allow(dead_code)]
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test stops at the first thing that is not as it should be"
)]

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use arrow::array::RecordBatch;
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;

/// The tables of a record.
pub const TABLES: [&str; 4] = ["samples", "events", "cycles", "overview"];

/// A directory for one test, removed at its end.
pub struct Scratch {
    path: PathBuf,
    is_kept: bool,
}

impl Scratch {
    pub fn new(name: &str) -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let number = NUMBER.fetch_add(1, Ordering::Relaxed);
        let name = format!("nightclamp-{name}-{}-{number}", std::process::id());
        Self::at(std::env::temp_dir().join(name), false)
    }

    /// As [`Self::new`], but `NAME` in the directory that `NIGHTCLAMP_KEEP` names, if any, and left there for other readers.
    pub fn kept_if_asked(name: &str) -> Self {
        std::env::var_os("NIGHTCLAMP_KEEP").map_or_else(
            || Self::new(name),
            |keep| Self::at(PathBuf::from(keep).join(name), true),
        )
    }

    fn at(path: PathBuf, is_kept: bool) -> Self {
        fs::create_dir_all(&path).unwrap();
        Self { path, is_kept }
    }

    pub fn join(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        if !self.is_kept {
            fs::remove_dir_all(&self.path).unwrap_or_default();
        }
    }
}

/// All files below `path`, a directory's in the order of their names.
pub fn files(path: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut inner: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    inner.sort();
    let below = |path: PathBuf| {
        if path.is_dir() {
            files(&path)
        } else {
            vec![path]
        }
    };
    inner.into_iter().flat_map(below).collect()
}

/// The rows of a table or a part of it, in the order of its files.
pub fn batches(table: &Path) -> Vec<RecordBatch> {
    let read = |path: PathBuf| {
        let builder = ParquetRecordBatchReaderBuilder::try_new(File::open(path).unwrap()).unwrap();
        let reader = builder.build().unwrap();
        reader.map(Result::unwrap).collect::<Vec<_>>()
    };
    files(table).into_iter().flat_map(read).collect()
}
