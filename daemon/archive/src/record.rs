//! The record directory. (Skeleton of the interface; bodies follow.)
use std::path::{Path, PathBuf};

use crate::error::Result;

/// A record directory that this process records into; holds the lock until dropped.
pub struct RecordDir {
    path: PathBuf,
}

impl RecordDir {
    /// Makes or opens a record.
    pub fn create_or_open(path: &Path, _job_text: &str) -> Result<Self> {
        Ok(Self {
            path: path.to_path_buf(),
        })
    }
    /// Where it lies.
    pub fn path(&self) -> &Path {
        &self.path
    }
    /// The job file in force, a name in `raw/`.
    pub fn job_file(&self) -> &str {
        "job-0001.toml"
    }
    /// Its SHA-256, 64 hex digits.
    pub fn job_sha256(&self) -> &str {
        ""
    }
    /// Whether there was a record already.
    pub fn is_resumed(&self) -> bool {
        false
    }
    /// Accepts a job file from now on; false if it is the one in force.
    pub fn accept_job(&mut self, _job_text: &str) -> Result<bool> {
        Ok(false)
    }
}
