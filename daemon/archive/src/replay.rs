//! Replay. (Skeleton of the interface; bodies follow.)
use std::path::{Path, PathBuf};

use crate::error::Result;
use crate::project::Project;
use crate::projector::Totals;

/// What a replay has done.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ReplayReport {
    /// Lines, samples and bytes.
    pub totals: Totals,
    /// How long it took, s.
    pub seconds: f64,
}

/// Projects recorded raw logs into the new directory `out`.
pub fn replay<P: Project>(
    _raw: &[PathBuf],
    _job_text: &str,
    _projection: P,
    _out: &Path,
    _began_us: Option<i64>,
) -> Result<ReplayReport> {
    Ok(ReplayReport::default())
}
