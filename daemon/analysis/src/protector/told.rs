//! What a fit says of a protector, and what it cannot say.

use core::fmt;

use super::heating::{FittedHeating, Heating};
use super::run::Snap;
use crate::fit::{DMatrix, student_t};

/// A quantity that must be above zero is told if its standard uncertainty is no more than this share of it: known to within a
/// factor of two.
const TOLD_SHARE: f64 = 0.35;
/// A temperature is told by the runs if they leave less than this share of what was known before.
pub(super) const TOLD_OF_PRIOR: f64 = 0.7;
/// Intervals hold the truth with this probability, on two sides.
const COVERED: f64 = 0.95;

/// A fitted quantity with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Best value.
    pub value: f64,
    /// Standard uncertainty, same unit; for what must be above zero, that of its logarithm times the value.
    pub sd: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Degrees of freedom of the interval (Student's t), infinite where nothing of it was estimated from scatter.
    pub degrees_of_freedom: f64,
    /// The runs tell it. If not, it is only what was assumed, and no interval for it means anything.
    pub told: bool,
}

impl Estimate {
    /// Whether the interval holds `truth`.
    pub fn holds(&self, truth: f64) -> bool {
        (self.low..=self.high).contains(&truth)
    }
}

/// What the runs do not tell, in words for people.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Untold {
    /// Every opening was at about the same current.
    OneCurrent {
        /// That current, A.
        amps: f64,
    },
    /// `k` is not told.
    HeatingConstant,
    /// `tau` is not told.
    TimeConstant,
    /// The opening temperature is not told.
    Opening {
        /// It was given; else only the trade's range was assumed.
        given: bool,
    },
    /// No closing was seen.
    NoClosing,
    /// The closing temperature is not told.
    Closing {
        /// It was given; else only the trade's range was assumed.
        given: bool,
    },
    /// Another pair of constants explains the runs about as well.
    OtherConstants {
        /// Its heating constant, K/A².
        heating_c_per_a2: f64,
        /// Its time constant, s.
        tau_s: f64,
    },
    /// Too few openings and closings to say how they scatter.
    Scatter {
        /// What was assumed instead, K.
        assumed_c: f64,
    },
    /// The current's heat seems to come late to the disc: its heater is a lump of its own. The intervals are wider for it.
    OneTimeConstant {
        /// By so much, s.
        late_s: f64,
    },
    /// Openings and closings are further from the model than any sound disc scatters.
    OneDisc {
        /// Their scatter about it, K.
        scatter_c: f64,
    },
}

impl fmt::Display for Untold {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let source = |given: bool| match given {
            true => "as given",
            false => "the trade's usual range",
        };
        match *self {
            Self::OneCurrent { amps } => write!(
                f,
                "every opening was at about {amps:.3} A: k I² at that current and tau cannot be told apart, only how fast it heats"
            ),
            Self::HeatingConstant => f.write_str(
                "the heating constant k is not told: nothing near the ultimate trip current",
            ),
            Self::TimeConstant => f.write_str("the time constant tau is not told"),
            Self::Opening { given } => {
                write!(
                    f,
                    "the opening temperature is not told: it is {}",
                    source(given)
                )
            }
            Self::NoClosing => f.write_str("no closing was seen: no closing temperature"),
            Self::Closing { given } => {
                write!(
                    f,
                    "the closing temperature is not told: it is {}",
                    source(given)
                )
            }
            Self::OtherConstants {
                heating_c_per_a2,
                tau_s,
            } => write!(
                f,
                "k = {heating_c_per_a2:.3} K/A² with tau = {tau_s:.1} s would explain these runs about as well"
            ),
            Self::Scatter { assumed_c } => write!(
                f,
                "too few openings and closings to tell their scatter: {assumed_c:.1} K is assumed"
            ),
            Self::OneTimeConstant { late_s } => write!(
                f,
                "one time constant does not describe these runs: heat comes to the disc about {late_s:.1} s late, and the \
                 intervals are wider for it"
            ),
            Self::OneDisc { scatter_c } => write!(
                f,
                "one disc with one time constant does not explain these runs: they scatter by {scatter_c:.1} K"
            ),
        }
    }
}

/// One opening or closing against the model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residual {
    /// Of which run.
    pub run: usize,
    /// What happened.
    pub snap: Snap,
    /// The model's disc there, Cel.
    pub disc_c: f64,
    /// That less the fitted opening or closing temperature, K.
    pub residual_c: f64,
    /// Its standard uncertainty from scatter and the instant, K.
    pub sd_c: f64,
}

/// A fitted protector. That a real protector is several lumps and a bead lags is in the intervals only as far as the runs show
/// it: runs that are all alike do not. By simulation a heater of 0.8 s before the disc moves `k` by about 10 %, `tau` by about 25 % and the ultimate trip current
/// by about 5 %, a bead that lags by 5 s moves them by 4 %, 3 % and 1 % (`tests/recovery.rs` prints it).
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// Heating constant `k`, K/A².
    pub heating_c_per_a2: Estimate,
    /// Time constant, s.
    pub tau_s: Estimate,
    /// How fast it heats, `k / tau`, K/(A² s): what short trips tell when they do not tell the two.
    pub heating_rate: Estimate,
    /// Opening temperature, Cel.
    pub opens_c: Estimate,
    /// Closing temperature, Cel; `None` if no closing was seen.
    pub closes_c: Option<Estimate>,
    /// Standard deviation of openings and closings about the model, K.
    pub scatter_c: f64,
    /// Degrees of freedom of that; infinite if it was given or assumed.
    pub degrees_of_freedom: f64,
    /// What the runs do not tell.
    pub untold: Vec<Untold>,
    /// Every opening and closing.
    pub residuals: Vec<Residual>,
    pub(super) posterior: Posterior,
}

impl Fitted {
    /// Constants for [`super::Disc`] with their covariance, for the bead and the clamp they were fitted with; `None` if one of
    /// the two is not told.
    pub fn heating(&self) -> Option<FittedHeating> {
        if !(self.heating_c_per_a2.told && self.tau_s.told) {
            return None;
        }
        let (k, tau_s) = (self.heating_c_per_a2.value, self.tau_s.value);
        let c = &self.posterior.covariance;
        // From ln(k / tau) and ln tau to k and tau.
        let kk = k * k * (c[(0, 0)] + 2.0 * c[(0, 1)] + c[(1, 1)]);
        let kt = k * tau_s * (c[(0, 1)] + c[(1, 1)]);
        Some(FittedHeating {
            heating: Heating::new(k, tau_s)?,
            covariance: [[kk, kt], [kt, tau_s * tau_s * c[(1, 1)]]],
        })
    }

    /// The constants are none of this protector's: none is told.
    pub(super) const fn is_no_disc(&mut self) {
        self.heating_c_per_a2.told = false;
        self.tau_s.told = false;
        self.heating_rate.told = false;
    }

    /// Another minimum is about as likely: neither's constants are told.
    pub(super) fn is_one_of_two(&mut self, heating_c_per_a2: f64, tau_s: f64) {
        self.is_no_disc();
        self.untold.push(Untold::OtherConstants {
            heating_c_per_a2,
            tau_s,
        });
    }

    /// Ultimate trip current in a case that stays at `case_c`, A: `sqrt((opens - T_case) / k)`. `None` in a case that opens it.
    pub fn ultimate_trip_current_a(&self, case_c: f64) -> Option<Estimate> {
        let over_c = self.opens_c.value - case_c;
        if over_c.is_nan() || over_c <= 0.0 {
            return None;
        }
        let mut by = vec![0.0; self.posterior.covariance.ncols()];
        (by[0], by[1], by[2]) = (-0.5, -0.5, 0.5 / over_c);
        let value = (over_c / self.heating_c_per_a2.value).sqrt();
        let found = self.posterior.above_zero(value, &by, self.posterior.gain_u);
        Some(Estimate {
            told: found.told && self.heating_c_per_a2.told,
            ..found
        })
    }
}

impl Fitted {
    /// Time to the first opening from cold at a constant current, s, in a case that stays at `case_c`. `None` where it never opens,
    /// or as near its ultimate trip current as to say nothing.
    pub fn cold_trip_time_s(&self, amps: f64, case_c: f64) -> Option<Estimate> {
        let at = [
            self.heating_rate.value.ln(),
            self.tau_s.value.ln(),
            self.opens_c.value,
            amps.ln(),
        ];
        let ln_s = |at: [f64; 4]| {
            let [ln_rate, ln_tau, opens_c, ln_amps] = at;
            let heating = Heating::new((ln_rate + ln_tau).exp(), ln_tau.exp())?;
            let s = heating
                .cold_trip_time(ln_amps.exp(), case_c, opens_c)
                .seconds()?;
            (s > 0.0).then(|| s.ln())
        };
        let value_s = ln_s(at)?.exp();
        let slope = |which: usize, step: f64| {
            let moved = |by: f64| {
                let mut at = at;
                at[which] += by;
                ln_s(at)
            };
            Some((moved(step)? - moved(-step)?) / (2.0 * step))
        };
        let mut by = vec![0.0; self.posterior.covariance.ncols()];
        (by[0], by[1], by[2]) = (slope(0, 1e-4)?, slope(1, 1e-4)?, slope(2, 1e-3)?);
        let clamp = slope(3, 1e-4)? * self.posterior.gain_u;
        Some(self.posterior.above_zero(value_s, &by, clamp))
    }
}

/// Covariance of the parameters `ln(k / tau)`, `ln tau`, opening and further ones at the minimum.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Posterior {
    /// All of it.
    pub covariance: DMatrix<f64>,
    /// What of it comes from the scatter of openings and closings.
    pub of_data: DMatrix<f64>,
    /// Degrees of freedom of that scatter.
    pub degrees_of_freedom: f64,
    /// Standard uncertainty of the clamp, share.
    pub gain_u: f64,
}

impl Posterior {
    /// Variance along `by`, and degrees of freedom by the Welch-Satterthwaite formula (JCGM 100:2008, G.4.1), all parts but the
    /// scatter's having infinitely many.
    fn variance(&self, by: &[f64], further_u: f64) -> (f64, f64) {
        let form = |of: &DMatrix<f64>| -> f64 {
            let cells = by.iter().enumerate().flat_map(|(i, &a)| {
                let row = by.iter().enumerate();
                row.map(move |(j, &b)| a * b * of[(i, j)])
            });
            cells.sum::<f64>().max(0.0)
        };
        let variance = form(&self.covariance) + further_u * further_u;
        let share = (form(&self.of_data) / variance).min(1.0);
        (variance, self.degrees_of_freedom / (share * share))
    }

    /// A quantity with an interval even about its value.
    pub fn even(&self, value: f64, by: &[f64], told_sd: f64) -> Estimate {
        let (variance, dof) = self.variance(by, 0.0);
        let (sd, t) = (variance.sqrt(), student_t((1.0 + COVERED) / 2.0, dof));
        Estimate {
            value,
            sd,
            low: value - t * sd,
            high: value + t * sd,
            degrees_of_freedom: dof,
            told: sd <= told_sd,
        }
    }

    /// A quantity above zero; `by` is how its logarithm changes.
    pub fn above_zero(&self, value: f64, by: &[f64], further_u: f64) -> Estimate {
        let (variance, dof) = self.variance(by, further_u);
        let (sd, t) = (variance.sqrt(), student_t((1.0 + COVERED) / 2.0, dof));
        Estimate {
            value,
            sd: value * sd,
            low: value * (-t * sd).exp(),
            high: value * (t * sd).exp(),
            degrees_of_freedom: dof,
            told: sd <= TOLD_SHARE,
        }
    }
}
