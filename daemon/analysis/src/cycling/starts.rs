//! Starts, in clock hours and in any hour, and what gaps could hide.
//!
//! # What a gap could hide
//!
//! A compressor that was off before a gap and is on after it has started in it: one start is sure, its instant is not. Beyond
//! that a gap could hide as many starts as fit into it if they lie no closer together, and no closer to the starts that were
//! seen, than a least spacing: the shortest from start to start that this record shows, from [`SPACING_S`].0 to .1; where it
//! shows none, [`SPACING_UNKNOWN_S`]. Gaps of up to [`SHORT_GAP_S`] are bridged by the cycles' rows and hide nothing here.
//!
//! The least number in a window is what was seen in it, and one for every gap wholly in it that surely hides a start. The most
//! is what was seen and what fits into the gaps' parts in it, from left to right as early as possible, which is the most
//! that fits. The tests hold both against every way in which starts could have been hidden.

use chrono::Timelike;

use crate::evidence::{Evidence, Span, micros};
use crate::rows::{EndedBy, RecordTime};

/// Gaps up to here are bridged, s (data contract).
pub const SHORT_GAP_S: f64 = 10.0;
/// Bounds of the least spacing from start to start, s.
pub const SPACING_S: (f64, f64) = (30.0, 600.0);
/// The least spacing where the record shows none, s.
pub const SPACING_UNKNOWN_S: f64 = 180.0;
/// An hour, µs.
const HOUR_US: i64 = 3_600_000_000;

/// A start that was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Start {
    /// When.
    pub at: RecordTime,
    /// The protector had opened before: its own cooling made it.
    pub is_reset: bool,
}

/// Every start of a record.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Starts {
    /// Those seen, in order.
    pub seen: Vec<Start>,
    /// Gaps of more than [`SHORT_GAP_S`], in order, not overlapping.
    pub unseen: Vec<Span>,
    /// Of each gap, whether it surely hides a start.
    pub sure: Vec<bool>,
    /// Least spacing assumed of starts that gaps could hide, µs.
    pub spacing_us: i64,
}

/// Starts in one clock hour of the place.
#[derive(Debug, Clone, PartialEq)]
pub struct HourStarts {
    /// Its beginning.
    pub from: RecordTime,
    /// The same as the place's clocks show it, such as `2026-11-26 02:00`.
    pub local: String,
    /// Starts seen.
    pub seen: u32,
    /// Of them after the protector's openings.
    pub resets: u32,
    /// The least there can have been.
    pub least: u32,
    /// The most.
    pub most: u32,
    /// Share of the hour that was observed, 0..1: less at the record's ends too.
    pub observed: f64,
}

/// Starts by hour of the day, over all days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HourOfDay {
    /// 0 to 23, by the place's clocks.
    pub hour: u32,
    /// Starts seen.
    pub seen: u32,
    /// Time observed, s.
    pub observed_s: f64,
}

/// The hour with most starts, wherever it begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rolling {
    /// Most starts seen in any hour.
    pub seen: u32,
    /// The hour in which they were begins here: with the first of them.
    pub from: RecordTime,
    /// The least that the busiest hour can have had.
    pub least: u32,
    /// The most that any hour can have had, with what gaps could hide.
    pub most: u32,
    /// An hour that could have had so many begins here.
    pub most_from: RecordTime,
}

/// Starts in the hour that ends at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RollingHour {
    /// The instant.
    pub at: RecordTime,
    /// Starts seen in the hour up to it, its own among them.
    pub seen: u32,
    /// The same without those after the protector's openings.
    pub control: u32,
}

impl Starts {
    /// The starts that the rows show.
    pub fn of(evidence: &Evidence<'_>) -> Self {
        let mut starts = Self::default();
        let long = |gap: &Span| gap.length_s() > SHORT_GAP_S;
        starts.unseen = evidence.unseen().into_iter().filter(long).collect();
        let mut hidden = Vec::new();
        for (n, cycle) in evidence.cycles.iter().enumerate() {
            let before = n.checked_sub(1).and_then(|n| evidence.cycles.get(n));
            if cycle.on_seen {
                let is_reset = before.is_some_and(|b| {
                    b.ended_by == Some(EndedBy::Protector) && b.next_on_at == Some(cycle.on_at)
                });
                starts.seen.push(Start {
                    at: cycle.on_at,
                    is_reset,
                });
            } else if let Some(before) = before {
                let from = before.off_at.unwrap_or(before.on_at);
                hidden.push((
                    Span {
                        from,
                        until: cycle.on_at,
                    },
                    before.off_at.is_some(),
                ));
            }
        }
        starts.seen.sort_by_key(|start| start.at);
        starts.hide(&hidden);
        starts.spacing_us = micros(starts.spacing_s());
        starts
    }

    /// Starts that were not seen lie in the gap that ends with their current. A gap that the board's events do not tell
    /// of (the clamp alone could not be read) is one too.
    fn hide(&mut self, hidden: &[(Span, bool)]) {
        for (span, _) in hidden {
            let told = self.unseen.iter().any(|gap| gap.common(span).is_some());
            if !told {
                self.unseen.push(*span);
            }
        }
        self.unseen.sort_by_key(|gap| gap.from);
        let sure = |gap: &Span| {
            let ends_in = |until: RecordTime| gap.from < until && until <= gap.until;
            hidden
                .iter()
                .any(|(span, sure)| *sure && ends_in(span.until))
        };
        self.sure = self.unseen.iter().map(sure).collect();
    }

    fn spacing_s(&self) -> f64 {
        let apart = |pair: &[Start]| match pair {
            [a, b] => Span {
                from: a.at,
                until: b.at,
            }
            .length_s(),
            _ => f64::INFINITY,
        };
        let least_s = self
            .seen
            .windows(2)
            .map(apart)
            .fold(f64::INFINITY, f64::min);
        if least_s.is_finite() {
            least_s.clamp(SPACING_S.0, SPACING_S.1)
        } else {
            SPACING_UNKNOWN_S
        }
    }

    /// Starts seen in a window, its end excluded; without those after the protector's openings if `control`.
    pub fn seen_in(&self, window: Span, control: bool) -> u32 {
        let (from, until) = (self.before(window.from), self.before(window.until));
        let seen = self.seen.get(from..until).unwrap_or_default();
        seen.iter()
            .filter(|start| !(control && start.is_reset))
            .count() as u32
    }

    /// How many starts were seen before an instant.
    fn before(&self, time: RecordTime) -> usize {
        self.seen.partition_point(|start| start.at < time)
    }

    /// The least number of starts in a window.
    pub fn least_in(&self, window: Span, control: bool) -> u32 {
        let within = |gap: &Span| gap.from >= window.from && gap.until < window.until;
        let gaps = self.unseen.iter().zip(&self.sure);
        let sure = gaps.filter(|(gap, sure)| **sure && within(gap)).count() as u32;
        self.seen_in(window, control) + if control { 0 } else { sure }
    }

    /// The most.
    pub fn most_in(&self, window: Span, control: bool) -> u32 {
        let most = self.seen_in(window, control) + self.hidden_most_in(window);
        most.max(self.least_in(window, control))
    }

    /// Most starts that the gaps could hide in a window.
    fn hidden_most_in(&self, window: Span) -> u32 {
        let (mut hidden, mut free_from) = (0, RecordTime::MIN);
        let first = self.unseen.partition_point(|gap| gap.until < window.from);
        let gaps = self.unseen.iter().zip(&self.sure).skip(first);
        for (gap, &sure) in gaps.take_while(|(gap, _)| gap.from < window.until) {
            let last_us = window.until.saturating_sub(1).min(gap.until);
            let in_gap = self.fits(gap.from.max(window.from), last_us, &mut free_from);
            // A sure one keeps no spacing where the whole gap has no room that does.
            let is_squeezed = sure && in_gap == 0 && {
                let mut free = RecordTime::MIN;
                self.fits(gap.from, gap.until, &mut free) == 0
            };
            hidden += in_gap + u32::from(is_squeezed);
        }
        hidden
    }

    /// How many starts fit from `from` to `last`, both included, beside those seen and not before `free_from`, which
    /// moves on.
    fn fits(&self, from: RecordTime, last: RecordTime, free_from: &mut RecordTime) -> u32 {
        let mut count = 0;
        let mut at = from.max(*free_from);
        let mut next = self.before(from.saturating_sub(self.spacing_us));
        while at <= last && at < RecordTime::MAX {
            match self.seen.get(next) {
                Some(start) if start.at.saturating_add(self.spacing_us) <= at => next += 1,
                Some(start) if start.at.saturating_sub(self.spacing_us) < at => {
                    at = start.at.saturating_add(self.spacing_us);
                    next += 1;
                }
                _ => {
                    count += 1;
                    at = at.saturating_add(self.spacing_us);
                    *free_from = at;
                }
            }
        }
        count
    }

    /// The hour with most starts; `None` where there were none and nothing could be hidden.
    pub fn rolling(&self, control: bool) -> Option<Rolling> {
        let hour = |from: RecordTime| Span {
            from,
            until: from.saturating_add(HOUR_US),
        };
        let is_of_it = |start: &&Start| !(control && start.is_reset);
        let begins = self.seen.iter().filter(is_of_it).map(|start| start.at);
        let mut best = Rolling {
            seen: 0,
            from: 0,
            least: 0,
            most: 0,
            most_from: 0,
        };
        for from in begins.chain(self.unseen.iter().map(|gap| gap.from)) {
            let seen = self.seen_in(hour(from), control);
            if seen > best.seen {
                (best.seen, best.from) = (seen, from);
            }
            best.least = best.least.max(self.least_in(hour(from), control));
        }
        for from in self.edges() {
            let most = self.most_in(hour(from), control);
            if most > best.most {
                (best.most, best.most_from) = (most, from);
            }
        }
        (best.most > 0).then_some(best)
    }

    /// Starts in the hour that ends at an instant, over a stretch in at most so many parts: of each the instant at which
    /// there were most, and how many, all of them and without those after the protector's openings. A part without
    /// a change is left out.
    pub fn in_rolling_hour(&self, span: Span, parts: usize) -> Vec<RollingHour> {
        let part_us = (span.until.saturating_sub(span.from) / parts.max(1) as i64).max(1);
        let ends = self
            .seen
            .iter()
            .map(|start| start.at.saturating_add(HOUR_US));
        // Both orders are in order: a merge, start before end where they fall together would count an hour too long.
        let mut changes: Vec<RecordTime> = self.seen.iter().map(|s| s.at).chain(ends).collect();
        changes.retain(|at| span.holds(*at));
        changes.sort_unstable();
        changes.dedup();
        let hours = changes.iter().map(|&at| {
            let window = Span {
                from: at.saturating_sub(HOUR_US).saturating_add(1),
                until: at.saturating_add(1),
            };
            RollingHour {
                at,
                seen: self.seen_in(window, false),
                control: self.seen_in(window, true),
            }
        });
        let mut kept: Vec<RollingHour> = Vec::new();
        for hour in hours {
            let part = |at: RecordTime| at.saturating_sub(span.from) / part_us;
            match kept.last_mut() {
                Some(last) if part(last.at) == part(hour.at) => {
                    if hour.seen > last.seen {
                        *last = hour;
                    }
                }
                _ => kept.push(hour),
            }
        }
        kept
    }

    /// Beginnings of hours among which is one that could have had most starts: a start that was seen stands at one of its
    /// ends, or the gaps' parts in it are whole numbers of spacings.
    fn edges(&self) -> Vec<RecordTime> {
        let ending = |at: RecordTime| at.saturating_sub(HOUR_US - 1);
        let mut edges: Vec<RecordTime> = self.seen.iter().map(|start| start.at).collect();
        let ends: Vec<RecordTime> = edges.iter().map(|&at| ending(at)).collect();
        edges.extend(ends);
        let spacing_us = self.spacing_us.max(1);
        for gap in &self.unseen {
            let first = self.before(gap.from.saturating_sub(spacing_us));
            let last = self.before(gap.until.saturating_add(spacing_us));
            let beside = self.seen.get(first..last).unwrap_or_default();
            let begins = beside
                .iter()
                .map(|start| start.at.saturating_add(spacing_us));
            let ends = beside
                .iter()
                .map(|start| start.at.saturating_sub(spacing_us));
            let begins: Vec<_> = begins.chain([gap.from]).collect();
            let ends: Vec<_> = ends.chain([gap.until]).collect();
            let steps = HOUR_US.min(gap.until.saturating_sub(gap.from)) / spacing_us + 1;
            for on_us in (0..=steps).map(|step| step * spacing_us) {
                edges.extend(begins.iter().map(|at| ending(at.saturating_add(on_us))));
                edges.extend(begins.iter().map(|at| at.saturating_add(on_us)));
                edges.extend(ends.iter().map(|at| at.saturating_sub(on_us)));
            }
        }
        edges.sort_unstable();
        edges.dedup();
        edges
    }

    /// Starts in each clock hour of the place that the record touches.
    pub fn by_clock_hour(&self, evidence: &Evidence<'_>) -> Vec<HourStarts> {
        let mut hours = Vec::new();
        let mut from = evidence.hour_of(evidence.span.from);
        while from < evidence.span.until && hours.len() < HOURS_MAX {
            let window = Span {
                from,
                until: from.saturating_add(HOUR_US),
            };
            let seen = self.seen_in(window, false);
            hours.push(HourStarts {
                from,
                local: evidence.local(from).format("%Y-%m-%d %H:%M").to_string(),
                seen,
                resets: seen - self.seen_in(window, true),
                least: self.least_in(window, false),
                most: self.most_in(window, false),
                observed: self.observed_s(window, evidence) / window.length_s(),
            });
            from = window.until;
        }
        hours
    }

    fn observed_s(&self, window: Span, evidence: &Evidence<'_>) -> f64 {
        let Some(window) = window.common(&evidence.span) else {
            return 0.0;
        };
        let hidden = self.unseen.iter().filter_map(|gap| gap.common(&window));
        window.length_s() - hidden.map(|gap| gap.length_s()).sum::<f64>()
    }

    /// Starts by hour of the day.
    pub fn by_hour_of_day(&self, evidence: &Evidence<'_>) -> Vec<HourOfDay> {
        let of = |hour| HourOfDay {
            hour,
            seen: 0,
            observed_s: 0.0,
        };
        let mut hours: Vec<HourOfDay> = (0..24).map(of).collect();
        for hour in self.by_clock_hour(evidence) {
            let at = evidence.local(hour.from).hour() as usize;
            if let Some(of_day) = hours.get_mut(at) {
                of_day.seen += hour.seen;
                of_day.observed_s += 3600.0 * hour.observed;
            }
        }
        hours
    }
}

/// No record has more hours than ten years: what is longer is not gone through.
pub(crate) const HOURS_MAX: usize = 87_660;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Minutes, for a world coarse enough to try everything.
    const MINUTE: i64 = 60_000_000;

    fn at(minute: i64) -> Start {
        Start {
            at: minute * MINUTE,
            is_reset: false,
        }
    }

    fn world(seen: &[i64], gaps: &[(i64, i64, bool)], spacing: i64) -> Starts {
        Starts {
            seen: seen.iter().map(|&m| at(m)).collect(),
            unseen: gaps
                .iter()
                .map(|g| Span {
                    from: g.0 * MINUTE,
                    until: g.1 * MINUTE,
                })
                .collect(),
            sure: gaps.iter().map(|g| g.2).collect(),
            spacing_us: spacing * MINUTE,
        }
    }

    #[test]
    fn the_hour_that_ends_now_rises_with_each_start_and_falls_an_hour_after_it() {
        let mut starts = world(&[0, 20, 59, 60], &[], 5);
        starts.seen[2].is_reset = true;
        let span = Span {
            from: 0,
            until: 200 * MINUTE,
        };
        let seen = |parts: usize| -> Vec<(i64, u32, u32)> {
            let hours = starts.in_rolling_hour(span, parts);
            hours
                .iter()
                .map(|h| (h.at / MINUTE, h.seen, h.control))
                .collect()
        };
        let each = [
            (0, 1, 1),
            (20, 2, 2),
            (59, 3, 2),
            // The one of an hour ago is no longer in it.
            (60, 3, 2),
            (80, 2, 1),
            (119, 1, 1),
            (120, 0, 0),
        ];
        assert_eq!(seen(2_000), each);
        // Few parts: the most of each.
        assert_eq!(seen(2), [(59, 3, 2), (119, 1, 1)]);
    }

    /// Every set of whole minutes at which starts could lie hidden in the gaps.
    fn ways(starts: &Starts, spacing: i64) -> Vec<Vec<i64>> {
        let minutes = |gap: &Span| (gap.from / MINUTE)..=(gap.until / MINUTE);
        let seen: Vec<i64> = starts.seen.iter().map(|start| start.at / MINUTE).collect();
        let free = |m: &i64| seen.iter().all(|s| (s - m).abs() >= spacing);
        let places: Vec<i64> = starts
            .unseen
            .iter()
            .flat_map(minutes)
            .filter(free)
            .collect();
        let mut ways: Vec<Vec<i64>> = vec![Vec::new()];
        for m in places {
            let more = ways
                .iter()
                .filter(|way| way.last().is_none_or(|last| m - last >= spacing));
            let more: Vec<Vec<i64>> = more.map(|way| [way.as_slice(), &[m]].concat()).collect();
            ways.extend(more);
        }
        let keeps = |way: &Vec<i64>| {
            let has = |gap: &Span| way.iter().any(|m| minutes(gap).contains(m));
            starts
                .unseen
                .iter()
                .zip(&starts.sure)
                .all(|(gap, sure)| !sure || has(gap))
        };
        ways.retain(keeps);
        ways
    }

    /// No start that was seen keeps a hidden one from a part of a gap that surely has one.
    fn is_unhindered(starts: &Starts) -> bool {
        let hinders = |gap: &Span| {
            let reach = starts.spacing_us;
            starts
                .seen
                .iter()
                .any(|s| s.at > gap.from - reach && s.at < gap.until + reach)
        };
        let gaps = starts.unseen.iter().zip(&starts.sure);
        gaps.filter(|(_, sure)| **sure)
            .all(|(gap, _)| !hinders(gap))
    }

    fn drawn() -> impl Strategy<Value = (Starts, i64)> {
        let gap = (0i64..18, 1i64..14, any::<bool>());
        (
            prop::collection::vec(0i64..150, 0..7),
            prop::collection::vec(gap, 1..4),
            4i64..9,
        )
            .prop_map(|(mut seen, gaps, spacing)| {
                let (mut laid, mut end) = (Vec::new(), 0);
                for (n, (after, long, sure)) in gaps.into_iter().enumerate() {
                    let from = end + after + 30 * n as i64 + 1;
                    laid.push((from, from + long, sure));
                    end = from + long;
                }
                // Nothing is seen in a gap, and what is seen keeps the spacing.
                seen.sort_unstable();
                seen.retain(|m| laid.iter().all(|gap| *m < gap.0 || *m > gap.1));
                let mut kept: Vec<i64> = Vec::new();
                for m in seen {
                    if kept.last().is_none_or(|last| m - last >= spacing) {
                        kept.push(m);
                    }
                }
                (world(&kept, &laid, spacing), spacing)
            })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(300))]

        /// The least and the most in any window are those of all ways in which starts could have been hidden.
        #[test]
        fn best_and_worst_case_are_those_of_every_way_to_hide_starts(
            (starts, spacing) in drawn(), from in 0i64..120,
        ) {
            let ways = ways(&starts, spacing);
            prop_assume!(!ways.is_empty());
            let window = Span { from: from * MINUTE, until: (from + 60) * MINUTE };
            let count = |way: &Vec<i64>| way.iter().filter(|m| (from..from + 60).contains(*m)).count() as u32;
            let seen = starts.seen_in(window, false);
            let (least, most) = (ways.iter().map(count).min(), ways.iter().map(count).max());
            let said = starts.least_in(window, false) - seen;
            prop_assert!(Some(said) <= least, "{} hidden at least, but a way has {:?}", said, least);
            if is_unhindered(&starts) {
                prop_assert_eq!(Some(said), least);
            }
            let said = starts.most_in(window, false) - seen;
            prop_assert_eq!(Some(said), most);
        }

        /// The most in any hour is that of the busiest hour of all ways; the least is no more than any way's busiest.
        #[test]
        fn the_busiest_hour_is_that_of_every_way_to_hide_starts((starts, spacing) in drawn()) {
            let ways = ways(&starts, spacing);
            prop_assume!(!ways.is_empty());
            let seen: Vec<i64> = starts.seen.iter().map(|start| start.at / MINUTE).collect();
            let busiest = |way: &Vec<i64>| {
                let all: Vec<i64> = way.iter().chain(&seen).copied().collect();
                let in_hour = |from: i64| all.iter().filter(|m| (from..from + 60).contains(*m)).count();
                all.iter().map(|&from| in_hour(from)).max().unwrap_or(0) as u32
            };
            let (least, most) = (ways.iter().map(busiest).min(), ways.iter().map(busiest).max());
            let said = starts.rolling(false);
            prop_assert!(said.map_or(0, |r| r.least) <= least.unwrap_or(0), "{:?} {:?}", said, least);
            prop_assert_eq!(said.map_or(0, |r| r.most), most.unwrap_or(0));
        }
    }

    #[test]
    fn an_hour_is_the_one_that_begins_with_its_first_start() {
        // Seven in one hour, from minute 30 on; an eighth comes exactly an hour after the first and is not among them.
        let starts = world(&[0, 30, 40, 50, 60, 70, 80, 89, 90, 200], &[], 5);
        let rolling = starts.rolling(false);
        assert_eq!(
            rolling.map(|r| (r.seen, r.from / MINUTE, r.least, r.most)),
            Some((7, 30, 7, 7))
        );
        assert_eq!(world(&[], &[], 5).rolling(false), None);
    }
}
