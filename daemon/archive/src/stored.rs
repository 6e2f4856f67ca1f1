//! A record's tables read back as they lie there, for who reports on them.
//!
//! Nothing is written and nothing locked. A sealed file whose bytes are not those of its manifest line is not read, and neither
//! is one that is not listed: both are named in [`Stored::left_out`], and what they held is missing from what is read.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, EventKind, EventRow, StartKind};

use crate::disk::{self, Disk, RealDisk};
use crate::error::{ArchiveError, Result};
use crate::frame::{Frame, Values};
use crate::jobs::{KeptJob, kept_jobs};
use crate::manifest::{self, Entry, MANIFEST};
use crate::parquet_file::decode_some;
use crate::record::{TABLES, is_held};
use crate::segments::RAW;
use crate::tables::files_below;
use crate::worker::OPEN;

/// A sealed file as its line in the manifest says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listed {
    /// Its path from the record directory.
    pub path: String,
    /// Its length.
    pub bytes: u64,
    /// Rows of a table, lines of a raw log; none for a job file.
    pub rows: Option<u64>,
    /// Of its bytes, 64 hexadecimal digits.
    pub sha256: String,
}

/// A record, opened to be read.
pub struct Stored {
    disk: Arc<dyn Disk>,
    dir: PathBuf,
    listed: manifest::Reading,
    /// Table files, each table's in the order of its rows.
    files: Vec<String>,
    left_out: BTreeSet<String>,
    is_live: bool,
}

impl Stored {
    /// Looks a record over without reading a table.
    ///
    /// # Errors
    /// There is no record, or it cannot be listed.
    pub fn open(dir: &Path) -> Result<Self> {
        let disk: Arc<dyn Disk> = Arc::new(RealDisk);
        if !disk.is_dir(&dir.join(RAW)) {
            return Err(ArchiveError::NoRecord {
                path: dir.to_path_buf(),
                missing: "raw/",
            });
        }
        let files = files_below(&*disk, dir, &TABLES)?;
        Ok(Self {
            listed: manifest::read(&*disk, &dir.join(MANIFEST))?,
            is_live: is_held(&*disk, dir),
            files: files
                .into_iter()
                .filter(|path| path.ends_with(".parquet"))
                .collect(),
            left_out: BTreeSet::new(),
            dir: dir.to_path_buf(),
            disk,
        })
    }

    /// Whether it is being recorded into.
    pub const fn is_live(&self) -> bool {
        self.is_live
    }

    /// Whether it has ended and everything in it is sealed.
    pub fn has_ended(&self) -> bool {
        self.listed.has_ended()
    }

    /// The job files that were in force, in order.
    ///
    /// # Errors
    /// One cannot be read.
    pub fn jobs(&self) -> Result<Vec<KeptJob>> {
        kept_jobs(&*self.disk, &self.dir)
    }

    /// The files in force, in the order in which they were first sealed.
    pub fn listed(&self) -> Vec<Listed> {
        let listed = |entry: &Entry| Listed {
            path: entry.path.clone(),
            bytes: entry.bytes,
            rows: entry.rows,
            sha256: entry.sha256.clone(),
        };
        self.listed.in_force().into_iter().map(listed).collect()
    }

    /// The chain of the manifest's last line, and how many lines it has.
    pub fn chain(&self) -> (&str, usize) {
        (&self.listed.chain, self.listed.entries.len())
    }

    /// What is wrong with the manifest, line by line.
    #[must_use]
    pub fn problems(&self) -> &[String] {
        &self.listed.problems
    }

    /// How many raw logs were removed because a limit had been set, as the manifest announced.
    #[must_use]
    pub fn removed(&self) -> usize {
        self.listed.removed().count()
    }

    /// Table files that were not read because they are damaged or not listed, each with why.
    pub fn left_out(&self) -> impl Iterator<Item = &str> {
        self.left_out.iter().map(String::as_str)
    }

    /// The events of a unit, or of a board under `board-ID`, in order.
    ///
    /// # Errors
    /// A file cannot be read at all.
    pub fn events(&mut self, unit: &str) -> Result<Vec<EventRow>> {
        let mut rows = Vec::new();
        self.each_frame(&format!("events/unit={unit}/"), &|_| true, |frame| {
            rows.extend(events_of(&frame));
        })?;
        Ok(rows)
    }

    /// The cycles of a unit in order.
    ///
    /// # Errors
    /// A file cannot be read at all.
    pub fn cycles(&mut self, unit: &str) -> Result<Vec<CycleRow>> {
        let mut rows = Vec::new();
        self.each_frame(&format!("cycles/unit={unit}/"), &|_| true, |frame| {
            rows.extend(cycles_of(&frame));
        })?;
        Ok(rows)
    }

    /// From when until when there are samples of a board within `span`, their first and their last time in µs. What a sealed file
    /// holds is taken from its line in the manifest: only files that reach over an end of `span`, or are still open, are read.
    ///
    /// # Errors
    /// A file cannot be read at all.
    pub fn extent(&mut self, board: &str, span: Range<i64>) -> Result<Option<(i64, i64)>> {
        let mut extent: Option<(i64, i64)> = None;
        let mut reach = |first: i64, last: i64| {
            let (from, until) = extent.unwrap_or((first, last));
            extent = Some((from.min(first), until.max(last)));
        };
        let whole = self.dir.clone();
        for path in self.table(&samples_of(board)) {
            match self.bounds(&path) {
                Some((first, last)) if last < span.start || first >= span.end => {}
                Some((first, last)) if span.contains(&first) && span.contains(&last) => {
                    reach(first, last);
                }
                _ => {
                    let frame = self.frame(&whole, &path, &|name| name == "time")?;
                    let times = frame.map(|frame| times(&frame, "time")).unwrap_or_default();
                    let inside = times.into_iter().flatten().filter(|us| span.contains(us));
                    inside.for_each(|us| reach(us, us));
                }
            }
        }
        Ok(extent)
    }

    /// The samples of a board whose `time` lies in `span`: time in µs and the converted values of `places`, NaN where there is
    /// none or the table has no such place.
    ///
    /// # Errors
    /// A file cannot be read at all.
    pub fn samples(
        &mut self,
        board: &str,
        places: &[&str],
        span: Range<i64>,
        mut each: impl FnMut(i64, &[f64]),
    ) -> Result<()> {
        let columns: Vec<String> = places.iter().map(|place| place.replace('-', "_")).collect();
        let is_wanted = |name: &str| name == "time" || columns.iter().any(|column| column == name);
        let whole = self.dir.clone();
        for path in self.table(&samples_of(board)) {
            let bounds = self.bounds(&path);
            if bounds.is_some_and(|(first, last)| last < span.start || first >= span.end) {
                continue;
            }
            let Some(frame) = self.frame(&whole, &path, &is_wanted)? else {
                continue;
            };
            let times = times(&frame, "time");
            let values: Vec<Vec<f64>> = columns.iter().map(|name| floats(&frame, name)).collect();
            let mut row = vec![f64::NAN; values.len()];
            for (n, time) in times.into_iter().enumerate() {
                let Some(time) = time.filter(|time| span.contains(time)) else {
                    continue;
                };
                for (into, from) in row.iter_mut().zip(&values) {
                    *into = from.get(n).copied().unwrap_or(f64::NAN);
                }
                each(time, &row);
            }
        }
        Ok(())
    }

    fn table(&self, below: &str) -> Vec<String> {
        let of_it = self.files.iter().filter(|path| path.starts_with(below));
        of_it.cloned().collect()
    }

    /// The times of a sealed file's first and last row, as its line in the manifest says, µs.
    fn bounds(&self, path: &str) -> Option<(i64, i64)> {
        let newest = self.listed.entries.iter().rev();
        let entry = newest.into_iter().find(|entry| entry.path == path)?;
        Some((entry.first_us()?, entry.last_us()?))
    }

    fn each_frame(
        &mut self,
        below: &str,
        is_wanted: &(dyn Fn(&str) -> bool + std::panic::RefUnwindSafe),
        mut each: impl FnMut(Frame),
    ) -> Result<()> {
        let dir = self.dir.clone();
        for path in self.table(below) {
            self.frame(&dir, &path, is_wanted)?
                .into_iter()
                .for_each(&mut each);
        }
        Ok(())
    }

    /// The rows of a file; none if it is not as it was sealed.
    fn frame(
        &mut self,
        dir: &Path,
        path: &str,
        is_wanted: &(dyn Fn(&str) -> bool + std::panic::RefUnwindSafe),
    ) -> Result<Option<Frame>> {
        let whole = dir.join(path);
        let bytes = match disk::read(&*self.disk, &whole) {
            // The file of open rows is replaced while it is recorded into.
            Err(_) if self.is_live && self.disk.len(&whole).is_err() => return Ok(None),
            other => other?,
        };
        if let Some(why) = self.differs(path, &bytes) {
            self.left_out.insert(format!("{path}: {why}"));
            return Ok(None);
        }
        match decode_some(&whole, bytes, is_wanted) {
            Ok(frame) => Ok(Some(frame)),
            Err(error) => {
                self.left_out.insert(format!("{path}: {error}"));
                Ok(None)
            }
        }
    }

    fn differs(&self, path: &str, bytes: &[u8]) -> Option<&'static str> {
        if path.ends_with(OPEN) {
            return None;
        }
        let of_it = |entry: &&&Entry| entry.path == path;
        match self.listed.in_force().iter().find(of_it) {
            Some(entry) if entry.sha256 == manifest::sha256(bytes) => None,
            Some(_) => Some("its bytes are not those that were sealed"),
            None if self.is_live => None,
            None => Some("is not in the manifest"),
        }
    }
}

/// Where the samples of a board lie.
fn samples_of(board: &str) -> String {
    format!("samples/board=b-{board}/")
}

fn events_of(frame: &Frame) -> Vec<EventRow> {
    let (time, kind) = (times(frame, "time"), texts(frame, "kind"));
    let (cause, detail) = (texts(frame, "cause"), texts(frame, "detail"));
    let (current_a, case_c) = (floats(frame, "current_a"), floats(frame, "case_c"));
    let row = |n: usize| {
        Some(EventRow {
            time: (*time.get(n)?)?,
            kind: EventKind::named(kind.get(n)?.as_deref()?)?,
            cause: text_at(&cause, n).and_then(Cause::named),
            current_a: float_at(&current_a, n),
            case_c: float_at(&case_c, n),
            detail: text_at(&detail, n).unwrap_or_default().to_owned(),
        })
    };
    (0..frame.rows).filter_map(row).collect()
}

fn cycles_of(frame: &Frame) -> Vec<CycleRow> {
    let time = |name| times(frame, name);
    let (on_at, off_at, next_on_at) = (time("on_at"), time("off_at"), time("next_on_at"));
    let (start, ended_by) = (texts(frame, "start"), texts(frame, "ended_by"));
    let (cause, basis) = (texts(frame, "cause"), texts(frame, "basis"));
    let (on_seen, reset_exact) = (bools(frame, "on_seen"), bools(frame, "reset_exact"));
    let of = |name: &str| floats(frame, name);
    let figures = FIGURES.map(of);
    let row = |n: usize| {
        let instant = |column: &[Option<i64>]| column.get(n).copied().flatten();
        let mut row = CycleRow {
            on_at: instant(&on_at)?,
            off_at: instant(&off_at),
            next_on_at: instant(&next_on_at),
            on_seen: on_seen.get(n).copied().unwrap_or_default(),
            start: text_at(&start, n)
                .and_then(StartKind::named)
                .unwrap_or_default(),
            ended_by: text_at(&ended_by, n).and_then(EndedBy::named),
            cause: text_at(&cause, n).and_then(Cause::named),
            reset_exact: reset_exact.get(n).copied().unwrap_or_default(),
            basis: text_at(&basis, n).unwrap_or_default().to_owned(),
            ..CycleRow::default()
        };
        for (name, column) in FIGURES.into_iter().zip(&figures) {
            set_figure(&mut row, name, float_at(column, n));
        }
        Some(row)
    };
    (0..frame.rows).filter_map(row).collect()
}

/// The columns of `cycles` that are doubles.
const FIGURES: [&str; 22] = [
    "on_s",
    "off_s",
    "peak_a",
    "run_a",
    "end_a",
    "i2t_a2s",
    "case_on_c",
    "case_off_c",
    "case_max_c",
    "case_reset_c",
    "disc_c",
    "valid",
    "start_s",
    "supply_before_v",
    "supply_low_v",
    "start_lead_peak_a",
    "start_lead_a",
    "run_first_a",
    "run_last_a",
    "ambient_on_c",
    "floor_a",
    "noise_a",
];

fn set_figure(row: &mut CycleRow, name: &str, value: Option<f64>) {
    let into = match name {
        "on_s" => &mut row.on_s,
        "off_s" => &mut row.off_s,
        "peak_a" => &mut row.peak_a,
        "run_a" => &mut row.run_a,
        "end_a" => &mut row.end_a,
        "i2t_a2s" => &mut row.i2t_a2s,
        "case_on_c" => &mut row.case_on_c,
        "case_off_c" => &mut row.case_off_c,
        "case_max_c" => &mut row.case_max_c,
        "case_reset_c" => &mut row.case_reset_c,
        "disc_c" => &mut row.disc_c,
        "start_s" => &mut row.start_s,
        "supply_before_v" => &mut row.supply_before_v,
        "supply_low_v" => &mut row.supply_low_v,
        "start_lead_peak_a" => &mut row.start_lead_peak_a,
        "start_lead_a" => &mut row.start_lead_a,
        "run_first_a" => &mut row.run_first_a,
        "run_last_a" => &mut row.run_last_a,
        "ambient_on_c" => &mut row.ambient_on_c,
        "floor_a" => &mut row.floor_a,
        "noise_a" => &mut row.noise_a,
        _ => {
            row.valid = value.unwrap_or_default();
            return;
        }
    };
    *into = value;
}

fn float_at(column: &[f64], n: usize) -> Option<f64> {
    column.get(n).copied().filter(|value| !value.is_nan())
}

fn text_at(column: &[Option<String>], n: usize) -> Option<&str> {
    column.get(n)?.as_deref()
}

/// Whether each row of a column has a value.
fn present(frame: &Frame, name: &str) -> Vec<bool> {
    let Some(column) = frame.column(name) else {
        return vec![false; frame.rows];
    };
    let Some(levels) = &column.levels else {
        return vec![true; frame.rows];
    };
    let mut present = Vec::with_capacity(frame.rows);
    levels.runs(0, frame.rows, |level, rows| {
        present.extend(std::iter::repeat_n(level == 1, rows));
    });
    present
}

/// A column row by row; `none` where it has no value.
fn unpack<T: Clone, U>(
    frame: &Frame,
    name: &str,
    packed: &[T],
    to: impl Fn(T) -> U,
) -> Vec<Option<U>> {
    let mut values = packed.iter().cloned();
    let value = |has_value: bool| has_value.then(|| values.next()).flatten().map(&to);
    present(frame, name).into_iter().map(value).collect()
}

fn times(frame: &Frame, name: &str) -> Vec<Option<i64>> {
    match frame.column(name).map(|column| &column.values) {
        Some(Values::I64(values)) => unpack(frame, name, values, |us| us),
        _ => vec![None; frame.rows],
    }
}

fn floats(frame: &Frame, name: &str) -> Vec<f64> {
    match frame.column(name).map(|column| &column.values) {
        Some(Values::F64(values)) => unpack(frame, name, values, |value| value)
            .into_iter()
            .map(|value| value.unwrap_or(f64::NAN))
            .collect(),
        _ => vec![f64::NAN; frame.rows],
    }
}

fn bools(frame: &Frame, name: &str) -> Vec<bool> {
    match frame.column(name).map(|column| &column.values) {
        Some(Values::Bool(values)) => values.clone(),
        _ => vec![false; frame.rows],
    }
}

fn texts(frame: &Frame, name: &str) -> Vec<Option<String>> {
    match frame.column(name).map(|column| &column.values) {
        Some(Values::Text(values)) => unpack(frame, name, values, |text| {
            String::from_utf8_lossy(text.data()).into_owned()
        }),
        _ => vec![None; frame.rows],
    }
}
