//! A clamp on the whole appliance's lead: lamps, fans and heaters share it with the compressor.

use super::detector::{Context, Detector, RUN_LEARNED_S, State};
use super::level::{Floor, StallFrom};
use super::moment::Moment;
use crate::job::{self, ClampOn};

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

impl Detector {
    /// On an appliance's lead lamps, fans and heaters come and go: a compressor's start is told by its inrush, by a stall,
    /// or by demand that closes with it. Any other rise that stays is another load, and becomes the floor.
    pub(super) fn rise_on_appliance(&mut self, unseen: bool, cx: Context<'_>) {
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
    pub(super) fn was_short_stall(&self, unit: &job::Unit) -> bool {
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

    /// Where other loads share the lead the current does not fall to the floor: most of this run's own has gone.
    pub(super) fn off_beside_others_a(&self, unit: &job::Unit) -> f64 {
        let State::On { on, .. } = &self.state else {
            return 0.0;
        };
        if unit.clamp_on != ClampOn::Appliance || on.run_s() < RUN_LEARNED_S {
            return 0.0;
        }
        let run_a = on.run_a().unwrap_or(0.0);
        self.floor.level_a + OFF_BESIDE_OTHERS * (run_a - self.floor.level_a).max(0.0)
    }
}
