//! The tables as a [`Sink`]: rows gathered in memory, cut, and handed to the background writer.
//!
//! # Layout
//!
//! ```text
//! samples/board=b-ID/date=YYYY-MM-DD/000001.parquet ... open.parquet
//! events/unit=NAME/000001.parquet ... open.parquet
//! cycles/unit=NAME/000001.parquet ... open.parquet
//! overview/unit=NAME/000001.parquet ... open.parquet
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
//!
//! # Raw logs that are removed
//!
//! Before one is, the rows of days that have been over for a day are sealed, though no row of a later day has come; the
//! manifest calls such a file `early`, and a later projection cuts it there again. A projection that begins where the kept
//! raw logs do leaves alone what was sealed before and goes on after it (see `seam`).

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate};
use nightclamp_analysis::overview::OverviewRow;
use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};

use crate::columns::{
    cycle_columns, event_columns, overview_columns, push_cycle, push_event, push_overview,
};
use crate::disk::Disk;
use crate::error::{ArchiveError, At, Result};
use crate::frame::{Column, Frame};
use crate::limits::Limits;
use crate::parquet_file::encode_open;
use crate::project::Project;
use crate::record::TABLES;
use crate::samples::SampleRows;
use crate::seam::{CYCLE, Files, Kept, OVERVIEW};
use crate::worker::{OPEN, Order, Worker};

/// A day, µs.
pub(crate) const DAY_US: i64 = 86_400_000_000;

/// Where cut frames go: to the background writer, or to a comparison.
pub(crate) trait Outlet {
    /// A frame that is cut, and the path of its file.
    fn sealed(&mut self, path: String, frame: Frame) -> Result<()>;
    /// The same of one that was cut before a row of a later day had come.
    fn sealed_early(&mut self, path: String, frame: Frame) -> Result<()> {
        self.sealed(path, frame)
    }
    /// Sealed files get the columns that they do not have yet.
    fn grown(&mut self, paths: &[String], columns: &Frame) -> Result<()>;
    /// A frame of samples that was handed over and is no longer needed.
    fn spare(&mut self) -> Option<Frame> {
        None
    }
}

impl Outlet for Worker {
    fn sealed(&mut self, path: String, frame: Frame) -> Result<()> {
        let is_early = false;
        self.order(Order::Seal {
            path,
            frame,
            is_early,
        })
    }

    fn sealed_early(&mut self, path: String, frame: Frame) -> Result<()> {
        let is_early = true;
        self.order(Order::Seal {
            path,
            frame,
            is_early,
        })
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

    fn cut_early(&mut self, directory: String, outlet: &mut impl Outlet) -> Result<()> {
        let empty = self.frame.emptied();
        let frame = std::mem::replace(&mut self.frame, empty);
        outlet.sealed_early(self.files.next(directory), frame)
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
        let places = kept.map(Kept::places).unwrap_or_default();
        Self {
            rows: SampleRows::of_places(places),
            day: i64::MIN,
            files: Files::new(kept),
        }
    }

    fn cut_early(&mut self, board: BoardId, outlet: &mut impl Outlet) -> Result<()> {
        let frame = self.rows.take();
        outlet.sealed_early(self.files.next(samples_directory(board, self.day)), frame)
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
    overviews: BTreeMap<String, UnitPart>,
    /// Sealed files that stay, by table.
    kept: BTreeMap<String, Kept>,
    /// Files that were cut early, and at how many rows.
    early: BTreeMap<String, usize>,
    /// How many raw logs had been removed when this began.
    without: u64,
    /// The last instant of a sample so far, µs.
    newest_us: Option<i64>,
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
            overviews: BTreeMap::new(),
            kept: BTreeMap::new(),
            early: BTreeMap::new(),
            without: 0,
            newest_us: None,
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
        for (table, parts) in [
            ("events", &mut self.events),
            ("cycles", &mut self.cycles),
            ("overview", &mut self.overviews),
        ] {
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

    /// The projection begins where the kept raw logs do, `without` those before: what was sealed then stays.
    pub fn resume(
        &mut self,
        without: u64,
        kept: BTreeMap<String, Kept>,
        early: BTreeMap<String, usize>,
    ) {
        (self.without, self.kept, self.early) = (without, kept, early);
    }

    /// The last instant of a sample so far, µs.
    pub const fn newest_us(&self) -> Option<i64> {
        self.newest_us
    }

    /// Cuts what waits of days that were over before this instant, though no row of a later day has come.
    pub fn cut_before(&mut self, until_us: i64) -> Result<()> {
        let is_over = |day: i64| day.saturating_add(1).saturating_mul(DAY_US) <= until_us;
        let mut has_cut = false;
        for (board, part) in &mut self.boards {
            if part.rows.len() > 0 && is_over(part.day) {
                part.cut_early(*board, &mut self.outlet)?;
                has_cut = true;
            }
        }
        for (table, parts) in [
            ("events", &mut self.events),
            ("cycles", &mut self.cycles),
            ("overview", &mut self.overviews),
        ] {
            for (unit, part) in parts {
                if part.frame.rows > 0 && is_over(part.day) {
                    part.cut_early(unit_directory(table, unit), &mut self.outlet)?;
                    has_cut = true;
                }
            }
        }
        self.is_open_lost |= has_cut;
        Ok(())
    }

    /// The earliest row that is not cut yet.
    pub fn waits_from(&self) -> Option<i64> {
        let samples = self.boards.values().filter_map(|part| part.rows.first_us());
        let units = self
            .events
            .values()
            .chain(self.cycles.values())
            .chain(self.overviews.values());
        let rows = units.filter_map(|part| Some(part.frame.time_range()?.0));
        samples.chain(rows).min()
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
        for (table, parts) in [
            ("events", &mut self.events),
            ("cycles", &mut self.cycles),
            ("overview", &mut self.overviews),
        ] {
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
        let Some(time) = board.files.instant_of(row) else {
            return Ok(());
        };
        let row = &SampleRow { time, ..*row };
        self.newest_us = self.newest_us.max(Some(time));
        let day = time.div_euclid(DAY_US);
        if board.day != day && board.rows.len() > 0 {
            board.cut(id, &mut self.outlet)?;
            self.is_open_lost = true;
        }
        board.day = day;
        if board.rows.len() == 0 {
            let directory = || samples_directory(id, day);
            board.files.begin(directory, &self.early);
        }
        board.rows.push(row);
        if board.files.was_cut_at(board.rows.len()) {
            board.cut_early(id, &mut self.outlet)?;
            self.is_open_lost = true;
        } else if board.rows.len() >= self.limits.sample_rows {
            board.cut(id, &mut self.outlet)?;
            self.is_open_lost = true;
        }
        Ok(())
    }

    fn take_event(&mut self, unit: &str, row: &EventRow) -> Result<()> {
        let cuts = Cuts {
            limit: self.limits.event_rows,
            early: &self.early,
        };
        let part = self.events.entry(safe(unit)).or_insert_with(|| {
            let kept = self.kept.get(&unit_directory("events", unit));
            UnitPart::new(event_columns(), kept)
        });
        self.is_open_lost |= take_row(
            part,
            (row.time, row.kind.as_str()),
            cuts,
            || unit_directory("events", unit),
            &mut self.outlet,
            |frame| {
                push_event(frame, row);
            },
        )?;
        Ok(())
    }

    fn take_cycle(&mut self, unit: &str, row: &CycleRow) -> Result<()> {
        let cuts = Cuts {
            limit: self.limits.event_rows,
            early: &self.early,
        };
        let part = self.cycles.entry(safe(unit)).or_insert_with(|| {
            let kept = self.kept.get(&unit_directory("cycles", unit));
            UnitPart::new(cycle_columns(), kept)
        });
        self.is_open_lost |= take_row(
            part,
            (row.on_at, CYCLE),
            cuts,
            || unit_directory("cycles", unit),
            &mut self.outlet,
            |frame| {
                push_cycle(frame, row);
            },
        )?;
        Ok(())
    }

    fn take_overview(&mut self, unit: &str, row: &OverviewRow) -> Result<()> {
        let cuts = Cuts {
            limit: self.limits.event_rows,
            early: &self.early,
        };
        let part = self.overviews.entry(safe(unit)).or_insert_with(|| {
            let kept = self.kept.get(&unit_directory("overview", unit));
            UnitPart::new(overview_columns(), kept)
        });
        self.is_open_lost |= take_row(
            part,
            (row.time, OVERVIEW),
            cuts,
            || unit_directory("overview", unit),
            &mut self.outlet,
            |frame| {
                push_overview(frame, row);
            },
        )?;
        Ok(())
    }

    /// Everything that is not cut, with the rows after it that `projection` may still revise, if it does: what every
    /// `open.parquet` should hold.
    pub fn open_frames(&self, projection: Option<&impl Project>) -> BTreeMap<String, Frame> {
        let mut frames = BTreeMap::new();
        for (id, board) in &self.boards {
            frames.insert(
                format!("{}/{OPEN}", samples_directory(*id, board.day)),
                board.rows.clone().take(),
            );
        }
        for (table, parts) in [
            ("events", &self.events),
            ("cycles", &self.cycles),
            ("overview", &self.overviews),
        ] {
            for (unit, part) in parts {
                frames.insert(
                    format!("{}/{OPEN}", unit_directory(table, unit)),
                    part.frame.clone(),
                );
            }
        }
        if let Some(projection) = projection {
            projection.open_rows(|unit, events, cycles| {
                let frame = frame_of(&mut frames, "events", unit, event_columns);
                events.iter().for_each(|row| push_event(frame, row));
                let frame = frame_of(&mut frames, "cycles", unit, cycle_columns);
                cycles.iter().for_each(|row| push_cycle(frame, row));
            });
            projection.open_overviews(|unit, row| {
                let directory = unit_directory("overview", unit);
                let until_us = match self.overviews.get(&safe(unit)) {
                    Some(part) => part.files.kept_until_us(),
                    None => self.kept.get(&directory).map_or(i64::MIN, Kept::until_us),
                };
                if row.time > until_us {
                    let frame = frame_of(&mut frames, "overview", unit, overview_columns);
                    push_overview(frame, row);
                }
            });
        }
        frames.retain(|_, frame| frame.rows > 0);
        frames
    }
}

impl TableWriter<Worker> {
    /// Notes the `open.parquet` files that an earlier run has left, so that they are replaced or removed.
    pub fn find_opens(&mut self, disk: &dyn Disk, root: &std::path::Path) -> Result<()> {
        for path in files_below(disk, root, &TABLES)? {
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
            let bytes = encode_open(&frame, self.without).at(path.as_ref(), "write")?;
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

    fn overview(&mut self, unit: &str, row: &OverviewRow) {
        let done = self.take_overview(unit, row);
        self.keep(done);
    }
}

/// Where files of events or cycles are cut.
struct Cuts<'a> {
    limit: usize,
    early: &'a BTreeMap<String, usize>,
}

/// Puts an event or cycle into its part; whether a file was cut.
fn take_row(
    part: &mut UnitPart,
    (time, kind): (i64, &str),
    cuts: Cuts<'_>,
    directory: impl Fn() -> String,
    outlet: &mut impl Outlet,
    push: impl FnOnce(&mut Frame),
) -> Result<bool> {
    if part.files.has_row(time, kind) {
        return Ok(false);
    }
    let day = time.div_euclid(DAY_US);
    let is_later = part.frame.rows > 0 && day > part.day;
    if is_later {
        part.cut(directory(), outlet)?;
    }
    part.day = part.day.max(day);
    if part.frame.rows == 0 {
        part.files.begin(&directory, cuts.early);
    }
    push(&mut part.frame);
    let rows = part.frame.rows;
    let (was_cut, is_full) = (part.files.was_cut_at(rows), rows >= cuts.limit);
    if was_cut {
        part.cut_early(directory(), outlet)?;
    } else if is_full {
        part.cut(directory(), outlet)?;
    }
    Ok(is_later || was_cut || is_full)
}

/// The open frame of a unit's table, made if it is not there.
fn frame_of<'a>(
    frames: &'a mut BTreeMap<String, Frame>,
    table: &str,
    unit: &str,
    columns: fn() -> Vec<Column>,
) -> &'a mut Frame {
    let path = format!("{}/{OPEN}", unit_directory(table, unit));
    frames.entry(path).or_insert_with(|| Frame::new(columns()))
}

pub(crate) fn samples_directory(board: BoardId, day: i64) -> String {
    let date = DateTime::from_timestamp_micros(day.saturating_mul(DAY_US)).unwrap_or_default();
    format!("samples/board=b-{board}/date={}", date.format("%Y-%m-%d"))
}

/// The day, since the epoch, of such a directory by its own name.
pub(crate) fn day_of_samples(name: &str) -> Option<i64> {
    let date = NaiveDate::parse_from_str(name.strip_prefix("date=")?, "%Y-%m-%d").ok()?;
    let midnight = date.and_hms_opt(0, 0, 0)?;
    Some(midnight.and_utc().timestamp().div_euclid(86_400))
}

fn board_table(board: BoardId) -> String {
    format!("samples/board=b-{board}")
}

pub(crate) fn unit_directory(table: &str, unit: &str) -> String {
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
