//! A clamp at the end of its range: the same highest reading again and again.

use super::{Doubt, Moment, Sensor, Word};
use crate::doubt::saturated;
use crate::rows::RecordTime;

/// So many samples one after the other at the highest reading of all, in so many on-periods, are the end of a range: a
/// current's own readings never repeat to the last digit.
const AT_TOP: (u32, u32) = (5, 3);
/// Only where the sample period resolves a start, s.
const SPAN_S_MAX: f64 = 0.2;

/// The highest reading, and how often it came.
#[derive(Debug, Default)]
pub struct Ceiling {
    top: i32,
    streak: u32,
    on_periods: u32,
    counted: Option<RecordTime>,
    told: bool,
    beyond: Beyond,
}

/// What the board itself called out of range.
#[derive(Debug, Default, Clone, Copy)]
struct Beyond {
    streak: u32,
    on_periods: u32,
    counted: Option<RecordTime>,
}

impl Ceiling {
    /// One sample of what the board sent, `amps` of current, in the on-period that began at `since`. Says once that the
    /// clamp is at the end of its range; what is above is not known, and peaks and squares are too small.
    #[inline]
    pub fn step(&mut self, raw: Option<i32>, moment: &Moment, since: RecordTime) -> Option<Doubt> {
        let (span_s, amps) = (moment.span_s, moment.amps);
        if moment.at_least {
            return self.beyond(since, amps);
        }
        self.beyond.streak = 0;
        let raw = raw?;
        if self.told || span_s > SPAN_S_MAX {
            return None;
        }
        if raw > self.top {
            *self = Self {
                top: raw,
                streak: 1,
                beyond: self.beyond,
                ..Self::default()
            };
            return None;
        }
        self.streak = if raw == self.top { self.streak + 1 } else { 0 };
        if self.streak >= AT_TOP.0 && self.counted != Some(since) {
            self.counted = Some(since);
            self.on_periods += 1;
        }
        if self.on_periods < AT_TOP.1 {
            return None;
        }
        Some(self.stood(since, amps))
    }

    /// It has stood at the top for long enough.
    #[cold]
    fn stood(&mut self, since: RecordTime, amps: f64) -> Doubt {
        let why = format!(
            "{} on-periods have stood at exactly {amps:.2} A, the highest reading there is; what is \
             above is not known, and peaks and I²t are too small",
            self.on_periods
        );
        self.tell(since, &why)
    }

    /// The board says that a sample is out of the clamp's range. Once could be a spike of the meter.
    #[cold]
    fn beyond(&mut self, since: RecordTime, amps: f64) -> Option<Doubt> {
        let beyond = &mut self.beyond;
        beyond.streak += 1;
        if beyond.counted.replace(since) != Some(since) {
            beyond.on_periods += 1;
        }
        if self.told || (beyond.streak < AT_TOP.0 && beyond.on_periods < AT_TOP.1) {
            return None;
        }
        let why = format!(
            "the board calls its readings out of range, above {amps:.2} A; how much flows then is not known, and peaks and \
             I²t are too small"
        );
        Some(self.tell(since, &why))
    }

    /// Said once, whatever showed it.
    fn tell(&mut self, since: RecordTime, why: &str) -> Doubt {
        self.told = true;
        Doubt {
            sensor: Sensor::Current,
            word: Word::Saturated,
            since,
            why: saturated(why),
        }
    }
}
