//! The exponential that a case's cooling follows: `A + B exp(-t / theta)`, with neither of the three known.
//!
//! Given `theta` it is linear. So `theta` goes over a grid, each value with the weight that the points give it, and `A` and `B`
//! are normal for each: an integral over what is possible, not one best curve. That is what keeps a prediction honest
//! while the points are too few to tell where the cooling ends.

/// `theta` goes from the first to the second, s, in so many even steps of its logarithm.
const THETA_S: (f64, f64) = (8.0, 5000.0);
const THETAS: usize = 40;
/// Where a case ends up, Cel: mean and standard deviation (common practice, no source: between a cold room and a hot shell).
const END_C: (f64, f64) = (45.0, 30.0);
/// Least standard deviation of a point, K: beads are not read to less.
const NOISE_C_LEAST: f64 = 0.03;
/// Differences count in full up to so many standard deviations, and beyond as if they were that (Huber 1964).
const HUBER: f64 = 1.5;
/// Beyond so many they are none of this cooling.
const OUTLIER: f64 = 6.0;
/// From a median of absolute differences to a standard deviation of normal ones.
const MAD_TO_SD: f64 = 1.4826;
/// Weights below this share of the largest do not matter.
const WEIGHT_LEAST: f64 = 1e-5;
/// Correlation of neighbouring differences is not believed above this.
const CORRELATION_MAX: f64 = 0.9;

/// One possible cooling, its time counted from now.
#[derive(Debug, Clone, Copy)]
pub(super) struct Node {
    /// Share of all that is possible, 0..1.
    pub weight: f64,
    /// Time constant, s.
    pub theta_s: f64,
    /// Where it ends, Cel, and what is left above that now, K.
    pub mean: [f64; 2],
    /// Their covariance, K².
    pub covariance: [[f64; 2]; 2],
}

/// A fit of all points, and how well it suits them.
#[derive(Debug, Clone)]
pub(super) struct Law {
    /// What is possible.
    pub nodes: Vec<Node>,
    /// Correlation of neighbouring differences: well above zero, and it is another curve.
    pub correlation: f64,
}

/// Least squares for one `theta`.
struct Linear {
    mean: [f64; 2],
    /// Inverse of `inverse` is the covariance times the variance.
    inverse: [[f64; 2]; 2],
    determinant: f64,
    square_sum: f64,
}

/// Fits points of (time before now, s, 0 or less; temperature, Cel). `None` for fewer than four.
pub(super) fn fit(points: &[(f64, f64)]) -> Option<Law> {
    if points.len() < 4 {
        return None;
    }
    let mut weights = vec![1.0; points.len()];
    let mut sd = 1.0;
    let mut differences = Vec::new();
    for _ in 0..3 {
        let best = thetas()
            .map(|theta| (theta, linear(points, &weights, theta, sd)))
            .min_by(|a, b| a.1.square_sum.total_cmp(&b.1.square_sum))?;
        differences = differences_of(points, best.0, best.1.mean);
        sd = spread(&differences).max(NOISE_C_LEAST);
        for (weight, difference) in weights.iter_mut().zip(&differences) {
            let z = (difference / sd).abs();
            *weight = if z > OUTLIER {
                0.0
            } else {
                (HUBER / z).min(1.0)
            };
        }
    }
    let correlation = correlation(&differences).clamp(0.0, CORRELATION_MAX);
    // Points that go together count as fewer.
    let inflated = (1.0 + correlation) / (1.0 - correlation);
    Some(Law {
        nodes: nodes(points, &weights, sd * inflated.sqrt()),
        correlation,
    })
}

fn thetas() -> impl Iterator<Item = f64> {
    let step = (THETA_S.1 / THETA_S.0).ln() / (THETAS - 1) as f64;
    (0..THETAS).map(move |i| THETA_S.0 * (step * i as f64).exp())
}

fn nodes(points: &[(f64, f64)], weights: &[f64], sd: f64) -> Vec<Node> {
    let fits: Vec<_> = thetas()
        .map(|theta_s| (theta_s, linear(points, weights, theta_s, sd)))
        .collect();
    let logs: Vec<f64> = fits
        .iter()
        .map(|(_, l)| -0.5 * (l.square_sum / (sd * sd) + l.determinant.ln()))
        .collect();
    let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut nodes: Vec<Node> = fits
        .iter()
        .zip(&logs)
        .map(|((theta_s, l), log)| Node {
            weight: (log - most).exp(),
            theta_s: *theta_s,
            mean: l.mean,
            covariance: l.inverse.map(|row| row.map(|cell| cell * sd * sd)),
        })
        .filter(|node| node.weight >= WEIGHT_LEAST)
        .collect();
    let sum: f64 = nodes.iter().map(|node| node.weight).sum();
    nodes.iter_mut().for_each(|node| node.weight /= sum);
    nodes
}

/// `A` and `B` for one `theta`, points of standard deviation `sd`, with what is known of `A` before.
fn linear(points: &[(f64, f64)], weights: &[f64], theta_s: f64, sd: f64) -> Linear {
    let known = (sd / END_C.1).powi(2);
    let (mut aa, mut ab, mut bb) = (known, 0.0, 0.0);
    let (mut ay, mut by) = (known * END_C.0, 0.0);
    for (&(t, y), &w) in points.iter().zip(weights) {
        let x = (-t / theta_s).exp();
        aa += w;
        ab += w * x;
        bb += w * x * x;
        ay += w * y;
        by += w * x * y;
    }
    let determinant = (aa * bb - ab * ab).max(f64::MIN_POSITIVE);
    let mean = [
        (bb * ay - ab * by) / determinant,
        (aa * by - ab * ay) / determinant,
    ];
    let mut square_sum = known * (mean[0] - END_C.0).powi(2);
    for (&(t, y), &w) in points.iter().zip(weights) {
        square_sum += w * (y - mean[0] - mean[1] * (-t / theta_s).exp()).powi(2);
    }
    Linear {
        mean,
        inverse: [
            [bb / determinant, -ab / determinant],
            [-ab / determinant, aa / determinant],
        ],
        determinant,
        square_sum,
    }
}

fn differences_of(points: &[(f64, f64)], theta_s: f64, mean: [f64; 2]) -> Vec<f64> {
    let law = |t: f64| mean[0] + mean[1] * (-t / theta_s).exp();
    points.iter().map(|&(t, y)| y - law(t)).collect()
}

/// Standard deviation by the median of absolute differences, with three parameters taken off.
fn spread(differences: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = differences.iter().map(|d| d.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let n = sizes.len() as f64;
    MAD_TO_SD * sizes[sizes.len() / 2] * (n / (n - 3.0).max(1.0)).sqrt()
}

/// Correlation of each difference with the next.
fn correlation(differences: &[f64]) -> f64 {
    let square: f64 = differences.iter().map(|d| d * d).sum();
    let product: f64 = differences.windows(2).map(|w| w[0] * w[1]).sum();
    if square > 0.0 { product / square } else { 0.0 }
}
