//! Verdicts: limit by limit, what the protector does at all, and the whole.

use super::conformity::{Verdict, conformance, decide};
use super::curve::Curve;
use super::plan::{Plan, Start, TripLimit, Window};
use super::repeat::{Ended, Repeat};
use super::uncertainty::{Part, Uncertain, spread};
use crate::job::{ProtectorKind, Unit};
use crate::protector::Estimate;
use crate::reading::{Taken, Value, What};
use crate::rows::RecordTime;
use crate::statistics::{Line, Summary, proportion_within};

/// A spread needs so many of a kind.
const RUNS_LEAST: usize = 3;
/// A run further from the test current is not judged, share of it.
const CURRENT_WITHIN: f64 = 0.2;
/// Time to trip goes with the current to the power of minus this: 2 for a disc that keeps all its heat, 3 near half again the
/// ultimate trip current (from `tau ln(I² / (I² - I_u²))`); middle and ±.
const POWER: (f64, f64) = (2.5, 0.5);
/// Opening where none is given, only to correct a time for the room, Cel and ± K (common practice, no source).
const OPENS_C: (f64, f64) = (115.0, 10.0);
/// What one disc leaves out of a real protector, as ± share of how far the disc was from its case when it opened or closed (from
/// simulated protectors of three lumps with a bead that lags: `tests/bench_simulated.rs` prints it).
pub(super) const MODEL_SHARE: f64 = 0.25;
/// A time that differs by less than this from the longest is not said to be within or beyond it where no class is given, s.
const GUARD_S: f64 = 1.0;
/// Intervals of drifts and proportions hold the truth with 95 %.
const BEYOND: f64 = 0.05;
/// Usual resistance, Ohm (common practice, no source): strip 0.3 to 0.5, round about 0.1; further off than by half is worth a look.
const STRIP_OHM: (f64, f64) = (0.3, 0.5);
const ROUND_OHM: (f64, f64) = (0.07, 0.15);
const FAR_FACTOR: f64 = 1.5;
/// A meter shows nothing below this, Ohm: no strip type reads it, its heater is in the path.
const NOTHING_OHM: f64 = 0.05;

/// The sentence that belongs to every result.
pub const PARTIAL: &str = "A bench test is a partial evaluation: a thermal motor protector can be fully judged only together with \
                           its motor (IEC 60730-2-4, scope; the tests are in IEC 60335-2-34).";

/// From repeat to repeat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// Change a repeat, in the figure's unit.
    pub slope: f64,
    /// Half of its 95 % interval.
    pub within: f64,
}

impl Drift {
    /// The interval does not hold zero.
    pub fn is_certain(&self) -> bool {
        self.slope.abs() > self.within
    }
}

/// Something measured in several repeats.
#[derive(Debug, Clone, PartialEq)]
pub struct Statistic {
    /// What, in words.
    pub what: &'static str,
    /// Unit: `s`, `A`, `Cel`.
    pub unit: &'static str,
    /// Each repeat's figure, in order.
    pub values: Vec<f64>,
    /// Mean and spread.
    pub summary: Summary,
    /// Half of the mean's 95.45 % interval from the repeats alone (type A, Student's t); `None` for a single one.
    pub of_scatter: Option<f64>,
    /// From repeat to repeat; `None` of fewer than three.
    pub drift: Option<Drift>,
}

/// A limit and what came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// What is judged, in words.
    pub what: &'static str,
    /// Unit of the figures.
    pub unit: &'static str,
    /// The limit.
    pub window: Window,
    /// Where it stands, if the plan says.
    pub stands_in: Option<String>,
    /// What was measured; `None` if it could not be.
    pub measured: Option<Uncertain>,
    /// The verdict.
    pub verdict: Verdict,
    /// Probability that the true value conforms, 0..1.
    pub conformance: Option<f64>,
    /// Why nothing can be said, or what the figure rests on.
    pub why: String,
}

/// What the protector does at all.
#[derive(Debug, Clone, PartialEq)]
pub struct Function {
    /// What was to be seen, in words.
    pub what: &'static str,
    /// Whether it was.
    pub verdict: Verdict,
    /// In words and figures.
    pub why: String,
}

/// What the ohmmeter says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Resistance {
    /// Nothing was measured.
    NotMeasured,
    /// Open when cool.
    Failed,
    /// Closed when it had just opened, by the current: measured too late, or not across it.
    ClosedHot,
    /// Closed, but far from what its kind usually reads.
    LookCloser,
    /// Closed cold, open hot, closed again.
    Works,
    /// Closed cold; the others were not measured.
    ClosedCold,
}

/// All that is concluded.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// Figures of the repeats, those from cold apart from warm ones.
    pub statistics: Vec<Statistic>,
    /// Opens in time, closes again.
    pub functions: Vec<Function>,
    /// Limit by limit; what was not given is not among them.
    pub limits: Vec<Judgement>,
    /// By the ohmmeter.
    pub resistance: (Resistance, String),
    /// The worst of all.
    pub whole: Verdict,
    /// In a sentence.
    pub sentence: String,
}

/// What a judgement is made of.
pub(super) struct Evidence<'a> {
    pub(super) unit: &'a Unit,
    pub(super) plan: &'a Plan,
    pub(super) runs: &'a [Repeat],
    pub(super) readings: &'a [Taken],
    pub(super) curve: Option<&'a Curve>,
    pub(super) is_finished: bool,
    pub(super) failed_to_open: bool,
    pub(super) not_closing: bool,
    /// When it was first seen to have opened.
    pub(super) opened_at: Option<RecordTime>,
}

impl Evidence<'_> {
    pub(super) fn judge(&self) -> Judged {
        let functions = vec![self.opens(), self.closes()];
        let limits = self.limits();
        let resistance = self.resistance();
        let of_resistance = match resistance.0 {
            Resistance::Failed => Verdict::Fail,
            Resistance::ClosedHot | Resistance::LookCloser => Verdict::CannotSay,
            _ => Verdict::Pass,
        };
        let worst = functions
            .iter()
            .map(|f| f.verdict)
            .chain(limits.iter().map(|l| l.verdict))
            .chain([of_resistance]);
        let whole = worst.max().unwrap_or(Verdict::CannotSay);
        // Nothing that was only begun has passed.
        let whole = if self.is_finished {
            whole
        } else {
            whole.max(Verdict::CannotSay)
        };
        Judged {
            statistics: self.statistics(),
            sentence: self.sentence(whole, &functions, &limits, resistance.0),
            functions,
            limits,
            resistance,
            whole,
        }
    }

    fn openings(&self) -> impl Iterator<Item = &Repeat> {
        self.runs.iter().filter(|run| run.is_opening())
    }

    fn started(&self, start: Start) -> impl Iterator<Item = &Repeat> {
        self.openings().filter(move |run| run.start == Some(start))
    }

    fn opens(&self) -> Function {
        let longest_s = self.plan.longest_trip_s;
        let times: Vec<f64> = self
            .openings()
            .filter_map(|run| Some(run.on_s?.s))
            .collect();
        let most_s = times.iter().copied().fold(f64::NAN, f64::max);
        let guard_s = self.plan.sensors.time_s.unwrap_or(GUARD_S);
        let (count, repeats) = (times.len(), self.plan.repeats as usize);
        let (verdict, why) = if self.failed_to_open {
            let why = format!(
                "it carried current for longer than {longest_s} s without opening: welded, or far too late"
            );
            (Verdict::Fail, why)
        } else if count < repeats {
            (
                Verdict::CannotSay,
                format!("{count} of {repeats} openings were timed"),
            )
        } else if most_s + guard_s < longest_s {
            // So few openings promise little: the exact interval says how little.
            let at_least =
                100.0 * proportion_within(self.plan.repeats, self.plan.repeats, 2.0 * BEYOND).0;
            let why = format!(
                "{count} of {count}, the longest {most_s:.2} s; so many show with 95 % that it does in {at_least:.0} % of all \
                 times at least"
            );
            (Verdict::Pass, why)
        } else {
            let why = format!(
                "the longest took {most_s:.2} s, within {guard_s} s of the longest allowed"
            );
            (Verdict::ConditionalPass, why)
        };
        let certain = self
            .openings()
            .all(|run| run.ended == Ended::Opened { certain: true });
        let word = if certain || count == 0 {
            ""
        } else {
            "; that it was the protector and not the switch is the person's word"
        };
        Function {
            what: "opens within the longest time",
            verdict,
            why: format!("{why}{word}"),
        }
    }

    fn closes(&self) -> Function {
        let due = self.openings().count();
        let closed = self.openings().filter(|run| run.reset.is_some()).count();
        let by_hand = self.is_closed_by_hand();
        let needed = due - usize::from(self.plan.hot_reading && due > 0);
        let (verdict, why) = if self.not_closing && closed < due && !by_hand {
            (
                Verdict::Fail,
                "it stayed open for longer than it may".to_owned(),
            )
        } else if self.not_closing {
            let why = "it closed again only after longer than it may stay open".to_owned();
            (Verdict::Fail, why)
        } else if due > 0 && closed >= needed && (closed > 0 || by_hand) {
            (
                Verdict::Pass,
                format!("{closed} times by current that came back by itself"),
            )
        } else {
            (
                Verdict::CannotSay,
                format!("{closed} of {needed} closings were seen"),
            )
        };
        Function {
            what: "closes again",
            verdict,
            why,
        }
    }

    /// A cold reading after it had opened shows that it has closed.
    fn is_closed_by_hand(&self) -> bool {
        self.after_opening()
            .is_some_and(|taken| taken.reading.value != Value::Open)
    }

    /// The newest cold reading after it had opened.
    fn after_opening(&self) -> Option<&Taken> {
        let opened_at = self.opened_at?;
        let cold = |taken: &&Taken| taken.reading.what == What::ProtectorCold;
        self.readings
            .iter()
            .rev()
            .filter(cold)
            .find(|taken| taken.at > opened_at)
    }

    fn statistics(&self) -> Vec<Statistic> {
        let of = |what, unit, start: Option<Start>, figure: fn(&Repeat) -> Option<f64>| {
            let runs = self
                .openings()
                .filter(|run| start.is_none() || run.start == start);
            statistic(what, unit, runs.filter_map(figure).collect())
        };
        let (cold, warm) = (Some(Start::Cold), Some(Start::Warm));
        [
            of("time to trip from cold", "s", cold, |run| Some(run.on_s?.s)),
            of("time to trip, warm", "s", warm, |run| Some(run.on_s?.s)),
            of("current at the start", "A", None, |run| run.start_a),
            of("current at the end", "A", None, |run| run.end_a),
            of("current, square mean", "A", None, |run| run.rms_a),
            of("I²t from cold", "A²s", cold, |run| run.i2t_a2s),
            of("I²t, warm", "A²s", warm, |run| run.i2t_a2s),
            of("case when it opened", "Cel", None, |run| run.case_trip_c),
            of("case at its hottest", "Cel", None, |run| run.case_max_c),
            of("time to reset", "s", None, |run| Some(run.reset?.s)),
            of("case when it had closed", "Cel", None, |run| {
                run.case_reset_c
            }),
            of("modelled disc when it opened", "Cel", None, |run| {
                run.disc_trip_c
            }),
            of("modelled disc when it closed", "Cel", None, |run| {
                run.disc_reset_c
            }),
        ]
        .into_iter()
        .flatten()
        .collect()
    }

    fn limits(&self) -> Vec<Judgement> {
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
            let times: Vec<f64> = self
                .openings()
                .filter_map(|run| Some(run.reset?.s))
                .collect();
            let stands_in = reset.stands_in.clone();
            let measured = self.of_times(&times, Vec::new());
            limits.push(judged(
                "time to reset",
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
    fn of_times(&self, times: &[f64], more: Vec<Part>) -> Result<Uncertain, String> {
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

    fn trip(&self, limit: &TripLimit) -> Judgement {
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

    /// How far the disc was from its case, K, on average.
    fn away(
        &self,
        disc: fn(&Repeat) -> Option<f64>,
        case: fn(&Repeat) -> Option<f64>,
    ) -> Option<f64> {
        let away: Vec<f64> = self
            .openings()
            .filter_map(|run| Some((disc(run)? - case(run)?).abs()))
            .collect();
        Some(spread(&away)?.mean)
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

    /// The newest cold reading before it first opened.
    fn cold_before(&self) -> Option<&Taken> {
        let before = |taken: &&Taken| self.opened_at.is_none_or(|at| taken.at < at);
        self.readings
            .iter()
            .rev()
            .filter(|taken| taken.reading.what == What::ProtectorCold)
            .find(before)
    }

    fn resistance(&self) -> (Resistance, String) {
        let before = self.cold_before().map(|taken| taken.reading.value);
        let after = self.after_opening().map(|taken| taken.reading.value);
        let hot = self.readings.iter().rev();
        let hot = hot
            .filter(|taken| taken.reading.what == What::ProtectorHot)
            .map(|taken| taken.reading.value)
            .next();
        let is_far = [before, after]
            .into_iter()
            .flatten()
            .filter_map(Value::figure)
            .find_map(|ohm| far_from_usual(self.unit.protector.kind, ohm));
        let said = |what, why: &str| (what, why.to_owned());
        match (before, hot, after) {
            (Some(Value::Open), ..) => said(Resistance::Failed, "it reads open when cool: failed"),
            (.., Some(Value::Open)) => said(
                Resistance::Failed,
                "it reads open after it has cooled: failed, unless it was still warm when it was measured",
            ),
            (_, Some(Value::Figure(ohm)), _) => (
                Resistance::ClosedHot,
                format!(
                    "it reads {ohm} Ohm although it had opened: measured too late, or not across the protector"
                ),
            ),
            _ if is_far.is_some() => (Resistance::LookCloser, is_far.unwrap_or_default()),
            (Some(_), Some(Value::Open), Some(_)) => said(
                Resistance::Works,
                "closed cold, open hot, closed again: it works",
            ),
            (None, None, None) => said(Resistance::NotMeasured, "not measured"),
            (Some(_), ..) | (.., Some(_)) => said(Resistance::ClosedCold, "closed when cool"),
            (None, Some(Value::Open), None) => {
                said(Resistance::NotMeasured, "open hot; not measured when cool")
            }
        }
    }

    fn sentence(
        &self,
        whole: Verdict,
        functions: &[Function],
        limits: &[Judgement],
        resistance: Resistance,
    ) -> String {
        let named = |of: Verdict| -> Vec<&str> {
            let functions = functions.iter().filter(|f| f.verdict == of).map(|f| f.what);
            let limits = limits.iter().filter(|l| l.verdict == of).map(|l| l.what);
            functions.chain(limits).collect()
        };
        let mut of = named(whole);
        if resistance == Resistance::Failed && whole == Verdict::Fail {
            of.push("resistance");
        }
        let lacks = if self.is_finished {
            ""
        } else {
            "; the test is not finished"
        };
        let by = if of.is_empty() || whole == Verdict::Pass {
            String::new()
        } else {
            format!(" by: {}", of.join(", "))
        };
        let judged = if limits.is_empty() {
            " No limit was given: only whether it opens in time and closes again is judged."
        } else {
            ""
        };
        format!("{}{by}{lacks}.{judged} {PARTIAL}", whole.as_str())
    }
}

fn statistic(what: &'static str, unit: &'static str, values: Vec<f64>) -> Option<Statistic> {
    let summary = spread(&values)?;
    let of_scatter =
        Part::of_scatter(&summary).map(|part| Uncertain::new(summary.mean, vec![part]).expanded());
    let points: Vec<(f64, f64)> = (1..).map(f64::from).zip(values.iter().copied()).collect();
    let drift = Line::through(&points).map(|line| Drift {
        slope: line.slope,
        within: line.slope_within(BEYOND),
    });
    Some(Statistic {
        what,
        unit,
        values,
        summary,
        of_scatter,
        drift,
    })
}

fn judged(
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

/// Why a resistance is worth a closer look.
fn far_from_usual(kind: ProtectorKind, ohm: f64) -> Option<String> {
    let ((low, high), name) = match kind {
        ProtectorKind::ExternalStrip => (STRIP_OHM, "a strip type"),
        ProtectorKind::ExternalRound => (ROUND_OHM, "a round type"),
        _ => return None,
    };
    if kind == ProtectorKind::ExternalStrip && ohm < NOTHING_OHM {
        return Some(format!(
            "{ohm} Ohm is not expected of {name}: its heater is in the path; look closer"
        ));
    }
    let far = ohm > high * FAR_FACTOR || ohm < low / FAR_FACTOR;
    far.then(|| {
        format!("{ohm} Ohm is far from the usual {low} to {high} Ohm of {name} (common practice, no source); look closer")
    })
}
