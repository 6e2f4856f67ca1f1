//! The current on the bench: when it begins and when it ends, as soon as that is certain.
//!
//! On a bench there is one current, far above what the clamp shows with nothing in it, and it is wanted at once: so this looks at
//! each sample by itself, where `unit` waits for what comes after. Edges are dated inside their sample period by square means
//! all the same, and the tests hold both against each other.

use crate::rows::RecordTime;
use crate::unit::moment::{above_floor, micros, share_on};

/// No current is told below this, A.
const THRESHOLD_LEAST_A: f64 = 0.15;
/// Nor below so many times what the clamp shows with nothing in it.
const THRESHOLD_OF_FLOOR: f64 = 3.0;
/// Nor below this share of the current that is expected.
const THRESHOLD_OF_EXPECTED: f64 = 0.1;
/// Samples that confirm an edge; one is enough where a period is longer than the next, s.
const CONFIRMED_BY: usize = 2;
const LONG_SPAN_S: f64 = 1.5;
/// Samples further apart than so many periods have a gap between them.
const GAP_PERIODS: f64 = 1.5;
/// What dating by square means leaves of a sample period (of the noise of two readings).
const DATED_SHARE: f64 = 0.03;
/// An instant that is anywhere within one has this standard uncertainty: `1 / sqrt(12)`.
const EVEN_U: f64 = 0.288_675_134_594_812_9;
/// The clamp's floor follows so much of each reading.
const FLOOR_GAIN: f64 = 0.05;
/// Current at the start and at the end is the square mean of so long, s.
const LEVEL_S: f64 = 1.0;

/// One sample of the bench; NaN where there is no reading.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sample {
    /// End of the sample period.
    pub(super) time: RecordTime,
    /// Its length, s.
    pub(super) span_s: f64,
    /// RMS current in the lead, A.
    pub(super) amps: f64,
    /// Protector's case, Cel.
    pub(super) case_c: f64,
    /// Room, Cel.
    pub(super) ambient_c: f64,
    /// Demand contact: 1 closed, 0 open.
    pub(super) demand: f64,
    /// Supply, V.
    pub(super) supply_v: f64,
}

/// An instant and its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Instant {
    /// Record time.
    pub at: RecordTime,
    /// Standard uncertainty, s: of the sample period and of gaps, not of the board's clock.
    pub u_s: f64,
}

/// What went through during a run.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Through {
    /// Integral of the squared current, A²s.
    pub i2t_a2s: f64,
    /// Square mean of the first second, A.
    pub start_a: Option<f64>,
    /// Square mean of the last second, A.
    pub end_a: Option<f64>,
    /// Time within it of which there is no sample, s.
    pub missing_s: f64,
}

/// The current has changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Edge {
    /// It flows since then; `None`: since before anything was seen.
    Begun(Option<Instant>),
    /// It has ended.
    Ended(Instant, Through),
}

/// Square means over the first and the last second.
#[derive(Debug, Clone, Default)]
struct Levels {
    first: (f64, f64),
    /// (amps, span) of the last second and a little more.
    last: std::collections::VecDeque<(f64, f64)>,
}

impl Levels {
    fn add(&mut self, amps: f64, span_s: f64) {
        if self.first.1 < LEVEL_S {
            self.first = (self.first.0 + amps * amps * span_s, self.first.1 + span_s);
        }
        self.last.push_back((amps, span_s));
        let mut kept_s: f64 = self.last.iter().map(|l| l.1).sum();
        while self.last.len() > 3 && kept_s - self.last[0].1 > LEVEL_S + span_s {
            kept_s -= self.last.pop_front().map_or(0.0, |l| l.1);
        }
    }

    fn start_a(&self) -> Option<f64> {
        (self.first.1 > 0.0).then(|| (self.first.0 / self.first.1).sqrt())
    }

    /// The last sample, in which the current ended, is left out.
    fn end_a(&self) -> Option<f64> {
        let (mut square, mut time_s) = (0.0, 0.0);
        for (amps, span_s) in self.last.iter().rev().skip(1) {
            if time_s > 0.0 && time_s + span_s > LEVEL_S * 1.000_001 {
                break;
            }
            square += amps * amps * span_s;
            time_s += span_s;
        }
        (time_s > 0.0).then(|| (square / time_s).sqrt())
    }
}

/// Follows the current.
#[derive(Debug, Clone)]
pub(super) struct Watch {
    threshold_a: f64,
    /// Square of what the clamp shows with nothing in it, A².
    floor_a2: Option<f64>,
    flows: bool,
    /// Samples that speak for an edge.
    candidates: Vec<Sample>,
    last: Option<Sample>,
    /// The last that was as the current was taken to be.
    agreed: Option<Sample>,
    /// The last two with current.
    carried: [Option<Sample>; 2],
    through: Through,
    levels: Levels,
}

impl Watch {
    /// Of a current of about `expected_a`, if that is known.
    pub(super) fn new(expected_a: Option<f64>) -> Self {
        let of_expected = THRESHOLD_OF_EXPECTED * expected_a.unwrap_or(0.0);
        Self {
            threshold_a: THRESHOLD_LEAST_A.max(of_expected),
            floor_a2: None,
            flows: false,
            candidates: Vec::new(),
            last: None,
            agreed: None,
            carried: [None; 2],
            through: Through::default(),
            levels: Levels::default(),
        }
    }

    /// Whether current flows, A above the clamp's floor; the newest samples may not have been confirmed yet.
    pub(super) const fn flows(&self) -> bool {
        self.flows
    }

    /// What the clamp shows with nothing in it, A.
    pub(super) fn floor_a(&self) -> f64 {
        self.floor_a2.unwrap_or(0.0).sqrt()
    }

    fn is_above(&self, sample: &Sample) -> bool {
        let limit_a = self.threshold_a.max(THRESHOLD_OF_FLOOR * self.floor_a());
        sample.amps > limit_a
    }

    /// Takes a sample with a current reading.
    pub(super) fn push(&mut self, sample: Sample) -> Option<Edge> {
        let was_first = self.last.is_none();
        let edge = if was_first && self.is_above(&sample) {
            self.begin(&[sample], None)
        } else {
            self.follow(sample)
        };
        self.last = Some(sample);
        edge
    }

    fn follow(&mut self, sample: Sample) -> Option<Edge> {
        if self.is_above(&sample) == self.flows {
            self.agreed(sample);
            return None;
        }
        self.candidates.push(sample);
        let needed = if sample.span_s > LONG_SPAN_S {
            1
        } else {
            CONFIRMED_BY
        };
        if self.candidates.len() < needed {
            return None;
        }
        let candidates = core::mem::take(&mut self.candidates);
        if self.flows {
            Some(self.end(&candidates))
        } else {
            let at = self.begun_at(&candidates);
            self.begin(&candidates, Some(at))
        }
    }

    /// The sample is as the last was; one that differed between them was a spike or a bounce.
    fn agreed(&mut self, sample: Sample) {
        let spikes = core::mem::take(&mut self.candidates);
        self.agreed = Some(sample);
        if self.flows {
            for sample in spikes.into_iter().chain([sample]) {
                self.carry(&sample);
            }
            return;
        }
        let square = sample.amps * sample.amps;
        self.floor_a2 = Some(match self.floor_a2 {
            Some(floor_a2) => floor_a2 + FLOOR_GAIN * (square - floor_a2),
            None => square,
        });
    }

    fn carry(&mut self, sample: &Sample) {
        let before = self.carried[1]
            .or(self.last)
            .map_or(sample.time, |s| s.time);
        let elapsed_s = (sample.time - before) as f64 / 1e6;
        let missing_s = if self.carried[1].is_some() && elapsed_s > GAP_PERIODS * sample.span_s {
            elapsed_s - sample.span_s
        } else {
            0.0
        };
        let amps = above_floor(sample.amps, self.floor_a());
        self.through.i2t_a2s += amps * amps * (sample.span_s + missing_s);
        self.through.missing_s += missing_s;
        self.carried = [self.carried[1], Some(*sample)];
        self.levels.add(amps, sample.span_s);
    }

    fn begin(&mut self, candidates: &[Sample], at: Option<Instant>) -> Option<Edge> {
        self.flows = true;
        self.agreed = candidates.last().copied();
        self.through = Through::default();
        self.levels = Levels::default();
        self.carried = [None; 2];
        for sample in candidates {
            self.carry(sample);
        }
        // The first sample has current in a part of it only.
        if candidates.len() > 1 {
            self.levels = Levels::default();
            candidates[1..].iter().for_each(|sample| {
                let amps = above_floor(sample.amps, self.floor_a());
                self.levels.add(amps, sample.span_s);
            });
        }
        Some(Edge::Begun(at))
    }

    fn begun_at(&self, candidates: &[Sample]) -> Instant {
        let first = candidates[0];
        if let Some(gap) = self.gap(self.agreed, &first) {
            return gap;
        }
        match candidates.get(1) {
            Some(second) => {
                let share = share_on(first.amps, second.amps, self.floor_a());
                Instant {
                    at: first.time - micros(share * first.span_s),
                    u_s: DATED_SHARE * first.span_s,
                }
            }
            None => Instant {
                at: first.time - micros(first.span_s / 2.0),
                u_s: EVEN_U * first.span_s,
            },
        }
    }

    /// Between two samples that are too far apart an edge is anywhere.
    fn gap(&self, before: Option<Sample>, after: &Sample) -> Option<Instant> {
        let before = before?;
        let elapsed_us = after.time - before.time;
        let elapsed_s = elapsed_us as f64 / 1e6;
        (elapsed_s > GAP_PERIODS * after.span_s).then(|| Instant {
            at: before.time + elapsed_us / 2,
            u_s: EVEN_U * elapsed_s,
        })
    }

    fn end(&mut self, candidates: &[Sample]) -> Edge {
        self.flows = false;
        self.agreed = candidates.last().copied();
        let last = self.carried[1].unwrap_or(candidates[0]);
        let at = self.gap(Some(last), &candidates[0]).unwrap_or_else(|| {
            let full_a = self.carried[0].map_or(last.amps, |s| s.amps);
            let share = share_on(last.amps, full_a, self.floor_a());
            let (off_s, u_s) = if last.span_s > LONG_SPAN_S {
                (0.5 * last.span_s, EVEN_U * last.span_s)
            } else {
                ((1.0 - share) * last.span_s, DATED_SHARE * last.span_s)
            };
            Instant {
                at: last.time - micros(off_s),
                u_s,
            }
        });
        let through = Through {
            start_a: self.levels.start_a(),
            end_a: self.levels.end_a(),
            ..self.through
        };
        for sample in candidates {
            let square = sample.amps * sample.amps;
            let floor_a2 = self.floor_a2.get_or_insert(square);
            *floor_a2 += FLOOR_GAIN * (square - *floor_a2);
        }
        Edge::Ended(at, through)
    }
}
