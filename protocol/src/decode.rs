//! One line of a board, checked and read in one go. Samples are by far the most frequent line and go their own, short
//! way; every other kind is cut into fields.

use crate::record::{
    Answer, BoardId, Channel, Fault, Hello, Notice, Quantity, Reading, Readings, Record, Sample,
};
use crate::{
    MAX_BODY_BYTES, MAX_CHANNELS, MAX_EXP, MAX_LINE_BYTES, MAX_PLACE_BYTES, MAX_SENSOR_BYTES,
    MIN_EXP, Refusal, VERSION, crc16_xmodem,
};

/// Bytes that end a line, LF apart: `~` and four digits.
const TAIL_BYTES: usize = 5;
/// Places that would collide with the columns of a table.
const RESERVED_PLACES: [&str; 7] = [
    "time", "arrival", "boot", "seq", "board-ms", "board", "date",
];
/// Ends of places that would collide likewise.
const RESERVED_ENDS: [&str; 2] = ["-raw", "-fault"];

/// Reads one line of a board, without its LF; one CR at the end is accepted and dropped.
///
/// # Errors
/// The [`Refusal`] that applies, the first of: length, form of the CRC, CRC, bytes, fields.
pub fn decode(line: &[u8]) -> Result<Record<'_>, Refusal> {
    let body = checked_body(line)?;
    if let Some(sample) = body.strip_prefix(b"S ") {
        return sample_of(sample)
            .map(Record::Sample)
            .ok_or_else(|| malformed(body));
    }
    let (kind, fields) = split_kind(body)?;
    match kind {
        b'H' => hello(fields).map(Record::Hello),
        b'C' => channel(fields).map(Record::Channel),
        b'N' => notice(fields).map(Record::Notice),
        b'A' => answer(fields).map(Record::Answer),
        b'S' => Err(Refusal::Malformed),
        _ => Ok(Record::Unknown(kind)),
    }
}

/// The body of a line whose length and CRC are right. Its bytes are not yet looked at.
pub(crate) fn checked_body(line: &[u8]) -> Result<&[u8], Refusal> {
    if line.len() > MAX_LINE_BYTES {
        return Err(Refusal::TooLong);
    }
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    if line.is_empty() {
        return Err(Refusal::Empty);
    }
    let (body, tail) = line
        .split_last_chunk::<TAIL_BYTES>()
        .ok_or(Refusal::NoCrc)?;
    let said = crc_digits(*tail).ok_or(Refusal::NoCrc)?;
    if body.is_empty() {
        return Err(Refusal::Empty);
    }
    if body.len() > MAX_BODY_BYTES {
        return Err(Refusal::TooLong);
    }
    if crc16_xmodem(body) != said {
        return Err(Refusal::BadCrc);
    }
    Ok(body)
}

/// The number in `~` and four upper-case hexadecimal digits.
fn crc_digits(tail: [u8; TAIL_BYTES]) -> Option<u16> {
    let [b'~', digits @ ..] = tail else {
        return None;
    };
    digits.iter().try_fold(0_u16, |crc, &digit| {
        let value = match digit {
            b'0'..=b'9' => digit - b'0',
            b'A'..=b'F' => digit - b'A' + 10,
            _ => return None,
        };
        Some((crc << 4) | u16::from(value))
    })
}

fn byte_is_allowed(byte: &u8) -> bool {
    matches!(byte, 0x20..=0x7D)
}

/// Why a body that could not be read was refused: a byte that may not be there says more than the field it is in.
fn malformed(body: &[u8]) -> Refusal {
    if body.iter().all(byte_is_allowed) {
        Refusal::Malformed
    } else {
        Refusal::BadByte
    }
}

/// The record kind and the fields after it, once the bytes and the single spaces between fields are right.
pub(crate) fn split_kind(body: &[u8]) -> Result<(u8, Fields<'_>), Refusal> {
    if !body.iter().all(byte_is_allowed) {
        return Err(Refusal::BadByte);
    }
    let text = core::str::from_utf8(body).map_err(|_| Refusal::BadByte)?;
    if text.split(' ').any(str::is_empty) {
        return Err(Refusal::Malformed);
    }
    let (first, rest) = text.split_once(' ').unwrap_or((text, ""));
    let &[kind] = first.as_bytes() else {
        return Err(Refusal::Malformed);
    };
    Ok((kind, Fields { rest }))
}

/// The fields of a body not yet taken, known to be separated by exactly one space each.
pub(crate) struct Fields<'a> {
    rest: &'a str,
}

impl<'a> Fields<'a> {
    pub(crate) fn next(&mut self) -> Result<&'a str, Refusal> {
        let (field, rest) = self.rest.split_once(' ').unwrap_or((self.rest, ""));
        self.rest = rest;
        if field.is_empty() {
            Err(Refusal::Malformed)
        } else {
            Ok(field)
        }
    }

    pub(crate) fn integer(&mut self, least: i64, most: i64) -> Result<i64, Refusal> {
        let (value, rest) = integer(self.next()?.as_bytes()).ok_or(Refusal::Malformed)?;
        if rest.is_empty() && (least..=most).contains(&value) {
            Ok(value)
        } else {
            Err(Refusal::Malformed)
        }
    }

    fn u32(&mut self, least: u32) -> Result<u32, Refusal> {
        let value = self.integer(i64::from(least), i64::from(u32::MAX))?;
        u32::try_from(value).map_err(|_| Refusal::Malformed)
    }

    /// An integer from `least` to `most`, which must be within 0 to 255.
    pub(crate) fn u8(&mut self, least: u8, most: u8) -> Result<u8, Refusal> {
        let value = self.integer(i64::from(least), i64::from(most))?;
        u8::try_from(value).map_err(|_| Refusal::Malformed)
    }
}

/// Most digits an integer of any field can have, sign apart: 4294967295 has ten.
const MAX_DIGITS: usize = 10;

/// An integer `0` or `-?[1-9][0-9]*` of at most ten digits at the beginning of `text`, and what comes after it.
#[inline]
fn integer(text: &[u8]) -> Option<(i64, &[u8])> {
    match text.strip_prefix(b"-") {
        Some(digits) => match natural(digits)? {
            (0, _) => None,
            (value, rest) => Some((-value, rest)),
        },
        None => natural(text),
    }
}

/// An integer without a sign at the beginning of `text`, and what comes after it.
#[inline]
fn natural(text: &[u8]) -> Option<(i64, &[u8])> {
    let (&first, mut rest) = text.split_first()?;
    let mut value = digit(first)?;
    while let Some((&next, after)) = rest.split_first() {
        let Some(next) = digit(next) else { break };
        // Wraps only beyond the digits that are refused below.
        value = value.wrapping_mul(10).wrapping_add(next);
        rest = after;
    }
    let digits = text.len() - rest.len();
    if digits > MAX_DIGITS || (digits > 1 && first == b'0') {
        return None;
    }
    Some((value, rest))
}

#[inline]
fn digit(byte: u8) -> Option<i64> {
    let value = byte.wrapping_sub(b'0');
    (value < 10).then_some(i64::from(value))
}

/// `SEQ MS V0 V1 ...`; `None` if anything about it is wrong, its bytes included.
#[inline]
fn sample_of(fields: &[u8]) -> Option<Sample> {
    let (seq, rest) = natural(fields)?;
    let (ms, mut rest) = natural(rest.strip_prefix(b" ")?)?;
    let mut readings = Readings::new();
    while let Some((&separator, value)) = rest.split_first() {
        if separator != b' ' {
            return None;
        }
        let (reading, after) = reading(value)?;
        if !readings.push(reading) {
            return None;
        }
        rest = after;
    }
    let (seq, ms) = (u16::try_from(seq).ok()?, u32::try_from(ms).ok()?);
    (!readings.is_empty()).then_some(Sample { seq, ms, readings })
}

/// One value of a sample at the beginning of `text`, and what comes after it.
#[inline]
fn reading(text: &[u8]) -> Option<(Reading, &[u8])> {
    let (&first, after) = text.split_first()?;
    if let Some(fault) = Fault::from_letter(first) {
        return Some((Reading::Fault(fault), after));
    }
    let (value, after) = integer(text)?;
    Some((Reading::Number(i32::try_from(value).ok()?), after))
}

/// `1 ID BOOT CHANNELS PERIOD FIRMWARE`. Another version is refused before anything else of it is read.
fn hello(mut fields: Fields<'_>) -> Result<Hello<'_>, Refusal> {
    let version = fields.u32(0)?;
    if version != VERSION {
        return Err(Refusal::Version(version));
    }
    Ok(Hello {
        id: BoardId::parse(fields.next()?.as_bytes()).ok_or(Refusal::Malformed)?,
        boot: fields.u32(0)?,
        channels: fields.u8(1, MAX_CHANNELS as u8)?,
        period_ms: fields.u32(1)?,
        firmware: fields.next()?,
    })
}

/// `INDEX QUANTITY UNIT EXP PLACE SENSOR`
fn channel(mut fields: Fields<'_>) -> Result<Channel<'_>, Refusal> {
    let index = fields.u8(0, MAX_CHANNELS as u8 - 1)?;
    let quantity = Quantity::parse(fields.next()?).ok_or(Refusal::Malformed)?;
    if fields.next()? != quantity.unit() {
        return Err(Refusal::Malformed);
    }
    let exp = fields.integer(i64::from(MIN_EXP), i64::from(MAX_EXP))?;
    let exp = i8::try_from(exp).map_err(|_| Refusal::Malformed)?;
    let (place, sensor) = (fields.next()?, fields.next()?);
    if !is_place(place) || !is_sensor(sensor) {
        return Err(Refusal::Malformed);
    }
    if is_reserved(place) {
        return Err(Refusal::ReservedPlace(index));
    }
    Ok(Channel {
        index,
        quantity,
        exp,
        place,
        sensor,
    })
}

/// `[a-z][a-z0-9-]{0,15}`
fn is_place(text: &str) -> bool {
    text.len() <= MAX_PLACE_BYTES
        && text.starts_with(|first: char| first.is_ascii_lowercase())
        && text
            .bytes()
            .all(|byte| matches!(byte, b'a'..=b'z' | b'0'..=b'9' | b'-'))
}

/// `[A-Za-z0-9-]{1,12}`; that it is not empty is known of every field.
fn is_sensor(text: &str) -> bool {
    text.len() <= MAX_SENSOR_BYTES
        && text
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || byte == b'-')
}

fn is_reserved(place: &str) -> bool {
    RESERVED_PLACES.contains(&place) || RESERVED_ENDS.iter().any(|end| place.ends_with(end))
}

/// `MS WHAT [DETAIL ...]`
fn notice(mut fields: Fields<'_>) -> Result<Notice<'_>, Refusal> {
    Ok(Notice {
        ms: fields.u32(0)?,
        what: fields.next()?,
        detail: fields.rest,
    })
}

/// `MS COMMAND ok|no [REASON ...]`
fn answer(mut fields: Fields<'_>) -> Result<Answer<'_>, Refusal> {
    let ms = fields.u32(0)?;
    let &[command] = fields.next()?.as_bytes() else {
        return Err(Refusal::Malformed);
    };
    let ok = match fields.next()? {
        "ok" => true,
        "no" => false,
        _ => return Err(Refusal::Malformed),
    };
    Ok(Answer {
        ms,
        command,
        ok,
        reason: fields.rest,
    })
}
