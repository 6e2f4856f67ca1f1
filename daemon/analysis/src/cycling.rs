//! Cycling: on- and off-times, starts an hour, duty, and the claim's terms judged pair by pair.
//!
//! Everything is computed from rows by [`Cycling::of`], for web page, report and command line alike. What the record's gaps
//! could hide is carried along: a count is given with the least and the most it can be.

mod parabola;
mod starts;
mod terms;
mod times;
mod words;

pub use parabola::{Parabola, peak_per_hour};
pub(crate) use starts::HOURS_MAX;
pub use starts::{HourOfDay, HourStarts, Rolling, RollingHour, SHORT_GAP_S, Start, Starts};
pub use terms::{Judged, Term, TermKind, Violation, Whose};
pub(crate) use times::is_whole;
pub use times::{BIN_EDGES_S, Duty, OffTimes, Times};

use crate::evidence::{Evidence, Span};

/// Off for less than this, pressures may not have equalised, s (common practice, no source).
pub const EQUALISED_S: f64 = 300.0;

/// The cycling of one unit over a record.
#[derive(Debug, Clone, PartialEq)]
pub struct Cycling {
    /// Stretches that were not observed.
    pub unseen: Vec<Span>,
    /// Share of the record that was observed, 0..1.
    pub observed: f64,
    /// On-times of cycles whose beginning and end were seen.
    pub on_times: Times,
    /// Off-times, by what ended the on-period before.
    pub off_times: OffTimes,
    /// Share of time on, with bounds.
    pub duty: Duty,
    /// Every start, and what gaps could hide.
    pub starts: Starts,
    /// Starts in each clock hour of the place.
    pub hours: Vec<HourStarts>,
    /// The same by hour of the day, over all days.
    pub hours_of_day: Vec<HourOfDay>,
    /// Most starts in any hour, wherever it begins: all starts.
    pub rolling: Option<Rolling>,
    /// The same without those after the protector's openings.
    pub rolling_control: Option<Rolling>,
    /// The thermostat's parabola through the cycles that a control ended.
    pub parabola: Option<Parabola>,
    /// The terms that the job file gives.
    pub terms: Vec<Term>,
    /// Restarts after less than [`EQUALISED_S`] off, judged like a term though no term says so.
    pub equalised: Term,
}

impl Cycling {
    /// The cycling that the rows show.
    pub fn of(evidence: &Evidence<'_>) -> Self {
        let cycles = evidence.believed();
        let evidence = &Evidence {
            cycles: &cycles,
            ..*evidence
        };
        let starts = Starts::of(evidence);
        let unseen = starts.unseen.clone();
        let unseen_s: f64 = unseen.iter().map(Span::length_s).sum();
        let length_s = evidence.span.length_s();
        Self {
            observed: if length_s > 0.0 {
                (1.0 - unseen_s / length_s).clamp(0.0, 1.0)
            } else {
                0.0
            },
            on_times: Times::of(times::on_times_s(evidence)),
            off_times: OffTimes::of(evidence, &unseen),
            duty: Duty::of(evidence, &unseen),
            hours: starts.by_clock_hour(evidence),
            hours_of_day: starts.by_hour_of_day(evidence),
            rolling: starts.rolling(false),
            rolling_control: starts.rolling(true),
            parabola: Parabola::of(evidence, &unseen),
            terms: terms::of(evidence, &starts),
            equalised: terms::equalised(evidence, &unseen),
            starts,
            unseen,
        }
    }
}
