//! How soon it opens, brought to the current and the room of the test.
//!
//! A disc that begins as warm as its case goes, at a constant current, from there towards where it would settle, and opens when it
//! has gone the share `f` of that way: `t = -tau ln(1 - f)` (the cold curve of IEC 60255-149; see [`crate::protector::Heating`]).
//! The share goes with `1 / I²`, and from cold with how far the opening is above the room. So a time that was measured at one
//! current and in one room says what it would have been at others, without knowing the opening or the heating constant; only `tau`
//! has to be known, and the less of it, the shorter the run is.

use super::limits::judged;
use super::{Evidence, Judgement};
use crate::bench::curve::HEATER_LATE_S;
use crate::bench::plan::{Start, TripLimit};
use crate::bench::uncertainty::{Part, Uncertain};
use crate::protector::TAU_S;

/// A spread needs so many of a kind.
pub(super) const RUNS_LEAST: usize = 3;
/// A run further from the test current is not judged, share of it.
const CURRENT_WITHIN: f64 = 0.2;
/// Opening where none is given, only to correct a time for the room, Cel and ± K (common practice, no source).
const OPENS_C: (f64, f64) = (115.0, 10.0);

/// A run's time at the test's current and in its room, and how that changes with what it was worked out from.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct AtTest {
    s: f64,
    /// s for a relative change of the run's current of one.
    by_amps: f64,
    /// s for a relative change of `tau` of one.
    by_tau: f64,
    /// s for a relative change of `f` of one.
    by_share: f64,
}

impl AtTest {
    /// Of a run of `s` seconds at `ratio` times the test's current, in a room from which the way to the opening is `1 / warm` of that
    /// from the test's. `None`: at the test's current it opens never.
    fn of(s: f64, ratio: f64, warm: f64, tau_s: f64) -> Option<Self> {
        let square = ratio * ratio * warm;
        let share = -(-s / tau_s).exp_m1() * square;
        if share.is_nan() || share >= 1.0 {
            return None;
        }
        let at_test_s = -tau_s * (-share).ln_1p();
        let by_share = tau_s * share / (1.0 - share);
        Some(Self {
            s: at_test_s,
            by_amps: 2.0 * by_share,
            by_tau: at_test_s - s * square * (-s / tau_s).exp() / (1.0 - share),
            by_share,
        })
    }
}

/// From a run's room to the test's: a factor on the share of the way, and how its logarithm changes with the bead and with the
/// opening, 1/K.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Room {
    warm: f64,
    by_bead: f64,
    by_opens: f64,
}

impl Room {
    const AS_IT_WAS: Self = Self {
        warm: 1.0,
        by_bead: 0.0,
        by_opens: 0.0,
    };

    fn of(room_c: f64, case_c: f64, opens_c: f64) -> Self {
        let left_c = (opens_c - case_c).max(1.0);
        let whole_c = (opens_c - room_c).max(1.0);
        Self {
            warm: whole_c / left_c,
            by_bead: 1.0 / left_c,
            by_opens: 1.0 / whole_c - 1.0 / left_c,
        }
    }
}

/// What one run of a kind was: s, A, and the case when it began, Cel.
type Timed = (f64, f64, f64);

impl Evidence<'_> {
    pub(super) fn trip(&self, limit: &TripLimit) -> Judgement {
        let what = match limit.start {
            Start::Cold => "time to trip from cold",
            Start::Warm => "time to trip, warm",
        };
        judged(
            what,
            "s",
            limit.window,
            limit.stands_in.clone(),
            self.trip_times(limit),
        )
    }

    /// Times at the test current and in the test's room.
    fn trip_times(&self, limit: &TripLimit) -> Result<Uncertain, String> {
        let Some(clamp) = self.plan.sensors.clamp else {
            return Err("no class for the clamp: bench.sensors".to_owned());
        };
        let runs: Vec<Timed> = self
            .started(limit.start)
            .filter_map(|run| Some((run.on_s?.s, run.rms_a?, run.case_on_c.unwrap_or(f64::NAN))))
            .collect();
        let far = |amps: f64| (amps / limit.current_a - 1.0).abs() > CURRENT_WITHIN;
        if let Some((_, amps, _)) = runs.iter().find(|(_, amps, _)| far(*amps)) {
            let percent = 100.0 * CURRENT_WITHIN;
            return Err(format!(
                "a run at {amps:.2} A: more than {percent:.0} % from the test current, {} A",
                limit.current_a
            ));
        }
        let (tau_s, tau) = self.tau();
        let (opens_c, opens_tol_c) = self.given_opening();
        let n = runs.len() as f64;
        let mut times = Vec::new();
        let (mut by_clamp, mut by_tau, mut by_lumps, mut by_bead, mut by_opens) =
            (0.0, 0.0, 0.0, 0.0, 0.0);
        for (s, amps, case_c) in runs {
            let room = match limit.ambient_c.filter(|_| limit.start == Start::Cold) {
                Some(_) if !case_c.is_finite() => {
                    return Err("the case was not read when a run began".to_owned());
                }
                Some(room_c) => Room::of(room_c, case_c, opens_c),
                None => Room::AS_IT_WAS,
            };
            let clamp_share = clamp.limit_a(amps) / amps;
            // Within its class the clamp may have read less than there was: then it has to open at the test's current, too.
            let ratio = amps / limit.current_a;
            let most = AtTest::of(s, ratio * (1.0 + clamp_share), room.warm, tau_s);
            let Some(at_test) = AtTest::of(s, ratio, room.warm, tau_s).filter(|_| most.is_some())
            else {
                return Err(format!(
                    "{s:.1} s at {amps:.2} A: at {} A it may open very late or never, so near its ultimate trip current",
                    limit.current_a
                ));
            };
            times.push(at_test.s);
            by_clamp += at_test.by_amps * clamp_share / n;
            by_tau += at_test.by_tau / n;
            // What comes late whatever the current is not to be brought to another one.
            by_lumps += (at_test.s - s) * (HEATER_LATE_S / s).min(1.0) / n;
            by_bead += at_test.by_share * room.by_bead / n;
            by_opens += at_test.by_share * room.by_opens / n;
        }
        let mut more = vec![
            Part::of_limit("class of the clamp", by_clamp),
            Part {
                u: (by_tau * tau.u).abs(),
                ..tau
            },
            Part::of_limit("one disc for a protector of several lumps", by_lumps),
            Part::of_limit("correction to the test's room", by_opens * opens_tol_c),
        ];
        if by_bead != 0.0 {
            let Some(bead_k) = self.plan.sensors.bead_k else {
                return Err("no class for the bead: bench.sensors.bead_k".to_owned());
            };
            more.push(Part::of_limit("class of the bead", by_bead * bead_k));
        }
        self.of_times(&times, more)
    }

    /// The time constant, s, and the standard uncertainty of its logarithm: as the runs tell it, else what is usual.
    fn tau(&self) -> (f64, Part) {
        let from = "correction to the test current";
        let told = self.curve.map(|curve| curve.fitted.tau_s);
        match told.filter(|tau| tau.told) {
            Some(tau) => {
                let part = Part {
                    from,
                    u: tau.sd / tau.value,
                    degrees_of_freedom: tau.degrees_of_freedom,
                };
                (tau.value, part)
            }
            None => {
                let part = Part {
                    from,
                    u: TAU_S.1,
                    degrees_of_freedom: f64::INFINITY,
                };
                (TAU_S.0, part)
            }
        }
    }

    /// Where it opens, as given, Cel and ± K.
    fn given_opening(&self) -> (f64, f64) {
        let protector = &self.unit.protector;
        protector
            .opens_c
            .map_or(OPENS_C, |c| (c, protector.opens_tol_c.unwrap_or(OPENS_C.1)))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test says so by panicking
    use super::*;
    use crate::protector::Heating;

    /// A disc (k 1.8 K/A², tau 20 s, opens at 118 °C) at 9.1 A in a case at 31 °C: what it would have taken at 10 A in a case at 25.
    #[test]
    fn a_time_is_brought_to_another_current_and_room_by_the_curve_itself() {
        let (heating, opens_c) = (Heating::new(1.8, 20.0).unwrap(), 118.0);
        let cold = |amps, case_c| {
            heating
                .cold_trip_time(amps, case_c, opens_c)
                .seconds()
                .unwrap()
        };
        let room = Room::of(25.0, 31.0, opens_c);
        let of = |s, ratio, tau_s| AtTest::of(s, ratio, room.warm, tau_s).unwrap();
        let (s, ratio) = (cold(9.1, 31.0), 0.91);
        let at_test = of(s, ratio, 20.0);
        assert!((at_test.s - cold(10.0, 25.0)).abs() < 1e-9, "{at_test:?}");
        // How it changes, against differences.
        let step = 1e-5;
        let by_amps = (of(s, ratio * (1.0 + step), 20.0).s - at_test.s) / step;
        let by_tau = (of(s, ratio, 20.0 * (1.0 + step)).s - at_test.s) / step;
        assert!(
            (by_amps / at_test.by_amps - 1.0).abs() < 1e-3,
            "{at_test:?}"
        );
        assert!((by_tau / at_test.by_tau - 1.0).abs() < 1e-3, "{at_test:?}");
        let moved = |case_c, opens_c| Room::of(25.0, case_c, opens_c).warm.ln();
        let by_bead = (moved(31.0 + step, opens_c) - room.warm.ln()) / step;
        let by_opens = (moved(31.0, opens_c + step) - room.warm.ln()) / step;
        assert!((by_bead / room.by_bead - 1.0).abs() < 1e-3, "{room:?}");
        assert!((by_opens / room.by_opens - 1.0).abs() < 1e-3, "{room:?}");
        // At the ultimate trip current and below it never opens.
        assert_eq!(AtTest::of(60.0, 1.2, 1.0, 20.0), None);
    }
}
