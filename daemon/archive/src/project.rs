//! What the archive asks of the heart.

use nightclamp_analysis::DecodedLines;
use nightclamp_analysis::overview::OverviewRow;
use nightclamp_analysis::projection::Projection;
use nightclamp_analysis::rows::{CycleRow, EventRow, Sink};

/// A projection of raw logs to rows: the heart, as far as the archive needs to know it.
///
/// Kept apart from the heart's own type so that cutting, sealing and recovery are tested with rows made to order.
pub trait Project {
    /// Feeds whole lines of one stream's raw log, each ended by LF.
    fn feed(&mut self, stream: usize, raw: &[u8], sink: &mut impl Sink);
    /// The same with lines that were read ahead.
    fn feed_decoded(&mut self, stream: usize, lines: &DecodedLines, sink: &mut impl Sink) {
        self.feed(stream, lines.raw(), sink);
    }
    /// Feeds whole lines of a bare board dump that began at `began_us`, µs since the Unix epoch.
    fn feed_bare(&mut self, stream: usize, began_us: i64, lines: &[u8], sink: &mut impl Sink);
    /// The raw log of this stream before what is fed first was removed; where it ended the host's clock was this far ahead of
    /// record time, µs.
    fn resume(&mut self, stream: usize, stepped_us: i64);
    /// How far the host's clock is ahead of record time where this stream was fed last, µs.
    fn stepped_us(&self, stream: usize) -> i64;
    /// The earliest instant of a row that comes from this stream and may still be revised.
    fn unsettled_from(&self, _stream: usize) -> Option<i64> {
        let mut from: Option<i64> = None;
        self.open_rows(|_, events, cycles| {
            let times = events.iter().map(|row| row.time);
            let earliest = times.chain(cycles.iter().map(|row| row.on_at)).min();
            from = [from, earliest].into_iter().flatten().min();
        });
        from
    }
    /// The end of the record: what is still open becomes final.
    fn finish(&mut self, sink: &mut impl Sink);
    /// The rows that may still be revised, as they stand, unit by unit.
    fn open_rows(&self, each: impl FnMut(&str, &[EventRow], &[CycleRow]));
    /// The rows of overviews that have begun, as they stand, unit by unit.
    fn open_overviews(&self, _each: impl FnMut(&str, &OverviewRow)) {}
    /// What people should know of the streams before they trust the rows.
    fn problems(&self) -> Vec<String> {
        Vec::new()
    }
}

impl Project for Projection {
    fn feed(&mut self, stream: usize, raw: &[u8], sink: &mut impl Sink) {
        Self::feed(self, stream, raw, sink);
    }

    fn feed_decoded(&mut self, stream: usize, lines: &DecodedLines, sink: &mut impl Sink) {
        Self::feed_decoded(self, stream, lines, sink);
    }

    fn feed_bare(&mut self, stream: usize, began_us: i64, lines: &[u8], sink: &mut impl Sink) {
        Self::feed_bare(self, stream, began_us, lines, sink);
    }

    fn finish(&mut self, sink: &mut impl Sink) {
        Self::finish(self, sink);
    }

    fn open_rows(&self, each: impl FnMut(&str, &[EventRow], &[CycleRow])) {
        Self::open_rows(self, each);
    }

    fn resume(&mut self, stream: usize, stepped_us: i64) {
        Self::resume(self, stream, stepped_us);
    }

    fn stepped_us(&self, stream: usize) -> i64 {
        Self::stepped_us(self, stream)
    }

    fn unsettled_from(&self, stream: usize) -> Option<i64> {
        Self::unsettled_from(self, stream)
    }

    fn open_overviews(&self, each: impl FnMut(&str, &OverviewRow)) {
        Self::open_overviews(self, each);
    }

    fn problems(&self) -> Vec<String> {
        Self::problems(self)
    }
}
