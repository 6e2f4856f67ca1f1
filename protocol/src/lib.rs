//! The board line protocol, version 1: framing, codec, boots and channel tables.
//!
//! The full description, enough to write a board from, is `protocol/SPEC.md`. This crate is its reader's side:
//!
//! - [`Framer`] cuts a byte stream into lines, the same lines for every way the bytes arrive.
//! - [`decode`] checks one line and borrows one [`Record`] from it; [`decode_command`] does so for the host's lines.
//! - [`Session`] follows boots and channel tables: which table a sample belongs to, and when it has to wait.
//! - [`encode`] and [`line`] write lines.
//! - [`Refusals`] counts what was refused, one counter for every kind.
//!
//! Nothing here allocates, reads a clock, does I/O or panics, whatever the bytes are: a board's line is untrusted,
//! and a bad one costs that line and a count.
#![no_std]

mod command;
mod crc;
mod decode;
mod encode;
mod frame;
mod record;
mod refusal;
mod session;
mod table;
mod text;

pub use command::{Command, decode_command};
pub use crc::{crc16_xmodem, crc16_xmodem_more};
pub use decode::decode;
pub use encode::{Line, encode, line};
pub use frame::{Framed, Framer};
pub use record::{
    Answer, BadBoardId, BoardId, Channel, Fault, Hello, Notice, Quantity, Reading, Readings,
    Record, Sample,
};
pub use refusal::{Refusal, Refusals};
pub use session::{Outcome, Session, TableChange};
pub use table::{Table, TableChannel};

/// The protocol version this crate reads and writes.
pub const VERSION: u32 = 1;
/// Longest BODY of a line, in bytes.
pub const MAX_BODY_BYTES: usize = 200;
/// Longest line a reader takes, in bytes without its LF; a longer one is refused as a whole, up to and with its LF.
pub const MAX_LINE_BYTES: usize = 240;
/// Bytes that [`encode`] needs: the longest BODY, `~`, four CRC digits, LF.
pub const LINE_BUFFER: usize = MAX_BODY_BYTES + 6;
/// Most channels a board can have.
pub const MAX_CHANNELS: usize = 12;
/// Longest name of a place, in bytes.
pub const MAX_PLACE_BYTES: usize = 16;
/// Longest name of a sensor, in bytes.
pub const MAX_SENSOR_BYTES: usize = 12;
/// Smallest power of ten a channel may declare.
pub const MIN_EXP: i8 = -9;
/// Largest power of ten a channel may declare.
pub const MAX_EXP: i8 = 3;
/// Shortest sample period the host may ask for, in ms.
pub const MIN_PERIOD_MS: u32 = 20;
/// Longest sample period the host may ask for, in ms.
pub const MAX_PERIOD_MS: u32 = 60_000;
