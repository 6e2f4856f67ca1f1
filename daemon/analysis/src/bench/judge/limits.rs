//! Limits of the plan and of the data sheet, each with what was measured and its uncertainty.

use super::statistics::RESET;
use super::trip::RUNS_LEAST;
use super::{Evidence, Judgement};
use crate::bench::conformity::{Verdict, conformance, decide};
use crate::bench::plan::{Start, Window};
use crate::bench::repeat::Repeat;
use crate::bench::uncertainty::{Part, Uncertain, spread};
use crate::protector::Estimate;
use crate::reading::Value;

/// What one disc leaves out of a real protector, as ± share of how far the disc was from its case when it opened or closed (from
/// simulated protectors of three lumps with a bead that lags: `tests/bench_simulated.rs` prints it).
const MODEL_SHARE: f64 = 0.25;

impl Evidence<'_> {
    pub(super) fn limits(&self) -> Vec<Judgement> {
        let protector = &self.unit.protector;
        let mut limits = Vec::new();
        if let Some(trip) = &self.plan.trip {
            limits.push(self.trip(trip));
        }
        if let (Some(c), Some(tol_c)) = (protector.opens_c, protector.opens_tol_c) {
            let fitted = self.curve.map(|curve| curve.fitted.opens_c);
            let away = self.away(|run| run.disc_trip_c, |run| run.case_trip_c);
            limits.push(self.temperature("opening temperature", (c, tol_c), fitted, away));
        }
        if let (Some(c), Some(tol_c)) = (protector.closes_c, protector.closes_tol_c) {
            let fitted = self.curve.and_then(|curve| curve.fitted.closes_c);
            let away = self.away(|run| run.disc_reset_c, |run| run.case_reset_c);
            limits.push(self.temperature("closing temperature", (c, tol_c), fitted, away));
        }
        if let Some(reset) = &self.plan.reset {
            let times: Vec<f64> = self.alike().filter_map(|run| Some(run.reset?.s)).collect();
            let stands_in = reset.stands_in.clone();
            let measured = self.of_times(&times, Vec::new());
            limits.push(judged(
                self.named(RESET),
                "s",
                reset.window,
                stands_in,
                measured,
            ));
        }
        if let Some(limit) = &self.plan.resistance {
            let stands_in = limit.stands_in.clone();
            let measured = self.ohm();
            limits.push(judged(
                "cold resistance",
                "Ohm",
                limit.window,
                stands_in,
                measured,
            ));
        }
        limits
    }

    /// Mean of times with its uncertainty; an error says what is missing.
    pub(super) fn of_times(&self, times: &[f64], more: Vec<Part>) -> Result<Uncertain, String> {
        let Some(summary) = spread(times).filter(|s| s.count >= RUNS_LEAST) else {
            return Err(format!(
                "{} of them: a spread needs {RUNS_LEAST}",
                times.len()
            ));
        };
        let Some(time_s) = self.plan.sensors.time_s else {
            return Err("no class for times: bench.sensors.time_s".to_owned());
        };
        let mut parts = vec![Part::of_limit("class of times", time_s)];
        parts.extend(Part::of_scatter(&summary));
        parts.extend(more);
        Ok(Uncertain::new(summary.mean, parts))
    }

    /// How far the disc was from its case, K, on average of the runs from cold or of the warm ones, whichever is further: it is one
    /// disc, whose temperatures are fitted to both.
    fn away(
        &self,
        disc: fn(&Repeat) -> Option<f64>,
        case: fn(&Repeat) -> Option<f64>,
    ) -> Option<f64> {
        let of_kind = |start: Option<Start>| {
            let runs = self.openings().filter(|run| run.start == start);
            let away: Vec<f64> = runs
                .filter_map(|run| Some((disc(run)? - case(run)?).abs()))
                .collect();
            Some(spread(&away)?.mean)
        };
        let kinds = [Some(Start::Cold), Some(Start::Warm), None].into_iter();
        kinds.filter_map(of_kind).max_by(f64::total_cmp)
    }

    fn temperature(
        &self,
        what: &'static str,
        (c, tol_c): (f64, f64),
        fitted: Option<Estimate>,
        away_c: Option<f64>,
    ) -> Judgement {
        let window = Window {
            least: Some(c - tol_c),
            most: Some(c + tol_c),
        };
        let measured = || {
            let Some(bead_k) = self.plan.sensors.bead_k else {
                return Err("no class for the bead: bench.sensors.bead_k".to_owned());
            };
            let (Some(fitted), Some(away_c)) = (fitted, away_c) else {
                return Err("the disc could not be followed through the runs".to_owned());
            };
            if !fitted.told {
                return Err(
                    "the runs do not tell it: the case's temperature is not the disc's".to_owned(),
                );
            }
            let parts = vec![
                Part {
                    from: "fit of the runs",
                    u: fitted.sd,
                    degrees_of_freedom: fitted.degrees_of_freedom,
                },
                Part::of_limit("class of the bead", bead_k),
                Part::of_limit(
                    "one disc for a protector of several lumps",
                    MODEL_SHARE * away_c,
                ),
            ];
            Ok(Uncertain::new(fitted.value, parts))
        };
        judged(what, "Cel", window, None, measured())
    }

    fn ohm(&self) -> Result<Uncertain, String> {
        let Some(first) = self.cold_before() else {
            return Err("not measured".to_owned());
        };
        let Value::Figure(ohm) = first.reading.value else {
            return Err("it reads open".to_owned());
        };
        let Some(meter) = self.plan.sensors.meter else {
            return Err("no class for the ohmmeter: bench.sensors".to_owned());
        };
        let part = Part::of_limit("class of the ohmmeter", meter.limit_ohm(ohm));
        Ok(Uncertain::new(ohm, vec![part]))
    }
}

pub(super) fn judged(
    what: &'static str,
    unit: &'static str,
    window: Window,
    stands_in: Option<String>,
    measured: Result<Uncertain, String>,
) -> Judgement {
    let (measured, verdict, probability, why) = match measured {
        Ok(measured) => {
            let verdict = decide(&measured, &window);
            let probability = conformance(&measured, &window);
            let too_wide = match (window.least, window.most) {
                (Some(least), Some(most)) if 2.0 * measured.expanded() > most - least => {
                    ": wider than the window, so that no figure could pass"
                }
                _ => "",
            };
            let why = format!(
                "{:.4} ± {:.2} {unit} (k = {:.2}){too_wide}",
                measured.value,
                measured.expanded(),
                measured.k
            );
            (Some(measured), verdict, Some(probability), why)
        }
        Err(why) => (None, Verdict::CannotSay, None, why),
    };
    Judgement {
        what,
        unit,
        window,
        stands_in,
        measured,
        verdict,
        conformance: probability,
        why,
    }
}
