//! Verify: whether a record is whole, and its tables what its raw logs say.
//!
//! Hashes and chain are checked, then every table is derived again from the raw logs and compared row by row with what
//! lies there. How the files are cut does not matter, only their rows, in order. One table file is in memory at a time.
//!
//! # Raw logs that were removed
//!
//! Where old raw logs were removed because a limit had been set (see `retention`), the rows from them cannot be derived again:
//! of these only hashes and chain are checked, and the report says so. A projection that begins where the kept raw logs do
//! has not learned what one that had them all had: of what was sealed by one that had more, samples are compared by all that
//! the raw log says itself (arrival, boot, counter, readings), and their record time, events and cycles are not. What was
//! sealed by a projection that began where this one does is compared as ever.
//!
//! # While it is written
//!
//! A record may be written meanwhile. Tables are then behind the raw logs, and the rows in `open.parquet` may have been
//! revised since: sealed rows are compared, open ones are not, and the report says so.

use std::cmp::Ordering;
use std::collections::{BTreeMap, VecDeque};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use nightclamp_analysis::rows::Both;

use crate::customer::{self, CUSTOMER};
use crate::disk::{self, Disk, RealDisk, Steady};
use crate::error::{ArchiveError, Result};
use crate::frame::{Compared, Frame};
use crate::jobs::{KeptJob, kept_jobs, newest_job};
use crate::limits::Limits;
use crate::manifest::{self, Entry, MANIFEST, instant};
use crate::parquet_file::{decode, given_without};
use crate::project::Project;
use crate::reading::{Damage, Reading};
use crate::record::{JOB, TABLES, is_held, survey};
use crate::seam::{SEAM_US, find_seams, kept_tables, table_of};
use crate::segments::RAW;
use crate::tables::{Outlet, TableWriter, files_below};
use crate::worker::{OPEN, hash_file};

/// What holds and what does not, in plain words.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct VerifyReport {
    /// What holds.
    pub holds: Vec<String>,
    /// What does not.
    pub fails: Vec<String>,
    /// What was not looked at, and why.
    pub notes: Vec<String>,
    /// Whether the record is still being written.
    pub live: bool,
}

impl VerifyReport {
    /// Whether everything agrees.
    pub fn ok(&self) -> bool {
        self.fails.is_empty()
    }
}

impl fmt::Display for VerifyReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut list = |word: &str, lines: &[String]| {
            lines
                .iter()
                .try_for_each(|line| writeln!(f, "{word}: {line}"))
        };
        list("holds", &self.holds)?;
        list("note", &self.notes)?;
        list("DOES NOT HOLD", &self.fails)
    }
}

/// Checks a record; `heart` makes the projection from its job files ([`crate::heart_of`]), or says what is wrong with them.
///
/// # Errors
/// There is no record. What is wrong with the record itself is in the report.
pub fn verify<P: Project>(
    dir: &Path,
    heart: impl FnOnce(&[KeptJob]) -> std::result::Result<P, String>,
) -> Result<VerifyReport> {
    verify_with(Arc::new(RealDisk), dir, heart)
}

/// As [`verify`], with another file system.
///
/// # Errors
/// As [`verify`].
pub fn verify_with<P: Project>(
    disk: Arc<dyn Disk>,
    dir: &Path,
    heart: impl FnOnce(&[KeptJob]) -> std::result::Result<P, String>,
) -> Result<VerifyReport> {
    let disk: Arc<dyn Disk> = Arc::new(Steady(disk));
    let missing = |missing| ArchiveError::NoRecord {
        path: dir.to_path_buf(),
        missing,
    };
    if !disk.is_dir(&dir.join(RAW)) {
        return Err(missing("raw/"));
    }
    let newest = newest_job(&*disk, dir)?.ok_or_else(|| missing("raw/job-0001.toml"))?;
    let mut report = VerifyReport {
        live: is_held(&*disk, dir),
        ..VerifyReport::default()
    };
    // The tables before the raw logs: then the raw logs say at least as much as the tables.
    let stored = files_below(&*disk, dir, &TABLES)?;
    let listed = manifest::read(&*disk, &dir.join(MANIFEST))?;
    let bad = check_manifest(&*disk, dir, &listed, &stored, &mut report)?;
    // What its hash shows to be damaged is not read: whatever it says is nobody's.
    let (unread, stored): (Vec<String>, Vec<String>) =
        stored.into_iter().partition(|path| bad.contains(path));
    report.notes.extend(unread.iter().map(|path| {
        format!("{path}: was not read, for its bytes are not those that were sealed; its rows count as missing")
    }));
    match disk::read(&*disk, &dir.join(JOB)).ok() {
        None => report.fails.push(format!(
            "{JOB}: is not there; it is a copy of {RAW}/{newest}"
        )),
        copy if copy != disk::read(&*disk, &dir.join(RAW).join(&newest)).ok() => report
            .fails
            .push(format!("{JOB}: is not the same as {RAW}/{newest}")),
        Some(_) => {}
    }
    note_removed(&listed, &mut report);
    let stored = by_origin(&*disk, dir, &listed, stored);
    note_older(&listed, &stored, &mut report);
    let mut tables = Laid {
        exact: Comparison::new(disk.clone(), dir, stored.same, report.live, How::Wholly),
        older: Comparison::new(disk.clone(), dir, stored.older, report.live, How::ByArrival),
    };
    // Recorded before there were overviews, and not recorded on since.
    tables.exact.has_no_overview = !listed.entries.iter().any(|entry| is_overview(&entry.path))
        && !tables.exact.tables.keys().any(|table| is_overview(table));
    let derived = kept_jobs(&*disk, dir)
        .map_err(|error| error.to_string())
        .and_then(|jobs| heart(&jobs))
        .and_then(|projection| {
            compare(disk, dir, &listed, projection, tables).map_err(|error| error.to_string())
        });
    match derived {
        Ok(tables) => tables.conclude(&mut report),
        Err(error) => report
            .fails
            .push(format!("the tables cannot be derived again: {error}")),
    }
    Ok(report)
}

fn is_overview(path: &str) -> bool {
    path.starts_with("overview/")
}

fn check_manifest(
    disk: &dyn Disk,
    dir: &Path,
    listed: &manifest::Reading,
    stored: &[String],
    report: &mut VerifyReport,
) -> Result<Vec<String>> {
    let mut bad = Vec::new();
    report.fails.extend(listed.problems.iter().cloned());
    if listed.torn_bytes > 0 && !report.live {
        report.fails.push(
            "the last line of the manifest is torn: the recorder died while it wrote it, or it is damaged; recording on cuts it off and lists its file again".into(),
        );
    }
    let in_force = listed.in_force();
    let mut whole = 0;
    for entry in &in_force {
        match differs(disk, dir, entry)? {
            None => whole += 1,
            Some(_) if entry.path == CUSTOMER && disk.len(&dir.join(CUSTOMER)).is_err() => {
                report.notes.push(customer::left_out(entry));
            }
            Some(why) if report.live && is_newer(disk, dir, entry)? => {
                report.notes.push(format!("{why}: replaced meanwhile"))
            }
            Some(why) => {
                bad.push(entry.path.clone());
                report.fails.push(why + &extent(entry));
            }
        }
    }
    let lines = listed.entries.len();
    report.holds.push(format!(
        "manifest: {lines} lines, {whole} of {} files with the listed SHA-256",
        in_force.len()
    ));
    let is_sealed = |path: &&String| {
        path.ends_with(".log.zst") || path.ends_with(".parquet") && !path.ends_with(OPEN)
    };
    let raw = files_below(disk, dir, &[RAW])?;
    for path in stored
        .iter()
        .chain(&raw)
        .filter(is_sealed)
        // Announced, and not done yet.
        .filter(|path| listed.gone().all(|gone| gone.path != **path))
        .filter(|path| in_force.iter().all(|entry| entry.path != **path))
    {
        if !report.live {
            report.fails.push(format!("{path}: is not in the manifest"));
        }
    }
    Ok(bad)
}

/// How many rows or lines a file has, and their seconds, as its manifest line says.
fn extent(entry: &Entry) -> String {
    match (&entry.rows, &entry.first_time, &entry.last_time) {
        (Some(rows), Some(first), Some(last)) if entry.path.starts_with("raw/") => {
            format!(" ({rows} lines, {first} to {last})")
        }
        (Some(rows), Some(first), Some(last)) => format!(" ({rows} rows, {first} to {last})"),
        _ => String::new(),
    }
}

/// Why a file is not what its line says, if so.
fn differs(disk: &dyn Disk, dir: &Path, entry: &Entry) -> Result<Option<String>> {
    let path = dir.join(&entry.path);
    if disk.len(&path).is_err() {
        return Ok(Some(format!("{}: is not there", entry.path)));
    }
    let (bytes, sha256) = hash_file(disk, &path)?;
    Ok(match (bytes == entry.bytes, sha256 == entry.sha256) {
        (_, true) => None,
        (true, false) => Some(format!(
            "{}: its bytes are not those that were sealed",
            entry.path
        )),
        (false, false) => Some(format!(
            "{}: {bytes} bytes, {} were sealed",
            entry.path, entry.bytes
        )),
    })
}

/// Whether another line has come for the path by now.
fn is_newer(disk: &dyn Disk, dir: &Path, entry: &Entry) -> Result<bool> {
    let again = manifest::read(disk, &dir.join(MANIFEST))?;
    Ok(again
        .in_force()
        .into_iter()
        .find(|other| other.path == entry.path)
        != Some(entry))
}

/// Says what cannot be derived again.
fn note_removed(listed: &manifest::Reading, report: &mut VerifyReport) {
    let removed: Vec<&Entry> = listed.removed().collect();
    let lines: u64 = removed.iter().filter_map(|entry| entry.rows).sum();
    let first = removed.iter().filter_map(|entry| entry.first_time.as_ref());
    let last = removed.iter().filter_map(|entry| entry.last_time.as_ref());
    let when = removed.last().and_then(|entry| entry.removed.as_ref());
    if let (Some(first), Some(last), Some(when)) = (first.min(), last.max(), when) {
        report.notes.push(format!(
            "{} raw logs ({lines} lines, {first} to {last}) were removed because a limit had been set, the last at {when}: rows \
             that come from them cannot be derived again; of them only hashes and chain hold",
            removed.len()
        ));
    }
}

/// Table files by whether the projection that gave them began where this one does.
#[derive(Default)]
struct Origin {
    same: Vec<String>,
    /// By one that had raw logs which are removed by now: samples.
    older: Vec<String>,
    /// The same, events and cycles.
    older_events: Vec<String>,
}

fn by_origin(
    disk: &dyn Disk,
    dir: &Path,
    listed: &manifest::Reading,
    stored: Vec<String>,
) -> Origin {
    let removed = listed.removed().count() as u64;
    let in_force = listed.in_force();
    let mut origin = Origin::default();
    for path in stored {
        let entry = in_force.iter().find(|entry| entry.path == path);
        let without = match entry {
            _ if removed == 0 => removed,
            Some(entry) => entry.without,
            None if path.ends_with(OPEN) => {
                disk::read(disk, &dir.join(&path)).map_or(removed, |bytes| given_without(&bytes))
            }
            None => removed,
        };
        let files = match without == removed {
            true => &mut origin.same,
            false if path.starts_with("samples/") => &mut origin.older,
            false => &mut origin.older_events,
        };
        files.push(path);
    }
    origin
}

fn note_older(listed: &manifest::Reading, stored: &Origin, report: &mut VerifyReport) {
    let in_force = listed.in_force();
    let entry = |path: &String| in_force.iter().find(|entry| entry.path == *path);
    let sealed: Vec<&&Entry> = stored.older_events.iter().filter_map(entry).collect();
    let rows: u64 = sealed.iter().filter_map(|entry| entry.rows).sum();
    if let Some(last) = sealed
        .iter()
        .filter_map(|entry| entry.last_time.as_ref())
        .max()
    {
        report.notes.push(format!(
            "events and cycles until {last} ({rows} rows in {} files) rest on what had been learned from those raw logs too: only \
             their hashes and chain were checked",
            sealed.len()
        ));
    }
    if sealed.len() < stored.older_events.len() {
        report.notes.push(
            "events and cycles that are not sealed (open.parquet) rest on those raw logs too, and were not compared; recording \
             on derives them anew"
                .into(),
        );
    }
}

/// What is derived, laid beside what is stored.
struct Laid {
    exact: Comparison,
    older: Comparison,
}

impl Laid {
    fn conclude(self, report: &mut VerifyReport) {
        let is_resumed = !self.older.until_us.is_empty();
        self.older.conclude(report);
        // A projection that began where this one does would have left files, or there is nothing after the older ones.
        if is_resumed && !self.exact.has_files {
            let fails = self.exact.damages.iter().map(Damage::to_string);
            report.fails.extend(fails);
            report.notes.push(
                "nothing has been projected since the last raw log was removed: rows that are not sealed were compared as far \
                 as they are samples"
                    .into(),
            );
            return;
        }
        self.exact.conclude(report);
    }
}

/// Derives every table again and lays it beside what is stored.
fn compare<P: Project>(
    disk: Arc<dyn Disk>,
    dir: &Path,
    listed: &manifest::Reading,
    mut projection: P,
    laid: Laid,
) -> Result<Laid> {
    let limits = Limits {
        step_bytes: u64::MAX,
        ..Limits::default()
    };
    let streams = Arc::new(Mutex::new(survey(&*disk, dir, listed)?));
    let without = listed.removed().count() as u64;
    let before = listed.in_force().into_iter();
    let mut kept = kept_tables(before.filter(|entry| entry.without < without));
    find_seams(&*disk, dir, &mut kept);
    let until = kept
        .iter()
        .map(|(table, kept)| (table.clone(), kept.until_us()));
    let mut older = TableWriter::new(laid.older, &limits);
    older.outlet.until_us = until.collect();
    let mut tables = TableWriter::new(laid.exact, &limits);
    tables.resume(without, kept, BTreeMap::new());
    let mut reading = Reading::new(disk, dir.to_path_buf(), limits, streams);
    if without == 0 {
        while !reading.step(&mut projection, &mut tables)?.1 {}
    } else {
        let mut both = Both(&mut tables, &mut older);
        while !reading.step(&mut projection, &mut both)?.1 {}
    }
    if listed.has_ended() {
        projection.finish(&mut tables);
    }
    tables.check()?;
    older.cut_all()?;
    let open = tables.open_frames(Some(&projection).filter(|_| !listed.has_ended()));
    let mut comparison = tables.outlet;
    for (path, frame) in open {
        comparison.sealed(path, frame)?;
    }
    comparison.damages = reading.damages;
    Ok(Laid {
        exact: comparison,
        older: older.outlet,
    })
}

/// How rows do not agree.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Disagreement {
    /// The same instant, and another value in this column.
    Differs(String),
    /// Stored, and not derived.
    OnlyStored,
    /// Derived, and not stored.
    OnlyDerived,
}

/// Rows one after the other that do not agree in the same way.
#[derive(Debug)]
struct Stretch {
    how: Disagreement,
    /// Where they are, or would be.
    path: String,
    first_row: usize,
    rows: u64,
    first_us: i64,
    last_us: i64,
}

impl fmt::Display for Stretch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let instant = |us: i64| instant(us).unwrap_or_default();
        let last = self.first_row as u64 + self.rows - 1;
        match (&self.how, self.rows) {
            (Disagreement::OnlyDerived, _) => {
                write!(f, "{}: before row {}", self.path, self.first_row)?
            }
            (_, 1) => write!(f, "{}: row {last}", self.path)?,
            _ => write!(f, "{}: rows {} to {last}", self.path, self.first_row)?,
        }
        match &self.how {
            Disagreement::Differs(column) => {
                write!(f, ", column {column}: not what the raw logs give")?
            }
            Disagreement::OnlyStored => write!(f, ": not given by the raw logs")?,
            Disagreement::OnlyDerived => write!(
                f,
                ": {} rows that the raw logs give are not in the table; recording on, or a replay, makes them",
                self.rows
            )?,
        }
        write!(
            f,
            " ({} rows, {} to {}, {:.1} s)",
            self.rows,
            instant(self.first_us),
            instant(self.last_us),
            (self.last_us - self.first_us) as f64 / 1e6
        )
    }
}

/// Stretches told of a table at most; there can be as many as rows.
const STRETCHES_MAX: usize = 32;

/// What is stored of one board's or unit's table.
#[derive(Default)]
struct Stored {
    files: VecDeque<String>,
    current: Compared,
    current_path: String,
    /// Rows that agree.
    same: u64,
    stretches: Vec<Stretch>,
    /// Stretches beyond those kept, and their rows.
    more: (u64, u64),
    unreadable: Vec<String>,
    /// The first row that is derived has been found among those stored.
    has_begun: bool,
}

impl Stored {
    fn disagree(&mut self, how: Disagreement, first_row: usize, time_us: i64) {
        if let Some(last) = self.stretches.last_mut()
            && last.how == how
            && last.path == self.current_path
            && (how == Disagreement::OnlyDerived && last.first_row == first_row
                || last.first_row as u64 + last.rows == first_row as u64)
        {
            last.rows += 1;
            last.first_us = last.first_us.min(time_us);
            last.last_us = last.last_us.max(time_us);
        } else if self.stretches.len() < STRETCHES_MAX {
            self.stretches.push(Stretch {
                how,
                path: self.current_path.clone(),
                first_row,
                rows: 1,
                first_us: time_us,
                last_us: time_us,
            });
        } else {
            self.more = (self.more.0 + 1, self.more.1 + 1);
        }
    }

    /// Lays the rows of `derived` beside what is stored, as far as both go.
    fn lay_beside(&mut self, derived: &mut Compared) {
        match self.current.compare(derived) {
            Ok(rows) => self.same += rows as u64,
            Err((column, agreed)) => {
                self.same += agreed as u64;
                let ((row, stored_us), (_, derived_us)) = (self.current.at(), derived.at());
                if stored_us <= derived_us {
                    self.current.advance(1);
                }
                if derived_us <= stored_us {
                    derived.advance(1);
                }
                let how = match stored_us.cmp(&derived_us) {
                    Ordering::Less => Disagreement::OnlyStored,
                    Ordering::Equal => Disagreement::Differs(column),
                    Ordering::Greater => Disagreement::OnlyDerived,
                };
                self.disagree(how, row, stored_us.min(derived_us));
            }
        }
    }

    /// Passes over stored rows until the one that `derived` begins with; whether there is one.
    fn begin(&mut self, derived: &Compared, source: &Source<'_>) -> bool {
        if self.has_begun {
            return true;
        }
        loop {
            if let Some(at) = self.current.frame.place_of(&derived.frame) {
                self.current.advance(at);
                self.has_begun = true;
                return true;
            }
            if !self.load_next(source) {
                return false;
            }
        }
    }

    /// Every stored row that is left has nothing beside it.
    fn pass_rest(&mut self, source: &Source<'_>) {
        while self.current.left() > 0 || self.load_next(source) {
            let (row, time_us) = self.current.at();
            self.current.advance(1);
            self.disagree(Disagreement::OnlyStored, row, time_us);
        }
    }
}

/// How rows are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum How {
    /// In all that they are.
    Wholly,
    /// Samples, in what the raw log says itself, from the first that is derived on, as far as they are stored.
    ByArrival,
}

/// Where stored files are read.
struct Source<'a> {
    disk: &'a dyn Disk,
    dir: &'a Path,
    is_live: bool,
    how: How,
}

struct Comparison {
    disk: Arc<dyn Disk>,
    dir: PathBuf,
    is_live: bool,
    how: How,
    /// Whether there is anything to compare with.
    has_files: bool,
    /// The last instant that was sealed, by table, of files that cannot be derived again, µs.
    until_us: BTreeMap<String, i64>,
    tables: BTreeMap<String, Stored>,
    /// There never was one, so none is laid beside.
    has_no_overview: bool,
    /// And yet there would be one today.
    lacks_overview: bool,
    /// What of the raw logs could not be read.
    damages: Vec<Damage>,
}

impl Comparison {
    fn new(disk: Arc<dyn Disk>, dir: &Path, files: Vec<String>, is_live: bool, how: How) -> Self {
        let mut tables: BTreeMap<String, Stored> = BTreeMap::new();
        for path in files.into_iter().filter(|path| path.ends_with(".parquet")) {
            if !(is_live && path.ends_with(OPEN)) {
                tables
                    .entry(table_of(&path))
                    .or_default()
                    .files
                    .push_back(path);
            }
        }
        Self {
            disk,
            dir: dir.to_path_buf(),
            is_live,
            how,
            has_files: !tables.is_empty(),
            until_us: BTreeMap::new(),
            tables,
            has_no_overview: false,
            lacks_overview: false,
            damages: Vec::new(),
        }
    }

    fn conclude(mut self, report: &mut VerifyReport) {
        report
            .fails
            .extend(self.damages.iter().map(Damage::to_string));
        let source = Source {
            disk: &*self.disk,
            dir: &self.dir,
            is_live: self.is_live,
            how: self.how,
        };
        for (table, stored) in &mut self.tables {
            if self.how == How::Wholly || stored.has_begun {
                stored.pass_rest(&source);
            }
            let is_whole = stored.stretches.is_empty() && stored.unreadable.is_empty();
            report.fails.append(&mut stored.unreadable);
            for stretch in &stored.stretches {
                // Tables that are being written are behind the raw logs.
                if !(self.is_live && stretch.how == Disagreement::OnlyDerived) {
                    report.fails.push(stretch.to_string());
                }
            }
            if stored.more.0 > 0 {
                report
                    .fails
                    .push(format!("{table}: {} more rows do not agree", stored.more.1));
            }
            let what = match self.how {
                How::Wholly => "the same as derived from the raw logs",
                How::ByArrival => {
                    "sealed with raw logs that are removed by now: arrivals, counters and readings the same as in those that are kept"
                }
            };
            if is_whole || stored.same > 0 {
                report
                    .holds
                    .push(format!("{table}: {} rows, {what}", stored.same));
            }
        }
        if self.lacks_overview {
            report.notes.push(
                "overview: is not there; the record is older than overviews, and recording on, or a replay, makes them".into(),
            );
        }
        if self.is_live && self.how == How::Wholly {
            report.notes.push(
                "the record is being written: rows that are not sealed yet were not compared"
                    .into(),
            );
        }
    }
}

impl Comparison {
    /// Derived samples beside those that were sealed when there were more raw logs; what comes after them is of another origin.
    fn sealed_older(&mut self, path: &str, frame: Frame) {
        let source = Source {
            disk: &*self.disk,
            dir: &self.dir,
            is_live: self.is_live,
            how: self.how,
        };
        let table = table_of(path);
        let Some(stored) = self.tables.get_mut(&table) else {
            return;
        };
        let first_us = frame
            .time_range()
            .map(|(first, _)| first.saturating_add(SEAM_US));
        let mut derived = Compared::new(frame.by_arrival());
        let has_more = !stored.files.is_empty();
        if !stored.begin(&derived, &source) {
            if has_more && first_us < self.until_us.get(&table).copied() {
                stored.unreadable.push(format!(
                    "{table}: the first sample of the raw logs that are kept is not among those sealed"
                ));
            }
            return;
        }
        while derived.left() > 0 && (stored.current.left() > 0 || stored.load_next(&source)) {
            stored.lay_beside(&mut derived);
        }
    }
}

impl Outlet for Comparison {
    fn sealed(&mut self, path: String, frame: Frame) -> Result<()> {
        if self.has_no_overview && is_overview(&path) {
            self.lacks_overview = true;
            return Ok(());
        }
        if self.how == How::ByArrival {
            self.sealed_older(&path, frame);
            return Ok(());
        }
        let source = Source {
            disk: &*self.disk,
            dir: &self.dir,
            is_live: self.is_live,
            how: self.how,
        };
        let stored = self.tables.entry(table_of(&path)).or_default();
        if stored.current_path.is_empty() {
            // Until a stored file is met, this is where the rows should be.
            stored.current_path = path;
        }
        let mut derived = Compared::new(frame);
        while derived.left() > 0 {
            if stored.current.left() > 0 || stored.load_next(&source) {
                stored.lay_beside(&mut derived);
                continue;
            }
            let (_, time_us) = derived.at();
            let row = stored.current.frame.rows;
            derived.advance(1);
            stored.disagree(Disagreement::OnlyDerived, row, time_us);
        }
        Ok(())
    }

    fn grown(&mut self, _: &[String], _: &Frame) -> Result<()> {
        Ok(())
    }
}

impl Stored {
    /// Takes the next stored file with rows; false if there is none.
    fn load_next(&mut self, source: &Source<'_>) -> bool {
        let &Source {
            disk,
            dir,
            is_live,
            how,
        } = source;
        while let Some(path) = self.files.pop_front() {
            let whole = dir.join(&path);
            let frame = disk::read(disk, &whole).and_then(|bytes| decode(&whole, bytes));
            self.current_path = path;
            match frame {
                Ok(frame) if frame.rows == 0 => {}
                Ok(frame) => {
                    self.current = Compared::new(match how {
                        How::Wholly => frame,
                        How::ByArrival => frame.by_arrival(),
                    });
                    return true;
                }
                Err(_) if is_live && disk.len(&whole).is_err() => {}
                Err(error) => self.unreadable.push(format!("cannot be read: {error}")),
            }
        }
        false
    }
}
