//! The two constants of a disc, and the times that follow from them.

/// How long until the protector opens or closes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TripTime {
    /// After so many seconds, 0 or more.
    After(f64),
    /// Not at this current and case temperature, however long they last.
    Never,
}

impl TripTime {
    /// Seconds, if ever.
    pub const fn seconds(self) -> Option<f64> {
        match self {
            Self::After(s) => Some(s),
            Self::Never => None,
        }
    }
}

/// How a disc is heated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Heating {
    heating_c_per_a2: f64,
    tau_s: f64,
}

impl Heating {
    /// Of the heating constant `k`, K/A², 0 or more, and the time constant, s, above 0. `None` for anything else.
    pub fn new(heating_c_per_a2: f64, tau_s: f64) -> Option<Self> {
        let heats = heating_c_per_a2.is_finite() && heating_c_per_a2 >= 0.0;
        (heats && tau_s.is_finite() && tau_s > 0.0).then_some(Self {
            heating_c_per_a2,
            tau_s,
        })
    }

    /// `k`, K/A².
    pub const fn heating_c_per_a2(self) -> f64 {
        self.heating_c_per_a2
    }

    /// `tau`, s.
    pub const fn tau_s(self) -> f64 {
        self.tau_s
    }

    /// The disc above its case once settled at `amps`, K: `k I²`.
    pub fn rise_c(self, amps: f64) -> f64 {
        self.heating_c_per_a2 * amps * amps
    }

    /// The disc at `temp_c` after `dt_s` at a constant current and case temperature, Cel; exact.
    pub fn carried_c(self, temp_c: f64, amps: f64, case_c: f64, dt_s: f64) -> f64 {
        let settled_c = case_c + self.rise_c(amps);
        settled_c + (temp_c - settled_c) * (-dt_s / self.tau_s).exp()
    }

    /// The largest current that never opens it, A, in a case that stays at `case_c`: `sqrt((opens - T_case) / k)`. 0 if the
    /// case alone opens it.
    pub fn ultimate_trip_current_a(self, opens_c: f64, case_c: f64) -> f64 {
        ((opens_c - case_c).max(0.0) / self.heating_c_per_a2).sqrt()
    }

    /// How long a disc at `temp_c` takes to open at a constant current and case temperature; never at or below the ultimate
    /// trip current. With `T_inf = T_case + k I²` it is `tau ln((T_inf - T) / (T_inf - opens))`.
    pub fn time_to_open(self, temp_c: f64, amps: f64, case_c: f64, opens_c: f64) -> TripTime {
        self.time_to(case_c + self.rise_c(amps) - temp_c, opens_c - temp_c)
    }

    /// [`Self::time_to_open`] from the case's own temperature: the cold curve of IEC 60255-149,
    /// `tau ln(I² / (I² - I_u²))` with the ultimate trip current `I_u`.
    pub fn cold_trip_time(self, amps: f64, case_c: f64, opens_c: f64) -> TripTime {
        self.time_to_open(case_c, amps, case_c, opens_c)
    }

    /// [`Self::time_to_open`] after `before_a` for long: the hot curve of IEC 60255-149,
    /// `tau ln((I² - I_p²) / (I² - I_u²))`. At once if that load alone opens it.
    pub fn hot_trip_time(self, before_a: f64, amps: f64, case_c: f64, opens_c: f64) -> TripTime {
        self.time_to_open(case_c + self.rise_c(before_a), amps, case_c, opens_c)
    }

    /// How long a disc at `temp_c` takes to close with no current in a case that stays at `case_c`; never in a case that is not
    /// cooler than `closes_c`.
    pub fn time_to_close(self, temp_c: f64, case_c: f64, closes_c: f64) -> TripTime {
        self.time_to(temp_c - case_c, temp_c - closes_c)
    }

    /// To go `way_k` of the `whole_k` that it would go for ever.
    fn time_to(self, whole_k: f64, way_k: f64) -> TripTime {
        if way_k <= 0.0 {
            TripTime::After(0.0)
        } else if whole_k > way_k {
            TripTime::After(-self.tau_s * (-way_k / whole_k).ln_1p())
        } else {
            TripTime::Never // also for what is no number
        }
    }
}

/// Constants of a disc with their uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedHeating {
    /// The constants.
    pub heating: Heating,
    /// Covariance of `k` (K/A²) and `tau` (s), in this order.
    pub covariance: [[f64; 2]; 2],
}

impl From<Heating> for FittedHeating {
    /// Constants that are taken as exact.
    fn from(heating: Heating) -> Self {
        Self {
            heating,
            covariance: [[0.0; 2]; 2],
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a test says so by panicking
    use super::*;

    /// Opens at 120 in a case at 40, its threshold at 1 A.
    fn threshold_at_one(tau_s: f64) -> Heating {
        Heating::new(80.0, tau_s).unwrap()
    }

    fn after(time: TripTime) -> f64 {
        time.seconds().expect("it opens")
    }

    /// Cold curve of IEC 60255-149 as the technical data of a feeder-protection relay print it (November 2019): times in s
    /// by multiples of the threshold, for time constants of half a minute, one minute and ten.
    #[test]
    fn trip_times_from_cold_are_the_standards() {
        for (times, half, one, ten) in [
            (1.2, 35.57, 71.14, 711.37),
            (1.5, 17.63, 35.27, 352.67),
            (2.0, 8.63, 17.26, 172.61),
            (2.5, 5.23, 10.46, 104.61),
            (3.0, 3.53, 7.07, 70.67),
            (3.5, 2.55, 5.11, 51.09),
            (4.0, 1.94, 3.87, 38.72),
            (4.5, 1.52, 3.04, 30.39),
            (5.0, 1.22, 2.45, 24.49),
            (5.5, 1.01, 2.02, 20.17),
        ] {
            for (tau_s, printed_s) in [(30.0, half), (60.0, one), (600.0, ten)] {
                let is_s = after(threshold_at_one(tau_s).cold_trip_time(times, 40.0, 120.0));
                assert!(
                    (is_s - printed_s).abs() <= 0.0101,
                    "{times}, {tau_s} s: {is_s}, printed {printed_s}"
                );
            }
        }
    }

    /// Hot curve of IEC 60255-149, computed from its formula in another language: tau 60 s, threshold 1 A.
    #[test]
    fn trip_times_from_warm_are_the_standards() {
        for (before_a, amps, expected_s) in [
            (0.5, 1.2, 59.6960),
            (0.5, 1.5, 28.2002),
            (0.5, 2.0, 13.3886),
            (0.5, 5.0, 1.8463),
            (0.8, 1.2, 35.8702),
            (0.8, 5.0, 0.8933),
            (0.9, 1.2, 21.5367),
            (0.9, 2.0, 3.6845),
            (1.0, 2.0, 0.0),
        ] {
            let is_s = after(threshold_at_one(60.0).hot_trip_time(before_a, amps, 40.0, 120.0));
            assert!(
                (is_s - expected_s).abs() < 1e-4,
                "{before_a}, {amps}: {is_s}"
            );
        }
    }

    #[test]
    fn at_the_ultimate_trip_current_it_never_opens() {
        let heating = threshold_at_one(30.0);
        assert_eq!(heating.ultimate_trip_current_a(120.0, 40.0), 1.0);
        assert_eq!(heating.ultimate_trip_current_a(120.0, 125.0), 0.0);
        for amps in [0.0, 0.5, 1.0] {
            assert_eq!(heating.cold_trip_time(amps, 40.0, 120.0), TripTime::Never);
        }
        assert!(after(heating.cold_trip_time(1.0 + 1e-9, 40.0, 120.0)) > 500.0);
        assert_eq!(
            heating.time_to_open(121.0, 0.0, 40.0, 120.0),
            TripTime::After(0.0)
        );
        assert_eq!(
            heating.cold_trip_time(f64::NAN, 40.0, 120.0),
            TripTime::Never
        );
    }

    /// Newton's cooling: 107.2 to 71.1 °C towards 25 °C with 180 s takes 104.10 s, by hand.
    #[test]
    fn it_closes_when_it_has_cooled() {
        let heating = Heating::new(1.0, 180.0).unwrap();
        assert!((after(heating.time_to_close(107.2, 25.0, 71.1)) - 104.10).abs() < 0.005);
        assert_eq!(heating.time_to_close(107.2, 71.1, 71.1), TripTime::Never);
        assert_eq!(
            heating.time_to_close(70.0, 80.0, 71.1),
            TripTime::After(0.0)
        );
    }

    #[test]
    fn time_and_temperature_agree_and_steps_add_up() {
        let heating = Heating::new(0.62, 9.0).unwrap();
        let trip_s = after(heating.time_to_open(60.0, 12.4, 55.0, 118.0));
        assert!((heating.carried_c(60.0, 12.4, 55.0, trip_s) - 118.0).abs() < 1e-9);
        let halves_c = heating.carried_c(
            heating.carried_c(60.0, 12.4, 55.0, trip_s / 2.0),
            12.4,
            55.0,
            trip_s / 2.0,
        );
        assert!((halves_c - 118.0).abs() < 1e-9);
    }

    #[test]
    fn constants_that_are_none_are_refused() {
        for (k, tau_s) in [
            (-1.0, 9.0),
            (f64::NAN, 9.0),
            (1.0, 0.0),
            (1.0, -3.0),
            (1.0, f64::INFINITY),
        ] {
            assert_eq!(Heating::new(k, tau_s), None);
        }
    }
}
