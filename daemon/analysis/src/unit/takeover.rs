//! Another load in the compressor's place on an appliance's lead, without a moment between them: a defrost timer takes the
//! compressor off and puts the heater on, and later the heater off and the compressor on.

use super::appliance::most_locked_a;
use super::detector::{Context, Detector, RUN_LEARNED_S, State};
use super::level::Floor;
use super::moment::Moment;
use super::period::OnPeriod;
use crate::job::ClampOn;

/// A load that stands this far above the run before it is another one, once it has stayed for [`DEFROST_S`]. One that draws
/// about the same is told only by the compressor's start after it.
const OTHER_LOAD: f64 = 1.3;
/// A current within these bounds of the learned running current is the compressor's own.
const USUAL_RUN: (f64, f64) = (0.85, 1.2);
/// A defrost lasts for this long, s; a lamp beside a running compressor mostly does not. And for no longer than that.
const DEFROST_S: (f64, f64) = (300.0, 3600.0);
/// A step of the level by this share in mid-run is looked at, and by so many standard deviations of the clamp.
const STEP_SHARE: f64 = 0.03;
/// See [`STEP_SHARE`].
const STEP_OF_NOISE: f64 = 8.0;
/// A step has settled after this, s, and so many samples.
const STEP_SETTLED_S: f64 = 3.0;
/// See [`STEP_SETTLED_S`].
const STEP_SETTLED_SAMPLES: u64 = 5;
/// A step is undone when no more than this share of it is left.
const UNDONE: f64 = 0.3;
/// A heater's level stays within this share of itself.
const HEATER_STAYS: f64 = 0.03;
/// A reading this far above the level may be the beginning of a start.
const SURGE: f64 = 1.5;
/// So many readings at a stall's level are no spike of the meter.
const SURGE_SAMPLES: usize = 2;

/// So many steps are remembered.
const STEPS_MAX: usize = 4;

/// What in mid-run looks as if another load had taken the compressor's place.
#[derive(Debug, Clone, Default)]
pub(super) struct Takeover {
    /// Steps of this run's level that were not undone, oldest first, at most [`STEPS_MAX`].
    steps: Vec<Step>,
    /// A step that has not settled: it may be a spike.
    unsettled: Option<Step>,
    /// Where demand opened while the lead went on drawing a current.
    unoffered: Option<Step>,
    /// Readings far above the level, from the first on, and the level before them.
    surge: Vec<Moment>,
    level_a: f64,
}

/// A step of the level in mid-run.
#[derive(Debug, Clone)]
struct Step {
    /// The first sample after it.
    at: Moment,
    /// The run up to it.
    run: Box<OnPeriod>,
    before_a: f64,
    /// The level after it, once settled; before that the reading.
    after_a: f64,
}

impl Step {
    fn height_a(&self) -> f64 {
        (self.after_a - self.before_a).abs()
    }

    /// A later step has gone back: a lamp went off again.
    fn is_undone_by(&self, later: &Self) -> bool {
        let left_a = (later.after_a - self.before_a).abs();
        left_a < UNDONE * self.height_a() && later.height_a() > (1.0 - UNDONE) * self.height_a()
    }

    /// The level after the step has not moved since, for as long as a defrost takes.
    fn stood_still(&self, level_a: f64, now: &Moment) -> bool {
        let lasted_s = now.since_s(self.at.time);
        (DEFROST_S.0..DEFROST_S.1).contains(&lasted_s)
            && (level_a - self.after_a).abs() < HEATER_STAYS * self.after_a
    }
}

impl Takeover {
    fn remember(&mut self, step: Step) {
        if step.height_a() < STEP_SHARE * step.before_a {
            return; // A spike of the meter.
        }
        let recent = |s: &Step| step.at.since_s(s.at.time) < DEFROST_S.1;
        self.steps.retain(recent);
        if let Some(undone) = self.steps.iter().rposition(|s| s.is_undone_by(&step)) {
            self.steps.remove(undone);
            return;
        }
        if self.steps.len() == STEPS_MAX {
            self.steps.remove(0);
        }
        self.steps.push(step);
    }

    /// The place in [`Self::steps`] of the largest step for which `fits` holds.
    fn largest(&self, fits: impl Fn(&Step) -> bool) -> Option<usize> {
        let fitting = self.steps.iter().enumerate().filter(|(_, step)| fits(step));
        let largest = fitting.max_by(|a, b| a.1.height_a().total_cmp(&b.1.height_a()));
        largest.map(|(place, _)| place)
    }
}

impl Detector {
    /// Follows the level in mid-run. If another load has been in the compressor's place, ends the run where that came, and
    /// begins the next where it went.
    pub(super) fn was_taken_over(&mut self, moment: &Moment, cx: Context<'_>) -> bool {
        let State::On { on, .. } = &self.state else {
            return false;
        };
        if cx.unit.clamp_on != ClampOn::Appliance {
            return false; // Nothing else is on the lead.
        }
        if on.run_s() < RUN_LEARNED_S {
            self.takeover = Takeover::default();
            return false;
        }
        if self.surged(moment, cx) {
            return true;
        }
        if !self.takeover.surge.is_empty() {
            return false;
        }
        if self.was_taken_off(moment, cx) {
            return true;
        }
        self.follow_step(moment);
        let Some(place) = self
            .takeover
            .largest(|step| self.is_other_load(step, moment, cx))
        else {
            return false;
        };
        self.stand_on_load(place, moment, cx);
        true
    }

    /// Demand has opened in mid-run and the lead draws another current since: the compressor is off, and another load is on.
    fn was_taken_off(&mut self, moment: &Moment, cx: Context<'_>) -> bool {
        let State::On { on, .. } = &self.state else {
            return false;
        };
        if moment.demand != 0.0 {
            self.takeover.unoffered = None;
            return false;
        }
        let level_a = on.steady.amps().unwrap_or(moment.amps);
        let was_offered = on.last.demand == 1.0;
        let Some(step) = &self.takeover.unoffered else {
            self.takeover.unoffered = was_offered.then(|| Step {
                at: *moment,
                run: on.clone(),
                before_a: level_a,
                after_a: moment.amps,
            });
            return false;
        };
        let settled = moment.since_s(step.at.time) >= STEP_SETTLED_S
            && on.samples >= step.run.samples + STEP_SETTLED_SAMPLES;
        let least_a = (STEP_SHARE * step.before_a).max(STEP_OF_NOISE * self.floor.noise_a);
        if !settled || (level_a - step.before_a).abs() < least_a {
            return false;
        }
        let Some(step) = self.takeover.unoffered.take() else {
            return false;
        };
        self.takeover.steps = vec![step];
        self.stand_on_load(0, moment, cx);
        true
    }

    fn follow_step(&mut self, moment: &Moment) {
        let State::On { on, .. } = &self.state else {
            return;
        };
        let level_a = on.steady.amps().unwrap_or(moment.amps);
        let Some(step) = &mut self.takeover.unsettled else {
            let least_a = (STEP_SHARE * level_a).max(STEP_OF_NOISE * self.floor.noise_a);
            if (moment.amps - level_a).abs() > least_a {
                self.takeover.unsettled = Some(Step {
                    at: *moment,
                    run: on.clone(),
                    before_a: level_a,
                    after_a: moment.amps,
                });
            }
            return;
        };
        let settled = moment.since_s(step.at.time) >= STEP_SETTLED_S
            && on.samples >= step.run.samples + STEP_SETTLED_SAMPLES;
        if !settled {
            return;
        }
        step.after_a = level_a;
        if let Some(step) = self.takeover.unsettled.take() {
            self.takeover.remember(step);
        }
    }

    /// A load far above the run before the step, that stays and is neither a stall nor the usual run.
    fn is_other_load(&self, step: &Step, moment: &Moment, cx: Context<'_>) -> bool {
        let stalled = || {
            let stall = self.learned.stall(cx.unit, moment.supply_v);
            stall.is_some_and(|s| (s.above_a..most_locked_a(cx.unit)).contains(&moment.amps))
        };
        let usual = || {
            let own_a = moment.amps - self.bare.unwrap_or(self.floor).level_a;
            let run_a = self.learned.run_a();
            run_a.is_some_and(|a| (USUAL_RUN.0 * a..USUAL_RUN.1 * a).contains(&own_a))
        };
        moment.since_s(step.at.time) >= DEFROST_S.0
            && moment.amps > OTHER_LOAD * step.before_a
            && step.after_a > OTHER_LOAD * step.before_a
            && !stalled()
            && !usual()
    }

    /// The run had ended with a step, and what is on the lead since is another load.
    fn stand_on_load(&mut self, place: usize, moment: &Moment, cx: Context<'_>) {
        let level_a = match &self.state {
            State::On { on, .. } => on.steady.amps().unwrap_or(moment.amps),
            State::Off { .. } => moment.amps,
        };
        self.go_back_to(place, cx);
        self.bare = Some(self.floor);
        self.floor = Floor::seen(level_a, self.floor.noise_a);
        self.set_thresholds(cx.unit);
    }

    /// A compressor's start out of a level that stood still since it stepped: the compressor had been off since then.
    fn surged(&mut self, moment: &Moment, cx: Context<'_>) -> bool {
        let State::On { on, .. } = &self.state else {
            return false;
        };
        let level_a = on.steady.amps().unwrap_or(moment.amps);
        if self.takeover.surge.is_empty() && moment.amps < SURGE * level_a {
            return false;
        }
        let before_a = self
            .takeover
            .surge
            .first()
            .map_or(level_a, |_| self.takeover.level_a);
        let Some(place) = self
            .takeover
            .largest(|step| step.stood_still(before_a, moment))
        else {
            return false;
        };
        if moment.amps < SURGE * before_a {
            self.takeover.surge.clear();
            return false;
        }
        self.takeover.level_a = before_a;
        self.takeover.surge.push(*moment);
        let Some(stall) = self.learned.stall(cx.unit, moment.supply_v) else {
            return false;
        };
        let high = self
            .takeover
            .surge
            .iter()
            .filter(|m| m.amps >= stall.above_a);
        if high.count() < SURGE_SAMPLES {
            return false;
        }
        let surge = core::mem::take(&mut self.takeover.surge);
        self.go_back_to(place, cx);
        self.candidate = surge;
        self.begin(false, cx);
        true
    }

    /// Ends the run where its level stepped.
    fn go_back_to(&mut self, place: usize, cx: Context<'_>) {
        let Step { at, run, .. } = self.takeover.steps.swap_remove(place);
        self.takeover = Takeover::default();
        if let State::On { on, .. } = &mut self.state {
            *on = run;
        }
        self.candidate = vec![Moment {
            amps: self.floor.level_a,
            ..at
        }];
        self.end(at.time, cx);
        self.before_edge = self.last.map(|last| last.time);
    }
}
