//! Writing lines.

use core::fmt::{self, Write};

use crate::{LINE_BUFFER, MAX_BODY_BYTES, Refusal, crc16_xmodem, crc16_xmodem_more};

/// Writes `BODY~CRC` and LF into `out` and gives back the part of it that was used.
///
/// # Errors
/// A body that is empty, longer than [`MAX_BODY_BYTES`], or holds a byte that is not 0x20..0x7D. Its fields are not
/// looked at.
pub fn encode<'o>(body: &str, out: &'o mut [u8; LINE_BUFFER]) -> Result<&'o [u8], Refusal> {
    if body.is_empty() {
        return Err(Refusal::Empty);
    }
    if body.len() > MAX_BODY_BYTES {
        return Err(Refusal::TooLong);
    }
    if !body.bytes().all(|byte| matches!(byte, 0x20..=0x7D)) {
        return Err(Refusal::BadByte);
    }
    let tail = tail(crc16_xmodem(body.as_bytes()));
    let len = body.len() + tail.len();
    for (to, from) in out.iter_mut().zip(body.bytes().chain(tail)) {
        *to = from;
    }
    out.get(..len).ok_or(Refusal::TooLong)
}

/// What follows a body: `~`, four upper-case hexadecimal digits, LF.
fn tail(crc: u16) -> [u8; 6] {
    let digit = |shift: u16| b"0123456789ABCDEF"[usize::from((crc >> shift) & 0xF)];
    [b'~', digit(12), digit(8), digit(4), digit(0), b'\n']
}

/// A body together with its CRC and LF, written by `Display` without a buffer: `BODY~CRC` LF.
#[derive(Debug, Clone, Copy)]
pub struct Line<B>(B);

/// The line of a body: `line("?").to_string()`, or of a [`crate::Record`] or [`crate::Command`], which write theirs.
///
/// The body is written as it is; one that breaks the protocol's rules makes a line that readers refuse.
pub const fn line<B: fmt::Display>(body: B) -> Line<B> {
    Line(body)
}

impl<B: fmt::Display> fmt::Display for Line<B> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut through = Through { f, crc: 0 };
        write!(through, "{}", self.0)?;
        let crc = through.crc;
        writeln!(f, "~{crc:04X}")
    }
}

/// Passes text on and keeps the CRC of what went by.
struct Through<'f, 'b> {
    f: &'f mut fmt::Formatter<'b>,
    crc: u16,
}

impl Write for Through<'_, '_> {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        self.crc = crc16_xmodem_more(self.crc, text.as_bytes());
        self.f.write_str(text)
    }
}
