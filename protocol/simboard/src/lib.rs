//! A simulated board on a simulated compressor: for the demonstration, for tests over a real
//! pseudo-terminal, and for truth tables over many varied nights. Equal scenarios give equal bytes.
//!
//! The physics is its own and richer than any model used to judge it: three lumps for the protector, winding
//! and shell beside it, a supply that sags, a thermostat that decides when. What really happened is kept
//! beside it as [`Truth`].

mod arrivals;
pub mod bench;
mod board;
mod damage;
pub mod dice;
mod drawn;
pub mod emf;
mod job;
mod named;
mod parts;
mod pty;
mod rawlog;
pub mod scenario;
mod sensors;
mod sizing;
mod truth;
mod wire;
mod world;

pub use arrivals::{Arrivals, ArrivalsSpec, Away};
pub use board::{Each, Emission, SimBoard};
pub use job::{job_toml, job_toml_on};
pub use pty::{Pty, PtyCounts, PtyOptions};
pub use rawlog::{RawLogSummary, write_raw_log};
pub use scenario::{Happening, Measured, Scenario, SensorFault, Source, StartCircuit};
pub use truth::{BootTruth, SensorTruth, SupplyTruth, TrueCycle, Truth, UnitTruth};
