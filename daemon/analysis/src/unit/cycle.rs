//! An on-period that has ended, while what comes after may still decide what ended it.

use super::level::Learned;
use super::moment::{Moment, seconds};
use super::verdict::{Ending, Word};
use crate::rows::{EventKind, EventRow, RecordTime};

/// An off-period after a cycle whose end was seen.
#[derive(Debug, Clone)]
pub(super) struct Off {
    pub(super) ending: Ending,
    pub(super) off_at: RecordTime,
    pub(super) disc_c: Option<f64>,
    /// Until when demand is asked whether it went with the current.
    pub(super) asked_until: RecordTime,
    /// Until when a demand that is open may have gone with the current, or after it.
    pub(super) unsure_until: RecordTime,
    /// The same for the supply, whose RMS shows a failure only in the first whole period without it.
    pub(super) supply_asked_until: RecordTime,
    pub(super) case_max_c: Option<f64>,
    /// Demand and supply have been read, and held, at every sample.
    pub(super) held: bool,
    /// The off-time contains a gap of unknown length.
    pub(super) length_unknown: bool,
    /// The longest gap in it, s.
    pub(super) gap_s: f64,
}

/// An off-period that has ended too; its cycle waits for the next on-period to settle.
#[derive(Debug, Clone)]
pub(super) struct Closed {
    pub(super) off: Off,
    pub(super) next_on_at: RecordTime,
    pub(super) next_seen: bool,
    pub(super) case_next_c: Option<f64>,
}

impl Off {
    /// Asks demand and supply whether they went with the current, or hold.
    pub(super) fn ask(&mut self, moment: &Moment, learned: &Learned) {
        let in_time = moment.time <= self.asked_until;
        let lost = learned.is_supply_lost(moment.supply_v);
        if in_time && self.ending.demand == Word::Held && moment.demand == 0.0 {
            self.ending.demand = Word::Gone;
        }
        let unsure = !in_time && moment.time <= self.unsure_until;
        if unsure && self.ending.demand == Word::Held && moment.demand == 0.0 {
            self.ending.demand = Word::Unsure;
        }
        if moment.time <= self.supply_asked_until
            && self.ending.supply == Word::Held
            && moment.supply_v.is_finite()
            && lost
        {
            self.ending.supply = Word::Gone;
        }
        let demand_held = moment.demand == 1.0;
        let supply_held = moment.supply_v.is_finite() && !lost;
        self.held &= demand_held && supply_held;
    }

    pub(super) fn held_exactly(&self) -> bool {
        self.held && self.ending.demand == Word::Held && self.ending.supply == Word::Held
    }
}

impl Closed {
    pub(super) fn off_s(&self) -> Option<f64> {
        (self.next_seen && !self.off.length_unknown)
            .then(|| seconds(self.next_on_at - self.off.off_at))
    }

    pub(super) fn reset_event(&self) -> EventRow {
        let off_s = self.off_s();
        let detail = match (off_s, self.off.held_exactly() && self.next_seen) {
            (Some(off_s), true) => {
                format!("reclosed {off_s:.0} s after opening: demand and supply held")
            }
            (Some(off_s), false) => {
                format!("current is back {off_s:.0} s after opening: reclosed by now")
            }
            (None, _) => "current is back: reclosed by now".to_owned(),
        };
        EventRow {
            time: self.next_on_at,
            kind: EventKind::Reset,
            cause: None,
            current_a: None,
            case_c: self.case_next_c,
            detail,
        }
    }
}
