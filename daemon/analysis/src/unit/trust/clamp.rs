//! The clamp: off its lead or on another one, its zero drifting, or at its end of range.

use super::{Doubt, Seen, Sensor, Word, lasted};
use crate::rows::RecordTime;
use crate::unit::moment::seconds;

/// Cooling has begun once the case has fallen by this from its highest after the stop, K: the heat of the heater leaves it
/// first, and that of the shell may come after.
const COOLED_K: f64 = 6.0;
/// Or by that, K, over so long a time, s.
const COOLED_SLOWLY: (f64, f64) = (2.0, 600.0);
/// A reading this share of the usual current above the floor is not nothing; where no usual one is known, this, A.
const NOT_NOTHING: (f64, f64) = (0.2, 0.1);
/// Warming by so much since, with the room's temperature known and not, K, within such a time, s, needs a compressor that
/// runs.
const WARMS_K: (f64, f64) = (3.0, 4.0);
/// See [`WARMS_K`].
const WARMS_S: (f64, f64) = (8.0, 900.0);
/// The room explains at most this share of it.
const ROOM_SHARE: f64 = 0.4;
/// After this long with no current, s, a case so far above the room, K, has cooled by that, K: soak is over.
const SOAKED: (f64, f64, f64) = (2700.0, 12.0, 1.0);
/// A clamp's floor above this share of the usual current, and so many times its first, is a drifting zero.
const DRIFTED: (f64, f64) = (0.35, 3.0);
/// Warming by so much, K, from the moment on in which power is offered; not sooner after a stop than this, s.
const WARMS_OFFERED: (f64, f64) = (2.5, 480.0);
/// So many times power was offered, each for so long, s, and no current came: a protector that was open has closed by then.
const OFFERED: (u32, f64) = (4, 300.0);
/// Or so many times one after the other, for as long as this control usually offers it, in shares of the median: what has not
/// run for want of a circuit cools nothing, and a control that waits for cold goes on waiting.
const OFFERED_AS_USUAL: (u32, f64, f64) = (2, 0.4, 2.5);
/// Current that flows for this long while no power is offered is not this compressor's, s.
const NOT_OFFERED_S: f64 = 900.0;
/// A floor is a floor after so long, s.
const FLOOR_S: f64 = 300.0;

/// The case since current ended.
#[derive(Debug, Clone, Copy)]
struct Rest {
    since: RecordTime,
    stopped: bool,
    begin_c: f64,
    high_c: f64,
    high_at: RecordTime,
    cooled: bool,
    low_c: f64,
    low_at: RecordTime,
    low_room_c: f64,
}

/// What the clamp has done.
#[derive(Debug, Default)]
pub struct ClampWatch {
    rest: Option<Rest>,
    has_run: bool,
    floor_first_a: Option<f64>,
    drift_told: bool,
    /// Power has been offered since then, long enough after the stop for soak and an open protector to be over: the case and
    /// the room at that time.
    offered_at: Option<(RecordTime, f64, f64)>,
    in_vain: InVain,
    was_offered: bool,
    not_offered_s: f64,
}

/// Power that was offered and brought no current.
#[derive(Debug, Clone, Copy, Default)]
struct InVain {
    /// How often, for so long that it counts.
    times: u32,
    /// How many of the last of them were as long as usual.
    as_usual: u32,
    /// For how long it is offered now, s.
    now_s: f64,
}

impl InVain {
    /// Power is taken away again; `usual_s` is how long it is usually offered.
    fn ended(&mut self, usual_s: Option<f64>) {
        let offered_s = core::mem::take(&mut self.now_s);
        if offered_s < OFFERED.1 {
            return;
        }
        let (_, least, most) = OFFERED_AS_USUAL;
        let is_usual = |usual_s: f64| (least * usual_s..most * usual_s).contains(&offered_s);
        self.times += 1;
        self.as_usual = if usual_s.is_some_and(is_usual) {
            self.as_usual + 1
        } else {
            0
        };
    }
}

impl ClampWatch {
    /// Something came between.
    pub fn blind(&mut self, seen: &Seen<'_>) {
        self.rest = None;
        self.offered_at = None;
        self.in_vain = InVain::default();
        self.not_offered_s = 0.0;
        // A run may have come and gone unseen.
        self.has_run = seen.on_since.is_some();
    }

    /// Current has long been flowing while no power is offered.
    pub fn is_contradicted(&self) -> bool {
        self.not_offered_s >= NOT_OFFERED_S
    }

    /// Every second or so.
    pub fn step(&mut self, seen: &Seen<'_>, elapsed_s: f64, case_believed: bool) -> Option<Doubt> {
        let elapsed_s = if elapsed_s.is_finite() {
            elapsed_s
        } else {
            0.0
        };
        if seen.on_since.is_some() {
            self.has_run = true;
            self.rest = None;
            self.offered_at = None;
            self.in_vain = InVain::default();
            return self.flows_unoffered(seen, elapsed_s);
        }
        self.not_offered_s = 0.0;
        if !case_believed {
            self.rest = None;
        }
        let tells = case_believed && seen.moment.case_c.is_finite();
        let warmed = if tells { self.warmed(seen) } else { None };
        warmed
            .or_else(|| self.offered_in_vain(seen, elapsed_s))
            .or_else(|| self.drifted(seen))
    }

    fn warmed(&mut self, seen: &Seen<'_>) -> Option<Doubt> {
        let (at, case_c) = (seen.moment.time, seen.moment.case_c);
        let since = seen.off_since.unwrap_or(at);
        let at_room = seen.above_room_k().abs() < 5.0;
        let rest = self.rest.get_or_insert(Rest {
            since,
            stopped: self.has_run,
            begin_c: case_c,
            high_c: case_c,
            high_at: at,
            // Nobody knows what was before: soak may be going on, unless the case is as cold as the room.
            cooled: !self.has_run && at_room,
            low_c: case_c,
            low_at: at,
            low_room_c: seen.moment.ambient_c,
        });
        if reads_something(seen) {
            // Not taken for a run, and yet no nothing: soak may come after it as after a stop.
            (rest.since, rest.begin_c, rest.cooled) = (at, case_c, false);
            rest.high_c = f64::NEG_INFINITY;
        }
        if !rest.cooled && case_c > rest.high_c {
            (rest.high_c, rest.high_at) = (case_c, at);
            rest.low_c = f64::INFINITY;
        }
        if case_c <= rest.low_c {
            (rest.low_c, rest.low_at, rest.low_room_c) = (case_c, at, seen.moment.ambient_c);
        }
        let fallen_k = rest.high_c - rest.low_c;
        let slowly =
            fallen_k >= COOLED_SLOWLY.0 && lasted(rest.high_at, rest.low_at, COOLED_SLOWLY.1);
        rest.cooled |= fallen_k >= COOLED_K || slowly;
        let rest = *rest;
        let offered = self.warms_offered(seen, &rest);
        offered
            .or_else(|| self.again(seen, &rest))
            .or_else(|| soaks_too_long(seen, &rest))
    }

    /// Warming again after cooling began.
    fn again(&mut self, seen: &Seen<'_>, rest: &Rest) -> Option<Doubt> {
        let (at, case_c) = (seen.moment.time, seen.moment.case_c);
        // What is colder than the room is warmed by that: a bead on the suction line after a stop.
        let rise_k = case_c - rest.low_c.max(seen.moment.ambient_c);
        let room_k = seen.moment.ambient_c - rest.low_room_c;
        let enough_k = if room_k.is_nan() {
            WARMS_K.1
        } else {
            WARMS_K.0
        };
        if !rest.cooled || rise_k < enough_k || room_k > ROOM_SHARE * rise_k {
            return None;
        }
        if !lasted(rest.low_at, at, WARMS_S.0) {
            // No case warms so fast by itself: somebody has put the bead on.
            self.rest = None;
            return None;
        }
        if lasted(rest.low_at, at, WARMS_S.1) {
            // Slower than a compressor warms its protector: look again from here.
            if let Some(rest) = &mut self.rest {
                (rest.low_c, rest.low_at, rest.low_room_c) = (case_c, at, seen.moment.ambient_c);
            }
            return None;
        }
        let why = format!(
            "clamp off or on another lead, it reads nothing while the case warms again from {:.0} to {case_c:.0} °C \
             within {:.0} min",
            rest.low_c,
            seconds(at - rest.low_at) / 60.0
        );
        Some(Doubt {
            sensor: Sensor::Current,
            word: Word::Doubted,
            since: rest.since,
            why,
        })
    }

    /// The case warms from the moment on in which power is offered.
    fn warms_offered(&mut self, seen: &Seen<'_>, rest: &Rest) -> Option<Doubt> {
        let (at, case_c) = (seen.moment.time, seen.moment.case_c);
        if seen.moment.demand != 1.0 || reads_something(seen) {
            self.offered_at = None;
            self.was_offered = seen.moment.demand == 1.0;
            return None;
        }
        if !core::mem::replace(&mut self.was_offered, true)
            && lasted(rest.since, at, WARMS_OFFERED.1)
        {
            self.offered_at = Some((at, case_c, seen.moment.ambient_c));
        }
        let (since, from_c, room_c) = self.offered_at?;
        let rise_k = case_c - from_c.max(room_c);
        let room_k = seen.moment.ambient_c - room_c;
        let in_time = lasted(since, at, WARMS_S.0) && !lasted(since, at, WARMS_S.1);
        if !in_time || rise_k < WARMS_OFFERED.0 || room_k > ROOM_SHARE * rise_k {
            return None;
        }
        let why = format!(
            "clamp off or on another lead, it reads nothing while demand is closed and the case warms from \
             {from_c:.0} to {case_c:.0} °C within {:.0} min of that",
            seconds(at - since) / 60.0
        );
        Some(Doubt {
            sensor: Sensor::Current,
            word: Word::Doubted,
            since: rest.since,
            why,
        })
    }

    /// Power is offered again and again, and no current comes.
    fn offered_in_vain(&mut self, seen: &Seen<'_>, elapsed_s: f64) -> Option<Doubt> {
        let in_vain = &mut self.in_vain;
        if seen.moment.demand == 1.0 {
            in_vain.now_s += elapsed_s;
            return None;
        }
        if seen.moment.demand == 0.0 {
            in_vain.ended(seen.usual_on_s);
        }
        if !self.has_run {
            return None;
        }
        let how = if in_vain.times >= OFFERED.0 {
            format!("{} times for 5 min and more", in_vain.times)
        } else if in_vain.as_usual >= OFFERED_AS_USUAL.0 {
            format!("{} times for as long as usual", in_vain.as_usual)
        } else {
            return None;
        };
        *in_vain = InVain {
            now_s: in_vain.now_s,
            ..InVain::default()
        };
        let rested_since = self.rest.map(|rest| rest.since);
        let since = rested_since.or(seen.off_since).unwrap_or(seen.moment.time);
        let why = format!(
            "clamp off, or the circuit is open: power was offered {how} and no current came"
        );
        Some(Doubt {
            sensor: Sensor::Current,
            word: Word::Doubted,
            since,
            why,
        })
    }

    fn flows_unoffered(&mut self, seen: &Seen<'_>, elapsed_s: f64) -> Option<Doubt> {
        let is_wrong = seen.moment.demand == 0.0 && !seen.shared;
        self.not_offered_s = if is_wrong {
            self.not_offered_s + elapsed_s
        } else {
            0.0
        };
        if !self.is_contradicted() {
            return None;
        }
        let since = seen
            .on_since?
            .max(seen.moment.time - (self.not_offered_s * 1e6) as i64);
        let why = format!(
            "{:.2} A for {:.0} min while demand is open: clamp on another lead, or demand wired wrongly",
            seen.moment.amps,
            self.not_offered_s / 60.0
        );
        Some(Doubt {
            sensor: Sensor::Current,
            word: Word::Doubted,
            since,
            why,
        })
    }

    fn drifted(&mut self, seen: &Seen<'_>) -> Option<Doubt> {
        let usual_a = seen.usual_a?;
        if seen.shared || self.drift_told || !lasted(seen.off_since?, seen.moment.time, FLOOR_S) {
            return None;
        }
        let first_a = *self.floor_first_a.get_or_insert(seen.floor_a);
        let drifted = seen.floor_a > DRIFTED.0 * usual_a && seen.floor_a > DRIFTED.1 * first_a;
        drifted.then(|| {
            self.drift_told = true;
            let why = format!(
                "drifting zero, {:.2} A with no current, {first_a:.2} A at first",
                seen.floor_a
            );
            Doubt {
                sensor: Sensor::Current,
                word: Word::Doubted,
                since: seen.moment.time,
                why,
            }
        })
    }
}

fn reads_something(seen: &Seen<'_>) -> bool {
    let nothing_a = seen
        .usual_a
        .map_or(NOT_NOTHING.1, |usual_a| NOT_NOTHING.0 * usual_a);
    seen.moment.amps - seen.floor_a > nothing_a
}

/// Long after a stop a case that is well above the room has cooled; one that has not is being warmed.
fn soaks_too_long(seen: &Seen<'_>, rest: &Rest) -> Option<Doubt> {
    let (at, case_c) = (seen.moment.time, seen.moment.case_c);
    let warm = seen.above_room_k() >= SOAKED.1;
    if !rest.stopped || rest.cooled || !warm || !lasted(rest.since, at, SOAKED.0) {
        return None;
    }
    (case_c > rest.begin_c - SOAKED.2).then(|| {
        let why = format!(
            "clamp off or on another lead, it reads nothing for {:.0} min and the case, {:.0} K above the room, has \
             not begun to cool",
            seconds(at - rest.since) / 60.0,
            seen.above_room_k()
        );
        Doubt { sensor: Sensor::Current, word: Word::Doubted, since: rest.since, why }
    })
}
