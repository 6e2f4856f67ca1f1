//! When a protector that has opened will close again, from its case's cooling so far.
//!
//! After an opening the case first warms on (soak), then cools. An exponential toward an end that is not known is fitted to what
//! has been seen since it began to cool ([`super::law`]), carried through the disc's own lag, and asked when the disc will
//! be down at its closing temperature. The answer is a time with a 95 % interval, or none while the case still warms and while
//! what was seen allows that it never gets there.

use super::disc::Disc;
use super::law::{self, Law, Node};
use crate::fit::normal_cdf;

/// Readings of one second make one point, by their median.
const POINT_S: f64 = 1.0;
/// Readings of a point that are kept; further ones of the same second are not needed.
const READINGS_MAX: usize = 16;
/// Points that are kept; then neighbours are put together, and there are half as many, twice as far apart.
const POINTS_MAX: usize = 128;
/// Fewer points since it began to cool tell nothing.
const POINTS_LEAST: usize = 12;
/// And fewer seconds.
const COOLING_S_LEAST: f64 = 15.0;
/// Neighbouring points may go together this much, in units of 1 / sqrt(points), before the curve is taken for another one.
const CORRELATION_SIGMAS: f64 = 2.0;
/// What an exponential leaves out: shell and room change while the case cools. Standard deviation as a share of what the case
/// still has to fall (from simulated nights).
const LAW_SHARE: f64 = 0.06;
/// The same for as long as no bend is seen: a case that has just begun to cool still cools faster and faster (likewise).
const STRAIGHT_SHARE: f64 = 0.3;
/// A cooling is straight that bends no more than with this time constant, s.
const STRAIGHT_THETA_S: f64 = 1200.0;
/// Nothing is foreseen beyond this, s.
const HORIZON_S: f64 = 4.0 * 3600.0;
/// Probability outside the interval, each side.
const TAIL: f64 = 0.025;
/// Halvings to find a time: to a hundredth of a second.
const HALVINGS: usize = 22;
/// A time constant that is not known, s: its middle, and the standard deviation of its logarithm (common practice, no source).
const TAU_S: (f64, f64) = (20.0, 0.6);
/// Opening without one given: the trade's range, Cel and ± K.
const OPENS_C: (f64, f64) = (115.0, 10.0);
/// Three points that stand for a normal distribution (Gauss and Hermite): standard deviations and weights.
const NORMAL_NODES: [(f64, f64); 3] = [
    (-1.732_050_807_568_877_2, 1.0 / 6.0),
    (0.0, 2.0 / 3.0),
    (1.732_050_807_568_877_2, 1.0 / 6.0),
];

/// A time to come with its 95 % interval, s from the last reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Not before, but for one in forty.
    pub from_s: f64,
    /// As likely before as after.
    pub likely_s: f64,
    /// Not after, but for one in forty.
    pub to_s: f64,
}

/// One value of the disc's time constant, and the disc by it.
#[derive(Debug, Clone, Copy)]
struct Lag {
    weight: f64,
    tau_s: f64,
    temp_c: f64,
    u_c: f64,
}

/// Follows a case from the opening on. At most about 150 pairs of numbers are kept. A reading costs next to nothing; a question costs
/// up to some tens of thousands of exponentials, about a millisecond: ask once a second, not once a sample.
#[derive(Debug, Clone)]
pub struct Cooling {
    lags: [Lag; 3],
    /// (time, s; temperature, Cel), evenly apart.
    points: Vec<(f64, f64)>,
    /// Seconds that a point stands for.
    spacing: u32,
    /// Sum of the seconds of the next point, and how many they are.
    next: (f64, f64, u32),
    second: Vec<f64>,
    second_began_s: f64,
    /// The discs are as of this instant, s, with the case at this, Cel.
    carried: Option<(f64, f64)>,
    last: Option<(f64, f64)>,
}

impl Cooling {
    /// From a disc that was followed up to the opening. How far it is known then is `temp_u_c`, K.
    pub fn of_disc(disc: &Disc, tau_u_s: f64, temp_u_c: f64) -> Self {
        let tau_s = disc.heating().tau_s();
        Self::new((tau_s, tau_u_s / tau_s), (disc.temp_c(), temp_u_c))
    }

    /// Of a protector of which the constants are not known: it opened at `opens` (Cel, ± K) if that is given, else somewhere in
    /// the trade's range, and the disc follows its case within ten seconds to a minute.
    pub fn opened(opens: Option<(f64, f64)>) -> Self {
        let (opens_c, tol_c) = opens.unwrap_or(OPENS_C);
        Self::new(TAU_S, (opens_c, tol_c / 3.0_f64.sqrt()))
    }

    fn new((tau_s, share): (f64, f64), (temp_c, u_c): (f64, f64)) -> Self {
        let lag = |(sigmas, weight): (f64, f64)| Lag {
            weight,
            tau_s: tau_s * (sigmas * share).exp(),
            temp_c,
            u_c,
        };
        Self {
            lags: NORMAL_NODES.map(lag),
            points: Vec::with_capacity(POINTS_MAX),
            spacing: 1,
            next: (0.0, 0.0, 0),
            second: Vec::with_capacity(READINGS_MAX),
            second_began_s: f64::NAN,
            carried: None,
            last: None,
        }
    }

    /// Takes a reading of the case, Cel, at `time_s`, s from any origin. One that is not a number or runs backwards is
    /// left out. There must be no current.
    pub fn push(&mut self, time_s: f64, case_c: f64) {
        let backwards = self.last.is_some_and(|(last_s, _)| time_s <= last_s);
        if !time_s.is_finite() || !case_c.is_finite() || backwards {
            return;
        }
        if self.second.is_empty() {
            self.second_began_s = time_s;
        } else if time_s - self.second_began_s >= POINT_S {
            self.end_second();
            self.second_began_s = time_s;
        }
        if self.second.len() < READINGS_MAX {
            self.second.push(case_c);
        }
        self.last = Some((time_s, case_c));
    }

    /// Seconds from the last reading until the disc has fallen to `closes_c`, Cel, which is known to ± `closes_tol_c`, K, any
    /// value within as likely. The bead's class belongs in the tolerance unless the closing was learned with the same bead.
    ///
    /// `None`: not foreseeable. The case still warms, or has cooled too little to tell, or may never get there. If it may
    /// have closed already, `from_s` is 0: that it has not is not assumed, since a control may be holding the current off.
    pub fn recloses_in(&self, closes_c: f64, closes_tol_c: f64) -> Option<Interval> {
        if !(closes_c.is_finite() && closes_tol_c >= 0.0) {
            return None;
        }
        let law = self.law()?;
        let (now_s, now_c) = self.last?;
        let ahead = Ahead {
            nodes: &law.nodes,
            lags: self.lags_at(now_s, self.carried.map_or(now_c, |c| c.1)),
            closes_c,
            closes_tol_c,
        };
        let to_s = ahead.time_s(1.0 - TAIL)?;
        Some(Interval {
            from_s: ahead.time_s(TAIL)?,
            likely_s: ahead.time_s(0.5)?,
            to_s,
        })
    }

    /// The second that is over becomes a part of a point.
    fn end_second(&mut self) {
        self.second.sort_by(f64::total_cmp);
        let case_c = self.second[self.second.len() / 2];
        let at_s = self.last.map_or(self.second_began_s, |(last_s, _)| {
            (self.second_began_s + last_s) / 2.0
        });
        self.second.clear();
        self.lags = self.lags_at(at_s, case_c);
        self.carried = Some((at_s, case_c));
        self.next = (self.next.0 + at_s, self.next.1 + case_c, self.next.2 + 1);
        if self.next.2 >= self.spacing {
            let n = f64::from(self.next.2);
            self.points.push((self.next.0 / n, self.next.1 / n));
            self.next = (0.0, 0.0, 0);
        }
        if self.points.len() >= POINTS_MAX {
            let mean = |p: &[(f64, f64)]| ((p[0].0 + p[1].0) / 2.0, (p[0].1 + p[1].1) / 2.0);
            self.points = self.points.chunks_exact(2).map(mean).collect();
            self.spacing *= 2;
        }
    }

    /// The discs at `time_s`, the case then being at `case_c`.
    fn lags_at(&self, time_s: f64, case_c: f64) -> [Lag; 3] {
        let Some((from_s, from_c)) = self.carried else {
            return self.lags;
        };
        self.lags
            .map(|lag| lag.carried((from_c + case_c) / 2.0, time_s - from_s))
    }

    /// The cooling of the points since the case was hottest, or of the later ones if those are another curve.
    fn law(&self) -> Option<Law> {
        let now_s = self.last?.0;
        let hottest = self
            .points
            .iter()
            .enumerate()
            .max_by(|a, b| a.1.1.total_cmp(&b.1.1))?
            .0;
        let since: Vec<(f64, f64)> = self.points[hottest..]
            .iter()
            .map(|&(t, c)| (t - now_s, c))
            .collect();
        let mut best = None;
        for quarter in 0..4 {
            let part = &since[since.len() * quarter / 4..];
            let long = part.first().is_some_and(|p| -p.0 >= COOLING_S_LEAST);
            if part.len() < POINTS_LEAST || !long {
                break;
            }
            let law = law::fit(part)?;
            let suits = law.correlation * (part.len() as f64).sqrt() <= CORRELATION_SIGMAS;
            best = Some(law);
            if suits {
                break;
            }
        }
        best.filter(Law::cools)
    }
}

impl Lag {
    fn carried(self, case_c: f64, dt_s: f64) -> Self {
        let kept = (-dt_s / self.tau_s).exp();
        Self {
            temp_c: case_c + (self.temp_c - case_c) * kept,
            u_c: self.u_c * kept,
            ..self
        }
    }
}

impl Law {
    /// The case falls now, as sure as can be.
    fn cools(&self) -> bool {
        let falls = self.nodes.iter().map(|n| {
            let sd = n.covariance[1][1].sqrt().max(f64::MIN_POSITIVE);
            n.weight * normal_cdf(n.mean[1] / sd)
        });
        falls.sum::<f64>() > 1.0 - TAIL
    }
}

/// What is ahead of a disc.
struct Ahead<'a> {
    nodes: &'a [Node],
    lags: [Lag; 3],
    closes_c: f64,
    closes_tol_c: f64,
}

impl Ahead<'_> {
    /// Probability that the disc is down at its closing temperature within `t_s`.
    fn closed_by(&self, t_s: f64) -> f64 {
        let mut sum = 0.0;
        for lag in &self.lags {
            for node in self.nodes {
                sum += lag.weight * node.weight * self.closed(lag, node, t_s);
            }
        }
        sum
    }

    fn closed(&self, lag: &Lag, node: &Node, t_s: f64) -> f64 {
        let (tau_s, theta_s) = (lag.tau_s, node.theta_s);
        let kept = (-t_s / tau_s).exp();
        let left = (-t_s / theta_s).exp();
        // The disc is linear in where the case ends, in what it has above that, and in what the disc was.
        let apart = theta_s - tau_s;
        let through = if apart.abs() < 1e-6 * tau_s {
            t_s / tau_s * kept
        } else {
            theta_s / apart * (left - kept)
        };
        let by = [1.0 - kept, through];
        let [a, b] = node.mean;
        let disc_c = a * by[0] + b * by[1] + lag.temp_c * kept;
        let [[aa, ab], [_, bb]] = node.covariance;
        let law = by[0] * by[0] * aa + 2.0 * by[0] * by[1] * ab + by[1] * by[1] * bb;
        let straight = if theta_s > STRAIGHT_THETA_S {
            STRAIGHT_SHARE
        } else {
            LAW_SHARE
        };
        let other_c = straight * b * (1.0 - left);
        let sd = (law.max(0.0) + (lag.u_c * kept).powi(2) + other_c * other_c).sqrt();
        below_even(self.closes_c - disc_c, sd.max(1e-3), self.closes_tol_c)
    }

    /// When that probability is reached, s; `None` if not within the horizon.
    fn time_s(&self, probability: f64) -> Option<f64> {
        if self.closed_by(0.0) >= probability {
            return Some(0.0);
        }
        let mut high_s = 8.0;
        while self.closed_by(high_s) < probability {
            high_s *= 2.0;
            if high_s > HORIZON_S {
                return None;
            }
        }
        let mut low_s = if high_s > 8.0 { high_s / 2.0 } else { 0.0 };
        for _ in 0..HALVINGS {
            let middle_s = (low_s + high_s) / 2.0;
            if self.closed_by(middle_s) < probability {
                low_s = middle_s;
            } else {
                high_s = middle_s;
            }
        }
        Some(high_s)
    }
}

/// Probability that a normal value of standard deviation `sd` around zero is below one that is evenly within `tol` of `above`.
fn below_even(above: f64, sd: f64, tol: f64) -> f64 {
    if tol < 1e-3 * sd {
        return normal_cdf(above / sd);
    }
    // The integral of the normal distribution function: z Phi(z) + phi(z).
    let integral =
        |z: f64| z * normal_cdf(z) + (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let (high, low) = ((above + tol) / sd, (above - tol) / sd);
    ((integral(high) - integral(low)) / (high - low)).clamp(0.0, 1.0)
}
