//! Nonlinear least squares with covariance, and the quantiles that make intervals of it.
//!
//! The minimiser is MINPACK's Levenberg-Marquardt algorithm (Moré 1978) as the crate `levenberg-marquardt` has it. Covariance is
//! `s² (JᵀJ)⁻¹` of the linearised model at the minimum, by singular value decomposition with the columns of `J` scaled to one.
//! Checked against certified values of the NIST Statistical Reference Datasets in `tests/strd.rs`.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt, TerminationReason};
use nalgebra::storage::Owned;
use nalgebra::{DVector, Dyn};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

pub use nalgebra::DMatrix;

/// Evaluations of the residuals for each parameter and one more, at most.
const PATIENCE: usize = 400;
/// The first step is at most this many times as long as the vector of scaled parameters: a longer one leaps into where a
/// model is flat (MINPACK's usual 100 loses BoxBOD of the StRD from its first start).
const FIRST_STEP: f64 = 1.0;
/// Relative changes of the sum of squares and of the parameters below which nothing is gained.
const TOLERANCE: f64 = 1e-14;
/// A singular value below this share of the largest, columns scaled to one, is zero.
const SINGULAR: f64 = 1e-10;
/// Step of a numerical derivative as a share of the parameter: five points want more than the precision's fifth root.
const STEP_SHARE: f64 = 2e-4;
/// Degrees of freedom above which Student's t is the normal distribution.
const NORMAL_DOF: f64 = 1e6;

/// What is to be made small: the sum of squares of residuals.
pub trait Residuals {
    /// How many there are; it must not change.
    fn count(&self) -> usize;

    /// The residuals at these parameters, in the unit of their standard deviation, or any other if that is not known.
    fn residuals(&self, at: &[f64], out: &mut [f64]);

    /// Their derivatives, a row for each residual and a column for each parameter. Five-point differences unless better is
    /// known.
    fn jacobian(&self, at: &[f64], out: &mut DMatrix<f64>) {
        let mut moved = at.to_vec();
        let mut side = vec![0.0; self.count()];
        for (column, &here) in at.iter().enumerate() {
            let step = STEP_SHARE * if here == 0.0 { 1.0 } else { here.abs() };
            out.column_mut(column).fill(0.0);
            for (steps, weight) in [(-2.0, 1.0), (-1.0, -8.0), (1.0, 8.0), (2.0, -1.0)] {
                moved[column] = here + steps * step;
                self.residuals(&moved, &mut side);
                for (sum, value) in out.column_mut(column).iter_mut().zip(&side) {
                    *sum += weight * value / (12.0 * step);
                }
            }
            moved[column] = here;
        }
    }
}

/// Why there is no minimum.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FitError {
    /// Less residuals than parameters, or none of either.
    #[error("{residuals} residuals for {parameters} parameters")]
    TooFew {
        /// Residuals there are.
        residuals: usize,
        /// Parameters to be found.
        parameters: usize,
    },
    /// A residual or a derivative is not a number.
    #[error("the model gave no number")]
    NotANumber,
    /// It did not come to an end.
    #[error("no minimum found: {0}")]
    NotFound(String),
}

/// A minimum.
#[derive(Debug, Clone)]
pub struct Solution {
    /// Parameters at the minimum.
    pub params: Vec<f64>,
    /// Residuals there.
    pub residuals: Vec<f64>,
    /// Derivatives of the residuals there.
    pub jacobian: DMatrix<f64>,
    /// `(JᵀJ)⁻¹`: the covariance for residuals of variance one; `None` if some combination of parameters changes nothing.
    pub unit_covariance: Option<DMatrix<f64>>,
}

impl Solution {
    /// Sum of squares of the residuals.
    pub fn square_sum(&self) -> f64 {
        self.residuals.iter().map(|r| r * r).sum()
    }

    /// Residuals less parameters.
    pub fn degrees_of_freedom(&self) -> usize {
        self.residuals.len().saturating_sub(self.params.len())
    }

    /// Standard deviation of the residuals, `sqrt(square sum / degrees of freedom)`; `None` without any to spare.
    pub fn residual_sd(&self) -> Option<f64> {
        let spare = self.degrees_of_freedom();
        (spare > 0).then(|| (self.square_sum() / spare as f64).sqrt())
    }

    /// Standard deviation of parameter `index`, the residuals' own being estimated from themselves.
    pub fn param_sd(&self, index: usize) -> Option<f64> {
        let unit = self.unit_covariance.as_ref()?;
        Some(self.residual_sd()? * unit.get((index, index))?.sqrt())
    }
}

/// Finds the minimum nearest to `start`.
///
/// # Errors
/// [`FitError`]; a singular minimum is no error, it only has no covariance.
pub fn least_squares<R: Residuals>(model: &R, start: &[f64]) -> Result<Solution, FitError> {
    if start.is_empty() || model.count() < start.len() {
        return Err(FitError::TooFew {
            residuals: model.count(),
            parameters: start.len(),
        });
    }
    let problem = Problem {
        model,
        at: DVector::from_column_slice(start),
    };
    let (problem, report) = LevenbergMarquardt::new()
        .with_ftol(TOLERANCE)
        .with_xtol(TOLERANCE)
        .with_gtol(TOLERANCE)
        .with_stepbound(FIRST_STEP)
        .with_patience(PATIENCE)
        .minimize(problem);
    match report.termination {
        TerminationReason::User(_) | TerminationReason::Numerical(_) => {
            return Err(FitError::NotANumber);
        }
        // Nothing more can be gained at this precision: that is where it is.
        TerminationReason::NoImprovementPossible(_) => {}
        ref other if other.was_successful() => {}
        other => return Err(FitError::NotFound(format!("{other:?}"))),
    }
    solution(model, problem.at.as_slice()).ok_or(FitError::NotANumber)
}

/// Residuals, derivatives and covariance at `at`; `None` if one of them is not a number.
pub fn solution<R: Residuals>(model: &R, at: &[f64]) -> Option<Solution> {
    let mut residuals = vec![0.0; model.count()];
    model.residuals(at, &mut residuals);
    let mut jacobian = DMatrix::zeros(model.count(), at.len());
    model.jacobian(at, &mut jacobian);
    let is_number = |value: &f64| value.is_finite();
    (residuals.iter().all(is_number) && jacobian.iter().all(is_number)).then(|| Solution {
        params: at.to_vec(),
        residuals,
        unit_covariance: unit_covariance(&jacobian),
        jacobian,
    })
}

/// `(JᵀJ)⁻¹`, or `None` if that does not exist.
fn unit_covariance(jacobian: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let mut scaled = jacobian.clone();
    let mut scales = Vec::with_capacity(scaled.ncols());
    for mut column in scaled.column_iter_mut() {
        let length = column.norm();
        if length.is_nan() || length <= 0.0 {
            return None;
        }
        column /= length;
        scales.push(length);
    }
    let svd = scaled.svd(false, true);
    let v_t = svd.v_t?;
    let least = svd.singular_values.max() * SINGULAR;
    if svd.singular_values.iter().any(|&s| s <= least) {
        return None;
    }
    let n = scales.len();
    Some(DMatrix::from_fn(n, n, |i, j| {
        let along = svd.singular_values.iter().enumerate();
        let sum: f64 = along
            .map(|(l, s)| v_t[(l, i)] * v_t[(l, j)] / (s * s))
            .sum();
        sum / (scales[i] * scales[j])
    }))
}

struct Problem<'a, R> {
    model: &'a R,
    at: DVector<f64>,
}

impl<R: Residuals> LeastSquaresProblem<f64, Dyn, Dyn> for Problem<'_, R> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, x: &DVector<f64>) {
        self.at.copy_from(x);
    }

    fn params(&self) -> DVector<f64> {
        self.at.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let mut out = DVector::zeros(self.model.count());
        self.model.residuals(self.at.as_slice(), out.as_mut_slice());
        Some(out)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let mut out = DMatrix::zeros(self.model.count(), self.at.len());
        self.model.jacobian(self.at.as_slice(), &mut out);
        Some(out)
    }
}

/// Quantile of Student's t distribution: the value that is not exceeded with `probability`, 0 to 1. Not a number for less
/// than no degrees of freedom, or a probability out of its range.
pub fn student_t(probability: f64, degrees_of_freedom: f64) -> f64 {
    if !(0.0..=1.0).contains(&probability) {
        return f64::NAN;
    }
    if degrees_of_freedom > NORMAL_DOF {
        return Normal::standard().inverse_cdf(probability);
    }
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_or(f64::NAN, |t| t.inverse_cdf(probability))
}

/// Probability that a standard normal value is at most `z`.
pub fn normal_cdf(z: f64) -> f64 {
    if z.is_nan() {
        return f64::NAN;
    }
    Normal::standard().cdf(z)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking
    use super::*;

    /// Quantiles as JCGM 100:2008 (GUM), Table G.2 prints them for 95.00 % (two-sided), and by scipy 1.17.1 `stats.t.ppf`.
    #[test]
    fn student_t_is_that_of_the_gum() {
        for (dof, table, scipy) in [
            (1.0, 12.71, 12.706_204_736_432_1),
            (2.0, 4.30, 4.302_652_729_749_46),
            (4.0, 2.78, 2.776_445_105_197_79),
            (5.0, 2.57, 2.570_581_835_636_31),
            (9.0, 2.26, 2.262_157_162_798_2),
            (10.0, 2.23, 2.228_138_851_986_27),
            (30.0, 2.04, 2.042_272_456_301_24),
        ] {
            let t = student_t(0.975, dof);
            assert!(
                (t - table).abs() <= 0.005,
                "{dof}: {t}, the table has {table}"
            );
            assert!((t - scipy).abs() < 1e-8, "{dof}: {t}, scipy has {scipy}");
        }
        assert!((student_t(0.975, 1e9) - 1.959_963_984_540_054).abs() < 1e-9);
        assert!(student_t(0.975, 0.0).is_nan() && student_t(1.5, 3.0).is_nan());
    }

    struct Flat;
    impl Residuals for Flat {
        fn count(&self) -> usize {
            3
        }
        fn residuals(&self, at: &[f64], out: &mut [f64]) {
            // Only the sum matters: no data can tell the two apart.
            out.iter_mut()
                .zip([1.0, 2.0, 3.0])
                .for_each(|(r, y)| *r = at[0] + at[1] - y);
        }
    }

    #[test]
    fn what_cannot_be_told_apart_has_no_covariance() {
        let found = least_squares(&Flat, &[0.3, 0.4]).unwrap();
        assert!((found.params[0] + found.params[1] - 2.0).abs() < 1e-9);
        assert!(found.unit_covariance.is_none() && found.param_sd(0).is_none());
    }
}
