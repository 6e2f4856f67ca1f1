//! The writer of one port's raw log: a thread of its own, fed by a bounded channel.
//!
//! What comes is written at once, and synced at least every [`SYNC_EVERY`] while there is anything unsynced; only then is it
//! projected. A disk that stalls holds up this thread and no other. When a write or a sync fails that is said loudly; the
//! archive keeps what is not synced, bounded, goes on in a new segment after a failed sync, and is asked again every
//! [`SYNC_EVERY`] until the disk takes it.
//!
//! What a person said comes the same way. It is stamped and written at its turn, and answered after the sync that made it
//! safe: nobody can make the disk sync more often than it does anyway.

use std::sync::Arc;
use std::sync::mpsc::SyncSender;
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use nightclamp_archive::{HostClock as ArchiveClock, RawWriter};
use nightclamp_web::hand::{Noted, Refused, Said};
use tokio::runtime::Handle;
use tokio::sync::{mpsc, oneshot};
use tokio::time::timeout;

use crate::capture::entry::Entry;
use crate::clocks::HostClock;
use crate::health::Pulse;
use crate::trouble::{About, Troubles};

/// Longest time anything stays unsynced on a healthy disk.
pub const SYNC_EVERY: Duration = Duration::from_millis(500);
/// Batches of entries that wait at most for the writer; a batch is what one read of the port brought.
const QUEUE_BATCHES: usize = 4_096;
/// Tries to get the last of a record onto a failing disk, one a second, before giving up at the stop.
const LAST_TRIES: u32 = 10;
/// Wait between such tries.
const LAST_TRY_EVERY: Duration = Duration::from_secs(1);

/// The present reading of `clock`, as the archive writes it.
pub fn archive_clock(clock: &dyn HostClock) -> ArchiveClock {
    let now = clock.now();
    ArchiveClock {
        wall_us: now.wall_us,
        boot_us: now.boot_us,
        host_boot: clock.host_boot_id().to_owned(),
    }
}

/// What a writer is sent.
#[derive(Debug)]
pub enum ToWrite {
    /// What one read of the port brought.
    Came(Vec<Entry>),
    /// What a person said, and where to answer.
    Said(Said, Answer),
}

/// Where a person waits.
pub type Answer = oneshot::Sender<Result<Noted, Refused>>;

/// Puts entries into `log`, in memory until it is flushed or synced.
pub fn append(log: &mut RawWriter, entries: Vec<Entry>) {
    for entry in entries {
        match entry {
            Entry::Board(at_us, line) => log.append_board(at_us, &line),
            Entry::Part(at_us, part) => log.append_part(at_us, &part),
            Entry::PartEnd(at_us, rest) => log.end_part(at_us, &rest),
            Entry::Note(at_us, text) => log.append_note(at_us, &text),
        }
    }
}

/// A running writer.
pub struct Writer {
    thread: JoinHandle<()>,
}

impl Writer {
    /// Starts the writer of `log`. Each sync is told to `synced`, whether or not anybody is listening.
    ///
    /// # Errors
    /// No thread could be had.
    pub fn start(
        log: RawWriter,
        clock: Arc<dyn HostClock>,
        troubles: Arc<Troubles>,
        synced: SyncSender<()>,
        pulse: Arc<Pulse>,
    ) -> std::io::Result<(Self, mpsc::Sender<ToWrite>)> {
        let (sender, receiver) = mpsc::channel(QUEUE_BATCHES);
        let runtime = Handle::current();
        let work = Work {
            log,
            clock,
            troubles,
            synced,
            pulse,
            unsynced_since: None,
            bytes_dropped: 0,
            waiting: Vec::new(),
        };
        let thread = thread::Builder::new()
            .name("raw-writer".to_owned())
            .spawn(move || work.run(&runtime, receiver))?;
        Ok((Self { thread }, sender))
    }

    /// Waits until everything sent is written and synced. All senders have to be dropped before.
    pub fn join(self) {
        if self.thread.join().is_err() {
            tracing::error!("the writer of a raw log broke off: the end of that log may be lost");
        }
    }
}

struct Work {
    log: RawWriter,
    clock: Arc<dyn HostClock>,
    troubles: Arc<Troubles>,
    synced: SyncSender<()>,
    pulse: Arc<Pulse>,
    unsynced_since: Option<Instant>,
    bytes_dropped: u64,
    /// Notes that are written and not synced yet.
    waiting: Vec<(Noted, Answer)>,
}

impl Work {
    fn run(mut self, runtime: &Handle, mut queue: mpsc::Receiver<ToWrite>) {
        loop {
            self.pulse.beat();
            let waited = self
                .unsynced_since
                .map_or(Duration::ZERO, |since| since.elapsed());
            let patience = SYNC_EVERY.saturating_sub(waited);
            // Built inside the runtime: a timeout takes its clock from there.
            match runtime.block_on(async { timeout(patience, queue.recv()).await }) {
                Ok(Some(ToWrite::Came(batch))) => self.append(batch),
                Ok(Some(ToWrite::Said(said, answer))) => self.note(&said, answer),
                Ok(None) => break,
                Err(_) => {}
            }
            if self
                .unsynced_since
                .is_some_and(|since| since.elapsed() >= SYNC_EVERY)
            {
                self.sync();
            }
        }
        self.end();
    }

    fn append(&mut self, batch: Vec<Entry>) {
        append(&mut self.log, batch);
        self.appended();
    }

    fn note(&mut self, said: &Said, answer: Answer) {
        let noted = Noted {
            at_us: self.clock.wall_us(),
        };
        let dropped = self.log.dropped();
        self.log.append_note(noted.at_us, &said.note());
        if self.log.dropped() > dropped {
            answer.send(Err(Refused::Lost)).unwrap_or_default();
            return;
        }
        self.waiting.push((noted, answer));
        self.appended();
    }

    fn appended(&mut self) {
        // At once into the file, so that a process that is killed takes next to nothing with it. What fails here fails again
        // at the next sync, which says it; until then it is kept.
        self.log.flush().unwrap_or_default();
        self.unsynced_since.get_or_insert_with(Instant::now);
    }

    fn sync(&mut self) {
        match self.log.sync() {
            Ok(()) => self.synced_well(),
            Err(error) => self.failed(&error),
        }
    }

    fn synced_well(&mut self) {
        self.unsynced_since = None;
        self.answer();
        if self.troubles.end(About::Disk) {
            tracing::info!(board = %self.troubles.board(), "the raw log is written again");
            self.troubles.settle(About::Disk);
        }
        if self.log.wants_rotation()
            && let Err(error) = self.log.rotate(&archive_clock(&*self.clock))
        {
            self.failed(&error);
        }
        // A full channel means that the projection has been told already; a closed one, that nobody projects.
        self.synced.try_send(()).unwrap_or_default();
    }

    /// Tells those who wait that what they said is safe. Who has stopped waiting is not told.
    fn answer(&mut self) {
        if self.log.has_waiting_notes() {
            self.unsynced_since = Some(Instant::now());
            return;
        }
        for (noted, answer) in self.waiting.drain(..) {
            answer.send(Ok(noted)).unwrap_or_default();
        }
    }

    /// Says it; what is unsynced is tried again after [`SYNC_EVERY`].
    fn failed(&mut self, error: &nightclamp_archive::ArchiveError) {
        self.troubles.begin(
            About::Disk,
            &format!("the raw log is not safe on disk: {error}; kept in memory meanwhile"),
        );
        self.unsynced_since = Some(Instant::now());
        let dropped = self.log.dropped();
        if dropped > self.bytes_dropped {
            let lost = dropped - self.bytes_dropped;
            self.bytes_dropped = dropped;
            tracing::error!(board = %self.troubles.board(), "{lost} bytes of raw log are lost: the disk took nothing for too long");
        }
    }

    fn end(mut self) {
        for _ in 1..LAST_TRIES {
            match self.log.sync() {
                Ok(()) => {
                    self.answer();
                    break;
                }
                Err(error) => self.failed(&error),
            }
            thread::sleep(LAST_TRY_EVERY);
        }
        if let Err(error) = self.log.finish() {
            tracing::error!(board = %self.troubles.board(), "the end of the raw log is lost: {error}");
        }
        self.synced.try_send(()).unwrap_or_default();
    }
}
