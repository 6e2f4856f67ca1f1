//! CRC-16/XMODEM: polynomial 0x1021, initial value 0, not reflected, no final xor. It is linear and starts at 0, so
//! eight bytes can be taken at a time, each through the table for its distance from the end of the eight.

/// Polynomial of the CRC, its x^16 term left out.
const POLYNOMIAL: u16 = 0x1021;
/// Bytes taken in one step.
const STEP: usize = 8;

/// `TABLES[k][b]` is the CRC of byte `b` followed by `k` zero bytes.
static TABLES: [[u16; 256]; STEP] = tables();

const fn tables() -> [[u16; 256]; STEP] {
    let mut tables = [[0_u16; 256]; STEP];
    let mut byte = 0;
    while byte < 256 {
        let mut crc = (byte as u16) << 8;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 0x8000 == 0 {
                crc << 1
            } else {
                (crc << 1) ^ POLYNOMIAL
            };
            bit += 1;
        }
        tables[0][byte] = crc;
        byte += 1;
    }
    let mut zeros = 1;
    while zeros < STEP {
        let mut byte = 0;
        while byte < 256 {
            let before = tables[zeros - 1][byte];
            tables[zeros][byte] = (before << 8) ^ tables[0][(before >> 8) as usize];
            byte += 1;
        }
        zeros += 1;
    }
    tables
}

/// The CRC-16/XMODEM of `bytes`. Of the ASCII digits `123456789` it is 0x31C3.
#[must_use]
pub fn crc16_xmodem(bytes: &[u8]) -> u16 {
    // Zeros before the first byte change nothing while the CRC is 0: the odd bytes at the beginning are a step, too.
    let odd = bytes.len() % STEP;
    let Some(first) = bytes.first_chunk::<STEP>() else {
        return crc16_xmodem_more(0, bytes);
    };
    let head = u64::from_be_bytes(*first)
        .checked_shr(8 * (STEP - odd) as u32)
        .unwrap_or(0);
    let crc = step(0, head.to_be_bytes());
    let (steps, _) = bytes.get(odd..).unwrap_or_default().as_chunks::<STEP>();
    steps.iter().fold(crc, |crc, &eight| step(crc, eight))
}

/// Carries a CRC on over further bytes: `crc` is that of everything before, 0 at the beginning.
#[must_use]
pub fn crc16_xmodem_more(crc: u16, bytes: &[u8]) -> u16 {
    let (steps, rest) = bytes.as_chunks::<STEP>();
    let crc = steps.iter().fold(crc, |crc, &eight| step(crc, eight));
    rest.iter().fold(crc, |crc, &byte| {
        let [high, low] = crc.to_be_bytes();
        (u16::from(low) << 8) ^ at(0, byte ^ high)
    })
}

/// The CRC after eight further bytes.
#[inline]
fn step(crc: u16, [a, b, c, d, e, f, g, h]: [u8; STEP]) -> u16 {
    let [high, low] = crc.to_be_bytes();
    at(7, a ^ high)
        ^ at(6, b ^ low)
        ^ at(5, c)
        ^ at(4, d)
        ^ at(3, e)
        ^ at(2, f)
        ^ at(1, g)
        ^ at(0, h)
}

/// A table entry. `zeros` is a literal below [`STEP`] and a byte cannot exceed the table, so neither index can fail.
#[inline]
fn at(zeros: usize, byte: u8) -> u16 {
    TABLES[zeros][usize::from(byte)]
}
