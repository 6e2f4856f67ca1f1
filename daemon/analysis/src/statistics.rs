//! Small-sample statistics for what is said of a record: few cycles a night, so exact tests where there are any.
//!
//! Sources: quantiles as definition 7 of Hyndman and Fan, "Sample Quantiles in Statistical Packages", The American
//! Statistician 50 (1996) 361-365; Fisher's exact test by the hypergeometric distribution; Student's t by the regularised
//! incomplete beta function, its continued fraction by Lentz's method and the logarithm of the gamma function by Lanczos'
//! approximation (all from memory; the tests hold them against outside figures).

/// Mean and spread of some figures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// How many.
    pub count: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Standard deviation with n - 1; 0 of a single figure.
    pub sd: f64,
    /// The least.
    pub least: f64,
    /// The median.
    pub median: f64,
    /// The most.
    pub most: f64,
}

/// Mean and spread; `None` of nothing. Figures that are not finite are left out.
pub fn summary(values: impl IntoIterator<Item = f64>) -> Option<Summary> {
    let sorted = sorted(values);
    let (first, count) = (*sorted.first()?, sorted.len());
    // About the first figure: digits that all have in common do not eat those in which they differ.
    let mean_off = sorted.iter().map(|value| value - first).sum::<f64>() / count as f64;
    let square = |value: &f64| (value - first - mean_off).powi(2);
    let sum: f64 = sorted.iter().map(square).sum();
    Some(Summary {
        count,
        mean: first + mean_off,
        sd: (sum / (count.max(2) - 1) as f64).sqrt(),
        least: first,
        median: quantile_of(&sorted, 0.5),
        most: sorted.last().copied().unwrap_or(first),
    })
}

/// The finite ones of some figures, in order.
pub fn sorted(values: impl IntoIterator<Item = f64>) -> Vec<f64> {
    let mut sorted: Vec<f64> = values.into_iter().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    sorted
}

/// Quantile `share` (0..1) of figures in order, linear between neighbours (definition 7 of Hyndman and Fan); NaN of nothing.
pub fn quantile_of(sorted: &[f64], share: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else {
        return f64::NAN;
    };
    let at = share.clamp(0.0, 1.0) * last as f64;
    let (low, high) = (at.floor() as usize, at.ceil() as usize);
    match (sorted.get(low), sorted.get(high)) {
        (Some(a), Some(b)) => a + (b - a) * (at - low as f64),
        _ => f64::NAN,
    }
}

/// Probability by chance alone of a two-by-two table
///
/// ```text
///             yes   no
///   here       a     b
///   elsewhere  c     d
/// ```
///
/// in which "yes" stands as often "here" as in this one or more often, all four margins given (Fisher's exact test,
/// one-sided). 1 where a margin is nought.
pub fn fisher_more(a: u32, b: u32, c: u32, d: u32) -> f64 {
    let (here, elsewhere, yes) = (a + b, c + d, a + c);
    let all = ln_choose(here + elsewhere, yes);
    let at = |a: u32| ln_choose(here, a) + ln_choose(elsewhere, yes - a) - all;
    let most = here.min(yes);
    let sum: f64 = (a..=most).map(|a| at(a).exp()).sum();
    sum.min(1.0)
}

/// `ln(n over k)`; negative infinity for k > n.
pub fn ln_choose(n: u32, k: u32) -> f64 {
    if k > n {
        return f64::NEG_INFINITY;
    }
    let ln_factorial = |n: u32| ln_gamma(f64::from(n) + 1.0);
    ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k)
}

/// Lanczos' coefficients for g = 7, n = 9.
const LANCZOS: [f64; 9] = [
    0.999_999_999_999_809_9,
    676.520_368_121_885_1,
    -1_259.139_216_722_402_8,
    771.323_428_777_653_1,
    -176.615_029_162_140_6,
    12.507_343_278_686_905,
    -0.138_571_095_265_720_12,
    9.984_369_578_019_572e-6,
    1.505_632_735_149_311_6e-7,
];

/// Natural logarithm of the gamma function of x >= 0.5.
fn ln_gamma(x: f64) -> f64 {
    let x = x - 1.0;
    let base = x + 7.5;
    let mut sum = 0.0;
    for (n, coefficient) in LANCZOS.iter().enumerate() {
        sum += if n == 0 {
            *coefficient
        } else {
            coefficient / (x + n as f64)
        };
    }
    0.5 * (2.0 * core::f64::consts::PI).ln() + (x + 0.5) * base.ln() - base + sum.ln()
}

/// Terms of the continued fraction, at most.
const FRACTION_TERMS: u32 = 300;

/// Regularised incomplete beta function I_x(a, b).
fn incomplete_beta(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    // The fraction converges quickly on this side only.
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(1.0 - x, b, a);
    }
    let front =
        (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (1.0 - x).ln()).exp();
    let tiny = |value: f64| if value.abs() < 1e-300 { 1e-300 } else { value };
    let (mut c, mut d) = (1.0, 1.0 / tiny(1.0 - (a + b) * x / (a + 1.0)));
    let mut fraction = d;
    for m in 1..=FRACTION_TERMS {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let mut step = 1.0;
        for numerator in [even, odd] {
            d = 1.0 / tiny(1.0 + numerator * d);
            c = tiny(1.0 + numerator / c);
            step = c * d;
            fraction *= step;
        }
        if (step - 1.0).abs() < 1e-15 {
            break;
        }
    }
    front * fraction / a
}

/// Probability by chance alone of a Student's t of `freedom` degrees of freedom at least this far from 0, either side.
pub fn t_beyond(t: f64, freedom: f64) -> f64 {
    incomplete_beta(freedom / (freedom + t * t), 0.5 * freedom, 0.5)
}

/// The t that is exceeded on either side with probability `beyond` (0..1) together: 0.05 for a 95 % interval.
pub fn t_limit(beyond: f64, freedom: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    while t_beyond(high, freedom) > beyond && high < 1e9 {
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if t_beyond(middle, freedom) > beyond {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// The interval in which a probability lies that has shown `yes` times in `of`, each end missed with no more than half of `beyond`
/// (Clopper and Pearson, exact): by the quantiles of the beta distribution.
pub fn proportion_within(yes: u32, of: u32, beyond: f64) -> (f64, f64) {
    let (yes, no) = (f64::from(yes.min(of)), f64::from(of - yes.min(of)));
    let quantile = |share: f64, a: f64, b: f64| {
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if incomplete_beta(middle, a, b) < share {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    };
    let low = if yes > 0.0 {
        quantile(0.5 * beyond, yes, no + 1.0)
    } else {
        0.0
    };
    let high = if no > 0.0 {
        quantile(1.0 - 0.5 * beyond, yes + 1.0, no)
    } else {
        1.0
    };
    (low, high)
}

/// A straight line through points, by least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Points.
    pub count: usize,
    /// Slope, y per x.
    pub slope: f64,
    /// y at x = 0.
    pub intercept: f64,
    /// Standard error of the slope.
    pub slope_se: f64,
    /// Standard deviation of the points about the line.
    pub about: f64,
    /// Correlation of each point's distance from the line with that of the next.
    pub lag_1: f64,
}

impl Line {
    /// The line through at least three points that differ in x; points that are not finite are left out.
    pub fn through(points: &[(f64, f64)]) -> Option<Self> {
        let finite = points
            .iter()
            .filter(|(x, y)| x.is_finite() && y.is_finite());
        let points: Vec<(f64, f64)> = finite.copied().collect();
        if points.len() < 3 {
            return None;
        }
        let n = points.len() as f64;
        let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / n;
        let (x_mean, y_mean) = (mean(|p| p.0), mean(|p| p.1));
        let xx: f64 = points.iter().map(|p| (p.0 - x_mean).powi(2)).sum();
        let xy: f64 = points.iter().map(|p| (p.0 - x_mean) * (p.1 - y_mean)).sum();
        if xx <= 0.0 {
            return None;
        }
        let slope = xy / xx;
        let away: Vec<f64> = points
            .iter()
            .map(|p| p.1 - y_mean - slope * (p.0 - x_mean))
            .collect();
        let square: f64 = away.iter().map(|a| a * a).sum();
        let next: f64 = away
            .windows(2)
            .map(|pair| pair.iter().product::<f64>())
            .sum();
        let about = (square / (n - 2.0)).sqrt();
        Some(Self {
            count: points.len(),
            slope,
            intercept: y_mean - slope * x_mean,
            slope_se: about / xx.sqrt(),
            about,
            lag_1: if square > 0.0 { next / square } else { 0.0 },
        })
    }

    /// Half of the interval in which the slope lies with probability 1 - `beyond`, by Student's t. Where neighbours are
    /// alike there is less in the points than their number says: the error is widened by sqrt((1 + r) / (1 - r)) with r
    /// the correlation of neighbours, if that is positive.
    pub fn slope_within(&self, beyond: f64) -> f64 {
        let alike = self.lag_1.clamp(0.0, 0.9);
        let wider = ((1.0 + alike) / (1.0 - alike)).sqrt();
        self.slope_se * wider * t_limit(beyond, (self.count - 2) as f64)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // tests stop where something is wrong
    use super::*;

    fn close(got: f64, expected: f64, relative: f64) {
        let off = (got - expected).abs() / expected.abs().max(1e-300);
        assert!(off <= relative, "{got}, not {expected}: off by {off:.1e}");
    }

    /// numpy 2 `numpy.quantile(x, q)` (its default method "linear" is definition 7).
    #[test]
    fn quantiles_lie_between_neighbours() {
        let times = sorted([180.0, 95.0, 310.0, 240.0, 75.0, 600.0, 125.0]);
        for (share, expected) in [
            (0.0, 75.0),
            (0.1, 87.0),
            (0.25, 110.0),
            (0.5, 180.0),
            (0.9, 426.0),
            (1.0, 600.0),
        ] {
            close(quantile_of(&times, share), expected, 1e-14);
        }
        assert!(quantile_of(&[], 0.5).is_nan());
    }

    /// `scipy.stats.fisher_exact([[a, b], [c, d]], 'greater')[1]`, scipy 1.17.1.
    #[test]
    fn fishers_exact_test_is_as_computed_elsewhere() {
        for (a, b, c, d, expected) in [
            (8, 2, 1, 5, 0.024_475_524_475_524_483),
            (3, 0, 0, 3, 0.050_000_000_000_000_01),
            (1, 9, 11, 3, 0.999_966_348_095_302_2),
            (5, 5, 5, 5, 0.671_859_100_651_670_1),
            (4, 1, 2, 30, 0.001_080_530_492_295_197_8),
            (0, 10, 12, 2, 1.0),
            (30, 70, 2, 98, 1.282_491_224_968_252_3e-8),
            (7, 3, 2, 40, 2.859_957_694_805_603e-5),
        ] {
            close(fisher_more(a, b, c, d), expected, 1e-10);
        }
        assert_eq!(fisher_more(0, 0, 3, 3), 1.0);
    }

    /// `scipy.stats.t.ppf(1 - beyond / 2, df)` and `2 * scipy.stats.t.sf(t, df)`, scipy 1.17.1.
    #[test]
    fn students_t_is_as_computed_elsewhere() {
        for (freedom, at_5, at_1) in [
            (1.0, 12.706_204_736_174_694, 63.656_741_162_871_526),
            (2.0, 4.302_652_729_749_462, 9.924_843_200_918_287),
            (4.0, 2.776_445_105_197_793_4, 4.604_094_871_349_992),
            (9.0, 2.262_157_162_798_205, 3.249_835_541_592_126),
            (30.0, 2.042_272_456_301_237_8, 2.749_995_653_567_225_4),
            (200.0, 1.971_896_223_633_908_8, 2.600_634_436_191_558),
        ] {
            close(t_limit(0.05, freedom), at_5, 1e-10);
            close(t_limit(0.01, freedom), at_1, 1e-10);
        }
        for (t, freedom, expected) in [
            (2.5, 4.0, 0.066_766_544_812_0),
            (1.0, 1.0, 0.5),
            (6.0, 12.0, 6.216_738_864_858_6e-5),
            (0.3, 40.0, 0.765_730_716_771_0),
        ] {
            close(t_beyond(t, freedom), expected, 1e-11);
        }
    }

    /// 4 of 20 at 90 % stands in the NIST/SEMATECH e-Handbook, 7.2.4.1 (that it does is from memory); all of them by scipy 1.17.1
    /// `binomtest(k, n).proportion_ci(confidence, method='exact')`.
    #[test]
    fn proportions_are_those_of_clopper_and_pearson() {
        for (yes, of, beyond, low, high) in [
            (4, 20, 0.10, 0.071_353_9, 0.401_028_1),
            (10, 100, 0.05, 0.049_004_7, 0.176_222_6),
            (0, 10, 0.05, 0.0, 0.308_497_1),
            (0, 59, 0.10, 0.0, 0.049_507_6),
        ] {
            let got = proportion_within(yes, of, beyond);
            assert!(
                (got.0 - low).abs() < 1e-7 && (got.1 - high).abs() < 1e-7,
                "{got:?}"
            );
        }
    }

    /// `scipy.stats.linregress([1, 2, 3, 4, 5, 6], y)`, scipy 1.17.1.
    #[test]
    fn a_line_is_as_computed_elsewhere() {
        let y = [120.1, 119.0, 118.7, 117.2, 116.9, 115.8];
        let points: Vec<(f64, f64)> = (1..).map(f64::from).zip(y).collect();
        let line = Line::through(&points).unwrap();
        close(line.slope, -0.837_142_857_142_856_2, 1e-12);
        close(line.intercept, 120.879_999_999_999_98, 1e-12);
        close(line.slope_se, 0.066_639_450_226_803_84, 1e-11);
        assert_eq!(Line::through(&points[..2]), None);
        assert_eq!(Line::through(&[(1.0, 1.0); 5]), None);
    }
}
