//! One run of current in a bench test, and what was measured in it.

use super::plan::Start;
use super::sequence::timed;
use super::watch::{Instant, Sample, Through};
use crate::rows::RecordTime;

/// A case temperature that is older than this is none, s.
const CASE_OLD_S: f64 = 5.0;

/// A length of time with its standard uncertainty from the sample period and gaps; the board's clock is in `bench.sensors.time_s`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timed {
    /// s.
    pub s: f64,
    /// Standard uncertainty, s.
    pub u_s: f64,
}

/// What ended a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// Current flows.
    NotYet,
    /// The protector opened.
    Opened {
        /// Power was still offered (`demand`). If not, nothing contradicts it: nobody has said that it was by hand.
        certain: bool,
    },
    /// A person switched off, or the supply went, before it opened.
    ByHand,
    /// It had not opened in the longest time; then somebody switched off, or it opened after all.
    TooLong,
    /// It was to be switched off, or counts for nothing: who ended it is not asked.
    NotAsked,
}

impl Ended {
    /// In words, for a column "ended by".
    pub const fn words(self) -> &'static str {
        match self {
            Self::NotYet => "nothing yet",
            Self::Opened { certain: true } => "protector",
            Self::Opened { certain: false } => "protector, as far as is known",
            Self::ByHand => "hand",
            Self::TooLong => "too late",
            Self::NotAsked => "not asked",
        }
    }
}

/// One run with the off-time after it. `None` is not measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Repeat {
    /// Which of the repeats, from 1; `None` for a run that is none.
    pub number: Option<u32>,
    /// From where it began; `None` if that is not known.
    pub start: Option<Start>,
    /// When current began, or the first sample that had it.
    pub on_at: RecordTime,
    /// When it ended.
    pub off_at: Option<RecordTime>,
    /// When it was back.
    pub back_at: Option<RecordTime>,
    /// What ended it.
    pub ended: Ended,
    /// Length of the run: the time to trip if it opened.
    pub on_s: Option<Timed>,
    /// Time from opening to current again: it has closed.
    pub reset: Option<Timed>,
    /// Power is known to have been offered all the time from opening to closing, so that the closing's instant is exact.
    pub reset_certain: bool,
    /// Current at the start, A: square mean of the first second.
    pub start_a: Option<f64>,
    /// Current at the end, A: square mean of the last second.
    pub end_a: Option<f64>,
    /// Square mean over the run, A.
    pub rms_a: Option<f64>,
    /// Integral of the squared current, A²s.
    pub i2t_a2s: Option<f64>,
    /// Time within the run of which there is no sample, s.
    pub missing_s: f64,
    /// Case when current began, Cel.
    pub case_on_c: Option<f64>,
    /// Case when it opened, Cel.
    pub case_trip_c: Option<f64>,
    /// Highest case of the run and of the off-time after it, Cel.
    pub case_max_c: Option<f64>,
    /// Case when it had closed, Cel.
    pub case_reset_c: Option<f64>,
    /// Room when current began, Cel.
    pub ambient_c: Option<f64>,
    /// The model's disc when it opened, Cel; only once the curve is known.
    pub disc_trip_c: Option<f64>,
    /// The model's disc when it closed, Cel; likewise.
    pub disc_reset_c: Option<f64>,
    pub(super) begun: Option<Instant>,
    pub(super) over: Option<Instant>,
    pub(super) power_held: bool,
    pub(super) power_gone: bool,
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

impl Repeat {
    /// A run whose beginning was seen, or not.
    pub(super) fn begun(at: Option<Instant>, sample: &Sample, cold: Option<bool>) -> Self {
        let start = |cold: bool| if cold { Start::Cold } else { Start::Warm };
        Self {
            number: None,
            start: cold.filter(|_| at.is_some()).map(start),
            on_at: at.map_or(sample.time, |at| at.at),
            off_at: None,
            back_at: None,
            ended: Ended::NotYet,
            on_s: None,
            reset: None,
            reset_certain: false,
            start_a: None,
            end_a: None,
            rms_a: None,
            i2t_a2s: None,
            missing_s: 0.0,
            case_on_c: finite(sample.case_c),
            case_trip_c: None,
            case_max_c: finite(sample.case_c),
            case_reset_c: None,
            ambient_c: finite(sample.ambient_c),
            disc_trip_c: None,
            disc_reset_c: None,
            begun: at,
            over: None,
            power_held: true,
            power_gone: false,
        }
    }

    /// Current has ended; `sample` is the one that confirmed it, `before` the one before.
    pub(super) fn end(
        &mut self,
        at: Instant,
        through: Through,
        sample: &Sample,
        before: Option<&Sample>,
    ) {
        self.off_at = Some(at.at);
        self.over = Some(at);
        self.on_s = self.begun.map(|begun| timed(begun, at));
        (self.start_a, self.end_a) = (through.start_a, through.end_a);
        self.missing_s = through.missing_s;
        self.i2t_a2s = self.begun.map(|_| through.i2t_a2s);
        self.rms_a = self
            .on_s
            .filter(|on| on.s > 0.0)
            .map(|on| (through.i2t_a2s / on.s).sqrt());
        let near = |s: &&Sample| (s.time - at.at).abs() as f64 <= CASE_OLD_S * 1e6;
        let seen = [before, Some(sample)].into_iter().flatten().filter(near);
        let nearest = seen
            .filter(|s| s.case_c.is_finite())
            .min_by_key(|s| (s.time - at.at).abs());
        self.case_trip_c = nearest.map(|s| s.case_c);
        self.case_max_c = super::sequence::max_of(self.case_max_c, sample.case_c);
    }

    /// Current is back; if it had opened, it has closed.
    pub(super) fn closed(&mut self, at: Option<Instant>, sample: &Sample) {
        self.back_at = at.map(|at| at.at);
        if !matches!(self.ended, Ended::Opened { .. }) {
            return;
        }
        // Power that went meanwhile may have come back long after it had closed.
        self.reset = match (self.over, at) {
            (Some(over), Some(at)) if !self.power_gone => Some(timed(over, at)),
            _ => None,
        };
        self.reset_certain = self.power_held && self.reset.is_some();
        self.case_reset_c = self.reset.and_then(|_| finite(sample.case_c));
    }

    /// It opened, and counts as a repeat.
    pub fn is_opening(&self) -> bool {
        self.number.is_some() && matches!(self.ended, Ended::Opened { .. })
    }
}
