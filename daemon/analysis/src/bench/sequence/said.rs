//! What a person says: acts, and readings by hand.

use super::{Sequence, Step};
use crate::bench::note::Act;
use crate::bench::repeat::Ended;
use crate::reading::What;
use crate::rows::RecordTime;

impl Sequence {
    /// A person has done something. Returns whether it meant anything in this step.
    pub(in crate::bench) fn act(&mut self, act: Act, by: &str, at: RecordTime) -> bool {
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
    pub(in crate::bench) fn read(&mut self, what: Option<What>, at: RecordTime) -> bool {
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

    /// What a person can say now.
    pub(in crate::bench) fn acts(&self) -> Vec<Act> {
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
    pub(in crate::bench) fn is_out_of_turn(&self) -> bool {
        self.on().is_some() && !self.step.expects_current()
    }

    /// What is asked for by hand now.
    pub(in crate::bench) const fn asks(&self) -> Option<What> {
        match self.step {
            Step::ColdReading | Step::CooledReading => Some(What::ProtectorCold),
            Step::HotReading => Some(What::ProtectorHot),
            _ => None,
        }
    }
}
