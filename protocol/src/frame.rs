//! A byte stream cut into lines: the same lines for every way the bytes arrive, in memory that does not grow.
//!
//! A line that lies whole in one chunk is handed out of the chunk; only one that is cut is copied together. A line of
//! more than [`MAX_LINE_BYTES`] is not kept: its bytes are passed on as they come, for a recorder that has to write
//! them down, and its end is told so that it is refused once. How it falls into parts depends on the cuts; what the
//! parts make together does not.

use crate::MAX_LINE_BYTES;

/// What a [`Framer`] hands out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Framed<'a> {
    /// A whole line of at most [`MAX_LINE_BYTES`], without its LF (a CR is still there).
    Line(&'a [u8]),
    /// Some bytes of a line that is too long; more follow.
    LongPart(&'a [u8]),
    /// The last bytes of a line that is too long, without its LF; may be empty. It is one refused line.
    LongEnd(&'a [u8]),
}

/// Cuts a byte stream into lines.
#[derive(Debug, Clone)]
pub struct Framer {
    held: [u8; MAX_LINE_BYTES],
    len: usize,
    long: bool,
}

impl Default for Framer {
    fn default() -> Self {
        Self::new()
    }
}

impl Framer {
    /// At the beginning of a line.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            held: [0; MAX_LINE_BYTES],
            len: 0,
            long: false,
        }
    }

    /// Takes the next bytes of the stream and hands out what they complete, in order.
    pub fn push(&mut self, chunk: &[u8], mut each: impl FnMut(Framed<'_>)) {
        let mut rest = chunk;
        while let Some(at) = position_of_lf(rest) {
            let (line, after) = rest.split_at_checked(at).unwrap_or((rest, &[]));
            self.end_line(line, &mut each);
            rest = after.split_first().map_or(&[], |(_, after)| after);
        }
        self.hold(rest, &mut each);
    }

    /// The beginning of a line whose LF has not come, as far as it is kept: what an unplugged board leaves behind.
    /// Empty within a line that is too long, whose bytes have all been handed out.
    #[must_use]
    pub fn pending(&self) -> &[u8] {
        self.held.get(..self.len).unwrap_or_default()
    }

    /// Whether the stream stands within a line that is too long.
    #[must_use]
    pub const fn in_long_line(&self) -> bool {
        self.long
    }

    /// Forgets what is pending: the next byte begins a line.
    pub const fn reset(&mut self) {
        self.len = 0;
        self.long = false;
    }

    /// The LF has come, and `line` is what lay between it and what is held.
    fn end_line(&mut self, line: &[u8], each: &mut impl FnMut(Framed<'_>)) {
        if self.len == 0 && !self.long && line.len() <= MAX_LINE_BYTES {
            each(Framed::Line(line));
            return;
        }
        self.hold(line, each);
        if self.long {
            each(Framed::LongEnd(&[]));
        } else {
            each(Framed::Line(self.pending()));
        }
        self.reset();
    }

    /// Keeps the bytes of a line without LF, or passes them on once they are too many to keep.
    fn hold(&mut self, bytes: &[u8], each: &mut impl FnMut(Framed<'_>)) {
        if bytes.is_empty() {
            return;
        }
        let end = self.len.saturating_add(bytes.len());
        if !self.long
            && let Some(free) = self.held.get_mut(self.len..end)
        {
            free.copy_from_slice(bytes);
            self.len = end;
            return;
        }
        if self.len > 0 {
            each(Framed::LongPart(self.pending()));
            self.len = 0;
        }
        self.long = true;
        each(Framed::LongPart(bytes));
    }
}

/// Where the first LF is. Eight bytes at a time: a byte of `word ^ LF...` is zero where the LF is, and subtracting one
/// from every byte borrows into the top bit of the lowest zero byte first.
fn position_of_lf(bytes: &[u8]) -> Option<usize> {
    const ONES: u64 = 0x0101_0101_0101_0101;
    const TOPS: u64 = 0x8080_8080_8080_8080;
    const LFS: u64 = ONES * b'\n' as u64;
    let (steps, rest) = bytes.as_chunks::<8>();
    for (step, bytes) in steps.iter().enumerate() {
        let word = u64::from_le_bytes(*bytes) ^ LFS;
        let found = word.wrapping_sub(ONES) & !word & TOPS;
        if found != 0 {
            return Some(step * 8 + found.trailing_zeros() as usize / 8);
        }
    }
    rest.iter()
        .position(|&byte| byte == b'\n')
        .map(|at| steps.len() * 8 + at)
}
