//! The background writer: compresses, writes, syncs and lists files, so that no `fsync` holds up a projection.
//!
//! One thread takes orders from a bounded queue and does them in order, so the manifest has the same order whenever the
//! same record is projected in the same way. The first error stops it; the error comes back at the next order.
//!
//! A sealed file is published in this order: `open.parquet` beside it is removed and that made durable; the temporary file
//! is written and synced, renamed, the directory synced; the manifest line is added. So a reader, and a crash at any point,
//! can find the rows absent for a moment, never twice; a reader who wants all of them asks [`Sealing`].

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;

use nix::sys::time::TimeValLike;
use nix::time::{ClockId, clock_gettime};
use sha2::{Digest, Sha256};

use crate::disk::{self, Disk};
use crate::error::{ArchiveError, At, Result};
use crate::frame::Frame;
use crate::manifest::{Entry, Manifest, hex, sha256};
use crate::notice::{Notices, Topic, Weight};
use crate::packed::Packer;
use crate::parquet_file::{decode, encode};
use crate::record::RecordDir;
use crate::retention::Retiring;
use crate::sealing::Sealing;
use crate::segments::{State, Stream};

/// The name of the file of rows that are not sealed yet.
pub(crate) const OPEN: &str = "open.parquet";
/// Bytes hashed at a time.
const COPY_BYTES: usize = 1 << 18;

/// What the projector has learned of a raw log while it read it.
#[derive(Debug, Clone, Default)]
pub(crate) struct RawFacts {
    pub lines: u64,
    pub stamps: Option<(i64, i64)>,
    pub began_us: Option<i64>,
}

/// What the thread can be asked. Paths are from the record directory.
pub(crate) enum Order {
    /// Publish a sealed table file.
    Seal {
        path: String,
        frame: Frame,
        /// No row of a later day has come.
        is_early: bool,
    },
    /// Replace an `open.parquet`.
    PutOpen { path: String, bytes: Vec<u8> },
    /// Remove an `open.parquet`.
    RemoveOpen { path: String },
    /// Give a sealed file columns it does not have yet, all null, in the order of the frame.
    Grow { path: String, columns: Frame },
    /// Compress a raw segment that has ended, list it and remove the plain one.
    SealRaw {
        path: String,
        /// Bytes of it that count.
        len: u64,
        facts: RawFacts,
    },
    /// Begin to hash a raw log that is whole already, on a thread of its own.
    HashRaw { path: String },
    /// List a raw log as it is.
    ListRaw { path: String, facts: RawFacts },
    /// Remove old raw logs, the oldest first.
    Retire(Vec<Retiring>),
    /// The record has ended.
    End,
    /// Say when everything before is done.
    Settle(SyncSender<()>),
}

/// A manifest shared by the record and the background writer.
pub(crate) type SharedManifest = Arc<Mutex<Manifest>>;

/// A lock whose holder cannot leave it in a bad state: a poisoned one is as good.
pub(crate) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The queue to the background writer.
pub(crate) struct Worker {
    root: PathBuf,
    orders: Option<SyncSender<Order>>,
    spares: Receiver<Frame>,
    hashing: HashingTime,
    thread: Option<JoinHandle<()>>,
    failure: Arc<Mutex<Option<ArchiveError>>>,
}

impl Worker {
    /// `without`: how many raw logs had been removed when the projection began.
    pub fn start(record: &RecordDir, without: u64) -> Result<Self> {
        let root = record.path();
        let (disk, manifest) = (record.disk.clone(), record.manifest.clone());
        let streams = record.streams.clone();
        let (orders, queue) = sync_channel(record.limits.queued_files);
        let (done, spares) = channel();
        let hashing = HashingTime::default();
        let failure = Arc::new(Mutex::new(None));
        let hands = Hands {
            root: root.to_path_buf(),
            disk,
            manifest,
            streams,
            frame_bytes: record.limits.frame_bytes,
            notices: record.notices.clone(),
            sealing: record.sealing.clone(),
            without,
            hashes: Mutex::default(),
            hashing: hashing.clone(),
            done,
        };
        let told = failure.clone();
        let work = move || {
            if let Err(error) = hands.work(&queue) {
                *lock(&told) = Some(error);
            }
        };
        let thread = std::thread::Builder::new()
            .name("tables".into())
            .spawn(work)
            .at(root, "start a writer for")?;
        Ok(Self {
            root: root.to_path_buf(),
            orders: Some(orders),
            spares,
            hashing,
            thread: Some(thread),
            failure,
        })
    }

    /// Hands over an order; waits while the queue is full.
    pub fn order(&self, order: Order) -> Result<()> {
        match self.orders.as_ref().map(|orders| orders.send(order)) {
            Some(Ok(())) => Ok(()),
            _ => Err(self.failure()),
        }
    }

    /// A frame of samples whose file is written: its memory is there to be used again.
    pub fn spare(&self) -> Option<Frame> {
        self.spares.try_recv().ok()
    }

    /// How long the raw logs took to hash, so far.
    pub fn hashing(&self) -> HashingTime {
        self.hashing.clone()
    }

    /// Waits until everything ordered is done.
    pub fn settle(&self) -> Result<()> {
        let (done, wait) = sync_channel(1);
        self.order(Order::Settle(done))?;
        wait.recv().map_err(|_| self.failure())
    }

    fn failure(&self) -> ArchiveError {
        let gone = ArchiveError::WriterGone {
            path: self.root.clone(),
        };
        // The sender can learn that the queue is closed a moment before the reason is put down.
        lock(&self.failure).take().unwrap_or(gone)
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.orders = None;
        if self
            .thread
            .take()
            .is_some_and(|thread| thread.join().is_err())
        {
            tracing::error!(
                "{}: the writer of the tables broke off",
                self.root.display()
            );
        }
    }
}

/// Processor time that the hashing of raw logs has taken.
#[derive(Debug, Clone, Default)]
pub(crate) struct HashingTime {
    micros: Arc<AtomicU64>,
}

impl HashingTime {
    pub fn seconds(&self) -> f64 {
        self.micros.load(Ordering::Acquire) as f64 / 1e6
    }

    /// Hashes a file, and counts how long that kept a processor busy: time in which others had it is theirs.
    fn hash(&self, disk: &dyn Disk, path: &Path) -> Result<(u64, String)> {
        let began_us = thread_micros();
        let hashed = hash_file(disk, path);
        let took_us = thread_micros().saturating_sub(began_us);
        self.micros.fetch_add(took_us, Ordering::AcqRel);
        hashed
    }
}

/// Processor time of this thread so far, µs; 0 where the system does not tell.
fn thread_micros() -> u64 {
    let now =
        clock_gettime(ClockId::CLOCK_THREAD_CPUTIME_ID).map_or(0, |time| time.num_microseconds());
    u64::try_from(now).unwrap_or(0)
}

/// Length and SHA-256 of a raw log, being worked out.
type Hashed = JoinHandle<Result<(u64, String)>>;

pub(crate) struct Hands {
    pub root: PathBuf,
    pub disk: Arc<dyn Disk>,
    pub manifest: SharedManifest,
    pub streams: Arc<Mutex<Vec<Stream>>>,
    frame_bytes: usize,
    pub notices: Notices,
    sealing: Sealing,
    /// How many raw logs had been removed when the projection began.
    without: u64,
    hashes: Mutex<BTreeMap<String, Hashed>>,
    hashing: HashingTime,
    done: Sender<Frame>,
}

impl Hands {
    fn hash_raw(&self, path: String) {
        let (disk, whole) = (self.disk.clone(), self.root.join(&path));
        let hashing = self.hashing.clone();
        let work = move || hashing.hash(&*disk, &whole);
        if let Ok(thread) = std::thread::Builder::new().name("hash".into()).spawn(work) {
            lock(&self.hashes).insert(path, thread);
        }
    }

    fn work(&self, queue: &Receiver<Order>) -> Result<()> {
        while let Ok(order) = queue.recv() {
            match order {
                Order::Seal {
                    path,
                    frame,
                    is_early,
                } => {
                    let is_large = path.starts_with("samples/");
                    self.seal(path, &frame, is_early)?;
                    if is_large {
                        // Nobody takes it any more once the projection has ended.
                        self.done.send(frame).unwrap_or_default();
                    }
                }
                Order::PutOpen { path, bytes } => self.put(&path, &bytes)?,
                Order::RemoveOpen { path } => self.remove(&path)?,
                Order::Grow { path, columns } => self.grow(path, &columns)?,
                Order::SealRaw { path, len, facts } => self.seal_raw(&path, len, facts)?,
                Order::HashRaw { path } => self.hash_raw(path),
                Order::ListRaw { path, facts } => self.list_raw(path, facts)?,
                Order::Retire(files) => self.retire(files)?,
                Order::End => lock(&self.manifest).add_end()?,
                Order::Settle(done) => done.send(()).unwrap_or_default(),
            }
        }
        Ok(())
    }

    fn put(&self, path: &str, bytes: &[u8]) -> Result<()> {
        let whole = self.root.join(path);
        let directory = whole.parent().unwrap_or(&self.root);
        if !self.disk.is_dir(directory) {
            disk::make_dirs_synced(&*self.disk, &self.root, directory)?;
        }
        disk::publish(&*self.disk, &whole, bytes)
    }

    fn remove(&self, path: &str) -> Result<()> {
        let whole = self.root.join(path);
        if disk::remove_if_there(&*self.disk, &whole)? {
            disk::sync_parent(&*self.disk, &whole)?;
        }
        Ok(())
    }

    fn seal(&self, path: String, frame: &Frame, is_early: bool) -> Result<()> {
        let _begun = self.sealing.begin();
        let whole = self.root.join(&path);
        let bytes = encode(frame).at(&whole, "write")?;
        let sha256 = sha256(&bytes);
        let is_there = self.disk.len(&whole).is_ok();
        {
            let manifest = lock(&self.manifest);
            if is_there && manifest.knows(&path, &sha256) {
                drop(manifest);
                let (_, found) = hash_file(&*self.disk, &whole)?;
                let manifest = lock(&self.manifest);
                // Columns may have come since it was sealed like this.
                if manifest.knows(&path, &found) {
                    return Ok(());
                }
                drop(manifest);
                return self.mend(path, &bytes);
            }
            if manifest
                .entry(&path)
                .is_some_and(|entry| entry.sha256 != sha256)
            {
                tracing::warn!(
                    "{path}: its rows are derived otherwise now than when it was sealed; it is replaced"
                );
            }
        }
        self.remove(&open_beside(&path))?;
        self.put(&path, &bytes)?;
        let listed = lock(&self.manifest)
            .entry(&path)
            .is_some_and(|entry| entry.sha256 == sha256);
        if listed {
            Ok(())
        } else {
            let derived = (is_early, self.without);
            self.list_table(path, &bytes, sha256, frame, derived)
        }
    }

    /// Puts a sealed table whose bytes have changed aside and writes it again.
    fn mend(&self, path: String, bytes: &[u8]) -> Result<()> {
        let aside = disk::set_aside(&*self.disk, &self.root, &path)?;
        self.put(&path, bytes)?;
        let text =
            format!("{path}: was damaged; it is made again, the damaged one lies in {aside}");
        self.notices
            .tell(Topic::Damage, &path, Weight::Warning, text);
        Ok(())
    }

    fn list_table(
        &self,
        path: String,
        bytes: &[u8],
        sha256: String,
        frame: &Frame,
        (early, without): (bool, u64),
    ) -> Result<()> {
        let entry = Entry {
            path,
            early,
            without,
            bytes: bytes.len() as u64,
            rows: Some(frame.rows as u64),
            sha256,
            ..Entry::default()
        };
        lock(&self.manifest).add(entry.with_times(frame.time_range()))
    }

    fn grow(&self, path: String, columns: &Frame) -> Result<()> {
        let whole = self.root.join(&path);
        let mut old = decode(&whole, disk::read(&*self.disk, &whole)?)?;
        if columns
            .columns
            .iter()
            .all(|column| old.column(&column.name).is_some())
        {
            return Ok(());
        }
        old.grow_to(columns);
        let bytes = encode(&old).at(&whole, "write")?;
        self.put(&path, &bytes)?;
        let sha256 = sha256(&bytes);
        // Its rows are those that they were.
        let derived = lock(&self.manifest)
            .entry(&path)
            .map_or((false, self.without), |entry| (entry.early, entry.without));
        self.list_table(path, &bytes, sha256, &old, derived)
    }

    fn seal_raw(&self, path: &str, len: u64, facts: RawFacts) -> Result<()> {
        let plain = self.root.join(path);
        let sealed = format!("{path}.zst");
        let whole = self.root.join(&sealed);
        let unfinished = disk::temporary(&whole);
        let mut from = self.disk.open(&plain).at(&plain, "open")?.take(len);
        let mut to = Hashing::new(disk::begin_temporary(&*self.disk, &unfinished)?);
        let mut packer = Packer::new(self.frame_bytes).at(&unfinished, "compress")?;
        packer.pack(&mut from, &mut to).at(&unfinished, "write")?;
        to.file.sync().at(&unfinished, "sync")?;
        let (bytes, sha256) = (to.bytes, hex(&to.digest.finalize()));
        drop(to.file);
        disk::put_in_place(&*self.disk, &unfinished, &whole)?;
        self.list(sealed.clone(), bytes, sha256, facts)?;
        self.now_sealed(path, sealed);
        disk::remove_if_there(&*self.disk, &plain)?;
        disk::sync_parent(&*self.disk, &plain)
    }

    /// Whoever reads the record from its beginning again finds the segment under its new name.
    fn now_sealed(&self, plain: &str, sealed: String) {
        let mut streams = lock(&self.streams);
        let mut segments = streams.iter_mut().flat_map(|stream| &mut stream.segments);
        if let Some(segment) = segments.find(|segment| segment.path == plain) {
            (segment.path, segment.state) = (sealed, State::Listed);
        }
    }

    fn list_raw(&self, path: String, facts: RawFacts) -> Result<()> {
        let begun = lock(&self.hashes)
            .remove(&path)
            .and_then(|thread| thread.join().ok());
        let (bytes, sha256) =
            begun.unwrap_or_else(|| self.hashing.hash(&*self.disk, &self.root.join(&path)))?;
        self.list(path, bytes, sha256, facts)
    }

    fn list(&self, path: String, bytes: u64, sha256: String, facts: RawFacts) -> Result<()> {
        let RawFacts {
            lines,
            stamps,
            began_us,
        } = facts;
        let entry = Entry {
            path,
            bytes,
            rows: Some(lines),
            sha256,
            began_us,
            ..Entry::default()
        };
        lock(&self.manifest).add(entry.with_times(stamps))
    }
}

/// The `open.parquet` of the directory that a sealed file lies in.
pub(crate) fn open_beside(path: &str) -> String {
    match path.rsplit_once('/') {
        Some((directory, _)) => format!("{directory}/{OPEN}"),
        None => OPEN.to_owned(),
    }
}

/// Length and hexadecimal SHA-256 of a file.
pub(crate) fn hash_file(disk: &dyn Disk, path: &Path) -> Result<(u64, String)> {
    let mut file = disk.open(path).at(path, "open")?;
    let (mut digest, mut buffer, mut bytes) = (Sha256::new(), vec![0; COPY_BYTES], 0);
    loop {
        let read = file.read(&mut buffer).at(path, "read")?;
        if read == 0 {
            return Ok((bytes, hex(&digest.finalize())));
        }
        digest.update(buffer.get(..read).unwrap_or_default());
        bytes += read as u64;
    }
}

/// A file that is hashed while it is written.
struct Hashing {
    file: Box<dyn disk::WriteFile>,
    digest: Sha256,
    bytes: u64,
}

impl Hashing {
    fn new(file: Box<dyn disk::WriteFile>) -> Self {
        Self {
            file,
            digest: Sha256::new(),
            bytes: 0,
        }
    }
}

impl std::io::Write for Hashing {
    fn write(&mut self, buffer: &[u8]) -> std::io::Result<usize> {
        let written = self.file.write(buffer)?;
        self.digest
            .update(buffer.get(..written).unwrap_or_default());
        self.bytes += written as u64;
        Ok(written)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.file.flush()
    }
}
