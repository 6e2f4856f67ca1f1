//! The protector's disc: `tau dT/dt = T_case + k I² - T`, exact for inputs that are constant over a step.

use super::moment::{Moment, finite};
use crate::job::Protector;

/// A bead that has not been read for longer than this leaves the disc unknown, s.
const CASE_OLD_S: f64 = 10.0;

/// The disc temperature, where the job gives the constants for it.
#[derive(Debug, Clone)]
pub struct Disc {
    heating_c_per_a2: f64,
    tau_s: f64,
    temp_c: Option<f64>,
    case_c: f64,
    case_age_s: f64,
}

impl Disc {
    /// A model, if the heating constant and the time constant are given.
    pub fn new(protector: &Protector) -> Option<Self> {
        Some(Self {
            heating_c_per_a2: protector.heating_c_per_a2?,
            tau_s: protector.heating_tau_s?,
            temp_c: None,
            case_c: f64::NAN,
            case_age_s: 0.0,
        })
    }

    /// Temperature now, Cel.
    pub fn temp_c(&self) -> Option<f64> {
        self.temp_c
    }

    /// The disc above its case once settled at `amps`, K.
    pub fn rise_c(&self, amps: f64) -> f64 {
        self.heating_c_per_a2 * amps * amps
    }

    /// Carries the disc on over `elapsed_s` with the current of `moment`, A above the floor in `amps`.
    pub fn step(&mut self, moment: &Moment, amps: f64, elapsed_s: f64) {
        match finite(moment.believed_case_c()) {
            Some(case_c) => (self.case_c, self.case_age_s) = (case_c, 0.0),
            None => self.case_age_s += elapsed_s,
        }
        if !self.case_c.is_finite() || self.case_age_s > CASE_OLD_S {
            self.temp_c = None;
            return;
        }
        let settled_c = self.case_c + self.rise_c(amps);
        self.temp_c = Some(match self.temp_c {
            // Nothing is known of the past: as if the case had been so for long, with no current.
            None => self.case_c,
            Some(temp_c) => settled_c + (temp_c - settled_c) * (-elapsed_s / self.tau_s).exp(),
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Trip time from equilibrium is `tau ln(I²/(I² - I_u²))`, the cold curve of IEC 60255-149; check values for
    /// tau = 30 s as printed in the technical data of a feeder-protection relay (times in s).
    #[test]
    fn trip_times_follow_the_cold_curve() {
        let (tau_s, opens_c, case_c, rise_at_threshold_c) = (30.0, 120.0, 40.0, 80.0);
        let protector = Protector {
            heating_c_per_a2: Some(rise_at_threshold_c),
            heating_tau_s: Some(tau_s),
            ..Protector::default()
        };
        for (times_threshold, expected_s) in [
            (1.2, 35.57),
            (1.5, 17.63),
            (2.0, 8.63),
            (3.0, 3.53),
            (5.0, 1.22),
        ] {
            let mut disc = Disc::new(&protector).unwrap_or_else(|| unreachable!());
            let at = |case_c| Moment {
                time: 0,
                span_s: 0.01,
                amps: 0.0,
                case_c,
                case_believed: true,
                supply_v: f64::NAN,
                demand: f64::NAN,
                ambient_c: f64::NAN,
                start_lead_a: f64::NAN,
            };
            disc.step(&at(case_c), 0.0, 0.0);
            let mut elapsed_s: f64 = 0.0;
            while disc.temp_c().is_some_and(|temp_c| temp_c < opens_c) && elapsed_s < 100.0 {
                disc.step(&at(case_c), times_threshold, 0.01);
                elapsed_s += 0.01;
            }
            assert!(
                (elapsed_s - expected_s).abs() < 0.02,
                "{times_threshold}: {elapsed_s} s, not {expected_s}"
            );
        }
    }
}
