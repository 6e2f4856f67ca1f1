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
//! with the host's clocks as they stood when the whole record began. A segment is never appended to by a later run of the
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
//! is synced when a segment is created. If a write fails, what was not written stays in memory and the next call goes on
//! from there. If a *sync* fails, the system may have forgotten what it could not write: the segment is then cut back to
//! what was synced, and what came since goes into a new one. What is in memory is bounded by [`Limits::backlog_bytes`];
//! what comes beyond that is lost, counted, and noted with `dropped bytes=N` when there is room again.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use crate::disk::{self, Disk, WriteFile};
use crate::error::{ArchiveError, At, Result};
use crate::limits::Limits;
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
    segment: Open,
    /// Bytes since the last sync, of which `written` are in the file.
    pending: Vec<u8>,
    written: usize,
    /// Bytes of the long line that is being written, if one is; the stamp it has.
    long: Option<(usize, i64)>,
    /// The stamp of the long line that the last sync fell within, if it did.
    synced_within: Option<i64>,
    /// The last stamp given.
    last_us: i64,
    waiting_notes: Vec<String>,
    dropped: u64,
    dropped_unnoted: u64,
}

struct Open {
    path: PathBuf,
    number: u32,
    file: Box<dyn WriteFile>,
    synced: u64,
    tail: Arc<Tail>,
    /// A sync failed: what the file holds beyond `synced` is not to be trusted.
    is_broken: bool,
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
            segment,
            pending: Vec::with_capacity(PENDING_BYTES),
            written: 0,
            long: None,
            synced_within: None,
            last_us: now.wall_us,
            waiting_notes: Vec::new(),
            dropped: 0,
            dropped_unnoted: 0,
        };
        writer.pending = writer.began_note(now.wall_us);
        writer.announce();
        writer.sync()?;
        Ok(writer)
    }

    fn began_note(&self, now_us: i64) -> Vec<u8> {
        let HostClock {
            wall_us,
            boot_us,
            host_boot,
        } = &self.began;
        let (name, number) = (&self.name, self.segment.number);
        let text = format!(
            "began wall={wall_us} boot={boot_us} host-boot={host_boot} stream={name} segment={number}"
        );
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
        let note = format!("#{us} {}\n", without_controls(text));
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
            if self.dropped == 0 {
                tracing::error!(
                    "{}: the disk takes nothing; what the board says now is lost",
                    self.segment.path.display()
                );
            }
            self.dropped += bytes as u64;
            self.dropped_unnoted += bytes as u64;
        }
        has_room
    }

    /// Writes what is in memory to the file, without waiting for the disk.
    ///
    /// # Errors
    /// The file cannot be written; what was not written stays in memory for the next call.
    pub fn flush(&mut self) -> Result<()> {
        if self.segment.is_broken {
            return Ok(());
        }
        while let Some(left) = self
            .pending
            .get(self.written..)
            .filter(|left| !left.is_empty())
        {
            match self.segment.file.write(left) {
                Ok(0) => {
                    return Err(std::io::Error::from(std::io::ErrorKind::WriteZero))
                        .at(&self.segment.path, "write");
                }
                Ok(written) => self.written += written,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error).at(&self.segment.path, "write"),
            }
        }
        Ok(())
    }

    /// Makes everything appended so far durable; only then is it projected.
    ///
    /// # Errors
    /// The file cannot be written or synced; nothing is lost by that, call again later.
    pub fn sync(&mut self) -> Result<()> {
        if self.segment.is_broken {
            self.leave_broken_segment()?;
        }
        self.flush()?;
        if let Err(error) = self.segment.file.sync() {
            self.segment.is_broken = true;
            return Err(error).at(&self.segment.path, "sync");
        }
        self.segment.synced += self.pending.len() as u64;
        self.segment.tail.set_synced(self.segment.synced);
        self.pending.clear();
        self.pending.shrink_to(PENDING_BYTES);
        self.written = 0;
        self.synced_within = self.long.map(|(_, stamp_us)| stamp_us);
        self.note_dropped();
        Ok(())
    }

    fn note_dropped(&mut self) {
        if self.dropped_unnoted > 0 && self.long.is_none() {
            let dropped = std::mem::take(&mut self.dropped_unnoted);
            self.append_note(self.last_us, &format!("dropped bytes={dropped}"));
        }
    }

    /// After a failed sync: back to what is surely there, and on in a new segment with what is not.
    fn leave_broken_segment(&mut self) -> Result<()> {
        let old = &self.segment;
        self.disk
            .truncate(&old.path, old.synced)
            .at(&old.path, "cut")?;
        let mut carried = Vec::new();
        if let Some(stamp_us) = self.synced_within.take() {
            carried = format!("@{stamp_us} ").into_bytes();
        }
        carried.append(&mut self.pending);
        self.pending = carried;
        self.written = 0;
        self.next_segment(self.last_us)
    }

    fn next_segment(&mut self, now_us: i64) -> Result<()> {
        let next = create(&*self.disk, &self.root, &self.name, self.segment.number + 1)?;
        let old = std::mem::replace(&mut self.segment, next);
        old.tail.end();
        let mut pending = self.began_note(now_us);
        pending.append(&mut self.pending);
        self.pending = pending;
        self.announce();
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
        self.next_segment(now.wall_us)?;
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

fn segment_path(stream: &str, number: u32) -> String {
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
                disk::sync_parent(disk, &path)?;
                return Ok(Open {
                    path,
                    number,
                    file,
                    synced: 0,
                    tail: Arc::default(),
                    is_broken: false,
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
