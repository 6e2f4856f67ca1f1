//! Current on, current off: the edges, and the cycles between them.
//!
//! A small machine with two states. It looks ahead by a few samples at each edge (a candidate has to last), dates the
//! edge inside its sample period by square means, and keeps the last ended cycle open until the next on-period has
//! settled, because what comes after (an off-time, a case temperature, a first running level) may still decide it.

use super::appliance::{STALL_FALLS, most_locked_a};
use super::beside::{Before, Beside};
use super::cycle::{Closed, Off};
use super::disc::Disc;
use super::level::{Floor, Learned};
use super::moment::{Moment, above_floor, finite, larger, micros, seconds, share_on};
use super::period::{OnPeriod, START_S};
use super::takeover::Takeover;
use super::verdict::{self, After, Ending, OPENS_HIGH_C, OPENS_TOL_C, Word};
use super::{Break, NOTHING_A};
use crate::board::GAP_PERIODS;
use crate::job::{self, ClampOn};
use crate::rows::{CycleRow, EndedBy, EventKind, EventRow, RecordTime};
use crate::status::Phase;

/// A gap with current on both sides is bridged up to here, s (data contract).
pub(super) const BRIDGE_S_MAX: f64 = 10.0;
/// A change has to last this long, s, and for two samples, to be an edge; at coarse periods one sample is enough.
const EDGE_S: f64 = 0.1;
/// See [`EDGE_S`], s.
pub(super) const COARSE_S: f64 = 1.5;
/// An on-period has settled after this, s: the cycle before it is final.
const SETTLED_S: f64 = 10.0;
/// Off for this long, the cycle is final, µs (data contract: 24 h).
const OFF_US_MAX: i64 = 86_400_000_000;
/// A contact may lag the current by this, s.
const CONTACT_LAG_S: f64 = 0.25;
/// Demand open for longer than this while current flows is no demand contact of this lead, s.
const DEMAND_WRONG_S: f64 = 2.0;
/// A run as long as this is a run, whatever its start looked like, s: no protector lets a stall last so long.
pub(super) const RUN_S_LEAST: f64 = 150.0;
/// A run is learned from after so much of it, s.
pub(super) const RUN_LEARNED_S: f64 = 10.0;
/// The peak of a start is resolved up to this sample period, s.
const PEAK_SPAN_S: f64 = 0.25;
/// Lag of the floor behind the reading that makes it wrong: it was no floor. Share of it, and s.
const FLOOR_WRONG: (f64, f64) = (0.3, 1.0);
/// The disc is late when above opening, tolerance and this, K (three times 3 K: scatter of a disc, bead and class).
const LATE_ABOVE_C: f64 = 9.0;
/// For at least this long, s.
const LATE_S_LEAST: f64 = 10.0;
/// The same for a case without a model of its disc: a disc follows its case within this, s (common practice, no source).
const LATE_CASE_S: f64 = 60.0;
/// The same in a stall that has lasted for as long as that, s.
const LATE_CASE_STALL_S: f64 = 15.0;

/// Everything a step needs beside the sample.
#[derive(Debug, Clone, Copy)]
pub struct Context<'a> {
    /// The job's unit.
    pub unit: &'a job::Unit,
    /// Something came between the last sample and this.
    pub broken: Option<Break>,
}

#[derive(Debug, Clone)]
pub(super) enum State {
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

/// An on-period, the cycle before it while that is not final, and whether its start has been told.
type Taken = (Box<OnPeriod>, Option<Box<Closed>>, bool);

/// What is kept of the last sample of all.
#[derive(Debug, Clone, Copy)]
pub(super) struct Last {
    pub(super) time: RecordTime,
    amps: f64,
}

/// The edges and cycles of one unit under one belief about its first samples.
#[derive(Debug, Clone)]
pub struct Detector {
    pub(super) state: State,
    pub(super) floor: Floor,
    pub(super) learned: Learned,
    pub(super) disc: Option<Disc>,
    /// Samples that may be the beginning of an edge.
    pub(super) candidate: Vec<Moment>,
    pub(super) last: Option<Last>,
    pub(super) on_a: f64,
    pub(super) off_a: f64,
    /// Time of the last sample before the candidate.
    pub(super) before_edge: Option<RecordTime>,
    /// The last on-period ran into a gap that is not bridged.
    pub(super) was_cut: bool,
    /// Samples below what was taken for the floor.
    pub(super) sinking: Vec<Moment>,
    /// The floor before another load came onto an appliance's lead.
    pub(super) bare: Option<Floor>,
    /// Demand at the last sample that stood on the floor.
    pub(super) demand_on_floor: f64,
    /// On an appliance's lead: what in mid-run looks as if another load had taken the compressor's place.
    pub(super) takeover: Takeover,
    /// Supply and start lead while no current flows.
    pub(super) before: Before,
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
        detector.off_a = detector.off_a.max(NOTHING_A);
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
            before_edge: None,
            was_cut: false,
            sinking: Vec::new(),
            bare: None,
            demand_on_floor: f64::NAN,
            takeover: Takeover::default(),
            before: Before::default(),
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
        let other_step = self
            .last
            .is_some_and(|last| self.learned.step(last.amps, moment.amps));
        if other_step && matches!(self.state, State::Off { .. }) {
            self.set_thresholds(cx.unit);
        }
        let elapsed_us = self.last.map_or(0, |last| moment.time - last.time);
        if let Some(disc) = &mut self.disc {
            let amps = above_floor(moment.amps, self.floor.level_a);
            disc.step(moment, amps, seconds(elapsed_us));
        }
        let unknown = cx.broken.is_some_and(|b| !b.length_known);
        let gap = unknown || elapsed_us as f64 > GAP_PERIODS * 1e6 * moment.span_s;
        if gap {
            self.gap(moment, seconds(elapsed_us), unknown, cx);
        }
        match self.state {
            State::Off { .. } => self.step_off(moment, gap, cx),
            State::On { .. } => self.step_on(moment, cx),
        }
        self.last = Some(Last {
            time: moment.time,
            amps: moment.amps,
        });
    }

    /// Whether final rows wait to be taken.
    pub fn has_rows(&self) -> bool {
        !self.events.is_empty() || !self.cycles.is_empty()
    }

    /// The end of the record: everything open becomes final.
    pub fn finish(&mut self, unit: &job::Unit) {
        if matches!(self.state, State::Off { .. }) && self.was_short_stall(unit) {
            self.begin(false, Context { unit, broken: None });
        }
        let (mut events, cycles) = self.open_rows(unit);
        self.events.append(&mut events);
        self.cycles.extend(cycles);
        let since = self.last.map_or(RecordTime::MIN, |last| last.time);
        self.state = State::Off {
            since,
            before: None,
        };
    }

    /// Rows that may still be revised, as they stand.
    pub fn open_rows(&self, unit: &job::Unit) -> (Vec<EventRow>, Vec<CycleRow>) {
        let mut events = Vec::new();
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

    /// Since when current has been flowing, or since when it has not.
    pub fn since(&self) -> (Option<RecordTime>, Option<RecordTime>) {
        match &self.state {
            State::On { on, .. } => (Some(on.on_at), None),
            State::Off { since, .. } => (None, Some(*since)),
        }
    }

    /// The clamp has been found to read nothing: what ended the last run is not known.
    pub fn doubt_current(&mut self) {
        if let State::Off {
            before: Some(off), ..
        } = &mut self.state
        {
            off.ending.clamp_doubted = true;
        }
    }

    /// The bead has been found to tell nothing since `since`: ends of runs from then on do not rest on it.
    pub fn doubt_case(&mut self, since: RecordTime) {
        let off = match &mut self.state {
            State::Off { before, .. } => before.as_deref_mut(),
            State::On { before, .. } => before.as_deref_mut().map(|closed| &mut closed.off),
        };
        if let Some(off) = off.filter(|off| off.off_at >= since) {
            off.ending.case_doubted = true;
        }
    }

    /// A danger in force: the protector should have opened by now.
    pub fn late(&self) -> bool {
        matches!(&self.state, State::On { on, .. } if on.late_told)
    }

    pub(super) fn set_thresholds(&mut self, unit: &job::Unit) {
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
        if matches!(self.state, State::Off { .. }) && self.was_short_stall(cx.unit) {
            self.begin(false, cx);
        }
        self.before.forget();
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
        let Some((on, before, told)) = self.take_on(since) else {
            return;
        };
        self.settle(before, cx.unit);
        if !told {
            let event = self.start_event(&on, cx.unit, false);
            self.events.push(event);
        }
        let off_a = self.off_a;
        self.learn(&on, cx.unit);
        if !self.floor.is_known() {
            // What is left behind the gap has to be some of that current, not the clamp's floor.
            self.off_a = self.off_a.max(off_a);
            self.on_a = self.on_a.max(self.off_a);
        }
        self.was_cut = true;
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
            if self.taken_over_by_compressor(moment, cx) {
                return self.step_on(moment, cx);
            }
            if self.was_short_stall(cx.unit) {
                self.begin(false, cx);
                return self.step_on(moment, cx);
            }
            self.candidate.clear();
            return self.stay_off(moment, cx);
        }
        let unseen = gap || self.last.is_none();
        if self.candidate.is_empty() {
            self.before_edge = self.last.map(|last| last.time);
        }
        self.candidate.push(*moment);
        if cx.unit.clamp_on == ClampOn::Appliance {
            return self.rise_on_appliance(unseen, cx);
        }
        if unseen || self.candidate.len() >= Self::edge_samples(moment.span_s) {
            self.begin(unseen, cx);
        }
    }

    fn stay_off(&mut self, moment: &Moment, cx: Context<'_>) {
        let is_lost = self.learned.is_supply_lost(moment.supply_v);
        self.before.follow(moment, is_lost);
        let wrong_a = larger(
            larger(FLOOR_WRONG.0 * self.floor.level_a, 6.0 * self.floor.noise_a),
            0.05,
        );
        if moment.amps < self.floor.level_a - wrong_a {
            self.sinking.push(*moment);
            let sunk_s: f64 = self.sinking.iter().map(|m| m.span_s).sum();
            if sunk_s >= self.sink_s(moment.span_s) {
                self.floor.sink_to(moment.amps);
                self.sinking.clear();
            }
        } else {
            self.sinking.clear();
            self.floor.follow(moment);
            self.demand_on_floor = moment.demand;
        }
        self.set_thresholds(cx.unit);
        let State::Off {
            before: Some(off), ..
        } = &mut self.state
        else {
            return;
        };
        if let Some(case_c) = finite(moment.case_c) {
            off.case_max_c = Some(off.case_max_c.map_or(case_c, |max| max.max(case_c)));
        }
        off.ask(moment, &self.learned);
        if moment.time - off.off_at >= OFF_US_MAX {
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
    pub(super) fn begin(&mut self, unseen: bool, cx: Context<'_>) {
        let candidate = core::mem::take(&mut self.candidate);
        let Some(&first) = candidate.first() else {
            return;
        };
        let mut on_at = if unseen {
            first.time
        } else {
            self.edge_up(&first, candidate.get(1))
        };
        if let State::Off {
            since,
            before: Some(_),
        } = &self.state
        {
            // Where one load takes another's place within a sample, both edges are dated inside it.
            on_at = on_at.max(*since);
        }
        let mut on = Box::new(OnPeriod::begin(on_at, !unseen, first));
        if !unseen {
            on.beside = Beside::begin(&self.before, &self.floor);
        }
        for moment in &candidate {
            let stall = self.learned.stall(cx.unit, moment.supply_v);
            on.add(moment, &self.floor, stall);
        }
        on.disc_c = self.disc.as_ref().and_then(Disc::temp_c);
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
        // Current on both sides of a gap that is not bridged: nobody can say that it began.
        let told = core::mem::take(&mut self.was_cut) && unseen;
        self.state = State::On { on, before, told };
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
        // Where samples are missing before the first, the middle of what is not known.
        let begin = first.time - micros(first.span_s);
        let lost_us = self.before_edge.map_or(0, |before| (begin - before).max(0));
        begin - lost_us / 2 + micros((1.0 - share) * first.span_s)
    }

    // ---- on

    /// Takes the on-period out, to be ended; from then on the unit counts as off since `since`.
    fn take_on(&mut self, since: RecordTime) -> Option<Taken> {
        let off = State::Off {
            since,
            before: None,
        };
        match core::mem::replace(&mut self.state, off) {
            State::On { on, before, told } => Some((on, before, told)),
            state @ State::Off { .. } => {
                self.state = state;
                None
            }
        }
    }

    pub(super) fn step_on(&mut self, moment: &Moment, cx: Context<'_>) {
        if moment.amps < self.off_a.max(self.off_beside_others_a(cx.unit)) {
            self.candidate.push(*moment);
            if self.candidate.len() >= Self::edge_samples(moment.span_s) {
                self.end(moment.time, cx);
            }
            return;
        }
        if !self.candidate.is_empty() {
            // It was no end: its samples belong to the on-period.
            for moment in core::mem::take(&mut self.candidate) {
                self.add(&moment, cx.unit);
            }
        }
        if self.was_taken_over(moment, cx) {
            return;
        }
        self.add(moment, cx.unit);
        if !self.floor.is_known() {
            self.guess_off(cx.unit);
        }
        self.first_run_if_due(cx.unit);
        self.settle_if_due(cx.unit);
        self.late_if_due(moment, cx.unit);
    }

    /// One more sample with current.
    fn add(&mut self, moment: &Moment, unit: &job::Unit) {
        let State::On { on, .. } = &mut self.state else {
            return;
        };
        on.add(
            moment,
            &self.floor,
            self.learned.stall(unit, moment.supply_v),
        );
        on.disc_c = self.disc.as_ref().and_then(Disc::temp_c);
    }

    /// The floor has not been seen: current has ended when about half of what it has settled at is gone.
    fn guess_off(&mut self, unit: &job::Unit) {
        let State::On { on, .. } = &self.state else {
            return;
        };
        if on.seen_s() < SETTLED_S {
            return;
        }
        let end_a = on.tail.end_a().unwrap_or(0.0);
        let level_a = on
            .steady
            .amps()
            .map_or(end_a, |steady_a| end_a.min(steady_a));
        let usual_a = unit
            .rated_load_a
            .map_or(level_a, |rated| level_a.min(rated));
        self.off_a = NOTHING_A.max(OFF_OF_FIRST * usual_a);
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
        self.settle(before, unit);
        let event = self.start_event(&on, unit, false);
        self.events.push(event);
    }

    fn late_if_due(&mut self, moment: &Moment, unit: &job::Unit) {
        let State::On { on, .. } = &mut self.state else {
            return;
        };
        // A letter in the place of a reading may be a clamp's fault as well.
        if on.late_told || moment.at_least {
            return;
        }
        let protector = &unit.protector;
        // On a shared lead a heater may draw as much, in the compressor's place or beside it: there it has to be a start that
        // never came down, and a current that falls as a winding's does.
        let falls = on.high_peak_a > STALL_FALLS * moment.amps;
        let start = on.on_seen && on.came_down_at.is_none();
        let rotor = unit.clamp_on == ClampOn::Common
            || (start && falls && moment.amps < most_locked_a(unit));
        if !rotor {
            return;
        }
        let stalled = match protector.longest_trip_s {
            Some(longest_s) => (on.high_s() > longest_s).then(|| {
                format!(
                    "locked-rotor current for {:.0} s and the protector has not opened",
                    on.high_s()
                )
            }),
            None => self.learned.stalled_too_long(unit, on),
        };
        let why = stalled.or_else(|| hot_too_long(on, moment, protector));
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
    pub(super) fn end(&mut self, now: RecordTime, cx: Context<'_>) {
        let candidate = core::mem::take(&mut self.candidate);
        let Some((mut on, before, told)) = self.take_on(now) else {
            return;
        };
        let (off_at, first_low, partial) = self.edge_down(&on, candidate.first());
        let stall = self.learned.stall(cx.unit, on.last.supply_v);
        on.close(partial, stall);
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

    /// How long a reading has to be below the floor to show that it was none, s: long enough on an appliance's lead to
    /// see whether a compressor has started there.
    fn sink_s(&self, span_s: f64) -> f64 {
        if self.bare.is_some() {
            (2.0 * FLOOR_WRONG.1).max(2.5 * span_s)
        } else {
            FLOOR_WRONG.1
        }
    }

    /// When within its period the current ended, the time of the first sample that shows it, and whether the last sample
    /// with current had it for only a part of its period.
    fn edge_down(&self, on: &OnPeriod, low: Option<&Moment>) -> (RecordTime, RecordTime, bool) {
        let (last, before) = (on.tail.last(0), on.tail.last(1));
        let Some(last) = last else {
            return (on.last.time, on.last.time, false);
        };
        let is_partial = |full: &&Moment| {
            let coarse = last.span_s > COARSE_S;
            let share = if coarse {
                PARTIAL_COARSE
            } else if last.span_s > PARTIAL_END_S {
                PARTIAL_END
            } else {
                PARTIAL_OF_FULL
            };
            last.amps < share * full.amps && (on.samples > 2 || coarse)
        };
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

    /// The very first run tells what current is before it has ended, and from what share of it on it has ended.
    fn first_run_if_due(&mut self, unit: &job::Unit) {
        let State::On { on, .. } = &self.state else {
            return;
        };
        if !self.learned.knows_no_run() || !on.on_seen || on.seen_s() < SETTLED_S {
            return;
        }
        let Some(run_a) = on.run_a().or_else(|| Self::level_of(on, unit)) else {
            return;
        };
        self.learned.first_run(run_a);
        self.set_thresholds(unit);
    }

    /// The level of a run that lasted for long enough to have one, A.
    fn level_of(on: &OnPeriod, unit: &job::Unit) -> Option<f64> {
        if on.run_s() >= RUN_LEARNED_S {
            match unit.clamp_on {
                ClampOn::Common => on.run_a(),
                ClampOn::Appliance => on.own_a(),
            }
        } else if on.seen_s() >= RUN_S_LEAST {
            on.whole_a()
        } else {
            None
        }
    }

    fn learn(&mut self, on: &OnPeriod, unit: &job::Unit) {
        if let Some(level_a) = Self::level_of(on, unit) {
            self.learned.run(level_a, unit);
        }
        let down_s = on
            .came_down_at
            .map_or(f64::INFINITY, |at| seconds(at - on.on_at));
        if on.on_seen
            && down_s < START_S
            && on.run_s() >= RUN_LEARNED_S
            && on.last.span_s <= PEAK_SPAN_S
            && on.over_range == 0
        {
            self.learned.start_peak(on.peak_a);
        }
        self.set_thresholds(unit);
    }

    fn ended(&self, on: Box<OnPeriod>, off_at: RecordTime, first_low: RecordTime) -> Off {
        let last = on.last;
        let shows_late = seconds(first_low - off_at) < CONTACT_LAG_S;
        let lag_s = match last.span_s {
            s if s <= CONTACT_LAG_S => CONTACT_LAG_S,
            // Read so soon after the current had ended, a contact may not have followed yet: the next reading tells.
            s if s <= COARSE_S && shows_late => 1.1 * s,
            _ => 0.0,
        };
        let wrong = on.demand_open_most_s > DEMAND_WRONG_S.max(3.0 * last.span_s);
        let supply = match last.supply_v {
            volts if volts.is_nan() => Word::Silent,
            volts if self.learned.is_supply_lost(volts) => Word::Gone,
            _ => Word::Held,
        };
        // The contact is read at the end of a period: of the one in which the current ended, where that is known.
        let demand = match on.partial.map_or(last.demand, |partial| partial.demand) {
            1.0 if !wrong => Word::Held,
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
            clamp_doubted: false,
            case_doubted: false,
            on: *on,
        };
        Off {
            off_at,
            disc_c: ending.on.disc_c,
            asked_until: first_low + micros(lag_s),
            unsure_until: if last.span_s > COARSE_S && ending.on.partial.is_some() {
                first_low + micros(1.5 * last.span_s)
            } else {
                first_low
            },
            supply_asked_until: first_low + micros(lag_s.max(1.5 * last.span_s)),
            case_max_c: ending.on.case_max_c,
            held: true,
            length_unknown: false,
            gap_s: 0.0,
            ending,
        }
    }
}

/// Why a protector is late by its temperature: the model's disc has been above its opening for too long, or where no model is
/// given its case: a disc that carries current is no colder than that, once it has had the time to follow.
fn hot_too_long(on: &mut OnPeriod, moment: &Moment, protector: &job::Protector) -> Option<String> {
    let case_c = finite(moment.believed_case_c()).filter(|_| protector.kind.is_external());
    let (what, by, hot_c, opens_c, least_s) = match (on.disc_c, protector.opens_c, case_c) {
        (Some(disc_c), Some(opens_c), _) => {
            let least_s = protector.heating_tau_s.unwrap_or(0.0).max(LATE_S_LEAST);
            ("disc", " by the model", disc_c, opens_c, least_s)
        }
        (None, opens_c, Some(case_c)) => {
            let opens_c = opens_c.unwrap_or(OPENS_HIGH_C);
            // In a stall the disc is hotter than its case.
            let stalled = on.came_down_at.is_none() && on.high_s() >= LATE_CASE_S;
            let least_s = if stalled {
                LATE_CASE_STALL_S
            } else {
                LATE_CASE_S
            };
            ("case", "", case_c, opens_c, least_s)
        }
        _ => return None,
    };
    let limit_c = opens_c + protector.opens_tol_c.unwrap_or(OPENS_TOL_C) + LATE_ABOVE_C;
    if hot_c <= limit_c {
        on.disc_late_since = None;
        return None;
    }
    let since = *on.disc_late_since.get_or_insert(moment.time);
    (seconds(moment.time - since) > least_s).then(|| {
        format!("{what} at {hot_c:.0} °C{by}, above {limit_c:.0} °C, and it has not opened")
    })
}

/// A first reading up to this times the second is that of a current that falls as a locked one does, not of an inrush.
const FLAT: f64 = 1.05;
/// A last reading below this share of the one before it had current for only a part of its period.
const PARTIAL_OF_FULL: f64 = 0.9;
/// Where one sample is all of the last second, it has to be whole: a locked current falls by less than this in one.
const PARTIAL_END: f64 = 0.95;
/// See [`PARTIAL_END`], s.
const PARTIAL_END_S: f64 = 0.7;
/// At coarse periods: over seconds a whole reading is close to the one before.
const PARTIAL_COARSE: f64 = 0.97;
/// While the floor is not known, current has ended below this share of what it has settled at.
const OFF_OF_FIRST: f64 = 0.5;
