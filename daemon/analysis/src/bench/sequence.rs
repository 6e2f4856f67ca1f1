//! The sequence of a bench test: what the person is to do now. A pure state machine, fed with edges of the current, samples,
//! notes and readings as the projection gives them; nothing else moves it, so a raw log that is replayed goes through the
//! same steps at the same instants.

use super::note::Act;
use super::plan::Plan;
use super::repeat::{Ended, Repeat, Timed};
use super::watch::{Edge, Instant, Sample};
use crate::reading::What;
use crate::rows::RecordTime;

/// The sensors at rest are looked at for so long, s.
const REST_S: f64 = 10.0;
/// A case that changes by more than this meanwhile does not rest, K.
const REST_CHANGE_C: f64 = 1.0;
/// And a case that is plausible at all, Cel.
const CASE_RANGE_C: (f64, f64) = (-30.0, 150.0);
/// A case within this of the room is as warm as it, K.
pub(super) const COLD_WITHIN_C: f64 = 5.0;
/// No current for this long, and the disc is as warm as its case, s (as for runs of a night, [`crate::protector::Run`]).
const SETTLED_S: f64 = 600.0;
/// A case this far below its highest cools, K.
const COOLS_BY_C: f64 = 0.5;
/// Demand and supply are asked for so long after the current has ended, s.
const ASKED_S: f64 = 0.7;
/// A person's word about an end of the current holds for this long, before or after it, s.
const BY_HAND_S: f64 = 30.0;
/// No supply stands below this, V.
const SUPPLY_LEAST_V: f64 = 30.0;
/// Runs that are kept: more are counted only.
const RUNS_MAX: usize = 100;
/// Steps that are kept.
const STEPS_MAX: usize = 1000;

/// Where the test stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Step {
    /// The cautions have to be read and acknowledged.
    Cautions,
    /// The cold resistance is due.
    ColdReading,
    /// Sensors are looked at with no current.
    AtRest,
    /// Waits for current.
    Ready,
    /// Current flows; it has to open.
    Heating,
    /// It should have opened and has not.
    TooLong,
    /// It has opened; the case goes on warming.
    Overshoot,
    /// The case cools; it has to close.
    Cooling,
    /// It should have closed and has not.
    NotClosing,
    /// It has closed, or the test is over; the current has to be switched off.
    SwitchOff,
    /// No current until the next run.
    Resting,
    /// The resistance is due while it is open.
    HotReading,
    /// The resistance is due when it has cooled.
    CooledReading,
    /// Over.
    Finished,
    /// Stopped by a person, or because it did not open.
    Aborted,
}

impl Step {
    /// A short name for it, for an API.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Cautions => "cautions",
            Self::ColdReading => "cold-reading",
            Self::AtRest => "at-rest",
            Self::Ready => "ready",
            Self::Heating => "heating",
            Self::TooLong => "too-long",
            Self::Overshoot => "overshoot",
            Self::Cooling => "cooling",
            Self::NotClosing => "not-closing",
            Self::SwitchOff => "switch-off",
            Self::Resting => "resting",
            Self::HotReading => "hot-reading",
            Self::CooledReading => "cooled-reading",
            Self::Finished => "finished",
            Self::Aborted => "aborted",
        }
    }

    /// Whether current is as it should be in this step.
    const fn expects_current(self) -> bool {
        matches!(
            self,
            Self::Ready
                | Self::Heating
                | Self::TooLong
                | Self::Overshoot
                | Self::Cooling
                | Self::NotClosing
                | Self::SwitchOff
        )
    }
}

/// The sensors at rest.
#[derive(Debug, Clone, Copy)]
struct Rest {
    since: RecordTime,
    case_c: (f64, f64),
}

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

    /// Current has begun.
    fn begun(&mut self, at: Option<Instant>, sample: &Sample) {
        let begun = at.unwrap_or(Instant {
            at: sample.time,
            u_s: f64::NAN,
        });
        if let Some(run) = self.runs.last_mut() {
            run.closed(at, sample);
        }
        let cold = self.is_cold(begun.at, sample);
        if self.runs.len() < RUNS_MAX {
            self.runs.push(Repeat::begun(at, sample, cold));
        }
        match self.step {
            Step::Ready => self.go(Step::Heating, begun.at),
            Step::Overshoot | Step::Cooling | Step::NotClosing => self.reclosed(begun.at),
            Step::HotReading | Step::CooledReading | Step::Resting => {
                self.go(Step::SwitchOff, begun.at);
            }
            _ => {}
        }
        let counts = self.step == Step::Heating && at.is_some();
        if let Some(run) = self.runs.last_mut() {
            run.number = counts.then_some(self.openings + 1);
        }
    }

    /// It has closed again by itself, and current flows.
    fn reclosed(&mut self, at: RecordTime) {
        let is_last = self.openings >= self.plan.repeats;
        if is_last || self.plan.rest_s.is_some() {
            self.go(Step::SwitchOff, at);
        } else {
            self.go(Step::Heating, at);
        }
    }

    /// The disc is as warm as the room: no current for long, or none seen yet, and a case that agrees.
    fn is_cold(&self, at: RecordTime, sample: &Sample) -> Option<bool> {
        if at == sample.time && self.last.is_none() {
            return None; // it flowed when the record began
        }
        if let Some(off) = self.off_since
            && ((at - off) as f64) < SETTLED_S * 1e6
        {
            return Some(false);
        }
        let room_c = if sample.ambient_c.is_finite() {
            sample.ambient_c
        } else {
            self.first_case_c
        };
        let above_c = sample.case_c - room_c;
        Some(above_c.is_nan() || above_c.abs() <= COLD_WITHIN_C)
    }

    /// Current has ended.
    fn ended(&mut self, at: Instant) {
        self.off_since = Some(at.at);
        self.case_max_c = f64::NAN;
        let longest_us = (self.plan.longest_trip_s * 1e6) as i64;
        let was_too_long = self.run().is_some_and(|run| at.at - run.on_at > longest_us);
        self.failed_to_open |= was_too_long;
        let by_hand = self.by_hand_near(at.at);
        match self.step {
            Step::Heating | Step::TooLong if by_hand => self.was_by_hand(at.at),
            Step::TooLong => {
                if let Some(run) = self.runs.last_mut() {
                    run.ended = Ended::TooLong;
                }
                self.go(Step::Aborted, at.at);
            }
            Step::Heating => self.opened(at.at),
            Step::SwitchOff => {
                self.left();
                self.switched_off(at.at);
            }
            _ => self.left(),
        }
    }

    fn by_hand_near(&self, at: RecordTime) -> bool {
        self.by_hand
            .is_some_and(|said| (at - said).abs() as f64 <= BY_HAND_S * 1e6)
    }

    /// A run of which it does not matter who ended it.
    fn left(&mut self) {
        if let Some(run) = self.runs.last_mut() {
            run.ended = Ended::NotAsked;
        }
    }

    fn opened(&mut self, at: RecordTime) {
        let Some(run) = self.runs.last_mut() else {
            return;
        };
        run.ended = Ended::Opened { certain: false };
        if run.number.is_some() {
            self.openings += 1;
        }
        let is_last = self.openings >= self.plan.repeats;
        let to = if is_last && self.plan.hot_reading && !self.hot_done {
            Step::HotReading
        } else {
            Step::Overshoot
        };
        self.go(to, at);
    }

    /// What was taken for an opening was a person's switch.
    fn was_by_hand(&mut self, at: RecordTime) {
        let Some(run) = self.runs.last_mut() else {
            return;
        };
        let was_counted = matches!(run.ended, Ended::Opened { .. }) && run.number.is_some();
        run.ended = Ended::ByHand;
        run.number = None;
        run.reset = None;
        if was_counted {
            self.openings -= 1;
        }
        self.by_hand = None;
        self.go(Step::AtRest, at);
    }

    /// After the current that was to be switched off.
    fn switched_off(&mut self, at: RecordTime) {
        if self.openings < self.plan.repeats {
            self.go(Step::Resting, at);
        } else {
            self.wind_up(at);
        }
    }

    /// The readings after the last opening, as far as they are asked for.
    fn wind_up(&mut self, at: RecordTime) {
        let step = if self.plan.hot_reading && !self.hot_done && self.is_open() {
            Step::HotReading
        } else if self.plan.cooled_reading && !self.cooled_done {
            Step::CooledReading
        } else {
            Step::Finished
        };
        self.go(step, at);
    }

    /// As far as is known, it has opened and not closed again.
    pub(super) fn is_open(&self) -> bool {
        self.run()
            .is_some_and(|run| matches!(run.ended, Ended::Opened { .. }) && run.reset.is_none())
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

    fn look_at_rest(&mut self, sample: &Sample) {
        self.at_rest = self.wrong_at_rest(sample);
        if self.at_rest.is_some() {
            self.rest = None;
            return;
        }
        let rest = self.rest.get_or_insert(Rest {
            since: sample.time,
            case_c: (sample.case_c, sample.case_c),
        });
        rest.case_c = (
            rest.case_c.0.min(sample.case_c),
            rest.case_c.1.max(sample.case_c),
        );
        if rest.case_c.1 - rest.case_c.0 > REST_CHANGE_C {
            self.rest = None;
            self.at_rest = Some("The case is still changing; wait until it rests.");
        } else if (sample.time - rest.since) as f64 >= REST_S * 1e6 {
            self.go(Step::Ready, sample.time);
        }
    }

    fn wrong_at_rest(&self, sample: &Sample) -> Option<&'static str> {
        if self.on().is_some() {
            return Some("Current flows already. Switch off and wait.");
        }
        if !sample.amps.is_finite() {
            return Some("The clamp gives no reading.");
        }
        if !self.needs_case {
            return None;
        }
        if !sample.case_c.is_finite() {
            return Some("The bead on the case gives no reading.");
        }
        if !(CASE_RANGE_C.0..=CASE_RANGE_C.1).contains(&sample.case_c) {
            return Some("The bead on the case reads what no case can be. Isolate and check it.");
        }
        let is_first = self.openings == 0 && self.runs.is_empty();
        let off_c = (sample.case_c - sample.ambient_c).abs();
        if is_first && off_c > COLD_WITHIN_C {
            return Some("The case is not as warm as the room: let it settle, or check the bead.");
        }
        None
    }

    /// A person has done something. Returns whether it meant anything in this step.
    pub(super) fn act(&mut self, act: Act, by: &str, at: RecordTime) -> bool {
        self.go(self.step, at);
        match (act, self.step) {
            (Act::Acknowledged, Step::Cautions) => {
                self.acknowledged = Some((at, by.to_owned()));
                let next = if self.cold_done {
                    Step::AtRest
                } else {
                    Step::ColdReading
                };
                self.go(next, at);
            }
            (Act::Abort, step) if !matches!(step, Step::Finished | Step::Aborted) => self.abort(at),
            (Act::Resume, Step::Aborted) => {
                let next = match (&self.acknowledged, self.cold_done) {
                    (None, _) => Step::Cautions,
                    (_, false) => Step::ColdReading,
                    _ if self.openings >= self.plan.repeats => Step::SwitchOff,
                    _ => Step::AtRest,
                };
                self.go(next, at);
                if next == Step::SwitchOff && self.on().is_none() {
                    self.wind_up(at);
                }
            }
            (Act::Done, step) if step != Step::Finished => {
                self.abandon();
                self.go(Step::Finished, at);
            }
            (Act::Skip, _) => return self.read(None, at),
            (Act::ByHand, Step::Heating | Step::TooLong) => self.by_hand = Some(at),
            (
                Act::ByHand,
                Step::Overshoot | Step::Cooling | Step::NotClosing | Step::HotReading,
            ) => {
                let certain = self
                    .run()
                    .is_some_and(|run| run.ended == Ended::Opened { certain: true });
                if certain {
                    return false; // power was offered when the current ended: it was the protector
                }
                self.was_by_hand(at);
            }
            _ => return false,
        }
        true
    }

    fn abort(&mut self, at: RecordTime) {
        self.abandon();
        self.go(Step::Aborted, at);
    }

    /// A run that is on counts for nothing.
    fn abandon(&mut self) {
        if let Some(run) = self.runs.last_mut().filter(|r| r.ended == Ended::NotYet) {
            run.number = None;
        }
    }

    /// A reading by hand was taken (or skipped, without `what`). Returns whether it was due.
    pub(super) fn read(&mut self, what: Option<What>, at: RecordTime) -> bool {
        let cold = what.is_none_or(|what| what == What::ProtectorCold);
        let hot = what.is_none_or(|what| what == What::ProtectorHot);
        self.go(self.step, at);
        match self.step {
            Step::Cautions if what == Some(What::ProtectorCold) => self.cold_done = true,
            Step::ColdReading if cold => {
                self.cold_done = true;
                self.go(Step::AtRest, at);
            }
            Step::HotReading if hot => {
                self.hot_done = true;
                self.wind_up(at);
            }
            Step::CooledReading if cold => {
                self.cooled_done = true;
                self.wind_up(at);
            }
            _ => return false,
        }
        true
    }

    /// What is asked for by hand now.
    pub(super) const fn asks(&self) -> Option<What> {
        match self.step {
            Step::ColdReading | Step::CooledReading => Some(What::ProtectorCold),
            Step::HotReading => Some(What::ProtectorHot),
            _ => None,
        }
    }

    /// What a person can say now.
    pub(super) fn acts(&self) -> Vec<Act> {
        let own: &[Act] = match self.step {
            Step::Cautions => &[Act::Acknowledged],
            Step::ColdReading | Step::HotReading | Step::CooledReading => &[Act::Skip],
            Step::Heating | Step::TooLong | Step::Overshoot | Step::Cooling | Step::NotClosing => {
                &[Act::ByHand]
            }
            Step::Aborted => return vec![Act::Resume, Act::Done],
            Step::Finished => return Vec::new(),
            _ => &[],
        };
        let always = [Act::Abort, Act::Done];
        own.iter().copied().chain(always).collect()
    }

    /// Current flows where it should not.
    pub(super) fn is_out_of_turn(&self) -> bool {
        self.on().is_some() && !self.step.expects_current()
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
