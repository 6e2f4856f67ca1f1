//! What is missing between two samples of a board: why, how long, how many.
//!
//! A board counts its sample periods in `SEQ`, also those that it could not send. Within a boot the number of samples that
//! are missing between two is therefore exact: the counter gives it modulo 65,536, the board's milliseconds say how often it
//! has wrapped. So of each boot
//!
//! ```text
//! last SEQ kept - first SEQ kept + 1  =  samples kept + samples lost
//! ```
//!
//! where the second term is the sum over the `gap-end` and `loss` events of the boot. Across a boot the counter begins
//! anew: what is lost of the new one is exact, what is lost of the one before is only bounded by the time that passed.
//!
//! # The words
//!
//! `detail` of `gap-begin`, `gap-end` and `loss` begins with the cause and a colon:
//!
//! | cause | when |
//! | --- | --- |
//! | `unplugged` | the port was lost |
//! | `recorder-down` | the recorder was stopped, killed, or without power |
//! | `disk` | the disk took nothing for so long that lines had to be dropped |
//! | `board-restarted` | the board booted, and nothing of the above |
//! | `line-damage` | lines came and were refused |
//! | `nothing-came` | no line came at all: the board did not send, or its bytes were lost before they got here |
//!
//! Of several that could be it, the one that happened first. Then `N samples lost` where that is exact, and
//! `at most N before the restart` where it is a bound.

use core::fmt::Write as _;

use crate::rows::RecordTime;

/// Losses that are no gap are summed up at least this often, µs of record time.
const SUMMED_EVERY_US: i64 = 3_600_000_000;
/// Causes.
const CAUSES: usize = 6;
/// Things that happened to the port, of which the text is kept.
const TEXTS_MAX: usize = 3;
/// What the counter counts before it begins anew.
const SEQ_COUNT: u64 = 1 << 16;
/// Disagreement of counter and clock, in sample periods, beyond which the counter is not believed.
const DISAGREE_PERIODS: f64 = 8.0;
/// The same as a share of the time that passed: no board's clock is that far off its own periods.
const DISAGREE_SHARE: f64 = 0.05;

/// Why samples are missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GapCause {
    /// The port was lost.
    Unplugged,
    /// The recorder did not run.
    RecorderDown,
    /// The disk took nothing for too long.
    Disk,
    /// The board booted.
    BoardRestarted,
    /// Lines came and were refused.
    LineDamage,
    /// Nothing came.
    NothingCame,
}

impl GapCause {
    /// The cause as it stands in `detail`.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Unplugged => "unplugged",
            Self::RecorderDown => "recorder-down",
            Self::Disk => "disk",
            Self::BoardRestarted => "board-restarted",
            Self::LineDamage => "line-damage",
            Self::NothingCame => "nothing-came",
        }
    }
}

/// What happened since the last sample that could have cost some.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct News {
    /// The first thing that happened.
    pub cause: GapCause,
    texts: Vec<String>,
}

impl News {
    /// Adds to what is known so far. What happened first stays the cause.
    pub fn add(known: &mut Option<Self>, cause: GapCause, text: String) {
        let news = known.get_or_insert(Self {
            cause,
            texts: Vec::new(),
        });
        if news.texts.len() < TEXTS_MAX && !news.texts.contains(&text) {
            news.texts.push(text);
        }
    }

    /// All of it in words.
    pub fn text(&self) -> String {
        self.texts.join("; ")
    }
}

/// A board's counters at a sample.
#[derive(Debug, Clone, Copy)]
pub struct Count {
    /// Record time.
    pub time: RecordTime,
    /// Board clock since its boot, µs, unwrapped.
    pub board_us: i64,
    /// Counter of sample periods, as sent.
    pub seq: u16,
    /// Sample period in force, ms.
    pub period_ms: u32,
}

impl Count {
    fn period_us(&self) -> f64 {
        f64::from(self.period_ms.max(1)) * 1000.0
    }
}

/// Samples lost between two kept ones of one boot.
pub fn lost_within_boot(before: Count, after: Count) -> u64 {
    let low = u64::from(after.seq.wrapping_sub(before.seq).wrapping_sub(1));
    // Where the period has changed in between, the way lies between the two.
    let passed_us = (after.board_us - before.board_us) as f64;
    let most = passed_us / before.period_us().min(after.period_us()) - 1.0;
    let least = passed_us / before.period_us().max(after.period_us()) - 1.0;
    resolved(low, least, most)
}

/// Samples of a boot before the first that was kept; `elapsed_us` bounds them where it is known.
pub fn lost_before_first(first: Count, elapsed_us: Option<i64>) -> u64 {
    let by_board = first.board_us as f64 / first.period_us() - 1.0;
    let by_host = elapsed_us.map_or(f64::INFINITY, |us| us as f64 / first.period_us() + 1.0);
    let periods = by_board.min(by_host);
    resolved(u64::from(first.seq), periods, periods)
}

/// The number that is `low` modulo 65,536 and nearest to what the clock says; what the clock says if they cannot both be right.
fn resolved(low: u64, least: f64, most: f64) -> u64 {
    let middle = least.midpoint(most);
    let wraps = ((middle - low as f64) / SEQ_COUNT as f64).round().max(0.0);
    let count = low + wraps as u64 * SEQ_COUNT;
    let slack = DISAGREE_PERIODS + most.abs() * DISAGREE_SHARE;
    let agrees = count as f64 >= least - slack && count as f64 <= most + slack;
    // A board whose counter does not count its periods: its clock is the better witness.
    if agrees || middle < 0.0 && low < SEQ_COUNT / 2 {
        count
    } else {
        middle.max(0.0).round() as u64
    }
}

/// Most samples of the boot before that can be missing when `lead` of the new one are.
pub fn bound_before_restart(before: Count, after: Count, lead: u64) -> u64 {
    let periods = (after.time - before.time) as f64 / before.period_us();
    // One more: record time is only as good as the arrivals.
    (periods.max(0.0) as u64 + 1).saturating_sub(lead)
}

/// Losses that are too short to be gaps, until they are told.
#[derive(Debug, Default)]
pub struct Losses {
    lost: [u64; CAUSES],
    places: u64,
    first: RecordTime,
}

impl Losses {
    /// `lost` samples are missing just before record time `at`.
    pub fn add(&mut self, cause: GapCause, lost: u64, at: RecordTime) {
        if self.places == 0 {
            self.first = at;
        }
        if let Some(count) = self.lost.get_mut(cause as usize) {
            *count += lost;
        }
        self.places += 1;
    }

    /// Record time of the first of them.
    pub fn since(&self) -> Option<RecordTime> {
        (self.places > 0).then_some(self.first)
    }

    /// Whether they have waited long enough at record time `now`.
    pub fn is_due(&self, now: RecordTime) -> bool {
        self.places > 0 && now - self.first >= SUMMED_EVERY_US
    }

    /// What is to be told of them, in words; nothing if there are none.
    pub fn take(&mut self, now: RecordTime) -> Option<String> {
        const ALL: [GapCause; CAUSES] = [
            GapCause::Unplugged,
            GapCause::RecorderDown,
            GapCause::Disk,
            GapCause::BoardRestarted,
            GapCause::LineDamage,
            GapCause::NothingCame,
        ];
        let told = core::mem::take(self);
        if told.places == 0 {
            return None;
        }
        let mut counts: Vec<(GapCause, u64)> = ALL
            .into_iter()
            .map(|cause| (cause, told.lost.get(cause as usize).copied().unwrap_or(0)))
            .filter(|(_, count)| *count > 0)
            .collect();
        counts.sort_by_key(|(_, count)| core::cmp::Reverse(*count));
        let mut text = String::new();
        let cause = counts
            .first()
            .map_or(GapCause::NothingCame, |(cause, _)| *cause);
        write!(
            text,
            "{}: {} samples lost in {} places within {:.0} s, none of them a gap",
            cause.as_str(),
            told.lost.iter().sum::<u64>(),
            told.places,
            (now - told.first).max(0) as f64 / 1e6
        )
        .unwrap_or_default();
        if counts.len() > 1 {
            for (cause, count) in counts {
                write!(text, "; {} {count}", cause.as_str()).unwrap_or_default();
            }
        }
        Some(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seq: u16, ms: i64, period_ms: u32) -> Count {
        Count {
            time: ms * 1000,
            board_us: ms * 1000,
            seq,
            period_ms,
        }
    }

    #[test]
    fn the_counter_says_how_many_and_the_clock_how_often_it_wrapped() {
        // before, after, lost
        let cases = [
            (at(5, 600, 100), at(6, 700, 100), 0),
            (at(5, 600, 100), at(8, 901, 100), 2),
            (at(65_535, 6_553_600, 100), at(0, 6_553_700, 100), 0),
            (at(65_530, 0, 100), at(4, 1_000, 100), 9),
            // 10 h at 10 Hz are 360,000 periods: five times round and some.
            (
                at(7, 800, 100),
                at(((7 + 360_000) % 65_536) as u16, 36_000_800, 100),
                359_999,
            ),
            // The clock is 300 ppm off its own periods, which no board is: still the same.
            (
                at(7, 800, 100),
                at(((7 + 360_000) % 65_536) as u16, 36_011_600, 100),
                359_999,
            ),
            // The period changed from 100 ms to 1 s somewhere in between.
            (at(10, 1_100, 100), at(40, 15_000, 1_000), 29),
            // A counter that stands still although ten periods passed: the clock is believed.
            (at(10, 1_100, 100), at(10, 11_100, 100), 99),
        ];
        for (before, after, lost) in cases {
            assert_eq!(
                lost_within_boot(before, after),
                lost,
                "{before:?} {after:?}"
            );
        }
    }

    #[test]
    fn what_a_new_boot_lost_is_exact_and_what_the_old_one_lost_is_bounded() {
        let first = at(40, 4_100, 100);
        assert_eq!(lost_before_first(first, Some(10_000_000)), 40);
        assert_eq!(lost_before_first(at(0, 100, 100), None), 0);
        // A board whose clock does not begin at nought: the time that passed bounds it.
        assert_eq!(
            lost_before_first(at(3, 4_000_000_000, 100), Some(1_000_000)),
            3
        );
        let before = Count {
            time: 0,
            ..at(900, 0, 100)
        };
        let after = Count {
            time: 10_000_000,
            ..first
        };
        assert_eq!(bound_before_restart(before, after, 40), 61);
    }

    #[test]
    fn what_happened_first_is_the_cause() {
        let mut news = None;
        News::add(&mut news, GapCause::Unplugged, "port lost: gone".to_owned());
        News::add(&mut news, GapCause::RecorderDown, "stopped".to_owned());
        News::add(&mut news, GapCause::Unplugged, "port lost: gone".to_owned());
        let told = news.map(|news| (news.cause, news.text()));
        assert_eq!(
            told,
            Some((GapCause::Unplugged, "port lost: gone; stopped".to_owned()))
        );
    }
}
