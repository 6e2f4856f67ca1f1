//! What a reader elsewhere may ask of the tables on disk: the rows of a stretch, as a file of its own. The heart reads nothing;
//! this is the question, and [`History`](crate::overview::History) is what its shell answers with.

use std::ops::Range;

use crate::rows::RecordTime;

/// A table that anybody may read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TableName {
    /// One row a sample line of a board.
    Samples,
    /// One row an event of a unit, or of a board.
    Events,
    /// One row an on-period of a unit with the off-period after it.
    Cycles,
}

impl TableName {
    /// As directories, commands and addresses call it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Samples => "samples",
            Self::Events => "events",
            Self::Cycles => "cycles",
        }
    }

    /// The column that says whose a row is.
    pub const fn by(self) -> &'static str {
        match self {
            Self::Samples => "board",
            Self::Events | Self::Cycles => "unit",
        }
    }
}

/// What the file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// RFC 4180, with a header.
    Csv,
    /// Parquet.
    Parquet,
}

/// The rows that are wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excerpt {
    /// Of this table.
    pub table: TableName,
    /// Whose: names of units, `board-ID`; of samples a board's id.
    pub of: Vec<String>,
    /// From when until when (not counted in): of a sample or an event its instant; a cycle counts if it, or the off-period
    /// after it, reaches into the stretch.
    pub times: Range<RecordTime>,
    /// Only rows with these words in these columns; `None`: with none.
    pub only: Vec<(&'static str, Option<String>)>,
    /// As what.
    pub form: Form,
    /// Of files with more rows than this nothing is given.
    pub rows_max: u64,
}

/// Why there is no excerpt, or not a whole one.
#[derive(Debug, thiserror::Error)]
pub enum ExcerptError {
    /// It would be too long.
    #[error("up to {rows} rows are in this stretch, and {rows_max} are given at a time")]
    TooLong {
        /// Rows of the files that would have to be read.
        rows: u64,
        /// The bound.
        rows_max: u64,
    },
    /// A file cannot be read, in words.
    #[error("{0}")]
    Unreadable(String),
    /// Whoever asked does not take it any more.
    #[error("nobody takes it any more")]
    NotTaken,
}
