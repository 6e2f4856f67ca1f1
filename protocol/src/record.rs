//! What a good line says: one type for every kind of record. `Display` writes a record's BODY.

use core::fmt;
use core::ops::Deref;
use core::str::FromStr;

use crate::{MAX_CHANNELS, VERSION};

/// A board's id: 8 lower-case hexadecimal digits, kept as the number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub struct BoardId(pub u32);

impl BoardId {
    /// Reads exactly 8 lower-case hexadecimal digits; anything else is `None`.
    #[must_use]
    pub fn parse(text: &[u8]) -> Option<Self> {
        if text.len() != 8 {
            return None;
        }
        text.iter()
            .try_fold(0_u32, |id, &digit| {
                let value = match digit {
                    b'0'..=b'9' => digit - b'0',
                    b'a'..=b'f' => digit - b'a' + 10,
                    _ => return None,
                };
                Some((id << 4) | u32::from(value))
            })
            .map(Self)
    }
}

impl fmt::Display for BoardId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:08x}", self.0)
    }
}

impl FromStr for BoardId {
    type Err = BadBoardId;

    fn from_str(text: &str) -> Result<Self, BadBoardId> {
        Self::parse(text.as_bytes()).ok_or(BadBoardId)
    }
}

/// The text is not 8 lower-case hexadecimal digits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BadBoardId;

impl fmt::Display for BadBoardId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a board id is 8 lower-case hexadecimal digits, such as 7f3a91c2")
    }
}

impl core::error::Error for BadBoardId {}

/// What a channel measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Quantity {
    /// RMS current over the sample period, in A.
    Current,
    /// RMS voltage over the sample period, in V.
    Voltage,
    /// Temperature, converted on the board, in Cel.
    Temperature,
    /// EMF of a thermocouple, not compensated for its reference junction, in V.
    Emf,
    /// Resistance of a resistance thermometer or thermistor, in Ohm.
    Resistance,
    /// A contact: 0 open, 1 closed.
    Contact,
}

impl Quantity {
    /// Every quantity of protocol version 1.
    pub const ALL: [Self; 6] = [
        Self::Current,
        Self::Voltage,
        Self::Temperature,
        Self::Emf,
        Self::Resistance,
        Self::Contact,
    ];

    /// Its name on the wire.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Current => "current",
            Self::Voltage => "voltage",
            Self::Temperature => "temperature",
            Self::Emf => "emf",
            Self::Resistance => "resistance",
            Self::Contact => "contact",
        }
    }

    /// Its one unit, as a UCUM code.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Current => "A",
            Self::Voltage | Self::Emf => "V",
            Self::Temperature => "Cel",
            Self::Resistance => "Ohm",
            Self::Contact => "1",
        }
    }

    pub(crate) fn parse(name: &str) -> Option<Self> {
        Self::ALL
            .into_iter()
            .find(|quantity| quantity.as_str() == name)
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// Why there is no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fault {
    /// `x`: not read.
    NotRead,
    /// `o`: the sensor is open.
    Open,
    /// `s`: the sensor is shorted.
    Shorted,
    /// `r`: out of the range the board can measure.
    OutOfRange,
}

impl Fault {
    /// Its letter on the wire.
    #[must_use]
    pub const fn letter(self) -> char {
        match self {
            Self::NotRead => 'x',
            Self::Open => 'o',
            Self::Shorted => 's',
            Self::OutOfRange => 'r',
        }
    }

    /// The fault a letter stands for.
    #[must_use]
    pub const fn from_letter(letter: u8) -> Option<Self> {
        match letter {
            b'x' => Some(Self::NotRead),
            b'o' => Some(Self::Open),
            b's' => Some(Self::Shorted),
            b'r' => Some(Self::OutOfRange),
            _ => None,
        }
    }
}

/// One channel's reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Reading {
    /// The integer as sent; the value is this times 10^EXP in the channel's unit.
    Number(i32),
    /// A letter in place of a number.
    Fault(Fault),
}

impl fmt::Display for Reading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Number(number) => write!(f, "{number}"),
            Self::Fault(fault) => write!(f, "{}", fault.letter()),
        }
    }
}

/// One sample's readings, in channel order: 0 to [`MAX_CHANNELS`] of them, kept in place. Used as a slice.
#[derive(Clone, Copy)]
pub struct Readings {
    readings: [Reading; MAX_CHANNELS],
    len: u8,
}

impl Readings {
    /// No readings.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            readings: [Reading::Number(0); MAX_CHANNELS],
            len: 0,
        }
    }

    /// Adds a reading; `false`, and nothing added, if there are [`MAX_CHANNELS`] already.
    #[inline]
    pub fn push(&mut self, reading: Reading) -> bool {
        let Some(free) = self.readings.get_mut(usize::from(self.len)) else {
            return false;
        };
        *free = reading;
        self.len += 1;
        true
    }

    /// A copy of `readings`; `None` if there are more than [`MAX_CHANNELS`].
    #[must_use]
    pub fn from_slice(readings: &[Reading]) -> Option<Self> {
        let mut copy = Self::new();
        readings
            .iter()
            .all(|&reading| copy.push(reading))
            .then_some(copy)
    }
}

impl Default for Readings {
    fn default() -> Self {
        Self::new()
    }
}

impl Deref for Readings {
    type Target = [Reading];

    fn deref(&self) -> &[Reading] {
        self.readings
            .get(..usize::from(self.len))
            .unwrap_or_default()
    }
}

impl PartialEq for Readings {
    fn eq(&self, other: &Self) -> bool {
        **self == **other
    }
}

impl Eq for Readings {}

impl fmt::Debug for Readings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(&**self, f)
    }
}

/// One good line from a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Record<'a> {
    /// `H`: the board says who it is.
    Hello(Hello<'a>),
    /// `C`: one channel of the table that follows a hello.
    Channel(Channel<'a>),
    /// `S`: one sample of every channel.
    Sample(Sample),
    /// `N`: something happened on the board.
    Notice(Notice<'a>),
    /// `A`: what became of a command of the host.
    Answer(Answer<'a>),
    /// A kind this version does not know (its character): counted and skipped.
    Unknown(u8),
}

/// `H`: who the board is, and how many `C` lines follow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hello<'a> {
    /// The board.
    pub id: BoardId,
    /// How many times it has started, kept across power loss.
    pub boot: u32,
    /// Number of channels, 1 to [`MAX_CHANNELS`].
    pub channels: u8,
    /// Nominal sample period in ms, at least 1.
    pub period_ms: u32,
    /// The firmware's own name for itself, one field.
    pub firmware: &'a str,
}

/// `C`: one channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Channel<'a> {
    /// Which value of a sample it is, from 0; below [`MAX_CHANNELS`].
    pub index: u8,
    /// What it measures; decides the unit.
    pub quantity: Quantity,
    /// Power of ten of the integers, [`crate::MIN_EXP`] to [`crate::MAX_EXP`].
    pub exp: i8,
    /// Where it measures; unique on the board.
    pub place: &'a str,
    /// With what it measures.
    pub sensor: &'a str,
}

/// `S`: one sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sample {
    /// Counts sample periods since boot, also those not sent; wraps.
    pub seq: u16,
    /// The board's clock at the end of the period, in ms; wraps.
    pub ms: u32,
    /// One reading for every channel, in order.
    pub readings: Readings,
}

/// `N`: a notice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Notice<'a> {
    /// The board's clock, in ms.
    pub ms: u32,
    /// `boot`, `mark` or `fault`; another word is let through and means nothing yet.
    pub what: &'a str,
    /// The rest of the body, may be empty.
    pub detail: &'a str,
}

/// `A`: an answer to a command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Answer<'a> {
    /// The board's clock, in ms.
    pub ms: u32,
    /// The character of the command answered.
    pub command: u8,
    /// Whether it was done.
    pub ok: bool,
    /// The rest of the body, may be empty.
    pub reason: &'a str,
}

/// Writes the BODY. A text field that breaks the protocol's rules is written as it is: a reader will refuse the line.
impl fmt::Display for Record<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Hello(hello) => hello.fmt(f),
            Self::Channel(channel) => channel.fmt(f),
            Self::Sample(sample) => sample.fmt(f),
            Self::Notice(notice) => notice.fmt(f),
            Self::Answer(answer) => answer.fmt(f),
            Self::Unknown(kind) => write!(f, "{}", char::from(*kind)),
        }
    }
}

impl fmt::Display for Hello<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            id,
            boot,
            channels,
            period_ms,
            firmware,
        } = self;
        write!(
            f,
            "H {VERSION} {id} {boot} {channels} {period_ms} {firmware}"
        )
    }
}

impl fmt::Display for Channel<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            index,
            quantity,
            exp,
            place,
            sensor,
        } = self;
        write!(
            f,
            "C {index} {quantity} {} {exp} {place} {sensor}",
            quantity.unit()
        )
    }
}

impl fmt::Display for Sample {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "S {} {}", self.seq, self.ms)?;
        self.readings
            .iter()
            .try_for_each(|reading| write!(f, " {reading}"))
    }
}

impl fmt::Display for Notice<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "N {} {}", self.ms, self.what)?;
        rest(f, self.detail)
    }
}

impl fmt::Display for Answer<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = if self.ok { "ok" } else { "no" };
        write!(f, "A {} {} {word}", self.ms, char::from(self.command))?;
        rest(f, self.reason)
    }
}

/// Free text at the end of a body: with its separator, or nothing at all.
fn rest(f: &mut fmt::Formatter<'_>, text: &str) -> fmt::Result {
    if text.is_empty() {
        Ok(())
    } else {
        write!(f, " {text}")
    }
}
