//! The bead: fallen off, on the wrong place, or picking up the mains.

use std::collections::VecDeque;

use super::{Doubt, Moment, Seen, Sensor, Word, lasted};
use crate::rows::RecordTime;
use crate::unit::moment::{median, seconds};

/// A case with current in its protector has warmed by then, s.
const WARM_S: f64 = 840.0;
/// Or by the end of a run of at least this, s.
const WARM_S_LEAST: f64 = 420.0;
/// One that stands this close to the room by then, K, and has not risen by more than that beside the room, K, is no
/// protector's case.
const AT_ROOM_K: f64 = 4.0;
/// See [`AT_ROOM_K`].
const RISEN_K: f64 = 1.5;
/// Nothing on a compressor's shell is so far below the room while it runs, K: a suction line is.
const BELOW_ROOM_K: f64 = -3.0;
/// With current flowing for long enough, s, no case falls by so much, K, within this, s.
const FALLS: (f64, f64, f64) = (240.0, 9.0, 120.0);
/// With no current for so long, s, no case falls so fast either: what is left is the shell's slow cooling.
const FALLS_IDLE_S: f64 = 600.0;
/// Without the room's temperature: so many runs have warmed the case by this in [`WARM_S`], K, and one that begins warmer
/// than any of them by no more than that, K, does not.
const USUALLY_RISES: (usize, f64, f64) = (2, 4.0, 3.0);
/// Or, whatever they rose by: one that ends so much colder than any of them, K, and has not risen by that, K. Far below where
/// the usual current takes it a case warms.
const COLDER_THAN_ANY: (f64, f64) = (6.0, 1.0);
/// No room is warmer, Cel.
const ROOM_MOST_C: f64 = 45.0;
/// So many runs are remembered.
const RUNS_MAX: usize = 12;
/// The current has to be at least this share of the usual, so long after the start, s.
const USUAL_SHARE: f64 = 0.5;
/// See [`USUAL_SHARE`].
const STARTED_S: f64 = 60.0;
/// A step of the reading at the end of current by so much, K, in so many cycles one after the other, is the mains.
const PICK_UP: (f64, usize) = (2.0, 3);
/// Readings before and after an edge that are compared, no farther apart than this, s.
const AROUND_EDGE: usize = 3;
/// See [`AROUND_EDGE`].
const EDGE_SPAN_S: f64 = 1.0;

/// A run, as the bead saw it.
#[derive(Debug, Clone, Copy)]
struct Run {
    since: RecordTime,
    begin_c: f64,
    high_c: f64,
    begin_room_c: f64,
    /// The current has been about the usual one.
    usual: bool,
    /// It has been looked at as a whole.
    judged: bool,
}

/// What the bead has done.
#[derive(Debug)]
pub struct BeadWatch {
    run: Option<Run>,
    /// Case at the beginning of earlier runs, and its rise.
    earlier: VecDeque<(f64, f64)>,
    /// The case over the last two minutes, some ten seconds apart.
    recent: VecDeque<(RecordTime, f64)>,
    /// The newest readings, oldest first; NaN while there are none.
    last: [f64; AROUND_EDGE],
    /// Readings since the current ended, while the step there is looked at.
    after_end: Option<(f64, Vec<f64>)>,
    was_flowing: bool,
    steps: usize,
    sound: bool,
}

impl Default for BeadWatch {
    fn default() -> Self {
        Self {
            run: None,
            earlier: VecDeque::new(),
            recent: VecDeque::new(),
            last: [f64::NAN; AROUND_EDGE],
            after_end: None,
            was_flowing: false,
            steps: 0,
            sound: false,
        }
    }
}

impl BeadWatch {
    /// Something came between: a run's course is not known through it.
    pub fn blind(&mut self) {
        self.run = None;
        self.recent.clear();
        self.last = [f64::NAN; AROUND_EDGE];
        self.after_end = None;
    }

    /// Since it was doubted, the bead has followed a run's current as a case does, and picks up nothing.
    pub fn is_sound_again(&self) -> bool {
        self.sound && self.steps < PICK_UP.1
    }

    /// What it did before it was doubted speaks for it no longer.
    pub fn is_doubted(&mut self) {
        self.sound = false;
    }

    /// At every sample: what the reading does in the moment in which current ends.
    #[inline]
    pub fn edge(&mut self, moment: &Moment, flowing: bool) {
        let case_c = moment.case_c;
        if !case_c.is_finite() || moment.span_s > EDGE_SPAN_S {
            return;
        }
        let ended = core::mem::replace(&mut self.was_flowing, flowing) && !flowing;
        if ended && self.last.iter().all(|c| c.is_finite()) {
            // The sample that shows the end is late by one or two.
            self.after_end = median(self.last.iter().copied()).map(|before| (before, Vec::new()));
        }
        if self.after_end.is_some() {
            self.after_edge(case_c);
        }
        let [_, before, last] = self.last;
        self.last = [before, last, case_c];
    }

    #[cold]
    fn after_edge(&mut self, case_c: f64) {
        let Some((before_c, after)) = &mut self.after_end else {
            return;
        };
        after.push(case_c);
        if after.len() >= AROUND_EDGE {
            let after_c = median(after.iter().copied()).unwrap_or(case_c);
            let fell = *before_c - after_c > PICK_UP.0;
            self.steps = if fell { self.steps + 1 } else { 0 };
            self.after_end = None;
        }
    }

    /// Every second or so.
    pub fn step(&mut self, seen: &Seen<'_>) -> Option<Doubt> {
        let case_c = seen.moment.case_c;
        if !case_c.is_finite() {
            return None;
        }
        let ended = self.run.filter(|run| seen.on_since != Some(run.since));
        let whole =
            ended.filter(|run| !run.judged && lasted(run.since, seen.moment.time, WARM_S_LEAST));
        let cold = whole.and_then(|run| self.stayed_cold(seen, &run));
        self.follow(seen);
        let run = self.run.filter(|run| run.usual && !seen.shared);
        let cold = cold.filter(|_| !seen.shared);
        cold.or_else(|| self.picks_up(seen)).or_else(|| {
            let Some(run) = run else {
                return self.fell_idle(seen);
            };
            self.fell(seen, &run).or_else(|| {
                let due = !run.judged && lasted(run.since, seen.moment.time, WARM_S);
                due.then(|| self.stayed_cold(seen, &run)).flatten()
            })
        })
    }

    fn picks_up(&self, seen: &Seen<'_>) -> Option<Doubt> {
        if self.steps < PICK_UP.1 {
            return None;
        }
        let why = format!(
            "mains pick-up, the reading falls by more than {:.0} K in the moment in which current ends",
            PICK_UP.0
        );
        doubt(seen.on_since.unwrap_or(seen.moment.time), why)
    }

    fn follow(&mut self, seen: &Seen<'_>) {
        let (at, case_c) = (seen.moment.time, seen.moment.case_c);
        let Some(since) = seen.on_since else {
            if self.run.take().is_some() {
                self.recent.clear();
            }
            return self.remember(at, case_c);
        };
        let begin = || Run {
            since,
            begin_c: case_c,
            high_c: case_c,
            begin_room_c: seen.moment.ambient_c,
            usual: false,
            judged: false,
        };
        let run = match &mut self.run {
            Some(run) if run.since == since => run,
            run => {
                self.recent.clear();
                run.insert(begin())
            }
        };
        run.high_c = run.high_c.max(case_c);
        let enough = |usual_a: f64| seen.moment.amps > USUAL_SHARE * usual_a;
        run.usual |= lasted(since, at, STARTED_S) && seen.usual_a.is_none_or(enough);
        self.remember(at, case_c);
    }

    /// The case over the last two minutes.
    fn remember(&mut self, at: RecordTime, case_c: f64) {
        if self
            .recent
            .back()
            .is_none_or(|newest| lasted(newest.0, at, 10.0))
        {
            self.recent.push_back((at, case_c));
        }
        while self
            .recent
            .front()
            .is_some_and(|oldest| lasted(oldest.0, at, FALLS.2))
        {
            self.recent.pop_front();
        }
    }

    fn fell(&self, seen: &Seen<'_>, run: &Run) -> Option<Doubt> {
        let (at, case_c) = (seen.moment.time, seen.moment.case_c);
        if !lasted(run.since, at, FALLS.0) {
            return None;
        }
        let (since, high_c) = self.fallen_from(case_c)?;
        let why = format!(
            "bead off, it fell from {high_c:.0} to {case_c:.0} °C within {:.0} s while {:.2} A flowed",
            seconds(at - since),
            seen.moment.amps
        );
        doubt(since, why)
    }

    /// The highest of the last two minutes, if it has fallen from there faster than a case does.
    fn fallen_from(&self, case_c: f64) -> Option<(RecordTime, f64)> {
        let fell = |reading: &&(RecordTime, f64)| reading.1 - case_c >= FALLS.1;
        let highest = self.recent.iter().filter(fell);
        highest.max_by(|a, b| a.1.total_cmp(&b.1)).copied()
    }

    /// Long after a stop it falls as no case does: it has come off, and takes the room's temperature.
    fn fell_idle(&self, seen: &Seen<'_>) -> Option<Doubt> {
        let (at, case_c) = (seen.moment.time, seen.moment.case_c);
        let off_s = seen.moment.since_s(seen.off_since?);
        let (since, high_c) = self.fallen_from(case_c)?;
        let is_room = !seen.above_room_k().is_nan() && seen.above_room_k() < AT_ROOM_K;
        let may_be_room = seen.moment.ambient_c.is_nan() && case_c < ROOM_MOST_C;
        let fell = !seen.shared && off_s >= FALLS_IDLE_S;
        if !fell || !(is_room || may_be_room) {
            return None;
        }
        let why = format!(
            "bead off, it fell from {high_c:.0} to {case_c:.0} °C within {:.0} s, {:.0} min after the current had ended",
            seconds(at - since),
            off_s / 60.0
        );
        doubt(since, why)
    }

    fn stayed_cold(&mut self, seen: &Seen<'_>, run: &Run) -> Option<Doubt> {
        let (at, case_c) = (seen.moment.time, seen.moment.case_c);
        if let Some(run) = &mut self.run {
            run.judged = true;
        }
        if !run.usual {
            return None;
        }
        let above_k = seen.above_room_k();
        let room_k = seen.moment.ambient_c - run.begin_room_c;
        let rise_k = run.high_c - run.begin_c - room_k.max(0.0);
        let minutes = seconds(at - run.since) / 60.0;
        let why = if above_k < BELOW_ROOM_K {
            format!(
                "bead on a wrong place, {:.0} K below the room after {minutes:.0} min of current",
                -above_k
            )
        } else if above_k < AT_ROOM_K && rise_k < RISEN_K {
            format!(
                "bead off, {case_c:.0} °C after {minutes:.0} min of current, as warm as the room"
            )
        } else if case_c < ROOM_MOST_C
            && seen.moment.ambient_c.is_nan()
            && ((rise_k < USUALLY_RISES.2 && self.rises_otherwise(run.begin_c))
                || (rise_k < COLDER_THAN_ANY.1 && self.is_colder_than_any(run.high_c)))
        {
            format!(
                "bead off, {case_c:.0} °C after {minutes:.0} min of current, without the rise that earlier runs had"
            )
        } else {
            self.sound = rise_k > USUALLY_RISES.1 || above_k > 3.0 * AT_ROOM_K;
            if self.earlier.len() == RUNS_MAX {
                self.earlier.pop_front();
            }
            self.earlier.push_back((run.begin_c, rise_k));
            return None;
        };
        doubt(run.since, why)
    }

    /// Earlier runs have all left the case far warmer.
    fn is_colder_than_any(&self, high_c: f64) -> bool {
        let warmer = |run: &(f64, f64)| run.0 + run.1 >= high_c + COLDER_THAN_ANY.0;
        self.earlier.len() >= USUALLY_RISES.0 && self.earlier.iter().all(warmer)
    }

    /// Earlier runs have all warmed the case, from a beginning that was hardly colder.
    fn rises_otherwise(&self, begin_c: f64) -> bool {
        let rise =
            |run: &(f64, f64)| run.1 >= USUALLY_RISES.1 && run.0 >= begin_c - USUALLY_RISES.2;
        self.earlier.len() >= USUALLY_RISES.0 && self.earlier.iter().all(rise)
    }
}

fn doubt(since: RecordTime, why: String) -> Option<Doubt> {
    Some(Doubt {
        sensor: Sensor::Case,
        word: Word::Doubted,
        since,
        why,
    })
}
