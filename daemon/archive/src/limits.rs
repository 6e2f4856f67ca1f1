//! Every bound of the archive in one place.

/// Bounds. The daemon uses [`Limits::default`]; tests shrink them so that roll-over really happens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limits {
    /// Rows of a sealed file of `samples`: 3.6 h at 10 Hz.
    pub sample_rows: usize,
    /// Rows of a sealed file of `events` or `cycles`.
    pub event_rows: usize,
    /// A raw segment of this many bytes wants rotation.
    pub segment_bytes: u64,
    /// A sealed raw log is compressed in pieces of about so many bytes, each for itself: damage costs a piece.
    pub frame_bytes: usize,
    /// Raw bytes read and projected at a time.
    pub chunk_bytes: usize,
    /// A raw line longer than this is handed on cut, and counted. At least 512.
    pub line_bytes: usize,
    /// Raw bytes that one [`crate::Projector::step`] projects at most, about.
    pub step_bytes: u64,
    /// Raw bytes kept in memory while they cannot be written or synced; what comes beyond is lost, and counted.
    pub backlog_bytes: usize,
    /// Notes that wait at most for a long line to end before the line is broken for them.
    pub waiting_notes: usize,
    /// Files that wait at most for the background writer; one of `samples` is some 16 MB in memory.
    pub queued_files: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            sample_rows: 131_072,
            event_rows: 131_072,
            segment_bytes: 32 << 20,
            frame_bytes: 1 << 20,
            chunk_bytes: 1 << 20,
            line_bytes: 1 << 20,
            step_bytes: 8 << 20,
            backlog_bytes: 64 << 20,
            waiting_notes: 64,
            queued_files: 2,
        }
    }
}
