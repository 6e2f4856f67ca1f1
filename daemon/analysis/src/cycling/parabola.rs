//! The thermostat's parabola: N = 4 Nmax X (1 - X), with X the share of time on and N the starts an hour.
//!
//! A control with a fixed band around a load that is proportional to time on cycles fastest at X = 0.5, Nmax times an hour.
//! Then an on-period lasts 3600 / (4 Nmax (1 - X)) s and an off-period 3600 / (4 Nmax X) s. Usual in the trade's texts on
//! part-load cycling; from memory.

use super::times::is_whole;
use crate::evidence::{Evidence, Span};
use crate::rows::{CycleRow, EndedBy};

/// So many cycles make a fit.
const CYCLES_LEAST: usize = 3;

/// The parabola through the cycles that a control ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parabola {
    /// Cycles in the fit.
    pub cycles: usize,
    /// Starts an hour at X = 0.5, by least squares over N.
    pub peak_per_hour: f64,
    /// Share of time on over all these cycles.
    pub on_share: f64,
    /// Starts an hour over all these cycles.
    pub per_hour: f64,
    /// Root of the mean squared distance of N from the parabola, as a share of the mean N: how well the night follows it.
    pub off_by: f64,
}

/// Starts an hour at X = 0.5 of a control that is on for `on_s` and off for `off_s`: N / (4 X (1 - X)).
pub fn peak_per_hour(on_s: f64, off_s: f64) -> f64 {
    3600.0 * (on_s + off_s) / (4.0 * on_s * off_s)
}

impl Parabola {
    pub(super) fn of(evidence: &Evidence<'_>, unseen: &[Span]) -> Option<Self> {
        let by_control = |c: &&CycleRow| c.ended_by == Some(EndedBy::Control) && c.on_seen;
        let cycles = evidence.cycles.iter().filter(by_control);
        let whole = cycles.filter(|c| is_whole(c, unseen));
        let times: Vec<(f64, f64)> = whole.filter_map(|c| Some((c.on_s?, c.off_s?))).collect();
        Self::through(&times)
    }

    /// The fit through cycles of so much on and off, s each.
    pub fn through(times_s: &[(f64, f64)]) -> Option<Self> {
        let is_cycle = |t: &&(f64, f64)| t.0 > 0.0 && t.1 > 0.0;
        let points: Vec<(f64, f64)> = times_s
            .iter()
            .filter(is_cycle)
            .map(|&(on_s, off_s)| {
                let (whole_s, on) = (on_s + off_s, on_s / (on_s + off_s));
                (4.0 * on * (1.0 - on), 3600.0 / whole_s)
            })
            .collect();
        if points.len() < CYCLES_LEAST {
            return None;
        }
        let count = points.len() as f64;
        let sum = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>();
        let peak_per_hour = sum(|p| p.0 * p.1) / sum(|p| p.0 * p.0);
        let off: f64 = points
            .iter()
            .map(|p| (p.1 - peak_per_hour * p.0).powi(2))
            .sum();
        let (on_s, off_s) = times_s
            .iter()
            .filter(is_cycle)
            .fold((0.0, 0.0), |all, t| (all.0 + t.0, all.1 + t.1));
        Some(Self {
            cycles: points.len(),
            peak_per_hour,
            on_share: on_s / (on_s + off_s),
            per_hour: 3600.0 * count / (on_s + off_s),
            off_by: (off / count).sqrt() / (sum(|p| p.1) / count),
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // tests stop where something is wrong
    use super::*;

    #[test]
    fn six_minutes_on_and_twenty_four_off_are_two_starts_an_hour_of_three_and_an_eighth() {
        let fit = Parabola::through(&[(360.0, 1440.0); 5]).unwrap();
        assert!((fit.on_share - 0.2).abs() < 1e-12);
        assert!((fit.per_hour - 2.0).abs() < 1e-12);
        assert!((fit.peak_per_hour - 3.125).abs() < 1e-12);
        assert!(fit.off_by < 1e-12);
        assert!((peak_per_hour(360.0, 1440.0) - 3.125).abs() < 1e-12);
        assert_eq!(Parabola::through(&[(360.0, 1440.0); 2]), None);
    }

    #[test]
    fn a_control_of_a_fixed_band_follows_it_at_any_load_and_a_timer_does_not() {
        // t_on = 3600 / (4 Nmax (1 - X)), t_off = 3600 / (4 Nmax X) with Nmax = 4 at loads from a tenth to nine tenths.
        let at = |on: f64| (900.0 / (4.0 * (1.0 - on)), 900.0 / (4.0 * on));
        let loads: Vec<_> = (1..10).map(|n| at(f64::from(n) / 10.0)).collect();
        let fit = Parabola::through(&loads).unwrap();
        assert!((fit.peak_per_hour - 4.0).abs() < 1e-9 && fit.off_by < 1e-9);
        // Ten minutes from start to start whatever the load.
        let timer: Vec<_> = (1..10)
            .map(|n| (60.0 * f64::from(n), 600.0 - 60.0 * f64::from(n)))
            .collect();
        assert!(Parabola::through(&timer).unwrap().off_by > 0.2);
    }
}
