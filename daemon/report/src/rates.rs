//! How fast the boards' clocks ran against the host's, overheard of the samples while the record is checked.

use nightclamp_analysis::rows::{RecordTime, SampleRow};
use nightclamp_protocol::BoardId;

use crate::material::ClockRate;

/// From this length on a rate is told: then the jitter of arrivals is a few millionths of it, s.
const TOLD_FROM_S: f64 = 600.0;
/// No crystal is further off; what is, has jumped, millionths.
const BELIEVED_PPM: f64 = 500.0;

/// The boards' clocks.
#[derive(Debug, Default)]
pub struct Rates(Vec<(BoardId, Clock)>);

/// A board's clock.
#[derive(Debug, Default, Clone, Copy)]
struct Clock {
    boot: u32,
    /// First and last sample of the boot: record time, µs, and the board's own, ms.
    first: (RecordTime, u64),
    last: (RecordTime, u64),
    /// Of the longest boot that is over.
    longest: Option<ClockRate>,
}

impl Rates {
    /// Takes a sample.
    pub fn sample(&mut self, board: BoardId, row: &SampleRow<'_>) {
        let now = (row.time, row.board_ms);
        match self.0.iter_mut().find(|(id, _)| *id == board) {
            Some((_, clock)) if clock.boot == row.boot => clock.last = now,
            Some((_, clock)) => {
                clock.longest = clock.longest();
                (clock.boot, clock.first, clock.last) = (row.boot, now, now);
            }
            None => self.0.push((
                board,
                Clock {
                    boot: row.boot,
                    first: now,
                    last: now,
                    longest: None,
                },
            )),
        }
    }

    /// The rate of a board's clock over its longest boot.
    pub fn of(&self, board: &str) -> Option<ClockRate> {
        let mut clocks = self.0.iter();
        clocks.find(|(id, _)| id.to_string() == board)?.1.longest()
    }
}

impl Clock {
    fn longest(&self) -> Option<ClockRate> {
        let this = self.rate();
        [self.longest, this]
            .into_iter()
            .flatten()
            .max_by(|a, b| a.over_s.total_cmp(&b.over_s))
    }

    fn rate(&self) -> Option<ClockRate> {
        let over_s = self.last.0.saturating_sub(self.first.0) as f64 / 1e6;
        let board_s = self.last.1.checked_sub(self.first.1)? as f64 / 1e3;
        let fast_ppm = (board_s / over_s - 1.0) * 1e6;
        (over_s >= TOLD_FROM_S && fast_ppm.abs() <= BELIEVED_PPM)
            .then_some(ClockRate { fast_ppm, over_s })
    }
}
