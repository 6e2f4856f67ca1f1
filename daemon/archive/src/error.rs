//! What can go wrong, always with the file it went wrong with.

use std::io;
use std::path::{Path, PathBuf};

/// An error of the archive. Every one names the file or directory.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ArchiveError {
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
    /// Another process has the record directory open for recording.
    #[error("{}: is being recorded into by process {holder}; stop it or choose another directory", path.display())]
    Locked {
        /// The record directory.
        path: PathBuf,
        /// Its pid, or `unknown`.
        holder: String,
    },
    /// `replay` writes only into a new or an empty directory.
    #[error("{}: is not empty; replay needs a new or an empty directory", path.display())]
    NotEmpty {
        /// The directory.
        path: PathBuf,
    },
    /// There is no record here.
    #[error("{}: is not a record directory: {missing} is missing", path.display())]
    NoRecord {
        /// The directory.
        path: PathBuf,
        /// What a record would have.
        missing: &'static str,
    },
    /// A bare board dump without a beginning.
    #[error("{}: is a bare board dump; say when it began with --began TIME", path.display())]
    BeganMissing {
        /// The dump.
        path: PathBuf,
    },
    /// A file name or stream name the archive cannot use.
    #[error("{}: {why}", path.display())]
    BadName {
        /// The file.
        path: PathBuf,
        /// What is wrong with its name.
        why: &'static str,
    },
    /// A Parquet file that cannot be written or read.
    #[error("{}: {source}", path.display())]
    Parquet {
        /// The file.
        path: PathBuf,
        /// What the Parquet library says.
        source: parquet::errors::ParquetError,
    },
    /// A table file whose columns are not those of the data contract.
    #[error("{}: {why}", path.display())]
    BadTable {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// A job file of the record that cannot be used.
    #[error("{}: {why}", path.display())]
    BadJob {
        /// The job file.
        path: PathBuf,
        /// What is wrong, with key and line.
        why: String,
    },
    /// A customer file that cannot be used.
    #[error("{}: {why}", path.display())]
    BadCustomer {
        /// The customer file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// The thread that read a raw log ahead broke off.
    #[error("{}: the reader of the log has broken off", path.display())]
    ReaderGone {
        /// The raw log.
        path: PathBuf,
    },
    /// A finished record whose raw logs are damaged: recording on would make its tables again, and they could not all be.
    #[error("{}: is damaged or gone; its record is finished and stays as it is: record into another directory", path.display())]
    DamagedRecord {
        /// The raw log.
        path: PathBuf,
    },
    /// The background writer is gone, after an error that was reported before.
    #[error("{}: the writer of the tables has stopped after an earlier error", path.display())]
    WriterGone {
        /// The record directory.
        path: PathBuf,
    },
}

/// The archive's result.
pub type Result<T> = std::result::Result<T, ArchiveError>;

/// Puts the file and the deed beside an I/O error.
pub(crate) trait At<T> {
    /// `action` is a verb phrase: "could not ACTION".
    fn at(self, path: &Path, action: &'static str) -> Result<T>;
}

impl<T> At<T> for io::Result<T> {
    fn at(self, path: &Path, action: &'static str) -> Result<T> {
        self.map_err(|source| ArchiveError::Io {
            path: path.to_path_buf(),
            action,
            source,
        })
    }
}

impl<T> At<T> for parquet::errors::Result<T> {
    fn at(self, path: &Path, _action: &'static str) -> Result<T> {
        self.map_err(|source| ArchiveError::Parquet {
            path: path.to_path_buf(),
            source,
        })
    }
}
