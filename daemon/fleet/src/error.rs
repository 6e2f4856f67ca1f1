//! What can go wrong, always with the file or the place it went wrong with.

use std::io;
use std::path::PathBuf;

/// An error of pushing a record.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FleetError {
    /// A file of the record cannot be read.
    #[error("{}: could not be read: {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// The record cannot be read.
    #[error(transparent)]
    Archive(#[from] nightclamp_archive::ArchiveError),
    /// The record is not one that can be pushed.
    #[error("{}: {why}", path.display())]
    NotReady {
        /// The record directory, or a file in it.
        path: PathBuf,
        /// Why not, and what to do.
        why: String,
    },
    /// An address that cannot be used.
    #[error("{url}: {why}")]
    Address {
        /// As given.
        url: String,
        /// What is wrong.
        why: String,
    },
    /// Something else is there already.
    #[error("{place}: {why}; nothing was overwritten")]
    Occupied {
        /// Where.
        place: String,
        /// What is there.
        why: String,
    },
    /// What was uploaded does not read back as it was sent.
    #[error(
        "{place}: does not read back as it was sent; remove it there and call again, nothing is deleted from afar"
    )]
    NotAsSent {
        /// Where.
        place: String,
    },
    /// The store refused, or did not answer.
    #[error("{place}: {source}")]
    Store {
        /// Where.
        place: String,
        /// What it said.
        source: object_store::Error,
    },
}

/// The crate's result.
pub type Result<T> = std::result::Result<T, FleetError>;
