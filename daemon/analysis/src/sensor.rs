//! Sensors: from what a board measures (EMF, resistance, a scaled integer) to temperatures and currents. Pure functions.
//!
//! Standards: thermocouples K, J, T, N, E by ITS-90 (NIST Monograph 175, IEC 60584-1); Pt100 and Pt1000 by IEC 60751; NTC
//! thermistors by the Steinhart-Hart equation or the beta equation, with coefficients from the maker's data sheet.

mod converter;
mod its90;
mod resistance;
mod thermocouple;

pub use converter::{Converter, REFERENCE_PLACE};
pub use resistance::{Ntc, Platinum};
pub use thermocouple::ThermocoupleType;

/// A value outside what the sensor's standard defines, or not a number.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{what}: {value} {unit} is not within {min} to {max} {unit}")]
pub struct RangeError {
    /// The sensor's name in the board protocol.
    pub what: &'static str,
    /// The value that was asked for.
    pub value: f64,
    /// The smallest value allowed.
    pub min: f64,
    /// The largest value allowed.
    pub max: f64,
    /// The unit of the three, in UCUM.
    pub unit: &'static str,
}
