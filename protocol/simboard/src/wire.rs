//! Lines as a board writes and reads them. Written apart from the project's codec on purpose: each checks
//! the other.

/// A host command's line is at most this long; longer ones are thrown away.
const COMMAND_BYTES_MAX: usize = 64;
/// Sample periods a host may set, ms.
const PERIOD_MS: std::ops::RangeInclusive<u32> = 20..=60_000;

/// CRC-16/XMODEM, bit by bit as a small board would.
pub fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0, |crc, &byte| step(crc, byte))
}

const fn step(crc: u16, byte: u8) -> u16 {
    (crc << 8) ^ TABLE[((crc >> 8) as u8 ^ byte) as usize]
}

const TABLE: [u16; 256] = {
    let mut table = [0u16; 256];
    let mut i = 0;
    while i < 256 {
        let mut crc = (i as u16) << 8;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 0x8000 != 0 {
                crc << 1 ^ 0x1021
            } else {
                crc << 1
            };
            bit += 1;
        }
        table[i] = crc;
        i += 1;
    }
    table
};

/// Appends `~CRC` and LF to a body.
pub fn finish(body: &mut Vec<u8>) {
    const HEX: &[u8; 16] = b"0123456789ABCDEF";
    let crc = crc(body);
    body.push(b'~');
    body.extend([12, 8, 4, 0].map(|shift| HEX[usize::from(crc >> shift & 0xF)]));
    body.push(b'\n');
}

/// Appends a decimal integer.
pub fn integer(body: &mut Vec<u8>, value: i64) {
    let mut digits = [0u8; 20];
    let mut at = digits.len();
    let mut rest = value.unsigned_abs();
    loop {
        at -= 1;
        digits[at] = b'0' + (rest % 10) as u8;
        rest /= 10;
        if rest == 0 {
            break;
        }
    }
    if value < 0 {
        body.push(b'-');
    }
    body.extend_from_slice(&digits[at..]);
}

/// What a host asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Command {
    /// Say hello.
    Hello,
    /// Set the sample period, ms.
    Period(u32),
    /// Take a channel's present reading as zero.
    Zero(u32),
    /// Understood as a line, refused: its character and why.
    Refused(u8, &'static str),
}

/// Gathers a host's bytes into commands.
#[derive(Debug, Clone, Default)]
pub struct Ear {
    line: Vec<u8>,
    too_long: bool,
}

impl Ear {
    /// Hears bytes; commands with a good CRC come out. Damaged lines are passed over, as a host would ask again.
    pub fn hear(&mut self, bytes: &[u8]) -> Vec<Command> {
        let mut commands = Vec::new();
        for &byte in bytes {
            if byte == b'\n' {
                if !self.too_long {
                    commands.extend(parse(&self.line));
                }
                self.line.clear();
                self.too_long = false;
            } else if self.line.len() < COMMAND_BYTES_MAX {
                self.line.push(byte);
            } else {
                self.too_long = true;
            }
        }
        commands
    }
}

fn parse(line: &[u8]) -> Option<Command> {
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    let tilde = line.iter().position(|&b| b == b'~')?;
    let (body, given) = (&line[..tilde], &line[tilde + 1..]);
    let mut proper = body.to_vec();
    finish(&mut proper);
    if body.is_empty() || proper.get(tilde + 1..tilde + 5) != Some(given) {
        return None;
    }
    let text = std::str::from_utf8(body).ok()?;
    let mut fields = text.split(' ');
    let (word, argument, more) = (fields.next()?, fields.next(), fields.next());
    let letter = *body.first()?;
    if word.len() != 1 || more.is_some() {
        return Some(Command::Refused(letter, "malformed"));
    }
    let number = argument.map(natural);
    Some(match (letter, number) {
        (b'?', None) => Command::Hello,
        (b'P', Some(Some(ms))) if PERIOD_MS.contains(&ms) => Command::Period(ms),
        (b'P', Some(Some(_))) => Command::Refused(letter, "range"),
        (b'Z', Some(Some(index))) => Command::Zero(index),
        (b'?' | b'P' | b'Z', _) => Command::Refused(letter, "malformed"),
        _ => Command::Refused(letter, "unknown"),
    })
}

/// `0` or a decimal without leading zero.
fn natural(field: &str) -> Option<u32> {
    let plain = field == "0" || !field.starts_with(['0', '+']);
    field.parse().ok().filter(|_| plain)
}
