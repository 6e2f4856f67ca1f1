//! The cycles without what rests on a sensor that could not be believed.
//!
//! Rows are final long before a bead is known to have fallen: what they say is as it was seen at the time. Whoever draws
//! conclusions from several rows takes them from here.

use super::{Evidence, Span};
use crate::doubt::Sensor;
use crate::protector;
use crate::rows::{Cause, CycleRow, EndedBy, RecordTime, StartKind};
use crate::unit::rests_on_case;

/// Instants of doubt are told to the second below, µs.
const TOLD_TO_US: i64 = 1_000_000;

impl Evidence<'_> {
    /// The cycles as far as clamp and bead can be believed. What a doubted bead told of a cycle is null, and what rested on it is
    /// `undetermined` or `unknown`; runs that only a doubted clamp has seen are not there, and where it saw the beginning or the
    /// end of one, that is null. For rows that have been through here already it changes nothing.
    pub fn believed(&self) -> Vec<CycleRow> {
        let clamp = self.doubted(Sensor::Current);
        let bead = self.doubted(Sensor::Case);
        let next = self.cycles.iter().skip(1).map(|next| next.on_at);
        let ends = next.chain([RecordTime::MAX]);
        let both = |(cycle, next): (&CycleRow, RecordTime)| {
            let cycle = without_clamp(cycle, next, &clamp)?;
            Some(without_bead(cycle, next, &bead))
        };
        self.cycles.iter().zip(ends).filter_map(both).collect()
    }

    /// Readings without what a doubted bead or clamp showed, for [`protector::runs`]; to be used with the cycles of
    /// [`Self::believed`].
    pub fn believed_readings<'a>(
        &self,
        readings: impl IntoIterator<Item = protector::Reading> + 'a,
    ) -> impl Iterator<Item = protector::Reading> + 'a {
        let believer = self.believer();
        readings
            .into_iter()
            .map(move |reading| believer.of(reading))
    }

    /// The same, reading by reading.
    pub fn believer(&self) -> Believer {
        Believer {
            clamp: self.doubted(Sensor::Current),
            bead: self.doubted(Sensor::Case),
        }
    }
}

/// When clamp and bead of a unit could not be believed.
#[derive(Debug, Clone)]
pub struct Believer {
    clamp: Vec<Span>,
    bead: Vec<Span>,
}

impl Believer {
    /// A reading without what cannot be believed of it: NaN.
    pub fn of(&self, reading: protector::Reading) -> protector::Reading {
        let unless = |doubted: &[Span], value| match is_touched(doubted, reading.time, reading.time)
        {
            true => f64::NAN,
            false => value,
        };
        protector::Reading {
            amps: unless(&self.clamp, reading.amps),
            case_c: unless(&self.bead, reading.case_c),
            ..reading
        }
    }
}

/// Whether a sensor was doubted at any time from one instant to another, both included; the end of a doubt is no part of it.
fn is_touched(doubted: &[Span], from: RecordTime, until: RecordTime) -> bool {
    let next = doubted.partition_point(|span| span.until <= from);
    doubted.get(next).is_some_and(|span| span.from <= until)
}

/// The instant is that from which on a sensor is believed again.
fn is_back(doubted: &[Span], time: RecordTime) -> bool {
    let back = |span: &Span| (0..TOLD_TO_US).contains(&time.saturating_sub(span.until));
    doubted.iter().any(back)
}

/// A cycle as far as the clamp can be believed; `None` if it cannot at all. It has ended by `next` at the latest.
fn without_clamp(cycle: &CycleRow, next: RecordTime, doubted: &[Span]) -> Option<CycleRow> {
    if doubted.is_empty() {
        return Some(cycle.clone());
    }
    if is_touched(doubted, cycle.on_at, cycle.on_at) {
        return None;
    }
    let mut cycle = cycle.clone();
    if is_back(doubted, cycle.on_at) {
        unseen_beginning(&mut cycle);
    }
    if is_touched(doubted, cycle.on_at, cycle.off_at.unwrap_or(next)) {
        unseen_end(&mut cycle);
    } else if let (Some(off_at), Some(next_on_at)) = (cycle.off_at, cycle.next_on_at)
        && (is_touched(doubted, off_at, next_on_at) || is_back(doubted, next_on_at))
    {
        (cycle.next_on_at, cycle.off_s) = (None, None);
        (cycle.case_reset_c, cycle.reset_exact) = (None, false);
    }
    Some(cycle)
}

/// The current was there already when the clamp was believed again.
fn unseen_beginning(cycle: &mut CycleRow) {
    let beside = cycle.clone();
    *cycle = CycleRow {
        on_seen: false,
        start: StartKind::Unknown,
        on_s: None,
        peak_a: None,
        i2t_a2s: None,
        start_s: None,
        supply_before_v: None,
        supply_low_v: None,
        start_lead_peak_a: None,
        start_lead_a: None,
        run_first_a: None,
        floor_a: None,
        noise_a: None,
        ..beside
    };
}

/// When the current ended, and what it was then, is not known.
fn unseen_end(cycle: &mut CycleRow) {
    let beside = cycle.clone();
    *cycle = CycleRow {
        off_at: None,
        next_on_at: None,
        on_s: None,
        off_s: None,
        ended_by: beside.ended_by.map(|_| EndedBy::Unknown),
        cause: None,
        run_a: None,
        end_a: None,
        i2t_a2s: None,
        run_last_a: None,
        case_off_c: None,
        case_max_c: None,
        case_reset_c: None,
        reset_exact: false,
        disc_c: None,
        basis: "the clamp may not be believed up to the end".to_owned(),
        ..beside
    };
}

/// A cycle without what a doubted bead showed.
fn without_bead(mut cycle: CycleRow, next: RecordTime, doubted: &[Span]) -> CycleRow {
    let keep = |value: Option<f64>, from: RecordTime, until: RecordTime| {
        value.filter(|_| !is_touched(doubted, from, until))
    };
    let (on_at, off_at) = (cycle.on_at, cycle.off_at.unwrap_or(next));
    let last = cycle.next_on_at.unwrap_or(next);
    cycle.case_on_c = keep(cycle.case_on_c, on_at, on_at);
    cycle.case_max_c = keep(cycle.case_max_c, on_at, last);
    cycle.case_off_c = keep(cycle.case_off_c, off_at, off_at);
    cycle.disc_c = keep(cycle.disc_c, on_at, off_at);
    cycle.case_reset_c = keep(cycle.case_reset_c, last, last);
    if !is_touched(doubted, off_at, off_at) {
        return cycle;
    }
    if rests_on_case(&cycle.basis) {
        "the bead may not be believed when the current ended".clone_into(&mut cycle.basis);
        cycle.cause = None;
        cycle.ended_by = Some(EndedBy::Unknown);
    } else if matches!(cycle.cause, Some(Cause::Overheat | Cause::Early)) {
        "the bead may not be believed when it opened".clone_into(&mut cycle.basis);
        cycle.cause = Some(Cause::Undetermined);
    }
    cycle
}
