//! What a technician looks at around the cause: sentences with figures, what to check next, and the rows they rest on.
//!
//! A finding says what the record shows, never what a part is that it cannot see. Each that compares one group of cycles
//! with another is said only if chance alone would bring it about in less than [`CHANCE_MOST`], by an exact test where
//! there is one, and with at least [`ROWS_LEAST`] rows. What a sensor showed while it could not be believed goes into none.

mod course;
mod learned;
mod starting;
mod supply;
mod trips;

pub use learned::{Learned, LockedFrom, learned};

use crate::evidence::Evidence;
use crate::reading;
use crate::rows::{Cause, EventRow, RecordTime};

/// Most that chance alone may bring a finding about.
pub const CHANCE_MOST: f64 = 0.01;
/// Fewest rows that a finding rests on.
pub const ROWS_LEAST: usize = 3;

/// What a finding is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum FindingKind {
    /// The hour with most starts.
    BusiestHour,
    /// A term of the job file is broken.
    TermBroken,
    /// Restarts before pressures may have equalised.
    NotEqualised,
    /// How the cycles stand to the thermostat's parabola.
    Parabola,
    /// Starts fail more often after short off-times.
    FailsAfterShortOff,
    /// Starts fail only from some time on.
    FailsFrom,
    /// The start winding stays in.
    StartLeadStays,
    /// The supply sags when it starts.
    SupplySags,
    /// The current rises through a run.
    CurrentRises,
    /// The current falls through a run while the case is hot.
    CurrentFallsHot,
    /// The opening temperature drifts from trip to trip.
    OpeningDrifts,
    /// Trips come at certain hours of the day.
    TripsByHour,
    /// Trips come when the room is warm, or cold.
    TripsByAmbient,
    /// A reading by hand.
    Reading,
}

impl FindingKind {
    /// A stable name, for machines.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::BusiestHour => "busiest-hour",
            Self::TermBroken => "term-broken",
            Self::NotEqualised => "not-equalised",
            Self::Parabola => "parabola",
            Self::FailsAfterShortOff => "fails-after-short-off",
            Self::FailsFrom => "fails-from",
            Self::StartLeadStays => "start-lead-stays",
            Self::SupplySags => "supply-sags",
            Self::CurrentRises => "current-rises",
            Self::CurrentFallsHot => "current-falls-hot",
            Self::OpeningDrifts => "opening-drifts",
            Self::TripsByHour => "trips-by-hour",
            Self::TripsByAmbient => "trips-by-ambient",
            Self::Reading => "reading",
        }
    }
}

/// Something that the record shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What it is about.
    pub kind: FindingKind,
    /// In a short sentence, with figures.
    pub sentence: String,
    /// What to check next; empty where nothing follows from it.
    pub check: String,
    /// Its figures by name, for machines; units in the names.
    pub values: Vec<(&'static str, f64)>,
    /// `on_at` of the cycles, or `time` of the events, on which it rests.
    pub rows: Vec<RecordTime>,
    /// Probability that chance alone brings it about, where that was tested, 0..1.
    pub chance: Option<f64>,
}

/// Everything that the record shows around the cause, readings by hand beside it.
pub fn findings(evidence: &Evidence<'_>) -> Vec<Finding> {
    let cycles = evidence.believed();
    let evidence = &Evidence {
        cycles: &cycles,
        ..*evidence
    };
    let taken = reading::readings(evidence.events);
    let mut said = Vec::new();
    said.extend(starting::fails_after_short_off(evidence));
    said.extend(starting::fails_from(evidence));
    said.extend(starting::start_lead_stays(evidence));
    said.extend(supply::sags(evidence));
    said.extend(course::rises(evidence));
    said.extend(course::falls_hot(evidence));
    said.extend(trips::opening_drifts(evidence));
    said.extend(trips::by_hour(evidence));
    said.extend(trips::by_ambient(evidence));
    quote(&mut said, &taken);
    said.extend(reading::findings(&taken));
    said
}

/// Readings by hand that bear on a finding are quoted with it.
fn quote(said: &mut [Finding], taken: &[reading::Taken]) {
    use reading::What as W;
    for finding in said {
        let bears: &[W] = match finding.kind {
            FindingKind::FailsAfterShortOff => &[W::Ptc],
            FindingKind::FailsFrom | FindingKind::StartLeadStays => &[
                W::Ptc,
                W::Capacitor,
                W::CommonStart,
                W::CommonRun,
                W::StartRun,
            ],
            FindingKind::OpeningDrifts => &[W::ProtectorCold, W::ProtectorHot],
            _ => &[],
        };
        if let Some(measured) = measured(bears, taken) {
            finding.check.push_str(&format!(" {measured}"));
        }
    }
}

/// Readings by hand that bear on why the protector opened, in words.
pub(crate) fn measured_for(cause: Cause, events: &[EventRow]) -> Option<String> {
    use reading::What as W;
    let windings = [W::CommonStart, W::CommonRun, W::StartRun];
    let bears: Vec<W> = match cause {
        Cause::LockedRotor => [W::Ptc, W::Capacitor, W::Insulation]
            .into_iter()
            .chain(windings)
            .collect(),
        Cause::Overload => [W::Capacitor, W::Insulation]
            .into_iter()
            .chain(windings)
            .collect(),
        Cause::Overheat | Cause::Early => vec![W::ProtectorCold, W::ProtectorHot],
        Cause::Undetermined => reading::ALL.to_vec(),
    };
    measured(&bears, &reading::readings(events))
}

/// The newest reading of each kind that was taken.
fn measured(kinds: &[reading::What], taken: &[reading::Taken]) -> Option<String> {
    let newest = |what: &reading::What| taken.iter().rev().find(|of| of.reading.what == *what);
    let words =
        |of: &reading::Taken| format!("{} {}", of.reading.what.as_str(), of.reading.shown());
    let quoted: Vec<String> = kinds.iter().filter_map(newest).map(words).collect();
    (!quoted.is_empty()).then(|| format!("Measured by hand: {}.", quoted.join(", ")))
}
