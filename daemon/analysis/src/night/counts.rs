//! A stretch in a few counts.

use serde::Serialize;

use crate::cycling::{Duty, is_whole};
use crate::evidence::{Evidence, Span};
use crate::rows::{Cause, CycleRow, EndedBy, EventKind, RecordTime, StartKind};

/// The counts of a stretch.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Counts {
    /// Begin of the stretch, µs.
    pub from_us: RecordTime,
    /// End of the stretch, µs.
    pub to_us: RecordTime,
    /// Starts seen in it.
    pub starts: usize,
    /// Of these, starts that did not come down to running.
    pub locked_starts: usize,
    /// Times the protector opened in it.
    pub trips: Trips,
    /// On-periods that a control ended in it.
    pub by_control: usize,
    /// Ended by a failing supply.
    pub by_supply: usize,
    /// Ended, and it is not known by what.
    pub by_unknown: usize,
    /// Time on that was seen, s.
    pub on_s: f64,
    /// Shortest off-period that began in it and was seen whole.
    pub shortest_off: Option<Stretch>,
    /// Longest off-period that began in it and was seen whole.
    pub longest_off: Option<Stretch>,
    /// Longest on-period that began in it and was seen whole.
    pub longest_on: Option<Stretch>,
    /// Share of the stretch that is not in a gap, 0..1.
    pub coverage: f64,
    /// Gaps that touch it.
    pub gaps: usize,
    /// The longest of them.
    pub longest_gap: Option<Stretch>,
    /// Times the host's clock was set.
    pub clock_steps: usize,
    /// Times a sensor was no longer believed.
    pub sensor_events: usize,
    /// Times the protector was late.
    pub late_events: usize,
}

/// Trips by cause.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Trips {
    /// All of them.
    pub total: usize,
    /// The rotor did not turn.
    pub locked_rotor: usize,
    /// Current above rated load.
    pub overload: usize,
    /// Hot with a normal current.
    pub overheat: usize,
    /// Neither explains it.
    pub early: usize,
    /// Not decided.
    pub undetermined: usize,
}

/// A length with its beginning.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stretch {
    /// When it began, µs.
    pub from_us: RecordTime,
    /// How long it was, s.
    pub length_s: f64,
}

impl Counts {
    /// Counts the rows of a stretch, the on-period that reaches into it among them.
    pub(super) fn of(reaching: &Evidence<'_>, duty: &Duty, unseen: &[Span]) -> Self {
        let span = reaching.span;
        let mut counts = Self {
            from_us: span.from,
            to_us: span.until,
            on_s: duty.on_s,
            ..Self::default()
        };
        let gaps = reaching.gaps();
        for cycle in reaching.cycles {
            counts.add_begin(cycle, span);
            counts.add_end(cycle, span, unseen);
        }
        for gap in &gaps {
            counts.gaps += 1;
            keep(&mut counts.longest_gap, gap.from, gap.length_s(), f64::gt);
        }
        let (whole_s, missing_s) = (
            span.length_s(),
            gaps.iter().map(|gap| gap.length_s()).sum::<f64>(),
        );
        if whole_s > 0.0 {
            counts.coverage = (1.0 - missing_s / whole_s).clamp(0.0, 1.0);
        }
        let events = reaching.events.iter().chain(reaching.board_events);
        for event in events.filter(|event| span.holds(event.time)) {
            counts.add_event(event.kind);
        }
        counts
    }

    fn add_begin(&mut self, cycle: &CycleRow, span: Span) {
        if cycle.on_at < span.from {
            return;
        }
        self.starts += usize::from(cycle.on_seen);
        self.locked_starts += usize::from(cycle.start == StartKind::LockedRotor);
        if let Some(on_s) = cycle.on_s.filter(|_| cycle.on_seen) {
            keep(&mut self.longest_on, cycle.on_at, on_s, f64::gt);
        }
    }

    fn add_end(&mut self, cycle: &CycleRow, span: Span, unseen: &[Span]) {
        // An end in a gap has no instant of its own: it counts with its beginning.
        let ended_at = cycle.off_at.unwrap_or(cycle.on_at);
        if !span.holds(ended_at) {
            return;
        }
        match cycle.ended_by {
            Some(EndedBy::Protector) => self.trips.add(cycle.cause),
            Some(EndedBy::Control) => self.by_control += 1,
            Some(EndedBy::Supply) => self.by_supply += 1,
            Some(EndedBy::Unknown) => self.by_unknown += 1,
            None => {}
        }
        if let (Some(off_at), Some(off_s)) = (cycle.off_at, whole_off_s(cycle, unseen)) {
            keep(&mut self.longest_off, off_at, off_s, f64::gt);
            keep(&mut self.shortest_off, off_at, off_s, f64::lt);
        }
    }

    const fn add_event(&mut self, kind: EventKind) {
        match kind {
            EventKind::ClockStep => self.clock_steps += 1,
            EventKind::Sensor => self.sensor_events += 1,
            EventKind::Late => self.late_events += 1,
            _ => {}
        }
    }
}

/// The off-time after a cycle if it was seen whole, s.
pub(super) fn whole_off_s(cycle: &CycleRow, unseen: &[Span]) -> Option<f64> {
    cycle.off_s.filter(|_| is_whole(cycle, unseen))
}

impl Trips {
    const fn add(&mut self, cause: Option<Cause>) {
        self.total += 1;
        match cause {
            Some(Cause::LockedRotor) => self.locked_rotor += 1,
            Some(Cause::Overload) => self.overload += 1,
            Some(Cause::Overheat) => self.overheat += 1,
            Some(Cause::Early) => self.early += 1,
            Some(Cause::Undetermined) | None => self.undetermined += 1,
        }
    }
}

/// Keeps the length that stands out.
fn keep(
    kept: &mut Option<Stretch>,
    from_us: RecordTime,
    length_s: f64,
    beats: fn(&f64, &f64) -> bool,
) {
    if kept.is_none_or(|other| beats(&length_s, &other.length_s)) {
        *kept = Some(Stretch { from_us, length_s });
    }
}
