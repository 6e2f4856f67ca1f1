//! The sensors at rest, before anything is switched on.

use super::{COLD_WITHIN_C, Sequence, Step};
use crate::bench::watch::Sample;
use crate::rows::RecordTime;

/// The sensors at rest are looked at for so long, s.
pub(super) const REST_S: f64 = 10.0;
/// A case that changes by more than this meanwhile does not rest, K.
const REST_CHANGE_C: f64 = 1.0;
/// And a case that is plausible at all, Cel.
const CASE_RANGE_C: (f64, f64) = (-30.0, 150.0);

/// The sensors at rest.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rest {
    since: RecordTime,
    case_c: (f64, f64),
}

impl Sequence {
    pub(super) fn look_at_rest(&mut self, sample: &Sample) {
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
}
