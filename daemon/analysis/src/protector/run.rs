//! Runs: what went through a protector, and when it opened and closed; made by hand, or taken from a record's own trips.

use core::fmt;
use std::collections::VecDeque;

use crate::rows::{Cause, CycleRow, EndedBy, RecordTime};

/// No current for this long, and the disc is as warm as its case, s.
const SETTLED_S: f64 = 600.0;
/// Nothing measured for longer than this ends a run, s and sample periods.
const GAP: (f64, f64) = (2.0, 3.0);
/// A case temperature that is older than this is none, s.
const CASE_OLD_S: f64 = 10.0;
/// Samples are put together up to this long, s, while nothing changes by more than the two below.
const MERGED_S_MAX: f64 = 2.0;
/// Change of the current, as a share of it and A.
const MERGED_AMPS: (f64, f64) = (0.02, 0.02);
/// Change of the case temperature, K.
const MERGED_CASE_C: f64 = 0.5;
/// Steps of all runs together, at most.
const STEPS_MAX: usize = 200_000;
/// A length that is evenly anywhere within one has this standard uncertainty: `1 / sqrt(12)`.
const EVEN_U: f64 = 0.288_675_134_594_812_9;

/// Inputs that are held for a while.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// For how long, s.
    pub dt_s: f64,
    /// RMS current, A.
    pub amps: f64,
    /// Case temperature, Cel.
    pub case_c: f64,
}

/// What a protector does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Snap {
    /// It opens.
    Opened,
    /// It closes.
    Closed,
}

/// A protector that was seen to snap.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// At the end of the step with this index.
    pub step: usize,
    /// What it did.
    pub snap: Snap,
    /// Standard uncertainty of the instant, s.
    pub time_u_s: f64,
}

/// What is known of the disc where a run begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Start {
    /// As warm as its case: no current for many time constants.
    Settled,
    /// Nothing.
    Unknown,
}

/// A stretch without gaps, of which the disc's temperature can be followed from end to end.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// Its beginning.
    pub start: Start,
    /// Current and case temperature.
    pub steps: Vec<Step>,
    /// Openings and closings, in order. A run without an opening says that it did not open.
    pub seen: Vec<Seen>,
}

impl Run {
    /// Openings or closings seen.
    pub fn count(&self, snap: Snap) -> usize {
        self.seen.iter().filter(|seen| seen.snap == snap).count()
    }
}

/// One sample of a unit, as it goes into [`runs`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// End of the sample period.
    pub time: RecordTime,
    /// Its length, s.
    pub span_s: f64,
    /// RMS current in the lead over it, A, without the clamp's floor.
    pub amps: f64,
    /// Case temperature, Cel; NaN without a reading.
    pub case_c: f64,
}

/// An opening or closing of the record that no run has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LeftOut {
    /// It opened though neither current nor temperature explains it: not the disc of the model.
    Early(RecordTime),
    /// No current or no case temperature is known there, or not the disc's past.
    NotMeasured(RecordTime),
    /// When it closed is not known, only that it had by then.
    NotExact(RecordTime),
    /// The record has more than can be fitted.
    TooLong(RecordTime),
}

impl fmt::Display for LeftOut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Early(_) => "an early opening, which is not the model's",
            Self::NotMeasured(_) => "no current or case temperature there",
            Self::NotExact(_) => "a closing of which the instant is not known",
            Self::TooLong(_) => "more than can be fitted",
        })
    }
}

/// What a record has for a fit.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Extracted {
    /// Runs with an opening or a closing, and of those without, the one with the most heat in it.
    pub runs: Vec<Run>,
    /// The rest of the openings and closings.
    pub left_out: Vec<LeftOut>,
}

/// Takes runs from a record: `readings` in time order, and the cycles that were made of them. The current counts only within
/// an on-period. An opening is one that the cycles lay to the protector, a closing one of which `reset_exact` says the instant.
pub fn runs(readings: impl IntoIterator<Item = Reading>, cycles: &[CycleRow]) -> Extracted {
    let mut taker = Taker::new(cycles);
    for reading in readings {
        taker.reading(&reading);
    }
    taker.finish()
}

/// A change of the current.
#[derive(Debug, Clone, Copy)]
struct Edge {
    at: RecordTime,
    flows: bool,
    seen: Option<Snap>,
}

fn edges(cycles: &[CycleRow], left_out: &mut Vec<LeftOut>) -> VecDeque<Edge> {
    let mut edges = VecDeque::new();
    let mut closed_at = None;
    for cycle in cycles {
        edges.push_back(Edge {
            at: cycle.on_at,
            flows: true,
            seen: (closed_at == Some(cycle.on_at)).then_some(Snap::Closed),
        });
        closed_at = None;
        let Some(off_at) = cycle.off_at else { continue };
        let opened = cycle.ended_by == Some(EndedBy::Protector);
        let early = opened && cycle.cause == Some(Cause::Early);
        if early {
            left_out.push(LeftOut::Early(off_at));
        } else if opened && !cycle.reset_exact {
            left_out.extend(cycle.next_on_at.map(LeftOut::NotExact));
        } else if opened {
            closed_at = cycle.next_on_at;
        }
        edges.push_back(Edge {
            at: off_at,
            flows: false,
            seen: (opened && !early).then_some(Snap::Opened),
        });
    }
    edges
}

/// Takes runs from a record as [`runs`] does, reading by reading.
#[derive(Debug)]
pub struct Taker {
    edges: VecDeque<Edge>,
    flows: bool,
    now: Option<RecordTime>,
    case_c: f64,
    case_old_s: f64,
    off_s: f64,
    run: Option<Run>,
    steps: usize,
    cool: Option<Run>,
    out: Extracted,
}

impl Taker {
    /// Nothing read yet of what these cycles were made of.
    pub fn new(cycles: &[CycleRow]) -> Self {
        let mut out = Extracted::default();
        Self {
            edges: edges(cycles, &mut out.left_out),
            flows: false,
            now: None,
            case_c: f64::NAN,
            case_old_s: 0.0,
            off_s: 0.0,
            run: None,
            steps: 0,
            cool: None,
            out,
        }
    }

    /// The same of a protector that is known to be as warm as its case when the record begins.
    pub fn settled(cycles: &[CycleRow]) -> Self {
        Self {
            off_s: SETTLED_S,
            ..Self::new(cycles)
        }
    }

    /// The next reading.
    pub fn reading(&mut self, reading: &Reading) {
        let span_us = (reading.span_s * 1e6) as RecordTime;
        let begin = reading.time - span_us;
        let last = *self.now.get_or_insert(begin);
        let hole_s = (begin - last) as f64 / 1e6;
        if hole_s > GAP.0.max(GAP.1 * reading.span_s) {
            self.broken(begin);
        }
        let whole_s = (reading.time - self.now.unwrap_or(begin)) as f64 / 1e6;
        if whole_s.is_nan() || whole_s <= 0.0 {
            return;
        }
        if reading.case_c.is_finite() {
            (self.case_c, self.case_old_s) = (reading.case_c, 0.0);
        } else {
            self.case_old_s += whole_s;
        }
        if !self.case_c.is_finite() || self.case_old_s > CASE_OLD_S || !reading.amps.is_finite() {
            self.broken(reading.time);
            return;
        }
        self.parts(reading, whole_s);
    }

    /// The sample, cut where the current begins or ends in it; its heat belongs to the part in which current flowed.
    fn parts(&mut self, reading: &Reading, whole_s: f64) {
        let mut parts = Vec::new();
        let mut from = self.now.unwrap_or(reading.time);
        while let Some(edge) = self.edges.front().copied().filter(|e| e.at <= reading.time) {
            self.edges.pop_front();
            let until = edge.at.max(from);
            parts.push(((until - from) as f64 / 1e6, self.flows, edge.seen));
            self.flows = edge.flows;
            from = until;
        }
        parts.push(((reading.time - from) as f64 / 1e6, self.flows, None));
        let on_s: f64 = parts.iter().filter(|p| p.1).map(|p| p.0).sum();
        let on_amps = reading.amps * (whole_s / on_s.max(f64::MIN_POSITIVE)).sqrt();
        for (dt_s, flows, seen) in parts {
            let amps = if flows { on_amps } else { 0.0 };
            self.step(dt_s, amps, flows);
            if let Some(snap) = seen {
                self.seen(snap, reading);
            }
        }
        self.now = Some(reading.time);
    }

    fn step(&mut self, dt_s: f64, amps: f64, flows: bool) {
        if dt_s <= 0.0 {
            return;
        }
        if flows {
            let settled = self.off_s >= SETTLED_S;
            self.off_s = 0.0;
            self.run.get_or_insert_with(|| Run {
                start: if settled {
                    Start::Settled
                } else {
                    Start::Unknown
                },
                steps: Vec::new(),
                seen: Vec::new(),
            });
        } else {
            self.off_s += dt_s;
            if self.off_s >= SETTLED_S {
                self.end_run();
            }
        }
        let step = Step {
            dt_s,
            amps,
            case_c: self.case_c,
        };
        if let Some(run) = &mut self.run {
            self.steps += push(run, step);
        }
    }

    fn seen(&mut self, snap: Snap, reading: &Reading) {
        let time_u_s = reading.span_s * EVEN_U;
        match &mut self.run {
            Some(run) if self.steps < STEPS_MAX && !run.steps.is_empty() => run.seen.push(Seen {
                step: run.steps.len() - 1,
                snap,
                time_u_s,
            }),
            Some(_) => self.out.left_out.push(LeftOut::TooLong(reading.time)),
            None => self.out.left_out.push(LeftOut::NotMeasured(reading.time)),
        }
    }

    /// Nothing is known up to `until`: neither the current's changes in between nor the disc.
    fn broken(&mut self, until: RecordTime) {
        self.end_run();
        self.off_s = 0.0;
        self.now = Some(until);
        while let Some(edge) = self.edges.front().copied().filter(|e| e.at <= until) {
            self.edges.pop_front();
            self.flows = edge.flows;
            if edge.seen.is_some() {
                self.out.left_out.push(LeftOut::NotMeasured(edge.at));
            }
        }
    }

    fn end_run(&mut self) {
        let Some(mut run) = self.run.take() else {
            return;
        };
        if run.seen.is_empty() {
            self.steps -= run.steps.len();
            let is_hotter = self
                .cool
                .as_ref()
                .is_none_or(|cool| hottest(&run) > hottest(cool));
            if is_hotter && run.steps.len() <= STEPS_MAX {
                self.cool = Some(run);
            }
            return;
        }
        // What comes after the last is only the disc settling.
        let last = run.seen.last().map_or(0, |seen| seen.step);
        self.steps -= run.steps.len() - (last + 1);
        run.steps.truncate(last + 1);
        self.out.runs.push(run);
    }

    /// All have been read.
    pub fn finish(mut self) -> Extracted {
        self.end_run();
        self.out.runs.extend(self.cool);
        let unread = self.edges.iter().filter(|e| e.seen.is_some());
        let missed: Vec<_> = unread.map(|e| LeftOut::NotMeasured(e.at)).collect();
        self.out.left_out.extend(missed);
        self.out
    }
}

/// Adds a step, to the last one if it is much the same and nothing was seen between. How many steps that makes more.
fn push(run: &mut Run, step: Step) -> usize {
    let was_seen = run.seen.last().map(|seen| seen.step + 1) == Some(run.steps.len());
    if let Some(last) = run.steps.last_mut().filter(|_| !was_seen) {
        let (share, least_a) = MERGED_AMPS;
        let same = (step.amps - last.amps).abs() <= (share * last.amps).max(least_a)
            && (step.amps > 0.0) == (last.amps > 0.0)
            && (step.case_c - last.case_c).abs() <= MERGED_CASE_C;
        let dt_s = last.dt_s + step.dt_s;
        if same && dt_s <= MERGED_S_MAX {
            let mean = |a: f64, b: f64| (a * last.dt_s + b * step.dt_s) / dt_s;
            let case_c = mean(last.case_c, step.case_c);
            let amps = mean(last.amps * last.amps, step.amps * step.amps).sqrt();
            *last = Step { dt_s, amps, case_c };
            return 0;
        }
    }
    run.steps.push(step);
    1
}

/// The most heat that a run had within [`SETTLED_S`], A²s.
fn hottest(run: &Run) -> f64 {
    let mut most = 0.0_f64;
    let (mut heat_a2s, mut time_s, mut first) = (0.0, 0.0, 0);
    for step in &run.steps {
        heat_a2s += step.amps * step.amps * step.dt_s;
        time_s += step.dt_s;
        while time_s > SETTLED_S {
            let gone = run.steps[first];
            heat_a2s -= gone.amps * gone.amps * gone.dt_s;
            time_s -= gone.dt_s;
            first += 1;
        }
        most = most.max(heat_a2s);
    }
    most
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cycle(on_s: f64, off_s: f64, next_on_s: f64) -> CycleRow {
        let us = |s: f64| (s * 1e6) as RecordTime;
        CycleRow {
            on_at: us(on_s),
            off_at: Some(us(off_s)),
            next_on_at: Some(us(next_on_s)),
            ended_by: Some(EndedBy::Protector),
            cause: Some(Cause::LockedRotor),
            reset_exact: true,
            ..CycleRow::default()
        }
    }

    /// Readings of 0.2 s up to `until_s`, 12 A while a cycle is on: the period in which it begins or ends has its share.
    fn readings(cycles: &[CycleRow], until_s: f64) -> Vec<Reading> {
        (1..=(until_s * 5.0) as i64)
            .map(|i| {
                let (from, to) = (i * 200_000 - 200_000, i * 200_000);
                let on = |c: &CycleRow| (to.min(c.off_at.unwrap_or(to)) - from.max(c.on_at)).max(0);
                let on_us: i64 = cycles.iter().map(on).sum();
                Reading {
                    time: to,
                    span_s: 0.2,
                    amps: 12.0 * (on_us as f64 / 200_000.0).sqrt(),
                    case_c: 40.0,
                }
            })
            .collect()
    }

    fn length_s(run: &Run) -> f64 {
        run.steps.iter().map(|s| s.dt_s).sum()
    }

    #[test]
    fn trips_that_follow_one_another_are_one_run_from_a_settled_disc() {
        let cycles = [
            cycle(700.03, 711.11, 800.05),
            cycle(800.05, 806.0, 900.0),
            cycle(2000.0, 2010.0, 2100.0),
        ];
        let got = runs(readings(&cycles, 2200.0), &cycles);
        assert_eq!(got.left_out, []);
        assert_eq!(got.runs.len(), 2);
        let first = &got.runs[0];
        assert_eq!(
            (
                first.start,
                first.count(Snap::Opened),
                first.count(Snap::Closed)
            ),
            (Start::Settled, 2, 1)
        );
        assert!((length_s(first) - (806.0 - 700.03)).abs() < 1e-6);
        let until_open_s: f64 = first.steps[..=first.seen[0].step]
            .iter()
            .map(|s| s.dt_s)
            .sum();
        assert!((until_open_s - 11.08).abs() < 1e-6);
        let heat_a2s: f64 = first.steps.iter().map(|s| s.amps * s.amps * s.dt_s).sum();
        assert!(
            (heat_a2s - 144.0 * (11.08 + 5.95)).abs() < 1e-3,
            "{heat_a2s}"
        );
        assert!(first.steps.len() < 110, "{} steps", first.steps.len());
        assert_eq!(got.runs[1].start, Start::Settled);
    }

    #[test]
    fn a_gap_ends_a_run_and_takes_what_was_in_it() {
        let cycles = [cycle(700.0, 711.0, 800.0), cycle(800.0, 806.0, 900.0)];
        let mut seen = readings(&cycles, 950.0);
        seen.retain(|r| !(750_000_000..790_000_000).contains(&r.time));
        seen.iter_mut()
            .filter(|r| r.time > 803_000_000 && r.time < 830_000_000)
            .for_each(|r| r.case_c = f64::NAN);
        let got = runs(seen, &cycles);
        assert_eq!(got.runs.len(), 2, "{got:?}");
        assert_eq!(
            (got.runs[0].start, got.runs[0].seen.len()),
            (Start::Settled, 1)
        );
        assert_eq!(
            (got.runs[1].start, got.runs[1].count(Snap::Opened)),
            (Start::Unknown, 1),
            "a bead may miss for a moment"
        );
    }
}
