//! The last quarter of an hour of one unit at full resolution, in bounded memory.

use std::collections::VecDeque;

use nightclamp_analysis::overview::{Bucket, Range};
use nightclamp_analysis::rows::RecordTime;

/// How far back the ring reaches, µs.
pub const RING_SPAN_US: i64 = 15 * 60 * 1_000_000;
/// Samples it holds at most: [`RING_SPAN_US`] at the shortest sample period, 20 ms.
pub const RING_SAMPLES_MAX: usize = 45_000;

#[derive(Debug, Clone, Copy)]
struct Stamp {
    /// Running number of the sample among all units' samples since the start.
    ordinal: u64,
    time_us: RecordTime,
}

/// Samples at full resolution, oldest first.
#[derive(Debug)]
pub struct Ring {
    channels: usize,
    stamps: VecDeque<Stamp>,
    /// `channels` values for each stamp.
    values: VecDeque<f64>,
}

/// Samples copied out of a ring.
#[derive(Debug, Default, PartialEq)]
pub struct Tail {
    /// Record times, µs.
    pub times_us: Vec<RecordTime>,
    /// A column of values per channel; NaN where there is none.
    pub columns: Vec<Vec<f64>>,
    /// There were more than the limit: the caller has to ask for the range instead.
    pub cut: bool,
}

impl Ring {
    /// An empty ring of `channels` channels.
    pub const fn new(channels: usize) -> Self {
        Self {
            channels,
            stamps: VecDeque::new(),
            values: VecDeque::new(),
        }
    }

    /// Takes one sample in and lets go of what is too old or too much.
    pub fn push(&mut self, ordinal: u64, time_us: RecordTime, values: impl Iterator<Item = f64>) {
        self.stamps.push_back(Stamp { ordinal, time_us });
        let padded = values.chain(std::iter::repeat(f64::NAN));
        self.values.extend(padded.take(self.channels));
        let oldest = time_us.saturating_sub(RING_SPAN_US);
        while self.stamps.len() > RING_SAMPLES_MAX
            || self
                .stamps
                .front()
                .is_some_and(|stamp| stamp.time_us < oldest)
        {
            self.stamps.pop_front();
            self.values.drain(..self.channels);
        }
    }

    /// Oldest sample held.
    pub fn oldest(&self) -> Option<RecordTime> {
        self.stamps.front().map(|stamp| stamp.time_us)
    }

    /// The samples with a running number above `ordinal`, the newest `limit` of them.
    pub fn since(&self, ordinal: u64, limit: usize) -> Tail {
        let begin = self
            .stamps
            .partition_point(|stamp| stamp.ordinal <= ordinal);
        let from = begin.max(self.stamps.len().saturating_sub(limit));
        let column = |channel| {
            (from..self.stamps.len())
                .map(|at| self.value(at, channel))
                .collect()
        };
        Tail {
            times_us: self
                .stamps
                .range(from..)
                .map(|stamp| stamp.time_us)
                .collect(),
            columns: (0..self.channels).map(column).collect(),
            cut: from > begin,
        }
    }

    /// The range `from_us..to_us` as buckets of equal width, at most about `max_points` of them.
    pub fn query(&self, from_us: RecordTime, to_us: RecordTime, max_points: usize) -> Vec<Bucket> {
        let points = i64::try_from(max_points.max(1)).unwrap_or(i64::MAX);
        let width_us = (to_us.saturating_sub(from_us) / points).max(1);
        self.buckets(from_us, to_us, width_us)
    }

    /// The range `from_us..to_us` as buckets of a width, in µs, at least 1.
    pub fn buckets(&self, from_us: RecordTime, to_us: RecordTime, width_us: i64) -> Vec<Bucket> {
        let begin = self.stamps.partition_point(|stamp| stamp.time_us < from_us);
        let end = self.stamps.partition_point(|stamp| stamp.time_us < to_us);
        let mut buckets: Vec<Bucket> = Vec::new();
        for at in begin..end.max(begin) {
            let time_us = self.stamps[at].time_us;
            let start_us = time_us.div_euclid(width_us).saturating_mul(width_us);
            if buckets
                .last()
                .is_none_or(|bucket| bucket.start_us != start_us)
            {
                buckets.push(Bucket {
                    start_us,
                    width_us,
                    first_us: time_us,
                    last_us: time_us,
                    count: 0,
                    ranges: vec![Range::EMPTY; self.channels],
                });
            }
            if let Some(bucket) = buckets.last_mut() {
                bucket.last_us = time_us;
                bucket.count += 1;
                for (channel, range) in bucket.ranges.iter_mut().enumerate() {
                    range.add(self.value(at, channel));
                }
            }
        }
        buckets
    }

    /// Mean of a channel over the samples from `from_us` to `to_us`, both counted; `None` without a value.
    pub fn mean(&self, channel: usize, from_us: RecordTime, to_us: RecordTime) -> Option<f64> {
        let begin = self.stamps.partition_point(|stamp| stamp.time_us < from_us);
        let end = self.stamps.partition_point(|stamp| stamp.time_us <= to_us);
        let values = (begin..end)
            .map(|at| self.value(at, channel))
            .filter(|value| value.is_finite());
        let (sum, count) =
            values.fold((0.0, 0_u32), |(sum, count), value| (sum + value, count + 1));
        (count > 0).then(|| sum / f64::from(count))
    }

    fn value(&self, at: usize, channel: usize) -> f64 {
        self.values
            .get(at * self.channels + channel)
            .copied()
            .unwrap_or(f64::NAN)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filled(samples: u64) -> Ring {
        let mut ring = Ring::new(1);
        for n in 0..samples {
            ring.push(n + 1, n as i64 * 20_000, std::iter::once(n as f64));
        }
        ring
    }

    #[test]
    fn holds_a_quarter_of_an_hour_at_50_hz_and_no_more() {
        let ring = filled(60_000);
        assert_eq!(ring.stamps.len(), RING_SAMPLES_MAX);
        assert_eq!(ring.values.len(), RING_SAMPLES_MAX);
        assert_eq!(ring.oldest(), Some(15_000 * 20_000));
    }

    #[test]
    fn a_reader_that_lags_gets_the_newest_and_is_told_that_some_are_missing() {
        let ring = filled(100);
        let tail = ring.since(90, 50);
        assert_eq!((tail.columns[0].len(), tail.cut), (10, false));
        let tail = ring.since(10, 50);
        assert_eq!(
            (tail.columns[0].clone(), tail.cut),
            ((50..100).map(f64::from).collect(), true)
        );
        assert_eq!(
            ring.since(100, 50),
            Tail {
                times_us: vec![],
                columns: vec![vec![]],
                cut: false
            }
        );
    }

    #[test]
    fn a_query_keeps_every_sample_of_the_range() {
        let buckets = filled(1_000).query(2_000_000, 10_000_000, 100);
        assert!(buckets.len() <= 101);
        assert_eq!(buckets.iter().map(|bucket| bucket.count).sum::<u64>(), 400);
        assert_eq!(buckets[0].ranges[0].low, 100.0);
        assert_eq!(buckets[buckets.len() - 1].ranges[0].high, 499.0);
    }

    #[test]
    fn values_that_are_missing_leave_no_mark() {
        let mut ring = Ring::new(2);
        ring.push(1, 0, [1.0].into_iter());
        ring.push(2, 1, [3.0, 7.0, 9.0].into_iter());
        assert_eq!(ring.mean(0, 0, 1), Some(2.0));
        assert_eq!(ring.mean(1, 0, 1), Some(7.0));
        assert_eq!(ring.mean(1, 0, 0), None);
    }
}
