//! One instant of one unit, and the small running sums over them.

use std::collections::VecDeque;

use crate::rows::RecordTime;

/// What a unit's channels say at the end of one sample period. NaN where a channel is not wired or gave no reading.
#[derive(Debug, Clone, Copy)]
pub struct Moment {
    /// End of the sample period.
    pub time: RecordTime,
    /// Length of the sample period, s.
    pub span_s: f64,
    /// RMS current in the lead over the period, A.
    pub amps: f64,
    /// The clamp was at the end of its range: so much flowed at the least.
    pub at_least: bool,
    /// The clamp is believed.
    pub amps_believed: bool,
    /// Protector's case, Cel.
    pub case_c: f64,
    /// The bead on the case is believed.
    pub case_believed: bool,
    /// Supply, V.
    pub supply_v: f64,
    /// Demand contact: 1 closed, 0 open.
    pub demand: f64,
    /// Room air, Cel.
    pub ambient_c: f64,
    /// RMS current in the start lead over the period, A.
    pub start_lead_a: f64,
}

impl Moment {
    /// Protector's case where it is believed, Cel; else NaN.
    pub fn believed_case_c(&self) -> f64 {
        if self.case_believed {
            self.case_c
        } else {
            f64::NAN
        }
    }

    /// Time since an earlier instant, s.
    pub fn since_s(&self, earlier: RecordTime) -> f64 {
        seconds(self.time - earlier)
    }
}

/// A difference of instants in seconds.
pub fn seconds(us: i64) -> f64 {
    us as f64 / 1e6
}

/// A duration in microseconds.
pub fn micros(s: f64) -> i64 {
    (s * 1e6).round() as i64
}

/// `None` for NaN and infinities.
pub fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// Square mean of RMS values weighted by time: `sqrt(sum I²dt / sum dt)`.
#[derive(Debug, Clone, Copy, Default)]
pub struct SquareMean {
    square_a2s: f64,
    time_s: f64,
}

impl SquareMean {
    /// Adds `amps` over `span_s`.
    pub fn add(&mut self, amps: f64, span_s: f64) {
        self.square_a2s += amps * amps * span_s;
        self.time_s += span_s;
    }

    /// Adds everything that went into another.
    pub fn merge(&mut self, other: &Self) {
        self.square_a2s += other.square_a2s;
        self.time_s += other.time_s;
    }

    /// The mean, A; `None` without anything.
    pub fn amps(&self) -> Option<f64> {
        (self.time_s > 0.0).then(|| (self.square_a2s / self.time_s).sqrt())
    }

    /// How much time went into it, s.
    pub fn time_s(&self) -> f64 {
        self.time_s
    }
}

/// The last second of an on-period, and at least the last two samples.
#[derive(Debug, Clone, Default)]
pub struct Tail {
    moments: VecDeque<Moment>,
}

/// The contract's `end_a` is over this long, s; the rest is room for a sample that turns out to be partial.
const TAIL_S: f64 = 1.0;

impl Tail {
    /// Appends a sample.
    pub fn push(&mut self, moment: Moment) {
        self.moments.push_back(moment);
        while self.moments.len() > 3 {
            let Some(second) = self.moments.get(1) else {
                break;
            };
            if moment.since_s(second.time) < TAIL_S + moment.span_s {
                break;
            }
            self.moments.pop_front();
        }
    }

    /// The last sample but `back`.
    pub fn last(&self, back: usize) -> Option<&Moment> {
        self.moments.iter().rev().nth(back)
    }

    /// Forgets the last sample.
    pub fn drop_last(&mut self) {
        self.moments.pop_back();
    }

    /// Square mean of the last second; of the last sample where the period is longer.
    pub fn end_a(&self) -> Option<f64> {
        let last = self.moments.back()?;
        let mut mean = SquareMean::default();
        for moment in self.moments.iter().rev() {
            if mean.time_s() > 0.0 && last.since_s(moment.time) > TAIL_S - 0.5 * moment.span_s {
                break;
            }
            mean.add(moment.amps, moment.span_s);
        }
        mean.amps()
    }

    /// The lowest reading of the last second, A.
    pub fn low_a(&self) -> Option<f64> {
        self.moments.iter().map(|m| m.amps).reduce(f64::min)
    }
}

/// The median of a few readings that lie half a second or more apart: a spike of the meter does not move it.
#[derive(Debug, Clone, Default)]
pub struct Steady {
    /// The newest readings in a ring.
    readings: [f64; STEADY_READINGS],
    /// The same in order of size.
    sorted: [f64; STEADY_READINGS],
    taken: usize,
    newest: Option<RecordTime>,
    amps: Option<f64>,
}

/// So many readings go into the median: spikes of three of them pass.
const STEADY_READINGS: usize = 7;
/// And lie at least this far apart, s.
const STEADY_APART_S: f64 = 0.5;

impl Steady {
    /// Appends a sample, if it is far enough from the last that was taken.
    #[inline]
    pub fn push(&mut self, moment: &Moment) {
        let is_near = |newest: RecordTime| moment.since_s(newest) < STEADY_APART_S;
        if self.newest.is_some_and(is_near) {
            return;
        }
        self.newest = Some(moment.time);
        let oldest = &mut self.readings[self.taken % STEADY_READINGS];
        let before = core::mem::replace(oldest, moment.amps);
        let filled = self.taken.min(STEADY_READINGS);
        self.taken += 1;
        if filled < STEADY_READINGS {
            put_in_order(&mut self.sorted[..=filled], filled, moment.amps);
            self.amps = Some(self.sorted[filled.div_ceil(2)]);
        } else {
            let place = self.sorted.iter().position(|amps| *amps == before);
            put_in_order(&mut self.sorted, place.unwrap_or(0), moment.amps);
            self.amps = Some(self.sorted[STEADY_READINGS / 2]);
        }
    }

    /// The median, A.
    pub fn amps(&self) -> Option<f64> {
        self.amps
    }
}

/// Puts a reading in the place of one of those that are in order, and brings it where it belongs.
fn put_in_order(sorted: &mut [f64], mut place: usize, amps: f64) {
    sorted[place] = amps;
    while place > 0 && sorted[place - 1] > amps {
        sorted.swap(place - 1, place);
        place -= 1;
    }
    while place + 1 < sorted.len() && sorted[place + 1] < amps {
        sorted.swap(place, place + 1);
        place += 1;
    }
}

/// The median of some readings, the upper one of two.
pub fn median(readings: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sorted: Vec<f64> = readings.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied()
}

/// Share of a sample period during which the current of `full` flowed, from square means: RMS² over the period is
/// that share of the full square. Everything is taken above the floor.
pub fn share_on(partial_a: f64, full_a: f64, floor_a: f64) -> f64 {
    let square = |amps: f64| (amps * amps - floor_a * floor_a).max(0.0);
    let full = square(full_a);
    if full > 0.0 {
        (square(partial_a) / full).clamp(0.0, 1.0)
    } else {
        0.5
    }
}

/// A reading without the clamp's floor: what the clamp shows with no current adds as a square, like noise.
pub fn above_floor(amps: f64, floor_a: f64) -> f64 {
    larger(amps * amps - floor_a * floor_a, 0.0).sqrt()
}

/// The larger of two numbers, neither of them NaN: for what is done at every sample, where [`f64::max`] costs more
/// for the sake of NaN.
pub fn larger(a: f64, b: f64) -> f64 {
    if a > b { a } else { b }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_current_is_the_square_mean() {
        // {3, 4} A for equal times: sqrt(12.5); {5, 5, 30}: sqrt(950/3). Computed from the formula.
        let mean = |values: &[f64]| {
            let mut mean = SquareMean::default();
            values.iter().for_each(|&a| mean.add(a, 0.1));
            mean.amps().unwrap_or(f64::NAN)
        };
        assert!((mean(&[3.0, 4.0]) - 3.535_534).abs() < 1e-6);
        assert!((mean(&[5.0, 5.0, 30.0]) - 17.795_130).abs() < 1e-6);
        assert_eq!(SquareMean::default().amps(), None);
    }

    #[test]
    fn half_a_period_of_current_reads_as_its_root_half() {
        assert!((share_on(10.0 / 2f64.sqrt(), 10.0, 0.0) - 0.5).abs() < 1e-12);
        assert_eq!(share_on(12.0, 10.0, 0.1), 1.0);
        assert_eq!(share_on(0.05, 10.0, 0.1), 0.0);
    }
}
