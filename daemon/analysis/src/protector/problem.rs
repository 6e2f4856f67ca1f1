//! The residuals of a fit: the disc of every run at everything that was seen, and what was known before.

use super::disc::Disc;
use super::fit::Fit;
use super::heating::Heating;
use super::run::{Run, Snap, Start, Step};
use crate::fit::{DMatrix, FitError, Residuals, Solution, least_squares};

/// Before any run: `tau` about this, s, and the standard deviation of its logarithm: within a factor of ten either way (common
/// practice, no source).
pub(crate) const TAU_S: (f64, f64) = (25.0, 1.2);
/// Opening without one given: the trade's range 105 to 125 Cel, evenly.
pub(super) const OPENS_C: (f64, f64) = (115.0, 10.0);
/// Closing without one given, Cel: 61 to 71 in trade texts, and wider in practice (common practice, no source).
pub(super) const CLOSES_C: (f64, f64) = (66.0, 26.0);
/// A disc of which nothing is known is about as warm as its case, K (standard deviation).
const START_U_C: f64 = 25.0;
/// Scatter of openings and closings where it cannot be told, K (common practice, no source).
pub(super) const SCATTER_C: f64 = 1.0;
/// The scatter is sought between these, K.
pub(super) const SCATTER_RANGE_C: (f64, f64) = (0.05, 30.0);
/// A rate of change that is so many times the last round's does not stand for it.
const SLOPE_RATIO: (f64, f64) = (0.2, 5.0);
/// A disc that stands still, K/s.
const SLOPE_LEAST: f64 = 1e-6;
/// Time constants to begin from, s.
const TAU_STARTS_S: [f64; 4] = [5.0, 13.0, 35.0, 90.0];
/// Least rise by which a current can be said to heat, K per K/A².
const HEATS: f64 = 1e-9;

/// Residuals of the data are rows of this: the disc, and how it changes with each parameter.
#[derive(Debug, Clone)]
pub(super) struct Row {
    pub run: usize,
    /// `None`: it did not open.
    pub snap: Option<Snap>,
    pub disc: Disc,
    /// Rise above the case that the current there would settle at, K.
    pub rise_c: f64,
    /// How fast the disc goes there, K/s.
    pub slope: f64,
    pub time_u_s: f64,
}

/// How a row counts, as of the last round.
#[derive(Debug, Clone, Copy)]
pub(super) struct Weight {
    /// Standard uncertainty, K.
    pub sd_c: f64,
    /// How fast the disc went, K/s.
    pub slope: f64,
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
pub(super) struct Prior {
    pub param: usize,
    pub mean: f64,
    pub sd: f64,
}

pub(super) const RATE: usize = 0;
pub(super) const TAU: usize = 1;
pub(super) const OPENS: usize = 2;
pub(super) const OFFSET: usize = 3;
pub(super) const CLOSES: usize = 4;
const FIRST_START: usize = 5;

pub(super) struct Problem<'a> {
    pub runs: &'a [Run],
    pub priors: Vec<Prior>,
    /// Parameter of each run's first disc temperature.
    pub start_params: Vec<Option<usize>>,
    pub params: usize,
    pub has_closing: bool,
    /// Of each data row.
    pub weights: Vec<Weight>,
}

impl<'a> Problem<'a> {
    pub fn new(fit: &Fit, runs: &'a [Run]) -> Self {
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
    pub fn rows(&self, at: &[f64]) -> Option<Vec<Row>> {
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
    pub fn difference_c(row: &Row, at: &[f64]) -> f64 {
        let over = |temp_c: f64| row.disc.temp_c() - at[OFFSET] - temp_c;
        match row.snap {
            Some(Snap::Opened) => over(at[OPENS]),
            Some(Snap::Closed) => over(at[CLOSES]),
            None => over(at[OPENS]).max(0.0),
        }
    }

    /// Sets the uncertainty of each row for this scatter.
    pub fn weigh(&mut self, at: &[f64], scatter_c: f64) {
        if let Some(rows) = self.rows(at) {
            let weight = |row: &Row| Weight {
                sd_c: scatter_c.hypot(row.slope * row.time_u_s),
                slope: row.slope,
            };
            self.weights = rows.iter().map(weight).collect();
        }
    }

    /// Minima from several first guesses, not yet with weights that agree with them: given `tau`, the disc is linear in `k`.
    pub fn starts(&mut self) -> Vec<Vec<f64>> {
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
    pub fn spread_of_times(&self) -> f64 {
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
    pub fn scatter(&self, at: &[f64], degrees_of_freedom: f64) -> (f64, f64) {
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
    /// How a data row's residual changes with what moves its disc, and how fast it goes, so.
    pub fn by_disc(&self, row: &Row, weight: Weight, at: &[f64], (disc, slope): (f64, f64)) -> f64 {
        if row.snap.is_none() && Self::difference_c(row, at) <= 0.0 {
            return 0.0;
        }
        let ratio = weight.ratio(row);
        let bent = ratio.map_or(0.0, |_| Self::difference_c(row, at) / row.slope);
        (disc - bent * slope) * ratio.unwrap_or(1.0) / weight.sd_c
    }

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
pub(super) struct Share {
    pub covariance: DMatrix<f64>,
    pub of_data: DMatrix<f64>,
    /// Openings and closings less what the fit took of them (trace of the hat matrix).
    pub degrees_of_freedom: f64,
}

impl Share {
    pub fn of(problem: &Problem<'_>, found: &Solution) -> Result<Self, FitError> {
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
