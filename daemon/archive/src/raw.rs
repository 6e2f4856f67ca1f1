//! The raw log of one stream, written.
//!
//! # Layout
//!
//! `raw/STREAM-000001.log`, `raw/STREAM-000002.log`, ...: text as the board line contract says, `@MICROSECONDS LINE` for
//! what the board sent, `#MICROSECONDS TEXT` for the recorder's notes. The first line of every segment is the note
//!
//! ```text
//! #MICROSECONDS began wall=MICROSECONDS boot=MICROSECONDS host-boot=ID stream=STREAM segment=N
//! ```
//!
//! with the host's clocks as they stood when the whole record began, then, if one has come, the last note `job ...`, and, if
//! it was begun because the one before was long enough, a note `clock ...`. A segment is never appended to by a later run of the
//! recorder: each begins the next number. What a board sent can hold any byte but LF and always stands behind its stamp,
//! so it can never pass for a note; control characters of a note are replaced.
//!
//! A line that grows beyond what the protocol allows is written as it comes, and ended by its LF. Notes wait until it has
//! ended; if it grows over half of [`Limits::line_bytes`], or too many notes wait, it is broken there and goes on as another `@`
//! line. Every byte is kept either way.
//!
//! # Durability
//!
//! Lines gather in memory until [`RawWriter::sync`], after which they are on the disk and may be projected. The directory
//! is synced when a segment is created.
//!
//! If a write or a sync fails, the system may have forgotten what it could not write and say "synced" the next time, so that
//! file is not believed again: only what was synced before counts of it, and everything since, which is still in memory,
//! goes into a new segment, at the next call or the one after, whenever the disk takes it. The old one is cut back if that
//! can be done; in any case the new one says in its first note how much of it counts (`left=NUMBER:BYTES,...`). What is in memory is
//! bounded by [`Limits::backlog_bytes`]; what comes beyond that is lost, counted, told
//! ([`RecordDir::take_notices`]), and noted with `dropped bytes=N lines=N since=MICROSECONDS` when it can be written again.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use crate::disk::{self, Disk, WriteFile};
use crate::error::{ArchiveError, At, Result};
use crate::limits::Limits;
use crate::notice::{Notices, Topic, Weight};
use crate::record::RecordDir;
use crate::segments::{RAW, Segment, State, Stream, Tail, stream_index};
use crate::worker::lock;

/// The host's clocks, read together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HostClock {
    /// Wall clock, µs since the Unix epoch.
    pub wall_us: i64,
    /// `CLOCK_BOOTTIME`, µs.
    pub boot_us: i64,
    /// The host's boot id, without spaces.
    pub host_boot: String,
}

/// Bytes of memory for lines that are cheap to keep between two syncs.
const PENDING_BYTES: usize = 64 << 10;

/// Writes one stream's raw log. All calls block on the disk only in `flush`, `sync`, `rotate` and `finish`.
pub struct RawWriter {
    disk: Arc<dyn Disk>,
    root: PathBuf,
    limits: Limits,
    streams: Arc<Mutex<Vec<Stream>>>,
    name: String,
    began: HostClock,
    notices: Notices,
    segment: Open,
    /// Bytes since the last sync, of which `written` are in the file; the first `head` are the segment's own first notes.
    pending: Vec<u8>,
    head: usize,
    written: usize,
    /// Segments that the disk failed under, and how many bytes of each count, until the next one says so durably.
    left: Vec<(u32, u64)>,
    /// The job file in force, as noted last.
    job_note: Option<String>,
    /// Bytes of the long line that is being written, if one is; the stamp it has.
    long: Option<(usize, i64)>,
    /// The stamp of the long line that the last sync fell within, if it did.
    synced_within: Option<i64>,
    /// The last stamp given.
    last_us: i64,
    waiting_notes: Vec<String>,
    dropped: u64,
    unnoted: Dropped,
}

/// What was lost since it was last noted.
#[derive(Debug, Default)]
struct Dropped {
    bytes: u64,
    lines: u64,
    /// The stamp before the first that is lost, µs.
    since_us: i64,
}

struct Open {
    path: PathBuf,
    number: u32,
    file: Box<dyn WriteFile>,
    synced: u64,
    tail: Arc<Tail>,
    /// A write or a sync failed: nothing but the first `synced` bytes of the file is trusted.
    is_broken: bool,
    /// The projector knows of it: its first bytes are synced.
    is_announced: bool,
}

impl RawWriter {
    /// Begins a new segment of the stream `stream` (`[a-z0-9-]+`); its first note is synced.
    ///
    /// # Errors
    /// [`ArchiveError::BadName`] for another name, or the segment cannot be created.
    pub fn begin(record: &RecordDir, stream: &str, now: &HostClock) -> Result<Self> {
        let allowed = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
        if stream.is_empty() || !stream.bytes().all(allowed) || stream.starts_with("job-") {
            let why = "a stream's name has only a-z, 0-9 and '-', and does not begin with job-";
            return Err(ArchiveError::BadName {
                path: PathBuf::from(stream),
                why,
            });
        }
        let began = record.began(now);
        let number = record.next_number(stream)?;
        let segment = create(&*record.disk, record.path(), stream, number)?;
        let mut writer = Self {
            disk: record.disk.clone(),
            root: record.path().to_path_buf(),
            limits: record.limits.clone(),
            streams: record.streams.clone(),
            name: stream.to_owned(),
            began,
            notices: record.notices.clone(),
            segment,
            pending: Vec::with_capacity(PENDING_BYTES),
            head: 0,
            written: 0,
            left: Vec::new(),
            job_note: None,
            long: None,
            synced_within: None,
            last_us: now.wall_us,
            waiting_notes: Vec::new(),
            dropped: 0,
            unnoted: Dropped::default(),
        };
        writer.put_head(now.wall_us);
        writer.sync()?;
        Ok(writer)
    }

    /// Puts the segment's first notes before what is to be written.
    fn put_head(&mut self, now_us: i64) {
        let mut head = self.began_note(now_us);
        if let Some(job) = &self.job_note {
            head.extend_from_slice(format!("#{now_us} {job}\n").as_bytes());
        }
        self.head = head.len();
        head.append(&mut self.pending);
        self.pending = head;
        self.written = 0;
    }

    fn began_note(&self, now_us: i64) -> Vec<u8> {
        let HostClock {
            wall_us,
            boot_us,
            host_boot,
        } = &self.began;
        let (name, number) = (&self.name, self.segment.number);
        let mut text = format!(
            "began wall={wall_us} boot={boot_us} host-boot={host_boot} stream={name} segment={number}"
        );
        for (at, (number, bytes)) in self.left.iter().enumerate() {
            let before = if at == 0 { " left=" } else { "," };
            write!(text, "{before}{number}:{bytes}").unwrap_or_default();
        }
        format!("#{now_us} {}\n", without_controls(&text)).into_bytes()
    }

    /// Lets the projector know of the segment.
    fn announce(&self) {
        let mut streams = lock(&self.streams);
        let index = stream_index(&mut streams, &self.name);
        if let Some(stream) = streams.get_mut(index) {
            stream.segments.push(Segment {
                path: segment_path(&self.name, self.segment.number),
                state: State::Plain(self.segment.tail.clone()),
                began_us: None,
            });
        }
    }

    /// Appends a line as the board sent it, without its LF; `arrival_us` is when the LF arrived, µs since the Unix epoch.
    pub fn append_board(&mut self, arrival_us: i64, line: &[u8]) {
        self.break_line();
        if self.has_room(line.len()) {
            self.begin_line(arrival_us);
            self.push(line);
            self.pending.push(b'\n');
        }
    }

    /// Appends a part of a line that is longer than the protocol allows. `arrival_us` counts for its first part.
    pub fn append_part(&mut self, arrival_us: i64, part: &[u8]) {
        if !self.has_room(part.len()) {
            return;
        }
        let (bytes, stamp_us) = self.long.unwrap_or_else(|| {
            self.begin_line(arrival_us);
            (0, arrival_us)
        });
        self.push(part);
        self.long = Some((bytes + part.len(), stamp_us));
        // Well before the length at which a reader would cut it.
        if bytes + part.len() >= self.limits.line_bytes / 2 {
            self.break_line();
        }
    }

    /// Appends the rest of a long line and ends it; with an empty `rest` it also ends one that will not go on.
    pub fn end_part(&mut self, arrival_us: i64, rest: &[u8]) {
        if self.long.is_some() || !rest.is_empty() {
            self.append_part(arrival_us, rest);
        }
        self.break_line();
    }

    /// Appends a note, `us` in µs since the Unix epoch. Control characters are replaced by spaces.
    pub fn append_note(&mut self, us: i64, text: &str) {
        self.last_us = us;
        let text = without_controls(text);
        if text.starts_with("job ") {
            self.job_note = Some(text.clone());
        }
        let note = format!("#{us} {text}\n");
        if self.long.is_some() {
            self.waiting_notes.push(note);
            if self.waiting_notes.len() > self.limits.waiting_notes {
                self.break_line();
            }
        } else if self.has_room(note.len()) {
            self.pending.extend_from_slice(note.as_bytes());
        }
    }

    fn begin_line(&mut self, arrival_us: i64) {
        self.last_us = arrival_us;
        let mut stamp = String::with_capacity(24);
        write!(stamp, "@{arrival_us} ").unwrap_or_default();
        self.pending.extend_from_slice(stamp.as_bytes());
    }

    /// Whatever a caller takes for a line: an LF in it would let what follows pass for a recorder's line.
    fn push(&mut self, bytes: &[u8]) {
        if bytes.contains(&b'\n') {
            self.pending.extend(
                bytes
                    .iter()
                    .map(|&byte| if byte == b'\n' { b' ' } else { byte }),
            );
        } else {
            self.pending.extend_from_slice(bytes);
        }
    }

    fn break_line(&mut self) {
        if self.long.take().is_some() {
            self.pending.push(b'\n');
            for note in std::mem::take(&mut self.waiting_notes) {
                self.pending.extend_from_slice(note.as_bytes());
            }
        }
    }

    fn has_room(&mut self, bytes: usize) -> bool {
        let has_room = self.pending.len() + bytes <= self.limits.backlog_bytes;
        if !has_room {
            if self.unnoted.bytes == 0 {
                self.unnoted.since_us = self.last_us;
                let text = format!(
                    "{}: the disk takes nothing and {} bytes wait in memory: what the board says from now on is lost",
                    self.segment.path.display(),
                    self.pending.len()
                );
                self.tell(Topic::RawLog, Weight::Loss, text);
            }
            self.dropped += bytes as u64;
            self.unnoted.bytes += bytes as u64;
            self.unnoted.lines += 1;
        }
        has_room
    }

    /// Whether a note waits for the end of a long line: the next sync does not reach it yet.
    pub const fn has_waiting_notes(&self) -> bool {
        !self.waiting_notes.is_empty()
    }

    /// Writes what is in memory to the file, without waiting for the disk.
    ///
    /// # Errors
    /// The file cannot be written; nothing is lost by that, call [`Self::sync`] later.
    pub fn flush(&mut self) -> Result<()> {
        if self.segment.is_broken {
            return Ok(());
        }
        let written = self.write_pending();
        self.judge(written, "write")
    }

    fn write_pending(&mut self) -> std::io::Result<()> {
        while let Some(left) = self
            .pending
            .get(self.written..)
            .filter(|left| !left.is_empty())
        {
            match self.segment.file.write(left) {
                Ok(0) => return Err(std::io::ErrorKind::WriteZero.into()),
                Ok(written) => self.written += written,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }

    /// A file under which a write or a sync failed is not believed again.
    fn judge(&mut self, done: std::io::Result<()>, action: &'static str) -> Result<()> {
        if let Err(error) = &done {
            self.segment.is_broken = true;
            let text = format!(
                "{}: could not {action}: {error}; what has come since is kept in memory and goes into a new file",
                self.segment.path.display()
            );
            self.tell(Topic::RawLog, Weight::Warning, text);
        }
        done.at(&self.segment.path, action)
    }

    /// Makes everything appended so far durable; only then is it projected.
    ///
    /// # Errors
    /// The file cannot be written or synced; nothing is lost by that, call again later.
    pub fn sync(&mut self) -> Result<()> {
        let was_broken = self.segment.is_broken;
        if was_broken {
            self.leave_broken_segment()?;
        }
        self.flush()?;
        let synced = self.segment.file.sync();
        self.judge(synced, "sync")?;
        self.segment.synced += self.pending.len() as u64;
        self.segment.tail.set_synced(self.segment.synced);
        self.pending.clear();
        self.pending.shrink_to(PENDING_BYTES);
        (self.head, self.written) = (0, 0);
        self.left.clear();
        self.synced_within = self.long.map(|(_, stamp_us)| stamp_us);
        if !std::mem::replace(&mut self.segment.is_announced, true) {
            self.announce();
        }
        if was_broken {
            let text = format!("{}: is written again", self.segment.path.display());
            self.tell(Topic::RawLog, Weight::Well, text);
        }
        self.note_dropped();
        Ok(())
    }

    fn note_dropped(&mut self) {
        if self.unnoted.bytes == 0 || self.long.is_some() {
            return;
        }
        let Dropped {
            bytes,
            lines,
            since_us,
        } = std::mem::take(&mut self.unnoted);
        self.append_note(
            self.last_us,
            &format!("dropped bytes={bytes} lines={lines} since={since_us}"),
        );
        let text = format!(
            "{}: {lines} lines ({bytes} bytes) of what the board said after {} are lost: the disk took nothing for too long",
            self.segment.path.display(),
            crate::manifest::instant(since_us).unwrap_or_default()
        );
        self.tell(Topic::Lost, Weight::Loss, text);
    }

    fn tell(&self, topic: Topic, weight: Weight, text: String) {
        self.notices.tell(topic, &self.name, weight, text);
    }

    /// After a failed write or sync: on in a new segment with everything that is not surely there.
    fn leave_broken_segment(&mut self) -> Result<()> {
        self.pending.drain(..self.head);
        (self.head, self.written) = (0, 0);
        if let Some(stamp_us) = self.synced_within.take() {
            let mut carried = format!("@{stamp_us} ").into_bytes();
            carried.append(&mut self.pending);
            self.pending = carried;
        }
        let old = &self.segment;
        if self.left.iter().all(|(number, _)| *number != old.number) {
            self.left.push((old.number, old.synced));
        }
        let mut number = old.number + 1;
        if old.synced == 0 {
            // Nothing in it counts. If it cannot be removed, what the next one says of it is enough.
            if disk::remove_if_there(&*self.disk, &old.path).is_ok() {
                self.left.retain(|(number, _)| *number != old.number);
                number = old.number;
            }
        } else {
            // So that a reader that looks now finds no half line; it counts no further either way.
            if let Err(error) = self.disk.truncate(&old.path, old.synced) {
                tracing::warn!("{}: could not be cut: {error}", old.path.display());
            }
        }
        self.next_segment(self.last_us, number)
    }

    fn next_segment(&mut self, now_us: i64, number: u32) -> Result<()> {
        let next = create(&*self.disk, &self.root, &self.name, number)?;
        let old = std::mem::replace(&mut self.segment, next);
        old.tail.end();
        self.put_head(now_us);
        Ok(())
    }

    /// Bytes of this segment that are synced.
    pub const fn synced_len(&self) -> u64 {
        self.segment.synced
    }

    /// Bytes of this segment, what is in memory included.
    pub const fn segment_len(&self) -> u64 {
        self.segment.synced + self.pending.len() as u64
    }

    /// Whether the segment has reached [`Limits::segment_bytes`].
    pub const fn wants_rotation(&self) -> bool {
        self.segment_len() >= self.limits.segment_bytes
    }

    /// Syncs, ends this segment and begins the next; a long line is broken.
    ///
    /// # Errors
    /// As [`Self::sync`], or the next segment cannot be created: this one then goes on.
    pub fn rotate(&mut self, now: &HostClock) -> Result<()> {
        self.break_line();
        self.sync()?;
        self.next_segment(now.wall_us, self.segment.number + 1)?;
        // So that whoever begins to read here knows at once where the clocks stand.
        let clock = format!("clock boot={} host-boot={}", now.boot_us, now.host_boot);
        self.append_note(now.wall_us, &clock);
        self.sync()
    }

    /// Syncs and ends the last segment.
    ///
    /// # Errors
    /// As [`Self::sync`]; what could not be synced is then lost.
    pub fn finish(mut self) -> Result<()> {
        self.break_line();
        self.sync()?;
        // `sync` may have noted what was dropped.
        if !self.pending.is_empty() {
            self.sync()?;
        }
        self.segment.tail.end();
        Ok(())
    }

    /// Bytes lost because the disk took nothing for too long.
    pub const fn dropped(&self) -> u64 {
        self.dropped
    }
}

impl Drop for RawWriter {
    /// Without [`RawWriter::finish`] what was synced still counts.
    fn drop(&mut self) {
        self.segment.tail.end();
    }
}

/// A plain segment's path, from the record directory.
pub(crate) fn segment_path(stream: &str, number: u32) -> String {
    format!("{RAW}/{stream}-{number:06}.log")
}

/// Creates the first segment from `number` on that is not there yet.
fn create(disk: &dyn Disk, root: &std::path::Path, stream: &str, mut number: u32) -> Result<Open> {
    loop {
        let path = root.join(segment_path(stream, number));
        match disk.create(&path) {
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => number += 1,
            other => {
                let file = other.at(&path, "create")?;
                if let Err(error) = disk::sync_parent(disk, &path) {
                    // So that trying again and again does not leave one behind each time.
                    disk::remove_if_there(disk, &path).unwrap_or_default();
                    return Err(error);
                }
                return Ok(Open {
                    path,
                    number,
                    file,
                    synced: 0,
                    tail: Arc::default(),
                    is_broken: false,
                    is_announced: false,
                });
            }
        }
    }
}

fn without_controls(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}
