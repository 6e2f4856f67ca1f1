//! Words of a report, each figure in them with where it comes from.
//!
//! [`Words::say`] takes only text that stands in the program. Whatever comes from a record, a job file or a computation has to go
//! through [`Words::figure`], and brings its [`Source`]: so every number of a report can be traced, and a test does that.

use nightclamp_analysis::rows::RecordTime;

/// A table of the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Table {
    /// One row an event.
    Events,
    /// One row an on-period.
    Cycles,
}

/// What is made of the figures of several rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fold {
    /// How many rows.
    Count,
    /// The least of a column.
    Least,
    /// The median of a column.
    Median,
    /// The most of a column.
    Most,
}

/// Where a figure or a text comes from.
#[derive(Debug, Clone, PartialEq)]
pub enum Source {
    /// One cell of a table: `row` is its `on_at` or `time`.
    Cell {
        /// The table.
        table: Table,
        /// The unit, or the board as `board-ID`.
        unit: String,
        /// Which row.
        row: RecordTime,
        /// Which column.
        column: &'static str,
    },
    /// Cells of several rows of a unit's cycles, taken together.
    Cells {
        /// The unit.
        unit: String,
        /// Which rows.
        rows: Vec<RecordTime>,
        /// Which column.
        column: &'static str,
        /// How they are taken together.
        fold: Fold,
    },
    /// A key of the job file, below the unit's section if there is one.
    Job {
        /// The unit, empty for the job itself.
        unit: String,
        /// The key with its section, as `protector.opens_c`.
        key: &'static str,
    },
    /// A figure that the heart computes from all rows of a unit within the period: `cycling.duty.share`.
    Heart {
        /// The unit.
        unit: String,
        /// Its name.
        name: String,
    },
    /// A figure or a text of the results of the bench test: `runs.2.on_s`, counted from 0.
    Bench(String),
    /// A sentence of the heart as it stands, and the rows on which it rests.
    Sentence {
        /// The unit.
        unit: String,
        /// Which.
        kind: &'static str,
        /// `on_at` or `time` of its rows.
        rows: Vec<RecordTime>,
    },
    /// The record as a whole: manifest, check, software, boards.
    Record(&'static str),
    /// What a file is, as its manifest line says.
    File {
        /// Its path.
        path: String,
        /// `bytes`, `rows` or `sha256`.
        column: &'static str,
    },
    /// A constant of the method, by its name.
    Rule(&'static str),
    /// A scale that was chosen for the paper: ticks of an axis, numbers of figures and lines.
    Paper,
}

/// A stretch of text of one kind.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// As it is printed.
    pub text: String,
    /// Printed bold.
    pub is_bold: bool,
    /// Where it comes from; none for text that stands in the program.
    pub source: Option<Source>,
}

/// Words with their figures.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Words {
    /// The runs in order.
    pub runs: Vec<Run>,
}

impl Words {
    /// No words yet.
    pub const fn new() -> Self {
        Self { runs: Vec::new() }
    }

    /// Words that stand in the program.
    pub fn of(text: &'static str) -> Self {
        Self::new().say(text)
    }

    /// A figure alone.
    pub fn figured(text: impl Into<String>, source: Source) -> Self {
        Self::new().figure(text, source)
    }

    /// Adds words that stand in the program.
    #[must_use]
    pub fn say(mut self, text: &'static str) -> Self {
        self.push(text.to_owned(), false, None);
        self
    }

    /// Adds bold words that stand in the program.
    #[must_use]
    pub fn stress(mut self, text: &'static str) -> Self {
        self.push(text.to_owned(), true, None);
        self
    }

    /// Adds a figure, or a text from outside, with where it comes from.
    #[must_use]
    pub fn figure(mut self, text: impl Into<String>, source: Source) -> Self {
        self.push(text.into(), false, Some(source));
        self
    }

    /// Adds other words.
    #[must_use]
    pub fn then(mut self, other: Self) -> Self {
        self.runs.extend(other.runs);
        self
    }

    /// The same words, bold.
    #[must_use]
    pub fn bold(mut self) -> Self {
        self.runs.iter_mut().for_each(|run| run.is_bold = true);
        self
    }

    fn push(&mut self, text: String, is_bold: bool, source: Option<Source>) {
        if !text.is_empty() {
            let text = printable(&text);
            self.runs.push(Run {
                text,
                is_bold,
                source,
            });
        }
    }

    /// Whether there is nothing.
    pub const fn is_empty(&self) -> bool {
        self.runs.is_empty()
    }

    /// The whole text.
    pub fn text(&self) -> String {
        self.runs.iter().map(|run| run.text.as_str()).collect()
    }
}

impl From<&'static str> for Words {
    fn from(text: &'static str) -> Self {
        Self::of(text)
    }
}

/// Text in which nothing is left that could break a line, turn its direction or hide: such a character becomes a space.
pub fn printable(text: &str) -> String {
    let is_unfit = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
    };
    let fit = |c: char| if is_unfit(c) { ' ' } else { c };
    text.chars().map(fit).collect()
}
