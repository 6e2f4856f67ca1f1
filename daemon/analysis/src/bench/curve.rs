//! The protector's own curve, from the runs of a bench test: its constants, how soon it opens at which current, and the largest
//! current that never opens it.
//!
//! Nothing of the data sheet goes into the fit, or the data sheet would be judged by itself. The intervals are those of the model of
//! one disc: that a real protector is heater, disc and case is not in them (`tests/bench_simulated.rs` prints what it costs).

use super::plan::{Plan, Start};
use super::repeat::{Ended, Repeat};
use crate::job::Unit;
use crate::protector::{
    Estimate, Extracted, Fit, Fitted, Lags, Reading, Scatter, SensorClasses, Snap, Taker, Untold,
};
use crate::rows::{Cause, CycleRow, EndedBy};

/// Opening and closing before anything is measured: as good as nothing, Cel and ± K.
const OPENS_C: (f64, f64) = (115.0, 60.0);
const CLOSES_C: (f64, f64) = (60.0, 80.0);
/// So late comes the heat of a heater that is a lump of its own, and a bead behind its case, s, at most: a few runs that are all
/// much alike do not show it, so that it has to be in their intervals (common practice, no source).
pub(super) const HEATER_LATE_S: f64 = 1.0;
const BEAD_LATE_S: f64 = 5.0;
/// The curve is drawn from just above the ultimate trip current to so many times the largest current seen, in so many points.
const BEYOND: f64 = 1.5;
const POINTS: usize = 48;
const JUST_ABOVE: f64 = 1.03;
/// Reference lines for the ultimate trip current, per cent of rated load (NFPA 70, 2008: 440.52(B), and 430.32(A)(2) by full-load
/// current up to 9 A, to 20 A, above). Local code and the maker's data decide.
const WITH_COMPRESSOR_PERCENT: f64 = 156.0;

/// What has to stand beside the constants; the figures are those that `tests/bench_simulated.rs` prints.
pub const ONE_DISC: &str = "The intervals are those of a model of one disc, its heat up to 1 s late and its bead up to 5 s. A real protector \
                            is heater, disc and case: on 82 simulated ones the heating constant came out 12 % too high on average, the \
                            time constant 11 % too high and the ultimate trip current 2 % too low, the last within its interval in 94 % \
                            of them and the first two in 82 %; on 103 the opening temperature came out 6 K too high on average, \
                            within its uncertainty in all of them.";

/// A point of the curve from cold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Constant current, A.
    pub amps: f64,
    /// Time to open, s.
    pub trip_s: f64,
    /// Lower end of the 95 % band, s.
    pub low_s: f64,
    /// Upper end, s.
    pub high_s: f64,
}

/// An opening that was measured, beside the curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasuredPoint {
    /// Square mean of the current, A.
    pub amps: f64,
    /// Time to open, s.
    pub trip_s: f64,
    /// From where; only those from cold belong to the curve.
    pub start: Option<Start>,
}

/// A reference line for the ultimate trip current.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reference {
    /// Per cent of rated load.
    pub percent: f64,
    /// Where it stands.
    pub stands_in: &'static str,
}

/// What the runs say of the protector.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Constants with intervals, and what the runs do not tell.
    pub fitted: Fitted,
    /// Openings and closings that were fitted.
    pub fitted_to: usize,
    /// Openings and closings that could not be, in words.
    pub left_out: Vec<String>,
    /// Case temperature for which curve and ultimate trip current are told: the room's, Cel.
    pub case_c: f64,
    /// Largest current that never opens it, in a case that stays at `case_c`, A.
    pub ultimate_a: Option<Estimate>,
    /// The same in per cent of rated load.
    pub ultimate_percent: Option<Estimate>,
    /// Reference lines beside it.
    pub references: Vec<Reference>,
    /// From cold; empty where the constants are not told.
    pub points: Vec<CurvePoint>,
    /// What was measured.
    pub measured: Vec<MeasuredPoint>,
}

impl Curve {
    /// From the runs of a bench; the error is a sentence for people.
    pub(super) fn of(
        unit: &Unit,
        plan: &Plan,
        repeats: &[Repeat],
        measured: &[Reading],
    ) -> Result<Self, String> {
        if unit.channels.case.is_none() {
            return Err("no bead on the case: no curve".to_owned());
        }
        let extracted = runs_of(repeats, measured);
        let amps = mean_amps(repeats).unwrap_or(1.0);
        let clamp_u = plan
            .sensors
            .clamp
            .map_or(0.0, |clamp| clamp.limit_a(amps) / amps / 3.0_f64.sqrt());
        let fit = Fit {
            opens: Some(OPENS_C),
            closes: Some(CLOSES_C),
            sensors: SensorClasses {
                case_u_c: 0.0,
                current_u_share: clamp_u,
            },
            scatter: Scatter::Estimated,
            lags: Lags {
                heater_u_s: HEATER_LATE_S / 3.0_f64.sqrt(),
                bead_u_s: BEAD_LATE_S / 3.0_f64.sqrt(),
            },
        };
        let fitted = fit.runs(&extracted.runs).map_err(|why| why.to_string())?;
        let case_c = room_c(repeats).ok_or("the room's temperature is not known")?;
        let ultimate_a = fitted.ultimate_trip_current_a(case_c);
        let ultimate_percent = unit
            .rated_load_a
            .zip(ultimate_a)
            .map(|(rated_a, a)| scaled(a, 100.0 / rated_a));
        let points = points(&fitted, case_c, ultimate_a, repeats);
        Ok(Self {
            fitted_to: fitted.residuals.len(),
            left_out: extracted.left_out.iter().map(ToString::to_string).collect(),
            case_c,
            ultimate_a,
            ultimate_percent,
            references: unit.rated_load_a.map(references).unwrap_or_default(),
            points,
            measured: repeats.iter().filter_map(measured_point).collect(),
            fitted,
        })
    }

    /// What the runs do not tell, in words. Nothing of the data sheet is in the fit: what is not told is nothing.
    pub fn untold(&self) -> Vec<String> {
        let words = |untold: &Untold| match untold {
            Untold::Opening { .. } => {
                "the opening temperature is not told by these runs".to_owned()
            }
            Untold::Closing { .. } => {
                "the closing temperature is not told by these runs".to_owned()
            }
            other => other.to_string(),
        };
        self.fitted.untold.iter().map(words).collect()
    }

    /// Lines for `[unit.protector]` of a job file, so that a night uses what the bench measured with this bead and this clamp; only
    /// what the runs tell is in them. Empty if they tell nothing.
    pub fn to_job_keys(&self) -> String {
        let mut lines = String::new();
        let mut key = |name: &str, value: f64, digits: usize| {
            lines.push_str(&format!("{name} = {value:.digits$}\n"));
        };
        let interval = |e: &Estimate| 0.5 * (e.high - e.low);
        let opens = &self.fitted.opens_c;
        if opens.told {
            key("opens_c", opens.value, 1);
            key("opens_tol_c", interval(opens).clamp(0.1, 50.0), 1);
        }
        if let Some(closes) = self.fitted.closes_c.filter(|closes| closes.told) {
            key("closes_c", closes.value, 1);
            key("closes_tol_c", interval(&closes).clamp(0.1, 50.0), 1);
        }
        if opens.told && self.fitted.heating().is_some() {
            key("heating_c_per_a2", self.fitted.heating_c_per_a2.value, 4);
            key("heating_tau_s", self.fitted.tau_s.value, 2);
        }
        lines
    }

    /// The model's disc at each opening and closing, written beside the runs.
    pub(super) fn mark_discs(&self, repeats: &mut [Repeat]) {
        if !self.left_out.is_empty() {
            return; // which of them the fit has is not known one by one
        }
        let mut seen = self.fitted.residuals.iter();
        for run in repeats.iter_mut() {
            if !matches!(run.ended, Ended::Opened { .. }) {
                continue;
            }
            run.disc_trip_c = seen
                .next()
                .filter(|r| r.snap == Snap::Opened)
                .map(|r| r.disc_c);
            if run.reset.is_some() {
                run.disc_reset_c = seen
                    .next()
                    .filter(|r| r.snap == Snap::Closed)
                    .map(|r| r.disc_c);
            }
        }
    }
}

/// The runs of the bench for a fit. It has seen whether the protector was cold when the test began: that is worth much, since only
/// the first trip goes all the way from the room's temperature.
fn runs_of(repeats: &[Repeat], measured: &[Reading]) -> Extracted {
    let cycles: Vec<CycleRow> = repeats.iter().map(cycle).collect();
    let begins_cold = repeats
        .first()
        .is_some_and(|run| run.start == Some(Start::Cold));
    let mut taker = if begins_cold {
        Taker::settled(&cycles)
    } else {
        Taker::new(&cycles)
    };
    measured.iter().for_each(|reading| taker.reading(reading));
    taker.finish()
}

/// A run as the projection would have told it, with what the bench knows of who ended it.
fn cycle(run: &Repeat) -> CycleRow {
    let opened = matches!(run.ended, Ended::Opened { .. });
    CycleRow {
        on_at: run.on_at,
        off_at: run.off_at,
        next_on_at: run.back_at,
        on_seen: run.begun.is_some(),
        ended_by: Some(if opened {
            EndedBy::Protector
        } else {
            EndedBy::Unknown
        }),
        cause: opened.then_some(Cause::Undetermined),
        reset_exact: run.reset.is_some(),
        ..CycleRow::default()
    }
}

fn mean_amps(repeats: &[Repeat]) -> Option<f64> {
    let openings = repeats.iter().filter(|run| run.is_opening());
    let squares: Vec<f64> = openings
        .filter_map(|run| Some(run.rms_a?.powi(2)))
        .collect();
    (!squares.is_empty()).then(|| (squares.iter().sum::<f64>() / squares.len() as f64).sqrt())
}

/// The room, or the case where it first was cold.
fn room_c(repeats: &[Repeat]) -> Option<f64> {
    let first = repeats.first()?;
    first.ambient_c.or(first.case_on_c)
}

fn scaled(of: Estimate, by: f64) -> Estimate {
    Estimate {
        value: of.value * by,
        sd: of.sd * by,
        low: of.low * by,
        high: of.high * by,
        ..of
    }
}

fn references(rated_a: f64) -> Vec<Reference> {
    let percent = match rated_a {
        a if a <= 9.0 => 170.0,
        a if a <= 20.0 => 156.0,
        _ => 140.0,
    };
    vec![
        Reference {
            percent,
            stands_in: "at most, of full-load current: NFPA 70 (2008), 430.32(A)(2)",
        },
        Reference {
            percent: WITH_COMPRESSOR_PERCENT,
            stands_in: "at most, of rated load, for a protector with a motor-compressor: NFPA 70 (2008), 440.52(B)",
        },
    ]
}

fn points(
    fitted: &Fitted,
    case_c: f64,
    ultimate_a: Option<Estimate>,
    repeats: &[Repeat],
) -> Vec<CurvePoint> {
    let Some(ultimate) = ultimate_a.filter(|a| a.told && fitted.heating().is_some()) else {
        return Vec::new();
    };
    let seen = repeats.iter().filter_map(|run| run.rms_a);
    let most_a = seen.fold(2.0 * ultimate.value, f64::max) * BEYOND;
    let from_a = JUST_ABOVE * ultimate.value;
    let ratio = most_a / from_a;
    (0..POINTS)
        .filter_map(|n| {
            let amps = from_a * ratio.powf(n as f64 / (POINTS - 1) as f64);
            let time = fitted.cold_trip_time_s(amps, case_c)?;
            Some(CurvePoint {
                amps,
                trip_s: time.value,
                low_s: time.low,
                high_s: time.high,
            })
        })
        .collect()
}

fn measured_point(run: &Repeat) -> Option<MeasuredPoint> {
    run.is_opening().then_some(())?;
    Some(MeasuredPoint {
        amps: run.rms_a?,
        trip_s: run.on_s?.s,
        start: run.start,
    })
}
