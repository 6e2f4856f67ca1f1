//! The pure heart of Nightclamp: raw log in, rows out.
//!
//! Nothing here reads a clock, a file or a random number: live, after a crash, in `replay` and in `verify` the same bytes
//! give the same rows.

pub mod bench;
mod board;
pub mod clock;
pub mod cycling;
mod decoded;
pub mod doubt;
pub mod evidence;
pub mod excerpt;
pub mod findings;
pub mod fit;
pub mod gap;
pub mod job;
pub mod night;
pub mod overview;
pub mod projection;
pub mod protector;
pub mod rawlog;
pub mod reading;
pub mod rows;
pub mod sensor;
pub mod statistics;
pub mod status;
mod unit;
pub mod winding;

pub use decoded::DecodedLines;
pub use projection::Projection;
