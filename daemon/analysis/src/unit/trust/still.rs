//! A reading that never moves.

use super::lasted;
use crate::rows::RecordTime;

/// A case that has not moved by the last digit for this long after the current came or went is frozen, s.
const AFTER_EDGE_S: f64 = 600.0;
/// Half of that will do when the current has come and gone.
const EDGES: (u32, f64) = (2, 0.5);
/// Or for this long at all, s, where so many changes would have been expected.
const AT_ALL_S: f64 = 1800.0;
/// See [`AT_ALL_S`].
const CHANGES_EXPECTED: f64 = 200.0;
/// And only where a change is by so many digits on average, each counted as no more than that: a quiet reading can stand still
/// in the middle of a digit.
const CHANGES_BY: (f64, f64) = (2.0, 5.0);
/// The share of samples that bring a change is learned from so many at the least, and forgets with as many.
const LEARNED_SAMPLES: (f64, f64) = (600.0, 100_000.0);

/// How long a reading has been the same, and how often it usually changes.
#[derive(Debug, Clone, Default)]
pub struct Still {
    raw: Option<i32>,
    since: RecordTime,
    samples: f64,
    /// The first time that current came or went since.
    edge_at: Option<RecordTime>,
    edges: u32,
    was_flowing: bool,
    /// Samples and changes so far.
    seen: (f64, f64),
    /// By how many digits it has changed, in all.
    moved: f64,
}

impl Still {
    /// One sample of what the board sent.
    #[inline]
    pub fn step(&mut self, raw: Option<i32>, at: RecordTime, flowing: bool) {
        let edge = core::mem::replace(&mut self.was_flowing, flowing) != flowing;
        if raw.is_some() && raw == self.raw {
            self.samples += 1.0;
            if edge {
                self.edge_at.get_or_insert(at);
                self.edges += 1;
            }
            return;
        }
        self.seen.0 += self.samples + 1.0;
        self.seen.1 += 1.0;
        let by = raw
            .zip(self.raw)
            .map_or(0.0, |(now, before)| f64::from(now.abs_diff(before)));
        self.moved += by.min(CHANGES_BY.1);
        if self.seen.0 > LEARNED_SAMPLES.1 {
            self.seen = (self.seen.0 / 2.0, self.seen.1 / 2.0);
            self.moved /= 2.0;
        }
        self.raw = raw;
        self.since = at;
        self.samples = 0.0;
        self.edge_at = None;
        self.edges = 0;
    }

    /// Since when it has been frozen, if it is.
    pub fn frozen_since(&self, at: RecordTime) -> Option<RecordTime> {
        self.raw?;
        let share = if self.edges >= EDGES.0 { EDGES.1 } else { 1.0 };
        let after_s = share * AFTER_EDGE_S;
        let through_edge = self.edge_at.is_some_and(|edge| lasted(edge, at, after_s));
        let moves = self.seen.1 / self.seen.0.max(LEARNED_SAMPLES.0);
        let is_lively = self.moved >= CHANGES_BY.0 * self.seen.1;
        let too_long = is_lively
            && lasted(self.since, at, AT_ALL_S)
            && self.samples * moves >= CHANGES_EXPECTED;
        (through_edge || too_long).then_some(self.since)
    }

    /// The reading is not stuck now.
    pub fn has_moved(&self) -> bool {
        self.samples < 50.0 && self.seen.1 > 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A current that moves by so many digits, once a second for ten minutes, and then stands still for an hour.
    fn frozen_after(digits: i32) -> bool {
        let mut still = Still::default();
        for second in 0..4200_i32 {
            let moves = if second < 600 {
                digits * (second % 3)
            } else {
                0
            };
            still.step(Some(150 + moves), i64::from(second) * 1_000_000, true);
        }
        still.frozen_since(4200 * 1_000_000).is_some()
    }

    #[test]
    fn a_quiet_reading_may_stand_still_in_the_middle_of_a_digit_and_a_lively_one_may_not() {
        assert_eq!((frozen_after(1), frozen_after(3)), (false, true));
    }
}
