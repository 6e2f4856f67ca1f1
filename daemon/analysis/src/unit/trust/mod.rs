//! Can a sensor be believed? Decided from all channels together, said once it is concluded, with the time since when it
//! may hold. A hot case after a stop is normal; what is not possible is.
//!
//! The limits are wide on purpose: a false alarm costs the trust in every later one. They are common practice (no source)
//! where they are not physics.

mod bead;
mod ceiling;
mod clamp;
mod still;

use bead::BeadWatch;
use ceiling::Ceiling;
use clamp::ClampWatch;
use still::Still;

use super::moment::{Moment, micros, seconds};
pub use crate::doubt::{Sensor, Word};
use crate::rows::RecordTime;

/// The slow rules look at a sample no more often than this, µs.
const LOOK_US: i64 = 1_000_000;
/// Longer without a sample, and the rules begin anew, s.
const BLIND_S: f64 = 120.0;
/// A clamp that has shown a current for so long in all is on its lead again, s.
const FLOWS_S: f64 = 30.0;

/// What is concluded of a sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct Doubt {
    /// Which.
    pub sensor: Sensor,
    /// That it cannot be believed, or can be again.
    pub word: Word,
    /// Since when it may hold.
    pub since: RecordTime,
    /// What is wrong, or right again, and what that rests on.
    pub why: String,
}

/// What the rules see of one sample.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// The sample.
    pub moment: &'a Moment,
    /// Since when current has been flowing.
    pub on_since: Option<RecordTime>,
    /// Since when none has.
    pub off_since: Option<RecordTime>,
    /// Other loads share the lead.
    pub shared: bool,
    /// The clamp's floor and the usual running current, A.
    pub floor_a: f64,
    /// See [`Self::floor_a`].
    pub usual_a: Option<f64>,
    /// How long this compressor usually runs until the control ends it, s.
    pub usual_on_s: Option<f64>,
}

impl Seen<'_> {
    /// How far the case stands above the room, K; NaN if not known.
    fn above_room_k(&self) -> f64 {
        self.moment.case_c - self.moment.ambient_c
    }
}

/// The rules of one unit, and what they have concluded.
#[derive(Debug, Default)]
pub struct Trust {
    case_still: Still,
    current_still: Still,
    bead: BeadWatch,
    clamp: ClampWatch,
    ceiling: Ceiling,
    looked_at: Option<RecordTime>,
    doubted: [bool; 2],
    /// How long current has flowed since the clamp was doubted, s.
    flowed_s: f64,
}

impl Trust {
    /// Whether a sensor is still believed.
    pub fn believes(&self, sensor: Sensor) -> bool {
        !self.doubted[sensor as usize]
    }

    /// Forgets everything: the sensors are others from here on. Those that could not be believed.
    pub fn begin_anew(&mut self) -> impl Iterator<Item = Sensor> + use<> {
        let doubted = core::mem::take(self).doubted;
        Sensor::ALL
            .into_iter()
            .filter(move |sensor| doubted[*sensor as usize])
    }

    /// What is looked at in every sample: `current` and `case` are what the board sent, and current has been flowing since
    /// `on_since`. That the clamp is at the end of its range is said, and no more: a stall's level there is still a
    /// stall's.
    #[inline]
    pub fn glance(
        &mut self,
        moment: &Moment,
        current: Option<i32>,
        case: Option<i32>,
        on_since: Option<RecordTime>,
    ) -> Option<Doubt> {
        let flowing = on_since.is_some();
        self.case_still.step(case, moment.time, flowing);
        self.bead.edge(moment, flowing);
        let since = on_since?;
        self.current_still.step(current, moment.time, flowing);
        self.ceiling.step(current, moment, since)
    }

    /// Whether [`Self::look`] is due at `at`.
    pub fn is_look_due(&self, at: RecordTime) -> bool {
        self.looked_at.is_none_or(|before| at - before >= LOOK_US)
    }

    /// What is looked at every second or so; what is concluded from it.
    pub fn look(&mut self, seen: &Seen<'_>) -> Vec<Doubt> {
        let at = seen.moment.time;
        let flowing = seen.on_since.is_some();
        let elapsed_s = self
            .looked_at
            .map_or(f64::INFINITY, |before| seconds(at - before));
        if elapsed_s > BLIND_S {
            self.bead.blind();
            self.clamp.blind(seen);
        }
        self.looked_at = Some(at);
        if flowing && elapsed_s <= BLIND_S {
            self.flowed_s += elapsed_s;
        }
        let mut said = self.restored(seen);
        if let Some(doubt) = self.conclude(seen, elapsed_s) {
            match doubt.sensor {
                Sensor::Case => self.bead.is_doubted(),
                Sensor::Current => self.flowed_s = 0.0,
            }
            let doubted = &mut self.doubted[doubt.sensor as usize];
            if !core::mem::replace(doubted, true) {
                said.push(doubt);
            }
        }
        said
    }

    fn conclude(&mut self, seen: &Seen<'_>, elapsed_s: f64) -> Option<Doubt> {
        let on_case = self.bead.step(seen);
        let on_clamp = self
            .clamp
            .step(seen, elapsed_s, self.believes(Sensor::Case));
        on_case
            .or(on_clamp)
            .or_else(|| self.frozen(seen.moment.time))
    }

    fn frozen(&self, at: RecordTime) -> Option<Doubt> {
        let frozen = |sensor, still: &Still| {
            let since = still.frozen_since(at)?;
            let why = format!(
                "frozen, the same value for {:.0} min while the current came or went, or where it has always moved",
                seconds(at - since) / 60.0
            );
            Some(Doubt {
                sensor,
                word: Word::Doubted,
                since,
                why,
            })
        };
        frozen(Sensor::Case, &self.case_still)
            .or_else(|| frozen(Sensor::Current, &self.current_still))
    }

    /// A sensor that behaves again is believed again.
    fn restored(&mut self, seen: &Seen<'_>) -> Vec<Doubt> {
        let mut said = Vec::new();
        let mut again = |sensor, since, why: &str| {
            said.push(Doubt {
                sensor,
                word: Word::Believed,
                since,
                why: why.to_owned(),
            });
        };
        let [current, case] = &mut self.doubted;
        if *case && self.bead.is_sound_again() && self.case_still.has_moved() {
            *case = false;
            let why = "through a whole run it has followed the current as a case does";
            again(Sensor::Case, seen.moment.time, why);
        }
        // Current that starts is a clamp on its lead, unless demand contradicts it.
        if let Some(since) = seen.on_since
            && *current
            && self.flowed_s > FLOWS_S
            && self.current_still.has_moved()
            && !self.clamp.is_contradicted()
        {
            *current = false;
            let why = "it shows a current that began, and moves";
            again(Sensor::Current, since, why);
        }
        said
    }
}

/// Whether something has lasted for so many seconds.
fn lasted(since: RecordTime, at: RecordTime, s: f64) -> bool {
    at - since >= micros(s)
}
