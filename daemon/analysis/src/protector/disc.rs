//! The disc followed through a record, and how far its temperature is known.

use super::heating::{FittedHeating, Heating, TripTime};

/// The disc has to be above its opening by so many standard uncertainties to be late.
const LATE_SIGMAS: f64 = 3.0;
/// And for at least this long, s.
const LATE_S_LEAST: f64 = 10.0;

/// What is known of the bead on the case and of the clamp, as standard uncertainties of an error that stays the same
/// (GUM type B).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SensorClasses {
    /// Of the case temperature, K.
    pub case_u_c: f64,
    /// Of the current, as a share of it.
    pub current_u_share: f64,
}

impl SensorClasses {
    /// The very bead and clamp with which the constants were fitted: what they show wrong is in the constants already.
    pub const SAME: Self = Self {
        case_u_c: 0.0,
        current_u_share: 0.0,
    };

    /// Of limits of error, ± K and ± share of the current, within which any value is as likely (JCGM 100:2008, 4.3.7).
    pub fn of_limits(case_limit_c: f64, current_limit_share: f64) -> Self {
        Self {
            case_u_c: case_limit_c.abs() / 3.0_f64.sqrt(),
            current_u_share: current_limit_share.abs() / 3.0_f64.sqrt(),
        }
    }
}

/// A disc's temperature, and how it would differ if constants, sensors or its beginning did.
#[derive(Debug, Clone, Copy)]
pub struct Disc {
    of: FittedHeating,
    temp_c: f64,
    start_u_c: f64,
    by_k: f64,
    by_tau: f64,
    by_gain: f64,
    by_offset: f64,
    by_start: f64,
    /// The last step's length, s, and what was gone of the difference by its end: steps are mostly of one length.
    last: (f64, f64),
}

impl Disc {
    /// A disc as warm as its case: no current for many time constants.
    pub fn settled(of: FittedHeating, case_c: f64) -> Self {
        Self {
            by_offset: 1.0,
            ..Self::at(of, case_c, 0.0)
        }
    }

    /// A disc of which the temperature is known otherwise, Cel, to a standard uncertainty of `start_u_c`.
    pub const fn at(of: FittedHeating, temp_c: f64, start_u_c: f64) -> Self {
        Self {
            of,
            temp_c,
            start_u_c,
            by_k: 0.0,
            by_tau: 0.0,
            by_gain: 0.0,
            by_offset: 0.0,
            by_start: 1.0,
            last: (0.0, 0.0),
        }
    }

    /// Its constants.
    pub const fn heating(&self) -> Heating {
        self.of.heating
    }

    /// Temperature now, Cel.
    pub const fn temp_c(&self) -> f64 {
        self.temp_c
    }

    /// Goes on by `dt_s` at a constant current and case temperature. Exact, with its uncertainty; a step that is not a number
    /// or runs backwards is left out.
    pub fn step(&mut self, dt_s: f64, amps: f64, case_c: f64) {
        if !(dt_s >= 0.0 && dt_s.is_finite() && amps.is_finite() && case_c.is_finite()) {
            return;
        }
        let tau_s = self.of.heating.tau_s();
        let rise_c = self.of.heating.rise_c(amps);
        if dt_s != self.last.0 {
            self.last = (dt_s, -(-dt_s / tau_s).exp_m1());
        }
        let gone = self.last.1;
        let kept = 1.0 - gone;
        let settled_c = case_c + rise_c;
        let short_c = self.temp_c - settled_c;
        self.by_k = amps * amps * gone + kept * self.by_k;
        self.by_tau = short_c * kept * dt_s / (tau_s * tau_s) + kept * self.by_tau;
        self.by_gain = 2.0 * rise_c * gone + kept * self.by_gain;
        self.by_offset = gone + kept * self.by_offset;
        self.by_start *= kept;
        self.temp_c = settled_c + short_c * kept;
    }

    /// Standard uncertainty of the temperature, K: of the constants, the sensors and the beginning (JCGM 100:2008, 5.1.2 and
    /// 5.2.2 for the two constants, which are correlated). What the model leaves out is not in it.
    pub fn temp_u_c(&self, sensors: SensorClasses) -> f64 {
        let [[kk, kt], [_, tt]] = self.of.covariance;
        let constants = self.by_k * self.by_k * kk
            + 2.0 * self.by_k * self.by_tau * kt
            + self.by_tau * self.by_tau * tt;
        let parts = [
            self.by_gain * sensors.current_u_share,
            self.by_offset * sensors.case_u_c,
            self.by_start * self.start_u_c,
        ];
        let others: f64 = parts.iter().map(|part| part * part).sum();
        (constants.max(0.0) + others).sqrt()
    }

    /// When it opens if current and case stay as they are.
    pub fn time_to_open(&self, amps: f64, case_c: f64, opens_c: f64) -> TripTime {
        self.of
            .heating
            .time_to_open(self.temp_c, amps, case_c, opens_c)
    }

    /// When it closes if there is no current and the case stays as it is; [`super::Cooling`] knows that the case cools.
    pub fn time_to_close(&self, case_c: f64, closes_c: f64) -> TripTime {
        self.of.heating.time_to_close(self.temp_c, case_c, closes_c)
    }

    /// How the temperature changes with `k` (K per K/A²), `tau` (K/s) and its beginning (K/K).
    pub(super) const fn derivatives(&self) -> [f64; 3] {
        [self.by_k, self.by_tau, self.by_start]
    }
}

/// Watches for a protector that should have opened by now and has not.
#[derive(Debug, Clone, Copy, Default)]
pub struct Late {
    above_s: f64,
}

impl Late {
    /// Takes `dt_s` of a disc with current flowing or not. True once the disc has stood above `opens_c` by its tolerance and
    /// three standard uncertainties for longer than 10 s and longer than its time constant.
    pub fn push(
        &mut self,
        disc: &Disc,
        sensors: SensorClasses,
        (opens_c, opens_tol_c): (f64, f64),
        dt_s: f64,
        flows: bool,
    ) -> bool {
        let limit_c = opens_c + opens_tol_c + LATE_SIGMAS * disc.temp_u_c(sensors);
        if flows && disc.temp_c() > limit_c {
            self.above_s += dt_s.max(0.0);
        } else {
            self.above_s = 0.0;
        }
        self.above_s > disc.heating().tau_s().max(LATE_S_LEAST)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking
    use super::*;

    fn fitted(k: f64, tau_s: f64) -> FittedHeating {
        Heating::new(k, tau_s).unwrap().into()
    }

    /// A night of sorts: a stall, cooling, a warm run.
    fn followed(mut disc: Disc, gain: f64, offset_c: f64) -> Disc {
        for i in 0..600 {
            let amps = [12.0, 0.0, 1.9][i / 20 % 3] * gain;
            disc.step(0.2, amps, 30.0 + 0.02 * i as f64 + offset_c);
        }
        disc
    }

    /// Each derivative against a run with the thing itself a little different.
    #[test]
    fn the_uncertainty_is_what_a_small_change_makes() {
        let (k, tau_s, d) = (0.62, 9.0, 1e-5);
        let base = followed(Disc::at(fitted(k, tau_s), 50.0, 0.0), 1.0, 0.0);
        let change = |other: Disc| (other.temp_c() - base.temp_c()) / d;
        let by = [
            change(followed(
                Disc::at(fitted(k + d, tau_s), 50.0, 0.0),
                1.0,
                0.0,
            )),
            change(followed(
                Disc::at(fitted(k, tau_s + d), 50.0, 0.0),
                1.0,
                0.0,
            )),
            change(followed(
                Disc::at(fitted(k, tau_s), 50.0 + d, 0.0),
                1.0,
                0.0,
            )),
            change(followed(
                Disc::at(fitted(k, tau_s), 50.0, 0.0),
                1.0 + d,
                0.0,
            )),
            change(followed(Disc::at(fitted(k, tau_s), 50.0, 0.0), 1.0, d)),
        ];
        let [by_k, by_tau, by_start] = base.derivatives();
        for (is, expected) in [by_k, by_tau, by_start, base.by_gain, base.by_offset]
            .iter()
            .zip(by)
        {
            assert!(
                (is - expected).abs() < 1e-3 * expected.abs().max(1e-3),
                "{is}, {expected}"
            );
        }
    }

    #[test]
    fn a_bead_that_shows_wrong_shows_as_much_in_a_settled_disc() {
        let disc = followed(Disc::settled(fitted(0.62, 9.0), 30.0), 1.0, 0.0);
        let bead = SensorClasses::of_limits(1.5, 0.0);
        assert!((disc.temp_u_c(bead) - 1.5 / 3.0_f64.sqrt()).abs() < 1e-12);
        assert_eq!(disc.temp_u_c(SensorClasses::SAME), 0.0);
    }

    #[test]
    fn a_disc_that_stays_hot_is_late_and_one_that_has_opened_is_not() {
        let mut late = Late::default();
        let mut disc = Disc::settled(fitted(0.62, 9.0), 30.0);
        let sensors = SensorClasses::of_limits(1.5, 0.02);
        let told = |disc: &mut Disc, late: &mut Late, amps: f64, s: usize| {
            (0..s).any(|_| {
                disc.step(1.0, amps, 40.0);
                late.push(disc, sensors, (120.0, 5.0), 1.0, amps > 0.0)
            })
        };
        assert!(
            !told(&mut disc, &mut late, 14.0, 10),
            "hot, but not for long"
        );
        assert!(!told(&mut disc, &mut late, 0.0, 60), "it has opened");
        assert!(
            !told(&mut disc, &mut late, 11.0, 600),
            "115 °C is not its opening"
        );
        assert!(told(&mut disc, &mut late, 14.0, 40));
    }

    #[test]
    fn what_is_no_step_changes_nothing() {
        let mut disc = Disc::settled(fitted(0.62, 9.0), 30.0);
        for (dt_s, amps, case_c) in [
            (-1.0, 1.0, 30.0),
            (f64::NAN, 1.0, 30.0),
            (1.0, f64::NAN, 30.0),
            (1.0, 1.0, f64::NAN),
        ] {
            disc.step(dt_s, amps, case_c);
            assert_eq!(disc.temp_c(), 30.0);
        }
    }
}
