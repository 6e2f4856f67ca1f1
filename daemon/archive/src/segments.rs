//! Raw logs on disk, read back: which files make up which stream, and their lines in bounded memory.
//!
//! # Streams
//!
//! A file belongs to the stream that its first note names (`began ... stream=NAME`); one that names none, such as a later
//! piece of a log that was split, goes on with the file before it. Within a stream the files come in the manifest's order, then those not listed in the order of their names.
//!
//! # Lines
//!
//! Lines are handed on in chunks of whole lines, each ended by LF. A line of more than [`Limits::line_bytes`] is handed on
//! cut at that length, and counted; where it is cut does not depend on how the file was read. What stands after the last LF
//! of a file that has ended is the trace of a recorder that died or of a copy that was cut: if it begins like a note it is
//! left out, for a number cut short would pass for another number; anything else is handed on with an LF, for the board's
//! line has a checksum that tells. Both are counted. `.gz` and `.zst` are unpacked on the way.

use std::io::{self, Read};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use crate::disk::Disk;
use crate::error::{At, Result};
use crate::limits::Limits;
use crate::packed::{self, Hole, Unpacker};
use crate::raw::HostClock;

/// The directory of the raw logs.
pub(crate) const RAW: &str = "raw";
/// Lines looked at to tell a bare dump from a recorded log.
const LOOKED_AT_LINES: usize = 16;
/// Bytes looked at for it.
const LOOKED_AT_BYTES: usize = 16 << 10;

/// How far a segment is written, shared by its writer and its reader.
#[derive(Debug, Default)]
pub(crate) struct Tail {
    synced: AtomicU64,
    ended: AtomicBool,
}

impl Tail {
    pub fn ended_at(len: u64) -> Arc<Self> {
        Arc::new(Self {
            synced: AtomicU64::new(len),
            ended: AtomicBool::new(true),
        })
    }

    pub fn set_synced(&self, len: u64) {
        self.synced.store(len, Ordering::Release);
    }

    pub fn synced(&self) -> u64 {
        self.synced.load(Ordering::Acquire)
    }

    pub fn end(&self) {
        self.ended.store(true, Ordering::Release);
    }

    /// Whether it has ended; asked before [`Self::synced`], the length is then the last one.
    pub fn has_ended(&self) -> bool {
        self.ended.load(Ordering::Acquire)
    }
}

/// What a file of the record is, and what becomes of it.
#[derive(Debug, Clone)]
pub(crate) enum State {
    /// Written by the recorder, not compressed: will be sealed when it has ended.
    Plain(Arc<Tail>),
    /// Listed in the manifest.
    Listed,
    /// Whole, but not listed yet: will be listed as it is.
    Unlisted,
    /// Removed because a limit had been set, while this process records.
    Removed,
}

/// One file of a stream.
#[derive(Debug, Clone)]
pub(crate) struct Segment {
    /// From the record directory.
    pub path: String,
    pub state: State,
    /// Of a bare dump: when it began.
    pub began_us: Option<i64>,
}

/// The files of one stream, in order.
#[derive(Debug, Clone, Default)]
pub(crate) struct Stream {
    pub name: String,
    pub segments: Vec<Segment>,
    /// If segments before these were removed: the host's clock minus record time where these begin, µs.
    pub resumes_at: Option<i64>,
}

/// The place of a stream in a list; it is added if need be.
pub(crate) fn stream_index(streams: &mut Vec<Stream>, name: &str) -> usize {
    streams
        .iter()
        .position(|stream| stream.name == name)
        .unwrap_or_else(|| {
            streams.push(Stream {
                name: name.to_owned(),
                ..Stream::default()
            });
            streams.len() - 1
        })
}

/// Opens a raw log, unpacked. Where it is damaged the reader meets one error that is a [`Hole`], and can be read on.
pub(crate) fn open(disk: &dyn Disk, path: &Path) -> io::Result<Box<dyn Read + Send>> {
    let file = disk.open(path)?;
    match path.extension().and_then(|extension| extension.to_str()) {
        Some("zst") => Ok(Box::new(Unpacker::new(file))),
        Some("gz") => Ok(Box::new(packed::Stream::gzip(file)?)),
        _ => Ok(file),
    }
}

/// What the first lines of a raw log say about it.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Head {
    /// No line begins as a recorder writes it.
    pub is_bare: bool,
    /// From the `began` note.
    pub stream: Option<String>,
    pub began: Option<HostClock>,
    /// From the `began` note: segments before it that the disk failed under, and how many bytes of each count.
    pub left: Vec<(u32, u64)>,
    /// There is not a byte.
    pub is_empty: bool,
}

/// Looks at the beginning of a raw log.
pub(crate) fn head(disk: &dyn Disk, path: &Path) -> Result<Head> {
    let mut bytes = Vec::new();
    let mut reader = open(disk, path)
        .at(path, "open")?
        .take(LOOKED_AT_BYTES as u64);
    let mut is_damaged = false;
    loop {
        match reader.read_to_end(&mut bytes) {
            Err(error) if Hole::of(&error).is_some() => is_damaged = true,
            other => {
                other.at(path, "read")?;
                break;
            }
        }
    }
    let mut head = look(&bytes);
    if is_damaged {
        (head.is_bare, head.is_empty) = (false, false);
        head.stream = head.stream.or_else(|| stream_of_name(path));
    }
    Ok(head)
}

/// The stream that a segment's name stands for: `raw/STREAM-000001.log.zst`.
pub(crate) fn stream_of_name(path: &Path) -> Option<String> {
    let name = path.file_name()?.to_str()?.split('.').next()?;
    let (stream, number) = name.rsplit_once('-')?;
    number.parse::<u32>().ok().map(|_| stream.to_owned())
}

fn look(bytes: &[u8]) -> Head {
    let lines = || bytes.split(|&byte| byte == b'\n').take(LOOKED_AT_LINES);
    let is_empty = bytes.is_empty();
    let mut head = Head {
        is_bare: !is_empty && lines().all(|line| stamp(line).is_none()),
        is_empty,
        ..Head::default()
    };
    let Some(note) = lines()
        .next()
        .and_then(|line| std::str::from_utf8(line).ok())
    else {
        return head;
    };
    let mut words = note.split(' ');
    if !note.starts_with('#') || words.nth(1) != Some("began") {
        return head;
    }
    let value = |key: &str| {
        note.split(' ')
            .find_map(|word| word.strip_prefix(key)?.strip_prefix('='))
    };
    head.stream = value("stream").map(str::to_owned);
    let counts = |pair: &str| {
        let (number, bytes) = pair.split_once(':')?;
        Some((number.parse().ok()?, bytes.parse().ok()?))
    };
    let left = value("left").unwrap_or_default().split(',');
    head.left = left.filter_map(counts).collect();
    head.began = (|| {
        Some(HostClock {
            wall_us: value("wall")?.parse().ok()?,
            boot_us: value("boot")?.parse().ok()?,
            host_boot: value("host-boot")?.to_owned(),
        })
    })();
    head
}

/// The stamp of a recorder's line, µs.
pub(crate) fn stamp(line: &[u8]) -> Option<i64> {
    let rest = line
        .strip_prefix(b"@")
        .or_else(|| line.strip_prefix(b"#"))?;
    let digits = rest.iter().position(|byte| !byte.is_ascii_digit())?;
    if rest.get(digits) != Some(&b' ') {
        return None;
    }
    std::str::from_utf8(rest.get(..digits)?).ok()?.parse().ok()
}

/// Reads whole lines in bounded memory.
pub(crate) struct LineReader {
    from: Box<dyn Read + Send>,
    /// A line begun, then what is read after it.
    buffer: Vec<u8>,
    /// Bytes at the beginning of `buffer` to be forgotten at the next read: they were handed on.
    handed: usize,
    chunk_bytes: usize,
    line_bytes: usize,
    /// The rest of a line that was cut is passed over.
    is_skipping: bool,
    /// An error that came after some bytes: met once they are handed on.
    met: Option<io::Error>,
    /// Bytes read.
    pub read: u64,
    /// Lines cut.
    pub cut_lines: u64,
}

/// What a read gave.
pub(crate) enum Chunk<'a> {
    /// Whole lines, perhaps none.
    Lines(&'a [u8]),
    /// The file has no more bytes.
    End,
}

impl LineReader {
    pub fn new(from: Box<dyn Read + Send>, limits: &Limits) -> Self {
        let line_bytes = limits.line_bytes.max(1);
        Self {
            from,
            buffer: Vec::new(),
            handed: 0,
            // A line that lies in one chunk is then never too long; only the first of a buffer can be.
            chunk_bytes: limits.chunk_bytes.clamp(1, line_bytes),
            line_bytes,
            is_skipping: false,
            met: None,
            read: 0,
            cut_lines: 0,
        }
    }

    /// Reads at most `available` bytes and gives the lines that are whole by now.
    pub fn next(&mut self, available: u64) -> io::Result<Chunk<'_>> {
        self.buffer.drain(..self.handed);
        self.handed = 0;
        if let Some(error) = self.met.take() {
            return Err(error);
        }
        let begun = self.buffer.len();
        let room = self
            .chunk_bytes
            .min(usize::try_from(available).unwrap_or(usize::MAX));
        self.buffer.resize(begun + room, 0);
        let read = read_some(
            &mut *self.from,
            self.buffer.get_mut(begun..).unwrap_or_default(),
            &mut self.met,
        );
        self.buffer.truncate(begun + *read.as_ref().unwrap_or(&0));
        let read = read?;
        self.read += read as u64;
        if read == 0 && room > 0 {
            return Ok(Chunk::End);
        }
        self.skip_rest();
        self.cut_first();
        self.handed = self
            .buffer
            .iter()
            .rposition(|&byte| byte == b'\n')
            .map_or(0, |at| at + 1);
        Ok(Chunk::Lines(
            self.buffer.get(..self.handed).unwrap_or_default(),
        ))
    }

    fn skip_rest(&mut self) {
        if self.is_skipping {
            let end = self.buffer.iter().position(|&byte| byte == b'\n');
            self.is_skipping = end.is_none();
            self.buffer
                .drain(..end.map_or(self.buffer.len(), |at| at + 1));
        }
    }

    fn cut_first(&mut self) {
        let first = self.buffer.iter().position(|&byte| byte == b'\n');
        if first.unwrap_or(self.buffer.len()) <= self.line_bytes {
            return;
        }
        self.cut_lines += 1;
        self.is_skipping = first.is_none();
        let end = first.unwrap_or(self.buffer.len());
        self.buffer.splice(self.line_bytes..end, []);
        if self.is_skipping {
            self.buffer.push(b'\n');
        }
    }

    /// What was read of a line whose rest is damaged is forgotten.
    pub fn forget_begun(&mut self) {
        self.buffer.clear();
        (self.handed, self.is_skipping) = (0, false);
    }

    /// What stands after the last LF, once the file has ended.
    pub fn torn(&self) -> &[u8] {
        self.buffer.get(self.handed..).unwrap_or_default()
    }
}

fn read_some(from: &mut dyn Read, to: &mut [u8], met: &mut Option<io::Error>) -> io::Result<usize> {
    let mut filled = 0;
    while let Some(room) = to.get_mut(filled..).filter(|room| !room.is_empty()) {
        match from.read(room) {
            Ok(0) => break,
            Ok(read) => filled += read,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) if filled > 0 => {
                *met = Some(error);
                break;
            }
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)] // a test that fails should say so at once

    use super::*;
    use proptest::prelude::*;

    /// Reads all lines, `steps` bytes at a time by turns, as a log that grows is read.
    fn lines_of(bytes: &[u8], limits: &Limits, steps: &[u64]) -> (Vec<u8>, Vec<u8>, u64) {
        let mut reader = LineReader::new(Box::new(io::Cursor::new(bytes.to_vec())), limits);
        let (mut lines, mut steps) = (Vec::new(), steps.iter().cycle());
        while let Chunk::Lines(more) = reader.next(*steps.next().unwrap()).unwrap() {
            assert!(more.is_empty() || more.ends_with(b"\n"));
            lines.extend_from_slice(more);
            assert!(
                reader.buffer.len() <= limits.line_bytes + limits.chunk_bytes + 1,
                "memory is bounded"
            );
        }
        (lines, reader.torn().to_vec(), reader.cut_lines)
    }

    proptest! {
        #[test]
        fn lines_are_the_same_however_a_log_is_read(
            lines in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..90), 0..30),
            steps in prop::collection::vec(1u64..70, 1..8),
            chunk_bytes in 1usize..60,
        ) {
            const LINE_BYTES: usize = 50;
            let bytes = lines.join(&b'\n');
            let limits = Limits { chunk_bytes, line_bytes: LINE_BYTES, ..Limits::default() };
            let (read, torn, cut) = lines_of(&bytes, &limits, &steps);
            let mut whole: Vec<&[u8]> = bytes.split(|&byte| byte == b'\n').collect();
            let last = whole.pop().unwrap();
            let bounded = |line: &[u8]| [&line[..line.len().min(LINE_BYTES)], b"\n"].concat();
            let mut expected: Vec<u8> = whole.iter().flat_map(|line| bounded(line)).collect();
            let is_long = last.len() > LINE_BYTES;
            expected.extend(if is_long { bounded(last) } else { Vec::new() });
            prop_assert_eq!(read, expected);
            prop_assert_eq!(torn, if is_long { b"" } else { last });
            let long = whole.iter().chain(&[last]).filter(|line| line.len() > LINE_BYTES).count();
            prop_assert_eq!(cut, long as u64);
        }
    }

    #[test]
    fn a_bare_dump_is_told_from_a_recorded_log() {
        let cases: [(&[u8], bool); 6] = [
            (
                b"N 0 boot power-on~BBEB\nH 1 7f3a91c2 18 5 100 refboard-1~9267\n",
                true,
            ),
            (b"@1764093600000000 N 0 boot power-on~BBEB\n", false),
            (b"#1764093600000000 opened port=/dev/ttyACM0\n", false),
            (b"\xff\xfe@@@\n#\n@ \n@12\n", true),
            (
                b"half a line of a log\n@1764093600000000 S 0 100 0~790C\n",
                false,
            ),
            (b"", false),
        ];
        for (bytes, is_bare) in cases {
            assert_eq!(
                look(bytes).is_bare,
                is_bare,
                "{}",
                String::from_utf8_lossy(bytes)
            );
        }
    }
}
