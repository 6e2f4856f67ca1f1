//! Verdicts: limit by limit, what the protector does at all, and the whole.

mod functions;
mod limits;
mod resistance;
mod statistics;
mod trip;

use super::conformity::Verdict;
use super::curve::Curve;
use super::plan::{Plan, Start, Window};
use super::repeat::Repeat;
use super::uncertainty::Uncertain;
use crate::job::Unit;
use crate::reading::Taken;
use crate::rows::RecordTime;
use crate::statistics::Summary;
use statistics::drifting;

/// Intervals of drifts and proportions hold the truth with 95 %.
const BEYOND: f64 = 0.05;

/// Of fewer repeats of a kind no drift is told: of three, which four openings leave, one that is named is as likely chance as a disc
/// that tires (`tests/bench_simulated.rs` prints how often it is named of those that drift and of those that do not).
pub const DRIFT_FROM: usize = 5;
/// Said where there are too few.
pub const TOO_FEW: &str = "Of fewer than five repeats of a kind no drift is told: it would be as likely chance as a disc that tires.";

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
    /// It is more than chance does to one of all the figures looked at, 95 %.
    pub stands_out: bool,
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
    /// From repeat to repeat; `None` of fewer than [`DRIFT_FROM`].
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
    /// That it was not.
    not: &'static str,
    /// That it is not known, or only just.
    whether: &'static str,
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
        let statistics = self.statistics();
        Judged {
            sentence: self.sentence(
                whole,
                &functions,
                &limits,
                resistance.0,
                &drifting(&statistics),
            ),
            statistics,
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

    fn sentence(
        &self,
        whole: Verdict,
        functions: &[Function],
        limits: &[Judgement],
        resistance: Resistance,
        drifting: &str,
    ) -> String {
        let named = |of: Verdict| -> Vec<&str> {
            let functions = functions.iter().filter(|f| f.verdict == of);
            let functions = functions.map(|f| match of {
                Verdict::Fail | Verdict::ConditionalFail => f.not,
                Verdict::CannotSay => f.whether,
                Verdict::Pass | Verdict::ConditionalPass => f.what,
            });
            let limits = limits.iter().filter(|l| l.verdict == of).map(|l| l.what);
            functions.chain(limits).collect()
        };
        let mut of = named(whole);
        match (resistance, whole) {
            (Resistance::Failed, Verdict::Fail) => of.push("it reads open when cool"),
            (Resistance::ClosedHot | Resistance::LookCloser, Verdict::CannotSay) => {
                of.push("what the ohmmeter says");
            }
            _ => {}
        }
        let lacks = if self.is_finished {
            ""
        } else {
            "; the test is not finished"
        };
        let by = if of.is_empty() || whole == Verdict::Pass {
            String::new()
        } else {
            format!(": {}", of.join("; "))
        };
        let judged = if limits.is_empty() {
            " No limit was given: only whether it opens in time and closes again is judged."
        } else {
            ""
        };
        format!("{}{by}{lacks}.{judged}{drifting} {PARTIAL}", whole.as_str())
    }
}
