//! The protector's disc, followed by [`crate::protector`]'s model while the bead is believed.

use super::moment::{Moment, finite};
use crate::job::{Protector, ProtectorKind};
use crate::protector::Heating;

/// A bead that has not been read for longer than this leaves the disc unknown, s.
const CASE_OLD_S: f64 = 10.0;

/// The disc temperature, where the job gives the constants for it.
#[derive(Debug, Clone)]
pub struct Disc {
    heating: Heating,
    temp_c: Option<f64>,
    case_c: f64,
    case_age_s: f64,
}

impl Disc {
    /// A model, if the heating constant and the time constant are given, and the protector is not inside the compressor, where
    /// the bead on its case says nothing of the disc.
    pub fn new(protector: &Protector) -> Option<Self> {
        if protector.kind == ProtectorKind::Internal {
            return None;
        }
        Some(Self {
            heating: Heating::new(protector.heating_c_per_a2?, protector.heating_tau_s?)?,
            temp_c: None,
            case_c: f64::NAN,
            case_age_s: 0.0,
        })
    }

    /// Temperature now, Cel.
    pub fn temp_c(&self) -> Option<f64> {
        self.temp_c
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
        self.temp_c = Some(match self.temp_c {
            // Nothing is known of the past: as if the case had been so for long, with no current.
            None => self.case_c,
            Some(temp_c) => self.heating.carried_c(temp_c, amps, self.case_c, elapsed_s),
        });
    }
}
