//! Interface stub; the owner of this crate replaces it. Signatures here are what the other crates build on.
#![no_std]

/// A board's id: 8 lower-case hexadecimal digits, kept as the number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub struct BoardId(pub u32);
impl core::fmt::Display for BoardId {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "{:08x}", self.0)
    }
}
/// Why there is no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Fault {
    /// `x`
    NotRead,
    /// `o`
    Open,
    /// `s`
    Shorted,
    /// `r`
    OutOfRange,
}
/// One channel's reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// The integer as sent.
    Number(i32),
    /// A letter.
    Fault(Fault),
}
/// Counters, one for every kind of refusal.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Refusals {}
/// A complete channel table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Table {}
