//! The tables as a [`Sink`]: rows gathered in memory, cut, and handed to the background writer.
//!
//! # Layout
//!
//! ```text
//! samples/board=b-ID/date=YYYY-MM-DD/000001.parquet ... open.parquet
//! events/unit=NAME/000001.parquet ... open.parquet
//! cycles/unit=NAME/000001.parquet ... open.parquet
//! ```
//!
//! Columns are those of the data contract. A board's columns are the fixed ones, then three for every place in the order
//! in which its channel tables first named it; they only ever grow. When a place is new, the board's sealed files are
//! written again with its columns null. A place that changes its quantity keeps its columns.
//!
//! # Cuts
//!
//! A file ends when its number of rows is reached, or before the first row of a later UTC date of `time` (`on_at` of a
//! cycle); files of a directory are numbered from 1. Nothing else ends a file, so the same record always gives the same
//! files, whenever it was projected and however often it was interrupted.
//!
//! # Rows that are not sealed
//!
//! `open.parquet` holds what comes after the sealed files of its directory: final rows that no cut has reached yet, then
//! rows that may still be revised. It is replaced as a whole, and removed before a file with its rows is sealed.

use std::collections::BTreeMap;

use chrono::DateTime;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};

use crate::columns::{cycle_columns, event_columns, push_cycle, push_event};
use crate::disk::Disk;
use crate::error::{ArchiveError, At, Result};
use crate::frame::{Column, Frame};
use crate::limits::Limits;
use crate::manifest::Entry;
use crate::parquet_file::encode;
use crate::samples::SampleRows;
use crate::worker::{OPEN, Order, Worker};

/// A day, µs.
const DAY_US: i64 = 86_400_000_000;

/// Where cut frames go: to the background writer, or to a comparison.
pub(crate) trait Outlet {
    /// A frame that is cut, and the path of its file.
    fn sealed(&mut self, path: String, frame: Frame) -> Result<()>;
    /// Sealed files get the columns that they do not have yet.
    fn grown(&mut self, paths: &[String], columns: &Frame) -> Result<()>;
    /// A frame of samples that was handed over and is no longer needed.
    fn spare(&mut self) -> Option<Frame> {
        None
    }
}

impl Outlet for Worker {
    fn sealed(&mut self, path: String, frame: Frame) -> Result<()> {
        self.order(Order::Seal { path, frame })
    }

    fn grown(&mut self, paths: &[String], columns: &Frame) -> Result<()> {
        let grow = |path: &String| {
            self.order(Order::Grow {
                path: path.clone(),
                columns: columns.clone(),
            })
        };
        paths.iter().try_for_each(grow)
    }

    fn spare(&mut self) -> Option<Frame> {
        Self::spare(self)
    }
}

/// Sealed files of one board's or unit's table that cannot all be derived again: they stay, and rows go on after them.
#[derive(Debug, Clone, Default)]
pub(crate) struct Kept {
    /// Files, by directory.
    numbers: BTreeMap<String, u32>,
    /// The last instant in them, µs.
    until_us: i64,
    paths: Vec<String>,
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
    tables
}

/// `samples/board=b-ID`, `events/unit=NAME`, ...
pub(crate) fn table_of(path: &str) -> String {
    path.split('/').take(2).collect::<Vec<_>>().join("/")
}

/// The files of one directory tree.
struct Files {
    /// How many were cut so far, by directory.
    numbers: BTreeMap<String, u32>,
    sealed: Vec<String>,
    /// Rows up to here are in sealed files that stay as they are, µs.
    kept_until_us: i64,
}

impl Files {
    fn new(kept: Option<&Kept>) -> Self {
        let mut files = Self {
            numbers: BTreeMap::new(),
            sealed: Vec::new(),
            kept_until_us: i64::MIN,
        };
        if let Some(kept) = kept {
            files.keep(kept);
        }
        files
    }

    /// The sealed files stay. Whether there are any beyond those cut so far: rows that wait are in them already.
    fn keep(&mut self, kept: &Kept) -> bool {
        let cut = |directory: &String| self.numbers.get(directory).copied().unwrap_or(0);
        let is_ahead = kept
            .numbers
            .iter()
            .any(|(directory, number)| *number > cut(directory));
        if is_ahead {
            self.numbers.clone_from(&kept.numbers);
            self.sealed.clone_from(&kept.paths);
            self.kept_until_us = kept.until_us;
        }
        is_ahead
    }

    /// The path of the next file of a directory.
    fn next(&mut self, directory: String) -> String {
        let number = self.numbers.entry(directory.clone()).or_insert(0);
        *number += 1;
        let path = format!("{directory}/{number:06}.parquet");
        self.sealed.push(path.clone());
        path
    }
}

/// Events or cycles of one unit that are not cut yet.
struct UnitPart {
    frame: Frame,
    /// Days since the epoch of the rows in `frame`.
    day: i64,
    files: Files,
}

impl UnitPart {
    fn new(columns: Vec<Column>, kept: Option<&Kept>) -> Self {
        Self {
            frame: Frame::new(columns),
            day: i64::MIN,
            files: Files::new(kept),
        }
    }

    fn cut(&mut self, directory: String, outlet: &mut impl Outlet) -> Result<()> {
        let empty = self.frame.emptied();
        let frame = std::mem::replace(&mut self.frame, empty);
        outlet.sealed(self.files.next(directory), frame)
    }
}

/// Samples of one board that are not cut yet.
struct BoardPart {
    rows: SampleRows,
    /// Days since the epoch of the rows.
    day: i64,
    files: Files,
}

impl BoardPart {
    fn new(kept: Option<&Kept>) -> Self {
        Self {
            rows: SampleRows::default(),
            day: i64::MIN,
            files: Files::new(kept),
        }
    }

    fn cut(&mut self, board: BoardId, outlet: &mut impl Outlet) -> Result<()> {
        let frame = self.rows.take();
        if let Some(spare) = outlet.spare() {
            self.rows.reuse(spare);
        }
        outlet.sealed(self.files.next(samples_directory(board, self.day)), frame)
    }
}

/// Gathers rows, cuts them into files.
pub(crate) struct TableWriter<O> {
    pub outlet: O,
    limits: Limits,
    boards: BTreeMap<BoardId, BoardPart>,
    events: BTreeMap<String, UnitPart>,
    cycles: BTreeMap<String, UnitPart>,
    /// Sealed files that stay, by table.
    kept: BTreeMap<String, Kept>,
    /// Every `open.parquet` that is there, with what was last written to it.
    opens: BTreeMap<String, Vec<u8>>,
    samples: u64,
    is_open_lost: bool,
    failure: Option<ArchiveError>,
}

impl<O: Outlet> TableWriter<O> {
    pub fn new(outlet: O, limits: &Limits) -> Self {
        Self {
            outlet,
            limits: limits.clone(),
            boards: BTreeMap::new(),
            events: BTreeMap::new(),
            cycles: BTreeMap::new(),
            kept: BTreeMap::new(),
            opens: BTreeMap::new(),
            samples: 0,
            is_open_lost: false,
            failure: None,
        }
    }

    /// From here on not everything can be derived that was: what is sealed stays, and rows go on after it.
    pub fn keep_sealed(&mut self, kept: BTreeMap<String, Kept>) {
        for (id, board) in &mut self.boards {
            if kept
                .get(&board_table(*id))
                .is_some_and(|kept| board.files.keep(kept))
            {
                board.rows.take();
            }
        }
        for (table, parts) in [("events", &mut self.events), ("cycles", &mut self.cycles)] {
            for (unit, part) in parts {
                let kept = kept.get(&unit_directory(table, unit));
                if kept.is_some_and(|kept| part.files.keep(kept)) {
                    part.frame = part.frame.emptied();
                }
            }
        }
        self.kept = kept;
        self.is_open_lost = true;
    }

    /// Rows of `samples` so far.
    pub const fn samples(&self) -> u64 {
        self.samples
    }

    /// The error that a row met, once.
    pub fn check(&mut self) -> Result<()> {
        self.failure.take().map_or(Ok(()), Err)
    }

    /// Cuts everything: the record has ended, or a comparison wants all rows.
    pub fn cut_all(&mut self) -> Result<()> {
        self.check()?;
        for (board, part) in &mut self.boards {
            if part.rows.len() > 0 {
                part.cut(*board, &mut self.outlet)?;
            }
        }
        for (table, parts) in [("events", &mut self.events), ("cycles", &mut self.cycles)] {
            for (unit, part) in parts {
                if part.frame.rows > 0 {
                    part.cut(unit_directory(table, unit), &mut self.outlet)?;
                }
            }
        }
        Ok(())
    }

    fn keep(&mut self, done: Result<()>) {
        if let Err(error) = done {
            self.failure.get_or_insert(error);
        }
    }

    fn take_table(&mut self, table: &Table) -> Result<()> {
        let kept = &self.kept;
        let board = self
            .boards
            .entry(table.id)
            .or_insert_with(|| BoardPart::new(kept.get(&board_table(table.id))));
        if board.rows.take_table(table) && !board.files.sealed.is_empty() {
            self.is_open_lost = true;
            let columns = board.rows.columns();
            self.outlet.grown(&board.files.sealed, &columns)?;
        }
        Ok(())
    }

    fn take_sample(&mut self, id: BoardId, row: &SampleRow<'_>) -> Result<()> {
        self.samples += 1;
        let kept = &self.kept;
        let board = self
            .boards
            .entry(id)
            .or_insert_with(|| BoardPart::new(kept.get(&board_table(id))));
        if row.time <= board.files.kept_until_us {
            return Ok(());
        }
        let day = row.time.div_euclid(DAY_US);
        if board.day != day && board.rows.len() > 0 {
            board.cut(id, &mut self.outlet)?;
            self.is_open_lost = true;
        }
        board.day = day;
        board.rows.push(row);
        if board.rows.len() >= self.limits.sample_rows {
            board.cut(id, &mut self.outlet)?;
            self.is_open_lost = true;
        }
        Ok(())
    }

    fn take_event(&mut self, unit: &str, row: &EventRow) -> Result<()> {
        let limit = self.limits.event_rows;
        let part = self.events.entry(safe(unit)).or_insert_with(|| {
            let kept = self.kept.get(&unit_directory("events", unit));
            UnitPart::new(event_columns(), kept)
        });
        self.is_open_lost |= take_row(
            part,
            row.time,
            limit,
            || unit_directory("events", unit),
            &mut self.outlet,
            |frame| {
                push_event(frame, row);
            },
        )?;
        Ok(())
    }

    fn take_cycle(&mut self, unit: &str, row: &CycleRow) -> Result<()> {
        let limit = self.limits.event_rows;
        let part = self.cycles.entry(safe(unit)).or_insert_with(|| {
            let kept = self.kept.get(&unit_directory("cycles", unit));
            UnitPart::new(cycle_columns(), kept)
        });
        self.is_open_lost |= take_row(
            part,
            row.on_at,
            limit,
            || unit_directory("cycles", unit),
            &mut self.outlet,
            |frame| {
                push_cycle(frame, row);
            },
        )?;
        Ok(())
    }

    /// Everything that is not cut, with the open rows after it: what every `open.parquet` should hold.
    pub fn open_frames(
        &self,
        open_rows: impl FnOnce(&mut dyn FnMut(&str, &[EventRow], &[CycleRow])),
    ) -> BTreeMap<String, Frame> {
        let mut frames = BTreeMap::new();
        for (id, board) in &self.boards {
            frames.insert(
                format!("{}/{OPEN}", samples_directory(*id, board.day)),
                board.rows.clone().take(),
            );
        }
        for (table, parts) in [("events", &self.events), ("cycles", &self.cycles)] {
            for (unit, part) in parts {
                frames.insert(
                    format!("{}/{OPEN}", unit_directory(table, unit)),
                    part.frame.clone(),
                );
            }
        }
        open_rows(&mut |unit, events, cycles| {
            let mut frame_of = |table, columns: fn() -> Vec<Column>| {
                let path = format!("{}/{OPEN}", unit_directory(table, unit));
                frames.remove(&path).map_or_else(
                    || (path.clone(), Frame::new(columns())),
                    |frame| (path.clone(), frame),
                )
            };
            let ((events_path, mut event_frame), (cycles_path, mut cycle_frame)) = (
                frame_of("events", event_columns),
                frame_of("cycles", cycle_columns),
            );
            events
                .iter()
                .for_each(|row| push_event(&mut event_frame, row));
            cycles
                .iter()
                .for_each(|row| push_cycle(&mut cycle_frame, row));
            frames.insert(events_path, event_frame);
            frames.insert(cycles_path, cycle_frame);
        });
        frames.retain(|_, frame| frame.rows > 0);
        frames
    }
}

impl TableWriter<Worker> {
    /// Notes the `open.parquet` files that an earlier run has left, so that they are replaced or removed.
    pub fn find_opens(&mut self, disk: &dyn Disk, root: &std::path::Path) -> Result<()> {
        for path in files_below(disk, root, &["samples", "events", "cycles"])? {
            if path.ends_with(&format!("/{OPEN}")) {
                self.opens.insert(path, Vec::new());
            }
        }
        Ok(())
    }

    /// Whether rows are in no file since the last refresh because a file was cut or columns came.
    pub fn is_open_lost(&self) -> bool {
        self.is_open_lost && !self.opens.is_empty()
    }

    /// Replaces the `open.parquet` files whose rows have changed, removes those without rows.
    pub fn refresh_open(&mut self, frames: BTreeMap<String, Frame>) -> Result<()> {
        self.check()?;
        let gone: Vec<String> = self
            .opens
            .keys()
            .filter(|path| !frames.contains_key(*path))
            .cloned()
            .collect();
        for path in gone {
            self.opens.remove(&path);
            self.outlet.order(Order::RemoveOpen { path })?;
        }
        for (path, frame) in frames {
            let bytes = encode(&frame).at(path.as_ref(), "write")?;
            if self.is_open_lost || self.opens.get(&path) != Some(&bytes) {
                self.opens.insert(path.clone(), bytes.clone());
                self.outlet.order(Order::PutOpen { path, bytes })?;
            }
        }
        self.is_open_lost = false;
        Ok(())
    }
}

impl<O: Outlet> Sink for TableWriter<O> {
    fn table(&mut self, table: &Table) {
        let done = self.take_table(table);
        self.keep(done);
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        let done = self.take_sample(board, row);
        self.keep(done);
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        let done = self.take_event(unit, &row);
        self.keep(done);
    }

    fn cycle(&mut self, unit: &str, row: CycleRow) {
        let done = self.take_cycle(unit, &row);
        self.keep(done);
    }
}

/// Puts an event or cycle into its part; whether a file was cut.
fn take_row(
    part: &mut UnitPart,
    time: i64,
    limit: usize,
    directory: impl Fn() -> String,
    outlet: &mut impl Outlet,
    push: impl FnOnce(&mut Frame),
) -> Result<bool> {
    if time <= part.files.kept_until_us {
        return Ok(false);
    }
    let day = time.div_euclid(DAY_US);
    let is_later = part.frame.rows > 0 && day > part.day;
    if is_later {
        part.cut(directory(), outlet)?;
    }
    part.day = part.day.max(day);
    push(&mut part.frame);
    let is_full = part.frame.rows >= limit;
    if is_full {
        part.cut(directory(), outlet)?;
    }
    Ok(is_later || is_full)
}

fn samples_directory(board: BoardId, day: i64) -> String {
    let date = DateTime::from_timestamp_micros(day.saturating_mul(DAY_US)).unwrap_or_default();
    format!("samples/board=b-{board}/date={}", date.format("%Y-%m-%d"))
}

fn board_table(board: BoardId) -> String {
    format!("samples/board=b-{board}")
}

fn unit_directory(table: &str, unit: &str) -> String {
    format!("{table}/unit={}", safe(unit))
}

/// A unit's name as a directory can have it. The job file allows no other; this is for what a caller may do wrong.
fn safe(unit: &str) -> String {
    unit.chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '-' {
                c
            } else {
                '_'
            }
        })
        .collect()
}

/// Every file below some directories of the record, as paths from the record directory, in order.
pub(crate) fn files_below(
    disk: &dyn Disk,
    root: &std::path::Path,
    directories: &[&str],
) -> Result<Vec<String>> {
    let mut found = Vec::new();
    for directory in directories {
        let whole = root.join(directory);
        for entry in disk.list(&whole).at(&whole, "list")? {
            let path = format!("{directory}/{}", entry.name);
            if entry.is_dir {
                found.extend(files_below(disk, root, &[&path])?);
            } else {
                found.push(path);
            }
        }
    }
    Ok(found)
}
