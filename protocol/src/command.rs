//! What the host says to a board, framed like everything else.

use core::fmt;

use crate::decode::{checked_body, split_kind};
use crate::{MAX_CHANNELS, MAX_PERIOD_MS, MIN_PERIOD_MS, Refusal};

/// One command of the host. `Display` writes its BODY.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Command {
    /// `?`: say hello.
    Hello,
    /// `P MS`: set the sample period, [`MIN_PERIOD_MS`] to [`MAX_PERIOD_MS`].
    Period(u32),
    /// `Z INDEX`: take the present reading of a current channel as zero.
    Zero(u8),
    /// Another command (its character): a board answers `no`.
    Unknown(u8),
}

impl Command {
    /// The command's character, as an answer names it.
    #[must_use]
    pub const fn character(self) -> u8 {
        match self {
            Self::Hello => b'?',
            Self::Period(_) => b'P',
            Self::Zero(_) => b'Z',
            Self::Unknown(character) => character,
        }
    }
}

impl fmt::Display for Command {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let character = char::from(self.character());
        match self {
            Self::Hello | Self::Unknown(_) => write!(f, "{character}"),
            Self::Period(period_ms) => write!(f, "{character} {period_ms}"),
            Self::Zero(index) => write!(f, "{character} {index}"),
        }
    }
}

/// Reads one line of the host as a board does, without its LF. Further fields at the end are ignored.
///
/// # Errors
/// As for [`crate::decode`]; a period or an index out of its range is malformed.
pub fn decode_command(line: &[u8]) -> Result<Command, Refusal> {
    let (kind, mut fields) = split_kind(checked_body(line)?)?;
    match kind {
        b'?' => Ok(Command::Hello),
        b'P' => {
            let period_ms = fields.integer(i64::from(MIN_PERIOD_MS), i64::from(MAX_PERIOD_MS))?;
            u32::try_from(period_ms)
                .map(Command::Period)
                .map_err(|_| Refusal::Malformed)
        }
        b'Z' => fields.u8(0, MAX_CHANNELS as u8 - 1).map(Command::Zero),
        _ => Ok(Command::Unknown(kind)),
    }
}
