//! Sealed raw logs: text compressed in frames that stand each for itself, so that damage costs a frame and not the rest.
//!
//! # Layout
//!
//! `raw/STREAM-000001.log.zst` is a sequence of zstd frames (RFC 8878), each with its content size and a checksum, each of
//! whole lines and about [`crate::Limits::frame_bytes`] unpacked. Any zstd program unpacks the file in one go.
//!
//! # Reading
//!
//! Nothing of a frame is handed on before its checksum is seen to hold. If it does not, or there is no frame where one
//! should begin, the next place at which a whole and sound frame begins is looked for, and the reader meets one error of
//! kind `InvalidData` that says which bytes of the file were passed over ([`Hole`]); then reading goes on. Foreign files with
//! larger frames, and `.gz`, are unpacked as a stream: there damage costs the rest of the file.

use std::io::{self, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use zstd::zstd_safe;

/// zstd level of a sealed raw log.
const ZSTD_LEVEL: i32 = 6;
/// What a zstd frame begins with (RFC 8878, 3.1.1).
const MAGIC: [u8; 4] = [0x28, 0xb5, 0x2f, 0xfd];
/// A frame of more than this unpacked is not ours, and read as a stream.
const FRAME_BYTES_MAX: u64 = 4 << 20;
/// Where a first frame is not one of ours, one is looked for in so many bytes.
const LOOKED_AT_BYTES: usize = 1 << 20;
/// Bytes read from the file at a time.
const READ_BYTES: usize = 1 << 18;

/// Bytes of a file that cannot be read as what they should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Hole {
    pub from: u64,
    pub to: u64,
}

impl std::fmt::Display for Hole {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "bytes {} to {} are damaged", self.from, self.to)
    }
}

impl std::error::Error for Hole {}

impl Hole {
    fn error(self) -> io::Error {
        io::Error::new(io::ErrorKind::InvalidData, self)
    }

    /// The hole that an error stands for, if it does.
    pub fn of(error: &io::Error) -> Option<Self> {
        error.get_ref()?.downcast_ref().copied()
    }
}

/// Compresses whole lines of a plain log frame by frame.
pub(crate) struct Packer {
    compressor: zstd::bulk::Compressor<'static>,
    frame_bytes: usize,
}

impl Packer {
    pub fn new(frame_bytes: usize) -> io::Result<Self> {
        let mut compressor = zstd::bulk::Compressor::new(ZSTD_LEVEL)?;
        compressor.include_checksum(true)?;
        Ok(Self {
            compressor,
            frame_bytes: frame_bytes.clamp(1, FRAME_BYTES_MAX as usize / 2),
        })
    }

    /// Packs everything that `from` gives into `to`.
    pub fn pack(&mut self, from: &mut impl Read, to: &mut impl io::Write) -> io::Result<()> {
        let mut lines = Vec::with_capacity(self.frame_bytes);
        loop {
            let room = self.frame_bytes.saturating_sub(lines.len()).max(1) as u64;
            let read = from.by_ref().take(room).read_to_end(&mut lines)?;
            let is_end = read == 0;
            let whole = match memchr::memrchr(b'\n', &lines) {
                Some(at) if !is_end => at + 1,
                // A line as long as a frame: it is ended before it is too long for one.
                None if !is_end && lines.len() < FRAME_BYTES_MAX as usize / 2 => continue,
                _ => lines.len(),
            };
            if whole > 0 && (is_end || lines.len() >= self.frame_bytes) {
                let frame = self
                    .compressor
                    .compress(lines.get(..whole).unwrap_or_default())?;
                to.write_all(&frame)?;
                lines.drain(..whole);
            }
            if is_end {
                return Ok(());
            }
        }
    }
}

/// Unpacks a `.zst` file, past what is damaged.
pub(crate) struct Unpacker {
    file: Box<dyn Read + Send>,
    /// Compressed bytes read and not used yet.
    packed: Vec<u8>,
    /// Where in the file `packed` begins.
    at: u64,
    is_end: bool,
    /// The frame that is being handed out, and how much of it has been.
    frame: Vec<u8>,
    given: usize,
    /// From a foreign frame on: the rest of the file as a stream.
    stream: Option<Stream>,
}

impl Unpacker {
    pub fn new(file: Box<dyn Read + Send>) -> Self {
        Self {
            file,
            packed: Vec::new(),
            at: 0,
            is_end: false,
            frame: Vec::new(),
            given: 0,
            stream: None,
        }
    }

    /// Reads on in the file; false at its end.
    fn more(&mut self) -> io::Result<bool> {
        let read = (&mut self.file)
            .take(READ_BYTES as u64)
            .read_to_end(&mut self.packed)?;
        self.is_end = read == 0;
        Ok(read > 0)
    }

    /// Makes the next frame that is sound the one that is handed out; false at the end of the file.
    fn next_frame(&mut self) -> io::Result<bool> {
        if self.packed.len() < READ_BYTES && !self.is_end {
            self.more()?;
        }
        if self.packed.is_empty() {
            return Ok(false);
        }
        if self.is_foreign()? {
            self.stream = Some(Stream::new(self.take_rest())?);
            return Ok(true);
        }
        if let Some(len) = self.sound_frame(0)? {
            self.pass(len);
            return Ok(true);
        }
        Err(self.pass_hole()?.error())
    }

    fn pass(&mut self, len: usize) {
        self.packed.drain(..len);
        self.at += len as u64;
    }

    /// A first frame whose size is not given, or is larger than ours are, is somebody else's; unless one of ours follows
    /// soon: then it is ours with a damaged head.
    fn is_foreign(&mut self) -> io::Result<bool> {
        if self.at > 0
            || matches!(zstd_safe::get_frame_content_size(&self.packed), Ok(Some(bytes)) if bytes <= FRAME_BYTES_MAX)
        {
            return Ok(false);
        }
        if !self.packed.starts_with(&MAGIC) {
            return Ok(false);
        }
        while self.packed.len() < LOOKED_AT_BYTES && self.more()? {}
        let mut next = 1;
        while let Some(found) =
            memchr::memmem::find(self.packed.get(next..).unwrap_or_default(), &MAGIC)
        {
            next += found;
            if self.sound_frame(next)?.is_some() {
                self.frame.clear();
                return Ok(false);
            }
            next += 1;
        }
        Ok(true)
    }

    /// Unpacks the frame at `from` of what is read, if there is one and its checksum holds; its length.
    fn sound_frame(&mut self, from: usize) -> io::Result<Option<usize>> {
        loop {
            let packed = self.packed.get(from..).unwrap_or_default();
            if !packed.starts_with(&MAGIC) {
                return Ok(None);
            }
            if let Ok(len) = zstd_safe::find_frame_compressed_size(packed) {
                let frame = packed.get(..len).unwrap_or_default();
                let bytes = match zstd_safe::get_frame_content_size(frame) {
                    Ok(Some(bytes)) if bytes <= FRAME_BYTES_MAX => bytes as usize,
                    _ => return Ok(None),
                };
                let Ok(unpacked) = zstd::bulk::decompress(frame, bytes) else {
                    return Ok(None);
                };
                (self.frame, self.given) = (unpacked, 0);
                return Ok(Some(len));
            }
            // It may only not be read to its end yet.
            if packed.len() as u64 > FRAME_BYTES_MAX || self.is_end || !self.more()? {
                return Ok(None);
            }
        }
    }

    /// Passes over what is damaged, up to the next sound frame or the end.
    fn pass_hole(&mut self) -> io::Result<Hole> {
        let from = self.at;
        let mut next = 1;
        loop {
            let found = memchr::memmem::find(self.packed.get(next..).unwrap_or_default(), &MAGIC);
            if let Some(found) = found {
                next += found;
                if let Some(len) = self.sound_frame(next)? {
                    let hole = Hole {
                        from,
                        to: from + next as u64,
                    };
                    self.pass(next + len);
                    return Ok(hole);
                }
                next += 1;
            } else {
                // A magic number may lie across the border of what is read.
                let kept = self.packed.len().saturating_sub(MAGIC.len() - 1);
                next = next.max(kept);
                if !self.more()? {
                    let to = self.at + self.packed.len() as u64;
                    self.pass(self.packed.len());
                    return Ok(Hole { from, to });
                }
            }
        }
    }

    fn take_rest(&mut self) -> Box<dyn Read + Send> {
        let begun = io::Cursor::new(std::mem::take(&mut self.packed));
        let rest = std::mem::replace(&mut self.file, Box::new(io::empty()));
        Box::new(begun.chain(rest))
    }
}

impl Read for Unpacker {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            if let Some(stream) = &mut self.stream {
                return stream.read(buffer);
            }
            let left = self.frame.get(self.given..).unwrap_or_default();
            if !left.is_empty() || buffer.is_empty() {
                let given = left.len().min(buffer.len());
                if let (Some(to), Some(from)) = (buffer.get_mut(..given), left.get(..given)) {
                    to.copy_from_slice(from);
                }
                self.given += given;
                return Ok(given);
            }
            if !self.next_frame()? {
                return Ok(0);
            }
        }
    }
}

/// A compressed stream as a whole: damage ends it.
pub(crate) struct Stream {
    unpacked: Box<dyn Read + Send>,
    /// The file itself could not be read: that is no damage.
    is_unread: Arc<AtomicBool>,
    read: Arc<std::sync::atomic::AtomicU64>,
    is_over: bool,
}

struct Watched {
    file: Box<dyn Read + Send>,
    is_unread: Arc<AtomicBool>,
    read: Arc<std::sync::atomic::AtomicU64>,
}

impl Read for Watched {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.file.read(buffer);
        match &read {
            Ok(bytes) => {
                self.read.fetch_add(*bytes as u64, Ordering::Relaxed);
            }
            Err(_) => self.is_unread.store(true, Ordering::Relaxed),
        }
        read
    }
}

impl Stream {
    fn new(file: Box<dyn Read + Send>) -> io::Result<Self> {
        Self::of(file, |watched| Ok(Box::new(zstd::Decoder::new(watched)?)))
    }

    /// A gzip file.
    pub fn gzip(file: Box<dyn Read + Send>) -> io::Result<Self> {
        Self::of(file, |watched| {
            Ok(Box::new(flate2::read::MultiGzDecoder::new(watched)))
        })
    }

    fn of(
        file: Box<dyn Read + Send>,
        unpack: impl FnOnce(Watched) -> io::Result<Box<dyn Read + Send>>,
    ) -> io::Result<Self> {
        let (is_unread, read) = (Arc::default(), Arc::default());
        let watched = Watched {
            file,
            is_unread: Arc::clone(&is_unread),
            read: Arc::clone(&read),
        };
        Ok(Self {
            unpacked: unpack(watched)?,
            is_unread,
            read,
            is_over: false,
        })
    }
}

impl Read for Stream {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.is_over {
            return Ok(0);
        }
        let unpacked = self.unpacked.read(buffer);
        if unpacked.is_err() && !self.is_unread.load(Ordering::Relaxed) {
            self.is_over = true;
            let from = self.read.load(Ordering::Relaxed);
            return Err(Hole { from, to: u64::MAX }.error());
        }
        unpacked
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)] // a test that fails should say so at once

    use super::*;

    fn packed(plain: &[u8], frame_bytes: usize) -> Vec<u8> {
        let mut packed = Vec::new();
        let mut packer = Packer::new(frame_bytes).unwrap();
        packer.pack(&mut &plain[..], &mut packed).unwrap();
        packed
    }

    fn unpacked(packed: &[u8]) -> (Vec<u8>, Vec<Hole>) {
        let mut reader = Unpacker::new(Box::new(io::Cursor::new(packed.to_vec())));
        let (mut plain, mut holes) = (Vec::new(), Vec::new());
        loop {
            match reader.read_to_end(&mut plain) {
                Ok(_) => return (plain, holes),
                Err(error) => holes.push(Hole::of(&error).expect("damage only")),
            }
        }
    }

    fn common(a: &[u8], b: &[u8]) -> usize {
        a.iter().zip(b).take_while(|(a, b)| a == b).count()
    }

    fn common_end(a: &[u8], b: &[u8]) -> usize {
        a.iter()
            .rev()
            .zip(b.iter().rev())
            .take_while(|(a, b)| a == b)
            .count()
    }

    fn log(lines: u32) -> Vec<u8> {
        let line = |at: u32| format!("@{} S {at} {} 13480 812\n", 1_000_000 + at * 100, at * 100);
        (0..lines).map(line).collect::<String>().into_bytes()
    }

    #[test]
    fn whatever_byte_is_damaged_costs_no_more_than_its_frame() {
        let plain = log(200);
        let sound = packed(&plain, 1000);
        let (whole, none) = unpacked(&sound);
        assert_eq!((whole, none), (plain.clone(), Vec::new()));
        assert_eq!(
            zstd::decode_all(&sound[..]).unwrap(),
            plain,
            "any zstd program reads it"
        );
        for (at, bit) in (0..sound.len()).flat_map(|at| (0..8).map(move |bit| (at, bit))) {
            let mut bad = sound.clone();
            bad[at] ^= 1 << bit;
            let (rest, holes) = unpacked(&bad);
            // Some bits of a frame's head say nothing: the file's hash finds those.
            assert!(
                holes.len() == 1 || rest == plain,
                "byte {at}, bit {bit}: {holes:?}"
            );
            assert!(
                plain.len() - rest.len() <= 1000,
                "byte {at}, bit {bit}: {holes:?}"
            );
            let (before, after) = (common(&plain, &rest), common_end(&plain, &rest));
            assert!(
                before + after >= rest.len(),
                "byte {at}, bit {bit}: it gave what never was there"
            );
        }
    }

    #[test]
    fn a_file_cut_short_keeps_the_frames_that_are_whole() {
        let plain = log(200);
        let sound = packed(&plain, 1000);
        for len in 0..sound.len() {
            let (rest, holes) = unpacked(&sound[..len]);
            assert!(plain.starts_with(&rest), "cut at {len}");
            assert!(holes.len() <= 1, "cut at {len}");
        }
    }
}
