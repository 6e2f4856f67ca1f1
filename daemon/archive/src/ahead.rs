//! Reading ahead: a whole raw log is read, cut into lines and decoded on a thread of its own, a few pieces ahead of the
//! projection. A log that is still being written is not read ahead; what is projected of either is the same.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};

use nightclamp_analysis::DecodedLines;

use crate::error::{ArchiveError, At, Result};
use crate::packed::Hole;
use crate::reading::note_facts;
use crate::segments::{Chunk, LineReader, stamp};
use crate::worker::RawFacts;

/// Pieces decoded that wait for the projection at most.
const PIECES_AHEAD: usize = 4;
/// Raw bytes of a piece, about: decoded, it fits into a processor's own memory.
const PIECE_BYTES: usize = 128 << 10;

/// Some whole lines of a log, perhaps none.
#[derive(Default)]
pub(crate) struct Piece {
    pub lines: DecodedLines,
    /// What has been learned of the log so far.
    pub facts: RawFacts,
    /// Bytes read so far.
    pub read: u64,
    /// Lines cut so far.
    pub cut_lines: u64,
    /// The stamp of its first line, µs.
    pub first_us: Option<i64>,
    /// It stands for something that cannot be read, and has no lines.
    pub hole: Option<Hole>,
    /// At the end of the log: what stands after its last LF.
    pub torn: Option<Vec<u8>>,
}

/// A log that is read ahead.
pub(crate) struct Ahead {
    path: PathBuf,
    pieces: Receiver<Result<Piece>>,
    used: Sender<Piece>,
}

impl Ahead {
    /// Begins to read.
    ///
    /// # Errors
    /// There is no thread to be had.
    pub fn begin(reader: LineReader, path: PathBuf) -> Result<Self> {
        let (give, pieces) = sync_channel(PIECES_AHEAD);
        let (used, again) = channel();
        let thread = Thread {
            reader,
            path: path.clone(),
            give,
            again,
            facts: RawFacts::default(),
        };
        std::thread::Builder::new()
            .name("ahead".into())
            .spawn(move || thread.run())
            .at(&path, "start a reader for")?;
        Ok(Self { path, pieces, used })
    }

    /// The next piece; waits for it.
    ///
    /// # Errors
    /// The log cannot be read.
    pub fn next(&self) -> Result<Piece> {
        let broke_off = || ArchiveError::ReaderGone {
            path: self.path.clone(),
        };
        self.pieces.recv().unwrap_or_else(|_| Err(broke_off()))
    }

    /// Gives a piece back, so that its memory is used again.
    pub fn done(&self, piece: Piece) {
        // The reader is through with the log, perhaps, and wants no more.
        self.used.send(piece).unwrap_or_default();
    }
}

struct Thread {
    reader: LineReader,
    path: PathBuf,
    give: SyncSender<Result<Piece>>,
    again: Receiver<Piece>,
    facts: RawFacts,
}

impl Thread {
    /// Reads until the end or the first error, or until nobody listens any more.
    fn run(mut self) {
        while let Ok(false) = self.read_chunk() {}
    }

    /// Reads a chunk and gives its pieces; whether that was the end.
    fn read_chunk(&mut self) -> std::result::Result<bool, Unheard> {
        // What was read and cut before is told with the pieces of this chunk.
        let (read, cut_lines) = (self.reader.read, self.reader.cut_lines);
        let chunk = match self.reader.next(u64::MAX) {
            Ok(chunk) => chunk,
            Err(error) => {
                if let Some(hole) = Hole::of(&error) {
                    return self.pass_hole(hole);
                }
                let failed = Err(error).at(&self.path, "read");
                return self.give.send(failed).map(|()| true).map_err(|_| Unheard);
            }
        };
        let is_end = matches!(chunk, Chunk::End);
        if let Chunk::Lines(lines) = chunk {
            for part in parts(lines) {
                note_facts(part, &mut self.facts);
                let mut piece = self.again.try_recv().unwrap_or_default();
                piece.lines.read(part);
                (piece.first_us, piece.hole) = (stamp(part), None);
                (piece.facts, piece.read, piece.cut_lines) = (self.facts.clone(), read, cut_lines);
                self.give.send(Ok(piece)).map_err(|_| Unheard)?;
            }
        } else {
            let last = Piece {
                facts: self.facts.clone(),
                read,
                cut_lines,
                torn: Some(self.reader.torn().to_vec()),
                ..Piece::default()
            };
            self.give.send(Ok(last)).map_err(|_| Unheard)?;
        }
        Ok(is_end)
    }

    /// Tells of what cannot be read; reading goes on after it.
    fn pass_hole(&mut self, hole: Hole) -> std::result::Result<bool, Unheard> {
        self.reader.forget_begun();
        let piece = Piece {
            facts: self.facts.clone(),
            read: self.reader.read,
            cut_lines: self.reader.cut_lines,
            hole: Some(hole),
            ..Piece::default()
        };
        self.give.send(Ok(piece)).map_err(|_| Unheard)?;
        Ok(false)
    }
}

/// The projection has gone.
struct Unheard;

/// Whole lines cut into pieces of about [`PIECE_BYTES`], each of whole lines.
fn parts(mut lines: &[u8]) -> impl Iterator<Item = &[u8]> {
    std::iter::from_fn(move || {
        let from = lines.len().min(PIECE_BYTES);
        let end = lines
            .get(from..)
            .and_then(|rest| memchr::memchr(b'\n', rest));
        let (part, rest) = lines.split_at(end.map_or(lines.len(), |at| from + at + 1));
        lines = rest;
        (!part.is_empty()).then_some(part)
    })
}
