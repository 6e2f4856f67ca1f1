//! What capture hands to the one that writes.

/// One entry of a raw log. Stamps are the host's wall clock, µs since the Unix epoch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Entry {
    /// A line as the board sent it, without its LF, and when the LF came.
    Board(i64, Vec<u8>),
    /// Part of a line too long to be held until its LF came.
    Part(i64, Vec<u8>),
    /// The end of such a line, without its LF.
    PartEnd(i64, Vec<u8>),
    /// Our own note.
    Note(i64, String),
}
