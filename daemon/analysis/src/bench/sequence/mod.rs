//! The sequence of a bench test: what the person is to do now. A pure state machine, fed with edges of the current, samples,
//! notes and readings as the projection gives them; nothing else moves it, so a raw log that is replayed goes through the
//! same steps at the same instants.

mod edges;
mod rest;
mod said;
mod step;

use super::plan::Plan;
use super::repeat::{Ended, Repeat, Timed};
use super::watch::{Edge, Instant, Sample};
use crate::rows::RecordTime;
use rest::{REST_S, Rest};
pub use step::Step;

/// A case within this of the room is as warm as it, K.
pub(super) const COLD_WITHIN_C: f64 = 5.0;
/// A case this far below its highest cools, K.
const COOLS_BY_C: f64 = 0.5;
/// Demand and supply are asked for so long after the current has ended, s.
const ASKED_S: f64 = 0.7;
/// No supply stands below this, V.
const SUPPLY_LEAST_V: f64 = 30.0;
/// Runs that are kept: more are counted only.
const RUNS_MAX: usize = 100;
/// Steps that are kept.
const STEPS_MAX: usize = 1000;

/// The state machine.
#[derive(Debug, Clone)]
pub(super) struct Sequence {
    plan: Plan,
    needs_case: bool,
    pub(super) step: Step,
    pub(super) since: RecordTime,
    pub(super) now: RecordTime,
    /// The first sample.
    pub(super) first: Option<RecordTime>,
    /// Steps gone through, with when each began.
    pub(super) steps: Vec<(RecordTime, Step)>,
    /// Every run of current, in order.
    pub(super) runs: Vec<Repeat>,
    /// Openings that count.
    pub(super) openings: u32,
    pub(super) acknowledged: Option<(RecordTime, String)>,
    /// What is wrong at rest.
    pub(super) at_rest: Option<&'static str>,
    rest: Option<Rest>,
    /// When the current last ended.
    off_since: Option<RecordTime>,
    /// The highest case since then, Cel.
    pub(super) case_max_c: f64,
    /// When a person last said that the current ended by hand.
    by_hand: Option<RecordTime>,
    cold_done: bool,
    hot_done: bool,
    cooled_done: bool,
    /// It did not open within the longest time.
    pub(super) failed_to_open: bool,
    /// What the case was when first looked at with no current, Cel.
    first_case_c: f64,
    last: Option<Sample>,
}

impl Sequence {
    pub(super) fn new(plan: Plan, needs_case: bool) -> Self {
        Self {
            plan,
            needs_case,
            step: Step::Cautions,
            since: 0,
            now: 0,
            first: None,
            steps: Vec::new(),
            runs: Vec::new(),
            openings: 0,
            acknowledged: None,
            at_rest: None,
            rest: None,
            off_since: None,
            case_max_c: f64::NAN,
            by_hand: None,
            cold_done: false,
            hot_done: false,
            cooled_done: false,
            failed_to_open: false,
            first_case_c: f64::NAN,
            last: None,
        }
    }

    /// Begins a step; the one that is under way goes on, and is only written down if it is the first.
    fn go(&mut self, step: Step, at: RecordTime) {
        if step == self.step && !self.steps.is_empty() {
            return;
        }
        (self.step, self.since) = (step, at);
        if self.steps.len() < STEPS_MAX {
            self.steps.push((at, step));
        }
        if step == Step::AtRest {
            (self.rest, self.at_rest) = (None, None);
        }
    }

    fn since_s(&self, at: RecordTime) -> f64 {
        (self.now - at) as f64 / 1e6
    }

    /// The run that is on, or after which it is off.
    pub(super) fn run(&self) -> Option<&Repeat> {
        self.runs.last()
    }

    /// The run in which current flows now.
    pub(super) fn on(&self) -> Option<&Repeat> {
        self.runs.last().filter(|run| run.ended == Ended::NotYet)
    }

    /// How long current has flowed, s.
    pub(super) fn on_s(&self) -> Option<f64> {
        Some(self.since_s(self.on()?.on_at).max(0.0))
    }

    /// Takes a sample; before it, the edge that it confirmed.
    pub(super) fn sample(&mut self, sample: Sample, edge: Option<Edge>) {
        self.go(self.step, sample.time);
        self.now = sample.time;
        self.first.get_or_insert(sample.time);
        if sample.case_c.is_finite() && !self.first_case_c.is_finite() && self.on().is_none() {
            self.first_case_c = sample.case_c;
        }
        match edge {
            Some(Edge::Begun(at)) => self.begun(at, &sample),
            Some(Edge::Ended(at, through)) => {
                if let Some(run) = self.runs.last_mut() {
                    run.end(at, through, &sample, self.last.as_ref());
                }
                self.ended(at);
            }
            None => {}
        }
        self.follow_off(&sample);
        self.tick(&sample);
        self.last = Some(sample);
    }

    /// Demand and supply say who ended the current, and whether power was offered until it came back.
    fn follow_off(&mut self, sample: &Sample) {
        if self.on().is_some() || self.off_since.is_none() {
            return;
        }
        if sample.case_c.is_finite() {
            self.case_max_c = self.case_max_c.max(sample.case_c);
        }
        let off_s = self.off_since.map_or(0.0, |at| self.since_s(at));
        let gone = sample.demand == 0.0 || sample.supply_v < SUPPLY_LEAST_V;
        let Some(run) = self.runs.last_mut() else {
            return;
        };
        if let Ended::Opened { certain } = &mut run.ended {
            if off_s <= ASKED_S && gone {
                return self.was_by_hand(sample.time);
            }
            *certain |= sample.demand == 1.0 && off_s <= ASKED_S;
            run.power_held &= sample.demand == 1.0;
            run.power_gone |= gone;
            run.case_max_c = max_of(run.case_max_c, sample.case_c);
        }
    }

    /// Steps that time or the case bring about.
    fn tick(&mut self, sample: &Sample) {
        let longest_s = self.plan.longest_trip_s;
        match self.step {
            Step::AtRest => self.look_at_rest(sample),
            Step::Heating if self.on_s().is_some_and(|s| s > longest_s) => {
                self.failed_to_open = true;
                self.go(Step::TooLong, sample.time);
            }
            Step::Overshoot | Step::Cooling => {
                let off_s = self.off_since.map_or(0.0, |at| self.since_s(at));
                if self.plan.longest_reset_s.is_some_and(|most| off_s > most) {
                    self.go(Step::NotClosing, sample.time);
                } else if self.step == Step::Overshoot
                    && (sample.case_c < self.case_max_c - COOLS_BY_C
                        || !self.needs_case && off_s > REST_S)
                {
                    self.go(Step::Cooling, sample.time);
                }
            }
            Step::Resting => {
                let off_s = self.off_since.map_or(0.0, |at| self.since_s(at));
                if self.plan.rest_s.is_none_or(|rest_s| off_s >= rest_s) {
                    self.go(Step::Ready, sample.time);
                }
            }
            _ => {}
        }
    }

    /// Current has flowed longer than the longest time to trip, whatever the step.
    pub(super) fn is_too_long(&self) -> bool {
        self.on_s().is_some_and(|s| s > self.plan.longest_trip_s)
    }
}

/// The larger, of which either may be none.
pub(super) fn max_of(a: Option<f64>, b: f64) -> Option<f64> {
    let b = b.is_finite().then_some(b);
    match (a, b) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    }
}

/// A length between two instants.
pub(super) fn timed(from: Instant, to: Instant) -> Timed {
    Timed {
        s: (to.at - from.at) as f64 / 1e6,
        u_s: from.u_s.hypot(to.u_s),
    }
}
