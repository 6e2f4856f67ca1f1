//! The raw log. (Skeleton of the interface; bodies follow.)
use crate::error::Result;
use crate::record::RecordDir;

/// The host's clocks, read together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HostClock {
    /// Wall clock, µs since the Unix epoch.
    pub wall_us: i64,
    /// `CLOCK_BOOTTIME`, µs.
    pub boot_us: i64,
    /// The host's boot id.
    pub host_boot: String,
}

/// Writes one port's raw log.
pub struct RawWriter {}

impl RawWriter {
    /// Begins a new segment.
    pub fn begin(_record: &RecordDir, _stream: &str, _now: &HostClock) -> Result<Self> {
        Ok(Self {})
    }
    /// A line as the board sent it, without LF.
    pub fn append_board(&mut self, _arrival_us: i64, _line: &[u8]) {}
    /// A part of a long line.
    pub fn append_part(&mut self, _arrival_us: i64, _part: &[u8]) {}
    /// The end of a long line.
    pub fn end_part(&mut self, _arrival_us: i64, _rest: &[u8]) {}
    /// A note.
    pub fn append_note(&mut self, _us: i64, _text: &str) {}
    /// Writes what is in memory.
    pub fn flush(&mut self) -> Result<()> {
        Ok(())
    }
    /// Writes and syncs what is in memory.
    pub fn sync(&mut self) -> Result<()> {
        Ok(())
    }
    /// Bytes of this segment that are synced.
    pub fn synced_len(&self) -> u64 {
        0
    }
    /// Bytes of this segment.
    pub fn segment_len(&self) -> u64 {
        0
    }
    /// Whether the segment is large enough.
    pub fn wants_rotation(&self) -> bool {
        false
    }
    /// Ends this segment, begins the next.
    pub fn rotate(&mut self, _now: &HostClock) -> Result<()> {
        Ok(())
    }
    /// Syncs and ends.
    pub fn finish(self) -> Result<()> {
        Ok(())
    }
    /// Bytes lost because the disk could not take them for too long.
    pub fn dropped(&self) -> u64 {
        0
    }
}
