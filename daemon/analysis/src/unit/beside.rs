//! What stands beside the line current of an on-period: supply and start lead around the start, room air, the clamp's own
//! floor, and the current early and late in the run.
//!
//! Nothing here decides anything: these are figures for the cycle's row, from which people draw conclusions later.

use std::collections::VecDeque;

use super::level::Floor;
use super::moment::{Moment, SquareMean, finite, larger};
use super::period::START_S;

/// Supply and start lead before a start are means over about this long, s.
const BEFORE_S: f64 = 5.0;
/// A supply below this share of what it was before the start has failed; it has not sagged.
const SAGGED_NOT_LOST: f64 = 0.5;
/// The start lead's current at the end of the start is the mean of so much of it, s.
const LEAD_END_S: f64 = 1.0;
/// In periods that began earlier after the start than this, s, the start winding may have been in by right.
const LEAD_AFTER_S: f64 = 1.5;
/// Most samples of the start lead kept at once: its last second at the shortest sample period, and some.
const LEAD_MAX: usize = 64;
/// The first part of a run: from so long to so long after the rotor came up to speed, s. Before that the current still
/// falls with the suction pressure from one second to the next.
const FIRST_PART_S: (f64, f64) = (30.0, 90.0);
/// The last part of a run is so long, s.
const LAST_PART_S: f64 = 60.0;
/// In pieces of this, s, so that no sample needs to be kept.
const PIECE_S: f64 = 5.0;
/// First and last part are told from this length of a run on, s: the two lie apart.
const PARTS_RUN_S: f64 = 180.0;

/// A mean over about the last [`BEFORE_S`].
#[derive(Debug, Clone, Copy, Default)]
struct Recent {
    mean: f64,
    seen_s: f64,
}

impl Recent {
    fn follow(&mut self, value: f64, span_s: f64) {
        let Some(value) = finite(value) else { return };
        let before_s = if self.seen_s < BEFORE_S {
            self.seen_s
        } else {
            BEFORE_S
        };
        self.mean += (value - self.mean) * span_s / (before_s + span_s);
        self.seen_s += span_s;
    }

    fn value(&self) -> Option<f64> {
        (self.seen_s > 0.0).then_some(self.mean)
    }
}

/// Supply and start lead while no current flows.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Before {
    supply_v: Recent,
    lead_a: Recent,
}

impl Before {
    /// A sample with no current; `is_lost` if the supply is gone at it.
    pub fn follow(&mut self, moment: &Moment, is_lost: bool) {
        if is_lost {
            self.supply_v = Recent::default();
        } else {
            self.supply_v.follow(moment.supply_v, moment.span_s);
        }
        self.lead_a.follow(moment.start_lead_a, moment.span_s);
    }

    /// A gap: nothing before it says what was there when the current began.
    pub fn forget(&mut self) {
        *self = Self::default();
    }
}

/// The figures, as they come together.
#[derive(Debug, Clone, Default)]
pub(super) struct Beside {
    /// Room air when the current began, Cel.
    pub ambient_on_c: Option<f64>,
    /// Supply before the start, V.
    pub supply_before_v: Option<f64>,
    /// Lowest supply in the start, V.
    pub supply_low_v: Option<f64>,
    /// What the clamp showed without current before the start, A, and its standard deviation.
    pub floor: Option<(f64, f64)>,
    /// Highest reading of the start lead in the start, A.
    pub start_lead_peak_a: Option<f64>,
    lead_floor_a: f64,
    lead: VecDeque<(f64, f64)>,
    first: SquareMean,
    last: VecDeque<SquareMean>,
    /// How much time is in all of them, s.
    last_s: f64,
    run_s: f64,
}

impl Beside {
    /// An on-period begins whose beginning was seen.
    pub fn begin(before: &Before, floor: &Floor) -> Self {
        Self {
            supply_before_v: before.supply_v.value(),
            floor: floor.is_known().then_some((floor.level_a, floor.noise_a)),
            lead_floor_a: before.lead_a.value().unwrap_or(0.0),
            ..Self::default()
        }
    }

    /// A sample with current, `elapsed_s` after the first one: where in that one's period the current began is not certain.
    pub fn start(&mut self, moment: &Moment, elapsed_s: f64) {
        if elapsed_s > larger(START_S, 2.0 * moment.span_s) {
            return;
        }
        if let (Some(before_v), Some(supply_v)) = (self.supply_before_v, finite(moment.supply_v))
            && supply_v > SAGGED_NOT_LOST * before_v
        {
            self.supply_low_v = Some(self.supply_low_v.map_or(supply_v, |low| low.min(supply_v)));
        }
        let Some(lead_a) = finite(moment.start_lead_a) else {
            return;
        };
        let lead_a = super::moment::above_floor(lead_a, self.lead_floor_a);
        self.start_lead_peak_a = Some(
            self.start_lead_peak_a
                .map_or(lead_a, |peak| peak.max(lead_a)),
        );
        if elapsed_s - moment.span_s < LEAD_AFTER_S {
            return;
        }
        self.lead.push_back((lead_a, moment.span_s));
        let is_more = |lead: &VecDeque<(f64, f64)>| {
            let after_first_s: f64 = lead.iter().skip(1).map(|(_, span_s)| span_s).sum();
            after_first_s > LEAD_END_S - 0.5 * moment.span_s || lead.len() > LEAD_MAX
        };
        while self.lead.len() > 1 && is_more(&self.lead) {
            self.lead.pop_front();
        }
    }

    /// Square mean of the start lead's current over the last second of the start, A: a start is over after [`START_S`], or
    /// with the current.
    pub fn start_lead_a(&self) -> Option<f64> {
        let mut mean = SquareMean::default();
        self.lead
            .iter()
            .for_each(|&(amps, span_s)| mean.add(amps, span_s));
        mean.amps()
    }

    /// A sample of the turning rotor at `amps`, `after_s` after it came up to speed.
    pub fn run(&mut self, amps: f64, span_s: f64, after_s: f64) {
        self.run_s = larger(self.run_s, after_s);
        let first_until_s = larger(FIRST_PART_S.1, FIRST_PART_S.0 + span_s);
        if after_s > FIRST_PART_S.0 && after_s <= first_until_s {
            self.first.add(amps, span_s);
        }
        match self.last.back_mut() {
            Some(piece) if piece.time_s() + 0.5 * span_s < PIECE_S => piece.add(amps, span_s),
            _ => {
                let mut piece = SquareMean::default();
                piece.add(amps, span_s);
                self.last.push_back(piece);
            }
        }
        self.last_s += span_s;
        while let Some(first_s) = self.last.front().map(SquareMean::time_s)
            && self.last_s - first_s >= LAST_PART_S
        {
            self.last.pop_front();
            self.last_s -= first_s;
        }
    }

    /// Square means of the first and of the last part of the run, A, once they lie apart.
    pub fn parts_a(&self) -> Option<(f64, f64)> {
        if self.run_s < PARTS_RUN_S {
            return None;
        }
        let mut last = SquareMean::default();
        self.last.iter().for_each(|piece| last.merge(piece));
        Some((self.first.amps()?, last.amps()?))
    }
}
