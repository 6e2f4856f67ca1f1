//! Current on, current off: the edges, and the cycles between them.
//!
//! A small machine with two states. It looks ahead by a few samples at each edge (a candidate has to last), dates the
//! edge inside its sample period by square means, and keeps the last ended cycle open until the next on-period has
//! settled, because what comes after (an off-time, a case temperature, a first running level) may still decide it.

use super::Break;
use super::disc::Disc;
use super::level::{Floor, Learned, StallFrom};
use super::moment::{Moment, above_floor, finite, micros, seconds, share_on};
use super::period::OnPeriod;
use super::verdict::{self, After, Ending, Verdict, Word};
use crate::job::{self, ClampOn};
use crate::rows::{Cause, CycleRow, EndedBy, EventKind, EventRow, RecordTime, StartKind};
use crate::status::Phase;

/// A gap with current on both sides is bridged up to here, s (data contract).
const BRIDGE_S_MAX: f64 = 10.0;
/// A gap is more than three sample periods (data contract); see `board`.
const GAP_PERIODS: f64 = 3.05;
/// A change has to last this long, s, and for two samples, to be an edge; at coarse periods one sample is enough.
const EDGE_S: f64 = 0.1;
/// See [`EDGE_S`], s.
const COARSE_S: f64 = 1.5;
/// An on-period has settled after this, s: the cycle before it is final.
const SETTLED_S: f64 = 10.0;
/// Off for this long, the cycle is final, s (data contract: 24 h).
const OFF_S_MAX: f64 = 86_400.0;
/// A contact may lag the current by this, s.
const CONTACT_LAG_S: f64 = 0.25;
/// Demand open for longer than this while current flows is no demand contact of this lead, s.
const DEMAND_WRONG_S: f64 = 2.0;
/// A run as long as this is a run, whatever its start looked like, s: no protector lets a stall last so long.
const RUN_S_LEAST: f64 = 150.0;
/// A run is learned from after so much of it, s.
const RUN_LEARNED_S: f64 = 10.0;
/// Lag of the floor behind the reading that makes it wrong: it was no floor. Share of it, and s.
const FLOOR_WRONG: (f64, f64) = (0.3, 1.0);
/// The disc is late when above opening, tolerance and this, K (three times 3 K: scatter of a disc, bead and class).
const LATE_ABOVE_C: f64 = 9.0;
/// For at least this long, s.
const LATE_S_LEAST: f64 = 10.0;
/// Tolerance of an opening temperature given without one, K.
const OPENS_TOL_C: f64 = 5.0;

/// On an appliance's lead a rise is judged after this, s, and so many samples.
const RISE_S: f64 = 1.5;
/// See [`RISE_S`].
const RISE_SAMPLES: usize = 4;
/// An inrush stands above what it settles to by this; lamps and heaters have none that lasts.
const INRUSH_OF_PLATEAU: f64 = 1.6;
/// The level of a rise is that of at most so many of its last samples.
const RISE_RECENT: usize = 15;
/// A rise to a stall's level that lasts longer is no stall, s: no protector of these lets one last so long.
const HEATER_S: f64 = 90.0;
/// Unless its current has fallen by more than a heater's does, as a winding's does when it heats.
const HEATER_FALLS: f64 = 1.04;
/// What may be left on the lead when the compressor has stopped, as a share of its own current: a lamp, a fan.
const OFF_BESIDE_OTHERS: f64 = 0.4;

/// Everything a step needs beside the sample.
#[derive(Debug, Clone, Copy)]
pub struct Context<'a> {
    /// The job's unit.
    pub unit: &'a job::Unit,
    /// Something came between the last sample and this.
    pub broken: Option<Break>,
}

/// An off-period after a cycle whose end was seen.
#[derive(Debug, Clone)]
struct Off {
    ending: Ending,
    off_at: RecordTime,
    disc_c: Option<f64>,
    /// Until when demand and supply are asked whether they went with the current.
    asked_until: RecordTime,
    case_max_c: Option<f64>,
    /// Demand and supply have been read, and held, at every sample.
    held: bool,
    /// The off-time contains a gap of unknown length.
    length_unknown: bool,
    /// The longest gap in it, s.
    gap_s: f64,
    samples: u64,
}

/// An off-period that has ended too; its cycle waits for the next on-period to settle.
#[derive(Debug, Clone)]
struct Closed {
    off: Off,
    next_on_at: RecordTime,
    next_seen: bool,
    case_next_c: Option<f64>,
}

#[derive(Debug, Clone)]
enum State {
    /// No current; the cycle before it, if there was one whose end was seen.
    Off {
        since: RecordTime,
        before: Option<Box<Off>>,
    },
    /// Current; the cycle before it, while that is not final.
    On {
        on: Box<OnPeriod>,
        before: Option<Box<Closed>>,
        told: bool,
    },
}

/// The edges and cycles of one unit under one belief about its first samples.
#[derive(Debug, Clone)]
pub struct Detector {
    state: State,
    floor: Floor,
    learned: Learned,
    disc: Option<Disc>,
    /// Samples that may be the beginning of an edge.
    candidate: Vec<Moment>,
    last: Option<Moment>,
    on_a: f64,
    off_a: f64,
    below_floor_s: f64,
    /// Events that wait for the cycle before them to be final.
    waiting: Vec<EventRow>,
    /// Final rows, in order, to be taken.
    pub events: Vec<EventRow>,
    /// Final rows, in order, to be taken.
    pub cycles: Vec<CycleRow>,
    /// Starts and trips so far.
    pub starts: u64,
    /// Trips so far.
    pub trips: u64,
}

impl Detector {
    /// No current flows at the beginning: the first readings are the clamp's floor.
    pub fn off(floor: Floor, since: RecordTime, unit: &job::Unit) -> Self {
        Self::new(
            State::Off {
                since,
                before: None,
            },
            floor,
            unit,
        )
    }

    /// Current flows at the beginning.
    pub fn on(first: Moment, unit: &job::Unit) -> Self {
        let on = Box::new(OnPeriod::begin(first.time, false, first));
        let mut detector = Self::new(
            State::On {
                on,
                before: None,
                told: true,
            },
            Floor::unseen(),
            unit,
        );
        // The floor is not known: current has ended when well over half of it is gone.
        detector.off_a = detector.off_a.max(OFF_OF_FIRST * first.amps);
        detector.on_a = detector.on_a.max(detector.off_a);
        detector
    }

    fn new(state: State, floor: Floor, unit: &job::Unit) -> Self {
        let mut detector = Self {
            state,
            floor,
            learned: Learned::default(),
            disc: Disc::new(&unit.protector),
            candidate: Vec::new(),
            last: None,
            on_a: 0.0,
            off_a: 0.0,
            below_floor_s: 0.0,
            waiting: Vec::new(),
            events: Vec::new(),
            cycles: Vec::new(),
            starts: 0,
            trips: 0,
        };
        detector.set_thresholds(unit);
        detector
    }

    /// Takes one sample.
    pub fn step(&mut self, moment: &Moment, cx: Context<'_>) {
        self.learned.supply(moment);
        let elapsed_s = self.last.map_or(0.0, |last| moment.since_s(last.time));
        if let Some(disc) = &mut self.disc {
            disc.step(
                moment,
                above_floor(moment.amps, self.floor.level_a),
                elapsed_s,
            );
        }
        let unknown = cx.broken.is_some_and(|b| !b.length_known);
        let gap = unknown || elapsed_s > GAP_PERIODS * moment.span_s;
        if gap {
            self.gap(moment, elapsed_s, unknown, cx);
        }
        match self.state {
            State::Off { .. } => self.step_off(moment, gap, cx),
            State::On { .. } => self.step_on(moment, cx),
        }
        self.last = Some(*moment);
    }

    /// The end of the record: everything open becomes final.
    pub fn finish(&mut self, unit: &job::Unit) {
        let (mut events, cycles) = self.open_rows(unit);
        self.events.append(&mut events);
        self.cycles.extend(cycles);
        self.waiting.clear();
        let since = self.last.map_or(RecordTime::MIN, |last| last.time);
        self.state = State::Off {
            since,
            before: None,
        };
    }

    /// Rows that may still be revised, as they stand.
    pub fn open_rows(&self, unit: &job::Unit) -> (Vec<EventRow>, Vec<CycleRow>) {
        let mut events = self.waiting.clone();
        let mut cycles = Vec::new();
        match &self.state {
            State::Off {
                before: Some(off), ..
            } => {
                let verdict = verdict::judge(&off.ending, After::default(), &self.learned, unit);
                events.push(self.end_event(off, &verdict));
                cycles.push(self.ended_row(off, None, &verdict));
            }
            State::Off { before: None, .. } => {}
            State::On { on, before, told } => {
                if let Some(closed) = before {
                    self.closed_rows(closed, unit, &mut events, &mut cycles);
                }
                if !told {
                    events.push(self.start_event(on, unit, false));
                }
                cycles.push(self.running_row(on, unit));
            }
        }
        events.sort_by_key(|event| event.time);
        (events, cycles)
    }

    /// What it is doing, and since when.
    pub fn phase(&self, unit: &job::Unit) -> (Phase, RecordTime) {
        match &self.state {
            State::Off { since, before } => {
                let tripped = before.as_ref().is_some_and(|off| {
                    verdict::judge(&off.ending, After::default(), &self.learned, unit).ended_by
                        == EndedBy::Protector
                });
                (
                    if tripped {
                        Phase::ProtectorOpen
                    } else {
                        Phase::Off
                    },
                    *since,
                )
            }
            State::On { on, .. } => {
                let stall = self.learned.stall(unit, on.last.supply_v);
                let high =
                    on.high_since.is_some() && stall.is_some_and(|s| on.last.amps >= s.above_a);
                let phase = match (high, on.seen_s() < 3.0) {
                    (true, false) => Phase::LockedRotor,
                    (_, true) if on.came_down_at.is_none() && on.on_seen => Phase::Starting,
                    _ => Phase::Running,
                };
                (phase, on.on_at)
            }
        }
    }

    /// A danger in force: the protector should have opened by now.
    pub fn late(&self) -> bool {
        matches!(&self.state, State::On { on, .. } if on.late_told)
    }

    fn set_thresholds(&mut self, unit: &job::Unit) {
        (self.on_a, self.off_a) = self.learned.thresholds(&self.floor, unit);
    }

    fn edge_samples(span_s: f64) -> usize {
        if span_s > COARSE_S {
            1
        } else {
            ((EDGE_S / span_s).ceil() as usize).max(2)
        }
    }

    // ---- gaps

    fn gap(&mut self, moment: &Moment, elapsed_s: f64, unknown: bool, cx: Context<'_>) {
        let bridged = !unknown && elapsed_s <= BRIDGE_S_MAX.max(GAP_PERIODS * moment.span_s);
        match &mut self.state {
            State::Off { before, .. } => {
                self.candidate.clear();
                if let Some(off) = before {
                    off.held = false;
                    off.length_unknown |= unknown;
                    off.gap_s = off.gap_s.max(elapsed_s);
                }
            }
            State::On { .. } if !bridged => self.cut(moment, unknown, cx),
            State::On { .. } => {}
        }
    }

    /// The on-period ran into a gap that is not bridged: it ends there, unseen.
    fn cut(&mut self, moment: &Moment, unknown: bool, cx: Context<'_>) {
        if !self.candidate.is_empty() {
            // The current had already gone before the gap.
            self.end(moment.time, cx);
            if let State::Off {
                before: Some(off), ..
            } = &mut self.state
            {
                off.held = false;
                off.length_unknown = unknown;
            }
            return;
        }
        let since = moment.time;
        let State::On { on, before, told } = core::mem::replace(
            &mut self.state,
            State::Off {
                since,
                before: None,
            },
        ) else {
            return;
        };
        self.settle(before, cx.unit);
        if !told {
            let event = self.start_event(&on, cx.unit, false);
            self.events.push(event);
        }
        self.learn(&on, cx.unit);
        let mut row = self.running_row(&on, cx.unit);
        row.ended_by = Some(EndedBy::Unknown);
        let why = if unknown {
            "a gap of unknown length"
        } else {
            "a gap longer than 10 s"
        };
        row.basis = format!("the end fell into {why}");
        self.cycles.push(row);
    }

    // ---- off

    fn step_off(&mut self, moment: &Moment, gap: bool, cx: Context<'_>) {
        if moment.amps <= self.on_a {
            if cx.unit.clamp_on == ClampOn::Appliance && self.was_short_stall(cx.unit) {
                self.begin(false, cx);
                return self.step_on(moment, cx);
            }
            self.candidate.clear();
            return self.stay_off(moment, cx);
        }
        let unseen = gap || self.last.is_none();
        self.candidate.push(*moment);
        if cx.unit.clamp_on == ClampOn::Appliance {
            return self.rise_on_appliance(unseen, cx);
        }
        if unseen || self.candidate.len() >= Self::edge_samples(moment.span_s) {
            self.begin(unseen, cx);
        }
    }

    /// On an appliance's lead lamps, fans and heaters come and go: a compressor's start is told by its inrush, by a stall,
    /// or by demand that closes with it. Any other rise that stays is another load, and becomes the floor.
    fn rise_on_appliance(&mut self, unseen: bool, cx: Context<'_>) {
        let Some(rise) = Rise::of(&self.candidate) else {
            return;
        };
        let base_a = self.floor.level_a;
        let inrush = rise.peak_a - base_a >= INRUSH_OF_PLATEAU * (rise.plateau_a - base_a);
        let demanded =
            rise.first.demand == 1.0 && self.last.is_some_and(|before| before.demand == 0.0);
        let offered = rise.first.demand != 0.0;
        let high = self
            .learned
            .stall(cx.unit, rise.first.supply_v)
            .filter(|s| rise.plateau_a >= s.above_a);
        let nameplate = high.is_some_and(|s| matches!(s.from, StallFrom::Nameplate { .. }));
        if offered && (inrush || demanded || nameplate) {
            return self.begin(unseen, cx);
        }
        if offered && high.is_some() && rise.seen_s < HEATER_S {
            return; // A stall ends by then, or its current falls; a heater's does neither.
        }
        if offered && high.is_some() && rise.peak_a > HEATER_FALLS * rise.plateau_a {
            return self.begin(unseen, cx);
        }
        self.candidate.clear();
        self.floor = Floor::seen(rise.plateau_a, self.floor.noise_a);
        self.set_thresholds(cx.unit);
    }

    /// The candidate is over already, but it was a stalled rotor's current for as long as it lasted.
    fn was_short_stall(&self, unit: &job::Unit) -> bool {
        let Some(first) = self.candidate.first() else {
            return false;
        };
        let Some(stall) = self.learned.stall(unit, first.supply_v) else {
            return false;
        };
        let whole = self.candidate.get(1..).unwrap_or_default();
        whole.len() >= 2
            && first.demand != 0.0
            && whole.iter().rev().skip(1).all(|m| m.amps >= stall.above_a)
    }

    fn stay_off(&mut self, moment: &Moment, cx: Context<'_>) {
        let wrong_a = (FLOOR_WRONG.0 * self.floor.level_a)
            .max(6.0 * self.floor.noise_a)
            .max(0.05);
        if moment.amps < self.floor.level_a - wrong_a {
            self.below_floor_s += moment.span_s;
            if self.below_floor_s >= FLOOR_WRONG.1 {
                self.floor.sink_to(moment.amps);
            }
        } else {
            self.below_floor_s = 0.0;
            self.floor.follow(moment);
        }
        self.set_thresholds(cx.unit);
        let State::Off {
            before: Some(off), ..
        } = &mut self.state
        else {
            return;
        };
        off.samples += 1;
        if let Some(case_c) = finite(moment.case_c) {
            off.case_max_c = Some(off.case_max_c.map_or(case_c, |max| max.max(case_c)));
        }
        off.ask(moment, &self.learned);
        if seconds(moment.time - off.off_at) >= OFF_S_MAX {
            self.off_for_a_day(cx.unit);
        }
    }

    fn off_for_a_day(&mut self, unit: &job::Unit) {
        let State::Off { before, .. } = &mut self.state else {
            return;
        };
        let Some(off) = before.take() else { return };
        let verdict = verdict::judge(&off.ending, After::default(), &self.learned, unit);
        let event = self.end_event(&off, &verdict);
        self.trips += u64::from(event.kind == EventKind::Trip);
        self.events.push(event);
        let row = self.ended_row(&off, None, &verdict);
        self.cycles.push(row);
    }

    /// Current begins with the candidate's first sample.
    fn begin(&mut self, unseen: bool, cx: Context<'_>) {
        let candidate = core::mem::take(&mut self.candidate);
        let Some(&first) = candidate.first() else {
            return;
        };
        let on_at = if unseen {
            first.time
        } else {
            self.edge_up(&first, candidate.get(1))
        };
        let mut on = Box::new(OnPeriod::begin(on_at, !unseen, first));
        for moment in candidate {
            self.add(&mut on, moment, cx.unit);
        }
        let since = on_at;
        let old = core::mem::replace(
            &mut self.state,
            State::Off {
                since,
                before: None,
            },
        );
        let before = match old {
            State::Off {
                before: Some(off), ..
            } => Some(Box::new(Closed {
                off: *off,
                next_on_at: on_at,
                next_seen: !unseen,
                case_next_c: on.case_on_c,
            })),
            _ => None,
        };
        self.starts += 1;
        self.state = State::On {
            on,
            before,
            told: false,
        };
    }

    /// When within the first period current began. A whole period may hide the peak of a start, so where the first
    /// reading is the larger one, only the period is known and its middle is taken.
    fn edge_up(&self, first: &Moment, second: Option<&Moment>) -> RecordTime {
        let share = match second {
            Some(second) if first.amps < FLAT * second.amps => {
                share_on(first.amps, second.amps, self.floor.level_a)
            }
            _ => 0.5,
        };
        let not_before = self.last_off_time(first);
        (first.time - micros(share * first.span_s)).max(not_before)
    }

    fn last_off_time(&self, first: &Moment) -> RecordTime {
        first.time - micros(first.span_s)
    }

    // ---- on

    fn step_on(&mut self, moment: &Moment, cx: Context<'_>) {
        if moment.amps < self.off_a.max(self.off_beside_others_a(cx.unit)) {
            self.candidate.push(*moment);
            if self.candidate.len() >= Self::edge_samples(moment.span_s) {
                self.end(moment.time, cx);
            }
            return;
        }
        let dip = core::mem::take(&mut self.candidate);
        let State::On {
            mut on,
            before,
            told,
        } = core::mem::replace(
            &mut self.state,
            State::Off {
                since: moment.time,
                before: None,
            },
        )
        else {
            return;
        };
        for moment in dip {
            self.add(&mut on, moment, cx.unit);
        }
        self.add(&mut on, *moment, cx.unit);
        self.state = State::On { on, before, told };
        self.settle_if_due(cx.unit);
        self.late_if_due(moment, cx.unit);
    }

    /// Where other loads share the lead the current does not fall to the floor: most of this run's own has gone.
    fn off_beside_others_a(&self, unit: &job::Unit) -> f64 {
        let State::On { on, .. } = &self.state else {
            return 0.0;
        };
        if unit.clamp_on != ClampOn::Appliance || on.run_s() < RUN_LEARNED_S {
            return 0.0;
        }
        let run_a = on.run_a().unwrap_or(0.0);
        self.floor.level_a + OFF_BESIDE_OTHERS * (run_a - self.floor.level_a).max(0.0)
    }

    fn add(&mut self, on: &mut OnPeriod, moment: Moment, unit: &job::Unit) {
        let stall = self.learned.stall(unit, moment.supply_v);
        on.add(moment, &self.floor, stall);
        on.disc_c = self.disc.as_ref().and_then(Disc::temp_c);
    }

    fn settle_if_due(&mut self, unit: &job::Unit) {
        let State::On { on, before, told } = &mut self.state else {
            return;
        };
        if *told || on.seen_s() < SETTLED_S {
            return;
        }
        *told = true;
        let (before, on) = (before.take(), on.clone());
        self.learned.first_run(on.run_a().filter(|_| on.on_seen));
        self.settle(before, unit);
        let event = self.start_event(&on, unit, false);
        self.events.push(event);
    }

    fn late_if_due(&mut self, moment: &Moment, unit: &job::Unit) {
        let State::On { on, .. } = &mut self.state else {
            return;
        };
        if on.late_told {
            return;
        }
        let protector = &unit.protector;
        let high_s = on.high_s();
        let mut why = None;
        if protector
            .longest_trip_s
            .is_some_and(|longest_s| high_s > longest_s)
        {
            why = Some(format!(
                "locked-rotor current for {high_s:.0} s and the protector has not opened"
            ));
        }
        if let (Some(disc_c), Some(opens_c)) = (on.disc_c, protector.opens_c) {
            let limit_c = opens_c + protector.opens_tol_c.unwrap_or(OPENS_TOL_C) + LATE_ABOVE_C;
            if disc_c > limit_c {
                let since = *on.disc_late_since.get_or_insert(moment.time);
                let longest_s = protector.heating_tau_s.unwrap_or(0.0).max(LATE_S_LEAST);
                if seconds(moment.time - since) > longest_s {
                    why = Some(format!(
                        "disc at {disc_c:.0} °C by the model, above {limit_c:.0} °C, and it has not opened"
                    ));
                }
            } else {
                on.disc_late_since = None;
            }
        }
        if let Some(detail) = why {
            on.late_told = true;
            // Said at once: a person may be waiting for it.
            self.events.push(EventRow {
                time: moment.time,
                kind: EventKind::Late,
                cause: None,
                current_a: finite(moment.amps),
                case_c: finite(moment.case_c),
                detail,
            });
        }
    }

    /// The current has ended with the candidate's first sample.
    fn end(&mut self, now: RecordTime, cx: Context<'_>) {
        let candidate = core::mem::take(&mut self.candidate);
        let State::On {
            mut on,
            before,
            told,
        } = core::mem::replace(
            &mut self.state,
            State::Off {
                since: now,
                before: None,
            },
        )
        else {
            return;
        };
        let (off_at, first_low, partial) = self.edge_down(&on, candidate.first());
        let stall = self.learned.stall(cx.unit, on.last.supply_v);
        on.close(partial, &self.floor, stall);
        self.settle(before, cx.unit);
        if !told {
            let event = self.start_event(&on, cx.unit, true);
            self.events.push(event);
        }
        self.learn(&on, cx.unit);
        let off = self.ended(on, off_at, first_low);
        self.state = State::Off {
            since: off_at,
            before: Some(Box::new(off)),
        };
        for moment in candidate {
            self.stay_off(&moment, cx);
        }
    }

    /// When within its period the current ended, the time of the first sample that shows it, and whether the last sample
    /// with current had it for only a part of its period.
    fn edge_down(&self, on: &OnPeriod, low: Option<&Moment>) -> (RecordTime, RecordTime, bool) {
        let (last, before) = (on.tail.last(0), on.tail.last(1));
        let Some(last) = last else {
            return (on.last.time, on.last.time, false);
        };
        let is_partial = |full: &&Moment| last.amps < PARTIAL_OF_FULL * full.amps && on.samples > 2;
        if let Some(full) = before.filter(is_partial) {
            let share = share_on(last.amps, full.amps, self.floor.level_a);
            return (full.time + micros(share * last.span_s), last.time, true);
        }
        let Some(low) = low else {
            return (last.time, last.time, false);
        };
        let share = share_on(low.amps, last.amps, self.floor.level_a);
        let begin = low.time - micros(low.span_s);
        let lost_us = (begin - last.time).max(0);
        // Where samples are missing in between, the middle of what is not known.
        (
            last.time + lost_us / 2 + micros(share * low.span_s),
            low.time,
            false,
        )
    }

    fn learn(&mut self, on: &OnPeriod, unit: &job::Unit) {
        let level_a = if on.run_s() >= RUN_LEARNED_S {
            on.run_a()
        } else if on.seen_s() >= RUN_S_LEAST {
            on.whole_a()
        } else {
            None
        };
        if let Some(level_a) = level_a {
            self.learned.run(level_a, unit);
        }
        self.set_thresholds(unit);
    }

    fn ended(&self, on: Box<OnPeriod>, off_at: RecordTime, first_low: RecordTime) -> Off {
        let last = on.last;
        let lag_s = if last.span_s <= CONTACT_LAG_S {
            CONTACT_LAG_S
        } else {
            0.0
        };
        let wrong = on.demand_open_s > DEMAND_WRONG_S.max(3.0 * last.span_s);
        let supply = match last.supply_v {
            volts if volts.is_nan() => Word::Silent,
            volts if self.learned.is_supply_lost(volts) => Word::Gone,
            _ => Word::Held,
        };
        let demand = match last.demand {
            1.0 => Word::Held,
            0.0 if !wrong => Word::Gone,
            _ => Word::Silent,
        };
        let end_a = on
            .tail
            .end_a()
            .map(|amps| above_floor(amps, self.floor.level_a));
        let ending = Ending {
            end_a,
            case_off_c: finite(last.case_c),
            demand,
            supply,
            supply_v: last.supply_v,
            on_s: Some(seconds(off_at - on.on_at)),
            on: *on,
        };
        Off {
            off_at,
            disc_c: ending.on.disc_c,
            asked_until: first_low + micros(lag_s),
            case_max_c: ending.on.case_max_c,
            held: true,
            length_unknown: false,
            gap_s: 0.0,
            samples: 0,
            ending,
        }
    }

    // ---- rows

    /// The next on-period has settled: the cycle before it is final.
    fn settle(&mut self, before: Option<Box<Closed>>, unit: &job::Unit) {
        let Some(mut closed) = before else { return };
        self.relearn(&mut closed);
        let (mut events, mut cycles) = (core::mem::take(&mut self.waiting), Vec::new());
        self.closed_rows(&closed, unit, &mut events, &mut cycles);
        self.trips += events
            .iter()
            .filter(|event| event.kind == EventKind::Trip)
            .count() as u64;
        self.events.append(&mut events);
        self.cycles.append(&mut cycles);
    }

    /// What the next on-period taught of the clamp's floor applies to the cycle before it, too.
    fn relearn(&self, closed: &mut Closed) {
        if closed.off.ending.end_a.is_none() {
            closed.off.ending.end_a = closed.off.ending.on.whole_a();
        }
    }

    fn closed_rows(
        &self,
        closed: &Closed,
        unit: &job::Unit,
        events: &mut Vec<EventRow>,
        cycles: &mut Vec<CycleRow>,
    ) {
        let after = After {
            off_s: closed.off_s(),
            case_next_c: closed.case_next_c,
        };
        let verdict = verdict::judge(&closed.off.ending, after, &self.learned, unit);
        events.push(self.end_event(&closed.off, &verdict));
        if verdict.ended_by == EndedBy::Protector {
            events.push(closed.reset_event());
        }
        cycles.push(self.ended_row(&closed.off, Some(closed), &verdict));
    }

    fn start_event(&self, on: &OnPeriod, unit: &job::Unit, ended: bool) -> EventRow {
        let start = verdict::start_kind(on, self.learned.stall(unit, on.first.supply_v), ended);
        let detail = match (on.on_seen, start) {
            (false, _) => "already flowing when the record or a gap ended".to_owned(),
            (true, StartKind::Normal) => {
                format!("{:.2} A at its highest, then down to running", on.peak_a)
            }
            (true, StartKind::LockedRotor) => {
                format!("{:.2} A at its highest and not down to running", on.peak_a)
            }
            (true, StartKind::Unknown) => format!(
                "{:.2} A at its highest; how it started is not resolved",
                on.peak_a
            ),
        };
        EventRow {
            time: on.on_at,
            kind: EventKind::Start,
            cause: None,
            current_a: finite(on.peak_a),
            case_c: on.case_on_c,
            detail,
        }
    }

    fn end_event(&self, off: &Off, verdict: &Verdict) -> EventRow {
        let tripped = verdict.ended_by == EndedBy::Protector;
        EventRow {
            time: off.off_at,
            kind: if tripped {
                EventKind::Trip
            } else {
                EventKind::Stop
            },
            cause: verdict.cause,
            current_a: off.ending.end_a,
            case_c: off.ending.case_off_c,
            detail: verdict.basis.clone(),
        }
    }

    fn ended_row(&self, off: &Off, closed: Option<&Closed>, verdict: &Verdict) -> CycleRow {
        let on = &off.ending.on;
        let tripped = verdict.ended_by == EndedBy::Protector;
        let mut basis = verdict.basis.clone();
        if off.gap_s > BRIDGE_S_MAX {
            basis = format!(
                "{basis}; a gap of {:.0} s in the off-time could hide a short run",
                off.gap_s
            );
        }
        CycleRow {
            off_at: Some(off.off_at),
            next_on_at: closed.map(|c| c.next_on_at),
            on_s: off.ending.on_s,
            off_s: closed.and_then(Closed::off_s),
            start: verdict.start,
            ended_by: Some(verdict.ended_by),
            cause: verdict.cause,
            end_a: off.ending.end_a,
            case_off_c: off.ending.case_off_c,
            case_max_c: off.case_max_c,
            case_reset_c: closed.filter(|_| tripped).and_then(|c| c.case_next_c),
            reset_exact: tripped && closed.is_some_and(|c| c.next_seen) && off.held_exactly(),
            disc_c: off.disc_c,
            basis,
            ..self.on_row(on, verdict.start)
        }
    }

    fn running_row(&self, on: &OnPeriod, unit: &job::Unit) -> CycleRow {
        let start = verdict::start_kind(on, self.learned.stall(unit, on.first.supply_v), false);
        CycleRow {
            start,
            ..self.on_row(on, start)
        }
    }

    /// What is known of an on-period whose end has not been seen.
    fn on_row(&self, on: &OnPeriod, start: StartKind) -> CycleRow {
        let ran = start != StartKind::LockedRotor && on.came_down_at.is_none();
        let run_a = on
            .run_a()
            .or_else(|| on.whole_a().filter(|_| ran && on.seen_s() >= RUN_LEARNED_S));
        let expected = (seconds(on.last.time - on.first.time) / on.last.span_s).round() + 1.0;
        CycleRow {
            on_at: on.on_at,
            off_at: None,
            next_on_at: None,
            on_seen: on.on_seen,
            on_s: None,
            off_s: None,
            start,
            ended_by: None,
            cause: None,
            peak_a: Some(above_floor(on.peak_a, self.floor.level_a)),
            run_a,
            end_a: None,
            i2t_a2s: Some(on.i2t_a2s),
            case_on_c: on.case_on_c,
            case_off_c: None,
            case_max_c: on.case_max_c,
            case_reset_c: None,
            reset_exact: false,
            disc_c: None,
            valid: (on.samples as f64 / expected).clamp(0.0, 1.0),
            basis: String::new(),
        }
    }
}

/// A first reading up to this times the second is that of a current that falls as a locked one does, not of an inrush.
const FLAT: f64 = 1.05;
/// A last reading below this share of the one before it had current for only a part of its period.
const PARTIAL_OF_FULL: f64 = 0.9;
/// While the floor is not known, current has ended below this share of the first reading.
const OFF_OF_FIRST: f64 = 0.5;

/// A rise of the current on an appliance's lead, once it can be judged.
struct Rise {
    first: Moment,
    peak_a: f64,
    plateau_a: f64,
    seen_s: f64,
}

impl Rise {
    fn of(candidate: &[Moment]) -> Option<Self> {
        let (first, last) = (*candidate.first()?, candidate.last()?);
        let seen_s = last.since_s(first.time) + last.span_s;
        if seen_s < RISE_S || candidate.len() < RISE_SAMPLES {
            return None;
        }
        let recent = candidate
            .len()
            .saturating_sub(RISE_RECENT)
            .max(candidate.len() / 2);
        let mut settled: Vec<f64> = candidate.iter().skip(recent).map(|m| m.amps).collect();
        settled.sort_by(f64::total_cmp);
        let plateau_a = *settled.get(settled.len() / 2)?;
        let peak_a = candidate.iter().map(|m| m.amps).fold(0.0, f64::max);
        Some(Self {
            first,
            peak_a,
            plateau_a,
            seen_s,
        })
    }
}

impl Off {
    /// Asks demand and supply whether they went with the current, or hold.
    fn ask(&mut self, moment: &Moment, learned: &Learned) {
        let in_time = moment.time <= self.asked_until;
        let lost = learned.is_supply_lost(moment.supply_v);
        if in_time && self.ending.demand == Word::Held && moment.demand == 0.0 {
            self.ending.demand = Word::Gone;
        }
        if in_time && self.ending.supply == Word::Held && moment.supply_v.is_finite() && lost {
            self.ending.supply = Word::Gone;
        }
        let demand_held = moment.demand == 1.0;
        let supply_held = moment.supply_v.is_finite() && !lost;
        self.held &= demand_held && supply_held;
    }

    fn held_exactly(&self) -> bool {
        self.held && self.ending.demand == Word::Held && self.ending.supply == Word::Held
    }
}

impl Closed {
    fn off_s(&self) -> Option<f64> {
        (self.next_seen && !self.off.length_unknown)
            .then(|| seconds(self.next_on_at - self.off.off_at))
    }

    fn reset_event(&self) -> EventRow {
        let off_s = self.off_s();
        let detail = match (off_s, self.off.held_exactly() && self.next_seen) {
            (Some(off_s), true) => {
                format!("reclosed {off_s:.0} s after opening: demand and supply held")
            }
            (Some(off_s), false) => {
                format!("current is back {off_s:.0} s after opening: reclosed by now")
            }
            (None, _) => "current is back: reclosed by now".to_owned(),
        };
        EventRow {
            time: self.next_on_at,
            kind: EventKind::Reset,
            cause: None::<Cause>,
            current_a: None,
            case_c: self.case_next_c,
            detail,
        }
    }
}
