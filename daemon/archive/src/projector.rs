//! The projector: synced raw logs in, sealed tables out.
//!
//! Live, after a crash and in a replay it does the same: it feeds the projection from the beginning of the record, and the
//! rows that become final are cut into files. A file that is there already with the same bytes is left alone, so catching
//! up after a restart costs reading, not writing. After an error a projector is spent; make another. The raw logs are
//! written elsewhere and do not wait for it.

use nightclamp_analysis::rows::{CycleRow, EventRow, SampleRow, Sink};
use nightclamp_protocol::{BoardId, Table};

use crate::error::Result;
use crate::notice::{Notices, Topic, Weight};
use crate::project::Project;
use crate::reading::{Done, Reading, Totals};
use crate::record::RecordDir;
use crate::segments::State;
use crate::tables::{TableWriter, kept_tables};
use crate::worker::{HashingTime, Order, SharedManifest, Worker, lock};

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
}

impl<P: Project> Projector<P> {
    /// A projector at the beginning of the record. It finds all streams by itself, also those begun later.
    ///
    /// # Errors
    /// The record cannot be read.
    pub fn new(record: &RecordDir, projection: P) -> Result<Self> {
        let (root, limits) = (record.path(), &record.limits);
        let worker = Worker::start(record)?;
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
        let mut both = Both {
            first: &mut self.tables,
            second: tap,
        };
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
        let kept = kept_tables(lock(&self.manifest).entries());
        self.tables.keep_sealed(kept);
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
                State::Listed => continue,
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
        let projection = &self.projection;
        let frames = self.tables.open_frames(|each| projection.open_rows(each));
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
    /// until that is done. All [`crate::RawWriter`]s must be finished.
    ///
    /// # Errors
    /// As [`Self::step`].
    pub fn finish(mut self, tap: &mut impl Sink) -> Result<Totals> {
        self.drain(tap)?;
        let mut both = Both {
            first: &mut self.tables,
            second: tap,
        };
        self.projection.finish(&mut both);
        self.tables.cut_all()?;
        self.tables.refresh_open(Default::default())?;
        self.seal_ended()?;
        self.tables.outlet.order(Order::End)?;
        self.let_go()
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

/// Two sinks as one.
pub(crate) struct Both<'a, A, B> {
    pub first: &'a mut A,
    pub second: &'a mut B,
}

impl<A: Sink, B: Sink> Sink for Both<'_, A, B> {
    fn table(&mut self, table: &Table) {
        self.first.table(table);
        self.second.table(table);
    }

    fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        self.first.sample(board, row);
        self.second.sample(board, row);
    }

    fn event(&mut self, unit: &str, row: EventRow) {
        self.first.event(unit, row.clone());
        self.second.event(unit, row);
    }

    fn cycle(&mut self, unit: &str, row: CycleRow) {
        self.first.cycle(unit, row.clone());
        self.second.cycle(unit, row);
    }
}

/// A sink that keeps nothing.
pub(crate) struct Nothing;

impl Sink for Nothing {
    fn table(&mut self, _: &Table) {}
    fn sample(&mut self, _: BoardId, _: &SampleRow<'_>) {}
    fn event(&mut self, _: &str, _: EventRow) {}
    fn cycle(&mut self, _: &str, _: CycleRow) {}
}
