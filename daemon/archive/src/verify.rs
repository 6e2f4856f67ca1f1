//! Verify: whether a record is whole, and its tables what its raw logs say.
//!
//! Hashes and chain are checked, then every table is derived again from the raw logs and compared row by row with what
//! lies there. How the files are cut does not matter, only their rows, in order. One table file is in memory at a time.
//!
//! A record may be written meanwhile. Tables are then behind the raw logs, and the rows in `open.parquet` may have been
//! revised since: sealed rows are compared, open ones are not, and the report says so.

use std::cmp::Ordering;
use std::collections::{BTreeMap, VecDeque};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use crate::disk::{self, Disk, RealDisk, Steady};
use crate::error::{ArchiveError, Result};
use crate::frame::{Compared, Frame};
use crate::jobs::{KeptJob, kept_jobs, newest_job};
use crate::limits::Limits;
use crate::manifest::{self, Entry, MANIFEST, instant};
use crate::parquet_file::decode;
use crate::project::Project;
use crate::reading::{Damage, Reading};
use crate::record::{JOB, TABLES, is_held, survey};
use crate::segments::RAW;
use crate::tables::{Outlet, TableWriter, files_below, table_of};
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
    let stored = stored
        .into_iter()
        .filter(|path| !bad.contains(path))
        .collect();
    let copy = disk::read(&*disk, &dir.join(JOB)).ok();
    if copy != disk::read(&*disk, &dir.join(RAW).join(&newest)).ok() {
        report
            .fails
            .push(format!("{JOB}: is not the same as {RAW}/{newest}"));
    }
    let tables = Comparison::new(disk.clone(), dir, stored, report.live);
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

/// Derives every table again and lays it beside what is stored.
fn compare<P: Project>(
    disk: Arc<dyn Disk>,
    dir: &Path,
    listed: &manifest::Reading,
    mut projection: P,
    tables: Comparison,
) -> Result<Comparison> {
    let limits = Limits {
        step_bytes: u64::MAX,
        ..Limits::default()
    };
    let streams = Arc::new(Mutex::new(survey(&*disk, dir, listed)?));
    let mut tables = TableWriter::new(tables, &limits);
    let mut reading = Reading::new(disk, dir.to_path_buf(), limits, streams);
    while !reading.step(&mut projection, &mut tables)?.1 {}
    if listed.has_ended() {
        projection.finish(&mut tables);
    }
    tables.check()?;
    let open = tables.open_frames(|each| {
        if !listed.has_ended() {
            projection.open_rows(each)
        }
    });
    let mut comparison = tables.outlet;
    for (path, frame) in open {
        comparison.sealed(path, frame)?;
    }
    comparison.damages = reading.damages;
    Ok(comparison)
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

    /// Every stored row that is left has nothing beside it.
    fn pass_rest(&mut self, disk: &dyn Disk, dir: &Path, is_live: bool) {
        while self.current.left() > 0 || self.load_next(disk, dir, is_live) {
            let (row, time_us) = self.current.at();
            self.current.advance(1);
            self.disagree(Disagreement::OnlyStored, row, time_us);
        }
    }
}

struct Comparison {
    disk: Arc<dyn Disk>,
    dir: PathBuf,
    is_live: bool,
    tables: BTreeMap<String, Stored>,
    /// What of the raw logs could not be read.
    damages: Vec<Damage>,
}

impl Comparison {
    fn new(disk: Arc<dyn Disk>, dir: &Path, files: Vec<String>, is_live: bool) -> Self {
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
            tables,
            damages: Vec::new(),
        }
    }

    fn conclude(mut self, report: &mut VerifyReport) {
        report
            .fails
            .extend(self.damages.iter().map(Damage::to_string));
        for (table, stored) in &mut self.tables {
            stored.pass_rest(&*self.disk, &self.dir, self.is_live);
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
            if is_whole || stored.same > 0 {
                report.holds.push(format!(
                    "{table}: {} rows, the same as derived from the raw logs",
                    stored.same
                ));
            }
        }
        if self.is_live {
            report.notes.push(
                "the record is being written: rows that are not sealed yet were not compared"
                    .into(),
            );
        }
    }
}

impl Outlet for Comparison {
    fn sealed(&mut self, path: String, frame: Frame) -> Result<()> {
        let stored = self.tables.entry(table_of(&path)).or_default();
        let mut derived = Compared::new(frame);
        while derived.left() > 0 {
            if stored.current.left() > 0 || stored.load_next(&*self.disk, &self.dir, self.is_live) {
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
    fn load_next(&mut self, disk: &dyn Disk, dir: &Path, is_live: bool) -> bool {
        while let Some(path) = self.files.pop_front() {
            let whole = dir.join(&path);
            let frame = disk::read(disk, &whole).and_then(|bytes| decode(&whole, bytes));
            self.current_path = path;
            match frame {
                Ok(frame) if frame.rows == 0 => {}
                Ok(frame) => {
                    self.current = Compared::new(frame);
                    return true;
                }
                Err(_) if is_live && disk.len(&whole).is_err() => {}
                Err(error) => self.unreadable.push(format!("cannot be read: {error}")),
            }
        }
        false
    }
}
