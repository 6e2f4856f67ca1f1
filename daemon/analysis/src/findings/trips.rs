//! Trips against each other: at what temperature, at what hour, in what air.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{NaiveDate, Timelike};

use super::{CHANCE_MOST, Finding, FindingKind, ROWS_LEAST};
use crate::cycling::HOURS_MAX;
use crate::evidence::{Evidence, Span, micros};
use crate::job::ProtectorKind;
use crate::rows::{Cause, CycleRow, EndedBy};
use crate::statistics::{Line, fisher_more, summary};

/// So many trips show a drift.
const DRIFT_TRIPS: usize = 6;
/// A run this long has its disc near its case, s: a trip within seconds of a start says little of either.
const DRIFT_RUN_S: f64 = 120.0;
/// Scatter of the current at the opening, as a share of it, within which the case can be compared from trip to trip.
const DRIFT_SAME_A: f64 = 0.08;
/// A drift over all trips of less than this is none, K: a disc scatters by about one.
const DRIFT_LEAST_C: f64 = 3.0;
/// Openings that lie farther about their line than this are not a disc's, which scatters by about one, but a contact's that
/// lets go at any temperature, K (standard deviation).
const DRIFT_ABOUT_C: f64 = 1.3;
/// The day is cut into windows of so many hours.
const WINDOW_H: u32 = 3;
/// Fewest days over which a time of day can be told from one bad night.
const DAYS_LEAST: usize = 3;
/// Fewest separate episodes of trips over which the room can be told from one bad hour.
const EPISODES_LEAST: usize = 3;
/// So many runs are compared at most, the newest: every shift goes through all of them.
const RUNS_MAX: usize = 4_000;
/// The room differs by at least this between runs that tripped and others, K.
const AMBIENT_LEAST_C: f64 = 1.5;

fn is_trip(cycle: &CycleRow) -> bool {
    cycle.ended_by == Some(EndedBy::Protector)
}

/// The protector opens lower from trip to trip, as a disc does that tires; higher is not said, because a case that warms by
/// itself over the hours looks the same. Only trips in a run of minutes are compared, at about the
/// same current: with a stalled rotor the disc runs ahead of its case, and its case warms from trip to trip anyway.
pub(super) fn opening_drifts(evidence: &Evidence<'_>) -> Option<Finding> {
    if evidence.unit.protector.kind == ProtectorKind::Internal {
        return None;
    }
    let in_run = |cycle: &&CycleRow| {
        is_trip(cycle)
            && !matches!(cycle.cause, None | Some(Cause::LockedRotor))
            && cycle.on_s.is_some_and(|on_s| on_s >= DRIFT_RUN_S)
            && cycle.case_off_c.is_some()
            && cycle.end_a.is_some()
    };
    let trips: Vec<&CycleRow> = evidence.cycles.iter().filter(in_run).collect();
    let current = summary(trips.iter().filter_map(|trip| trip.end_a))?;
    let has_disc = trips.iter().all(|trip| trip.disc_c.is_some());
    if trips.len() < DRIFT_TRIPS || (!has_disc && current.sd > DRIFT_SAME_A * current.mean) {
        return None;
    }
    let opened_c = |trip: &CycleRow| {
        if has_disc {
            trip.disc_c
        } else {
            trip.case_off_c
        }
    };
    let points: Vec<(f64, f64)> = (0..)
        .map(f64::from)
        .zip(trips.iter().filter_map(|trip| opened_c(trip)))
        .collect();
    let line = Line::through(&points)?;
    let within = line.slope_within(CHANCE_MOST);
    let drift_c = line.slope * (points.len() - 1) as f64;
    if line.about > DRIFT_ABOUT_C || line.slope >= -within || drift_c > -DRIFT_LEAST_C {
        return None;
    }
    let what = if has_disc {
        "the disc, by its model,"
    } else {
        "the case"
    };
    let half = line.slope_within(0.05);
    Some(Finding {
        kind: FindingKind::OpeningDrifts,
        sentence: format!(
            "The protector opens lower from trip to trip: {what} stood at {:.0} °C at the first of {} trips in a run and at {:.0} °C \
             at the last, by a line of {:+.2} K a trip (95 %: {:+.2} K to {:+.2} K), at about the same current.",
            line.intercept,
            points.len(),
            line.intercept + drift_c,
            line.slope,
            line.slope - half,
            line.slope + half
        ),
        check: "Check that the bead sits as it did, then test the protector on the bench at a known temperature and current."
            .to_owned(),
        values: vec![
            ("slope_c_per_trip", line.slope),
            ("slope_low_c_per_trip", line.slope - half),
            ("slope_high_c_per_trip", line.slope + half),
            ("trips", points.len() as f64),
        ],
        rows: trips.iter().map(|trip| trip.on_at).collect(),
        chance: None,
    })
}

/// Trips come at certain hours. One bad night is one bad night: what counts is on how many days a window of the day had a
/// trip, against the other windows of these days (Fisher's exact test, times the number of windows that were looked at).
pub(super) fn by_hour(evidence: &Evidence<'_>) -> Option<Finding> {
    let window_of = |time| {
        let local = evidence.local(time);
        (local.date_naive(), local.hour() / WINDOW_H)
    };
    let observed = observed_windows(evidence);
    let days: BTreeSet<NaiveDate> = observed.iter().map(|at| at.0).collect();
    if days.len() < DAYS_LEAST {
        return None;
    }
    let trips: Vec<&CycleRow> = evidence.cycles.iter().filter(|c| is_trip(c)).collect();
    let tripped: BTreeSet<(NaiveDate, u32)> = trips
        .iter()
        .filter_map(|trip| Some(window_of(trip.off_at?)))
        .collect();
    let count =
        |of: &dyn Fn(&(NaiveDate, u32)) -> bool| observed.iter().filter(|at| of(at)).count() as u32;
    let windows = 24 / WINDOW_H;
    let (chance, window) = (0..windows)
        .map(|window| {
            let a = count(&|at| at.1 == window && tripped.contains(at));
            let b = count(&|at| at.1 == window && !tripped.contains(at));
            let c = count(&|at| at.1 != window && tripped.contains(at));
            let d = count(&|at| at.1 != window && !tripped.contains(at));
            (f64::from(windows) * fisher_more(a, b, c, d), window)
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    let on_days = count(&|at| at.1 == window && tripped.contains(at));
    if chance >= CHANCE_MOST || (on_days as usize) < DAYS_LEAST {
        return None;
    }
    let (from_h, until_h) = (window * WINDOW_H, (window + 1) * WINDOW_H);
    let within: Vec<&&CycleRow> = trips
        .iter()
        .filter(|trip| trip.off_at.is_some_and(|at| window_of(at).1 == window))
        .collect();
    let seen_days = count(&|at| at.1 == window);
    Some(Finding {
        kind: FindingKind::TripsByHour,
        sentence: format!(
            "Trips come between {from_h:02}:00 and {until_h:02}:00: on {on_days} of {seen_days} days, {} of {} trips in all.",
            within.len(),
            trips.len()
        ),
        check: "Ask what happens at that time: deliveries, cleaning, ovens, defrost, other machines on the same line.".to_owned(),
        values: vec![
            ("from_h", f64::from(from_h)),
            ("until_h", f64::from(until_h)),
            ("days", f64::from(on_days)),
            ("days_observed", f64::from(seen_days)),
            ("trips", within.len() as f64),
            ("trips_all", trips.len() as f64),
        ],
        rows: within.iter().map(|trip| trip.on_at).collect(),
        chance: Some(chance),
    })
}

/// The windows of each day that were observed for at least half of their length.
fn observed_windows(evidence: &Evidence<'_>) -> Vec<(NaiveDate, u32)> {
    let gaps = evidence.unseen();
    let mut seen_s: BTreeMap<(NaiveDate, u32), f64> = BTreeMap::new();
    let mut from = evidence.hour_of(evidence.span.from);
    let mut hours = 0;
    while from < evidence.span.until && hours < HOURS_MAX {
        hours += 1;
        let hour = Span {
            from,
            until: from.saturating_add(micros(3600.0)),
        };
        if let Some(seen) = hour.common(&evidence.span) {
            let hidden = gaps.iter().filter_map(|gap| gap.common(&seen));
            let local = evidence.local(from);
            let window = seen_s
                .entry((local.date_naive(), local.hour() / WINDOW_H))
                .or_default();
            *window += seen.length_s() - hidden.map(|gap| gap.length_s()).sum::<f64>();
        }
        from = hour.until;
    }
    let half_s = 1800.0 * f64::from(WINDOW_H);
    seen_s
        .into_iter()
        .filter(|(_, seen_s)| *seen_s >= half_s)
        .map(|(at, _)| at)
        .collect()
}

/// Trips come when the room is warm (or cold). Trips come in episodes, and the room changes slowly, so runs are not
/// independent of each other: the room's course is shifted round against the runs' by every number of runs, and chance is
/// the share of shifts that part tripped runs from others as far.
pub(super) fn by_ambient(evidence: &Evidence<'_>) -> Option<Finding> {
    let known = |cycle: &&CycleRow| {
        cycle.ambient_on_c.is_some_and(f64::is_finite) && cycle.ended_by.is_some()
    };
    let mut runs: Vec<&CycleRow> = evidence.cycles.iter().filter(known).collect();
    runs.drain(..runs.len().saturating_sub(RUNS_MAX));
    let rooms_c: Vec<f64> = runs.iter().filter_map(|run| run.ambient_on_c).collect();
    let tripped: Vec<bool> = runs.iter().map(|run| is_trip(run)).collect();
    let begins = tripped
        .iter()
        .enumerate()
        .filter(|(n, trip)| **trip && n.checked_sub(1).and_then(|n| tripped.get(n)) != Some(&true));
    if begins.count() < EPISODES_LEAST {
        return None;
    }
    let apart = apart_c(&rooms_c, &tripped, 0)?;
    let far = (0..rooms_c.len()).filter(|&shift| {
        apart_c(&rooms_c, &tripped, shift).is_some_and(|other| other.abs() >= apart.abs() - 1e-9)
    });
    let chance = far.count() as f64 / rooms_c.len() as f64;
    if chance >= CHANCE_MOST || apart.abs() < AMBIENT_LEAST_C {
        return None;
    }
    let of = |trip: bool| {
        let rooms = rooms_c
            .iter()
            .zip(&tripped)
            .filter(move |(_, t)| **t == trip);
        summary(rooms.map(|(room_c, _)| *room_c))
    };
    let (with, without) = (of(true)?, of(false)?);
    let way = if apart > 0.0 { "warm" } else { "cold" };
    Some(Finding {
        kind: FindingKind::TripsByAmbient,
        sentence: format!(
            "Trips come when the room is {way}: at {:.1} °C on average before the {} runs that tripped, at {:.1} °C before the {} \
             others.",
            with.mean, with.count, without.mean, without.count
        ),
        check: if apart > 0.0 {
            "Check the condenser's air: its fan, dirt, what blows warm air at it; and the room's ventilation.".to_owned()
        } else {
            "Check the oil and the start in the cold, and whether the case's bead sits in a draught.".to_owned()
        },
        values: vec![
            ("tripped_c", with.mean),
            ("others_c", without.mean),
            ("tripped", with.count as f64),
            ("others", without.count as f64),
        ],
        rows: runs
            .iter()
            .zip(&tripped)
            .filter(|(_, trip)| **trip)
            .map(|(run, _)| run.on_at)
            .collect(),
        chance: Some(chance),
    })
}

/// How much warmer the room was before tripped runs than before others, K, with the room's course shifted round.
fn apart_c(rooms_c: &[f64], tripped: &[bool], shift: usize) -> Option<f64> {
    let (mut with, mut without) = ((0.0, 0.0), (0.0, 0.0));
    let shifted = rooms_c.iter().cycle().skip(shift);
    for (trip, room_c) in tripped.iter().zip(shifted) {
        let sum = if *trip { &mut with } else { &mut without };
        *sum = (sum.0 + room_c, sum.1 + 1.0);
    }
    (with.1 as usize >= ROWS_LEAST && without.1 as usize >= ROWS_LEAST)
        .then(|| with.0 / with.1 - without.0 / without.1)
}
