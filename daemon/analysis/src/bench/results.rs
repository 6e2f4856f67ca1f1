//! Everything a bench test comes to, and two of them side by side.

use super::caution::{CAUTIONS, Caution};
use super::curve::Curve;
use super::judge::{Evidence, Judged, PARTIAL};
use super::plan::Plan;
use super::repeat::{Ended, Repeat};
use super::sequence::Step;
use super::session::Bench;
use crate::job::Unit;
use crate::protector::{Estimate, Fitted};
use crate::reading::Taken;
use crate::rows::RecordTime;

/// Results so far, final once the test is finished: all that a printed sheet needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Results {
    /// Where the test stands.
    pub step: Step,
    /// The plan.
    pub plan: Plan,
    /// What else is known of the protector and its unit.
    pub unit: Unit,
    /// Who acknowledged the cautions, and when.
    pub acknowledged: Option<(RecordTime, String)>,
    /// The cautions that were shown.
    pub cautions: &'static [Caution],
    /// From the first sample to the last, record time.
    pub span: Option<(RecordTime, RecordTime)>,
    /// Every run of current, with its figures.
    pub runs: Vec<Repeat>,
    /// Readings by hand.
    pub readings: Vec<Taken>,
    /// Statistics and verdicts.
    pub judged: Judged,
    /// Its curve, or why there is none.
    pub curve: Result<Curve, String>,
    /// What has to be known beside the figures: doubts about sensors, runs beyond what is kept.
    pub remarks: Vec<String>,
    /// That it is a partial evaluation.
    pub partial: &'static str,
}

impl Results {
    pub(super) fn of(bench: &Bench) -> Self {
        let sequence = &bench.sequence;
        let mut runs = sequence.runs.clone();
        let curve = Curve::of(bench.unit(), bench.plan(), &runs, &bench.measured);
        if let Ok(curve) = &curve {
            curve.mark_discs(&mut runs);
        }
        let opened = |run: &&Repeat| matches!(run.ended, Ended::Opened { .. });
        let steps = &sequence.steps;
        let judged = Evidence {
            unit: bench.unit(),
            plan: bench.plan(),
            runs: &runs,
            readings: &bench.by_hand,
            curve: curve.as_ref().ok(),
            is_finished: sequence.step == Step::Finished,
            failed_to_open: sequence.failed_to_open,
            not_closing: steps.iter().any(|(_, step)| *step == Step::NotClosing),
            opened_at: runs.iter().find(opened).and_then(|run| run.off_at),
        }
        .judge();
        let mut remarks: Vec<String> = bench.doubts.iter().map(|(_, why)| why.clone()).collect();
        if bench.is_cut {
            remarks.push(
                "the record is longer than can be fitted: the curve rests on its beginning"
                    .to_owned(),
            );
        }
        Self {
            step: sequence.step,
            plan: bench.plan().clone(),
            unit: bench.unit().clone(),
            acknowledged: sequence.acknowledged.clone(),
            cautions: &CAUTIONS,
            span: sequence.first.zip(Some(sequence.now)),
            runs,
            readings: bench.by_hand.clone(),
            judged,
            curve,
            remarks,
            partial: PARTIAL,
        }
    }

    /// Lines for `[unit.protector]` of a job file; empty if the runs tell nothing.
    pub fn to_job_keys(&self) -> String {
        self.curve
            .as_ref()
            .map(Curve::to_job_keys)
            .unwrap_or_default()
    }

    /// The case temperature for which its ultimate trip current is told, Cel.
    pub fn case_c(&self) -> Option<f64> {
        self.curve.as_ref().ok().map(|curve| curve.case_c)
    }

    /// Its constants, for a comparison; the ultimate trip current in a case that stays at `case_c`.
    pub fn constants(&self, case_c: Option<f64>) -> Constants {
        let curve = self.curve.as_ref().ok();
        curve.map_or_else(Constants::default, |curve| {
            Constants::of(&curve.fitted, case_c)
        })
    }
}

/// The constants of one protector, from a bench or from a site's record ([`crate::protector::Fit`]).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Constants {
    /// K/A².
    pub heating_c_per_a2: Option<Estimate>,
    /// s.
    pub heating_tau_s: Option<Estimate>,
    /// Cel.
    pub opens_c: Option<Estimate>,
    /// Cel.
    pub closes_c: Option<Estimate>,
    /// A.
    pub ultimate_a: Option<Estimate>,
}

impl Constants {
    /// Of a fit; the ultimate trip current in a case that stays at `case_c`.
    pub fn of(fitted: &Fitted, case_c: Option<f64>) -> Self {
        Self {
            heating_c_per_a2: Some(fitted.heating_c_per_a2),
            heating_tau_s: Some(fitted.tau_s),
            opens_c: Some(fitted.opens_c),
            closes_c: fitted.closes_c,
            ultimate_a: case_c.and_then(|case_c| fitted.ultimate_trip_current_a(case_c)),
        }
    }
}

/// Two estimates of one quantity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// What, in words.
    pub what: &'static str,
    /// Unit.
    pub unit: &'static str,
    /// The first; `None` where it was not told.
    pub first: Option<Estimate>,
    /// The second.
    pub second: Option<Estimate>,
    /// Second less first; `None` unless both are told.
    pub difference: Option<f64>,
    /// Half of its interval, from both: they differ if the difference is larger.
    pub within: Option<f64>,
}

impl Pair {
    /// The difference is larger than its interval.
    pub fn differs(&self) -> bool {
        self.difference
            .zip(self.within)
            .is_some_and(|(difference, within)| difference.abs() > within)
    }
}

/// Two protectors, or bench and site, side by side.
pub fn side_by_side(first: &Constants, second: &Constants) -> Vec<Pair> {
    let pair = |what, unit, of: fn(&Constants) -> Option<Estimate>| {
        let told = |constants| of(constants).filter(|estimate| estimate.told);
        let (first, second) = (told(first), told(second));
        let both = first.zip(second);
        // Each interval's larger half, put together as squares.
        let half = |e: Estimate| (e.high - e.value).max(e.value - e.low);
        Pair {
            what,
            unit,
            first,
            second,
            difference: both.map(|(a, b)| b.value - a.value),
            within: both.map(|(a, b)| half(a).hypot(half(b))),
        }
    };
    vec![
        pair("heating constant", "K/A²", |c| c.heating_c_per_a2),
        pair("time constant", "s", |c| c.heating_tau_s),
        pair("opening temperature", "Cel", |c| c.opens_c),
        pair("closing temperature", "Cel", |c| c.closes_c),
        pair("ultimate trip current", "A", |c| c.ultimate_a),
    ]
}
