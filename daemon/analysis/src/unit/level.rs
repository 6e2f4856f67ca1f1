//! What a lead looks like with no current and with the compressor running: learned, not assumed.

use std::collections::VecDeque;

use super::moment::{Moment, larger, median};
use super::period::OnPeriod;
use super::verdict::STALL_SURE_OF_RUN;
use crate::job;

/// The least current that is taken for one, whatever the clamp, A: the smallest compressors run at 0.2 A.
const CURRENT_LEAST_A: f64 = 0.05;
/// A current stands out of the noise by this many standard deviations, to begin and to go on.
const OUT_OF_NOISE: (f64, f64) = (8.0, 5.0);
/// And by this many of the clamp's smallest steps: one step up and back is no current.
const OUT_OF_STEPS: f64 = 1.5;
/// No clamp for these currents has coarser steps, A: what is larger is a change of the current.
const STEP_MOST_A: f64 = 0.1;
/// And by this share of the running current, to begin and to go on: a fan on the same lead is less.
const OF_RUNNING: (f64, f64) = (0.35, 0.30);
/// The floor is followed with this time constant, s: a clamp's zero drifts with its temperature, over minutes.
const FLOOR_TAU_S: f64 = 60.0;
/// So many runs are remembered.
const RUNS_MAX: usize = 9;
/// Rated load stands this far above a learned running current, at least.
const RATED_OF_RUN: f64 = 1.2;
/// So many cycles show what is usual.
const USUAL_CYCLES: usize = 3;
/// A stalled rotor draws more than this many times the running current (data contract).
pub const STALL_OF_RUNNING: f64 = 2.5;
/// A stalled rotor draws more than this share of nameplate locked rotor (data contract).
pub const STALL_OF_LOCKED: f64 = 0.5;
/// It draws at least this many times the running current (common practice, no source: 4 to 8).
const LOCKED_OF_RUNNING: f64 = 5.0;
/// At nameplate locked rotor a protector that has not opened by then is late, s, where the job names no time.
const LOCKED_S_MOST: f64 = 40.0;
/// Nor is one late before this, s: a slow one takes 45 s from cold, and longer where the rotor draws less (common practice, no
/// source).
const LOCKED_S_LEAST: f64 = 75.0;
/// A protector that has opened stalls before is late at this many times the most heat it has taken to: from cold it takes about
/// twice as much as from its reset temperature, and at two thirds of the current about twice as much again (common practice, no
/// source).
const HEAT_OF_OPENED: f64 = 4.0;
/// That holds where the stall draws at least this share of the square of the current it opened at: a stall that draws much less
/// may be near what it carries.
const SQUARE_OF_OPENED: f64 = 0.4;
/// A learned running level above this many times rated load is not believed to be one.
const RUN_OF_RATED_MAX: f64 = 1.6;

/// The clamp's reading with no current in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Floor {
    /// Its level, A; 0 while not known.
    pub level_a: f64,
    /// Its standard deviation, A.
    pub noise_a: f64,
    known_s: f64,
}

impl Floor {
    /// A floor that has been seen.
    pub fn seen(level_a: f64, noise_a: f64) -> Self {
        Self {
            level_a,
            noise_a,
            known_s: 1.0,
        }
    }

    /// Nothing is known of the floor: current has flowed since the first sample.
    pub fn unseen() -> Self {
        Self {
            level_a: 0.0,
            noise_a: 0.0,
            known_s: 0.0,
        }
    }

    /// Whether it has been seen.
    pub fn is_known(&self) -> bool {
        self.known_s > 0.0
    }

    /// Follows a reading with no current.
    pub fn follow(&mut self, moment: &Moment) {
        let settled = moment.span_s / FLOOR_TAU_S;
        let gone = if self.known_s < FLOOR_TAU_S {
            larger(settled, moment.span_s / (self.known_s + moment.span_s))
        } else {
            settled
        }
        .min(0.5);
        if self.is_known() {
            let away = moment.amps - self.level_a;
            let noise = 1.25 * away.abs();
            self.level_a += gone * away;
            self.noise_a += gone * (noise - self.noise_a);
        } else {
            self.level_a = moment.amps;
        }
        self.known_s = (self.known_s + moment.span_s).min(FLOOR_TAU_S);
    }

    /// The reading has fallen for good below what was taken for the floor.
    pub fn sink_to(&mut self, level_a: f64) {
        *self = Self::seen(level_a, self.noise_a);
    }
}

/// The limit above which current stands for a rotor that does not turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stall {
    /// The limit, A.
    pub above_a: f64,
    /// Where it comes from.
    pub from: StallFrom,
}

/// Where a stall limit comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StallFrom {
    /// Half of nameplate locked rotor (A), at this share of the usual voltage.
    Nameplate {
        /// Nameplate locked rotor, A.
        locked_rotor_a: f64,
        /// Voltage of the moment over the usual one.
        voltage: f64,
    },
    /// A multiple of the learned running current, A.
    Learned(f64),
    /// A multiple of nameplate rated load, A: nothing has been learned yet.
    Rated(f64),
}

/// What has been learned of a unit from its own record so far.
#[derive(Debug, Clone, Default)]
pub struct Learned {
    runs_a: VecDeque<f64>,
    /// Their median: asked for at every sample, changed once a run.
    run_a: Option<f64>,
    /// Their lowest: the same.
    run_low_a: Option<f64>,
    /// The very first run's level while that run goes on.
    first_run_a: Option<f64>,
    supply_v: Option<f64>,
    /// Highest readings of sound starts, A, where the sampling resolves them.
    peaks_a: VecDeque<f64>,
    /// On- and off-times of cycles that a control ended, s.
    controlled_s: VecDeque<(f64, f64)>,
    /// Their medians.
    usual_s: Option<(f64, f64)>,
    /// Smallest difference of one reading from the next, A.
    step_a: Option<f64>,
    /// Least integral of the squared current after which the protector opened, A²s.
    opened_a2s: Option<f64>,
    /// Most heat after which it opened a rotor that never turned.
    opened_stall: Option<OpenedStall>,
}

/// A stall that the protector opened.
#[derive(Debug, Clone, Copy)]
struct OpenedStall {
    /// Integral of the squared current, A²s.
    a2s: f64,
    /// Mean of the squared current, A².
    square_a2: f64,
}

fn remember<T>(ring: &mut VecDeque<T>, value: T) {
    if ring.len() == RUNS_MAX {
        ring.pop_front();
    }
    ring.push_back(value);
}

impl Learned {
    /// A run at `run_a` has been seen through.
    pub fn run(&mut self, run_a: f64, unit: &job::Unit) {
        if unit
            .rated_load_a
            .is_some_and(|rated| run_a > RUN_OF_RATED_MAX * rated)
        {
            return;
        }
        remember(&mut self.runs_a, run_a);
        self.run_a = median(self.runs_a.iter().copied());
        self.run_low_a = self.runs_a.iter().copied().reduce(f64::min);
    }

    /// A sound start has peaked at `peak_a`.
    pub fn start_peak(&mut self, peak_a: f64) {
        remember(&mut self.peaks_a, peak_a);
    }

    /// Median of the peaks of sound starts, A: about locked rotor.
    pub fn peak_a(&self) -> Option<f64> {
        median(self.peaks_a.iter().copied())
    }

    /// The protector has opened after so much heat, A²s.
    pub fn opened(&mut self, i2t_a2s: f64) {
        let least = self.opened_a2s.map_or(i2t_a2s, |least| least.min(i2t_a2s));
        self.opened_a2s = Some(least);
    }

    /// The least heat after which it has opened so far, A²s.
    pub fn opened_least_a2s(&self) -> Option<f64> {
        self.opened_a2s
    }

    /// The protector has opened after so much heat, A²s, and so long, s, on a rotor that never turned.
    pub fn opened_stall(&mut self, a2s: f64, on_s: f64) {
        if on_s > 0.0 && self.opened_stall.is_none_or(|most| a2s > most.a2s) {
            let square_a2 = a2s / on_s;
            self.opened_stall = Some(OpenedStall { a2s, square_a2 });
        }
    }

    /// A control has ended a cycle of these on- and off-times, s.
    pub fn controlled(&mut self, on_s: f64, off_s: f64) {
        remember(&mut self.controlled_s, (on_s, off_s));
        if self.controlled_s.len() >= USUAL_CYCLES {
            let on_s = median(self.controlled_s.iter().map(|cycle| cycle.0));
            self.usual_s = on_s.zip(median(self.controlled_s.iter().map(|cycle| cycle.1)));
        }
    }

    /// Usual on- and off-time under the control, s, once enough have been seen.
    pub fn usual_s(&self) -> Option<(f64, f64)> {
        self.usual_s
    }

    /// Nothing has been learned of a run yet.
    pub fn knows_no_run(&self) -> bool {
        self.run_a().is_none()
    }

    /// The first run has settled at `run_a`; used until a whole run has been seen.
    pub fn first_run(&mut self, run_a: f64) {
        self.first_run_a.get_or_insert(run_a);
    }

    /// Median of the running currents, A.
    pub fn run_a(&self) -> Option<f64> {
        self.run_a.or(self.first_run_a)
    }

    /// Rated load, or what stands in for it: it stands somewhat above the running current, A.
    pub fn reference_a(&self, rated_load_a: Option<f64>) -> Option<f64> {
        rated_load_a.or_else(|| self.run_a().map(|run_a| RATED_OF_RUN * run_a))
    }

    /// Lowest of the running currents, A.
    pub fn run_low_a(&self) -> Option<f64> {
        self.run_low_a
    }

    /// Learns the clamp's smallest step from one reading and the next, A; whether it is another one now.
    pub fn step(&mut self, before_a: f64, amps: f64) -> bool {
        let away_a = (amps - before_a).abs();
        let is_smaller = away_a > f64::EPSILON && self.step_a.is_none_or(|step_a| away_a < step_a);
        if is_smaller {
            self.step_a = Some(away_a);
        }
        is_smaller
    }

    /// Follows the supply while it is there.
    pub fn supply(&mut self, moment: &Moment) {
        if moment.supply_v.is_nan() || moment.supply_v < SUPPLY_THERE_V {
            return;
        }
        // A median that walks: robust against sags, and one number to keep.
        let usual = self.supply_v.get_or_insert(moment.supply_v);
        let step = SUPPLY_V_PER_S * moment.span_s.min(10.0);
        *usual += step * (moment.supply_v - *usual).clamp(-1.0, 1.0);
    }

    /// Whether a supply reading stands for no supply: less than half of the usual.
    pub fn is_supply_lost(&self, supply_v: f64) -> bool {
        supply_v < self.supply_v.map_or(SUPPLY_THERE_V, |usual| 0.5 * usual)
    }

    /// The current above which the rotor does not turn, by what is known now.
    pub fn stall(&self, unit: &job::Unit, supply_v: f64) -> Option<Stall> {
        if let Some(locked_rotor_a) = unit.locked_rotor_a {
            let voltage = match self.supply_v {
                Some(usual) if supply_v.is_finite() => (supply_v / usual).clamp(0.5, 1.0),
                _ => 1.0,
            };
            let above_a = STALL_OF_LOCKED * locked_rotor_a * voltage;
            return Some(Stall {
                above_a,
                from: StallFrom::Nameplate {
                    locked_rotor_a,
                    voltage,
                },
            });
        }
        if let Some(run_a) = self.run_a() {
            return Some(Stall {
                above_a: STALL_OF_RUNNING * run_a,
                from: StallFrom::Learned(run_a),
            });
        }
        let rated_a = unit.rated_load_a?;
        Some(Stall {
            above_a: STALL_OF_RUNNING * rated_a,
            from: StallFrom::Rated(rated_a),
        })
    }

    /// Why a stall has lasted for too long where the job names no longest time: it has made as much heat as nameplate locked
    /// rotor makes in [`LOCKED_S_MOST`], where a protector opens within 20 s from cold (common practice, no source). Without a nameplate
    /// the peak of sound starts, or the least that a locked rotor draws beside a running one, stands for it, and the level has
    /// to be one that no start winding that stays in draws.
    pub fn stalled_too_long(&self, unit: &job::Unit, on: &OnPeriod) -> Option<String> {
        on.high_since?;
        if let Some(words) = self.stalled_longer_than_before(on) {
            return Some(words);
        }
        let (locked_a, words) = match self.stall(unit, f64::NAN)?.from {
            StallFrom::Nameplate { locked_rotor_a, .. } => (locked_rotor_a, "nameplate"),
            StallFrom::Learned(running_a) | StallFrom::Rated(running_a) => {
                if on.high_peak_a < STALL_SURE_OF_RUN * running_a {
                    return None;
                }
                let least_a = LOCKED_OF_RUNNING * running_a;
                match self.peak_a().filter(|peak_a| *peak_a > least_a) {
                    Some(peak_a) => (peak_a, "a start's"),
                    None => (least_a, "a locked rotor's least,"),
                }
            }
        };
        let is_late =
            on.high_a2s > locked_a * locked_a * LOCKED_S_MOST && on.high_s() >= LOCKED_S_LEAST;
        is_late.then(|| {
            format!(
                "locked-rotor current for {:.0} s, as much heat as {words} {locked_a:.1} A makes in {LOCKED_S_MOST:.0} s, and the \
                 protector has not opened",
                on.high_s()
            )
        })
    }

    /// This protector has opened stalls of this record with far less heat.
    fn stalled_longer_than_before(&self, on: &OnPeriod) -> Option<String> {
        let before = self.opened_stall?;
        let high_s = on.high_s();
        let never_turned = on.on_seen && on.came_down_at.is_none() && !on.stepped_down;
        let alike = on.high_a2s >= SQUARE_OF_OPENED * before.square_a2 * high_s;
        let is_late = never_turned
            && alike
            && on.high_a2s > HEAT_OF_OPENED * before.a2s
            && high_s >= LOCKED_S_LEAST;
        is_late.then(|| {
            format!(
                "locked-rotor current for {high_s:.0} s, {:.1} times the most heat with which the protector has opened a stall in \
                 this record, and it has not opened",
                on.high_a2s / before.a2s
            )
        })
    }

    /// The readings at which current begins and at which it still flows.
    pub fn thresholds(&self, floor: &Floor, unit: &job::Unit) -> (f64, f64) {
        // A compressor may run at 60 % of rated load, and of its first run: nothing else has been seen yet.
        let guessed = || unit.rated_load_a.or(self.first_run_a).map(|a| 0.6 * a);
        let running = match (self.run_low_a(), unit.rated_load_a) {
            (Some(run), Some(rated)) => Some(run.min(rated)),
            (Some(run), None) => Some(run),
            (None, _) => guessed(),
        };
        let above = running.map_or(0.0, |run| larger(run - floor.level_a, 0.0));
        let steps_a = self
            .step_a
            .map_or(0.0, |step_a| OUT_OF_STEPS * step_a.min(STEP_MOST_A));
        let reach = |noise: f64, least: f64, share: f64| {
            let out_of_noise = larger(noise * floor.noise_a, larger(least, steps_a));
            floor.level_a + larger(out_of_noise, share * above)
        };
        let on_a = reach(OUT_OF_NOISE.0, CURRENT_LEAST_A, OF_RUNNING.0);
        let off_a = reach(OUT_OF_NOISE.1, 0.7 * CURRENT_LEAST_A, OF_RUNNING.1);
        (on_a, off_a.min(on_a))
    }
}

/// The usual voltage is followed no faster than this, V/s: a brown-out of hours must not become usual.
const SUPPLY_V_PER_S: f64 = 0.002;
/// Less than this is no supply on any mains, V.
const SUPPLY_THERE_V: f64 = 60.0;
