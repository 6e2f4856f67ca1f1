//! What one time constant leaves out, as far as the runs themselves show it.
//!
//! A real protector is several lumps: its heater warms before its disc does, and the bead lags its case. Seen from the model
//! both are delays, which short and long trips, openings and closings show differently. How long each delay would have to be
//! is estimated from the residuals, linearised at the minimum; what it would move the constants by goes into the covariance, as
//! far as it is more than what scatter alone would show. Where the physics is the model that adds next to nothing; where the
//! runs are all alike they cannot show it, and then only what is expected of it beforehand ([`Lags`]) is in there.

use super::problem::{Problem, Row};
use crate::fit::{DMatrix, Solution};
use nalgebra::DVector;

/// A delay of so many standard deviations is said.
const SAID_SIGMAS: f64 = 3.0;

/// How late heat and bead may come, whatever the runs show of it: standard uncertainties about no delay, s.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Lags {
    /// The current's heat to the disc.
    pub heater_u_s: f64,
    /// The bead behind its case.
    pub bead_u_s: f64,
}

impl Lags {
    const fn of(self, lump: Lump) -> f64 {
        match lump {
            Lump::Heater => self.heater_u_s,
            Lump::Bead => self.bead_u_s,
        }
    }
}

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
    /// What is expected of it before the runs, as a standard uncertainty, s.
    expected_s: f64,
    /// What a second of it moves each parameter by.
    shift: DVector<f64>,
}

impl Delay {
    /// `None` where the fit has no covariance.
    pub fn of(lump: Lump, lags: Lags, problem: &Problem<'_>, found: &Solution) -> Option<Self> {
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
        if information.is_nan() {
            return None;
        }
        let residuals = DVector::from_column_slice(&found.residuals);
        // What the parameters take up altogether leaves no trace in the residuals.
        let (best_s, sd_s) = if information <= f64::EPSILON * by.dot(&by) {
            (0.0, f64::INFINITY)
        } else {
            (
                -by.dot(&residuals) / information,
                information.sqrt().recip(),
            )
        };
        Some(Self {
            best_s,
            sd_s,
            expected_s: lags.of(lump),
            shift,
        })
    }

    /// What it may have moved the parameters by: their covariance. A delay is never less than none.
    pub fn covariance(&self) -> DMatrix<f64> {
        let seen = self.best_s.max(0.0).powi(2) - self.sd_s.powi(2);
        &self.shift * self.shift.transpose() * seen.max(self.expected_s.powi(2))
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
