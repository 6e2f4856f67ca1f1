//! What a person may have done by the page, and the one way there is to have it done.
//!
//! The dashboard itself changes nothing: it hands what a person said to the [`Hand`] it was given, which belongs to whoever
//! owns the record, and answers when that says that it is safe. A dashboard without a hand can only be read.
//!
//! A new thing that can be done is a method of [`Hand`] with a default that refuses, and a route made with
//! [`change`](crate::change::change). It takes checked values, never free text that a note or a command could be made of.

use std::fmt;
use std::future::Future;
use std::pin::Pin;

use nightclamp_analysis::bench::Act;
use nightclamp_analysis::reading::Reading;
use nightclamp_protocol::BoardId;

/// Longest mark, characters.
pub const MARK_CHARS_MAX: usize = 160;

/// An answer that is waited for.
pub type Answer<'a, T> = Pin<Box<dyn Future<Output = Result<T, Refused>> + Send + 'a>>;

/// Has done what a person asks for.
pub trait Hand: Send + Sync + 'static {
    /// Writes what a person said into the raw log of `board`, and answers once it is safe on disk.
    fn note(&self, board: BoardId, said: Said) -> Answer<'_, Noted> {
        let _ = (board, said);
        Box::pin(async { Err(Refused::NoHand) })
    }
}

/// No hand: nothing can be changed.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoHand;

impl Hand for NoHand {}

/// What a person said, to be kept as said. It changes nothing that a board said.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// Something happened now.
    Mark(Mark),
    /// Something was measured by hand.
    Reading(Reading),
    /// Something was done in a bench test.
    Bench(Done),
}

impl Said {
    /// The note for the raw log, what comes after `#MICROS `. It begins with `mark `, `reading ` or `bench `, whatever was typed.
    pub fn note(&self) -> String {
        match self {
            Self::Mark(mark) => format!("mark {}", mark.0),
            Self::Reading(reading) => reading.note(),
            Self::Bench(done) => done.0.clone(),
        }
    }
}

/// The text of a mark: 1 to [`MARK_CHARS_MAX`] characters on one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark(String);

impl Mark {
    /// A mark, if that can be one.
    pub fn new(text: &str) -> Option<Self> {
        let text = text.trim();
        let is_fit = !text.is_empty()
            && text.chars().count() <= MARK_CHARS_MAX
            && !text.chars().any(is_unfit);
        is_fit.then(|| Self(text.to_owned()))
    }
}

/// What somebody did in a bench test: an [`Act`] with his name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Done(String);

impl Done {
    /// An act, if that can be the name of somebody.
    pub fn new(act: Act, by: &str) -> Option<Self> {
        let by = by.trim();
        let is_fit = !by.is_empty() && !by.chars().any(is_unfit);
        act.note(by).filter(|_| is_fit).map(Self)
    }
}

/// Control characters, and those that break a line or turn the direction of what follows.
fn is_unfit(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// A note that is safe on disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Noted {
    /// Its stamp: the host's wall clock, µs since the Unix epoch.
    pub at_us: i64,
}

/// Why it was not done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refused {
    /// This dashboard can only be read.
    NoHand,
    /// Nothing is recorded from that board.
    NoSuchBoard,
    /// So much waits to be written that nothing more is taken.
    Busy,
    /// It has been taken down, but the disk has not taken it yet.
    NotSafeYet,
    /// The disk takes nothing, and it is lost.
    Lost,
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoHand => "nothing can be changed here: this dashboard only shows a record",
            Self::NoSuchBoard => "nothing is recorded from that compressor's board",
            Self::Busy => "the recorder is far behind with writing: nothing was taken down, try again",
            Self::NotSafeYet => {
                "the disk has not taken it yet: it is kept in memory and written when the disk takes it; do not send it again"
            }
            Self::Lost => "the disk takes nothing: it was not taken down",
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use super::*;

    #[test]
    fn nothing_that_is_typed_becomes_another_note_than_a_mark() {
        let note = |text: &str| Mark::new(text).map(|mark| Said::Mark(mark).note());
        assert_eq!(note("  door open ").unwrap(), "mark door open");
        assert_eq!(
            note("job file=x sha256=0").unwrap(),
            "mark job file=x sha256=0"
        );
        for text in [
            "",
            "  ",
            "a\nb",
            "a\u{2028}b",
            "\u{1b}[2J",
            "a\u{202e}b",
            &"x".repeat(161),
        ] {
            assert_eq!(note(text), None, "{text:?}");
        }
    }
}
