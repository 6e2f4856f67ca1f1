//! The protector: a model of its disc, how long it takes to open and to close, and what its own trips say of its constants.
//!
//! A bimetal disc in a case, heated by the line current. With `I` the RMS current (A) and `T_case` the measured temperature of
//! the case (Cel), the disc's temperature `T` is
//!
//! ```text
//! tau dT/dt = T_case + k I² - T        k: heating_c_per_a2 (K/A²)    tau: heating_tau_s (s)
//! ```
//!
//! It opens when `T` has reached `opens_c` and closes when `T` has fallen to `closes_c`. One time constant is little: disc,
//! heater and case are several lumps, and a bead lags its case. What that costs is printed by `tests/recovery.rs`.
//!
//! - [`Heating`]: `k` and `tau`, and the times that follow from them.
//! - [`Disc`]: the disc followed through a record, with the uncertainty of its temperature.
//! - [`Cooling`]: when a protector that has opened will close again, from the case's cooling so far.
//! - [`Run`], [`Fit`]: `k`, `tau` and the two temperatures from runs, and a plain word on what runs do not tell.

mod cooling;
mod disc;
mod fit;
mod heating;
mod law;
mod lumps;
mod own;
mod problem;
mod run;
mod told;

pub use cooling::{Cooling, Interval};
pub use disc::{Disc, Late, SensorClasses};
pub use fit::{Fit, NoFit, Scatter};
pub use heating::{FittedHeating, Heating, TripTime};
pub use lumps::Lags;
pub use own::{Own, OwnRuns};
pub(crate) use problem::TAU_S;
pub use run::{Extracted, LeftOut, Reading, Run, Seen, Snap, Start, Step, Taker, runs};
pub use told::{Estimate, Fitted, Residual, Untold};
