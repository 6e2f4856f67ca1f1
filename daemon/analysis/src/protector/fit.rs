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

use super::disc::{Disc, SensorClasses};
use super::heating::Heating;
use super::run::{Run, Snap, Start, Step};
use super::told::{Estimate, Fitted, Posterior, Residual, TOLD_OF_PRIOR, Untold};
use crate::fit::{DMatrix, FitError, Residuals, Solution, least_squares};
use crate::job::Protector;

/// Before any run: `tau` about this, s, within a factor of ten either way (common practice, no source).
const TAU_S: (f64, f64) = (25.0, 1.2);
/// Opening without one given: the trade's range 105 to 125 Cel, evenly.
const OPENS_C: (f64, f64) = (115.0, 10.0);
/// Closing without one given, Cel: 61 to 71 in trade texts, and wider in practice (common practice, no source).
const CLOSES_C: (f64, f64) = (66.0, 26.0);
/// A disc of which nothing is known is about as warm as its case, K (standard deviation).
const START_U_C: f64 = 25.0;
/// Scatter of openings and closings where it cannot be told, K (common practice, no source).
const SCATTER_C: f64 = 1.0;
/// The scatter is sought between these, K.
const SCATTER_RANGE_C: (f64, f64) = (0.05, 30.0);
/// Scatter above this is no sound disc's, K.
const SCATTER_SOUND_C: f64 = 3.0;
/// A rate of change that is so many times the last round's does not stand for it.
const SLOPE_RATIO: (f64, f64) = (0.2, 5.0);
/// Minima whose `ln(k / tau)` and `ln tau` differ by less are one.
const SAME_MINIMUM: f64 = 0.01;
/// A minimum so many standard deviations away that is less likely by no more than this (on the scale of chi squared) is a rival.
const RIVAL_SIGMAS: f64 = 3.0;
const RIVAL_UNLIKELY: f64 = 9.0;
/// A disc that stands still, K/s.
const SLOPE_LEAST: f64 = 1e-6;
/// A scatter that has changed by less than this share is settled.
const SCATTER_SETTLED: f64 = 0.02;
/// Weights and scatter are settled after so many rounds.
const ROUNDS: usize = 5;
/// Time constants to begin from, s.
const TAU_STARTS_S: [f64; 4] = [5.0, 13.0, 35.0, 90.0];
/// Openings within this share of one current are at one current.
const ONE_CURRENT: f64 = 0.1;
/// The current of an opening is that of so long before it, s.
const BEFORE_S: f64 = 20.0;
/// Runs, at most: each may cost a parameter.
const RUNS_MAX: usize = 200;
/// Least rise by which a current can be said to heat, K per K/A².
const HEATS: f64 = 1e-9;

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

/// Residuals of the data are rows of this: the disc, and how it changes with each parameter.
#[derive(Debug, Clone)]
struct Row {
    run: usize,
    /// `None`: it did not open.
    snap: Option<Snap>,
    disc: Disc,
    /// Rise above the case that the current there would settle at, K.
    rise_c: f64,
    /// How fast the disc goes there, K/s.
    slope: f64,
    time_u_s: f64,
}

/// How a row counts, as of the last round.
#[derive(Debug, Clone, Copy)]
struct Weight {
    /// Standard uncertainty, K.
    sd_c: f64,
    /// How fast the disc went, K/s.
    slope: f64,
}

impl Weight {
    /// What makes a difference in kelvins one in time, and that one in kelvins of the last round's rate; `None` where the
    /// difference is left in kelvins.
    fn ratio(self, row: &Row) -> Option<f64> {
        let ratio = self.slope / row.slope;
        let usable = row.snap.is_some() && (SLOPE_RATIO.0..SLOPE_RATIO.1).contains(&ratio);
        usable.then_some(ratio)
    }
}

/// A parameter that is known before to be about `mean`.
#[derive(Debug, Clone, Copy)]
struct Prior {
    param: usize,
    mean: f64,
    sd: f64,
}

const RATE: usize = 0;
const TAU: usize = 1;
const OPENS: usize = 2;
const OFFSET: usize = 3;
const CLOSES: usize = 4;
const FIRST_START: usize = 5;

struct Problem<'a> {
    runs: &'a [Run],
    priors: Vec<Prior>,
    /// Parameter of each run's first disc temperature.
    start_params: Vec<Option<usize>>,
    params: usize,
    has_closing: bool,
    /// Of each data row.
    weights: Vec<Weight>,
}

impl<'a> Problem<'a> {
    fn new(fit: &Fit, runs: &'a [Run]) -> Self {
        let even = |(mean, tol): (f64, f64)| (mean, tol.abs().max(1e-3) / 3.0_f64.sqrt());
        let prior = |param, (mean, sd)| Prior { param, mean, sd };
        let mut priors = vec![
            prior(TAU, (TAU_S.0.ln(), TAU_S.1)),
            prior(OPENS, even(fit.opens.unwrap_or(OPENS_C))),
            prior(OFFSET, (0.0, fit.sensors.case_u_c.max(1e-6))),
            prior(CLOSES, even(fit.closes.unwrap_or(CLOSES_C))),
        ];
        let mut params = FIRST_START;
        let mut start_params = Vec::new();
        for run in runs {
            let unknown = run.start == Start::Unknown;
            start_params.push(unknown.then_some(params));
            if unknown {
                priors.push(prior(params, (run.steps[0].case_c, START_U_C)));
                params += 1;
            }
        }
        let mut new = Self {
            runs,
            priors,
            start_params,
            params,
            has_closing: runs.iter().any(|run| run.count(Snap::Closed) > 0),
            weights: Vec::new(),
        };
        new.weigh_alike();
        new
    }

    /// Every row counts alike, in kelvins.
    fn weigh_alike(&mut self) {
        let count = self.runs.iter().map(|run| run.seen.len().max(1)).sum();
        let alike = Weight {
            sd_c: SCATTER_C,
            slope: f64::NAN,
        };
        self.weights = vec![alike; count];
    }

    /// The disc of every run at everything that was seen.
    fn rows(&self, at: &[f64]) -> Option<Vec<Row>> {
        let tau_s = at[TAU].exp();
        let heating = Heating::new((at[RATE] + at[TAU]).exp(), tau_s)?;
        let mut rows = Vec::with_capacity(self.weights.len());
        for (index, run) in self.runs.iter().enumerate() {
            let begin_c = self.start_params[index].map_or(run.steps[0].case_c, |param| at[param]);
            let mut disc = Disc::at(heating.into(), begin_c, 0.0);
            let row = |snap, disc: &Disc, step: &Step, time_u_s| Row {
                run: index,
                snap,
                disc: *disc,
                rise_c: heating.rise_c(step.amps),
                slope: (step.case_c + heating.rise_c(step.amps) - disc.temp_c()) / tau_s,
                time_u_s,
            };
            let mut seen = run.seen.iter().peekable();
            let mut hottest: Option<Row> = None;
            for (i, step) in run.steps.iter().enumerate() {
                disc.step(step.dt_s, step.amps, step.case_c);
                while let Some(s) = seen.next_if(|s| s.step == i) {
                    rows.push(row(Some(s.snap), &disc, step, s.time_u_s));
                }
                if run.seen.is_empty()
                    && hottest
                        .as_ref()
                        .is_none_or(|h| disc.temp_c() > h.disc.temp_c())
                {
                    hottest = Some(row(None, &disc, step, 0.0));
                }
            }
            rows.extend(hottest);
        }
        Some(rows)
    }

    /// Disc less where it should have been, K.
    fn difference_c(row: &Row, at: &[f64]) -> f64 {
        let over = |temp_c: f64| row.disc.temp_c() - at[OFFSET] - temp_c;
        match row.snap {
            Some(Snap::Opened) => over(at[OPENS]),
            Some(Snap::Closed) => over(at[CLOSES]),
            None => over(at[OPENS]).max(0.0),
        }
    }

    /// Sets the uncertainty of each row for this scatter.
    fn weigh(&mut self, at: &[f64], scatter_c: f64) {
        if let Some(rows) = self.rows(at) {
            let weight = |row: &Row| Weight {
                sd_c: scatter_c.hypot(row.slope * row.time_u_s),
                slope: row.slope,
            };
            self.weights = rows.iter().map(weight).collect();
        }
    }

    /// Minima from several first guesses, not yet with weights that agree with them: given `tau`, the disc is linear in `k`.
    fn starts(&mut self) -> Vec<Vec<f64>> {
        let guesses: Vec<_> = TAU_STARTS_S
            .iter()
            .filter_map(|&tau_s| self.guess(tau_s))
            .collect();
        let from = |at: Vec<f64>| {
            self.weigh(&at, SCATTER_C);
            least_squares(self, &at).map_or(at, |found| found.params)
        };
        guesses.into_iter().map(from).collect()
    }

    /// Twice the logarithms of the standard uncertainties of the instants, s, summed: an explanation that leaves them wide is
    /// worth less.
    fn spread_of_times(&self) -> f64 {
        let rows = self.runs.iter().flat_map(|run| match run.seen.len() {
            0 => vec![false],
            n => vec![true; n],
        });
        let seen = rows.zip(&self.weights).filter(|(is_seen, _)| *is_seen);
        seen.map(|(_, w)| 2.0 * (w.sd_c / w.slope.abs().max(SLOPE_LEAST)).ln())
            .sum()
    }

    fn guess(&self, tau_s: f64) -> Option<Vec<f64>> {
        let mut at = vec![0.0; self.params];
        for prior in &self.priors {
            at[prior.param] = prior.mean;
        }
        at[TAU] = tau_s.ln();
        let (mut over, mut under) = (0.0, 0.0);
        for row in self
            .rows(&at)?
            .iter()
            .filter(|r| r.snap == Some(Snap::Opened))
        {
            let [by_k, ..] = row.disc.derivatives();
            let base_c = row.disc.temp_c() - row.disc.heating().heating_c_per_a2() * by_k;
            over += by_k * (at[OPENS] - base_c);
            under += by_k * by_k;
        }
        let k = over / under.max(HEATS);
        // A case hotter than the opening would need cooling by current: any k will do to begin with.
        at[RATE] = if k > 0.0 {
            (k / tau_s).ln()
        } else {
            (HEATS / tau_s).ln()
        };
        Some(at)
    }

    /// Scatter by Paule and Mandel, K, with its degrees of freedom; assumed if there is less than one.
    fn scatter(&self, at: &[f64], degrees_of_freedom: f64) -> (f64, f64) {
        let assumed = (SCATTER_C, f64::INFINITY);
        let Some(rows) = self.rows(at).filter(|_| degrees_of_freedom >= 1.0) else {
            return assumed;
        };
        let seen: Vec<(f64, f64)> = rows
            .iter()
            .filter(|row| row.snap.is_some())
            .map(|row| {
                (
                    Self::difference_c(row, at).powi(2),
                    (row.slope * row.time_u_s).powi(2),
                )
            })
            .collect();
        let excess = |s: f64| -> f64 {
            let sum: f64 = seen
                .iter()
                .map(|(square, known)| square / (s * s + known))
                .sum();
            sum - degrees_of_freedom
        };
        let (mut low, mut high) = SCATTER_RANGE_C;
        for _ in 0..60 {
            let middle = (low * high).sqrt();
            if excess(middle) > 0.0 {
                low = middle
            } else {
                high = middle
            }
        }
        (high, degrees_of_freedom)
    }

    fn fitted(&self, fit: &Fit, minimum: &Minimum) -> Fitted {
        let Minimum {
            found,
            share,
            scatter,
            ..
        } = minimum;
        let posterior = Posterior {
            covariance: share.covariance.clone(),
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

impl Residuals for Problem<'_> {
    fn count(&self) -> usize {
        self.weights.len() + self.priors.len()
    }

    fn residuals(&self, at: &[f64], out: &mut [f64]) {
        let Some(rows) = self.rows(at) else {
            out.fill(f64::NAN);
            return;
        };
        let (data, priors) = out.split_at_mut(self.weights.len());
        for ((value, row), weight) in data.iter_mut().zip(&rows).zip(&self.weights) {
            *value = Self::difference_c(row, at) * weight.ratio(row).unwrap_or(1.0) / weight.sd_c;
        }
        for (value, prior) in priors.iter_mut().zip(&self.priors) {
            *value = (at[prior.param] - prior.mean) / prior.sd;
        }
    }

    fn jacobian(&self, at: &[f64], out: &mut DMatrix<f64>) {
        out.fill(0.0);
        let rows = self.rows(at).unwrap_or_default();
        for (i, (row, weight)) in rows.iter().zip(&self.weights).enumerate() {
            if row.snap.is_some() || Self::difference_c(row, at) > 0.0 {
                self.derivatives(row, *weight, at, |param, value| out[(i, param)] = value);
            }
        }
        for (i, prior) in self.priors.iter().enumerate() {
            out[(self.weights.len() + i, prior.param)] = 1.0 / prior.sd;
        }
    }
}

impl Problem<'_> {
    /// How a data row's residual changes with each parameter.
    fn derivatives(&self, row: &Row, weight: Weight, at: &[f64], mut set: impl FnMut(usize, f64)) {
        let (tau_s, k) = (at[TAU].exp(), (at[RATE] + at[TAU]).exp());
        let ratio = weight.ratio(row);
        // The ratio changes with the disc's rate of change.
        let bent = ratio.map_or(0.0, |_| Self::difference_c(row, at) / row.slope);
        let ratio = ratio.unwrap_or(1.0);
        let mut add = |param, disc, slope| set(param, (disc - bent * slope) * ratio / weight.sd_c);
        let [by_k, by_tau, by_start] = row.disc.derivatives();
        let (by_rate, by_tau) = (k * by_k, tau_s * by_tau + k * by_k);
        add(RATE, by_rate, (row.rise_c - by_rate) / tau_s);
        add(TAU, by_tau, (row.rise_c - by_tau) / tau_s - row.slope);
        add(OFFSET, -1.0, 0.0);
        add(
            if row.snap == Some(Snap::Closed) {
                CLOSES
            } else {
                OPENS
            },
            -1.0,
            0.0,
        );
        if let Some(start) = self.start_params[row.run] {
            add(start, by_start, -by_start / tau_s);
        }
    }
}

/// Whose the covariance is: the data's, or that of what was known before.
struct Share {
    covariance: DMatrix<f64>,
    of_data: DMatrix<f64>,
    /// Openings and closings less what the fit took of them (trace of the hat matrix).
    degrees_of_freedom: f64,
}

impl Share {
    fn of(problem: &Problem<'_>, found: &Solution) -> Result<Self, FitError> {
        let covariance = found.unit_covariance.clone().ok_or(FitError::NotANumber)?;
        let data = found.jacobian.rows(0, problem.weights.len());
        let information = data.transpose() * data;
        let taken = (&covariance * &information).trace();
        let seen: usize = problem.runs.iter().map(|run| run.seen.len()).sum();
        Ok(Self {
            degrees_of_freedom: seen as f64 - taken,
            of_data: &covariance * information * &covariance,
            covariance,
        })
    }
}
