//! What happened in a stretch, thinned to what a chart of it can show: of a month there are more events than pixels.
//!
//! In each of `limit` slots the gravest event stays, with how many others there were. When the compressor was on is given
//! as spans as long as these are fewer than the chart's points, else as its share of each point's time.

use nightclamp_analysis::rows::{Cause, CycleRow, EndedBy, EventKind, EventRow, RecordTime};
use serde::Serialize;

use crate::view::figure;

/// What happened in a stretch.
#[derive(Debug, Clone, Serialize)]
pub struct HappenedView {
    /// Begin of the stretch, µs.
    from_us: RecordTime,
    /// End of the stretch, µs.
    to_us: RecordTime,
    /// The oldest event that is still in memory, µs: marks before it are not shown.
    known_from_us: Option<RecordTime>,
    events: Vec<MarkView>,
    /// Stretches without samples: from, to (null while it lasts), µs.
    gaps: Vec<(RecordTime, Option<RecordTime>)>,
    /// On-periods, and off-periods behind an open protector; null where there are too many.
    spans: Option<Vec<SpanView>>,
    /// Their shares of the time, a pair for each point; null where spans are given.
    shares: Option<SharesView>,
}

/// The gravest event of a slot.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct MarkView {
    time_us: RecordTime,
    kind: &'static str,
    cause: Option<&'static str>,
    current_a: Option<f64>,
    case_c: Option<f64>,
    detail: String,
    /// Further events of the slot.
    others: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct SpanView {
    /// `on` or `open`.
    what: &'static str,
    from_us: RecordTime,
    /// Null while it lasts.
    to_us: Option<RecordTime>,
}

#[derive(Debug, Clone, Serialize)]
struct SharesView {
    width_us: i64,
    on: Vec<f64>,
    open: Vec<f64>,
}

/// How grave an event is where marks would cover each other, 0 the gravest; `None` for what has no mark.
const fn gravity(kind: EventKind) -> Option<u8> {
    Some(match kind {
        EventKind::Late => 0,
        EventKind::Trip => 1,
        EventKind::Sensor => 2,
        EventKind::SupplyLost => 3,
        EventKind::SupplyBack => 4,
        EventKind::ClockStep => 5,
        EventKind::GapBegin | EventKind::Mark | EventKind::SensorBack => 6,
        EventKind::Reset => 7,
        EventKind::Start => 8,
        EventKind::Stop => 9,
        EventKind::GapEnd | EventKind::Loss => return None,
    })
}

/// A stretch to look at, and how finely.
#[derive(Debug, Clone, Copy)]
pub struct Stretch {
    /// Begin, µs.
    pub from_us: RecordTime,
    /// End, µs, after the begin.
    pub to_us: RecordTime,
    /// Points of the chart.
    pub points: usize,
    /// Slots for marks.
    pub slots: usize,
    /// The newest sample: what lasts, lasts until then, µs.
    pub last_us: RecordTime,
}

impl Stretch {
    /// Which of `parts` equal parts an instant falls into.
    fn part(&self, time: RecordTime, parts: usize) -> usize {
        let whole = self.to_us.saturating_sub(self.from_us).max(1) as f64;
        let share = time.saturating_sub(self.from_us) as f64 / whole;
        ((share * parts as f64) as usize).min(parts.saturating_sub(1))
    }

    fn holds(&self, time: RecordTime) -> bool {
        (self.from_us..self.to_us).contains(&time)
    }
}

/// What happened in a stretch; events and cycles in any order.
pub fn of<'a>(
    stretch: &Stretch,
    events: impl Iterator<Item = &'a EventRow> + Clone,
    cycles: impl Iterator<Item = &'a CycleRow> + Clone,
) -> HappenedView {
    let spans = spans_of(stretch, cycles.clone());
    let shares = spans.is_none().then(|| shares_of(stretch, cycles));
    HappenedView {
        from_us: stretch.from_us,
        to_us: stretch.to_us,
        known_from_us: events.clone().map(|event| event.time).min(),
        events: thinned(stretch, events.clone()),
        gaps: gaps_of(stretch, events),
        spans,
        shares,
    }
}

fn thinned<'a>(stretch: &Stretch, events: impl Iterator<Item = &'a EventRow>) -> Vec<MarkView> {
    let mut slots: Vec<Option<(u8, &EventRow, usize)>> = vec![None; stretch.slots.max(1)];
    for event in events.filter(|event| stretch.holds(event.time)) {
        let Some(grave) = gravity(event.kind) else {
            continue;
        };
        let at = stretch.part(event.time, slots.len());
        let Some(slot) = slots.get_mut(at) else {
            continue;
        };
        *slot = Some(match *slot {
            None => (grave, event, 0),
            Some((known, _, others)) if grave < known => (grave, event, others + 1),
            Some((known, kept, others)) => (known, kept, others + 1),
        });
    }
    let mark = |(_, event, others): (u8, &EventRow, usize)| MarkView {
        time_us: event.time,
        kind: event.kind.as_str(),
        cause: event.cause.map(Cause::as_str),
        current_a: figure(event.current_a, 4),
        case_c: figure(event.case_c, 2),
        detail: event.detail.clone(),
        others,
    };
    slots.into_iter().flatten().map(mark).collect()
}

/// Gaps that touch the stretch; if there are more than the chart has points, the longest.
fn gaps_of<'a>(
    stretch: &Stretch,
    events: impl Iterator<Item = &'a EventRow>,
) -> Vec<(RecordTime, Option<RecordTime>)> {
    let mut edges: Vec<(RecordTime, bool)> = events
        .filter_map(|event| match event.kind {
            EventKind::GapBegin => Some((event.time, true)),
            EventKind::GapEnd => Some((event.time, false)),
            _ => None,
        })
        .collect();
    edges.sort_unstable();
    let (mut gaps, mut begun) = (Vec::new(), None);
    for (time, begins) in edges {
        match (begins, begun.take()) {
            (true, _) => begun = Some(time),
            (false, Some(from_us)) => gaps.push((from_us, Some(time))),
            (false, None) => {}
        }
    }
    gaps.extend(begun.map(|from_us| (from_us, None)));
    let end = |to_us: Option<RecordTime>| to_us.unwrap_or(RecordTime::MAX);
    gaps.retain(|(from_us, to_us)| *from_us < stretch.to_us && end(*to_us) > stretch.from_us);
    gaps.sort_by_key(|(from_us, to_us)| std::cmp::Reverse(end(*to_us).saturating_sub(*from_us)));
    gaps.truncate(stretch.points);
    gaps.sort_unstable();
    gaps
}

/// The parts of a cycle that are drawn.
fn parts(cycle: &CycleRow) -> [Option<SpanView>; 2] {
    let ends = |what, from_us, to_us| SpanView {
        what,
        from_us,
        to_us,
    };
    let on = match (cycle.off_at, cycle.ended_by) {
        (Some(off_at), _) => Some(ends("on", cycle.on_at, Some(off_at))),
        (None, None) => Some(ends("on", cycle.on_at, None)),
        // Its end was not seen: nothing is claimed.
        (None, Some(_)) => None,
    };
    let open = cycle
        .off_at
        .filter(|_| cycle.ended_by == Some(EndedBy::Protector))
        .map(|off_at| ends("open", off_at, cycle.next_on_at));
    [on, open]
}

fn spans_within<'a>(
    stretch: &Stretch,
    cycles: impl Iterator<Item = &'a CycleRow>,
) -> impl Iterator<Item = SpanView> {
    let (from_us, to_us) = (stretch.from_us, stretch.to_us);
    cycles.flat_map(parts).flatten().filter(move |span| {
        span.from_us < to_us && span.to_us.is_none_or(|span_to_us| span_to_us > from_us)
    })
}

fn spans_of<'a>(
    stretch: &Stretch,
    cycles: impl Iterator<Item = &'a CycleRow>,
) -> Option<Vec<SpanView>> {
    let spans: Vec<SpanView> = spans_within(stretch, cycles)
        .take(stretch.points + 1)
        .collect();
    (spans.len() <= stretch.points).then_some(spans)
}

fn shares_of<'a>(stretch: &Stretch, cycles: impl Iterator<Item = &'a CycleRow>) -> SharesView {
    let points = stretch.points.max(1);
    let width = (stretch.to_us.saturating_sub(stretch.from_us) as f64 / points as f64).max(1.0);
    let mut shares = [vec![0.0; points], vec![0.0; points]];
    for span in spans_within(stretch, cycles) {
        let from_us = span.from_us.max(stretch.from_us);
        let end_us = span.to_us.unwrap_or(stretch.last_us).min(stretch.to_us);
        let shares = &mut shares[usize::from(span.what == "open")];
        let (first, last) = (stretch.part(from_us, points), stretch.part(end_us, points));
        for (at, share) in shares.iter_mut().enumerate().take(last + 1).skip(first) {
            let begin = at as f64 * width;
            let since = |time: RecordTime| time.saturating_sub(stretch.from_us) as f64;
            let (from, to) = (since(from_us).max(begin), since(end_us).min(begin + width));
            *share += (to - from).max(0.0) / width;
        }
    }
    let [on, open] = shares.map(|shares| {
        shares
            .into_iter()
            .map(|share| (share * 1e3_f64).round() / 1e3)
    });
    SharesView {
        width_us: width as i64,
        on: on.collect(),
        open: open.collect(),
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)] // a test that fails should say where

    use super::*;

    const S: i64 = 1_000_000;

    fn stretch(points: usize, slots: usize) -> Stretch {
        let (from_us, to_us, last_us) = (0, 100 * S, 100 * S);
        Stretch {
            from_us,
            to_us,
            points,
            slots,
            last_us,
        }
    }

    fn event(at_s: i64, kind: EventKind) -> EventRow {
        EventRow {
            time: at_s * S,
            kind,
            cause: None,
            current_a: None,
            case_c: None,
            detail: String::new(),
        }
    }

    fn cycle(on_s: i64, off_s: i64, next_s: i64) -> CycleRow {
        CycleRow {
            on_at: on_s * S,
            off_at: Some(off_s * S),
            next_on_at: Some(next_s * S),
            ended_by: Some(EndedBy::Protector),
            ..CycleRow::default()
        }
    }

    #[test]
    fn a_trip_is_never_hidden_by_the_starts_around_it() {
        let mut events: Vec<_> = (0..90).map(|at| event(at, EventKind::Start)).collect();
        events.push(event(55, EventKind::Trip));
        let marks = of(&stretch(100, 10), events.iter(), [].iter());
        assert_eq!(
            marks.events.len(),
            9,
            "a mark for each slot that has events"
        );
        let trip = marks
            .events
            .iter()
            .find(|mark| mark.kind == "trip")
            .unwrap();
        assert_eq!((trip.time_us, trip.others), (55 * S, 10));
        let all: usize = marks.events.iter().map(|mark| mark.others + 1).sum();
        assert_eq!(all, 91);
    }

    #[test]
    fn many_cycles_become_shares_that_add_up_to_their_time() {
        let cycles: Vec<_> = (0..20)
            .map(|n| cycle(n * 5, n * 5 + 2, n * 5 + 4))
            .collect();
        let exact = of(&stretch(100, 10), [].iter(), cycles.iter());
        assert_eq!(exact.spans.unwrap().len(), 40);
        let thin = of(&stretch(8, 8), [].iter(), cycles.iter());
        let shares = thin.shares.unwrap();
        let seconds = |shares: &[f64]| shares.iter().sum::<f64>() * 12.5;
        assert!((seconds(&shares.on) - 40.0).abs() < 0.1, "{shares:?}");
        assert!((seconds(&shares.open) - 40.0).abs() < 0.1, "{shares:?}");
        assert!(thin.spans.is_none() && shares.on.iter().all(|share| *share <= 1.0));
    }

    #[test]
    fn gaps_are_pairs_and_one_that_lasts_has_no_end() {
        let (begin, end) = (EventKind::GapBegin, EventKind::GapEnd);
        let events = [
            event(10, begin),
            event(20, end),
            event(-9, begin),
            event(-5, end),
            event(90, begin),
        ];
        let marks = of(&stretch(100, 10), events.iter(), [].iter());
        assert_eq!(marks.gaps, [(10 * S, Some(20 * S)), (90 * S, None)]);
    }

    #[test]
    fn an_end_that_was_not_seen_is_not_drawn() {
        let unseen = CycleRow {
            off_at: None,
            next_on_at: None,
            ended_by: Some(EndedBy::Unknown),
            ..cycle(10, 0, 0)
        };
        let running = CycleRow {
            ended_by: None,
            ..unseen.clone()
        };
        let spans = |cycle: CycleRow| of(&stretch(9, 9), [].iter(), [cycle].iter()).spans.unwrap();
        assert!(spans(unseen).is_empty());
        assert_eq!(spans(running)[0].to_us, None);
    }
}
