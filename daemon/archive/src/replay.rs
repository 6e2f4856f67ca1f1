//! Replay: recorded raw logs, or a whole record, projected into a new record directory.
//!
//! The raw logs are linked into `raw/` as they are, or copied where a link is not possible or the file is still being
//! written; of two with the same name the later gets a number before it. When the new record is complete, its last raw log
//! is listed once more in the manifest, with `end`.

use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use crate::disk::{self, Disk, RealDisk, TEMPORARY};
use crate::error::{ArchiveError, At, Result};
use crate::jobs::job_number;
use crate::limits::Limits;
use crate::manifest::{self, MANIFEST};
use crate::notice::{Notice, Topic, Weight};
use crate::project::Project;
use crate::projector::{Nothing, Projector};
use crate::reading::Totals;
use crate::record::{RecordDir, enlist, is_held, survey};
use crate::segments::{self, RAW, Segment, State, Stream};
use crate::worker::lock;

/// What a replay has done.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReplayReport {
    /// Lines, samples and bytes.
    pub totals: Totals,
    /// How long it took, s.
    pub seconds: f64,
    /// Processor time that went into the SHA-256 of the raw logs, s; it is worked out beside everything else.
    pub hash_seconds: f64,
    /// What of the raw logs could not be read.
    pub notices: Vec<Notice>,
    /// What people should know of the boards that spoke before they trust the rows.
    pub problems: Vec<String>,
}

/// Projects recorded raw logs, in the order given, into the directory `out`. A directory in `raw` stands for the record in
/// it. `began_us` is when a bare board dump began, µs since the Unix epoch.
///
/// # Errors
/// [`ArchiveError::NotEmpty`], [`ArchiveError::BeganMissing`], [`ArchiveError::BadName`]; or something cannot be read or
/// written.
pub fn replay<P: Project>(
    raw: &[PathBuf],
    job_text: &str,
    projection: P,
    out: &Path,
    began_us: Option<i64>,
) -> Result<ReplayReport> {
    replay_with(
        Arc::new(RealDisk),
        Limits::default(),
        raw,
        job_text,
        projection,
        out,
        began_us,
    )
}

/// As [`replay`], with another file system and other bounds.
///
/// # Errors
/// As [`replay`].
pub fn replay_with<P: Project>(
    disk: Arc<dyn Disk>,
    limits: Limits,
    raw: &[PathBuf],
    job_text: &str,
    projection: P,
    out: &Path,
    began_us: Option<i64>,
) -> Result<ReplayReport> {
    let started = Instant::now();
    if !disk.list(out).at(out, "list")?.is_empty() {
        return Err(ArchiveError::NotEmpty {
            path: out.to_path_buf(),
        });
    }
    let mut given = Vec::new();
    for path in raw {
        given.extend(expand(&*disk, path, began_us)?);
    }
    let record = RecordDir::open_with(disk.clone(), limits, out, job_text)?;
    for path in raw.iter().filter(|path| disk.is_dir(path)) {
        tell_of_removed(&*disk, path, &record)?;
    }
    let mut streams: Vec<Stream> = Vec::new();
    let mut last = None;
    for log in given {
        let path = take_in(&*disk, out, &log)?;
        let segment = Segment {
            path,
            state: State::Unlisted,
            began_us: log.began_us,
        };
        enlist(&*disk, out, &mut streams, &mut last, segment)?;
    }
    let raw_directory = out.join(RAW);
    disk.sync_dir(&raw_directory).at(&raw_directory, "sync")?;
    *lock(&record.streams) = streams;
    let projector = Projector::new(&record, projection)?;
    let hashing = projector.hashing();
    let (totals, problems) = projector.finish(&mut Nothing)?;
    Ok(ReplayReport {
        totals,
        seconds: started.elapsed().as_secs_f64(),
        hash_seconds: hashing.seconds(),
        notices: record.take_notices(),
        problems,
    })
}

/// A raw log to take in.
struct Log {
    path: PathBuf,
    began_us: Option<i64>,
    may_link: bool,
    /// So many bytes of it count.
    len: u64,
}

/// A file is itself; a record directory is its raw logs.
fn expand(disk: &dyn Disk, path: &Path, began_us: Option<i64>) -> Result<Vec<Log>> {
    if !disk.is_dir(path) {
        return Ok(vec![Log {
            path: path.to_path_buf(),
            began_us: began(disk, path, began_us)?,
            may_link: true,
            len: u64::MAX,
        }]);
    }
    if !disk.is_dir(&path.join(RAW)) {
        return Err(ArchiveError::NoRecord {
            path: path.to_path_buf(),
            missing: RAW,
        });
    }
    let is_live = is_held(disk, path);
    let listed = manifest::read(disk, &path.join(MANIFEST))?;
    let segments = survey(disk, path, &listed)?
        .into_iter()
        .flat_map(|stream| stream.segments);
    segments
        .map(|segment| {
            let whole = path.join(&segment.path);
            let (may_link, len) = match &segment.state {
                State::Plain(tail) => {
                    let is_whole = disk.len(&whole).is_ok_and(|len| len == tail.synced());
                    (!is_live && is_whole, tail.synced())
                }
                _ => (true, u64::MAX),
            };
            let began_us = match segment.began_us {
                Some(began_us) => Some(began_us),
                None => began(disk, &whole, began_us)?,
            };
            Ok(Log {
                path: whole,
                began_us,
                may_link,
                len,
            })
        })
        .collect()
}

/// Says what of a record is not there to be replayed.
fn tell_of_removed(disk: &dyn Disk, path: &Path, record: &RecordDir) -> Result<()> {
    let listed = manifest::read(disk, &path.join(MANIFEST))?;
    let count = listed.removed().count();
    if let Some(last) = listed
        .removed()
        .filter_map(|entry| entry.last_time.as_ref())
        .max()
    {
        let name = path.display();
        let text = format!(
            "{name}: {count} raw logs, up to {last}, were removed because a limit had been set: what is made here begins after \
             them, and the rows of before are only in {name}"
        );
        let about = name.to_string();
        record
            .notices
            .tell(Topic::Retention, &about, Weight::Warning, text);
    }
    Ok(())
}

/// When a file began, if it is a bare dump.
fn began(disk: &dyn Disk, path: &Path, began_us: Option<i64>) -> Result<Option<i64>> {
    match (segments::head(disk, path)?.is_bare, began_us) {
        (false, _) => Ok(None),
        (true, Some(began_us)) => Ok(Some(began_us)),
        (true, None) => Err(ArchiveError::BeganMissing {
            path: path.to_path_buf(),
        }),
    }
}

/// Links or copies a log into the record; its path there.
fn take_in(disk: &dyn Disk, out: &Path, log: &Log) -> Result<String> {
    let bad = |why| ArchiveError::BadName {
        path: log.path.clone(),
        why,
    };
    let name = log
        .path
        .file_name()
        .and_then(|name| name.to_str())
        .ok_or_else(|| bad("its name is not UTF-8"))?;
    let is_ours = job_number(name).is_some() || name.starts_with(TEMPORARY);
    let mut number = if is_ours { 2 } else { 1 };
    loop {
        let path = if number == 1 {
            format!("{RAW}/{name}")
        } else {
            format!("{RAW}/{number}-{name}")
        };
        let whole = out.join(&path);
        if disk.len(&whole).is_err() {
            link_or_copy(disk, log, &whole)?;
            return Ok(path);
        }
        number += 1;
    }
}

fn link_or_copy(disk: &dyn Disk, log: &Log, to: &Path) -> Result<()> {
    if log.may_link && disk.link(&log.path, to).is_ok() {
        return Ok(());
    }
    let mut from = disk.open(&log.path).at(&log.path, "open")?.take(log.len);
    let unfinished = disk::temporary(to);
    let mut file = disk::begin_temporary(disk, &unfinished)?;
    std::io::copy(&mut from, &mut file).at(&unfinished, "write")?;
    file.sync().at(&unfinished, "sync")?;
    disk::put_in_place(disk, &unfinished, to)
}
