//! `k`, `tau` and the two temperatures from runs.
//!
//! The disc is followed through each run by what current and case temperature were; where the protector opened, the disc must
//! have been at the opening temperature, and at the closing temperature where it closed. The differences are made small,
//! each divided by its standard uncertainty: how openings scatter, and how far the disc goes within the uncertainty of the
//! instant. What is observed is the instant, so it is the instant's difference that is made small: the temperature's over the
//! disc's rate of change. (Made small in kelvins, differences would shrink by themselves with a smaller `k` and a lower opening.)
//! A run without an opening counts only if the disc would have been hotter than the opening.
//!
//! Parameters are `ln(k / tau)`, `ln tau` and the temperatures: a short trip tells how fast the disc heats, whatever `tau`,
//! so the first two hardly depend on each other. What was known before goes in as further residuals (priors): the temperatures
//! within their tolerances, any value in them as likely (JCGM 100:2008, 4.3.7). The scatter is estimated from the
//! residuals (Paule and Mandel 1982: its value makes the weighted sum of squares what it is expected to be), with as many degrees
//! of freedom as openings and closings less what the fit took of them.

use super::disc::SensorClasses;
use super::lumps::{Delay, Lags, Lump};
use super::problem::{
    CLOSES, CLOSES_C, OPENS, OPENS_C, Problem, RATE, SCATTER_C, SCATTER_RANGE_C, Share, TAU, Weight,
};
use super::run::{Run, Snap, Step};
use super::told::{Estimate, Fitted, Posterior, Residual, TOLD_OF_PRIOR, Untold};
use crate::fit::{FitError, Solution, least_squares};
use crate::job::Protector;

/// Scatter above this is no sound disc's, K.
const SCATTER_SOUND_C: f64 = 3.0;
/// Minima whose `ln(k / tau)` and `ln tau` differ by less are one.
const SAME_MINIMUM: f64 = 0.01;
/// A minimum so many standard deviations away that is less likely by no more than this (on the scale of chi squared) is a rival.
const RIVAL_SIGMAS: f64 = 3.0;
const RIVAL_UNLIKELY: f64 = 9.0;
/// A scatter that has changed by less than this share is settled.
const SCATTER_SETTLED: f64 = 0.02;
/// Weights and scatter are settled after so many rounds.
const ROUNDS: usize = 5;
/// Openings within this share of one current are at one current.
const ONE_CURRENT: f64 = 0.1;
/// The current of an opening is that of so long before it, s.
const BEFORE_S: f64 = 20.0;
/// Runs, at most: each may cost a parameter.
const RUNS_MAX: usize = 200;

/// Where the scatter of openings and closings comes from.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Scatter {
    /// From the runs, if there are enough.
    #[default]
    Estimated,
    /// It is known: a standard deviation, K.
    Known(f64),
}

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoFit {
    /// None of the runs has an opening with current.
    #[error("no opening was seen while current flowed: nothing says how the protector heats")]
    NoOpening,
    /// More than can be fitted at a time.
    #[error("{0} runs: at most {RUNS_MAX} can be fitted together")]
    TooMany(usize),
    /// A run is not one.
    #[error("run {0}: a step or an instant is not a number, runs backwards or is not in it")]
    NotARun(usize),
    /// The numbers did not come to an end.
    #[error("the fit came to no end")]
    NoEnd,
}

/// What is known before the runs are looked at.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Fit {
    /// Opening temperature and its tolerance, Cel and ± K.
    pub opens: Option<(f64, f64)>,
    /// Closing temperature and its tolerance, Cel and ± K.
    pub closes: Option<(f64, f64)>,
    /// Bead and clamp. With [`SensorClasses::SAME`] the constants are those for this bead and clamp.
    pub sensors: SensorClasses,
    /// Scatter.
    pub scatter: Scatter,
    /// How late heat and bead may come, whatever the runs show.
    pub lags: Lags,
}

impl Fit {
    /// With the temperatures that a job file gives; one without its tolerance is taken for half of the trade's range wide.
    pub fn of(protector: &Protector, sensors: SensorClasses) -> Self {
        let tol = |given: Option<f64>, usual: (f64, f64)| given.unwrap_or(usual.1 / 2.0);
        Self {
            opens: protector
                .opens_c
                .map(|c| (c, tol(protector.opens_tol_c, OPENS_C))),
            closes: protector
                .closes_c
                .map(|c| (c, tol(protector.closes_tol_c, CLOSES_C))),
            sensors,
            scatter: Scatter::Estimated,
            lags: Lags::default(),
        }
    }

    /// Fits the runs, all of one protector.
    ///
    /// # Errors
    /// [`NoFit`]. Runs that tell little are no error: [`Fitted::untold`] says what they do not tell.
    pub fn runs(&self, runs: &[Run]) -> Result<Fitted, NoFit> {
        check(runs)?;
        let mut problem = Problem::new(self, runs);
        let mut minima = Vec::<Minimum>::new();
        for at in problem.starts() {
            // One that came to the same is the same.
            if !minima.iter().any(|other| other.is_near(&at)) {
                minima.extend(self.settled(&mut problem, at).ok());
            }
        }
        minima.sort_by(|a, b| a.unlikely.total_cmp(&b.unlikely));
        let best = minima.first().ok_or(NoFit::NoEnd)?;
        problem.weights.clone_from(&best.weights);
        let mut fitted = problem.fitted(self, best);
        if let Some(other) = minima.iter().find(|other| best.rivals(other)) {
            fitted.is_one_of_two(
                (other.found.params[RATE] + other.found.params[TAU]).exp(),
                other.found.params[TAU].exp(),
            );
        }
        Ok(fitted)
    }

    /// A minimum with weights and scatter that agree with it.
    fn settled(&self, problem: &mut Problem<'_>, mut at: Vec<f64>) -> Result<Minimum, FitError> {
        let mut scatter = match self.scatter {
            Scatter::Known(sd) => (sd.max(SCATTER_RANGE_C.0), f64::INFINITY),
            Scatter::Estimated => (SCATTER_C, f64::INFINITY),
        };
        let mut round = 0;
        let mut before_c = scatter.0;
        loop {
            problem.weigh(&at, scatter.0);
            let found = least_squares(problem, &at)?;
            let share = Share::of(problem, &found)?;
            at.clone_from(&found.params);
            round += 1;
            let is_settled = round > 1 && (scatter.0 / before_c - 1.0).abs() < SCATTER_SETTLED;
            if round >= ROUNDS || is_settled {
                let weights = problem.weights.clone();
                let unlikely = found.square_sum() + problem.spread_of_times();
                return Ok(Minimum {
                    found,
                    share,
                    scatter,
                    weights,
                    unlikely,
                });
            }
            before_c = scatter.0;
            if self.scatter == Scatter::Estimated {
                scatter = problem.scatter(&at, share.degrees_of_freedom);
            }
        }
    }
}

/// A place where the residuals are least.
struct Minimum {
    found: Solution,
    share: Share,
    /// Standard deviation, K, and its degrees of freedom.
    scatter: (f64, f64),
    weights: Vec<Weight>,
    /// Twice the negative logarithm of the likelihood of the instants, but for a constant.
    unlikely: f64,
}

impl Minimum {
    fn is_near(&self, at: &[f64]) -> bool {
        [RATE, TAU]
            .iter()
            .all(|&i| (self.found.params[i] - at[i]).abs() < SAME_MINIMUM)
    }

    /// The other explains the runs nearly as well and says something else.
    fn rivals(&self, other: &Self) -> bool {
        let sd = self.share.covariance[(TAU, TAU)].sqrt();
        let apart = (self.found.params[TAU] - other.found.params[TAU]).abs();
        apart > (RIVAL_SIGMAS * sd).max(SAME_MINIMUM)
            && other.unlikely - self.unlikely < RIVAL_UNLIKELY
    }
}

fn check(runs: &[Run]) -> Result<(), NoFit> {
    if runs.len() > RUNS_MAX {
        return Err(NoFit::TooMany(runs.len()));
    }
    let sound = |s: &Step| {
        s.dt_s >= 0.0 && s.dt_s.is_finite() && s.amps.is_finite() && s.case_c.is_finite()
    };
    for (index, run) in runs.iter().enumerate() {
        let in_it = |s: &super::Seen| s.step < run.steps.len() && s.time_u_s >= 0.0;
        let ordered = run.seen.windows(2).all(|w| w[0].step <= w[1].step);
        if run.steps.is_empty()
            || !ordered
            || !run.steps.iter().all(sound)
            || !run.seen.iter().all(in_it)
        {
            return Err(NoFit::NotARun(index));
        }
    }
    let opens = |run: &Run| {
        let mut openings = run.seen.iter().filter(|s| s.snap == Snap::Opened);
        openings.any(|s| run.steps[..=s.step].iter().any(|step| step.amps > 0.0))
    };
    runs.iter().any(opens).then_some(()).ok_or(NoFit::NoOpening)
}

impl Problem<'_> {
    fn fitted(&self, fit: &Fit, minimum: &Minimum) -> Fitted {
        let Minimum {
            found,
            share,
            scatter,
            ..
        } = minimum;
        let delays = [Lump::Heater, Lump::Bead].map(|lump| Delay::of(lump, fit.lags, self, found));
        let beside = delays.iter().flatten().map(Delay::covariance);
        let posterior = Posterior {
            covariance: beside.fold(share.covariance.clone(), |sum, of| sum + of),
            of_data: share.of_data.clone(),
            degrees_of_freedom: scatter.1,
            gain_u: fit.sensors.current_u_share,
        };
        let at = &found.params;
        let along = |of: &[(usize, f64)]| {
            let mut by = vec![0.0; self.params];
            of.iter().for_each(|&(param, value)| by[param] = value);
            by
        };
        let gain_u = 2.0 * fit.sensors.current_u_share;
        let prior_sd = |param| {
            self.priors
                .iter()
                .find(|p| p.param == param)
                .map_or(0.0, |p| p.sd)
        };
        let temp = |param| {
            posterior.even(
                at[param],
                &along(&[(param, 1.0)]),
                TOLD_OF_PRIOR * prior_sd(param),
            )
        };
        let k = (at[RATE] + at[TAU]).exp();
        let mut fitted = Fitted {
            heating_c_per_a2: posterior.above_zero(k, &along(&[(RATE, 1.0), (TAU, 1.0)]), gain_u),
            tau_s: posterior.above_zero(at[TAU].exp(), &along(&[(TAU, 1.0)]), 0.0),
            heating_rate: posterior.above_zero(at[RATE].exp(), &along(&[(RATE, 1.0)]), gain_u),
            opens_c: temp(OPENS),
            closes_c: self.has_closing.then(|| temp(CLOSES)),
            scatter_c: scatter.0,
            degrees_of_freedom: scatter.1,
            untold: Vec::new(),
            residuals: self.residuals_seen(at),
            posterior,
        };
        fitted.untold = self.untold(fit, &fitted);
        let [heater, _] = &delays;
        if let Some(delay) = heater.as_ref().filter(|delay| delay.is_seen()) {
            fitted.untold.push(Untold::OneTimeConstant {
                late_s: delay.best_s,
            });
        }
        if fitted
            .untold
            .iter()
            .any(|u| matches!(u, Untold::OneDisc { .. }))
        {
            fitted.is_no_disc();
        }
        fitted
    }

    fn residuals_seen(&self, at: &[f64]) -> Vec<Residual> {
        let rows = self.rows(at).unwrap_or_default();
        let seen = rows.iter().zip(&self.weights).filter_map(|(row, weight)| {
            Some(Residual {
                run: row.run,
                snap: row.snap?,
                disc_c: row.disc.temp_c(),
                residual_c: Self::difference_c(row, at),
                sd_c: weight.sd_c,
            })
        });
        seen.collect()
    }

    fn untold(&self, fit: &Fit, fitted: &Fitted) -> Vec<Untold> {
        let mut untold = Vec::new();
        let told = |estimate: &Estimate| estimate.told;
        let constants = told(&fitted.heating_c_per_a2) && told(&fitted.tau_s);
        if let Some(amps) = self.one_current().filter(|_| !constants) {
            untold.push(Untold::OneCurrent { amps });
        }
        let mut add = |is: bool, what| untold.extend(is.then_some(what));
        add(!told(&fitted.heating_c_per_a2), Untold::HeatingConstant);
        add(!told(&fitted.tau_s), Untold::TimeConstant);
        add(
            !told(&fitted.opens_c),
            Untold::Opening {
                given: fit.opens.is_some(),
            },
        );
        match &fitted.closes_c {
            None => add(true, Untold::NoClosing),
            Some(closes) => add(
                !told(closes),
                Untold::Closing {
                    given: fit.closes.is_some(),
                },
            ),
        }
        let assumed = fit.scatter == Scatter::Estimated && fitted.degrees_of_freedom.is_infinite();
        add(
            assumed,
            Untold::Scatter {
                assumed_c: fitted.scatter_c,
            },
        );
        let scatter_c = fitted.scatter_c;
        add(
            scatter_c > SCATTER_SOUND_C && !assumed,
            Untold::OneDisc { scatter_c },
        );
        untold
    }

    /// The current of every opening, if it was much the same, A.
    fn one_current(&self) -> Option<f64> {
        let (mut least, mut most) = (f64::INFINITY, 0.0_f64);
        for run in self.runs {
            for seen in run.seen.iter().filter(|s| s.snap == Snap::Opened) {
                let amps = mean_before(&run.steps[..=seen.step]);
                (least, most) = (least.min(amps), most.max(amps));
            }
        }
        (most <= least * (1.0 + ONE_CURRENT)).then(|| (least * most).sqrt())
    }
}

/// Square mean of the current at the end of these steps, back to when it began, A.
fn mean_before(steps: &[Step]) -> f64 {
    let (mut heat_a2s, mut time_s) = (0.0, 0.0);
    for step in steps.iter().rev() {
        if step.amps <= 0.0 || time_s > BEFORE_S {
            break;
        }
        heat_a2s += step.amps * step.amps * step.dt_s;
        time_s += step.dt_s;
    }
    if time_s > 0.0 {
        (heat_a2s / time_s).sqrt()
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking
    use super::*;
    use crate::fit::{DMatrix, Residuals};
    use crate::protector::{Heating, Seen, Start};

    const STEP_S: f64 = 0.05;

    /// A disc (k 0.62 K/A², tau 30 s, 118 and 66 °C) in a case at 40: `amps` until it opens or for a minute, then none until it
    /// closes, if `closes`.
    fn run(amps: f64, closes: bool, start: Start) -> Run {
        let heating = Heating::new(0.62, 30.0).unwrap();
        let mut run = Run {
            start,
            steps: vec![],
            seen: vec![],
        };
        let mut go = |amps: f64, snap, time: crate::protector::TripTime| {
            let s = time.seconds().unwrap_or(60.0).min(60.0);
            let count = (s / STEP_S).ceil();
            let step = Step {
                dt_s: s / count,
                amps,
                case_c: 40.0,
            };
            run.steps.extend(core::iter::repeat_n(step, count as usize));
            if time.seconds().is_some_and(|s| s <= 60.0) {
                run.seen.push(Seen {
                    step: run.steps.len() - 1,
                    snap,
                    time_u_s: 0.01,
                });
            }
        };
        go(
            amps,
            Snap::Opened,
            heating.cold_trip_time(amps, 40.0, 118.0),
        );
        if closes {
            go(0.0, Snap::Closed, heating.time_to_close(118.0, 40.0, 66.0));
        }
        run
    }

    fn given() -> Fit {
        Fit {
            opens: Some((118.0, 1.0)),
            closes: Some((66.0, 9.0)),
            ..Fit::default()
        }
    }

    #[test]
    fn exact_runs_give_the_constants_back() {
        let runs = [30.0, 20.0, 14.0].map(|amps| run(amps, true, Start::Settled));
        let fitted = given().runs(&runs).unwrap();
        assert!(
            (fitted.heating_c_per_a2.value / 0.62 - 1.0).abs() < 0.01,
            "{fitted:?}"
        );
        assert!((fitted.tau_s.value / 30.0 - 1.0).abs() < 0.01);
        assert!((fitted.closes_c.unwrap().value - 66.0).abs() < 0.5);
        let ultimate = fitted.ultimate_trip_current_a(40.0).unwrap();
        assert!((ultimate.value - (78.0_f64 / 0.62).sqrt()).abs() < 0.1);
        assert!(fitted.heating().is_some() && fitted.ultimate_trip_current_a(130.0).is_none());
    }

    #[test]
    fn trips_at_one_high_current_tell_only_how_fast_it_heats() {
        let runs = [40.0, 41.0].map(|amps| run(amps, false, Start::Settled));
        let fitted = given().runs(&runs).unwrap();
        assert!(
            fitted.heating_rate.told && (fitted.heating_rate.value * 30.0 / 0.62 - 1.0).abs() < 0.1,
            "{fitted:?}"
        );
        assert!(!fitted.heating_c_per_a2.told && !fitted.tau_s.told && fitted.heating().is_none());
        let is_one =
            |u: &Untold| matches!(u, Untold::OneCurrent { amps } if (amps - 40.5).abs() < 0.1);
        assert!(fitted.untold.iter().any(is_one), "{:?}", fitted.untold);
        for what in [
            Untold::NoClosing,
            Untold::TimeConstant,
            Untold::HeatingConstant,
            Untold::Scatter {
                assumed_c: SCATTER_C,
            },
        ] {
            assert!(fitted.untold.contains(&what), "{what}: {:?}", fitted.untold);
        }
    }

    /// Short trips alone leave `k` to what is usual of `tau`; a quarter of an hour at 15 A says that it is less than 78 K / 225 A².
    #[test]
    fn a_run_that_does_not_open_bounds_the_constants() {
        let trips = [40.0, 41.0].map(|amps| run(amps, false, Start::Settled));
        let steps = vec![
            Step {
                dt_s: 1.0,
                amps: 15.0,
                case_c: 40.0
            };
            900
        ];
        let mut more = trips.to_vec();
        more.push(Run {
            start: Start::Settled,
            steps,
            seen: vec![],
        });
        let k = |runs: &[Run]| given().runs(runs).unwrap().heating_c_per_a2.value;
        assert!(k(&trips) > 0.4, "{}", k(&trips));
        assert!(k(&more) < 80.0 / 225.0, "{}", k(&more));
    }

    #[test]
    fn runs_that_are_none_are_refused_by_name() {
        let good = run(30.0, true, Start::Settled);
        assert_eq!(given().runs(&[]), Err(NoFit::NoOpening));
        assert_eq!(
            given().runs(&[run(5.0, false, Start::Settled)]),
            Err(NoFit::NoOpening)
        );
        let mut beyond = good.clone();
        beyond.seen[1].step = beyond.steps.len();
        assert_eq!(
            given().runs(&[good.clone(), beyond]),
            Err(NoFit::NotARun(1))
        );
        let mut nan = good.clone();
        nan.steps[3].case_c = f64::NAN;
        assert_eq!(given().runs(&[nan]), Err(NoFit::NotARun(0)));
        assert_eq!(
            given().runs(&vec![good; RUNS_MAX + 1]),
            Err(NoFit::TooMany(RUNS_MAX + 1))
        );
    }

    /// The derivatives by hand against five-point differences.
    #[test]
    fn derivatives_are_right() {
        struct Plain<'a>(&'a Problem<'a>);
        impl Residuals for Plain<'_> {
            fn count(&self) -> usize {
                self.0.count()
            }
            fn residuals(&self, at: &[f64], out: &mut [f64]) {
                self.0.residuals(at, out);
            }
        }
        let mut runs = [30.0, 14.0, 5.0]
            .map(|amps| run(amps, true, Start::Unknown))
            .to_vec();
        runs[2].seen.clear();
        let mut problem = Problem::new(&given(), &runs);
        problem.weigh(
            &[
                (0.6_f64 / 30.0).ln(),
                30.0_f64.ln(),
                118.0,
                0.1,
                66.0,
                40.0,
                41.0,
                39.0,
            ],
            1.0,
        );
        let at = [
            (0.7_f64 / 25.0).ln(),
            25.0_f64.ln(),
            110.0,
            0.3,
            60.0,
            42.0,
            37.0,
            120.0,
        ];
        let size = (problem.count(), at.len());
        let (mut by_hand, mut plain) = (
            DMatrix::zeros(size.0, size.1),
            DMatrix::zeros(size.0, size.1),
        );
        problem.jacobian(&at, &mut by_hand);
        Plain(&problem).jacobian(&at, &mut plain);
        for (i, (a, b)) in by_hand.iter().zip(plain.iter()).enumerate() {
            assert!(
                (a - b).abs() < 1e-5 * b.abs().max(1e-2),
                "cell {i}: {a}, {b}"
            );
        }
        assert!(
            by_hand
                .rows(0, size.0)
                .iter()
                .filter(|v| **v != 0.0)
                .count()
                > 20
        );
    }
}
