//! Samples of one stretch, as few as a chart can show: in each slot of time the lowest and the highest of each channel.

use nightclamp_analysis::evidence::Span;

/// Slots of a chart: about one a third of a point on paper.
pub const SLOTS: usize = 1_400;
/// A silence longer than so many sample periods is drawn as one.
const SILENT_PERIODS: i64 = 4;

/// What is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trace {
    /// The lead's current, A.
    Current,
    /// The protector's case, Cel.
    Case,
    /// The room, Cel.
    Ambient,
    /// The compressor's shell, Cel.
    Dome,
    /// The cooled space, Cel.
    CooledSpace,
    /// The supply, V.
    Supply,
}

/// One slot of a channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slot {
    /// Its first sample.
    pub first_us: i64,
    /// Its last.
    pub last_us: i64,
    /// The lowest value.
    pub low: f64,
    /// The highest.
    pub high: f64,
    /// The value of the first and of the last sample.
    pub ends: (f64, f64),
}

/// Samples of one stretch.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    span: Span,
    slot_us: i64,
    /// From this silence on a line is broken, µs.
    pub silent_us: i64,
    /// A channel and its slots in order; those without a value are not there.
    pub traces: Vec<(Trace, Vec<Slot>)>,
}

impl Series {
    /// No samples yet; `period_us` is the nominal sample period.
    pub fn new(span: Span, traces: &[Trace], period_us: i64) -> Self {
        let length_us = span.until.saturating_sub(span.from).max(1);
        let slot_us = (length_us / SLOTS as i64).max(1);
        Self {
            span,
            slot_us,
            silent_us: SILENT_PERIODS.saturating_mul(period_us).max(2 * slot_us),
            traces: traces.iter().map(|&trace| (trace, Vec::new())).collect(),
        }
    }

    /// Takes a sample: a value a trace, NaN where there is none.
    pub fn push(&mut self, time_us: i64, values: impl Iterator<Item = f64>) {
        if time_us < self.span.from || time_us > self.span.until {
            return;
        }
        let index = |us: i64| us.saturating_sub(self.span.from).div_euclid(self.slot_us);
        let slot_of = index(time_us);
        for ((_, slots), value) in self.traces.iter_mut().zip(values) {
            if !value.is_finite() {
                continue;
            }
            match slots.last_mut() {
                Some(slot) if index(slot.first_us) == slot_of => {
                    slot.last_us = time_us;
                    slot.low = slot.low.min(value);
                    slot.high = slot.high.max(value);
                    slot.ends.1 = value;
                }
                _ => slots.push(Slot {
                    first_us: time_us,
                    last_us: time_us,
                    low: value,
                    high: value,
                    ends: (value, value),
                }),
            }
        }
    }

    /// The slots of a trace; none if it was not wired or has no value here.
    pub fn of(&self, trace: Trace) -> &[Slot] {
        let found = self.traces.iter().find(|(of, _)| *of == trace);
        found.map_or(&[], |(_, slots)| slots)
    }

    /// The lowest and the highest value of a trace.
    pub fn range(&self, trace: Trace) -> Option<(f64, f64)> {
        let slots = self.of(trace);
        slots.first()?;
        let low = slots
            .iter()
            .map(|slot| slot.low)
            .fold(f64::INFINITY, f64::min);
        let high = slots.iter().map(|slot| slot.high);
        Some((low, high.fold(f64::NEG_INFINITY, f64::max)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_of_one_sample_is_kept_and_a_missing_value_is_none() {
        let span = Span {
            from: 0,
            until: 36_000_000_000,
        };
        let mut series = Series::new(span, &[Trace::Current, Trace::Case], 100_000);
        for n in 0..360_000 {
            let spike = if n == 123_456 { 11.9 } else { 1.5 };
            series.push(n * 100_000, [spike, f64::NAN].into_iter());
        }
        assert_eq!(series.range(Trace::Current), Some((1.5, 11.9)));
        assert_eq!(series.range(Trace::Case), None);
        assert!(series.of(Trace::Current).len() <= SLOTS + 1);
    }
}
