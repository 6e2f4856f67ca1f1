//! What can go wrong, always with the file it went wrong with.

use std::io;
use std::path::{Path, PathBuf};

/// An error of packing or of looking at a pack. What does not hold in a pack is no error, it is in the report.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum EvidenceError {
    /// The system refused a file operation.
    #[error("{}: could not {action}: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What was tried, as a verb phrase.
        action: &'static str,
        /// Why not.
        source: io::Error,
    },
    /// The record cannot be read.
    #[error(transparent)]
    Archive(#[from] nightclamp_archive::ArchiveError),
    /// The record does not agree with itself, or somebody records into it.
    #[error("{}: cannot be packed: {why}", path.display())]
    NotReady {
        /// The record directory.
        path: PathBuf,
        /// Why not, and what to do.
        why: String,
    },
    /// There is something where the pack should go.
    #[error("{}: is there already; choose another name", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// A file that is not a pack, or not one built as ours are.
    #[error("{}: {why}", path.display())]
    NotAPack {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// A key that cannot be used.
    #[error("{file}: {why}")]
    Key {
        /// The key file.
        file: String,
        /// What is wrong, and what to do.
        why: String,
    },
    /// A time stamp that is not one of this pack.
    #[error("the time stamp does not belong to this pack: {why}")]
    TimeStamp {
        /// What does not hold.
        why: String,
    },
}

/// The crate's result.
pub type Result<T> = std::result::Result<T, EvidenceError>;

/// Puts the file and the deed beside an I/O error.
pub(crate) trait At<T> {
    /// `action` is a verb phrase: "could not ACTION".
    fn at(self, path: &Path, action: &'static str) -> Result<T>;
}

impl<T> At<T> for io::Result<T> {
    fn at(self, path: &Path, action: &'static str) -> Result<T> {
        self.map_err(|source| EvidenceError::Io {
            path: path.to_path_buf(),
            action,
            source,
        })
    }
}
