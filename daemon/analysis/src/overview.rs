//! A long series in bounded memory: lowest and highest reading of each channel per bucket of time.
//!
//! A chart of months has a thousand pixels. What it must not lose is the spike of one sample, and what it must not do is
//! draw a line across a silence. So each bucket keeps, per channel, the lowest and the highest value and, once for all
//! channels, when its first and its last sample were. Buckets without a sample do not exist: a gap stays a gap.
//!
//! Buckets begin at 1 s. When there are more than [`BUCKETS_MAX`], the width doubles and neighbours are merged, so memory
//! stays bounded however long the record grows (18 h at 1 s, three days at 4 s, three months at 128 s without a break).
//! Pushing costs a comparison per channel; the merging is spread over the pushes that led to it.

mod history;
mod row;

pub use history::History;
pub(crate) use row::kept_disc_c;
pub use row::{DiscTrace, Gather, LINES, Line, Look, OverviewRow, ROW_US};

use crate::rows::RecordTime;

/// Width of a bucket to begin with, µs.
pub const BUCKET_BASE_US: i64 = 1_000_000;
/// Buckets kept before their width doubles.
pub const BUCKETS_MAX: usize = 65_536;

/// Lowest and highest value of one channel in a bucket; both NaN if it had no value there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    /// Lowest value, in the channel's unit.
    pub low: f64,
    /// Highest value, in the channel's unit.
    pub high: f64,
}

impl Range {
    /// No value yet.
    pub const EMPTY: Self = Self {
        low: f64::NAN,
        high: f64::NAN,
    };

    /// Whether there is no value.
    pub const fn is_empty(&self) -> bool {
        self.low.is_nan()
    }

    /// Takes a value in; NaN changes nothing.
    pub const fn add(&mut self, value: f64) {
        if value.is_nan() {
            return;
        }
        // The first value is both.
        if value < self.low || self.low.is_nan() {
            self.low = value;
        }
        if value > self.high || self.high.is_nan() {
            self.high = value;
        }
    }

    /// Takes another range in.
    pub const fn merge(&mut self, other: Self) {
        self.add(other.low);
        self.add(other.high);
    }
}

/// What a query returns for each stretch of time that has samples.
#[derive(Debug, Clone, PartialEq)]
pub struct Bucket {
    /// Where the bucket begins; it is a multiple of its width.
    pub start_us: RecordTime,
    /// Its width, µs.
    pub width_us: i64,
    /// Its first sample.
    pub first_us: RecordTime,
    /// Its last sample.
    pub last_us: RecordTime,
    /// How many samples it holds.
    pub count: u64,
    /// The range of each channel, in the order of [`Overview::push`].
    pub ranges: Vec<Range>,
}

#[derive(Debug, Clone, Copy)]
struct Head {
    /// Number of the bucket: start divided by width.
    index: i64,
    first_us: RecordTime,
    last_us: RecordTime,
    count: u64,
}

impl Head {
    const fn merge(&mut self, later: Self) {
        self.last_us = later.last_us;
        self.count = self.count.saturating_add(later.count);
    }
}

/// Lowest and highest value per bucket of time, for all channels of one unit.
#[derive(Debug, Clone)]
pub struct Overview {
    channels: usize,
    width_us: i64,
    buckets_max: usize,
    heads: Vec<Head>,
    /// `channels` ranges for each head.
    ranges: Vec<Range>,
}

impl Overview {
    /// An empty overview of `channels` channels, with [`BUCKET_BASE_US`] and [`BUCKETS_MAX`].
    pub const fn new(channels: usize) -> Self {
        Self::with_limits(channels, BUCKET_BASE_US, BUCKETS_MAX)
    }

    /// The same with other limits, so that a test reaches them: width to begin with in µs (at least 1) and the number of
    /// buckets (at least 8).
    pub const fn with_limits(channels: usize, base_us: i64, buckets_max: usize) -> Self {
        let width_us = if base_us < 1 { 1 } else { base_us };
        let buckets_max = if buckets_max < 8 { 8 } else { buckets_max };
        Self {
            channels,
            width_us,
            buckets_max,
            heads: Vec::new(),
            ranges: Vec::new(),
        }
    }

    /// Takes one sample in: a value per channel, NaN where there is none. Missing values count as NaN, superfluous ones
    /// are ignored. Record time never goes back; a sample that claims to be older than the newest is kept with the newest
    /// bucket rather than lost.
    pub fn push(&mut self, time_us: RecordTime, values: &[f64]) {
        let time_us = self
            .heads
            .last()
            .map_or(time_us, |head| time_us.max(head.last_us));
        let index = time_us.div_euclid(self.width_us);
        match self.heads.last_mut() {
            Some(head) if head.index == index => {
                head.last_us = time_us;
                head.count = head.count.saturating_add(1);
            }
            _ => self.begin(index, time_us),
        }
        let tail = self.ranges.len().saturating_sub(self.channels);
        for (range, value) in self.ranges[tail..].iter_mut().zip(values) {
            range.add(*value);
        }
    }

    /// Width of a bucket now, µs.
    pub const fn width_us(&self) -> i64 {
        self.width_us
    }

    /// Number of buckets kept.
    pub const fn len(&self) -> usize {
        self.heads.len()
    }

    /// Whether no sample was pushed yet.
    pub const fn is_empty(&self) -> bool {
        self.heads.is_empty()
    }

    /// First and last sample.
    pub fn span(&self) -> Option<(RecordTime, RecordTime)> {
        Some((self.heads.first()?.first_us, self.heads.last()?.last_us))
    }

    /// The buckets that overlap `from_us..to_us`, merged by a power of two so that there are no more than `max_points` (at
    /// least 1). Their edges are multiples of the merged width, so the first and the last may reach beyond the range.
    pub fn query(&self, from_us: RecordTime, to_us: RecordTime, max_points: usize) -> Vec<Bucket> {
        if from_us >= to_us {
            return Vec::new();
        }
        let first = from_us.div_euclid(self.width_us);
        let last = (to_us - 1).div_euclid(self.width_us);
        let begin = self.heads.partition_point(|head| head.index < first);
        let end = self.heads.partition_point(|head| head.index <= last);
        let (Some(head), Some(tail)) = (
            self.heads[begin..end].first(),
            self.heads[begin..end].last(),
        ) else {
            return Vec::new();
        };
        let shift = merge_shift(head.index, tail.index, max_points);
        self.merged(begin, end, shift)
    }

    fn merged(&self, begin: usize, end: usize, shift: u32) -> Vec<Bucket> {
        let width_us = self.width_us.saturating_mul(1 << shift);
        let mut buckets: Vec<Bucket> = Vec::new();
        let mut open = None;
        for at in begin..end {
            let head = self.heads[at];
            let ranges = &self.ranges[at * self.channels..(at + 1) * self.channels];
            let index = head.index >> shift;
            match buckets.last_mut() {
                Some(bucket) if open == Some(index) => {
                    bucket.last_us = head.last_us;
                    bucket.count = bucket.count.saturating_add(head.count);
                    for (into, from) in bucket.ranges.iter_mut().zip(ranges) {
                        into.merge(*from);
                    }
                }
                _ => buckets.push(Bucket {
                    start_us: index.saturating_mul(width_us),
                    width_us,
                    first_us: head.first_us,
                    last_us: head.last_us,
                    count: head.count,
                    ranges: ranges.to_vec(),
                }),
            }
            open = Some(index);
        }
        buckets
    }

    fn begin(&mut self, index: i64, time_us: RecordTime) {
        self.heads.push(Head {
            index,
            first_us: time_us,
            last_us: time_us,
            count: 1,
        });
        self.ranges
            .resize(self.ranges.len() + self.channels, Range::EMPTY);
        // A record with long silences may need more than one doubling before any neighbours meet. It ends at the latest
        // when all instants that µs in an i64 can name are in fewer than 8 buckets.
        while self.heads.len() > self.buckets_max && self.double() {}
    }

    /// Doubles the width and merges in place the buckets that now share a number. False when it cannot grow any more.
    fn double(&mut self) -> bool {
        let Some(width_us) = self.width_us.checked_mul(2) else {
            return false;
        };
        self.width_us = width_us;
        let channels = self.channels;
        let mut kept = 0;
        for at in 0..self.heads.len() {
            let head = Head {
                index: self.heads[at].index.div_euclid(2),
                ..self.heads[at]
            };
            if kept > 0 && self.heads[kept - 1].index == head.index {
                self.heads[kept - 1].merge(head);
                for channel in 0..channels {
                    let range = self.ranges[at * channels + channel];
                    self.ranges[(kept - 1) * channels + channel].merge(range);
                }
            } else {
                self.heads[kept] = head;
                self.ranges
                    .copy_within(at * channels..(at + 1) * channels, kept * channels);
                kept += 1;
            }
        }
        self.heads.truncate(kept);
        self.ranges.truncate(kept * channels);
        true
    }
}

/// The smallest power of two, as a shift, by which the numbers `first..=last` have to be divided to give no more than
/// `max_points` different ones.
fn merge_shift(first: i64, last: i64, max_points: usize) -> u32 {
    let points = i64::try_from(max_points.max(1)).unwrap_or(i64::MAX);
    // By 62 at most two numbers are left (-1 and 0), and a sample before 1970 shares no bucket with one after it.
    (0..62)
        .find(|shift| (last >> shift).saturating_sub(first >> shift) < points)
        .unwrap_or(62)
}

#[cfg(test)]
mod tests {
    //! Facts a chart relies on, against the pushed samples themselves.
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use super::*;
    use proptest::prelude::*;

    const CHANNELS: usize = 3;
    const BASE_US: i64 = 1_000;
    const BUCKETS: usize = 16;

    type Sample = (i64, [f64; CHANNELS]);

    fn value() -> impl Strategy<Value = f64> {
        prop_oneof![8 => -50.0..150.0, 1 => Just(f64::NAN), 1 => Just(12.4)]
    }

    /// Samples in order, with short steps and now and then a long silence.
    fn night() -> impl Strategy<Value = Vec<Sample>> {
        let step = prop_oneof![20 => 1..700_i64, 1 => 10_000..400_000_i64];
        let sample = (step, [value(), value(), value()]);
        (-100_000..100_000_i64, prop::collection::vec(sample, 1..400)).prop_map(|(began, steps)| {
            let mut time = began;
            let next = |(step, values)| {
                time += step;
                (time, values)
            };
            steps.into_iter().map(next).collect()
        })
    }

    fn overview(samples: &[Sample]) -> Overview {
        let mut overview = Overview::with_limits(CHANNELS, BASE_US, BUCKETS);
        samples
            .iter()
            .for_each(|(time, values)| overview.push(*time, values));
        overview
    }

    fn range_of<'a>(samples: impl Iterator<Item = &'a Sample>, channel: usize) -> Range {
        let mut range = Range::EMPTY;
        samples.for_each(|(_, values)| range.add(values[channel]));
        range
    }

    fn same(a: Range, b: Range) -> bool {
        (a.is_empty() && b.is_empty()) || a == b
    }

    proptest! {
        #[test]
        fn every_bucket_is_the_range_of_the_samples_it_covers(
            samples in night(), a in 0..400_usize, b in 0..400_usize, points in 0..40_usize,
        ) {
            let (a, b) = (a.min(samples.len() - 1), b.min(samples.len() - 1));
            let (from, to) = (samples[a.min(b)].0, samples[a.max(b)].0 + 1);
            let buckets = overview(&samples).query(from, to, points);
            prop_assert!(buckets.len() <= points.max(1) + 1);
            for bucket in &buckets {
                let end = bucket.start_us + bucket.width_us;
                let covered = || samples.iter().filter(|s| (bucket.first_us..=bucket.last_us).contains(&s.0));
                prop_assert!(bucket.start_us <= bucket.first_us && bucket.last_us < end);
                prop_assert_eq!(covered().count() as u64, bucket.count);
                for channel in 0..CHANNELS {
                    prop_assert!(same(bucket.ranges[channel], range_of(covered(), channel)));
                }
            }
        }

        #[test]
        fn no_sample_of_the_range_is_missing_and_nothing_is_invented(
            samples in night(), a in 0..400_usize, b in 0..400_usize, points in 1..40_usize,
        ) {
            let (a, b) = (a.min(samples.len() - 1), b.min(samples.len() - 1));
            let (from, to) = (samples[a.min(b)].0, samples[a.max(b)].0 + 1);
            let buckets = overview(&samples).query(from, to, points);
            for sample in samples.iter().filter(|s| (from..to).contains(&s.0)) {
                let holds = |b: &&Bucket| (b.first_us..=b.last_us).contains(&sample.0);
                prop_assert_eq!(buckets.iter().filter(holds).count(), 1);
            }
            for bucket in &buckets {
                prop_assert!(samples.iter().any(|s| s.0 == bucket.first_us));
                prop_assert!(samples.iter().any(|s| s.0 == bucket.last_us));
            }
        }

        #[test]
        fn memory_is_bounded_whatever_the_times(times in prop::collection::vec(any::<i64>(), 1..200)) {
            let mut sorted = times;
            sorted.sort_unstable();
            let mut overview = Overview::with_limits(1, 1, 8);
            for time in &sorted {
                overview.push(*time, &[1.0]);
                prop_assert!(overview.len() <= 8);
            }
            let total: u64 = overview.query(i64::MIN, i64::MAX, 100).iter().map(|b| b.count).sum();
            let asked = sorted.iter().filter(|time| **time < i64::MAX).count() as u64;
            prop_assert!(total >= asked);
        }
    }

    #[test]
    fn a_spike_of_one_sample_in_a_month_is_still_there() {
        let mut overview = Overview::new(1);
        let month_s = 30 * 86_400;
        for second in 0..month_s {
            overview.push(
                second * 1_000_000,
                &[if second == 1_234_567 { 12.4 } else { 1.9 }],
            );
        }
        assert!(overview.len() <= BUCKETS_MAX);
        let year = overview.query(0, month_s * 1_000_000, 500);
        assert!(year.len() <= 500);
        assert_eq!(
            year.iter()
                .filter(|bucket| bucket.ranges[0].high == 12.4)
                .count(),
            1
        );
        assert!(year.iter().all(|bucket| bucket.ranges[0].low == 1.9));
    }

    #[test]
    fn a_silence_has_no_buckets() {
        let mut overview = Overview::new(1);
        (0..60).for_each(|s| overview.push(s * 1_000_000, &[1.0]));
        (3_600..3_660).for_each(|s| overview.push(s * 1_000_000, &[1.0]));
        let buckets = overview.query(0, 4_000_000_000, 4_000);
        assert_eq!(buckets.len(), 120);
        assert!(
            buckets
                .iter()
                .all(|b| b.last_us < 60_000_000 || b.first_us >= 3_600_000_000)
        );
        assert!(overview.query(60_000_000, 3_600_000_000, 100).is_empty());
    }

    #[test]
    fn a_sample_that_claims_to_be_older_is_kept() {
        let mut overview = Overview::new(1);
        overview.push(10_000_000, &[1.0]);
        overview.push(3_000_000, &[12.4]);
        assert_eq!(overview.query(0, 20_000_000, 10)[0].ranges[0].high, 12.4);
        assert_eq!(overview.span(), Some((10_000_000, 10_000_000)));
    }
}
