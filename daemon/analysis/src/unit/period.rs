//! An on-period as it goes on, and everything its judgement needs once it is over.

use super::beside::Beside;
use super::level::{Floor, Stall};
use super::moment::{Moment, SquareMean, Steady, Tail, above_floor, finite, larger, seconds};
use crate::rows::RecordTime;

/// A start that has not come down to running by then is a locked rotor, s: "within a few seconds".
pub const START_S: f64 = 5.0;
/// Nothing is said of a start that was seen for less than this, s: a sound one may take as long.
pub const START_SEEN_S: f64 = 1.2;
/// A first reading above this times the second was an inrush's.
const FIRST_OF_SECOND: f64 = 1.08;
/// A start's step down is looked for this early, s, over this time, s, at periods no longer than that, s.
const STEP_BEFORE_S: f64 = 3.0;
/// See [`STEP_BEFORE_S`].
const STEP_S: f64 = 0.6;
/// See [`STEP_BEFORE_S`].
const STEP_S_COARSE: f64 = 1.0;
/// What is left after a step, within [`STEP_S`] and at coarser periods. A locked current that loses a third while its
/// winding heats for five seconds keeps 0.96 over the one and 0.93 over the other.
const STEP_SHARE: (f64, f64) = (0.9, 0.8);
/// Without any rating, a fall to this share of the peak is a rotor that has started.
const CAME_DOWN_OF_PEAK: f64 = 0.65;
/// Running current is taken from so long after the rotor came up to speed, s.
const RUN_AFTER_S: f64 = 1.0;
/// The mean of a run stands above its steady level by less than this.
const MEAN_OF_STEADY: f64 = 1.2;
/// A cold heater's surge is over by then, s.
const SURGE_S: f64 = 3.0;
/// Room air when current began is that of one of so many first samples.
const AMBIENT_SAMPLES: u64 = 10;
/// What a winding that heats leaves of the current it began with: copper loses up to 35 % (common practice, no source).
const HEATED_SHARE: f64 = 0.65;
/// High for at least this long is a stall and no blip, s.
pub const STALL_S: f64 = 1.0;

/// An on-period: what has been seen of it so far.
#[derive(Debug, Clone)]
pub struct OnPeriod {
    /// When current began, or the first sample that had it.
    pub on_at: RecordTime,
    /// The beginning was seen.
    pub on_seen: bool,
    /// First and last sample with current.
    pub first: Moment,
    /// The last sample with current.
    pub last: Moment,
    /// The last second.
    pub tail: Tail,
    /// Largest reading, A.
    pub peak_a: f64,
    /// The clamp's floor under the last sample, A: another load on the lead may raise it later.
    pub floor_a: f64,
    /// A level that single readings do not move.
    pub steady: Steady,
    /// Lowest whole reading of the first [`START_S`], A.
    pub early_low_a: f64,
    /// The first whole reading, A.
    pub level_first_a: f64,
    /// Whole readings within the first [`START_S`].
    pub early: u32,
    /// Integral of the squared current above the floor, A²s.
    pub i2t_a2s: f64,
    /// Since when the rotor has been turning, by the limits known at the time.
    pub came_down_at: Option<RecordTime>,
    /// Since when the current has been at a stall's level without a break.
    pub high_since: Option<RecordTime>,
    /// Largest whole reading since then, but for its first [`SURGE_S`], A.
    pub high_peak_a: f64,
    /// Integral of the squared current since then, A²s.
    pub high_a2s: f64,
    run: SquareMean,
    whole: SquareMean,
    /// Case temperature at the beginning and its maximum, Cel.
    pub case_on_c: Option<f64>,
    /// Highest case temperature, Cel.
    pub case_max_c: Option<f64>,
    /// The last sample of all, if it had current for only a part of its period.
    pub partial: Option<Moment>,
    /// Soon after the start the current fell at once, not smoothly: the rotor has turned, whatever it draws since.
    pub stepped_down: bool,
    /// It is open whether the last sample had current for the whole of its period.
    is_last_unsure: bool,
    /// The last sample above the floor, A.
    last_above_a: f64,
    /// Samples with a current reading.
    pub samples: u64,
    /// Those of them at the end of the clamp's range.
    pub over_range: u64,
    /// Demand has been open for this long while current flowed, at the most, s.
    pub demand_open_most_s: f64,
    demand_open_s: f64,
    /// A `late` event has been given.
    pub late_told: bool,
    /// Since when the modelled disc, or without a model its case, has been above its opening.
    pub disc_late_since: Option<RecordTime>,
    /// The disc at the last sample with current, Cel.
    pub disc_c: Option<f64>,
    /// What stands beside the line current.
    pub(super) beside: Beside,
}

impl OnPeriod {
    /// An on-period that begins at `on_at` with the sample `first`.
    pub fn begin(on_at: RecordTime, on_seen: bool, first: Moment) -> Self {
        Self {
            on_at,
            on_seen,
            first,
            last: first,
            tail: Tail::default(),
            peak_a: 0.0,
            floor_a: 0.0,
            steady: Steady::default(),
            early_low_a: f64::INFINITY,
            level_first_a: 0.0,
            early: 0,
            i2t_a2s: 0.0,
            came_down_at: None,
            high_since: None,
            high_peak_a: 0.0,
            high_a2s: 0.0,
            run: SquareMean::default(),
            whole: SquareMean::default(),
            case_on_c: finite(first.case_c),
            case_max_c: None,
            partial: None,
            stepped_down: false,
            is_last_unsure: false,
            last_above_a: 0.0,
            samples: 0,
            over_range: 0,
            demand_open_most_s: 0.0,
            demand_open_s: 0.0,
            late_told: false,
            disc_late_since: None,
            disc_c: None,
            beside: Beside::default(),
        }
    }

    /// One more sample with current.
    pub fn add(&mut self, moment: &Moment, floor: &Floor, stall: Option<Stall>) {
        let amps = above_floor(moment.amps, floor.level_a);
        if self.beside.ambient_on_c.is_none() && self.samples < AMBIENT_SAMPLES {
            self.beside.ambient_on_c = finite(moment.ambient_c);
        }
        // Over a partial first period the square mean already counts the part without current.
        let span_s = if self.samples == 0 {
            moment.span_s
        } else {
            moment.since_s(self.last.time)
        };
        self.i2t_a2s += amps * amps * span_s;
        self.peak_a = larger(self.peak_a, moment.amps);
        self.floor_a = floor.level_a;
        if let Some(case_c) = finite(moment.case_c) {
            self.case_on_c.get_or_insert(case_c);
            self.case_max_c = Some(self.case_max_c.map_or(case_c, |max| larger(max, case_c)));
        }
        self.demand_open_s = if moment.demand == 0.0 {
            self.demand_open_s + span_s
        } else {
            0.0
        };
        self.demand_open_most_s = self.demand_open_most_s.max(self.demand_open_s);
        // Only what comes after a sample shows that it had current for the whole of its period.
        if core::mem::replace(&mut self.is_last_unsure, true) {
            let whole = self.last;
            self.whole_sample(&whole, self.last_above_a, stall);
        }
        self.last_above_a = amps;
        self.tail.push(*moment);
        self.steady.push(moment);
        self.last = *moment;
        self.samples += 1;
        self.over_range += u64::from(moment.at_least);
    }

    /// The current has ended; `partial` if the last sample had it for only a part of its period.
    pub fn close(&mut self, partial: bool, stall: Option<Stall>) {
        let last = core::mem::take(&mut self.is_last_unsure).then_some(self.last);
        if partial {
            self.partial = last;
            self.tail.drop_last();
            self.last = self.tail.last(0).copied().unwrap_or(self.last);
        } else if let Some(whole) = last {
            self.whole_sample(&whole, self.last_above_a, stall);
        }
    }

    /// A sample that had current for the whole of its period, `amps` of it above the floor.
    #[inline]
    fn whole_sample(&mut self, moment: &Moment, amps: f64, stall: Option<Stall>) {
        if self.on_seen {
            self.beside.start(moment, moment.since_s(self.first.time));
        }
        if self.on_seen && moment.time == self.first.time {
            return; // Its period began before the current.
        }
        let elapsed_s = moment.since_s(self.on_at);
        if self.early == 0 {
            // The first period had current for a part of it only; that it read more than a whole one shows an inrush.
            self.stepped_down |= self.on_seen && self.first.amps > FIRST_OF_SECOND * moment.amps;
            self.level_first_a = moment.amps;
        }
        self.early(moment, elapsed_s);
        self.step_down(moment, elapsed_s);
        self.rotor(moment, stall, elapsed_s);
        self.means(moment, amps, elapsed_s);
    }

    fn early(&mut self, moment: &Moment, elapsed_s: f64) {
        if elapsed_s <= START_S || self.early < 2 {
            if !moment.at_least {
                self.early_low_a = self.early_low_a.min(moment.amps);
            }
            self.early += 1;
        }
    }

    /// A locked rotor's current falls with its winding's temperature, by some per cent a second; a rotor that comes up
    /// to speed takes the current down within half a second, to whatever it draws then. A sag of the supply is neither.
    fn step_down(&mut self, moment: &Moment, elapsed_s: f64) {
        if elapsed_s > STEP_BEFORE_S || moment.span_s > STEP_S_COARSE || moment.at_least {
            return;
        }
        let back = (STEP_S / moment.span_s).floor().max(1.0) as usize;
        let share = if moment.span_s > STEP_S {
            STEP_SHARE.1
        } else {
            STEP_SHARE.0
        };
        // The tail ends with the sample before the newest, which is this one: the farthest back comes first.
        let earlier = (1..=back).rev().find_map(|back| {
            let whole = |m: &&Moment| m.time > self.first.time || !self.on_seen;
            self.tail.last(back).filter(whole)
        });
        let fell = earlier.is_some_and(|earlier| {
            let sag = (moment.supply_v / earlier.supply_v).min(1.0);
            moment.amps < share * earlier.amps * if sag.is_nan() { 1.0 } else { sag }
        });
        self.stepped_down |= fell;
    }

    fn rotor(&mut self, moment: &Moment, stall: Option<Stall>, elapsed_s: f64) {
        let limit_a = match stall {
            Some(stall) if self.fell_smoothly(stall) => {
                stall.above_a.min(HEATED_SHARE * self.level_first_a)
            }
            Some(stall) => stall.above_a,
            None if self.peak_a > 0.0 && self.on_seen && elapsed_s <= START_S => {
                CAME_DOWN_OF_PEAK * self.peak_a
            }
            None => return,
        };
        if moment.at_least && moment.amps < limit_a {
            return; // It may be above or below.
        }
        if moment.amps < limit_a {
            self.high_since = None;
            self.high_peak_a = 0.0;
            self.high_a2s = 0.0;
            self.came_down_at.get_or_insert(moment.time);
        } else if stall.is_some() {
            let since = *self.high_since.get_or_insert(if self.early <= 1 {
                self.on_at
            } else {
                moment.time
            });
            self.high_a2s += moment.amps * moment.amps * moment.span_s;
            if moment.since_s(since) >= SURGE_S {
                // Spikes of the meter are no winding's.
                let steady_a = self.steady.amps().unwrap_or(moment.amps);
                self.high_peak_a = self.high_peak_a.max(moment.amps.min(steady_a));
            }
        }
    }

    /// It began at a stall's level, and no step down has been seen since: what a rotor that stands draws falls below any fixed
    /// limit as its winding heats, and it has not come down to running by that.
    pub fn fell_smoothly(&self, stall: Stall) -> bool {
        self.on_seen
            && self.first.span_s <= STEP_S_COARSE
            && self.came_down_at.is_none()
            && !self.stepped_down
            && self.level_first_a >= stall.above_a
    }

    /// The current above which its rotor stands, A: lower for one that has stood since the start, where a step would have been
    /// seen for certain.
    pub fn stands_above_a(&self, stall: Stall) -> f64 {
        if self.fell_smoothly(stall) && self.first.span_s <= STEP_S {
            stall.above_a.min(HEATED_SHARE * self.level_first_a)
        } else {
            stall.above_a
        }
    }

    fn means(&mut self, moment: &Moment, amps: f64, elapsed_s: f64) {
        if let Some(down) = self.came_down_at
            && (seconds(moment.time - down) >= RUN_AFTER_S
                || (!self.on_seen && self.high_since.is_none()))
            && !moment.at_least
        {
            self.run.add(amps, moment.span_s);
            if self.on_seen && self.high_since.is_none() {
                let after_s = seconds(moment.time - down);
                self.beside.run(amps, moment.span_s, after_s);
            }
        }
        // At coarse periods a start reaches into the first whole sample.
        let is_coarse = moment.span_s > RUN_AFTER_S;
        let begins_s = elapsed_s - if is_coarse { moment.span_s } else { 0.0 };
        if begins_s >= RUN_AFTER_S {
            self.whole.add(amps, moment.span_s);
        }
    }

    /// How long the start took until the current had come down to running, s; to a sample period.
    pub fn start_s(&self) -> Option<f64> {
        let down = self.came_down_at.filter(|_| self.on_seen)?;
        Some((seconds(down - self.on_at) - self.first.span_s).max(0.0))
    }

    /// How long current has been seen, s.
    pub fn seen_s(&self) -> f64 {
        seconds(self.last.time - self.on_at)
    }

    /// Square mean once started; `None` if it is not known to have run.
    pub fn run_a(&self) -> Option<f64> {
        self.run.amps()
    }

    /// The running current without what else was on the lead for a moment: spikes of the meter and other loads raise the
    /// mean of a run by more than a run's own course does.
    pub fn own_a(&self) -> Option<f64> {
        let run_a = self.run_a()?;
        let most_a = self.steady.amps().map(|steady_a| MEAN_OF_STEADY * steady_a);
        Some(most_a.map_or(run_a, |most_a| run_a.min(most_a)))
    }

    /// How much running went into [`Self::run_a`], s.
    pub fn run_s(&self) -> f64 {
        self.run.time_s()
    }

    /// Square mean of everything after the first second, whatever it was.
    pub fn whole_a(&self) -> Option<f64> {
        self.whole.amps()
    }

    /// How long the current has been at a stall's level up to the last sample, s.
    pub fn high_s(&self) -> f64 {
        self.high_since
            .map_or(0.0, |since| seconds(self.last.time - since))
    }
}
