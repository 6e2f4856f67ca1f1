//! How soon it opens, brought to the current and the room of the test.

use super::limits::judged;
use super::{Evidence, Judgement};
use crate::bench::plan::{Start, TripLimit};
use crate::bench::uncertainty::{Part, Uncertain};

/// A spread needs so many of a kind.
pub(super) const RUNS_LEAST: usize = 3;
/// A run further from the test current is not judged, share of it.
const CURRENT_WITHIN: f64 = 0.2;
/// Time to trip goes with the current to the power of minus this: 2 for a disc that keeps all its heat, 3 near half again the
/// ultimate trip current (from `tau ln(I² / (I² - I_u²))`); middle and ±.
const POWER: (f64, f64) = (2.5, 0.5);
/// Opening where none is given, only to correct a time for the room, Cel and ± K (common practice, no source).
const OPENS_C: (f64, f64) = (115.0, 10.0);

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
        let runs: Vec<(f64, f64, f64)> = self
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
        let mut corrected = Vec::new();
        let (mut by_power, mut by_opens, mut by_bead, mut by_clamp) = (0.0, 0.0, 0.0, 0.0);
        let n = runs.len() as f64;
        let protector = &self.unit.protector;
        let (opens_c, opens_tol_c) = protector
            .opens_c
            .map_or(OPENS_C, |c| (c, protector.opens_tol_c.unwrap_or(OPENS_C.1)));
        for (s, amps, case_c) in runs {
            let ratio = amps / limit.current_a;
            let room = limit.ambient_c.filter(|_| limit.start == Start::Cold);
            let (warm, per_k, per_open) = match room {
                Some(_) if !case_c.is_finite() => {
                    return Err("the case was not read when a run began".to_owned());
                }
                Some(room_c) => {
                    let left_c = (opens_c - case_c).max(1.0);
                    let warm = (opens_c - room_c) / left_c;
                    (warm, warm / left_c, (1.0 - warm) / left_c)
                }
                None => (1.0, 0.0, 0.0),
            };
            let at_test = s * ratio.powf(POWER.0) * warm;
            corrected.push(at_test);
            by_power += at_test * ratio.ln() / n;
            by_clamp += at_test * POWER.0 * clamp.limit_a(amps) / amps / n;
            by_bead += s * per_k / n;
            by_opens += s * per_open / n;
        }
        let mut more = vec![
            Part::of_limit("class of the clamp", by_clamp),
            Part::of_limit("correction to the test current", by_power * POWER.1),
            Part::of_limit("correction to the test's room", by_opens * opens_tol_c),
        ];
        if by_bead != 0.0 {
            let Some(bead_k) = self.plan.sensors.bead_k else {
                return Err("no class for the bead: bench.sensors.bead_k".to_owned());
            };
            more.push(Part::of_limit("class of the bead", by_bead * bead_k));
        }
        self.of_times(&corrected, more)
    }
}
