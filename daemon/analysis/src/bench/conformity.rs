//! Whether a figure is within its limits: a verdict with a guard band, and the probability that the true value conforms.
//!
//! The rule is that of ILAC-G8:09/2019, 4.2, not binary, with a guard band equal to the expanded uncertainty U: pass where the figure
//! is inside by U or more, conditional pass inside by less, conditional fail outside by less, fail outside by U or more. The
//! probability of conformance is that of JCGM 106:2012 for a figure of which nothing is known but the measurement: normal, or
//! Student's t where scatter was estimated from few repeats (JCGM 101:2008, 6.4.9).

use super::plan::Window;
use super::uncertainty::{Uncertain, t_cdf};

/// A verdict; the worse, the greater.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Verdict {
    /// Within its limits by U or more.
    Pass,
    /// Within, but by less than U.
    ConditionalPass,
    /// An uncertainty or enough runs are missing, or it was not measured.
    CannotSay,
    /// Outside, but by less than U.
    ConditionalFail,
    /// Outside by U or more; or it did not do what it is for.
    Fail,
}

impl Verdict {
    /// In words.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::ConditionalPass => "conditional pass",
            Self::CannotSay => "cannot say",
            Self::ConditionalFail => "conditional fail",
            Self::Fail => "fail",
        }
    }
}

/// The verdict on a figure with its expanded uncertainty, by how far it is inside its window.
pub fn decide(measured: &Uncertain, window: &Window) -> Verdict {
    let expanded = measured.expanded();
    let below = window
        .most
        .map_or(f64::INFINITY, |most| most - measured.value);
    let above = window
        .least
        .map_or(f64::INFINITY, |least| measured.value - least);
    let inside = below.min(above);
    if !inside.is_finite() || !expanded.is_finite() {
        Verdict::CannotSay
    } else if inside >= expanded {
        Verdict::Pass
    } else if inside >= 0.0 {
        Verdict::ConditionalPass
    } else if inside > -expanded {
        Verdict::ConditionalFail
    } else {
        Verdict::Fail
    }
}

/// Probability that the true value lies within the window (JCGM 106:2012, 7).
pub fn conformance(measured: &Uncertain, window: &Window) -> f64 {
    let below = |limit: f64| {
        t_cdf(
            (limit - measured.value) / measured.u,
            measured.degrees_of_freedom,
        )
    };
    (window.most.map_or(1.0, below) - window.least.map_or(0.0, below)).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Part;

    fn known(value: f64, u: f64) -> Uncertain {
        let part = Part {
            from: "",
            u,
            degrees_of_freedom: f64::INFINITY,
        };
        Uncertain::new(value, vec![part])
    }

    /// One-sided examples of JCGM 106 (that they are its examples is from memory; the probabilities are Phi((T - y) / u), computed
    /// in another language): a Zener diode that must not exceed -5.40 V, a container that must hold 490.
    #[test]
    fn the_probability_of_conformance_is_that_of_jcgm_106() {
        let upper = |most| Window {
            least: None,
            most: Some(most),
        };
        let zener = conformance(&known(-5.47, 0.05), &upper(-5.40));
        assert!((zener - 0.919_24).abs() < 5e-6, "{zener}");
        let at_least = Window {
            least: Some(490.0),
            most: None,
        };
        let container = conformance(&known(509.7, 8.6), &at_least);
        assert!((container - 0.989_01).abs() < 5e-6, "{container}");
        // Speed limit 100, 2 % of the speed, 99.9 %: from 106.59 on.
        let over = 1.0 - conformance(&known(106.59, 0.02 * 106.59), &upper(100.0));
        assert!((over - 0.999).abs() < 1e-4, "{over}");
    }

    /// ILAC-G8:09/2019, 4.2: four answers with a guard band w = U.
    #[test]
    fn the_guard_band_is_the_expanded_uncertainty() {
        let window = Window {
            least: Some(100.0),
            most: Some(120.0),
        };
        for (value, verdict) in [
            (110.0, Verdict::Pass),
            (117.9, Verdict::Pass),
            (118.1, Verdict::ConditionalPass),
            (119.9, Verdict::ConditionalPass),
            (120.1, Verdict::ConditionalFail),
            (121.9, Verdict::ConditionalFail),
            (122.1, Verdict::Fail),
            (97.9, Verdict::Fail),
            (98.1, Verdict::ConditionalFail),
        ] {
            assert_eq!(decide(&known(value, 1.0), &window), verdict, "{value}");
        }
        assert_eq!(decide(&known(f64::NAN, 1.0), &window), Verdict::CannotSay);
        assert_eq!(decide(&known(1.0, f64::NAN), &window), Verdict::CannotSay);
    }
}
