//! A protector's constants by a record's own trips and resets.

use super::disc::SensorClasses;
use super::fit::{Fit, NoFit};
use super::run::{LeftOut, Reading, Run, Snap, Taker};
use super::told::Fitted;
use crate::evidence::{Believer, Evidence};
use crate::job::{ClampOn, Protector};
use crate::rows::EndedBy;

/// The newest runs are fitted, so many: more tell hardly more, and a disc that tires is another one by then.
const RUNS_MOST: usize = 40;

/// What the record's own trips say of the constants.
#[derive(Debug, Clone, PartialEq)]
pub struct Own {
    /// Constants for this bead, where it sits, and this clamp; or why there are none.
    pub fitted: Result<Fitted, NoFit>,
    /// Openings that were fitted.
    pub openings: usize,
    /// Closings that were.
    pub closings: usize,
    /// The others.
    pub left_out: Vec<LeftOut>,
    /// Runs that are older than those that were fitted.
    pub older: usize,
}

/// Reads a unit's samples once for it.
#[derive(Debug)]
pub struct OwnRuns {
    taker: Taker,
    believer: Believer,
    protector: Protector,
}

impl OwnRuns {
    /// `None` where nothing can be told: no trip, no bead, other loads on the clamp, or a protector that is not known to be an
    /// external one.
    pub fn of(evidence: &Evidence<'_>) -> Option<Self> {
        let unit = evidence.unit;
        let is_told = unit.protector.kind.is_external()
            && unit.clamp_on == ClampOn::Common
            && unit.channels.case.is_some();
        let cycles = evidence.believed();
        let has_tripped = cycles
            .iter()
            .any(|cycle| cycle.ended_by == Some(EndedBy::Protector));
        (is_told && has_tripped).then(|| Self {
            taker: Taker::new(&cycles),
            believer: evidence.believer(),
            protector: unit.protector.clone(),
        })
    }

    /// The unit's next reading.
    pub fn push(&mut self, reading: Reading) {
        self.taker.reading(&self.believer.of(reading));
    }

    /// All have been read.
    pub fn finish(self) -> Own {
        let extracted = self.taker.finish();
        let older = extracted.runs.len().saturating_sub(RUNS_MOST);
        let runs = extracted.runs.get(older..).unwrap_or_default();
        let count = |snap| runs.iter().map(|run: &Run| run.count(snap)).sum();
        Own {
            openings: count(Snap::Opened),
            closings: count(Snap::Closed),
            fitted: Fit::of(&self.protector, SensorClasses::SAME).runs(runs),
            left_out: extracted.left_out,
            older,
        }
    }
}
