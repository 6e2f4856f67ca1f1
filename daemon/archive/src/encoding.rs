//! Values and levels to the bytes of a Parquet page: the encodings of parquet-format's `Encodings.md` that large files use.
//!
//! * `DELTA_BINARY_PACKED` for integers: a counter or a steady clock costs next to nothing.
//! * `RLE_DICTIONARY` for doubles: the distinct values once, then for each value its number among them. The numbers are laid
//!   down as whole bytes, not packed to as few bits as would do: some numbers are far more frequent than others, and zstd
//!   sees that in bytes only.
//! * `RLE` for definition levels.

use std::iter;

use crate::frame::Levels;

/// Values of a block of deltas, which has one smallest delta.
const BLOCK_VALUES: usize = 128;
/// Values of a part of a block, which has one width.
const MINIBLOCK_VALUES: usize = 32;
/// Places of a small dictionary, as a power of two.
const KNOWN_BITS: u32 = 10;
/// A dictionary with more values than this would need three bytes a number.
const DICTIONARY_VALUES_MAX: usize = 1 << 16;
/// Values packed together: a run of packed numbers has a multiple of so many.
const PACKED_TOGETHER: usize = 8;

/// Integers that have differences.
pub(crate) trait Integer: Copy + Into<i64> {
    /// The difference as a number of the same width, wrapped: a reader adds it, and wraps back.
    fn since(self, before: Self) -> i64;
    /// How far one difference is above another, in the same width.
    fn above(delta: i64, least: i64) -> u64;
}

impl Integer for i32 {
    fn since(self, before: Self) -> i64 {
        self.wrapping_sub(before).into()
    }

    fn above(delta: i64, least: i64) -> u64 {
        // Two differences of 32 bits are at most 2^32 - 1 apart.
        delta.wrapping_sub(least).cast_unsigned()
    }
}

impl Integer for i64 {
    fn since(self, before: Self) -> i64 {
        self.wrapping_sub(before)
    }

    fn above(delta: i64, least: i64) -> u64 {
        delta.wrapping_sub(least).cast_unsigned()
    }
}

/// `DELTA_BINARY_PACKED`.
pub(crate) fn put_deltas<T: Integer>(values: &[T], out: &mut Vec<u8>) {
    put_varint(BLOCK_VALUES as u64, out);
    put_varint((BLOCK_VALUES / MINIBLOCK_VALUES) as u64, out);
    put_varint(values.len() as u64, out);
    put_zigzag(values.first().map_or(0, |&first| first.into()), out);
    let mut deltas = [0; BLOCK_VALUES];
    let mut before = values.first().copied();
    for block in values.get(1..).unwrap_or_default().chunks(BLOCK_VALUES) {
        for (delta, &value) in deltas.iter_mut().zip(block) {
            *delta = value.since(before.unwrap_or(value));
            before = Some(value);
        }
        put_block::<T>(deltas.get(..block.len()).unwrap_or_default(), out);
    }
}

fn put_block<T: Integer>(deltas: &[i64], out: &mut Vec<u8>) {
    let least = deltas.iter().copied().min().unwrap_or(0);
    put_zigzag(least, out);
    let mut above = [0; BLOCK_VALUES];
    for (above, &delta) in above.iter_mut().zip(deltas) {
        *above = T::above(delta, least);
    }
    let (miniblocks, _) = above.as_chunks::<MINIBLOCK_VALUES>();
    let width = |values: &[u64; MINIBLOCK_VALUES]| {
        u64::BITS
            - values
                .iter()
                .fold(0, |all, value| all | value)
                .leading_zeros()
    };
    out.extend(miniblocks.iter().map(|values| width(values) as u8));
    // The last block is filled up to whole miniblocks; those wholly beyond its values are 0 wide.
    miniblocks
        .iter()
        .for_each(|values| put_packed(values, width(values), out));
}

/// Packs values to `width` bits each, the first in the lowest bits.
fn put_packed(values: &[u64; MINIBLOCK_VALUES], width: u32, out: &mut Vec<u8>) {
    let (mut held, mut bits) = (0_u64, 0);
    let mut put = |value: u64, width: u32| {
        held |= value << bits;
        bits += width;
        if bits >= 32 {
            out.extend_from_slice(&(held as u32).to_le_bytes());
            held >>= 32;
            bits -= 32;
        }
    };
    // 32 values of any width fill whole words of 32 bits, so nothing is left over.
    if width <= 32 {
        values.iter().for_each(|&value| put(value, width));
    } else {
        for &value in values {
            put(value & u64::from(u32::MAX), 32);
            put(value >> 32, width - 32);
        }
    }
}

/// Distinct doubles in the order in which they come first, and for every value its number among them.
pub(crate) struct Dictionary {
    pub distinct: Vec<f64>,
    pub numbers: Vec<u16>,
}

impl Dictionary {
    /// `None` if a dictionary does not pay: at least half of the values would be in it.
    pub fn of(values: &[f64]) -> Option<Self> {
        let most = DICTIONARY_VALUES_MAX.min(values.len() / 2 + 1);
        let mut known = Known::with_bits(KNOWN_BITS);
        let mut recent = Known::with_bits(KNOWN_BITS).slots;
        let mut distinct = Vec::new();
        let mut numbers = Vec::with_capacity(values.len());
        for value in values {
            // A reading is like those of the last minutes: a few places that stay at hand spare the way through the table.
            let bits = value.to_bits();
            let place = recent.get_mut(Known::place(bits, KNOWN_BITS))?;
            if place.1 == 0 || place.0 != bits {
                *place = (bits, known.number(bits, distinct.len()) as u32 + 1);
            }
            let number = place.1 as usize - 1;
            if number == distinct.len() {
                if distinct.len() == most {
                    return None;
                }
                distinct.push(*value);
            }
            numbers.push(number as u16);
        }
        Some(Self { distinct, numbers })
    }
}

/// Which bits have which number: a hash table with open addressing, for a standard one takes most of the time that it takes
/// to write a file.
struct Known {
    /// Bits, and number + 1; 0 where nothing is.
    slots: Vec<(u64, u32)>,
    slots_bits: u32,
    used: usize,
}

impl Known {
    /// 2^64 over the golden ratio: its upper bits are spread well, whatever the values.
    const SPREAD: u64 = 0x9E37_79B9_7F4A_7C15;

    fn with_bits(slots_bits: u32) -> Self {
        Self {
            slots: vec![(0, 0); 1 << slots_bits],
            slots_bits,
            used: 0,
        }
    }

    /// Where to look first, in a table of so many bits.
    fn place(bits: u64, slots_bits: u32) -> usize {
        (bits.wrapping_mul(Self::SPREAD) >> (u64::BITS - slots_bits)) as usize
    }

    /// The number of `bits`; if they are new, they get `next`.
    fn number(&mut self, bits: u64, next: usize) -> usize {
        let mask = self.slots.len() - 1;
        let mut at = Self::place(bits, self.slots_bits);
        while let Some(slot) = self.slots.get_mut(at) {
            match *slot {
                (_, 0) => {
                    *slot = (bits, next as u32 + 1);
                    self.used += 1;
                    break;
                }
                (there, number) if there == bits => return number as usize - 1,
                _ => at = (at + 1) & mask,
            }
        }
        if self.used * 2 > self.slots.len() {
            self.grow();
        }
        next
    }

    fn grow(&mut self) {
        let mut larger = Self::with_bits(self.slots_bits + 2);
        for &(bits, number) in self.slots.iter().filter(|(_, number)| *number > 0) {
            larger.number(bits, number as usize - 1);
        }
        *self = larger;
    }
}

/// `RLE_DICTIONARY`: the numbers of one page.
pub(crate) fn put_numbers(numbers: &[u16], out: &mut Vec<u8>) {
    let is_narrow = numbers.iter().all(|&number| number <= u16::from(u8::MAX));
    let (width, bytes) = if is_narrow { (8, 1) } else { (16, 2) };
    out.push(width);
    let groups = numbers.len().div_ceil(PACKED_TOGETHER);
    put_varint(((groups as u64) << 1) | 1, out);
    if is_narrow {
        out.extend(numbers.iter().map(|&number| number as u8));
    } else {
        out.extend(numbers.iter().flat_map(|number| number.to_le_bytes()));
    }
    let missing = groups * PACKED_TOGETHER - numbers.len();
    out.extend(iter::repeat_n(0, missing * bytes));
}

/// `RLE`: the definition levels of the rows `from..to`, with their length before them as a page begins.
pub(crate) fn put_levels(levels: &Levels, from: usize, to: usize, out: &mut Vec<u8>) {
    let begin = out.len();
    out.extend_from_slice(&[0; 4]);
    levels.runs(from, to, |level, rows| {
        put_varint((rows as u64) << 1, out);
        out.push(level as u8);
    });
    let bytes = (out.len() - begin - 4) as u32;
    if let Some(length) = out.get_mut(begin..begin + 4) {
        length.copy_from_slice(&bytes.to_le_bytes());
    }
}

fn put_varint(mut value: u64, out: &mut Vec<u8>) {
    while value > 0x7F {
        out.push((value & 0x7F) as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

fn put_zigzag(value: i64, out: &mut Vec<u8>) {
    put_varint(((value << 1) ^ (value >> 63)).cast_unsigned(), out);
}
