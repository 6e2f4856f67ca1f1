//! Figures of several on-periods taken together, each traced to its cells.

use nightclamp_analysis::rows::CycleRow;
use nightclamp_analysis::statistics::summary;

use super::unit::Unit;
use crate::words::{Fold, Words};

/// How a figure is written.
#[derive(Clone, Copy)]
pub enum Kind {
    /// A.
    Amps,
    /// Cel.
    Temp,
    /// s.
    Length,
}

impl Kind {
    /// Writes it.
    pub fn shown(self, unit: &Unit<'_>, value: f64) -> String {
        match self {
            Self::Amps => unit.scribe.amps(value),
            Self::Temp => unit.scribe.temp(value),
            Self::Length => unit.scribe.duration(value),
        }
    }
}

/// A figure of several cycles: its median, and from least to most.
pub fn range(
    unit: &Unit<'_>,
    cycles: &[&CycleRow],
    column: &'static str,
    of: impl Fn(&CycleRow) -> Option<f64>,
    kind: Kind,
) -> Option<Words> {
    let has_it = |cycle: &&CycleRow| of(cycle).is_some();
    let having: Vec<&CycleRow> = cycles.iter().copied().filter(has_it).collect();
    let summary = summary(having.iter().filter_map(|cycle| of(cycle)))?;
    let figure = |fold, value| {
        let shown = kind.shown(unit, value);
        unit.cells(having.iter().copied(), column, fold, shown)
    };
    let median = figure(Fold::Median, summary.median);
    if summary.count == 1 {
        return Some(median);
    }
    Some(
        median
            .say(" (")
            .then(figure(Fold::Least, summary.least))
            .say(" to ")
            .then(figure(Fold::Most, summary.most))
            .say(")"),
    )
}
