//! What one time constant leaves out, as far as the runs themselves show it.
//!
//! A real protector is several lumps: its heater warms before its disc does, and the bead lags its case. Seen from the model
//! both are delays, which short and long trips, openings and closings show differently. How long each delay would have to be
//! is estimated from the residuals, linearised at the minimum; what it would move the constants by goes into the covariance, as
//! far as it is more than what scatter alone would show. Where the physics is the model that adds next to nothing; where the
//! runs are all alike they cannot show it, and then nothing does.

use super::problem::{Problem, Row};
use crate::fit::{DMatrix, Solution};
use nalgebra::DVector;

/// A delay of so many standard deviations is said.
const SAID_SIGMAS: f64 = 3.0;

/// A delay that the model does not have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lump {
    /// The current's heat comes late to the disc.
    Heater,
    /// The bead shows the case late.
    Bead,
}

/// How long it would have to be to explain the residuals best.
#[derive(Debug, Clone)]
pub(super) struct Delay {
    /// Best value, s.
    pub best_s: f64,
    /// Its standard deviation by scatter, s.
    pub sd_s: f64,
    /// What a second of it moves each parameter by.
    shift: DVector<f64>,
}

impl Delay {
    /// `None` where the runs have nothing to tell it by.
    pub fn of(lump: Lump, problem: &Problem<'_>, found: &Solution) -> Option<Self> {
        let covariance = found.unit_covariance.as_ref()?;
        let rows = problem.rows(&found.params)?;
        let mut by = DVector::zeros(found.residuals.len());
        let data = rows.iter().zip(&problem.weights);
        for (value, (row, weight)) in by.iter_mut().zip(data) {
            *value = problem.by_disc(row, *weight, &found.params, lump.moves(row));
        }
        let along = found.jacobian.tr_mul(&by);
        let shift = -(covariance * &along);
        let information = by.dot(&by) + along.dot(&shift);
        if information.is_nan() || information <= f64::EPSILON * by.dot(&by) {
            return None;
        }
        let residuals = DVector::from_column_slice(&found.residuals);
        Some(Self {
            best_s: -by.dot(&residuals) / information,
            sd_s: information.sqrt().recip(),
            shift,
        })
    }

    /// What it may have moved the parameters by: their covariance. A delay is never less than none.
    pub fn covariance(&self) -> DMatrix<f64> {
        let square = self.best_s.max(0.0).powi(2) - self.sd_s.powi(2);
        &self.shift * self.shift.transpose() * square.max(0.0)
    }

    /// It is more than scatter.
    pub fn is_seen(&self) -> bool {
        self.best_s > SAID_SIGMAS * self.sd_s
    }
}

impl Lump {
    /// How the disc changes with a second of the delay, and how fast that does, K and K/s.
    fn moves(self, row: &Row) -> (f64, f64) {
        let heating = row.disc.heating();
        let [by_k, ..] = row.disc.derivatives();
        // Of the disc's temperature, what the current has made, and how fast that goes.
        let heated_c = heating.heating_c_per_a2() * by_k;
        let heated_per_s = (row.rise_c - heated_c) / heating.tau_s();
        let by_s = match self {
            Self::Heater => -heated_per_s,
            // The true case is ahead of the bead: so is what it makes of the disc.
            Self::Bead => row.slope - heated_per_s,
        };
        (by_s, -by_s / heating.tau_s())
    }
}
