//! The projector. (Skeleton of the interface; bodies follow.)
use nightclamp_analysis::rows::Sink;

use crate::error::Result;
use crate::project::Project;
use crate::record::RecordDir;

/// What a step has done.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Progress {
    /// Raw bytes projected.
    pub bytes: u64,
    /// Whether everything synced is projected.
    pub caught_up: bool,
}

/// What has been projected since the beginning of the record.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Totals {
    /// Raw lines.
    pub lines: u64,
    /// Rows of `samples`.
    pub samples: u64,
    /// Raw bytes.
    pub raw_bytes: u64,
    /// Lines too long, handed on cut.
    pub cut_lines: u64,
    /// Last lines without their LF.
    pub torn_lines: u64,
}

/// Projects the synced raw log to tables.
pub struct Projector<P> {
    projection: P,
}

impl<P: Project> Projector<P> {
    /// From the beginning of the record.
    pub fn new(_record: &RecordDir, projection: P) -> Result<Self> {
        Ok(Self { projection })
    }
    /// Projects a bounded amount of what is synced.
    pub fn step(&mut self, _tap: &mut impl Sink) -> Result<Progress> {
        Ok(Progress {
            bytes: 0,
            caught_up: true,
        })
    }
    /// Seals the segments that are ended and wholly projected.
    pub fn seal_ended(&mut self) -> Result<usize> {
        Ok(0)
    }
    /// Writes the `open.parquet` files that have changed.
    pub fn refresh_open(&mut self) -> Result<()> {
        Ok(())
    }
    /// The heart.
    pub fn projection(&self) -> &P {
        &self.projection
    }
    /// The end of the record.
    pub fn finish(mut self, tap: &mut impl Sink) -> Result<Totals> {
        self.projection.finish(tap);
        Ok(Totals::default())
    }
    /// The stop of a live recorder.
    pub fn close(self, _tap: &mut impl Sink) -> Result<Totals> {
        Ok(Totals::default())
    }
}
