//! The projector: synced raw logs in, sealed tables out.
//!
//! Live, after a crash and in a replay it does the same: it feeds the projection from the beginning of the record, and the
//! rows that become final are cut into files. A file that is there already with the same bytes is left alone, so catching
//! up after a restart costs reading, not writing. After an error a projector is spent; make another. The raw logs are
//! written elsewhere and do not wait for it.

use std::collections::{BTreeMap, HashSet};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use nightclamp_analysis::rows::{Both, CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};

use crate::disk::Disk;
use crate::error::Result;
use crate::manifest::{Entry, instant};
use crate::notice::{Notices, Topic, Weight};
use crate::project::Project;
use crate::reading::{Done, Reading, Totals};
use crate::record::{RecordDir, TABLES};
use crate::retention::{Retention, Retiring, over_by, wanted};
use crate::seam::{find_seams, kept_tables, read};
use crate::segments::{State, Stream};
use crate::space::size;
use crate::tables::{TableWriter, files_below};
use crate::worker::{HashingTime, OPEN, Order, SharedManifest, Worker, lock};

/// What a step has done.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Progress {
    /// Raw bytes projected.
    pub bytes: u64,
    /// Whether everything synced is projected.
    pub caught_up: bool,
}

/// Projects the synced raw logs of a record to tables.
pub struct Projector<P> {
    projection: P,
    reading: Reading,
    tables: TableWriter<Worker>,
    is_caught_up: bool,
    manifest: SharedManifest,
    notices: Notices,
    /// Damages told.
    told: usize,
    disk: Arc<dyn Disk>,
    root: PathBuf,
    streams: Arc<Mutex<Vec<Stream>>>,
    /// How many raw logs had been removed when it began.
    without: u64,
}

impl<P: Project> Projector<P> {
    /// A projector at the beginning of the record. It finds all streams by itself, also those begun later.
    ///
    /// # Errors
    /// The record cannot be read.
    pub fn new(record: &RecordDir, projection: P) -> Result<Self> {
        let (root, limits) = (record.path(), &record.limits);
        let without = lock(&record.manifest).removed();
        let worker = Worker::start(record, without)?;
        for stream in lock(&record.streams).iter() {
            for segment in &stream.segments {
                if matches!(segment.state, State::Unlisted) {
                    let path = segment.path.clone();
                    worker.order(Order::HashRaw { path })?;
                }
            }
        }
        let mut tables = TableWriter::new(worker, limits);
        tables.find_opens(&*record.disk, root)?;
        resume(&mut tables, record, without)?;
        let reading = Reading::new(
            record.disk.clone(),
            root.to_path_buf(),
            limits.clone(),
            record.streams.clone(),
        );
        let mut projector = Self {
            projection,
            reading,
            tables,
            is_caught_up: false,
            manifest: record.manifest.clone(),
            notices: record.notices.clone(),
            told: 0,
            disk: record.disk.clone(),
            root: root.to_path_buf(),
            streams: record.streams.clone(),
            without,
        };
        let gone = record.gone();
        if !gone.is_empty() {
            projector.keep_sealed();
        }
        for path in gone {
            let text = format!(
                "{path}: is listed in the manifest and not there, or empty; what was sealed stays"
            );
            record
                .notices
                .tell(Topic::Damage, &path, Weight::Loss, text);
        }
        Ok(projector)
    }

    /// Projects at most about [`crate::Limits::step_bytes`] of what is synced and not projected yet. `tap` sees every row.
    ///
    /// # Errors
    /// A raw log cannot be read or a table not written; the projector is spent then.
    pub fn step(&mut self, tap: &mut impl Sink) -> Result<Progress> {
        let mut both = Both(&mut self.tables, tap);
        let damages = self.reading.damages.len();
        let (bytes, caught_up) = self.reading.step(&mut self.projection, &mut both)?;
        self.tables.check()?;
        if self.reading.damages.len() > damages {
            self.keep_sealed();
        }
        self.is_caught_up = caught_up;
        self.tell_damages();
        if caught_up && self.tables.is_open_lost() {
            self.refresh_open()?;
        }
        Ok(Progress { bytes, caught_up })
    }

    /// Not everything can be derived again: what is sealed stays as it is.
    fn keep_sealed(&mut self) {
        let mut kept = kept_tables(lock(&self.manifest).entries());
        if self.without > 0 {
            find_seams(&*self.disk, &self.root, &mut kept);
        }
        self.tables.keep_sealed(kept);
    }

    /// Has the sealed raw logs removed that are older, or more, than the limits allow, as far as nothing needs them any more
    /// (see [`crate::Retention`]); how many are to go. `now_us` is the host's clock. To be called now and then.
    ///
    /// # Errors
    /// The background writer has met one.
    pub fn retain(&mut self, retention: Retention, now_us: i64) -> Result<usize> {
        let Some(newest_us) = self.tables.newest_us() else {
            return Ok(0);
        };
        if !retention.is_set() || !self.is_caught_up {
            return Ok(0);
        }
        let wanted = {
            let (streams, manifest) = (lock(&self.streams), lock(&self.manifest));
            let passed = &self.reading.passed;
            wanted(retention, passed, &streams, &manifest, newest_us, now_us)
        };
        self.tell_of_size(retention, wanted.bytes_after);
        if wanted.files.is_empty() {
            return Ok(0);
        }
        self.tables.cut_before(over_by(newest_us))?;
        let files = self.unneeded(wanted.files);
        let count = files.len();
        self.tables.outlet.order(Order::Retire(files))?;
        Ok(count)
    }

    /// Those from which no row comes that may still be revised, or waits.
    fn unneeded(&self, mut files: Vec<Retiring>) -> Vec<Retiring> {
        let waits_from = self.tables.waits_from();
        files.retain(|file| {
            let open_from = self.projection.unsettled_from(file.stream);
            let needed_from = [waits_from, open_from].into_iter().flatten().min();
            let is_needed = needed_from.is_some_and(|from_us| from_us <= file.range_us.1);
            let stream = format!("stream {}", file.stream);
            if is_needed {
                let from = needed_from.and_then(instant).unwrap_or_default();
                let text = format!(
                    "{}: stays, though the limit asks for its removal: something that began at {from} is not over",
                    file.path
                );
                self.notices
                    .tell(Topic::Retention, &stream, Weight::Warning, text);
            } else {
                self.notices.settle(Topic::Retention, &stream);
            }
            !is_needed
        });
        files
    }

    fn tell_of_size(&self, retention: Retention, bytes_after: u64) {
        const ABOUT: &str = "size";
        match retention.keep_bytes.filter(|most| bytes_after > *most) {
            None => self.notices.settle(Topic::Retention, ABOUT),
            Some(most) => {
                let text = format!(
                    "the raw logs of this record take {}, more than the limit of {}: what is newer than two days, or not sealed, \
                     is never removed",
                    size(bytes_after),
                    size(most)
                );
                self.notices
                    .tell(Topic::Retention, ABOUT, Weight::Warning, text);
            }
        }
    }

    /// Tells of damage once both its ends are known, or nothing is left to read.
    fn tell_damages(&mut self) {
        while let Some(damage) = self.reading.damages.get(self.told) {
            if damage.before_us.is_none() && !self.is_caught_up {
                return;
            }
            let text =
                format!("{damage}; everything else of it is used, and what was sealed stays");
            self.notices
                .tell(Topic::Damage, &damage.path, Weight::Loss, text);
            self.told += 1;
        }
    }

    /// Hands the segments that have ended and are wholly projected to the background, to be compressed, listed in the
    /// manifest, and removed in their plain form; how many.
    ///
    /// # Errors
    /// The background writer has met one.
    pub fn seal_ended(&mut self) -> Result<usize> {
        let mut sealed = 0;
        for Done { segment, facts } in self.reading.done.drain(..) {
            let path = segment.path;
            match segment.state {
                State::Plain(tail) => {
                    let len = tail.synced();
                    self.tables
                        .outlet
                        .order(Order::SealRaw { path, len, facts })?;
                }
                State::Unlisted => self.tables.outlet.order(Order::ListRaw { path, facts })?,
                State::Listed | State::Removed => continue,
            }
            sealed += 1;
        }
        Ok(sealed)
    }

    /// Writes the `open.parquet` files whose rows have changed. Does nothing while the projector catches up: what an
    /// earlier run has left there is nearer to the truth then.
    ///
    /// # Errors
    /// A file cannot be written.
    pub fn refresh_open(&mut self) -> Result<()> {
        if !self.is_caught_up {
            return Ok(());
        }
        let frames = self.tables.open_frames(Some(&self.projection));
        self.tables.refresh_open(frames)
    }

    /// Waits until everything handed to the background so far is on the disk.
    ///
    /// # Errors
    /// The background writer has met one.
    pub fn settle(&self) -> Result<()> {
        self.tables.outlet.settle()
    }

    /// How long the raw logs take to hash; to be asked at the end.
    pub(crate) fn hashing(&self) -> HashingTime {
        self.tables.outlet.hashing()
    }

    /// The heart.
    pub const fn projection(&self) -> &P {
        &self.projection
    }

    /// The end of the record: projects what is left, makes everything final, seals all tables and raw logs, and waits
    /// until that is done. All [`crate::RawWriter`]s must be finished. With what was read comes what people should know of the
    /// boards that spoke.
    ///
    /// # Errors
    /// As [`Self::step`].
    pub fn finish(mut self, tap: &mut impl Sink) -> Result<(Totals, Vec<String>)> {
        self.drain(tap)?;
        let mut both = Both(&mut self.tables, tap);
        self.projection.finish(&mut both);
        self.tables.cut_all()?;
        self.tables.refresh_open(Default::default())?;
        self.seal_ended()?;
        self.tables.outlet.order(Order::End)?;
        let problems = self.projection.problems();
        Ok((self.let_go()?, problems))
    }

    /// The stop of a live recorder: projects what is left, seals the raw logs, leaves the rows that are not sealed in
    /// `open.parquet`, and waits until that is done. All [`crate::RawWriter`]s should be finished.
    ///
    /// # Errors
    /// As [`Self::step`].
    pub fn close(mut self, tap: &mut impl Sink) -> Result<Totals> {
        self.drain(tap)?;
        self.refresh_open()?;
        self.let_go()
    }

    fn drain(&mut self, tap: &mut impl Sink) -> Result<()> {
        while !self.step(tap)?.caught_up {}
        Ok(())
    }

    fn let_go(mut self) -> Result<Totals> {
        self.seal_ended()?;
        self.tables.outlet.settle()?;
        Ok(Totals {
            samples: self.tables.samples(),
            ..self.reading.totals
        })
    }
}

/// What was sealed by a projection that had more raw logs stays as it is.
fn resume(tables: &mut TableWriter<Worker>, record: &RecordDir, without: u64) -> Result<()> {
    let manifest = lock(&record.manifest);
    let (before, of_now): (Vec<_>, Vec<_>) = manifest
        .entries()
        .partition(|entry| entry.without < without);
    let mut kept = kept_tables(before.into_iter());
    let early = of_now.into_iter().filter(|entry| entry.early);
    let rows_of = |entry: &Entry| Some((entry.path.clone(), usize::try_from(entry.rows?).ok()?));
    let mut early: BTreeMap<String, usize> = early.filter_map(rows_of).collect();
    let is_listed: HashSet<String> = manifest.ever().cloned().collect();
    drop(manifest);
    // The power may have gone before one was listed: it is cut there again, whatever it was cut for.
    for path in files_below(&*record.disk, record.path(), &TABLES)? {
        let is_sealed = path.ends_with(".parquet") && !path.ends_with(OPEN);
        if is_sealed && !is_listed.contains(&path) {
            let frame = read(&*record.disk, &record.path().join(&path));
            early.extend(frame.map(|frame| (path, frame.rows)));
        }
    }
    find_seams(&*record.disk, record.path(), &mut kept);
    tables.resume(without, kept, early);
    Ok(())
}

/// A sink that keeps nothing.
pub(crate) struct Nothing;

impl Sink for Nothing {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}
