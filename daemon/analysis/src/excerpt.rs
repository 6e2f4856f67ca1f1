//! What a reader elsewhere may ask of the tables on disk: the rows of a stretch, as a file of its own; and tables that are
//! made of rows for a page ([`Made`]), to become such a file. The heart reads and writes nothing; this is the question, and
//! [`History`](crate::overview::History) is what its shell answers with.

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
    /// One row eight seconds of a unit: lowest and highest of what a chart shows.
    Overview,
}

impl TableName {
    /// As directories, commands and addresses call it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Samples => "samples",
            Self::Events => "events",
            Self::Cycles => "cycles",
            Self::Overview => "overview",
        }
    }

    /// The column that says whose a row is.
    pub const fn by(self) -> &'static str {
        match self {
            Self::Samples => "board",
            Self::Events | Self::Cycles | Self::Overview => "unit",
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
    /// From when until when (not counted in): of a sample or an event its instant, of eight seconds where they begin; a cycle
    /// counts if it, or the off-period after it, reaches into the stretch.
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
    /// A table is being sealed all the time: it can be asked for again.
    #[error("a table takes long to be sealed: ask again")]
    Busy,
    /// Whoever asked does not take it any more.
    #[error("nobody takes it any more")]
    NotTaken,
}

/// What one column of a table that was made holds, one a row.
#[derive(Debug, Clone, PartialEq)]
pub enum Cells {
    /// Instants, record time, µs.
    Instants(Vec<Option<RecordTime>>),
    /// Figures, all of them finite.
    Figures(Vec<Option<f64>>),
    /// Whole numbers.
    Counts(Vec<Option<u64>>),
    /// Texts.
    Words(Vec<Option<String>>),
    /// Yes or no.
    Truths(Vec<Option<bool>>),
}

/// A table that was made of rows for a page: what it shows, for a file. Its first column is the unit's name.
#[derive(Debug, Clone, PartialEq)]
pub struct Made {
    /// The unit it is of.
    pub unit: String,
    /// How many rows it has.
    pub rows: usize,
    /// The other columns, each with its name.
    pub columns: Vec<(String, Cells)>,
}

/// A [`Made`] that is given its columns, one after the other, each by what it has of a row.
pub struct Making<'a, T> {
    of: &'a [T],
    made: Made,
}

impl Made {
    /// Begins a table of a unit with a row for each of these.
    pub fn of<'a, T>(unit: &str, of: &'a [T]) -> Making<'a, T> {
        let made = Self {
            unit: unit.to_owned(),
            rows: of.len(),
            columns: Vec::new(),
        };
        Making { of, made }
    }
}

impl<T> Making<'_, T> {
    fn column(mut self, name: impl Into<String>, cells: Cells) -> Self {
        self.made.columns.push((name.into(), cells));
        self
    }

    /// A column of instants, record time, µs.
    #[must_use]
    pub fn instant(self, name: &str, of: impl Fn(&T) -> Option<RecordTime>) -> Self {
        let cells = Cells::Instants(self.of.iter().map(of).collect());
        self.column(name, cells)
    }

    /// A column of figures; one that is not finite is none.
    #[must_use]
    pub fn figure(self, name: impl Into<String>, of: impl Fn(&T) -> Option<f64>) -> Self {
        let finite = |row| of(row).filter(|figure: &f64| figure.is_finite());
        let cells = Cells::Figures(self.of.iter().map(finite).collect());
        self.column(name, cells)
    }

    /// A column of whole numbers.
    #[must_use]
    pub fn count(self, name: &str, of: impl Fn(&T) -> Option<usize>) -> Self {
        let count = |row| of(row).map(|count| count as u64);
        let cells = Cells::Counts(self.of.iter().map(count).collect());
        self.column(name, cells)
    }

    /// A column of texts.
    #[must_use]
    pub fn word<W: Into<String>>(self, name: &str, of: impl Fn(&T) -> Option<W>) -> Self {
        let word = |row| of(row).map(Into::into);
        let cells = Cells::Words(self.of.iter().map(word).collect());
        self.column(name, cells)
    }

    /// A column of yes and no.
    #[must_use]
    pub fn truth(self, name: &str, of: impl Fn(&T) -> Option<bool>) -> Self {
        let cells = Cells::Truths(self.of.iter().map(of).collect());
        self.column(name, cells)
    }

    /// The table with the columns it was given.
    pub fn made(self) -> Made {
        self.made
    }
}
