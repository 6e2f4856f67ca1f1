//! Reading a stretch of the tables back, beside whoever writes them.
//!
//! Only files whose times, as the manifest lists them, touch the stretch are opened, and only the columns asked for are
//! unpacked; one file is in memory at a time. What is not sealed yet comes from `open.parquet`, so the newest rows can be
//! missing: who asks has them in memory. A file that is replaced meanwhile is read as it was, or as it is.

use std::io::Write;
use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;

use nightclamp_analysis::excerpt::{Excerpt, ExcerptError, Form, Made};
use nightclamp_analysis::overview::{self, History, Line, OverviewRow};
use nightclamp_analysis::rows::RecordTime;
use nightclamp_protocol::BoardId;

use crate::disk::{self, Disk};
use crate::error::Result;
use crate::frame::{Column, Frame, Values};
use crate::parquet_file::decode_some;
use crate::record::RecordDir;
use crate::sealing::Sealing;
use crate::tables::{DAY_US, samples_directory, unit_directory};
use crate::worker::{OPEN, SharedManifest, lock};

/// Reads a record's tables back.
pub struct Readback {
    pub(crate) root: PathBuf,
    pub(crate) disk: Arc<dyn Disk>,
    pub(crate) manifest: SharedManifest,
    pub(crate) sealing: Sealing,
}

impl RecordDir {
    /// Reads its tables back.
    pub fn readback(&self) -> Readback {
        Readback {
            root: self.path().to_path_buf(),
            disk: self.disk.clone(),
            manifest: self.manifest.clone(),
            sealing: self.sealing.clone(),
        }
    }
}

impl History for Readback {
    fn samples(
        &self,
        board: BoardId,
        places: &[&str],
        times: Range<RecordTime>,
        each: &mut dyn FnMut(RecordTime, &[f64]),
    ) -> std::result::Result<(), String> {
        let names: Vec<String> = places.iter().map(|place| place.replace('-', "_")).collect();
        let wanted: Vec<&str> = ["time"]
            .into_iter()
            .chain(names.iter().map(String::as_str))
            .collect();
        let days = times.start.div_euclid(DAY_US)..=(times.end - 1).div_euclid(DAY_US);
        let mut values = vec![f64::NAN; places.len()];
        for day in days {
            let directory = samples_directory(board, day);
            let read = self.files(&directory, &times, &wanted, |frame| {
                let columns: Vec<Vec<f64>> = names
                    .iter()
                    .map(|name| frame.column(name).map(Column::doubles).unwrap_or_default())
                    .collect();
                for (row, time) in rows_within(frame, &times) {
                    for (value, column) in values.iter_mut().zip(&columns) {
                        *value = column.get(row).copied().unwrap_or(f64::NAN);
                    }
                    each(time, &values);
                }
            });
            read.map_err(|error| error.to_string())?;
        }
        Ok(())
    }

    fn overview(
        &self,
        unit: &str,
        lines: &[Line],
        times: Range<RecordTime>,
        each: &mut dyn FnMut(&OverviewRow),
    ) -> std::result::Result<(), String> {
        let mut wanted = vec![
            "time",
            "first",
            "last",
            "samples",
            "disc_first_c",
            "floor_a",
        ];
        for (low, high) in lines.iter().map(|line| line.columns()) {
            wanted.extend([low, high]);
        }
        let directory = unit_directory("overview", unit);
        let read = self.files(&directory, &times, &wanted, |frame| {
            let columns = OverviewColumns::of(frame);
            for (row, time) in rows_within(frame, &times) {
                each(&columns.row(row, time));
            }
        });
        read.map_err(|error| error.to_string())
    }

    fn excerpt(
        &self,
        wanted: &Excerpt,
        to: &mut (dyn Write + Send),
    ) -> std::result::Result<u64, ExcerptError> {
        self.write_excerpt(wanted, to)
    }

    fn write(
        &self,
        parts: &mut dyn Iterator<Item = std::result::Result<Made, ExcerptError>>,
        form: Form,
        to: &mut (dyn Write + Send),
    ) -> std::result::Result<u64, ExcerptError> {
        self.write_made(parts, form, to)
    }
}

impl Readback {
    /// Hands on the files of a directory that touch `times`, in order, the open one last.
    fn files(
        &self,
        directory: &str,
        times: &Range<RecordTime>,
        wanted: &[&str],
        mut each: impl FnMut(&Frame),
    ) -> Result<()> {
        let touching = self.touching(directory, times);
        for path in touching.into_iter().chain([format!("{directory}/{OPEN}")]) {
            let whole = self.root.join(&path);
            if self.disk.len(&whole).is_err() {
                // Nothing is open, or damage has been set aside: `verify` tells of that.
                continue;
            }
            let bytes = disk::read(&*self.disk, &whole)?;
            each(&decode_some(&whole, bytes, |name| wanted.contains(&name))?);
        }
        Ok(())
    }

    fn touching(&self, directory: &str, times: &Range<RecordTime>) -> Vec<String> {
        let sealed = self.sealed(directory).into_iter();
        sealed
            .filter(|file| file.begins_before(times.end) && file.ends_since(times.start))
            .map(|file| file.path)
            .collect()
    }

    /// The sealed files of a directory, in order. They are numbered from 1.
    pub(crate) fn sealed(&self, directory: &str) -> Vec<Sealed> {
        let manifest = lock(&self.manifest);
        let sealed = (1..).map_while(|number| {
            let path = format!("{directory}/{number:06}.parquet");
            let entry = manifest.entry(&path)?;
            Some(Sealed {
                path,
                rows: entry.rows.unwrap_or(0),
                first_us: entry.first_us(),
                last_us: entry.last_us(),
            })
        });
        sealed.collect()
    }
}

/// A sealed file, as the manifest lists it.
pub(crate) struct Sealed {
    pub path: String,
    pub rows: u64,
    first_us: Option<RecordTime>,
    last_us: Option<RecordTime>,
}

impl Sealed {
    /// It may have rows before this instant.
    pub fn begins_before(&self, us: RecordTime) -> bool {
        self.first_us.is_none_or(|first_us| first_us < us)
    }

    /// It may have rows at this instant or later.
    pub fn ends_since(&self, us: RecordTime) -> bool {
        self.last_us.is_none_or(|last_us| last_us >= us)
    }
}

/// Numbers and instants of the rows within `times`; rows are in order of time.
fn rows_within(
    frame: &Frame,
    times: &Range<RecordTime>,
) -> impl Iterator<Item = (usize, RecordTime)> {
    let instants = frame.column("time").map(Column::longs).unwrap_or_default();
    let from = instants.partition_point(|&time| time < times.start);
    let to = instants.partition_point(|&time| time < times.end);
    let within = instants.get(from..to).unwrap_or_default();
    within
        .iter()
        .enumerate()
        .map(move |(at, &time)| (from + at, time))
}

/// The columns of a file of the overview.
struct OverviewColumns<'a> {
    first: &'a [i64],
    last: &'a [i64],
    samples: &'a [i32],
    ranges: Vec<(Vec<f64>, Vec<f64>)>,
    disc_first_c: Vec<f64>,
    floor_a: Vec<f64>,
}

impl<'a> OverviewColumns<'a> {
    fn of(frame: &'a Frame) -> Self {
        let longs = |name| frame.column(name).map(Column::longs).unwrap_or_default();
        let doubles = |name| frame.column(name).map(Column::doubles).unwrap_or_default();
        let samples = match frame.column("samples").map(|column| &column.values) {
            Some(Values::I32(samples)) => samples.as_slice(),
            _ => &[],
        };
        Self {
            first: longs("first"),
            last: longs("last"),
            samples,
            ranges: Line::ALL
                .map(Line::columns)
                .map(|(low, high)| (doubles(low), doubles(high)))
                .into(),
            disc_first_c: doubles("disc_first_c"),
            floor_a: doubles("floor_a"),
        }
    }

    fn row(&self, row: usize, time: RecordTime) -> OverviewRow {
        let double = |column: &[f64]| column.get(row).copied().unwrap_or(f64::NAN);
        let known = |column: &[f64]| Some(double(column)).filter(|value| !value.is_nan());
        let instant = |column: &[i64]| column.get(row).copied().unwrap_or(time);
        let mut ranges = [overview::Range::EMPTY; overview::LINES];
        for (range, (low, high)) in ranges.iter_mut().zip(&self.ranges) {
            (range.low, range.high) = (double(low), double(high));
        }
        OverviewRow {
            time,
            first: instant(self.first),
            last: instant(self.last),
            samples: self.samples.get(row).map_or(0, |n| n.cast_unsigned()),
            ranges,
            disc_first_c: known(&self.disc_first_c),
            floor_a: known(&self.floor_a),
        }
    }
}
