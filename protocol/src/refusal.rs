//! Why a line was refused, in plain words, and how often each kind happened.

use core::fmt;

use crate::{MAX_BODY_BYTES, MAX_LINE_BYTES, VERSION};

/// Why a line was refused. The first four are damage or a wrong baud rate; the others came with a good CRC and are
/// therefore the board's own doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Nothing on the line, or nothing before its CRC.
    Empty,
    /// A body of more than [`MAX_BODY_BYTES`], or a line of more than [`MAX_LINE_BYTES`].
    TooLong,
    /// The line does not end in `~` and four upper-case hexadecimal digits.
    NoCrc,
    /// The CRC is not that of the body.
    BadCrc,
    /// The CRC is good, but a byte of the body is not 0x20..0x7D.
    BadByte,
    /// Fields missing, of the wrong form, or out of their range.
    Malformed,
    /// A hello of another protocol version, the one given.
    Version(u32),
    /// A `C` (its index) whose place is a name kept for the tables.
    ReservedPlace(u8),
    /// A `C` (its index) whose place another channel of the set already has.
    DuplicatePlace(u8),
    /// A `C` whose index is not below the CHANNELS of its hello.
    UndeclaredChannel(u8),
    /// A `C` (its index) that contradicts one of the same index and set.
    Contradiction(u8),
    /// An `S` whose number of values is not that of the channel table in force.
    ValueCount,
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => f.write_str("the line is empty"),
            Self::TooLong => write!(
                f,
                "the line is too long: at most {MAX_BODY_BYTES} bytes before the ~, {MAX_LINE_BYTES} in all"
            ),
            Self::NoCrc => {
                f.write_str("the line does not end in ~ and four upper-case hexadecimal digits")
            }
            Self::BadCrc => f.write_str("the CRC does not agree: the line was damaged on its way"),
            Self::BadByte => {
                f.write_str("a byte of the line is not a printable ASCII character below ~")
            }
            Self::Malformed => {
                f.write_str("a field of the line is missing, of the wrong form or out of its range")
            }
            Self::Version(version) => write!(
                f,
                "the board speaks protocol version {version}, this program reads protocol version {VERSION}"
            ),
            Self::ReservedPlace(index) => {
                write!(f, "channel {index}: the name of its place is reserved")
            }
            Self::DuplicatePlace(index) => {
                write!(f, "channel {index}: another channel already has its place")
            }
            Self::UndeclaredChannel(index) => {
                write!(
                    f,
                    "channel {index}: the board's hello declares fewer channels than that"
                )
            }
            Self::Contradiction(index) => {
                write!(f, "channel {index}: declared twice in one set, differently")
            }
            Self::ValueCount => f.write_str("the sample has not one value for every channel"),
        }
    }
}

impl core::error::Error for Refusal {}

/// Number of kinds of [`Refusal`].
const KINDS: usize = 12;
/// Names of the kinds, in the order of the counters; fit for a metric's label.
const NAMES: [&str; KINDS] = [
    "empty",
    "too-long",
    "no-crc",
    "bad-crc",
    "bad-byte",
    "malformed",
    "version",
    "reserved-place",
    "duplicate-place",
    "undeclared-channel",
    "contradiction",
    "value-count",
];

impl Refusal {
    /// A short name of the kind, such as `bad-crc`.
    #[must_use]
    pub fn name(&self) -> &'static str {
        NAMES.get(self.kind()).copied().unwrap_or_default()
    }

    /// Whether the line was damaged on its way (or the baud rate is wrong), as against sent wrongly by the board.
    #[must_use]
    pub const fn is_damage(&self) -> bool {
        matches!(
            self,
            Self::Empty | Self::TooLong | Self::NoCrc | Self::BadCrc
        )
    }

    const fn kind(&self) -> usize {
        match self {
            Self::Empty => 0,
            Self::TooLong => 1,
            Self::NoCrc => 2,
            Self::BadCrc => 3,
            Self::BadByte => 4,
            Self::Malformed => 5,
            Self::Version(_) => 6,
            Self::ReservedPlace(_) => 7,
            Self::DuplicatePlace(_) => 8,
            Self::UndeclaredChannel(_) => 9,
            Self::Contradiction(_) => 10,
            Self::ValueCount => 11,
        }
    }
}

/// Counters: one for every kind of refusal, one for records of an unknown kind, one for lines that came twice.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Refusals {
    refused: [u64; KINDS],
    unknown: u64,
    repeated: u64,
}

impl Refusals {
    /// All zero.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            refused: [0; KINDS],
            unknown: 0,
            repeated: 0,
        }
    }

    /// Counts one refused line.
    pub fn add(&mut self, refusal: &Refusal) {
        if let Some(counter) = self.refused.get_mut(refusal.kind()) {
            *counter = counter.saturating_add(1);
        }
    }

    /// Counts one good line of an unknown kind.
    pub const fn add_unknown(&mut self) {
        self.unknown = self.unknown.saturating_add(1);
    }

    /// Counts one sample line that was the same as the one before it.
    pub const fn add_repeated(&mut self) {
        self.repeated = self.repeated.saturating_add(1);
    }

    /// Adds another's counts to these.
    pub fn absorb(&mut self, other: &Self) {
        for (counter, more) in self.refused.iter_mut().zip(other.refused) {
            *counter = counter.saturating_add(more);
        }
        self.unknown = self.unknown.saturating_add(other.unknown);
        self.repeated = self.repeated.saturating_add(other.repeated);
    }

    /// How many lines were refused for this kind of reason, whatever number the refusal carries.
    #[must_use]
    pub fn count(&self, kind: &Refusal) -> u64 {
        self.refused.get(kind.kind()).copied().unwrap_or_default()
    }

    /// Good lines of an unknown kind: skipped, not refused.
    #[must_use]
    pub const fn unknown(&self) -> u64 {
        self.unknown
    }

    /// Sample lines that came twice: skipped, not refused.
    #[must_use]
    pub const fn repeated(&self) -> u64 {
        self.repeated
    }

    /// Refused lines of every kind together.
    #[must_use]
    pub fn total(&self) -> u64 {
        self.refused
            .iter()
            .fold(0, |sum: u64, &count| sum.saturating_add(count))
    }

    /// Every counter with its name, zeros too: the kinds of refusal, then `unknown-kind` and `repeated`.
    pub fn iter(&self) -> impl Iterator<Item = (&'static str, u64)> + '_ {
        NAMES
            .into_iter()
            .zip(self.refused)
            .chain([("unknown-kind", self.unknown), ("repeated", self.repeated)])
    }
}
