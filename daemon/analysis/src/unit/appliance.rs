//! A clamp on the whole appliance's lead: lamps, fans and heaters share it with the compressor.

use super::detector::{COARSE_S, Context, Detector, RUN_LEARNED_S, RUN_S_LEAST, State};
use super::level::Floor;
use super::moment::{Moment, median};
use crate::job::{self, ClampOn};

/// On an appliance's lead a rise is judged after this, s, and so many samples.
const RISE_S: f64 = 1.5;
/// See [`RISE_S`].
const RISE_SAMPLES: usize = 4;
/// An inrush stands above what it settles to by this; lamps and heaters have none that lasts.
const INRUSH_OF_PLATEAU: f64 = 1.6;
/// By this, where it settles to the running current that was learned, within these bounds.
const INRUSH_OF_RUN: f64 = 1.25;
/// See [`INRUSH_OF_RUN`].
const LIKE_RUN: (f64, f64) = (0.7, 1.4);
/// What is left of an inrush over seconds, above what follows it.
const COARSE_INRUSH: f64 = 1.08;
/// Where that is seen, the level may lie within these: an overload builds up and is learned from its mean.
const LIKE_RUN_AFTER_INRUSH: (f64, f64) = (0.5, 2.0);
/// A rise so far above a stall's limit is one at once: no heater of an appliance draws so much.
const SURELY_LOCKED: f64 = 1.4;
/// And one so far above nameplate locked rotor is none.
const SURELY_NO_ROTOR: f64 = 1.3;
/// The running current expected where the sample period hides inrushes ([`COARSE_S`]), as a share of rated load.
const COARSE_OF_RATED: f64 = 0.8;
/// So many periods from one sample to the next, and one has been lost.
const LOST_PERIODS: f64 = 1.5;
/// The level of a rise is that of at most so many of its last samples.
const RISE_RECENT: usize = 15;
/// A rise to a stall's level that lasts longer is no stall, s: no protector of these lets one last so long.
const HEATER_S: f64 = 90.0;
/// What is left of a stall's current when its winding has heated.
const STALL_LEFT: f64 = 0.62;
/// A rise that has fallen by this much within seconds is a stall's.
pub(super) const STALL_FALLS: f64 = 1.07;
/// Unless its current has fallen by more than a heater's does, as a winding's does when it heats.
const HEATER_FALLS: f64 = 1.04;
/// Over its first minutes a compressor's current falls by at least this, as the suction pressure comes down; a heater's
/// or a lamp's does not (common practice, no source).
const RUN_FALLS: f64 = 1.04;
/// What may be left on the lead when the compressor has stopped, as a share of its own current: a lamp, a fan.
const OFF_BESIDE_OTHERS: f64 = 0.4;

/// A rise of the current on an appliance's lead, once it can be judged.
struct Rise {
    first: Moment,
    /// The reading before the largest step up.
    base_a: f64,
    peak_a: f64,
    plateau_a: f64,
    /// The first whole readings.
    early_a: f64,
    seen_s: f64,
}

impl Rise {
    fn of(candidate: &[Moment], floor_a: f64) -> Option<Self> {
        let (first, last) = (*candidate.first()?, candidate.last()?);
        let seen_s = last.since_s(first.time) + last.span_s;
        if seen_s < RISE_S || candidate.len() < RISE_SAMPLES {
            return None;
        }
        let recent = candidate
            .len()
            .saturating_sub(RISE_RECENT)
            .max(candidate.len() / 2);
        let plateau_a = median(candidate.iter().skip(recent).map(|m| m.amps))?;
        let peak_a = candidate.iter().map(|m| m.amps).fold(0.0, f64::max);
        // A lamp may have come on first: the compressor stands on what was there before the largest step.
        let before = core::iter::once(floor_a).chain(candidate.iter().map(|m| m.amps));
        let steps = before.zip(candidate.iter().map(|m| m.amps));
        let below = steps.filter(|step| step.0 < plateau_a);
        let base_a = below
            .max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)))
            .map_or(floor_a, |step| step.0);
        let early_a = median(candidate.iter().skip(1).take(3).map(|m| m.amps))?;
        Some(Self {
            first,
            base_a,
            peak_a,
            plateau_a,
            early_a,
            seen_s,
        })
    }

    /// Whether it looks like a start: an inrush, and what it settles to.
    fn is_start(&self, run_a: Option<f64>) -> bool {
        is_start(self.base_a, self.peak_a, self.plateau_a, run_a)
    }
}

fn is_start(base_a: f64, peak_a: f64, plateau_a: f64, run_a: Option<f64>) -> bool {
    let (peak, plateau) = (peak_a - base_a, plateau_a - base_a);
    let like_run =
        run_a.is_some_and(|run_a| (LIKE_RUN.0 * run_a..LIKE_RUN.1 * run_a).contains(&plateau));
    plateau > 0.0
        && (peak >= INRUSH_OF_PLATEAU * plateau || (like_run && peak >= INRUSH_OF_RUN * plateau))
}

/// What no standing rotor draws, A.
pub(super) fn most_locked_a(unit: &job::Unit) -> f64 {
    SURELY_NO_ROTOR * unit.locked_rotor_a.unwrap_or(f64::INFINITY)
}

impl Detector {
    /// On an appliance's lead lamps, fans and heaters come and go: a compressor's start is told by its inrush, by a stall,
    /// or by demand that closes with it. Any other rise that stays is another load, and becomes the floor.
    pub(super) fn rise_on_appliance(&mut self, unseen: bool, cx: Context<'_>) {
        let Some(rise) = Rise::of(&self.candidate, self.floor.level_a) else {
            return;
        };
        let inrush = rise.is_start(self.learned.run_a());
        let newest = self.candidate.last().map_or(f64::NAN, |m| m.demand);
        let demanded = newest == 1.0 && self.demand_on_floor == 0.0;
        let offered = rise.first.demand != 0.0;
        let high = self
            .learned
            .stall(cx.unit, rise.first.supply_v)
            .filter(|s| rise.peak_a >= s.above_a && rise.plateau_a >= STALL_LEFT * s.above_a)
            .filter(|_| rise.plateau_a - rise.base_a < most_locked_a(cx.unit));
        let locked = high.is_some_and(|stall| rise.plateau_a >= SURELY_LOCKED * stall.above_a);
        let hidden = self.is_hidden_start(&rise, cx.unit);
        if offered && (inrush || demanded || locked || hidden) {
            self.leave_other_load(rise.plateau_a, cx.unit);
            return self.begin(unseen, cx);
        }
        let fell = rise.peak_a > STALL_FALLS * rise.plateau_a && rise.seen_s >= 2.0 * RISE_S;
        if offered && high.is_some() && fell {
            return self.begin(unseen, cx);
        }
        if offered && high.is_some() && rise.seen_s < HEATER_S {
            return; // A stall ends by then, or its current falls; a heater's does neither.
        }
        if offered && high.is_some() && rise.peak_a > HEATER_FALLS * rise.plateau_a {
            return self.begin(unseen, cx);
        }
        let unheard_of = offered && rise.first.span_s > COARSE_S && self.own_a(cx.unit).is_none();
        if unheard_of && rise.seen_s < RUN_S_LEAST {
            return; // Only its course can tell, and that takes time.
        }
        if unheard_of && rise.early_a - rise.base_a > RUN_FALLS * (rise.plateau_a - rise.base_a) {
            return self.begin(unseen, cx);
        }
        self.candidate.clear();
        self.stand_on(rise.plateau_a, cx.unit);
    }

    /// The running current that is learned or to be expected, where anything is known of it.
    fn own_a(&self, unit: &job::Unit) -> Option<f64> {
        let rated_a = unit.rated_load_a.map(|rated| COARSE_OF_RATED * rated);
        self.learned.run_a().or(rated_a)
    }

    /// At a coarse sample period an inrush may hide between two samples, and at any in a line that was lost: then the level
    /// has to do, where it is the compressor's own.
    fn is_hidden_start(&self, rise: &Rise, unit: &job::Unit) -> bool {
        let own_a = if rise.first.span_s > COARSE_S {
            self.own_a(unit)
        } else {
            let lost = |before| rise.first.since_s(before) > LOST_PERIODS * rise.first.span_s;
            let is_lost = self.before_edge.is_some_and(lost);
            self.learned.run_a().filter(|_| is_lost)
        };
        // Nothing but an inrush makes a first period, of which only a part had current, read more than whole ones.
        let like = if rise.first.amps > COARSE_INRUSH * rise.early_a {
            LIKE_RUN_AFTER_INRUSH
        } else {
            LIKE_RUN
        };
        let level_a = rise.plateau_a - rise.base_a;
        own_a.is_some_and(|own_a| (like.0 * own_a..like.1 * own_a).contains(&level_a))
    }

    /// A start that settles to the running current above the bare floor: the other load went off with it.
    fn leave_other_load(&mut self, plateau_a: f64, unit: &job::Unit) {
        let (Some(bare), Some(run_a)) = (self.bare, self.learned.run_a()) else {
            return;
        };
        if (LIKE_RUN.0 * run_a..LIKE_RUN.1 * run_a).contains(&(plateau_a - bare.level_a)) {
            self.floor = bare;
            self.bare = None;
            self.set_thresholds(unit);
        }
    }

    /// Another load is on the lead: what the lead shows without the compressor is now this.
    fn stand_on(&mut self, level_a: f64, unit: &job::Unit) {
        self.bare.get_or_insert(self.floor);
        self.floor = Floor::seen(level_a, self.floor.noise_a);
        self.set_thresholds(unit);
    }

    /// The reading has come down to a level below that of another load: nothing is on any more, or the compressor has
    /// started in the moment in which a defrost heater was switched off.
    pub(super) fn taken_over_by_compressor(&mut self, moment: &Moment, cx: Context<'_>) -> bool {
        let Some(bare) = self.bare else { return false };
        let (bare_on_a, _) = self.learned.thresholds(&bare, cx.unit);
        if moment.amps <= bare_on_a {
            if moment.amps < bare.level_a + 0.5 * (bare_on_a - bare.level_a) {
                self.bare = None;
            }
            return false;
        }
        if moment.amps > self.floor.level_a || moment.demand == 0.0 {
            return false;
        }
        // Power is offered from here on, and something draws a current: that is what it is offered to.
        let demanded = moment.demand == 1.0 && self.demand_on_floor == 0.0;
        let peak_a = self.candidate.iter().map(|m| m.amps).fold(0.0, f64::max);
        let like_run = self.learned.run_a().is_some_and(|run_a| {
            (LIKE_RUN.0 * run_a..LIKE_RUN.1 * run_a).contains(&(moment.amps - bare.level_a))
        });
        let inrush = peak_a - bare.level_a >= INRUSH_OF_PLATEAU * (moment.amps - bare.level_a);
        let sunk_s: f64 = self.sinking.iter().map(|m| m.span_s).sum();
        let stays = !self.sinking.is_empty() && sunk_s + moment.span_s >= RISE_S;
        if !(like_run || demanded) || !(inrush || stays) {
            return false;
        }
        self.floor = bare;
        self.bare = None;
        self.set_thresholds(cx.unit);
        if self.candidate.is_empty() {
            self.candidate = core::mem::take(&mut self.sinking);
        }
        if self.candidate.is_empty() {
            self.candidate.push(*moment);
        }
        self.begin(false, cx);
        true
    }

    /// The candidate is over already, but it was a stalled rotor's current for as long as it lasted.
    pub(super) fn was_short_stall(&self, unit: &job::Unit) -> bool {
        let Some(first) = self
            .candidate
            .first()
            .filter(|_| unit.clamp_on == ClampOn::Appliance)
        else {
            return false;
        };
        let Some(stall) = self.learned.stall(unit, first.supply_v) else {
            return false;
        };
        let whole = self.candidate.get(1..).unwrap_or_default();
        let sure = || whole.iter().rev().skip(1).map(|m| m.amps);
        let peak_a = sure().fold(0.0, f64::max);
        whole.len() >= 2
            && first.demand != 0.0
            && peak_a >= stall.above_a
            && sure().all(|amps| amps >= STALL_LEFT * peak_a)
    }

    /// Where other loads share the lead the current does not fall to the floor: most of this run's own has gone.
    pub(super) fn off_beside_others_a(&self, unit: &job::Unit) -> f64 {
        let State::On { on, .. } = &self.state else {
            return 0.0;
        };
        if unit.clamp_on != ClampOn::Appliance || on.run_s() < RUN_LEARNED_S {
            return 0.0;
        }
        let run_a = on.own_a().unwrap_or(0.0);
        self.floor.level_a + OFF_BESIDE_OTHERS * (run_a - self.floor.level_a).max(0.0)
    }
}
