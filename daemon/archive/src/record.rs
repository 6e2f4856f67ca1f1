//! The record directory: who may write into it, what lies in it, and the job files that were in force.
//!
//! # Layout
//!
//! ```text
//! DIR/.lock               held (flock) by the recorder, with its process id
//! DIR/job.toml            the job file in force
//! DIR/customer.toml       see `customer`; may be left out
//! DIR/raw/                raw logs (see `raw`), and job-0001.toml, job-0002.toml, ...: every job file that was in force
//! DIR/samples/ events/ cycles/ overview/    tables (see `tables`)
//! DIR/manifest.jsonl      see `manifest`
//! ```
//!
//! # Recovery
//!
//! Opening a record clears temporary files, cuts a torn last line off the manifest, lists what was put in place but not
//! listed, removes the plain twin of a segment that was sealed, and ends a removal that the manifest announces. The tables are not looked at: a [`crate::Projector`]
//! makes them again from the start and writes only what is not there.
//!
//! A job file holds from the note in the raw log that names it (see `jobs`), so what was sealed under the one before stays.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use nightclamp_analysis::projection::Projection;

use crate::customer;
use crate::disk::{self, Disk, Lock, RealDisk, Steady, TEMPORARY};
use crate::error::{ArchiveError, At, Result};
use crate::jobs::{KeptJob, heart_of, job_name, job_number, kept_jobs, newest_job};
use crate::limits::Limits;
use crate::manifest::{Entry, MANIFEST, Manifest, Reading, sha256};
use crate::notice::{Notice, Notices, Topic, Weight};
use crate::raw::{HostClock, segment_path};
use crate::sealing::Sealing;
use crate::segments::{self, RAW, Segment, State, Stream, Tail, stream_index, stream_of_name};
use crate::space::SpaceWatch;
use crate::tables::files_below;
use crate::worker::{SharedManifest, hash_file, lock};

/// The lock's file.
const LOCK: &str = ".lock";
/// The job file in force.
pub(crate) const JOB: &str = "job.toml";
/// The directories of the tables.
pub(crate) const TABLES: [&str; 4] = ["samples", "events", "cycles", "overview"];

/// A record directory that this process records into; the lock is held until it is dropped.
pub struct RecordDir {
    path: PathBuf,
    pub(crate) disk: Arc<dyn Disk>,
    pub(crate) limits: Limits,
    pub(crate) manifest: SharedManifest,
    pub(crate) streams: Arc<Mutex<Vec<Stream>>>,
    pub(crate) notices: Notices,
    pub(crate) sealing: Sealing,
    space: Mutex<SpaceWatch>,
    began: Mutex<Option<HostClock>>,
    job_file: String,
    job_sha256: String,
    is_resumed: bool,
    _lock: Box<dyn Send + Sync>,
}

impl RecordDir {
    /// Makes a record with this job file, or opens the one that is there, whose job file stays in force
    /// (see [`Self::accept_job`]).
    ///
    /// # Errors
    /// [`ArchiveError::Locked`] if another process records into it; or it cannot be made, read or written.
    pub fn create_or_open(path: &Path, job_text: &str) -> Result<Self> {
        Self::open_with(Arc::new(RealDisk), Limits::default(), path, job_text)
    }

    /// As [`Self::create_or_open`], with another file system and other bounds.
    ///
    /// # Errors
    /// As [`Self::create_or_open`].
    pub fn open_with(
        disk: Arc<dyn Disk>,
        limits: Limits,
        path: &Path,
        job_text: &str,
    ) -> Result<Self> {
        let disk: Arc<dyn Disk> = Arc::new(Steady(disk));
        let raw = path.join(RAW);
        let is_new = !disk.is_dir(&raw);
        disk.make_dirs(&raw).at(&raw, "create")?;
        let held = hold(&*disk, path)?;
        disk.sync_dir(path).at(path, "sync")?;
        if is_new {
            sync_above(&*disk, path)?;
        }
        clear_temporaries(&*disk, path)?;
        let (mut manifest, listed) = Manifest::open(disk.clone(), path)?;
        customer::settle(&*disk, path, &mut manifest)?;
        let manifest = Arc::new(Mutex::new(manifest));
        settle_twins(&*disk, path, &listed)?;
        end_removals(&*disk, path, &listed)?;
        make_durable(&*disk, path, &listed)?;
        let streams = survey(&*disk, path, &listed)?;
        let mut record = Self {
            path: path.to_path_buf(),
            disk,
            limits,
            manifest,
            notices: Notices::default(),
            sealing: Sealing::default(),
            space: Mutex::default(),
            began: Mutex::new(None),
            job_file: String::new(),
            job_sha256: String::new(),
            is_resumed: !streams.is_empty(),
            streams: Arc::new(Mutex::new(streams)),
            _lock: held,
        };
        record.tell_of_manifest(&listed);
        record.find_began()?;
        if listed.has_ended() && listed.removed().next().is_none() {
            // Its tables are those of a record that goes no further.
            record.check_raw(&listed)?;
            record.withdraw_tables()?;
        }
        if !record.find_job()? {
            record.accept_job(job_text)?;
        }
        Ok(record)
    }

    /// Where it lies.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The job file in force: a name in `raw/`.
    pub fn job_file(&self) -> &str {
        &self.job_file
    }

    /// Its SHA-256, 64 hexadecimal digits.
    pub fn job_sha256(&self) -> &str {
        &self.job_sha256
    }

    /// What there is to tell since the last call, oldest first. The shell prints it and shows it.
    pub fn take_notices(&self) -> Vec<Notice> {
        self.notices.take()
    }

    /// What has been told and still holds: the newest of each thing, until all is well with it.
    pub fn standing_notices(&self) -> Vec<Notice> {
        self.notices.standing()
    }

    /// Looks at the free space, once a minute or so; `boot_us` is of a clock that is never set. What there is to tell of it is
    /// among the notices. The free space, bytes.
    ///
    /// # Errors
    /// The file system does not say.
    pub fn watch_space(&self, boot_us: i64) -> Result<u64> {
        let free_bytes = self.disk.free_bytes(&self.path).at(&self.path, "look at")?;
        lock(&self.space).look(boot_us, free_bytes, &self.notices);
        Ok(free_bytes)
    }

    /// Every job file that was in force, oldest first.
    ///
    /// # Errors
    /// One cannot be read.
    pub fn kept_jobs(&self) -> Result<Vec<KeptJob>> {
        kept_jobs(&*self.disk, &self.path)
    }

    /// The heart under the record's job files, each from its note on.
    ///
    /// # Errors
    /// One of them cannot be read or used.
    pub fn heart(&self) -> Result<Projection> {
        heart_of(&self.kept_jobs()?).map_err(|why| ArchiveError::BadJob {
            path: self.path.join(RAW),
            why,
        })
    }

    /// Whether raw logs have been removed because a limit had been set.
    pub fn is_shortened(&self) -> bool {
        lock(&self.manifest).removed() > 0
    }

    /// Whether there were raw logs already when it was opened.
    pub const fn is_resumed(&self) -> bool {
        self.is_resumed
    }

    /// Puts a job file into force; false if it is the one that is. It is kept in `raw/` and holds from the note `job
    /// file=... sha256=...` on that the recorder writes into each raw log; a [`crate::Projector`] made before knows nothing of it.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn accept_job(&mut self, job_text: &str) -> Result<bool> {
        let hash = sha256(job_text.as_bytes());
        if hash == self.job_sha256 {
            return Ok(false);
        }
        let name = job_name(job_number(&self.job_file).unwrap_or(0) + 1);
        let path = format!("{RAW}/{name}");
        disk::publish(&*self.disk, &self.path.join(&path), job_text.as_bytes())?;
        self.list_job(path, job_text.as_bytes())?;
        disk::publish(&*self.disk, &self.path.join(JOB), job_text.as_bytes())?;
        (self.job_file, self.job_sha256) = (name, hash);
        Ok(true)
    }

    /// The newest job file in `raw/`, if there is one. A change that was interrupted is completed.
    fn find_job(&mut self) -> Result<bool> {
        let Some(name) = newest_job(&*self.disk, &self.path)? else {
            return Ok(false);
        };
        let path = format!("{RAW}/{name}");
        let bytes = disk::read(&*self.disk, &self.path.join(&path))?;
        (self.job_file, self.job_sha256) = (name, sha256(&bytes));
        if lock(&self.manifest).entry(&path).is_none() {
            self.list_job(path, &bytes)?;
        }
        let in_force = self.path.join(JOB);
        let is_complete =
            self.disk.len(&in_force).is_ok() && disk::read(&*self.disk, &in_force)? == bytes;
        if !is_complete {
            disk::publish(&*self.disk, &in_force, &bytes)?;
        }
        Ok(true)
    }

    fn list_job(&self, path: String, bytes: &[u8]) -> Result<()> {
        let entry = Entry {
            path,
            bytes: bytes.len() as u64,
            sha256: sha256(bytes),
            ..Entry::default()
        };
        lock(&self.manifest).add(entry)
    }

    fn withdraw_tables(&self) -> Result<()> {
        let is_table = |path: &String| {
            TABLES
                .iter()
                .any(|table| path.starts_with(&format!("{table}/")))
        };
        let mut manifest = lock(&self.manifest);
        for path in manifest.paths().into_iter().filter(is_table) {
            manifest.add(Entry {
                path,
                withdrawn: true,
                ..Entry::default()
            })?;
        }
        drop(manifest);
        for path in files_below(&*self.disk, &self.path, &TABLES)? {
            if path.ends_with(".parquet") {
                disk::remove_if_there(&*self.disk, &self.path.join(path))?;
            }
        }
        Ok(())
    }

    /// The clocks as they stood when the record began: as the first segment says, else `now`.
    pub(crate) fn began(&self, now: &HostClock) -> HostClock {
        lock(&self.began).get_or_insert_with(|| now.clone()).clone()
    }

    /// Every listed raw log is as it was sealed.
    fn check_raw(&self, listed: &Reading) -> Result<()> {
        for entry in listed.in_force() {
            let path = self.path.join(&entry.path);
            let is_sound = || {
                self.disk.len(&path).is_ok()
                    && hash_file(&*self.disk, &path).is_ok_and(|(_, sha256)| sha256 == entry.sha256)
            };
            if entry.path.starts_with("raw/") && !is_sound() {
                return Err(ArchiveError::DamagedRecord { path });
            }
        }
        Ok(())
    }

    fn tell_of_manifest(&self, listed: &Reading) {
        let tell = |text: String| {
            self.notices
                .tell(Topic::Damage, MANIFEST, Weight::Warning, text);
        };
        for problem in &listed.problems {
            tell(format!("{problem}; what it listed is looked at again"));
        }
        if listed.entries.is_empty() && self.is_resumed {
            tell("manifest.jsonl: is not there, or says nothing, although there are raw logs; it is made again".to_owned());
        }
    }

    /// Raw logs that the manifest lists and that are not there, or empty.
    pub(crate) fn gone(&self) -> Vec<String> {
        let manifest = lock(&self.manifest);
        let is_gone = |entry: &&Entry| {
            let len = self.disk.len(&self.path.join(&entry.path));
            entry.path.starts_with("raw/") && entry.bytes > 0 && !len.is_ok_and(|len| len > 0)
        };
        let mut gone: Vec<String> = manifest
            .entries()
            .filter(is_gone)
            .map(|entry| entry.path.clone())
            .collect();
        gone.sort();
        gone
    }

    fn find_began(&self) -> Result<()> {
        let streams = lock(&self.streams).clone();
        let mut found: Option<HostClock> = None;
        for segment in streams.iter().filter_map(|stream| stream.segments.first()) {
            let head = segments::head(&*self.disk, &self.path.join(&segment.path))?;
            // Every segment says the same; should one not, the earliest is the beginning.
            found = [found, head.began]
                .into_iter()
                .flatten()
                .min_by_key(|clock| clock.wall_us);
        }
        *lock(&self.began) = found;
        Ok(())
    }

    /// The number that the stream's next segment has: one that no segment ever had, also if it is gone.
    pub(crate) fn next_number(&self, stream: &str) -> Result<u32> {
        let raw = self.path.join(RAW);
        let found = self.disk.list(&raw).at(&raw, "list")?;
        let number = |name: &str| {
            let digits = name
                .strip_prefix(stream)?
                .strip_prefix('-')?
                .split('.')
                .next()?;
            digits.parse::<u32>().ok()
        };
        let there = found.iter().filter_map(|found| number(&found.name));
        let manifest = lock(&self.manifest);
        let names = manifest.ever();
        let names = names.filter_map(|path| number(path.strip_prefix("raw/")?));
        Ok(there.chain(names).max().unwrap_or(0) + 1)
    }
}

/// Makes the names of the record's directory and of those above it durable; they may have been made with it.
fn sync_above(disk: &dyn Disk, path: &Path) -> Result<()> {
    let mut above = path.parent();
    while let Some(directory) = above {
        let here = Path::new(".");
        let directory_or_here = if directory.as_os_str().is_empty() {
            here
        } else {
            directory
        };
        if let Err(error) = disk.sync_dir(directory_or_here) {
            // One that may not be read was there before us.
            if error.kind() != std::io::ErrorKind::PermissionDenied {
                return Err(error).at(directory_or_here, "sync");
            }
        }
        above = directory.parent();
    }
    Ok(())
}

/// Takes the record's lock.
pub(crate) fn hold(disk: &dyn Disk, path: &Path) -> Result<Box<dyn Send + Sync>> {
    let lock = path.join(LOCK);
    match disk
        .lock(&lock, &std::process::id().to_string())
        .at(&lock, "lock")?
    {
        Lock::Held(held) => Ok(held),
        Lock::Taken(holder) => Err(ArchiveError::Locked {
            path: path.to_path_buf(),
            holder: match holder.trim() {
                "" => "unknown".to_owned(),
                pid => pid.to_owned(),
            },
        }),
    }
}

/// Whether a process records into the directory now.
pub(crate) fn is_held(disk: &dyn Disk, path: &Path) -> bool {
    disk.is_locked(&path.join(LOCK))
}

fn clear_temporaries(disk: &dyn Disk, root: &Path) -> Result<()> {
    let top = disk
        .list(root)
        .at(root, "list")?
        .into_iter()
        .filter(|found| !found.is_dir)
        .map(|found| found.name);
    let [samples, events, cycles, overview] = TABLES;
    let directories = [RAW, samples, events, cycles, overview];
    for path in top.chain(files_below(disk, root, &directories)?) {
        if path
            .rsplit('/')
            .next()
            .is_some_and(|name| name.starts_with(TEMPORARY))
        {
            disk::remove_if_there(disk, &root.join(path))?;
        }
    }
    Ok(())
}

/// What a recorder that was killed had written but not synced is about to be read, so it must not go with a later cut.
fn make_durable(disk: &dyn Disk, root: &Path, listed: &Reading) -> Result<()> {
    let raw = root.join(RAW);
    for found in disk.list(&raw).at(&raw, "list")? {
        let path = format!("{RAW}/{}", found.name);
        let is_listed = listed.in_force().iter().any(|entry| entry.path == path);
        if path.ends_with(".log") && !found.name.starts_with(TEMPORARY) && !is_listed {
            let path = root.join(path);
            let mut file = disk.append(&path).at(&path, "open")?;
            file.sync().at(&path, "sync")?;
        }
    }
    disk.sync_dir(&raw).at(&raw, "sync")
}

/// Of a segment that is there plain and compressed, keeps the compressed one if it is listed, else the plain one.
fn settle_twins(disk: &dyn Disk, root: &Path, listed: &Reading) -> Result<()> {
    let files = files_below(disk, root, &[RAW])?;
    for sealed in files.iter().filter(|path| path.ends_with(".log.zst")) {
        let Some(plain) = sealed
            .strip_suffix(".zst")
            .filter(|plain| files.iter().any(|path| path == plain))
        else {
            continue;
        };
        let is_listed = listed.in_force().iter().any(|entry| entry.path == *sealed);
        disk::remove_if_there(disk, &root.join(if is_listed { plain } else { sealed }))?;
    }
    Ok(())
}

/// Raw logs whose removal the manifest announces are removed, should the power have gone in between.
fn end_removals(disk: &dyn Disk, root: &Path, listed: &Reading) -> Result<()> {
    if !listed.problems.is_empty() {
        // A line that says so may not be ours.
        return Ok(());
    }
    let raw = root.join(RAW);
    let mut has_removed = false;
    for entry in listed.gone().filter(|entry| entry.removed.is_some()) {
        has_removed |= disk::remove_if_there(disk, &root.join(&entry.path))?;
    }
    match has_removed {
        true => disk.sync_dir(&raw).at(&raw, "sync"),
        false => Ok(()),
    }
}

/// Where a stream's first segments were removed, it begins with the next.
fn resume_streams(listed: &Reading, streams: &mut [Stream]) {
    for removed in listed.removed() {
        let name = stream_of_name(Path::new(&removed.path));
        let mut streams = streams.iter_mut();
        if let Some(stream) = streams.find(|stream| Some(&stream.name) == name.as_ref()) {
            stream.resumes_at = Some(removed.stepped_us);
        }
    }
}

/// The streams of a record and their files, in the order in which they are read.
pub(crate) fn survey(disk: &dyn Disk, root: &Path, listed: &Reading) -> Result<Vec<Stream>> {
    let files = files_below(disk, root, &[RAW])?;
    let is_log = |path: &str| {
        job_number(path.strip_prefix("raw/").unwrap_or(path)).is_none() && !path.contains(TEMPORARY)
    };
    let mut streams = Vec::new();
    let mut last = None;
    // What is removed is not read, also while it is still there.
    let gone = listed.gone().filter(|entry| entry.removed.is_some());
    let mut known: Vec<&str> = gone.map(|entry| entry.path.as_str()).collect();
    for entry in listed
        .in_force()
        .into_iter()
        .filter(|entry| entry.path.starts_with("raw/") && is_log(&entry.path))
    {
        known.push(&entry.path);
        if files.contains(&entry.path) {
            let segment = Segment {
                path: entry.path.clone(),
                state: State::Listed,
                began_us: entry.began_us,
            };
            enlist(disk, root, &mut streams, &mut last, segment)?;
        } else {
            tracing::error!(
                "{}: is listed in the manifest but not there",
                root.join(&entry.path).display()
            );
        }
    }
    let counting = counting_bytes(disk, root, &files)?;
    for path in files
        .iter()
        .filter(|path| is_log(path) && !known.contains(&path.as_str()))
        .filter(|path| counting.get(*path) != Some(&0))
    {
        // The twin of a segment that is just being sealed.
        if known.contains(&format!("{path}.zst").as_str())
            || files.contains(&path.trim_end_matches(".zst").to_owned()) && path.ends_with(".zst")
        {
            continue;
        }
        let state = match path.ends_with(".log") {
            true => {
                let len = disk.len(&root.join(path)).at(&root.join(path), "look at")?;
                let counts = counting.get(path).copied().unwrap_or(u64::MAX);
                State::Plain(Tail::ended_at(len.min(counts)))
            }
            false => State::Unlisted,
        };
        enlist(
            disk,
            root,
            &mut streams,
            &mut last,
            Segment {
                path: path.clone(),
                state,
                began_us: None,
            },
        )?;
    }
    resume_streams(listed, &mut streams);
    Ok(streams)
}

/// How many bytes of plain segments count, where a later segment says so: the disk had failed under them.
fn counting_bytes(disk: &dyn Disk, root: &Path, files: &[String]) -> Result<HashMap<String, u64>> {
    let mut counting = HashMap::new();
    for path in files.iter().filter(|path| path.ends_with(".log")) {
        let head = segments::head(disk, &root.join(path))?;
        if let Some(stream) = head.stream {
            let count = |(number, bytes)| (segment_path(&stream, number), bytes);
            counting.extend(head.left.into_iter().map(count));
        }
    }
    Ok(counting)
}

/// Adds a file to the stream it belongs to; an empty one belongs to none. One that names no stream goes on with the file
/// before it, whose stream is `last`.
pub(crate) fn enlist(
    disk: &dyn Disk,
    root: &Path,
    streams: &mut Vec<Stream>,
    last: &mut Option<usize>,
    segment: Segment,
) -> Result<()> {
    let head = segments::head(disk, &root.join(&segment.path))?;
    if !head.is_empty {
        let index = match (&head.stream, *last) {
            (Some(name), _) => stream_index(streams, name),
            (None, Some(last)) => last,
            (None, None) => stream_index(streams, ""),
        };
        *last = Some(index);
        if let Some(stream) = streams.get_mut(index) {
            stream.segments.push(segment);
        }
    }
    Ok(())
}
