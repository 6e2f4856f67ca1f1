//! Sealed files of which not everything can be derived again: they stay, and rows go on after them.
//!
//! Where rows go on is found by the last sealed row of each table: a sample by its arrival, boot and counter, which the raw
//! log says; an event or a cycle by its kind and its instant, give or take [`SEAM_US`], because record time is worked out
//! anew. If that row does not come again, they go on with the first one that is surely later.

use std::collections::BTreeMap;
use std::path::Path;

use nightclamp_analysis::rows::SampleRow;

use crate::disk::{self, Disk};
use crate::error::Result;
use crate::frame::{Frame, Values};
use crate::manifest::Entry;
use crate::parquet_file::decode;

/// Record time that is worked out anew, from another beginning, differs by less than this, µs.
pub(crate) const SEAM_US: i64 = 250_000;
/// The kind by which a cycle is found.
pub(crate) const CYCLE: &str = "cycle";
/// The kind by which a row of an overview is found.
pub(crate) const OVERVIEW: &str = "overview";

/// The last sealed row of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Last {
    Sample { arrival: i64, boot: u32, seq: u16 },
    Row { time: i64, kind: String },
}

/// Sealed files of one board's or unit's table that cannot all be derived again: they stay, and rows go on after them.
#[derive(Debug, Clone, Default)]
pub(crate) struct Kept {
    /// Files, by directory.
    numbers: BTreeMap<String, u32>,
    /// The last instant in them, µs.
    until_us: i64,
    /// In the order in which they were sealed.
    paths: Vec<String>,
    last: Option<Last>,
    places: Vec<String>,
}

/// The sealed files of a record by table (`samples/board=b-ID`, `events/unit=NAME`, ...).
pub(crate) fn kept_tables<'a>(sealed: impl Iterator<Item = &'a Entry>) -> BTreeMap<String, Kept> {
    let mut tables: BTreeMap<String, Kept> = BTreeMap::new();
    for entry in sealed.filter(|entry| entry.path.ends_with(".parquet")) {
        let Some((directory, name)) = entry.path.rsplit_once('/') else {
            continue;
        };
        let number = name.trim_end_matches(".parquet").parse().unwrap_or(0);
        let kept = tables.entry(table_of(&entry.path)).or_insert_with(|| Kept {
            until_us: i64::MIN,
            ..Kept::default()
        });
        let numbers = kept.numbers.entry(directory.to_owned()).or_insert(0);
        *numbers = number.max(*numbers);
        kept.until_us = kept.until_us.max(entry.last_us().unwrap_or(i64::MIN));
        kept.paths.push(entry.path.clone());
    }
    // Dates and numbers are as long as each other.
    tables.values_mut().for_each(|kept| kept.paths.sort());
    tables
}

/// Looks up the last sealed row of each table; what cannot be read is said, and then rows go on by their instant alone.
pub(crate) fn find_seams(disk: &dyn Disk, root: &Path, tables: &mut BTreeMap<String, Kept>) {
    for kept in tables.values_mut() {
        let Some(path) = kept.paths.last() else {
            continue;
        };
        match read(disk, &root.join(path)) {
            Ok(frame) => kept.look_at(&frame),
            Err(error) => tracing::error!("{path}: where its rows end cannot be told: {error}"),
        }
    }
}

/// The rows of a table file.
pub(crate) fn read(disk: &dyn Disk, path: &Path) -> Result<Frame> {
    decode(path, disk::read(disk, path)?)
}

impl Kept {
    /// The last instant in them, µs.
    pub fn until_us(&self) -> i64 {
        self.until_us
    }

    /// The places that a board had named, as its columns have them.
    pub fn places(&self) -> &[String] {
        &self.places
    }

    fn look_at(&mut self, frame: &Frame) {
        let is_place = |name: &str| !name.ends_with("_raw") && !name.ends_with("_fault");
        let names = frame.columns.iter().map(|column| column.name.as_str());
        self.last = match last_i64(frame, "arrival") {
            Some(arrival) => {
                self.places = names
                    .skip(5)
                    .filter(|name| is_place(name))
                    .map(str::to_owned)
                    .collect();
                sample(frame, arrival)
            }
            None => row(frame),
        };
    }
}

fn sample(frame: &Frame, arrival: i64) -> Option<Last> {
    let boot = last_i32(frame, "boot")?.cast_unsigned();
    let seq = u16::try_from(last_i32(frame, "seq")?).ok()?;
    Some(Last::Sample { arrival, boot, seq })
}

fn row(frame: &Frame) -> Option<Last> {
    let (time, kind) = match last_i64(frame, "on_at") {
        Some(on_at) => (on_at, CYCLE.to_owned()),
        None if frame.column("kind").is_none() => (last_i64(frame, "time")?, OVERVIEW.to_owned()),
        None => (last_i64(frame, "time")?, last_text(frame, "kind")?),
    };
    Some(Last::Row { time, kind })
}

fn last_i64(frame: &Frame, column: &str) -> Option<i64> {
    match &frame.column(column)?.values {
        Values::I64(values) => values.last().copied(),
        _ => None,
    }
}

fn last_i32(frame: &Frame, column: &str) -> Option<i32> {
    match &frame.column(column)?.values {
        Values::I32(values) => values.last().copied(),
        _ => None,
    }
}

fn last_text(frame: &Frame, column: &str) -> Option<String> {
    match &frame.column(column)?.values {
        Values::Text(values) => String::from_utf8(values.last()?.data().to_vec()).ok(),
        _ => None,
    }
}

/// `samples/board=b-ID`, `events/unit=NAME`, ...
pub(crate) fn table_of(path: &str) -> String {
    path.split('/').take(2).collect::<Vec<_>>().join("/")
}

/// Where the rows of a table go on.
#[derive(Debug)]
struct Seam {
    /// Rows up to here are in sealed files that stay as they are, µs.
    until_us: i64,
    /// The last of them, if it is known.
    last: Option<Last>,
}

/// The files of one directory tree.
#[derive(Debug, Default)]
pub(crate) struct Files {
    /// How many were cut so far, by directory.
    numbers: BTreeMap<String, u32>,
    pub sealed: Vec<String>,
    /// Until rows have come that are not in files that stay.
    seam: Option<Seam>,
    /// No row is before this, µs.
    floor_us: Option<i64>,
    /// The next file was cut early when it had so many rows, and is cut there again.
    cut_at: Option<usize>,
}

impl Files {
    pub fn new(kept: Option<&Kept>) -> Self {
        let mut files = Self::default();
        if let Some(kept) = kept {
            files.keep(kept);
        }
        files
    }

    /// The sealed files stay. Whether there are any beyond those cut so far: rows that wait are in them already.
    pub fn keep(&mut self, kept: &Kept) -> bool {
        let cut = |directory: &String| self.numbers.get(directory).copied().unwrap_or(0);
        let is_ahead = kept
            .numbers
            .iter()
            .any(|(directory, number)| *number > cut(directory));
        if is_ahead {
            self.numbers.clone_from(&kept.numbers);
            self.sealed.clone_from(&kept.paths);
            self.seam = Some(Seam {
                until_us: kept.until_us,
                last: kept.last.clone(),
            });
        }
        is_ahead
    }

    /// The last instant in files that stay, µs.
    pub fn kept_until_us(&self) -> i64 {
        let ahead_us = self.seam.as_ref().map(|seam| seam.until_us);
        ahead_us.or(self.floor_us).unwrap_or(i64::MIN)
    }

    /// The path of the next file of a directory.
    pub fn next(&mut self, directory: String) -> String {
        let number = self.numbers.entry(directory.clone()).or_insert(0);
        *number += 1;
        let path = format!("{directory}/{number:06}.parquet");
        self.sealed.push(path.clone());
        path
    }

    /// A file of this directory is begun; some were cut early when they had so many rows.
    pub fn begin(&mut self, directory: impl FnOnce() -> String, early: &BTreeMap<String, usize>) {
        self.cut_at = None;
        if !early.is_empty() {
            let directory = directory();
            let number = self.numbers.get(&directory).copied().unwrap_or(0) + 1;
            let path = format!("{directory}/{number:06}.parquet");
            self.cut_at = early.get(&path).copied();
        }
    }

    /// Whether the file that is being filled was cut early at so many rows.
    pub fn was_cut_at(&self, rows: usize) -> bool {
        self.cut_at == Some(rows)
    }

    /// The instant of a sample, or none if it is in a file that stays. Time does not run backwards over the seam.
    #[inline]
    pub fn instant_of(&mut self, row: &SampleRow<'_>) -> Option<i64> {
        if self.seam.is_some() {
            let this = Last::Sample {
                arrival: row.arrival,
                boot: row.boot,
                seq: row.seq,
            };
            if self.has(row.time, |last| *last == this) {
                return None;
            }
        }
        Some(self.floor_us.map_or(row.time, |floor| row.time.max(floor)))
    }

    /// Whether an event or a cycle is in a file that stays.
    pub fn has_row(&mut self, time: i64, kind: &str) -> bool {
        self.has(time, |last| {
            matches!(last, Last::Row { time: at, kind: of } if of == kind && (at - time).abs() <= SEAM_US)
        })
    }

    fn has(&mut self, time: i64, is_last: impl Fn(&Last) -> bool) -> bool {
        let Some(seam) = &self.seam else {
            return false;
        };
        let until_us = seam.until_us;
        let Some(last) = &seam.last else {
            return time <= until_us;
        };
        let is_last = is_last(last);
        if is_last || time > until_us.saturating_add(SEAM_US) {
            self.floor_us = Some(until_us);
            self.seam = None;
        }
        is_last || self.seam.is_some()
    }
}
