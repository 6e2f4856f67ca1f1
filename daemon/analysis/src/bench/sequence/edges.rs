//! Current begins and ends, and what that means in each step.

use super::{COLD_WITHIN_C, RUNS_MAX, Sequence, Step};
use crate::bench::repeat::{Ended, Repeat};
use crate::bench::watch::{Instant, Sample};
use crate::rows::RecordTime;

/// No current for this long, and the disc is as warm as its case, s (as for runs of a night, [`crate::protector::Run`]).
const SETTLED_S: f64 = 600.0;
/// A person's word about an end of the current holds for this long, before or after it, s.
const BY_HAND_S: f64 = 30.0;

impl Sequence {
    /// Current has begun.
    pub(super) fn begun(&mut self, at: Option<Instant>, sample: &Sample) {
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
    pub(super) fn reclosed(&mut self, at: RecordTime) {
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
    pub(super) fn ended(&mut self, at: Instant) {
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

    pub(super) fn by_hand_near(&self, at: RecordTime) -> bool {
        self.by_hand
            .is_some_and(|said| (at - said).abs() as f64 <= BY_HAND_S * 1e6)
    }

    /// A run of which it does not matter who ended it.
    pub(super) fn left(&mut self) {
        if let Some(run) = self.runs.last_mut() {
            run.ended = Ended::NotAsked;
        }
    }

    pub(super) fn opened(&mut self, at: RecordTime) {
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
    pub(super) fn was_by_hand(&mut self, at: RecordTime) {
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
    pub(super) fn switched_off(&mut self, at: RecordTime) {
        if self.openings < self.plan.repeats {
            self.go(Step::Resting, at);
        } else {
            self.wind_up(at);
        }
    }

    /// The readings after the last opening, as far as they are asked for.
    pub(super) fn wind_up(&mut self, at: RecordTime) {
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
    pub(in crate::bench) fn is_open(&self) -> bool {
        self.run()
            .is_some_and(|run| matches!(run.ended, Ended::Opened { .. }) && run.reset.is_none())
    }
}
