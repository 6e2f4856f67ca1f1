//! A measured figure with its uncertainty, by the GUM (JCGM 100:2008): type A from repeats, type B from the classes of the sensors,
//! combined as squares, the degrees of freedom by the Welch-Satterthwaite formula (G.4.1).

use crate::fit::{normal_cdf, student_t};
use crate::statistics::{Summary, summary, t_beyond};

/// Probability within ± 2 standard deviations of a normal distribution: what k = 2 stands for.
const COVERED: f64 = 0.954_499_736_103_641_6;
/// Degrees of freedom above which Student's t is the normal distribution.
const NORMAL_DOF: f64 = 1e6;

/// One part of an uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// What it comes from.
    pub from: &'static str,
    /// Standard uncertainty that it makes of the figure, in the figure's unit.
    pub u: f64,
    /// Degrees of freedom; infinite for a class.
    pub degrees_of_freedom: f64,
}

impl Part {
    /// Of limits of error ± `limit`, within which any value is as likely (JCGM 100:2008, 4.3.7).
    pub fn of_limit(from: &'static str, limit: f64) -> Self {
        Self {
            from,
            u: limit.abs() / 3.0_f64.sqrt(),
            degrees_of_freedom: f64::INFINITY,
        }
    }

    /// Of the scatter of repeats, for their mean (4.2.3). `None` of fewer than two.
    pub fn of_scatter(of: &Summary) -> Option<Self> {
        (of.count >= 2).then(|| Self {
            from: "scatter of the repeats",
            u: of.sd / (of.count as f64).sqrt(),
            degrees_of_freedom: of.count as f64 - 1.0,
        })
    }
}

/// A figure with its uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct Uncertain {
    /// Best value.
    pub value: f64,
    /// Combined standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom, infinite where nothing of it was estimated from scatter.
    pub degrees_of_freedom: f64,
    /// Coverage factor: 2, or more where there are few degrees of freedom (Student's t for 95.45 %, G.3.2).
    pub k: f64,
    /// What it is made of.
    pub parts: Vec<Part>,
}

impl Uncertain {
    /// A value with the parts of its uncertainty.
    pub fn new(value: f64, parts: Vec<Part>) -> Self {
        let square: f64 = parts.iter().map(|part| part.u * part.u).sum();
        let fourth: f64 = parts
            .iter()
            .filter(|part| part.u > 0.0)
            .map(|part| part.u.powi(4) / part.degrees_of_freedom)
            .sum();
        let degrees_of_freedom = if fourth > 0.0 {
            square * square / fourth
        } else {
            f64::INFINITY
        };
        Self {
            value,
            u: square.sqrt(),
            degrees_of_freedom,
            k: coverage_factor(COVERED, degrees_of_freedom),
            parts,
        }
    }

    /// Expanded uncertainty U = k u, for 95.45 %.
    pub fn expanded(&self) -> f64 {
        self.k * self.u
    }

    /// Whether value ± U holds `truth`.
    pub fn holds(&self, truth: f64) -> bool {
        (truth - self.value).abs() <= self.expanded()
    }
}

/// The factor for a two-sided probability.
pub fn coverage_factor(covered: f64, degrees_of_freedom: f64) -> f64 {
    student_t(0.5 * (1.0 + covered), degrees_of_freedom)
}

/// Probability of a Student's t below `t`.
pub(super) fn t_cdf(t: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom > NORMAL_DOF || t.is_infinite() {
        return normal_cdf(t);
    }
    let beyond = 0.5 * t_beyond(t, degrees_of_freedom);
    if t > 0.0 { 1.0 - beyond } else { beyond }
}

/// Mean and spread of what was measured; `None` of nothing.
pub(super) fn spread(values: &[f64]) -> Option<Summary> {
    summary(values.iter().copied())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, H.1 (end gauge): components and their degrees of freedom from memory; the combined 32 nm with 16 degrees of
    /// freedom and U99 = 93 nm are the example's.
    #[test]
    fn the_end_gauge_of_the_gum() {
        let part = |u, degrees_of_freedom| Part {
            from: "",
            u,
            degrees_of_freedom,
        };
        let parts = vec![
            part(25.0, 18.0),
            part(9.7, 25.6),
            part(2.9, 50.0),
            part(16.6, 2.0),
        ];
        let gauge = Uncertain::new(50_000_838.0, parts);
        assert_eq!(gauge.u.round(), 32.0);
        assert_eq!(gauge.degrees_of_freedom.floor(), 16.0);
        let k = coverage_factor(0.99, gauge.degrees_of_freedom.floor());
        assert!((k - 2.92).abs() < 0.005, "{k}");
        assert_eq!((k * 32.0).round(), 93.0);
    }

    /// Table G.2 of JCGM 100:2008, column 95.45 % (from memory: 1 13.97, 2 4.53, 4 2.87, 10 2.28, 50 2.05, infinite 2.00).
    #[test]
    fn two_is_the_factor_where_nothing_is_estimated() {
        for (dof, table) in [
            (1.0, 13.97),
            (2.0, 4.53),
            (4.0, 2.87),
            (10.0, 2.28),
            (50.0, 2.05),
            (f64::INFINITY, 2.0),
        ] {
            let k = coverage_factor(COVERED, dof);
            assert!(
                (k - table).abs() <= 0.005,
                "{dof}: {k}, the table has {table}"
            );
        }
        let class = Uncertain::new(10.0, vec![Part::of_limit("class", 1.5)]);
        assert!((class.expanded() - 2.0 * 1.5 / 3.0_f64.sqrt()).abs() < 1e-9);
    }

    #[test]
    fn student_t_adds_up() {
        // t(.975) for 4 and 30 degrees of freedom: scipy 1.17.1 `stats.t.ppf`.
        for (t, dof) in [(2.776_445_105_197_79, 4.0), (2.042_272_456_301_24, 30.0)] {
            assert!((t_cdf(t, dof) - 0.975).abs() < 1e-9);
            assert!((t_cdf(-t, dof) - 0.025).abs() < 1e-9);
        }
        assert!((t_cdf(1.0, f64::INFINITY) - 0.841_344_746).abs() < 1e-8);
    }
}
