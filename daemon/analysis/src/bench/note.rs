//! What a person does in a bench test, beside readings by hand: recorder's notes in the raw log.
//!
//! ```text
//! #MICROS bench acknowledged by=J. Doe     the cautions have been read
//! #MICROS bench by-hand by=J. Doe          the current ended, or ends now, by the person's switch and not by the protector
//! #MICROS bench skip by=J. Doe             the reading by hand that is asked for is not taken
//! #MICROS bench abort by=J. Doe            stopped; what runs counts for nothing
//! #MICROS bench resume by=J. Doe           goes on with the repeat that was due
//! #MICROS bench done by=J. Doe             over, finished or not
//! ```
//!
//! A reading is a note of its own, `reading unit=NAME what=protector-cold value=OL by=...`: see [`crate::reading`]. Each note
//! becomes an event `mark` of the plan's unit, whose detail is the note's text; so the test can be told again from the raw log
//! alone. [`Act::note`] writes what comes after `#MICROS `.

use crate::reading::BY_CHARS_MAX;
use crate::rows::{EventKind, EventRow};

/// Longest note, bytes.
const NOTE_BYTES_MAX: usize = 320;

/// What a person says to have done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Act {
    /// Has read the cautions.
    Acknowledged,
    /// The current ended, or ends now, by hand: not the protector's opening.
    ByHand,
    /// Does not take the reading that is asked for.
    Skip,
    /// Stops the test.
    Abort,
    /// Goes on with it.
    Resume,
    /// Ends it.
    Done,
}

/// Every act.
pub const ACTS: [Act; 6] = [
    Act::Acknowledged,
    Act::ByHand,
    Act::Skip,
    Act::Abort,
    Act::Resume,
    Act::Done,
];

impl Act {
    /// As written in the note.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Acknowledged => "acknowledged",
            Self::ByHand => "by-hand",
            Self::Skip => "skip",
            Self::Abort => "abort",
            Self::Resume => "resume",
            Self::Done => "done",
        }
    }

    /// What it says, for the person.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Acknowledged => "the cautions have been read, and are kept to",
            Self::ByHand => "the current ended, or ends now, by your switch",
            Self::Skip => "the reading that is asked for is not taken",
            Self::Abort => "stops the test; what runs counts for nothing",
            Self::Resume => "goes on with the repeat that was due",
            Self::Done => "the test is over, finished or not",
        }
    }

    /// The act of that name.
    pub fn named(name: &str) -> Option<Self> {
        ACTS.into_iter().find(|act| act.as_str() == name)
    }

    /// The note's text, on one line; `None` for a name that is longer than 60 characters or not on one line.
    pub fn note(self, by: &str) -> Option<String> {
        let by = by.trim();
        let fits = by.chars().count() <= BY_CHARS_MAX && !by.chars().any(char::is_control);
        fits.then(|| format!("bench {} by={by}", self.as_str()))
    }

    /// Reads the text of a note after the word `bench`: the act, and who. Untrusted: what is none is `None`.
    pub fn parse(fields: &str) -> Option<(Self, &str)> {
        if fields.len() > NOTE_BYTES_MAX {
            return None;
        }
        let (name, by) = fields.split_once(" by=")?;
        let act = Self::named(name)?;
        act.note(by).map(|_| (act, by))
    }

    /// Reads it back from an event.
    pub fn from_event(event: &EventRow) -> Option<(Self, &str)> {
        if event.kind != EventKind::Mark {
            return None;
        }
        Self::parse(event.detail.strip_prefix("bench ")?)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // tests stop where something is wrong
    use super::*;

    #[test]
    fn an_act_is_read_as_it_was_written() {
        for act in ACTS {
            let note = act.note(" J. Doe by=hand ").unwrap();
            let fields = note.strip_prefix("bench ").unwrap();
            assert_eq!(Act::parse(fields), Some((act, "J. Doe by=hand")));
        }
        assert_eq!(Act::Abort.note("").as_deref(), Some("bench abort by="));
        assert_eq!(Act::Abort.note(&"n".repeat(61)), None);
        for none in ["", "abort", "abort by", "start by=J", "abort by=J.\u{7}"] {
            assert_eq!(Act::parse(none), None, "{none}");
        }
    }
}
