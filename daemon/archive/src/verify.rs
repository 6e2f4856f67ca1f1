//! Verify. (Skeleton of the interface; bodies follow.)
use std::fmt;
use std::path::Path;

use crate::error::Result;
use crate::project::Project;

/// What holds and what does not.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct VerifyReport {
    /// What holds.
    pub holds: Vec<String>,
    /// What does not.
    pub fails: Vec<String>,
    /// What was not looked at, and why.
    pub notes: Vec<String>,
    /// Whether the record is still being written.
    pub live: bool,
}

impl VerifyReport {
    /// Whether everything agrees.
    pub fn ok(&self) -> bool {
        self.fails.is_empty()
    }
}

impl fmt::Display for VerifyReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.fails
            .iter()
            .try_for_each(|line| writeln!(f, "does not hold: {line}"))
    }
}

/// Checks a record; `heart` makes the projection from the text of its job file, or says what is wrong with it.
pub fn verify<P: Project>(
    _dir: &Path,
    _heart: impl FnOnce(&str) -> std::result::Result<P, String>,
) -> Result<VerifyReport> {
    Ok(VerifyReport::default())
}
